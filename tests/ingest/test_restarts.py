"""A clock set back in flight is told from slips, from swapped pages and from the same stretch noted twice."""

import numpy as np
import pytest

from analyser.errors import TableError
from analyser.ingest import merge_readings, read_table, write_readings
from analyser.ingest.restarts import find_restarts, in_turn, longest_rising

TIMES = np.linspace(400.0, 9000.0, 18)
HEIGHTS = np.linspace(1.0, 7.0, 18) ** 2
PROPELLANT = np.repeat([900.0, 750.0, 620.0], 6)


def shown(times, order=slice(None)):
    own, told = (find_restarts(np.asarray(times)[order], [HEIGHTS[order]], propellant) for propellant in (None, PROPELLANT[order]))
    assert own == told  # propellant decides where it can; the other gauges do as well here
    return own


@pytest.mark.parametrize("start", [4, 9, 14])
def test_a_clock_set_to_zero_is_found_where_it_was(start):
    times = TIMES.copy()
    times[start:] -= times[start] - 30.0
    assert shown(times) == [start]


def test_two_restarts_are_both_found():
    times = TIMES.copy()
    times[6:] -= times[6] - 50.0
    times[12:] -= times[12] - 20.0
    assert shown(times) == [6, 12]


def test_a_slip_or_two_beside_a_restart_change_nothing():
    times = TIMES.copy()
    times[9:] -= times[9] - 30.0
    times[3] -= 300.0
    times[13] += 4000.0
    assert shown(times) == [9]


def test_slips_alone_are_no_restart():
    times = TIMES.copy()
    times[[3, 10]] -= 3600.0
    times[14] += 3600.0
    assert shown(times) == []


def test_pages_in_the_wrong_order_are_no_restart():
    assert shown(TIMES, np.r_[9:18, 0:9]) == []


def test_an_early_restart_looks_like_swapped_pages_but_for_the_propellant():
    times = np.r_[np.linspace(5000.0, 9000.0, 9), np.linspace(30.0, 2000.0, 9)]
    assert find_restarts(times, [HEIGHTS]) == []
    assert find_restarts(times, [HEIGHTS], PROPELLANT) == [9]


def test_the_same_stretch_noted_twice_is_no_restart():
    assert shown(TIMES, np.r_[0:18:2, 1:18:2]) == []


def test_the_longest_rising_run_leaves_out_the_fewest():
    assert longest_rising(np.array([1.0, 9.0, 2.0, 3.0, 3.0, 0.0, 5.0])).tolist() == [0, 2, 3, 4, 6]


def test_lines_after_a_restart_keep_their_order_their_body_and_are_told(tmp_path):
    path = tmp_path / "readings.csv"
    lines = ["met,body,altitude [km],speed [m/s]"]
    lines += [f"00:{10 + 5 * k}:00,{'Ardent' if k == 0 else ''},{300 + 20 * k},{2000 - 10 * k}" for k in range(6)]
    lines += [f"00:{6 * k:02d}:30,{'Lull' if k == 0 else ''},{90 - 10 * k},{500 + 8 * k}" for k in range(5)]
    path.write_text("\n".join(lines) + "\n")
    readings = read_table(path)
    assert readings.table["row"].tolist() == list(range(2, 13))
    assert readings.table["clock_run"].tolist() == [0] * 6 + [1] * 5
    assert readings.table["body"].tolist() == ["Ardent"] * 6 + ["Lull"] * 5
    assert readings.table["met"].iloc[6] == 35 * 60 + 30.0
    assert any("line 8: the clock starts again (00:35:00, then 00:00:30)" in remark for remark in readings.remarks)


RESTARTED = ["met,altitude [km],speed [m/s]", *(f"00:{10 + 5 * k}:00,{300 + 20 * k},{2000 - 10 * k}" for k in range(6)),
             *(f"00:{6 * k:02d}:30,{420 + 20 * k},{1950 - 8 * k}" for k in range(5))]  # fmt: skip


def test_a_table_written_with_its_runs_reads_back_the_same(tmp_path):
    (tmp_path / "typed.csv").write_text("\n".join(RESTARTED) + "\n")
    first = read_table(tmp_path / "typed.csv")
    again = read_table(write_readings(first, tmp_path / "written.csv"))
    assert again.table["met"].tolist() == first.table["met"].tolist()
    assert again.table["clock_run"].tolist() == [0] * 6 + [1] * 5
    assert not any("starts again" in remark for remark in again.remarks)  # its times run on already


def test_the_clock_as_read_stays_in_the_detail(tmp_path):
    (tmp_path / "typed.csv").write_text("\n".join(RESTARTED) + "\n")
    detail = read_table(tmp_path / "typed.csv").detail
    clocks = detail[detail["column"] == "met"]
    assert clocks["value"].tolist() == [600.0 + 300 * k for k in range(6)] + [30.0 + 360 * k for k in range(5)]
    assert (clocks["met"] - clocks["value"]).tolist() == [0.0] * 6 + [2100.0] * 5


def test_runs_that_a_pilot_marked_are_believed_where_nothing_else_would_tell(tmp_path):
    lines = ["met,clock_run,altitude [km]", "00:10:00,0,300", "00:20:00,,310", "00:01:00,1,320", "00:02:00,,330"]
    (tmp_path / "typed.csv").write_text("\n".join(lines) + "\n")
    readings = read_table(tmp_path / "typed.csv")
    assert readings.table["met"].tolist() == [600.0, 1200.0, 1260.0, 1320.0]
    assert readings.table["clock_run"].tolist() == [0, 0, 1, 1]
    assert any("line 4: the clock starts again (00:20:00, then 00:01:00)" in remark for remark in readings.remarks)


def test_runs_that_are_no_numbers_are_refused_with_their_line(tmp_path):
    (tmp_path / "typed.csv").write_text("met,clock_run,altitude [km]\n0,first,300\n10,-1,310\n")
    with pytest.raises(TableError, match="clock_run") as refused:
        read_table(tmp_path / "typed.csv")
    assert [cell[0] for cell in refused.value.cells] == [2, 3]


@pytest.mark.parametrize(("run", "wanted"), [
    ([0, 0, 0, 1, 1, 1], [0, 0, 0, 1, 1, 1]), ([0, 0, 1, 0, 0, 1, 1, 1], [0, 0, 0, 0, 0, 1, 1, 1]), ([0, 0, 1, 1, 0, 1, 2, 2], [0, 0, 1, 1, 1, 1, 2, 2]),
])  # fmt: skip
def test_a_line_whose_clock_slipped_into_another_run_goes_with_those_around_it(run, wanted):
    assert in_turn(np.array(run)).tolist() == wanted


def test_two_tables_of_a_flight_whose_clock_was_set_back_are_laid_on_one_clock(tmp_path):
    """The second stops later before the restart: what both saw after it stands at one time."""
    times = {"one.csv": ([600 + 300 * k for k in range(6)], [30 + 360 * k for k in range(5)]), "two.csv": ([650 + 300 * k for k in range(7)], [30 + 360 * k for k in range(4)])}
    for name, (before, after) in times.items():
        lines = [f"{met},{300 + met / 20},{2000 - met / 50}" for met in before] + [f"{met},{450 + met / 20},{1950 - met / 50}" for met in after]
        (tmp_path / name).write_text("\n".join(["met,altitude [km],speed [m/s]", *lines]) + "\n")
    merged = merge_readings([read_table(tmp_path / name) for name in times])
    assert merged.table["met"].is_monotonic_increasing
    run = merged.table["clock_run"].to_numpy()
    assert (np.diff(run) >= 0).all() and run.sum() >= 5
    last = times["two.csv"][0][-1]
    after = merged.table[merged.table["clock_run"] == 1]
    assert sorted(set(after["met"])) == [last + 30.0 + 360 * k for k in range(5)]
    assert merged.detail.loc[merged.detail["column"] == "met", "met"].max() == last + 30 + 360 * 4
    assert (merged.detail["status"] == "set aside").sum() >= 8  # what the second says again of the same moments


def test_a_table_that_was_written_lies_on_the_clock_of_what_it_was_written_from(tmp_path):
    (tmp_path / "typed.csv").write_text("\n".join(RESTARTED) + "\n")
    first = read_table(tmp_path / "typed.csv")
    merged = merge_readings([read_table(write_readings(first, tmp_path / "written.csv")), first])
    assert merged.table["met"].tolist() == first.table["met"].tolist()
    assert merged.table["source"].unique().tolist() == ["written.csv"]
