"""What is set right by hand: kept beside the readings, applied to them, never over them."""

from __future__ import annotations

import math
import multiprocessing

import pytest

from analyser.errors import InputError, TableError
from analyser.ingest import load_flight
from analyser.ingest.corrected import apply_corrections
from analyser.ingest.corrections import FILE, Correction, read_corrections, record_corrections, standing, typed_value

TABLE = """met,body,altitude [km],speed [m/s],propellant [%],stage,note
00:10:00,Ardent,80.30,2508,100,lander,
00:20:00,,80.94,2506.0,100,,first
00:30:00,,8234,2502.4,50,,
00:40:00,Lull,61.94,992.5,,,
00:50:00,,61.95,,,,
"""
WORLD, CRAFT = "samples/worlds/ardent.toml", "samples/craft/heron.toml"


@pytest.fixture
def flight(tmp_path, request):
    root = request.config.rootpath
    (tmp_path / "flight.toml").write_text(f'name = "x"\npilot = "P-01"\nworld = "{root / WORLD}"\ncraft = "{root / CRAFT}"\n')
    (tmp_path / "readings.csv").write_text(TABLE)
    return tmp_path


def detail(readings, row: int, column: str):
    (found,) = readings.detail[(readings.detail["row"] == row) & (readings.detail["column"] == column)].itertuples()
    return found


def cell(readings, row: int, column: str):
    return readings.table.loc[readings.table["row"] == row, column].iloc[0]


def test_without_corrections_nothing_changes(flight):
    plain = load_flight(flight).readings
    assert apply_corrections(plain, []) is plain
    assert read_corrections(flight / FILE) == []


def test_a_correction_is_applied_and_what_was_read_is_kept(flight):
    record_corrections(flight, [Correction("readings.csv", 4, "altitude", "correct", "82.34 km", by="P-01", raw="8234")])
    found = load_flight(flight)
    assert cell(found.readings, 4, "altitude") == pytest.approx(82340) and cell(found.readings, 4, "altitude_sigma") == pytest.approx(10 / math.sqrt(12))
    item = detail(found.readings, 4, "altitude")
    assert (item.raw, item.status, item.reason, item.value) == ("8234", "typed", "corrected by hand", pytest.approx(82340))
    assert any("1 reading set right by hand (1 corrected)" in remark for remark in found.readings.remarks)
    assert flight / FILE in found.files
    assert cell(load_flight(flight, corrected=False).readings, 4, "altitude") == 8234e3
    assert (flight / "readings.csv").read_text() == TABLE


def test_confirming_keeps_the_value_and_its_sigma(flight):
    before = load_flight(flight).readings
    after = apply_corrections(before, [Correction("readings.csv", 3, "speed", "confirm", "2506.0 m/s", raw="2506.0"), Correction("readings.csv", 2, "speed", "confirm")])
    assert after.table.equals(before.table)
    assert detail(after, 3, "speed").reason == detail(after, 2, "speed").reason == "confirmed by hand"


def test_setting_aside_takes_a_value_out(flight):
    readings = apply_corrections(load_flight(flight).readings, [Correction("readings.csv", 3, "speed", "set aside")])
    assert math.isnan(cell(readings, 3, "speed")) and math.isnan(cell(readings, 3, "speed_sigma"))
    item = detail(readings, 3, "speed")
    assert (item.status, item.reason, item.value) == ("set aside", "set aside by hand", 2506.0)


def test_the_last_decision_stands_and_undoing_brings_back_what_was_read(flight):
    place = ("readings.csv", 3, "speed")
    record_corrections(flight, [Correction(*place, "correct", "2600 m/s")])
    record_corrections(flight, [Correction(*place, "set aside")])
    assert math.isnan(cell(load_flight(flight).readings, 3, "speed"))
    history = record_corrections(flight, [Correction(*place, "undo")])
    assert [each.action for each in history] == ["correct", "set aside", "undo"] and standing(history) == []
    assert load_flight(flight).readings.table.equals(load_flight(flight, corrected=False).readings.table)


def test_a_value_typed_into_an_empty_cell(flight):
    readings = apply_corrections(load_flight(flight).readings, [Correction("readings.csv", 6, "speed", "correct", "992.4 m/s"), Correction("readings.csv", 6, "pitch", "correct", "-5 deg")])
    assert cell(readings, 6, "speed") == 992.4 and detail(readings, 6, "speed").raw == ""
    assert cell(readings, 6, "pitch") == pytest.approx(math.radians(-5)) and math.isnan(cell(readings, 2, "pitch"))


def test_a_corrected_clock_moves_the_row(flight):
    readings = apply_corrections(load_flight(flight).readings, [Correction("readings.csv", 5, "met", "correct", "T+00:05:00")])
    assert readings.table["row"].tolist() == [5, 2, 3, 4, 6] and readings.table["met"].iloc[0] == 300
    assert set(readings.detail.loc[readings.detail["row"] == 5, "met"]) == {300}


def test_a_row_whose_clock_is_set_aside_is_out(flight):
    readings = apply_corrections(load_flight(flight).readings, [Correction("readings.csv", 5, "met", "set aside")])
    assert readings.table["row"].tolist() == [2, 3, 4, 6]


def test_a_corrected_body_is_carried_forward(flight):
    found = load_flight(flight)
    readings = apply_corrections(found.readings, [Correction("readings.csv", 5, "body", "correct", "Ardent")], world=found.world)
    assert readings.table["body"].tolist() == ["Ardent"] * 5
    refused = apply_corrections(found.readings, [Correction("readings.csv", 5, "body", "correct", "Nowhere")], world=found.world)
    assert refused.table["body"].tolist() == ["Ardent"] * 3 + ["Lull"] * 2 and "no body 'Nowhere'" in refused.remarks[-1]


def test_kilograms_follow_a_corrected_percentage(flight):
    record_corrections(flight, [Correction("readings.csv", 4, "propellant_fraction", "correct", "75 %")])
    found = load_flight(flight)
    load = found.craft.stages[0].propellant
    assert cell(found.readings, 4, "propellant") == pytest.approx(0.75 * load) and cell(found.readings, 3, "propellant") == pytest.approx(load)
    assert detail(found.readings, 4, "propellant").reason.startswith("worked out from percent")


@pytest.mark.parametrize(
    ("correction", "said"),
    [
        (Correction("readings.csv", 99, "speed", "set aside"), "no such line"),
        (Correction("gone.png", 0, "speed", "set aside"), "no such picture"),
        (Correction("readings.csv", 3, "speed", "correct", "1 m/s", raw="2605.0"), "'2506.0' stands there now, '2605.0' when"),
        (Correction("readings.csv", 6, "speed", "correct", "1 m/s", raw="992"), "nothing stands there now"),
        (Correction("readings.csv", 6, "speed", "confirm"), "nothing was read there"),
    ],
)
def test_what_does_not_fit_the_readings_any_more_is_told_and_not_used(flight, correction, said):
    before = load_flight(flight).readings
    after = apply_corrections(before, [correction])
    assert after.table.equals(before.table) and said in after.remarks[-1] and FILE in after.remarks[-1]


def test_types_and_order_stay_as_they_were(flight):
    before = load_flight(flight).readings
    after = apply_corrections(before, [Correction("readings.csv", 3, "speed", "correct", "2506.1 m/s")])
    assert after.table.dtypes.equals(before.table.dtypes) and list(after.table) == list(before.table)
    assert after.detail.dtypes.equals(before.detail.dtypes) and len(after.detail) == len(before.detail)


@pytest.mark.parametrize(
    ("text", "column", "value"),
    [("61.94 km", "altitude", 61940), ("61.94", "altitude", 61.94), ("T+01:00:00.5", "met", 3600.5), ("90", "pitch", math.pi / 2), ("60", "throttle", 0.6),
     ("0.6", "throttle", 0.6), ("1,5 km", "altitude", 1500), ("1 g", "acceleration", 9.80665), ("\u2212" "12.5 m/s", "vertical_speed", -12.5)],
)  # fmt: skip
def test_values_as_people_type_them(text, column, value):
    assert typed_value(text, column).value == pytest.approx(value)


@pytest.mark.parametrize(("text", "column"), [("", "speed"), ("x", "speed"), ("5 kg", "speed"), ("-5 kg", "propellant"), ("nan", "speed"), ("1e400", "altitude"),
                                              ("25:99", "met"), ("", "met"), ("40 %", "propellant"), ("9" * 500, "speed"), ("100 deg", "latitude")])  # fmt: skip
def test_what_is_no_value_is_refused(text, column):
    with pytest.raises(InputError):
        typed_value(text, column)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b\n1,2\n", "unknown column 'a'"),
        ("source,row,column,action\n", "no column 'value'"),
        ("source,row,column,acton,value\n", "did you mean 'action'"),
        ("source,row,column,action,value\nreadings.csv,x,speed,correct,1\nreadings.csv,3,sped,correct,1\nreadings.csv,3,speed,fix,1\nreadings.csv,3,speed,correct,1 kg\n,3,speed,set aside,\n",
         "5 lines can't be used"),
        ('source,row,column,action,value\nreadings.csv,3,speed,correct,"1', "can't be split"),
    ],
)  # fmt: skip
def test_a_broken_file_is_refused_in_words_and_left(flight, text, said):
    (flight / FILE).write_text(text)
    with pytest.raises(TableError, match=said.replace("'", ".")):
        load_flight(flight)
    with pytest.raises(TableError):
        record_corrections(flight, [Correction("readings.csv", 3, "speed", "set aside")])
    assert (flight / FILE).read_text() == text


def test_a_decision_that_could_not_be_read_back_is_not_written(flight):
    for wrong in (Correction("", 3, "speed", "set aside"), Correction("readings.csv", 3, "sped", "set aside"), Correction("readings.csv", 3, "speed", "correct", "1 kg")):
        with pytest.raises(InputError):
            record_corrections(flight, [wrong])
    assert not (flight / FILE).exists()


def test_texts_with_commas_quotes_and_line_ends_come_back(flight):
    record_corrections(flight, [Correction("a, \"b\".png", 0, "note", "correct", 'one, "two"\nthree', by="P,1", raw="x\ny")])
    (found,) = read_corrections(flight / FILE)
    assert (found.source, found.value, found.by, found.raw) == ('a, "b".png', 'one, "two" three', "P,1", "x\ny") and found.when


def _write(folder, number):
    for count in range(10):
        record_corrections(folder, [Correction("readings.csv", 3, "speed", "correct", f"{1000 * number + count} m/s")])


def test_several_programs_may_write_at_once(flight):
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=_write, args=(flight, number)) for number in (1, 2, 3, 4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    kept = [each.value for each in read_corrections(flight / FILE)]
    assert sorted(kept) == sorted(f"{1000 * number + count} m/s" for number in (1, 2, 3, 4) for count in range(10))
    assert sorted(path.name for path in flight.iterdir()) == sorted([FILE, "flight.toml", "readings.csv"])


def test_a_picture_is_known_by_its_name_and_comes_in_when_its_clock_is_typed(flight):
    """A screenshot whose clock could not be read is not in the table; typing the clock brings it in with what else it shows."""
    import pandas as pd

    from analyser.flight import Readings

    empty = pd.DataFrame({"met": [10.0], "met_sigma": [0.3], "altitude": [80e3], "altitude_sigma": [3.0], "source": ["a.png"], "row": [0]})
    rows = [("a.png", 0, 10.0, "met", "clock", "10", 10.0, 0.3, 1.0, "read", "", ""), ("b.png", 1, math.nan, "met", "clock", "1?", math.nan, math.nan, 0.5, "doubtful", "unsure", ""),
            ("b.png", 1, math.nan, "altitude", "alt", "81.00 km", 81e3, 3.0, 1.0, "read", "", ""), ("b.png", 1, math.nan, "speed", "spd", "2?0", math.nan, math.nan, 0.4, "doubtful", "unsure", "")]  # fmt: skip
    readings = Readings(empty, pd.DataFrame(rows, columns=["source", "row", "met", "column", "gauge", "raw", "value", "sigma", "probability", "status", "reason", "crop"]))
    # since then a picture was put in front: its index is another one, its name the same
    found = apply_corrections(readings, [Correction("b.png", 7, "met", "correct", "00:00:15", raw="1?"), Correction("b.png", 7, "speed", "confirm", "220 m/s")])
    assert found.table["met"].tolist() == [10.0, 15.0] and found.table["altitude"].tolist() == [80e3, 81e3] and found.table["speed"].tolist()[1] == 220
    assert set(found.detail.loc[found.detail["source"] == "b.png", "met"]) == {15.0}
