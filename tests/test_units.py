"""Quantities in and out."""

import math
import subprocess
import sys

import pytest
from hypothesis import given, strategies

from analyser.errors import InputError
from analyser.units import (
    UNITS,
    format_met,
    format_quantity,
    nearest,
    parse_orbit,
    parse_quantity,
    say,
    scan_duration,
    scan_number,
)

# Factors: exact by definition (international foot 1959, nautical mile 1929, pound 1959, standard gravity 1901).
QUANTITIES = [
    ("12.5 km", "length", 12500.0),
    ("890km", "length", 890e3),
    ("25 Mm", "length", 25e6),
    ("3 mm", "length", 0.003),
    ("1000 ft", "length", 304.8),
    ("60 nmi", "length", 111120.0),
    ("60 n mi", "length", 111120.0),
    ("1 NM", "length", 1852.0),
    ("21 000 km", "length", 21e6),
    ("1'234.5 m", "length", 1234.5),
    ("1,234.5 m", "length", 1234.5),
    ("1.234.567 m", "length", 1234567.0),
    ("12,5 km", "length", 12500.0),
    ("\u221212.5 m/s", "speed", -12.5),
    ("550 m/s", "speed", 550.0),
    ("100 kn", "speed", 185200 / 3600),
    ("100 kt", "speed", 185200 / 3600),
    ("36 km/h", "speed", 10.0),
    ("600 ft/min", "speed", 3.048),
    ("1 g", "acceleration", 9.80665),
    ("1 g", "mass", 0.001),
    ("6.4 t", "mass", 6400.0),
    ("10 lb", "mass", 4.5359237),
    ("58 kN", "force", 58e3),
    ("60 %", "fraction", 0.6),
    ("0.4", "fraction", 0.4),
    ("180 deg", "angle", math.pi),
    ("90°", "angle", math.pi / 2),
    ("6.1e12 m^3/s^2", "gravitational parameter", 6.1e12),
    ("398600.4 km3/s2", "gravitational parameter", 3.986004e14),
    ("1.1 kg/m³", "density", 1.1),
    ("4 m^2", "area", 4.0),
    ("318 s", "specific impulse", 318.0),
    ("3118.5147 m/s", "specific impulse", 318.0),
    ("7 h 12 min", "time", 25920.0),
    ("3 d 04:12", "time", 3 * 86400 + 4 * 3600 + 12 * 60),
    ("1h02m03s", "time", 3723.0),
    ("-10 h 30 min", "time", -37800.0),
    ("12:40", "time", 760.0),
    ("30:00:00", "time", 108000.0),
    ("2.5 d", "time", 216000.0),
]


@pytest.mark.parametrize(("text", "dimension", "value"), QUANTITIES)
def test_quantities_in_the_units_of_the_trade(text, dimension, value):
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-9)


def test_a_bare_number_is_si_and_the_si_unit_names_the_dimension():
    assert parse_quantity(812, "m") == 812.0
    assert parse_quantity("812", "length") == 812.0
    assert parse_quantity(5, "m/s") == 5.0
    assert parse_quantity("5 km", "m") == 5000.0


@pytest.mark.parametrize(
    ("text", "dimension", "told"),
    [
        ("3 kmm", "length", "nearest: "),
        ("3 metrs", "length", "nearest: met"),
        ("3 kg", "length", "'kg' is a unit of mass"),
        ("100 MM", "length", "two ways"),
        ("12,345 km", "length", "could be 12345 or 12.345"),
        ("nan", "length", "no number"),
        ("1e400 m", "length", "too large"),
        ("1e308 Gm", "length", "too large"),
        ("", "length", "empty"),
        ("km", "length", "no number"),
        ("--5 m", "length", "no number"),
        ("1 23 m", "length", "groups of digits"),
        ("1,23,456 m", "length", "groups of digits"),
        ("12:75", "time", "no time"),
        ("1 d 25:00", "time", "hours after days to 23"),
        ("5 min 2 h", "time", "in this order"),
        ("1:2:3:4:5", "time", "no time"),
    ],
)
def test_what_is_no_quantity_is_told_what_would_be(text, dimension, told):
    with pytest.raises(InputError, match=told):
        parse_quantity(text, dimension)


@pytest.mark.parametrize("given", [True, None, [1], float("nan"), float("inf"), 10**400])
def test_what_toml_can_hold_and_is_no_quantity(given):
    with pytest.raises(InputError):
        parse_quantity(given, "length")


def test_every_unit_parses_back_to_its_factor():
    for dimension, units in UNITS.items():
        if dimension == "time":
            continue  # "3 ms" style durations are covered above; bare units of time go through the clock
        for unit, factor in units.items():
            text = "3" if unit == "1" else f"3 {unit}"
            assert parse_quantity(text, dimension) == pytest.approx(3 * factor, rel=1e-15), (dimension, unit)


def test_steps_of_the_last_digit():
    assert scan_number("61.94 km").step == pytest.approx(0.01)
    assert scan_number("61.940").step == pytest.approx(0.001)
    assert scan_number("21400").step == 1.0
    assert scan_number("6.1e12").step == pytest.approx(1e11)
    assert scan_duration("00:12:40") == (760.0, 1.0)
    assert scan_duration("00:12:40.5") == (760.5, pytest.approx(0.1))
    assert scan_duration("1 d 02:03") == (93780.0, 60.0)
    assert scan_duration("12:40", pair="hh:mm") == (45600.0, 60.0)


def test_a_lone_comma_is_settled_by_what_other_numbers_prove():
    assert scan_number("12,345", {"comma decimal"}).value == 12.345
    assert scan_number("12,345", {"dot decimal"}).value == 12345.0
    assert scan_number("12,345", {"comma thousands"}).value == 12345.0
    assert scan_number("1.234", {"dot thousands"}).value == 1234.0
    assert scan_number("1.234").value == 1.234
    assert scan_number("0,345").value == 0.345  # no thousands begin with 0
    for text, proofs in [("12,345", ()), ("12,345", {"comma decimal", "dot decimal"}), ("1.234", {"comma decimal"})]:
        with pytest.raises(InputError, match="could be"):
            scan_number(text, proofs)


@given(strategies.text(max_size=30))
def test_any_text_is_a_number_or_an_input_error(text):
    for dimension in ("length", "time", "fraction"):
        try:
            assert math.isfinite(parse_quantity(text, dimension))
        except InputError as error:
            assert str(error)


@given(strategies.floats(-1e15, 1e15, allow_nan=False))
def test_format_quantity_reads_back_exactly(value):
    for unit, dimension in (("km", "length"), ("deg", "angle"), ("t", "mass")):
        assert parse_quantity(format_quantity(value, unit, dimension), dimension) == value


def test_orbits():
    assert parse_orbit("80 x 120 km") == (80e3, 120e3)
    assert parse_orbit("1.2 Mm × 80 km") == (80e3, 1.2e6)
    assert parse_orbit("30x30km") == (30e3, 30e3)
    for text in ("80 km", "80 x", "80 x 90 x 100 km", "a x b km", "80 x 90 kg", 5):
        with pytest.raises(InputError):
            parse_orbit(text)


def test_elapsed_time_for_people():
    assert format_met(760) == "T+00:12:40"
    assert format_met(59.96, decimals=1) == "T+00:01:00.0"
    assert format_met(93784) == "T+1 d 02:03:04"
    assert format_met(-10) == "T-00:00:10"
    assert format_met(-0.2) == "T+00:00:00"
    assert format_met(math.nan) == "T+ not known"


@given(strategies.integers(-10**7, 10**7))
def test_elapsed_time_reads_back(seconds):
    from analyser.ingest.clock import read_clock

    assert read_clock(format_met(seconds))[0] == seconds


def test_values_are_said_with_the_digits_their_sigma_lets_stand():
    assert say(61943.0, 30.0, "length") == "61.94 km"
    assert say(61943.0, 300.0, "length") == "61.9 km"
    assert say(812.4, 0.3, "m") == "812.4 m"
    assert say(61943.0, 30.0, "m", error=True) == "61.94 ± 0.06 km"
    assert say(992.53, 0.4, "m/s") == "992.5 m/s"
    assert say(760.0, 1.0, "s") == "12.67 min"
    assert say(-123456.0, 2000.0, "m") == "-123 km"
    assert say(0.0, math.nan, "kg") == "0 kg"
    assert say(1234.0, math.nan, "kg") == "1234 kg"
    assert say(math.nan, 1.0, "kg") == "not known"
    assert say(-0.001, 0.3, "m/s") == "0.0 m/s"


def test_nearest():
    assert nearest("altitud", ("altitude", "speed")) == "altitude"
    assert nearest("SPEED", ("altitude", "speed")) == "speed"
    assert nearest("scale", ("table", "scale_height")) == "scale_height"
    assert nearest("xyz", ("altitude", "speed")) == ""


def test_quick_commands_pay_for_no_numpy():
    code = (
        "import sys; from analyser.ingest.descriptions import load_world; load_world('solar'); "
        "print([name for name in ('numpy', 'pandas', 'scipy', 'cv2', 'matplotlib') if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
