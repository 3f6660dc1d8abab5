"""A clock set back in flight is told from slips, from swapped pages and from the same stretch noted twice."""

import numpy as np
import pytest

from analyser.ingest import read_table
from analyser.ingest.restarts import find_restarts, longest_rising

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
