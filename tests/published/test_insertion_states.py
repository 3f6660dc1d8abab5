"""Altitude, speed and flight-path angle of flown crewed missions give the orbits that were published with them.

Source of every row: its ``source`` column (NASA SP-2000-4029; Apollo 11 Mission Report, NTRS 19700008096). Conventions, found by
recomputing the tables: about the Earth GM 398603.2 km^3/s^2 (the flights' own constant), altitude over the Fischer ellipsoid of 1960 (6378.166 km, 1 / 298.3)
at the row's geocentric latitude, apogee and perigee over a sphere of 3443.934 n mi; about the Moon GM 4902.778 km^3/s^2 and altitudes
over the row's datum.
"""

import csv
import math
from pathlib import Path

import pytest

from analyser.fitting.conic import shape
from analyser.flight import STANDARD_GRAVITY, Stage

HERE = Path(__file__).parent
FOOT, NAUTICAL_MILE = 0.3048, 1852.0
EARTH_MU, MOON_MU = 398603.2e9, 4902.778e9
SPHERE = 3443.934 * NAUTICAL_MILE


def rows(name):
    with open(HERE / name, newline="") as file:
        return list(csv.DictReader(file))


def titled(row):
    return f"{row['mission']}, {row['event']}"


def half_digit(text):
    """Half of the last digit of a number as printed."""
    return 0.5 * 10.0 ** -(len(text.split(".")[1]) if "." in text else 0)


def ellipsoid_radius(geocentric_latitude):
    equator, polar = 6378166.0, 6378166.0 * (1 - 1 / 298.3)
    return equator * polar / math.hypot(polar * math.cos(geocentric_latitude), equator * math.sin(geocentric_latitude))


def earth_orbit(row):
    r = ellipsoid_radius(math.radians(float(row["lat_geocentric_deg"]))) + float(row["alt_ft"]) * FOOT
    v, angle = float(row["v_ft_s"]) * FOOT, math.radians(float(row["fpa_deg"]))
    return shape(EARTH_MU, r, v * math.sin(angle), v * math.cos(angle))


@pytest.mark.parametrize("row", [row for row in rows("earth_states.csv") if row["apo_nmi"]], ids=titled)
def test_insertion_gives_the_published_orbit(row):
    orbit = earth_orbit(row)
    assert (orbit.apoapsis_radius - SPHERE) / NAUTICAL_MILE == pytest.approx(float(row["apo_nmi"]), abs=0.1)
    assert (orbit.periapsis_radius - SPHERE) / NAUTICAL_MILE == pytest.approx(float(row["peri_nmi"]), abs=0.1)
    assert orbit.period / 60 == pytest.approx(float(row["period_min"]), abs=0.01)
    # Half a digit of the printed eccentricity, and what half a digit of the angle moves it by.
    worth = half_digit(row["ecc"]) + math.radians(half_digit(row["fpa_deg"])) + 5e-6
    assert orbit.eccentricity == pytest.approx(float(row["ecc"]), abs=worth)


@pytest.mark.parametrize("row", [row for row in rows("earth_states.csv") if row["c3_ft2_s2"]], ids=titled)
def test_translunar_injection_gives_the_published_energy(row):
    orbit = earth_orbit(row)
    v = float(row["v_ft_s"])
    # What the speed's last printed digit is worth in C3 = v^2 - 2 mu / r, and half a foot of altitude.
    worth = 2 * v * half_digit(row["v_ft_s"]) + EARTH_MU / orbit.periapsis_radius**2 * FOOT / FOOT**2
    assert 2 * orbit.energy / FOOT**2 == pytest.approx(float(row["c3_ft2_s2"]), abs=worth)
    assert orbit.eccentricity == pytest.approx(float(row["ecc"]), abs=2e-5)


def lunar_orbit(row):
    datum = float(row["datum_km"]) * 1e3
    v, angle = float(row["v_ft_s"]) * FOOT, math.radians(float(row["fpa_deg"]))
    orbit = shape(MOON_MU, datum + float(row["alt_nmi"]) * NAUTICAL_MILE, v * math.sin(angle), v * math.cos(angle))
    return (orbit.apoapsis_radius - datum) / NAUTICAL_MILE, (orbit.periapsis_radius - datum) / NAUTICAL_MILE


@pytest.mark.parametrize("row", rows("lunar_states.csv"), ids=titled)
def test_lunar_cutoffs_give_the_published_apoapsis(row):
    assert lunar_orbit(row)[0] == pytest.approx(float(row["apo_nmi"]), abs=0.2)


@pytest.mark.parametrize(
    "row",
    [
        pytest.param(
            row,
            id=titled(row),
            marks=pytest.mark.xfail(strict=True, reason="the row's own digits give 43.93 to 44.04 n mi: the published 43.7 came another way")
            if row["event"] == "TPI cutoff"
            else (),
        )
        for row in rows("lunar_states.csv")
    ],
)
def test_lunar_cutoffs_give_the_published_periapsis(row):
    assert lunar_orbit(row)[1] == pytest.approx(float(row["peri_nmi"]), abs=0.2)


def test_a_naive_sphere_misses_the_published_perigees():
    """Negative control: without the ellipsoid the same rows miss by miles, so the agreement above is no accident."""
    for row in rows("earth_states.csv"):
        if row["apo_nmi"]:
            v, angle = float(row["v_ft_s"]) * FOOT, math.radians(float(row["fpa_deg"]))
            orbit = shape(EARTH_MU, SPHERE + float(row["alt_ft"]) * FOOT, v * math.sin(angle), v * math.cos(angle))
            assert abs((orbit.periapsis_radius - SPHERE) / NAUTICAL_MILE - float(row["peri_nmi"])) > 2.0


#: Effective specific impulses, s, that the tabulated masses and delta-v are known to give; attitude-control propellant is in the mass change.
RANGES = {"service module": (312.0, 317.0), "descent stage": (296.0, 302.0), "ascent stage": (313.0, 316.0)}


@pytest.mark.parametrize("row", [row for row in rows("engine_burns.csv") if not row["event"].startswith("MCC")], ids=titled)
def test_main_engine_burns_lie_in_the_published_impulse_ranges(row):
    before, after = float(row["mass_before_lb"]), float(row["mass_after_lb"])
    low, high = (before * math.exp(-float(row["dv_ft_s"]) * FOOT / Stage("", specific_impulse=isp).exhaust_speed) for isp in RANGES[row["engine"]])
    # The mass left after the burn, by the rocket equation, at either end of the range.
    assert low <= after <= high


def test_a_three_second_burn_shows_the_attitude_propellant():
    """The 3.13 s midcourse burn lies below the range: what the attitude jets used weighs 20 times as much in it."""
    (row,) = [row for row in rows("engine_burns.csv") if row["event"].startswith("MCC")]
    before, after = float(row["mass_before_lb"]), float(row["mass_after_lb"])
    impulse = float(row["dv_ft_s"]) * FOOT / (STANDARD_GRAVITY * math.log(before / after))
    assert impulse == pytest.approx(292.4, abs=0.5 / 20.9 * 292.4 / 10)
