"""Typed tables of readings: what people write, and what they get told where it can't be used."""

import math

import numpy as np
import pytest

from analyser.errors import OutputError, TableError
from analyser.flight import QUANTITIES, STANDARD_GRAVITY, Body, Craft, Stage, make_world
from analyser.ingest import merge_readings, read_table, write_detail, write_readings
from analyser.ingest.frames import DETAIL

ROOT12 = math.sqrt(12)
HERON = Craft("Heron", (Stage("booster", propellant=30e3), Stage("lander", propellant=9400.0)))


@pytest.fixture
def read(tmp_path):
    def read(text, encoding="utf-8", **options):
        path = tmp_path / "readings.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return read_table(path, **options)

    return read


def refused(read, text, *told, **options):
    with pytest.raises(TableError) as caught:
        read(text, **options)
    message = str(caught.value)
    assert "readings.csv" in message
    for words in told:
        assert words in message, message
    return caught.value


def test_a_pilots_table(read):
    readings = read(
        "# jotted down\n"
        "met, body, altitude [km], speed [m/s], vertical_speed [m/s], throttle [%], propellant [kg], event\n"
        "\n"
        "T+00:12:40, Lull, 61.94, 992.5, 0, 0, 1744,\n"
        "00:12:55,, 61.95, 992.5,,,,\n"
        "00:13:55,, 812 m, 41, -12.5, 60, 1022, Lift-Off\n"
    )
    table = readings.table
    assert table["met"].tolist() == [760.0, 775.0, 835.0]
    assert table["altitude"].tolist() == [61940.0, 61950.0, 812.0]
    assert table["altitude_sigma"].to_numpy() * ROOT12 == pytest.approx([10.0, 10.0, 1.0])
    assert table["speed_sigma"].to_numpy() * ROOT12 == pytest.approx([0.1, 0.1, 1.0])
    assert table["throttle"].to_numpy() == pytest.approx([0.0, np.nan, 0.6], nan_ok=True)
    assert table["propellant"].to_numpy() == pytest.approx([1744.0, np.nan, 1022.0], nan_ok=True)
    assert table["body"].tolist() == ["Lull"] * 3
    assert table["event"].tolist() == ["", "", "liftoff"]
    assert table["source"].tolist() == ["readings.csv"] * 3
    assert table["row"].tolist() == [4, 5, 6]
    assert readings.remarks == ()


def test_every_column_and_its_si_value(read):
    typed = {
        "altitude [ft]": ("1000", 304.8),
        "radar_altitude [n mi]": ("1", 1852.0),
        "speed [kn]": ("100", 185200 / 3600),
        "surface_speed [km/h]": ("36", 10.0),
        "vertical_speed [ft/min]": ("-600", -3.048),
        "horizontal_speed [km/s]": ("0.5", 500.0),
        "flight_path_angle [deg]": ("-3", math.radians(-3)),
        "pitch [deg]": ("90", math.pi / 2),
        "heading [rad]": ("1.5", 1.5),
        "roll [°]": ("-45", -math.pi / 4),
        "latitude [deg]": ("4.5 S", math.radians(-4.5)),
        "longitude [deg]": ("121.3", math.radians(121.3)),
        "throttle [%]": ("60", 0.6),
        "propellant [t]": ("1.744", 1744.0),
        "propellant_fraction [%]": ("42", 0.42),
        "acceleration [g]": ("1.2", 1.2 * STANDARD_GRAVITY),
    }
    assert {name.split()[0] for name in typed} == set(QUANTITIES)
    readings = read(",".join(["met", *typed]) + "\n" + ",".join(["1", *(cell for cell, _ in typed.values())]) + "\n")
    for header, (_, value) in typed.items():
        assert readings.table[header.split()[0]].iloc[0] == pytest.approx(value, rel=1e-12), header
    assert list(readings.table)[2:-2:2] == list(QUANTITIES)  # the shared order


def test_names_differ_by_case_blanks_and_hyphens_only(read):
    table = read("MET,Vertical Speed [m/s],radar-altitude (m),FlightPathAngle [deg]\n1,-2,3,4\n").table
    assert {"vertical_speed", "radar_altitude", "flight_path_angle"} <= set(table)


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("met,altitude [km],note\n00:01,12.5,grün\n", "utf-8-sig"),
        ("met,altitude [km],note\r\n00:01,12.5,grün\r\n", "utf-8"),
        ("met,altitude [km],note\r00:01,12.5,grün\r", "utf-8"),
        ("met;altitude [km];note;;\n00:01;12,5;grün;;\n;;;;\n", "utf-8"),
        ("sep=;\nmet;altitude [km];note\n00:01;12,5;grün\n", "utf-8"),
        ("met\taltitude [km]\tnote\n00:01\t12.5\tgrün\n", "utf-16"),
        ("met\taltitude [km]\tnote\n00:01\t12.5\tgrün\n", "utf-16-le"),
        ("met,altitude [km],note\n00:01,12.5,grün\n", "latin-1"),
        ('"met","altitude [km]","note"\n"00:01","12,5","grün"\n', "utf-8"),
    ],
)
def test_files_as_spreadsheets_write_them(read, text, encoding):
    table = read(text, encoding).table
    assert table["met"].tolist() == [1.0]
    assert table["altitude"].tolist() == [12500.0]
    assert table["note"].tolist() == ["grün"]


def test_numbers_as_people_write_them(read):
    readings = read('met;altitude [m]\n1;1 234\n2;"1\'234,5"\n3;1.234,5\n4;−12,5\n5;12,345\n')
    assert readings.table["altitude"].tolist() == [1234.0, 1234.5, 1234.5, -12.5, 12.345]
    readings = read('met,altitude [m]\n1,"21,400"\n2,992.5\n')
    assert readings.table["altitude"].tolist() == [21400.0, 992.5]
    assert "'21,400' is 21400" in readings.remarks[0]


def test_what_could_be_read_in_two_ways_is_not_read(read):
    refused(read, "met;altitude [km]\n1;12,345\n", "line 2", "could be 12345 or 12.345")
    refused(read, "met;altitude [km]\n1;12,5\n2;1.234\n", "line 3", "could be 1234 or 1.234")
    refused(read, "met;altitude [km]\n1;12,5\n2;13.5\n3;12,345\n", "line 4", "could be")


def test_quotes_comments_and_line_numbers(read):
    readings = read('met,speed [m/s],note\n1,2,"a\n# no comment, ""b"""\n# a comment with a "quote\n3,4,=5\n')
    assert readings.table["note"].tolist() == ['a\n# no comment, "b"', "=5"]
    assert readings.table["row"].tolist() == [2, 5]


def test_standard_deviations_from_columns_beside(read):
    table = read(
        "met [s],met_sigma,altitude [km],altitude_sigma [m],speed [m/s],speed_sigma\n"
        "1,0.5,12.5,30,900,2\n2,,12.5,,0.9 km/s,0.02\n3,,,5,,\n"
    ).table
    assert table["met_sigma"].to_numpy() == pytest.approx([0.5, 1 / ROOT12, 1 / ROOT12])
    assert table["altitude_sigma"].to_numpy() == pytest.approx([30.0, 100 / ROOT12, np.nan], nan_ok=True)
    assert table["speed_sigma"].to_numpy() == pytest.approx([2.0, 20.0, np.nan], nan_ok=True)


def test_zeros_at_the_end_are_fillers_only_where_the_column_shows_it(read):
    def steps(*cells):
        table = read("met,altitude [m]\n" + "".join(f"{index},{cell}\n" for index, cell in enumerate(cells))).table
        return table["altitude_sigma"].to_numpy() * ROOT12

    assert steps("21400", "22100", "20800", "19900", "19100", "0") == pytest.approx([100.0] * 6)
    assert steps("21400", "22100", "20800", "19900") == pytest.approx([1.0] * 4)  # four may be chance
    assert steps("100", "100", "100", "100", "100", "100") == pytest.approx([1.0] * 6)  # one value says nothing
    assert steps("21400", "22100", "20800", "19900", "19101") == pytest.approx([1.0] * 5)
    assert steps("21400", "22100", "20800", "19900", "19100", "81.5")[0] == pytest.approx(1.0)


def test_a_lever_at_its_stops_is_not_known_to_a_whole_unit_only(read):
    table = read("met,throttle\n1,0\n2,1\n3,0.5\n").table
    assert table["throttle_sigma"].to_numpy() * ROOT12 == pytest.approx([0.01, 0.01, 0.1])


def test_units_that_nobody_wrote_are_told(read):
    readings = read("met,altitude,pitch,throttle\n1,812,45,60\n2,813,44,0\n")
    assert readings.table["altitude"].iloc[0] == 812.0
    assert readings.table["pitch"].iloc[0] == pytest.approx(math.pi / 4)
    assert readings.table["throttle"].iloc[0] == pytest.approx(0.6)
    assert "altitude in m, pitch in deg, throttle in %" in readings.remarks[0]


def test_lines_out_of_order_and_times_twice(read):
    readings = read("met,body,speed [m/s]\n10,A,1\n110,B,2\n20,,3\n30,,4\n30,,5\n")
    assert readings.table["met"].tolist() == [10.0, 20.0, 30.0, 30.0, 110.0]
    assert readings.table["speed"].tolist() == [1.0, 3.0, 4.0, 5.0, 2.0]
    assert readings.table["body"].tolist() == ["A", "A", "A", "A", "B"]  # carried forward in order of time
    order, twice = readings.remarks
    assert "line 3 (T+00:01:50)" in order and "line 4" not in order
    assert "lines 5, 6 at T+00:00:30" in twice


def test_propellant_in_percent(read):
    text = "met,propellant,event\n1,50 %,\n2,10 %,\n3,100 %,staging\n4,90 %,\n5,8000 kg,\n"
    bare = read(text)
    assert bare.table["propellant_fraction"].to_numpy() == pytest.approx([0.5, 0.1, 1.0, 0.9, np.nan], nan_ok=True)
    assert bare.table["propellant"].to_numpy() == pytest.approx([np.nan] * 4 + [8000.0], nan_ok=True)
    loaded = read(text, craft=HERON)
    assert loaded.table["propellant"].to_numpy() == pytest.approx([15e3, 3e3, 9400.0, 8460.0, 8000.0])
    assert loaded.table["propellant_sigma"].to_numpy()[:4] * ROOT12 == pytest.approx([300.0, 300.0, 94.0, 94.0])
    worked_out = loaded.detail[loaded.detail["reason"] != ""]
    assert worked_out["column"].tolist() == ["propellant"] * 4
    assert worked_out["raw"].tolist() == ["50 %", "10 %", "100 %", "90 %"]
    named = read("met,propellant [%],stage\n1,50,lander\n2,40,\n", craft=HERON)
    assert named.table["propellant"].to_numpy() == pytest.approx([4700.0, 3760.0])


def test_propellant_in_percent_of_a_stage_that_nobody_names(read):
    readings = read("met,propellant [%]\n1,50\n2,10\n3,99\n", craft=HERON)
    assert readings.table["propellant"].to_numpy() == pytest.approx([15e3, 3e3, np.nan], nan_ok=True)
    assert "line 4" in readings.remarks[0] and "another stage" in readings.remarks[0]
    readings = read("met,propellant [%],stage\n1,50,tug\n", craft=HERON)
    assert "propellant" not in readings.table
    assert "no stage called 'tug'" in readings.remarks[0]


def test_the_detail_has_a_row_for_each_value(read):
    readings = read("met,altitude [km],note\n00:02,12.5,x\n00:01,,\n")
    assert tuple(readings.detail) == DETAIL
    assert readings.detail[["row", "column", "raw", "value", "status"]].values.tolist() == [
        [3, "met", "00:01", 1.0, "typed"],
        [2, "met", "00:02", 2.0, "typed"],
        [2, "altitude", "12.5", 12500.0, "typed"],
    ]


def test_bodies_are_those_of_the_world(read):
    world = make_world("w", [Body("Ardent", 6.1e12, 890e3), Body("Lull", 2.1e11, 310e3, parent="Ardent", semi_major_axis=2.1e7)])
    assert read("met,body,speed [m/s]\n1,lull,2\n", world=world).table["body"].tolist() == ["Lull"]
    refused(read, "met,body,speed [m/s]\n1,Lul,2\n", "line 2, column 'body'", "did you mean 'Lull'?", world=world)


def test_events_are_spelled_alike_and_others_kept(read):
    table = read("met,event\n1,CUT-OFF\n2,Touch Down\n3,<b>hello</b>\n4,cutoff; staging\n5,\n").table
    assert table["event"].tolist() == ["cutoff", "touchdown", "<b>hello</b>", "cutoff, staging", ""]


def test_all_bad_cells_in_one_message(read):
    error = refused(
        read,
        "met,altitude [km],speed,throttle [%]\n1,nan,inf,0\n2,1e400,NaN,101\nx,abc,,-5\n,5 kg,,\n",
        "10 cells",
        "line 2, column 'altitude [km]': 'nan' is no number",
        "'1e400' is too large",
        "'101' is impossible: throttle is 0 to 100 %",
        "line 4, column 'met': 'x' is no time",
        "'-5' is impossible",
        "line 5, column 'met': the clock is missing",
        "'kg' is a unit of mass",
    )
    assert len(error.cells) == 10
    assert error.cells[0][:3] == (2, "altitude [km]", "nan")
    assert "\n\n" not in str(error)


def test_a_long_list_of_bad_cells_is_cut_with_a_count(read):
    error = refused(read, "met,speed [m/s]\n" + "1,x\n" * 500, "500 cells", "and 488 more")
    assert len(error.cells) == 500
    assert len(str(error)) < 2000


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "nothing in this table"),
        ("\n# only a comment\n", "nothing in this table"),
        ("met,altitude [km]\n", "no line of readings"),
        ("met\n1\n", "only a clock"),
        ("altitude [km],speed [m/s]\n1,2\n", "no column 'met'"),
        ("time,speed [m/s]\n1,2\n", "the clock's column is called 'met'"),
        ("met,altitud [km]\n1,2\n", "did you mean 'altitude'?"),
        ("met,altitude_km\n1,2\n", "did you mean 'altitude [km]'?"),
        ("met,altitude [kg]\n1,2\n", "'kg' is a unit of mass"),
        ("met,note [km]\n1,2\n", "takes no unit"),
        ("met,speed [m/s],Speed\n1,2,3\n", "the same column"),
        ("met,,speed [m/s]\n1,5,2\n", "without a name"),
        ("met,speed [m/s]\n1,2,3\n", "3 cells, but 2 columns"),
        ("met,speed [m/s],altitude_sigma\n1,2,3\n", "no column 'altitude'"),
        ("met,speed [m/s],speed_sigma\n1,2,0\n", "larger than 0"),
        ("1,2,3\n4,5,6\n", "the first line must name the columns"),
        ('met,speed [m/s],note\n1,2,"never closed\n3,4,\n', "never closed"),
        ('met,speed [m/s],note\n1,2,"closed" too early\n', "goes on after its closing quote"),
        (",".join(f"c{index}" for index in range(10000)) + "\n", "10000 columns"),
        ("met," + ",".join(f"c{index}" for index in range(100)) + "\n1\n", "and 88 more"),
        (bytes(range(256)) * 10, "binary"),
        (b"\x89PNG\r\n\x1a\n", "a picture"),
        (b"PK\x03\x04", "workbook"),
        (b"\xff\xfem\x00e", "UTF-8"),
        (b"met,speed\n1,2\x00\n", "binary"),
    ],
)
def test_what_is_no_table(read, text, told):
    refused(read, text, told)


def test_a_file_that_is_not_there_and_a_folder(tmp_path):
    with pytest.raises(TableError, match="no such file"):
        read_table(tmp_path / "none.csv")
    with pytest.raises(TableError, match="a folder"):
        read_table(tmp_path)


def test_written_tables_read_back_the_same(read, tmp_path):
    readings = read(
        "met,met_sigma,body,altitude [km],altitude_sigma [m],radar_altitude [ft],vertical_speed [m/s],pitch,throttle [%],"
        "propellant,acceleration [g],stage,event,note\n"
        "00:00:10,,Lull,61.94,,1200,-12.5,45.0,60,50 %,1.25,lander,ignition,\"a, \"\"b\"\"\n# c\"\n"
        "00:00:20.5,2,,812 m,33,1000,0,-3.25,100,40 %,,,,=1+1\n"
        "T-00:00:05,,,12 km,,,,,,,,,,\n1 d 02:00:00,,,1.25 Mm,,,3,,,1234 kg,,,,\n"
    )
    written = write_readings(readings, tmp_path / "out" / "readings.csv")
    again = read_table(written)
    kept = [name for name in readings.table if name not in ("source", "row")]
    assert list(again.table) == [name for name in readings.table if name != "out_of_turn"]  # what is written stands in order
    kept.remove("out_of_turn")
    for name in kept:
        if readings.table[name].dtype == object:
            assert again.table[name].tolist() == readings.table[name].tolist()
        else:
            assert again.table[name].to_numpy() == pytest.approx(readings.table[name].to_numpy(), rel=1e-6, abs=1e-12, nan_ok=True)
    header = written.read_text().splitlines()[0].split(",")
    assert header[:3] == ["met", "met_sigma [s]", "body"]
    assert {"altitude [km]", "altitude_sigma [km]", "radar_altitude [ft]", "pitch [deg]", "throttle [%]"} <= set(header)
    assert "pitch_sigma [deg]" not in header  # its digits say it
    assert write_readings(again, tmp_path / "again.csv").read_text() == written.read_text()


def test_digits_are_printed_as_typed(read, tmp_path):
    text = "met,altitude [km],speed [m/s]\n00:12:40,61.940,992.5\n00:12:55,61.95,993\n"
    assert write_readings(read(text), tmp_path / "out.csv").read_text() == text


def test_doubtful_values_are_left_empty(read, tmp_path):
    readings = read("met,altitude [km],speed [m/s]\n1,12.5,900\n2,13.5,901\n")
    readings.detail.loc[(readings.detail["row"] == 2) & (readings.detail["column"] == "altitude"), "status"] = "doubtful"
    written = write_readings(readings, tmp_path / "out.csv").read_text()
    assert written == "met,altitude [km],speed [m/s]\n00:00:01,,900\n00:00:02,13.5,901\n"
    assert not readings.table["altitude"].isna().any()  # what was handed in is untouched


def test_the_detail_as_a_file(read, tmp_path):
    readings = read("met,altitude [km]\n00:01,12.5\n")
    readings.detail["crop"] = [(1, 2, 30, 40), ""]
    lines = write_detail(readings, tmp_path / "detail.csv").read_text().splitlines()
    assert lines[0] == "source,row,met,column,gauge,raw,value,sigma,probability,status,reason,crop"
    assert lines[1].startswith("readings.csv,2,1.0,met,,00:01,1.0,0.288") and lines[1].endswith(",1.0,typed,,1 2 30 40")
    assert lines[2].startswith("readings.csv,2,1.0,altitude,,12.5,12500.0,")


def test_what_can_not_be_written_leaves_what_was_there(read, tmp_path, monkeypatch):
    readings = read("met,altitude [km]\n00:01,12.5\n")
    target = tmp_path / "out.csv"
    target.write_text("before")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutputError, match="disk is full"):
        write_readings(readings, target)
    with pytest.raises(OutputError, match="disk is full"):
        write_detail(readings, target)
    assert target.read_text() == "before"
    assert sorted(child.name for child in tmp_path.iterdir()) == ["out.csv", "readings.csv"]


def test_merging_counts_once_what_was_read_twice(tmp_path):
    (tmp_path / "typed.csv").write_text("met,body,altitude [km]\n10,Lull,12.5\n30,,13.5\n")
    (tmp_path / "shots.csv").write_text("met,altitude [km],speed [m/s]\n10,99.9,900\n20,13.1,901\n30,99.9,\n")
    merged = merge_readings([read_table(tmp_path / "typed.csv"), read_table(tmp_path / "shots.csv")])
    table = merged.table
    assert table["met"].tolist() == [10.0, 10.0, 20.0, 30.0]
    assert table["source"].tolist() == ["typed.csv", "shots.csv", "shots.csv", "typed.csv"]
    assert table["altitude"].to_numpy() == pytest.approx([12500.0, np.nan, 13100.0, 13500.0], nan_ok=True)
    assert table["altitude_sigma"].isna().tolist() == [False, True, False, False]
    assert table["speed"].to_numpy() == pytest.approx([np.nan, 900.0, 901.0, np.nan], nan_ok=True)
    assert table["body"].tolist() == ["Lull"] * 4
    aside = merged.detail[merged.detail["status"] == "set aside"]
    assert aside[["source", "row", "column"]].values.tolist() == [["shots.csv", 2, "altitude"], ["shots.csv", 4, "altitude"]]
    assert "typed.csv" in aside["reason"].iloc[0]
