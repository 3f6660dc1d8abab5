"""A flight and its findings made by hand, to develop and test reports on: no fitting behind it, only conics drawn
from chosen elements and figures that fit together. Scenario: from low orbit about Ardent down to Lull."""

from __future__ import annotations

import dataclasses
import functools
import math
from pathlib import Path

import numpy as np
import pandas as pd

from analyser.findings import (
    Advice, Arc, Burn, Estimate, Findings, IdealBurn, IdealLeg, IdealPlan, Landing, LegAudit, SetAside, Transition,
)  # fmt: skip
from analyser.flight import Atmosphere, Body, Craft, Flight, Goal, Leg, Plan, Readings, Stage, World

ARDENT = Body("Ardent", 6.1e12, 890e3, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
LULL = Body("Lull", 2.1e11, 310e3, 247_500.0, "Ardent", 21_000e3, sphere_of_influence=5460e3)
HERON = Craft("Heron", (Stage("lander", 2900.0, 6400.0, 58e3, 318.0),))
PLAN = Plan(
    "There and back",
    Goal("orbit", "Ardent", 80e3, 80e3),
    (
        Leg("transfer", Goal("periapsis", "Lull", 30e3)),
        Leg("capture", Goal("orbit", "Lull", 30e3, 30e3)),
        Leg("descent", Goal("landed", "Lull")),
        Leg("ascent", Goal("orbit", "Lull", 20e3, 20e3)),
    ),
)


def estimate(value: float, sigma: float, unit: str) -> Estimate:
    """Short for Estimate.of, nan becoming unknown."""
    if math.isnan(value):
        return Estimate.unknown(unit, "no reading shows it")
    return Estimate.of(value, sigma, unit)


def unknown(unit: str, reason: str = "no propellant gauge was read during this burn") -> Estimate:
    """An estimate without a value."""
    return Estimate.unknown(unit, reason)


def conic(body: Body, periapsis: float, apoapsis: float, start: float, end: float, from_angle: float, to_angle: float, part: str, count: int = 160):
    """Track rows on a conic between two true anomalies; ``apoapsis`` negative: the speed at infinity, m/s, of a hyperbola."""
    near = body.radius + periapsis
    if apoapsis < 0:
        eccentricity = 1 + near * apoapsis**2 / body.mu
    else:
        far = body.radius + apoapsis
        eccentricity = (far - near) / (far + near)
    latus = near * (1 + eccentricity)
    angle = np.linspace(from_angle, to_angle, count)
    radius = latus / (1 + eccentricity * np.cos(angle))
    pace = radius**2  # time grows as the area swept: dt = r^2 dnu / h
    time = np.concatenate([[0.0], np.cumsum((pace[1:] + pace[:-1]) / 2 * np.diff(angle))])
    met = start + (end - start) * time / time[-1]
    momentum = math.sqrt(body.mu * latus)
    radial = body.mu / momentum * eccentricity * np.sin(angle)
    return pd.DataFrame(
        {
            "met": met, "body": body.name, "part": part, "altitude": radius - body.radius, "radius": radius,
            "speed": np.hypot(radial, momentum / radius), "vertical_speed": radial, "angle": angle,
        }
    )  # fmt: skip


def joined(before: pd.DataFrame, after: pd.DataFrame, part: str, count: int = 30) -> pd.DataFrame:
    """Track rows of a burn: straight between the end of one part and the start of the next."""
    share = np.linspace(0, 1, count)
    first, last = before.iloc[-1], after.iloc[0]
    columns = {name: first[name] + (last[name] - first[name]) * share for name in ("met", "altitude", "radius", "speed", "vertical_speed")}
    # the angle goes on from the arc before: a burn has no periapsis of its own
    sweep = np.cumsum(np.full(count, columns["speed"].mean() * (last["met"] - first["met"]) / columns["radius"].mean() / count))
    return pd.DataFrame({**columns, "body": first["body"], "part": part, "angle": first["angle"] + sweep})


def arc(body: Body, periapsis: float, apoapsis: float, rows: tuple[int, ...], track: pd.DataFrame) -> Arc:
    """An Arc with the elements of a conic of :func:`conic`."""
    near = body.radius + periapsis
    hyperbola = apoapsis < 0
    eccentricity = 1 + near * apoapsis**2 / body.mu if hyperbola else (apoapsis - periapsis) / (2 * body.radius + apoapsis + periapsis)
    major = near / (1 - eccentricity)
    start, end = float(track["met"].iloc[0]), float(track["met"].iloc[-1])
    nothing = "the orbit is open" if hyperbola else ""
    first = track.iloc[0]
    return Arc(
        body.name, "coast", start, end, rows,
        semi_major_axis=estimate(major, 800.0, "m"),
        eccentricity=estimate(eccentricity, 0.0006, "1"),
        periapsis_altitude=estimate(periapsis, 420.0, "m"),
        apoapsis_altitude=unknown("m", nothing) if hyperbola else estimate(apoapsis, 950.0, "m"),
        periapsis_time=estimate(start + 200.0, 7.0, "s"),
        period=unknown("s", nothing) if hyperbola else estimate(2 * math.pi * math.sqrt(major**3 / body.mu), 4.0, "s"),
        energy=estimate(-body.mu / 2 / major, 300.0, "m^2/s^2"),
        angular_momentum=estimate(math.sqrt(body.mu * near * (1 + eccentricity)), 5e5, "m^2/s"),
        inclination=unknown("rad", "the panel shows no latitude"),
        epoch=start,
        state=np.array([first["radius"], first["vertical_speed"], math.sqrt(first["speed"] ** 2 - first["vertical_speed"] ** 2)]),
        covariance=np.diag([9e4, 0.2, 0.3]),
    )  # fmt: skip


def burn(number: int, track: pd.DataFrame, figures: dict[str, float], **more) -> Burn:
    """A Burn from plain figures in m/s and kg."""
    get = figures.get

    def speed(name: str, sigma: float = 1.1) -> Estimate:
        return estimate(get(name, math.nan), sigma, "m/s")

    return Burn(
        track["body"].iloc[0],
        estimate(float(track["met"].iloc[0]), 1.2, "s"), estimate(float(track["met"].iloc[-1]), 1.2, "s"),
        estimate(get("propellant", math.nan), 3.0, "kg"),
        speed("spent"), speed("net"), speed("needed"), speed("burn_loss"), speed("placement_loss"),
        more.pop("spent_from", "propellant"),
        speed("steering_loss"), speed("gravity_loss"), speed("drag_loss"), speed("wrong_way"),
        **more,
    )  # fmt: skip


def leg(name: str, goal: str, burns: tuple[int, ...], start: float, end: float, figures: dict[str, float], miss=None) -> LegAudit:
    """A LegAudit from plain figures in m/s and kg."""
    get = figures.get
    speeds = {
        key: estimate(get(key, math.nan), 1.6, "m/s")
        for key in ("spent", "needed", "burn_loss", "placement_loss", "correction_loss", "waste", "planned", "still_needed")
    }
    masses = {key: estimate(get(key, math.nan), 4.0, "kg") for key in ("waste_propellant", "planned_propellant", "propellant")}
    return LegAudit(name, goal, bool(burns), burns, start, end, **speeds, **masses, miss=miss or {})


@functools.cache
def made_track() -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """The motion, and its parts by name."""
    turn = 2 * math.pi
    parts = {
        "arc 0": conic(ARDENT, 79.6e3, 81.2e3, 0, 3720, 0.3, 0.3 + 0.95 * turn, "arc 0"),
        "arc 1": conic(ARDENT, 80.4e3, 21_400e3, 3842, 31_000, 0.06, 2.62, "arc 1"),
        "arc 2": conic(LULL, 27.5e3, -180.0, 31_000, 50_000, -1.95, -0.1, "arc 2"),
        "arc 3": conic(LULL, 27.1e3, 96.0e3, 50_180, 54_600, 0.12, 0.1 + turn, "arc 3"),
        "arc 4": conic(LULL, 27.0e3, 31.4e3, 54_640, 60_000, 0.2, 0.2 + 1.3 * turn, "arc 4"),
        "arc 5": conic(LULL, 6.0e3, 31.0e3, 60_030, 62_100, math.pi, turn - 0.15, "arc 5"),
    }
    down = np.linspace(0, 1, 80)
    first = parts["arc 5"].iloc[-1]
    parts["burn 4"] = pd.DataFrame(
        {
            "met": 62_100 + 410 * down, "body": "Lull", "part": "burn 4",
            "altitude": first["altitude"] * (1 - down) ** 1.4, "radius": LULL.radius + first["altitude"] * (1 - down) ** 1.4,
            "speed": first["speed"] * (1 - down) + 1.9, "vertical_speed": -18 * (1 - down) - 1.9 * (down > 0.9) - 8 * np.sin(3 * down),
            "angle": first["angle"] + 0.3 * (1 - (1 - down) ** 2),
        }
    )  # fmt: skip
    for number, (before, after) in enumerate([("arc 0", "arc 1"), ("arc 2", "arc 3"), ("arc 3", "arc 4"), ("arc 4", "arc 5")]):
        parts[f"burn {number}"] = joined(parts[before], parts[after], f"burn {number}")
    track = pd.concat(parts.values(), ignore_index=True).sort_values("met", kind="stable", ignore_index=True)
    return track, parts


@functools.cache
def made_readings() -> tuple[Readings, pd.DataFrame, dict[str, tuple[int, ...]]]:
    """Sparse rounded readings of the motion, with two slips, and the table of the fit."""
    _, parts = made_track()
    rows, fit, by_part = [], [], {}
    noise = np.random.default_rng(7)
    for part, table in sorted(parts.items(), key=lambda item: item[1]["met"].iloc[0]):
        picks = np.linspace(2, len(table) - 3, 9 if part.startswith("arc") else 5).astype(int)
        by_part[part] = tuple(range(len(rows), len(rows) + len(picks)))
        for pick in picks:
            moment = table.iloc[pick]
            position = len(rows)
            slip = position in (12, 33)
            altitude = moment["altitude"] * (10 if slip else 1) + noise.normal(0, 40)
            rows.append(
                {
                    "met": float(round(moment["met"])), "met_sigma": 0.29, "body": moment["body"], "source": "readings.csv", "row": position + 2,
                    "altitude": altitude, "altitude_sigma": 30.0, "speed": moment["speed"] + noise.normal(0, 0.3), "speed_sigma": 0.3,
                    "vertical_speed": moment["vertical_speed"], "vertical_speed_sigma": 0.3, "event": "", "note": "",
                }
            )  # fmt: skip
            for column in ("altitude", "speed", "vertical_speed"):
                fit.append(
                    {
                        "position": position, "column": column, "value": rows[-1][column], "model": moment[column],
                        "residual": (rows[-1][column] - moment[column]) / rows[-1][column + "_sigma"],
                        "arc": int(part.split()[1]) if part.startswith("arc") else -1,
                        "used": not (slip and column == "altitude"), "radius": moment["radius"], "angle": moment["angle"],
                    }
                )  # fmt: skip
    table = pd.DataFrame(rows)
    fitted = pd.DataFrame(fit)
    detail = pd.DataFrame(
        [
            {
                "source": row["source"], "row": row["row"], "met": row["met"], "column": column, "gauge": "", "raw": f"{row[column]:.1f}",
                "value": row[column], "sigma": row[column + "_sigma"], "probability": 1.0,
                "status": "doubtful" if (position, column) == (20, "speed") else "typed",
                "reason": "the second digit is 3 or 8" if (position, column) == (20, "speed") else "",
                "crop": "812,140,955,176" if (position, column) == (20, "speed") else "",
            }
            for position, row in table.iterrows() for column in ("altitude", "speed", "vertical_speed")
        ]
    )  # fmt: skip
    return Readings(table, detail, ("line 41: the clock goes back by 3 s",)), fitted, by_part


def made_flight(**changes) -> Flight:
    """The flight; ``changes`` replace its fields."""
    readings, _, _ = made_readings()
    flight = Flight(
        "Second try, late braking", World("Ardent and its moon", {"Ardent": ARDENT, "Lull": LULL}), readings, "P-01", "2031-04-12",
        HERON, PLAN, "tired",
    )  # fmt: skip
    return dataclasses.replace(flight, **changes)


def made_findings(waste: float = 1.0, **changes) -> Findings:
    """The findings; ``waste`` scales every loss, ``changes`` replace fields."""
    track, parts = made_track()
    readings, fit, by_part = made_readings()
    arcs = (
        arc(ARDENT, 79.6e3, 81.2e3, by_part["arc 0"], parts["arc 0"]),
        arc(ARDENT, 80.4e3, 21_400e3, by_part["arc 1"], parts["arc 1"]),
        arc(LULL, 27.5e3, -180.0, by_part["arc 2"], parts["arc 2"]),
        arc(LULL, 27.1e3, 96.0e3, by_part["arc 3"], parts["arc 3"]),
        arc(LULL, 27.0e3, 31.4e3, by_part["arc 4"], parts["arc 4"]),
        arc(LULL, 6.0e3, 31.0e3, by_part["arc 5"], parts["arc 5"]),
    )
    nothing = unknown("m", "it stands on the ground")
    arcs += (
        Arc("Lull", "landed", 62_510.0, 62_900.0, (), nothing, nothing, nothing, nothing, nothing, nothing, nothing, nothing, nothing),
    )
    w = waste
    burns = (
        burn(0, parts["burn 0"], dict(spent=958 + 38 * w, net=958, needed=948, burn_loss=38 * w, placement_loss=10, propellant=2510 + 90 * w,
             steering_loss=21 * w, gravity_loss=14 * w, drag_loss=0.0, wrong_way=0.0), before=0, after=1, leg="transfer", direction="prograde"),
        burn(1, parts["burn 1"], dict(spent=231.0, net=228, needed=224, burn_loss=3, placement_loss=4, propellant=410), before=2, after=3, leg="capture", direction="retrograde"),
        burn(2, parts["burn 2"], dict(spent=41 * w, net=38 * w, needed=32 * w, burn_loss=3 * w, placement_loss=6 * w, propellant=70 * w), before=3, after=4, leg="capture",
             direction="retrograde", spent_from="orbits"),
        burn(3, parts["burn 3"], dict(spent=16.2, net=15.0, needed=14.8, burn_loss=1.2, placement_loss=0.2, propellant=27), before=4, after=5, leg="descent", direction="retrograde"),
        dataclasses.replace(
            burn(4, parts["burn 4"], dict(spent=760 + 148 * w, needed=760.0, propellant=1100 + 190 * w, burn_loss=148 * w, steering_loss=22 * w, gravity_loss=119 * w, wrong_way=4.0),
                 before=5, after=6, leg="descent", kind="landing", direction="retrograde"),
            net=unknown("m/s", "the burn ends on the ground: one impulse does not picture it fairly"),
            placement_loss=unknown("m/s", "given together with the burn loss: the burn ends on the ground"),
        ),
    )  # fmt: skip
    legs = (
        leg("transfer", "Lull, periapsis 30 km", (0,), 0.0, 31_000.0, dict(spent=958 + 38 * w, needed=948.0, burn_loss=38 * w, placement_loss=10.0, correction_loss=0.0,
            waste=10 + 38 * w, waste_propellant=108 * w, planned=945.0, planned_propellant=2490.0, propellant=2510 + 90 * w, still_needed=1.2), {"periapsis_altitude": estimate(-2500.0, 420.0, "m")}),
        leg("capture", "30 x 30 km about Lull", (1, 2), 31_000.0, 54_640.0, dict(spent=231 + 41 * w, needed=224.0, burn_loss=3 + 3 * w, placement_loss=4 + 6 * w, correction_loss=32 * w,
            waste=7 + 41 * w, waste_propellant=80 * w, planned=222.0, planned_propellant=400.0, propellant=410 + 70 * w, still_needed=2.6),
            {"periapsis_altitude": estimate(-3000.0, 420.0, "m"), "apoapsis_altitude": estimate(1400.0, 950.0, "m")}),
        leg("descent", "landed on Lull", (3, 4), 54_640.0, 62_510.0, dict(spent=776.2 + 148 * w, needed=774.8, burn_loss=1.2 + 148 * w, placement_loss=0.2, correction_loss=0.0,
            waste=1.4 + 148 * w, waste_propellant=192 * w, planned=771.0, planned_propellant=1100.0, propellant=1127 + 190 * w, still_needed=0.0)),
        dataclasses.replace(leg("ascent", "20 x 20 km about Lull", (), math.nan, math.nan, dict(planned=829.0, planned_propellant=1010.0)), remarks=("not flown",)),
    )  # fmt: skip
    advice = (
        Advice("descent", "Start the braking burn later and hold it at full throttle: hovering at 40 % from 4 km down cost most of this.", 119 * w, 155 * w, "gravity loss"),
        Advice("capture", "Cut the capture burn at the target apoapsis: the overshoot was flown back with a second burn.", 32 * w, 55 * w, "correction loss"),
        Advice("transfer", "Point prograde before ignition: the nose was 13 degrees off during the first minute.", 21 * w, 50 * w, "steering loss"),
        Advice("transfer", "Split the transfer burn in two passes: it swept 24 degrees.", 14 * w, 33 * w, "gravity loss"),
    )  # fmt: skip
    ideal = IdealPlan(
        "There and back",
        (
            IdealLeg("transfer", "Lull, periapsis 30 km", 945.0, 2490.0, 27_000.0, (IdealBurn("prograde at periapsis", "Ardent", 80e3, 945.0, 1180.0, 2490.0, 131.0, 2508.0, 3453.0),)),
            IdealLeg("capture", "30 x 30 km about Lull", 222.0, 400.0, 19_000.0, (IdealBurn("retrograde at periapsis", "Lull", 30e3, 222.0, 19_000.0, 400.0, 24.0, 1008.0, 786.0),)),
            IdealLeg("descent", "landed on Lull", 771.0, 1100.0, 2100.0, (
                IdealBurn("retrograde at apoapsis", "Lull", 30e3, 17.0, 0.0, 27.0, 1.6, 786.0, 769.0), IdealBurn("brake to the ground", "Lull", 0.0, 754.0, 2010.0, 1073.0, 60.0, 818.0, 0.0)),
                ("impulsive: a craft of finite thrust needs more",)),
            IdealLeg("ascent", "20 x 20 km about Lull", 829.0, 1010.0, 3100.0, (IdealBurn("up and along", "Lull", 0.0, 829.0, 0.0, 1010.0, 55.0, 0.0, 812.0),)),
        ),
        margin=1400.0, margin_delta_v=1230.0, remarks=("two-body and patched conics",),
    )  # fmt: skip
    findings = Findings(
        arcs, burns, legs,
        (Transition(estimate(31_000.0, 40.0, "s"), "sphere of influence", "Ardent", "Lull"),),
        (Landing(estimate(62_510.0, 1.0, "s"), "Lull", "touchdown", estimate(-1.9, 0.2, "m/s"), unknown("m/s", "no surface speed was read"), estimate(1930.0 - 300 * w, 4.0, "kg")),),
        (
            SetAside(12, "readings.csv", 14, float(readings.table["met"][12]), "altitude", float(readings.table["altitude"][12]), "10.0 times what the arc gives: a lost decimal point?", f"{readings.table['altitude'][12] / 1e4:.2f} km"),
            SetAside(33, "readings.csv", 35, float(readings.table["met"][33]), "altitude", float(readings.table["altitude"][33]), "31 standard deviations off, and no single slip explains it"),
        ),
        advice,
        ("The clock seems to run in whole seconds; 0.29 s is taken for each row.", "Drag is not known: the craft file gives no drag area."),
        ideal, track, fit,
    )  # fmt: skip
    return dataclasses.replace(findings, **changes)


def written_flight(folder: Path, **changes) -> Flight:
    """The flight with real files behind it, so that it has a fingerprint."""
    folder.mkdir(parents=True, exist_ok=True)
    description, table = folder / "flight.toml", folder / "readings.csv"
    flight = made_flight(**{"folder": folder, "files": (description, table), **changes})
    description.write_text(f'name = "{flight.name}"\n')
    if not table.exists():
        table.write_text("met,altitude [km]\n0,80\n")
    return flight
