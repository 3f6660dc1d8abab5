"""A flown lunar descent and ascent, typed as a pilot would from the published tables, through the whole reconstruction.

Rows: NASA SP-238 (*Apollo 11 Mission Report*, MSC-00171), tables 7-II (state at powered descent initiation and at ascent cutoff) and A-I (masses); specific impulse 300.5 s (Apollo 11
press kit). What it must give: 7,024 ft/s spent by the rocket equation from those masses, an ideal of 5,617 ft/s for the descent and 5,611 for the ascent (``velocity_losses.csv``), an orbit
of 48.0 x 9.4 n mi after the ascent. Of the descent between ignition and touchdown the tables at hand print no altitude and speed, so what it lost on the way can't be split.
"""

import csv
import dataclasses
from pathlib import Path

import pytest

from analyser.fitting import fit_flight
from analyser.fitting.powered import descent
from analyser.ingest import load_flight

HERE = Path(__file__).parent
FOOT, NAUTICAL_MILE, POUND = 0.3048, 1852.0, 0.45359237
# the Moon turns against both flights, at 15 ft/s there
WORLD = """name = "Moon"
[bodies.Moon]
gravitational_parameter = "4902.778 km^3/s^2"
radius = "1735.64 km"
rotation_period = "-27.6 d"
"""
CRAFT = """name = "two stages"
[[stages]]
name = "stage"
dry_mass = "{dry} lb"
propellant = "{propellant} lb"
thrust = "{thrust} lbf"
specific_impulse = "{impulse} s"
"""


def rows(name, **wanted):
    with open(HERE / name, newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if all(row[key].startswith(value) for key, value in wanted.items())]
    return row


def flown(folder, readings, **craft):
    (folder / "world.toml").write_text(WORLD)
    (folder / "craft.toml").write_text(CRAFT.format(**craft))
    (folder / "flight.toml").write_text('name = "published"\nworld = "world.toml"\ncraft = "craft.toml"\n')
    (folder / "readings.csv").write_text("met,body,altitude [nmi],speed [ft/s],surface_speed [ft/s],vertical_speed [ft/s],flight_path_angle [deg],throttle,propellant [lb],event\n" + readings)
    return load_flight(folder)


@pytest.fixture
def masses():
    row = rows("engine_burns.csv", mission="Apollo 11", event="Powered descent")
    return float(row["mass_before_lb"]), float(row["mass_after_lb"])


def test_descent(tmp_path, masses):
    before, after = masses
    flight = flown(
        tmp_path, f"369185.0,Moon,6.4,5564.9,,,0.03,0,{before - after:.1f},ignition\n369941.4,,0.0,,0,0,,0,0.0,touchdown\n369999,,0.0,,0,0,,0,0.0,\n",
        dry=after, propellant=before - after, thrust=9870, impulse=300.5,
    )  # fmt: skip
    findings = fit_flight(flight)
    (burn,) = findings.burns
    assert burn.kind == "landing" and burn.spent_from == "propellant"
    # masses of 0.1 lb
    assert burn.spent.value / FOOT == pytest.approx(7024, abs=2.0)
    ideal = rows("velocity_losses.csv", vehicle="Apollo 11 flown")
    assert burn.needed.value / FOOT == pytest.approx(float(ideal["ideal"]), abs=8)
    # the flown delta-v, which the attitude jets' propellant is not in, over our bound: 1,080 to 1,320 ft/s as tabulated
    assert 1080 < float(ideal["actual"]) - burn.needed.value / FOOT < 1325
    # less than this craft's thrust allows at the least it can't have been, and it was 9 to 12 % more
    arc = findings.arcs[0]
    least = descent(4902.778e9, 1735640.0, (arc.energy.value, arc.angular_momentum.value), before * POUND, 9870 * 4.4482216, 300.5 * 9.80665, surface_speed=-15 * FOOT)
    assert burn.needed.value < least.delta_v < float(rows("velocity_losses.csv", vehicle="Apollo 16")["actual"]) * FOOT
    assert arc.periapsis_altitude.low < 6.4 * NAUTICAL_MILE < arc.apoapsis_altitude.high


def test_ascent(tmp_path):
    row, state = rows("engine_burns.csv", mission="Apollo 11", event="Ascent"), rows("lunar_states.csv", mission="Apollo 11", event="Ascent engine cutoff")
    before, after = float(row["mass_before_lb"]), float(row["mass_after_lb"])
    flight = flown(
        tmp_path,
        f"446400,Moon,0.0,,0,0,,0,{before - after:.1f},\n446520.8,,0.0,,0,0,,0,{before - after:.1f},liftoff\n"
        f"446955.7,,{state['alt_nmi']},{state['v_ft_s']},,,{state['fpa_deg']},0,0.0,cutoff\n",
        dry=after, propellant=before - after, thrust=3500, impulse=309.2,
    )  # fmt: skip
    findings = fit_flight(flight)
    (burn,) = findings.burns
    arc = findings.arcs[-1]
    # altitude to a tenth of a mile, speed to a tenth of a foot a second, angle to a hundredth of a degree: the interval says what that leaves open
    assert arc.apoapsis_altitude.low <= 48.0 * NAUTICAL_MILE <= arc.apoapsis_altitude.high
    assert arc.periapsis_altitude.low <= 9.4 * NAUTICAL_MILE <= arc.periapsis_altitude.high
    assert arc.apoapsis_altitude.value / NAUTICAL_MILE == pytest.approx(48.0, abs=0.2)
    ideal = rows("velocity_losses.csv", vehicle="Apollo 11", phase="lunar ascent")
    assert burn.needed.value / FOOT == pytest.approx(float(ideal["ideal"]), abs=30)
    for mission in ("Apollo 11", "Apollo 14"):  # about 455 ft/s over the bound
        assert float(rows("engine_burns.csv", mission=mission, event="Ascent")["dv_ft_s"]) - burn.needed.value / FOOT == pytest.approx(455, abs=35)


def test_a_moon_that_turned_the_other_way_would_show(tmp_path, masses):
    """Negative control: with the flight and not against it the ideal is 30 ft/s less, outside the tolerance above."""
    before, after = masses
    flight = flown(
        tmp_path, f"369185.0,Moon,6.4,5564.9,,,0.03,0,{before - after:.1f},ignition\n369941.4,,0.0,,0,0,,0,0.0,touchdown\n369999,,0.0,,0,0,,0,0.0,\n",
        dry=after, propellant=before - after, thrust=9870, impulse=300.5,
    )  # fmt: skip
    moon = flight.world["Moon"]
    world = dataclasses.replace(flight.world, bodies={"Moon": dataclasses.replace(moon, rotation_period=-moon.rotation_period)})
    (burn,) = fit_flight(dataclasses.replace(flight, world=world)).burns
    assert burn.needed.value / FOOT < float(rows("velocity_losses.csv", vehicle="Apollo 11 flown")["ideal"]) - 20
