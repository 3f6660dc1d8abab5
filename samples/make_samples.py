"""Make every sample flight again, the same bytes each time: ``python samples/make_samples.py [NAME...]``.

Needs numpy and scipy; the drawn screenshots also Pillow and matplotlib (for its fonts).
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from simulator.bodies import read_world  # noqa: E402
from simulator.craft import read_craft  # noqa: E402
from simulator.missions import Flown, Pilot, launch, there_and_back  # noqa: E402
from simulator.notes import plant, rows_truth, take_notes  # noqa: E402
from simulator.truth import truth_of  # noqa: E402

SPACE = ("body", "altitude", "radar_altitude", "speed", "surface_speed", "vertical_speed", "pitch", "throttle", "propellant")

FLIGHT_TOML = """name = "{name}"
pilot = "{pilot}"
date = {date}
world = "../../worlds/ardent.toml"
craft = "../../craft/{craft}.toml"
plan = "../../plans/{plan}.toml"
{more}remarks = "{remarks}"
"""


def rounded(item):
    """Numbers to 12 significant digits, so that the last bits of a platform don't show."""
    if isinstance(item, dict):
        return {key: rounded(value) for key, value in item.items()}
    if isinstance(item, (list, tuple)):
        return [rounded(value) for value in item]
    if isinstance(item, (float, np.floating)):
        return float(f"{float(item):.9g}") if math.isfinite(item) else None
    return item.item() if isinstance(item, np.generic) else item


def to_json(truth: dict) -> str:
    """JSON with one line an item of each list, for people and for version control."""
    parts = []
    for key, value in rounded(truth).items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            inner = ",\n  ".join(json.dumps(item) for item in value)
            parts.append(f' "{key}": [\n  {inner}\n ]')
        else:
            parts.append(f' "{key}": {json.dumps(value)}')
    return "{\n" + ",\n".join(parts) + "\n}\n"


def first_try(world, craft):
    """Late burns, a sloppy capture in two goes, braking far too early at low throttle, a long hover, a lofted climb."""
    pilot = Pilot(
        start=(78.7e3, 82.4e3), transfer_late=26.0, transfer_throttle=0.8, transfer_off=0.06, correct_at=2.6e6,
        capture_late=70.0, capture_first_apoapsis=160e3, capture_low=33e3, deorbit_to=11e3, brake_early=35.0,
        brake_throttle=0.62, gate=(900.0, 10.0), let_down=(1.9, 0.02), stay=2460.0,
        ascent_pitch=((0.0, 90.0), (14.0, 84.0), (30.0, 50.0), (80.0, 22.0), (200.0, 8.0)), ascent_overshoot=6.5e3,
        circularise_late=14.0, return_late=55.0, return_extra=12.0, return_off=0.09,
    )
    flown = there_and_back(world, craft, pilot)
    rng = np.random.default_rng(11)
    book = take_notes(flown, rng, SPACE, clock="T+hms", per_coast=3, events=("ignition", "touchdown", "liftoff"))
    plant(book, rng, ("swap", "point", "unit", "sign", "small swap"))
    return flown, book, {
        "name": "First try", "pilot": "P-01", "date": "2031-03-02", "plan": "there-and-back", "craft": "heron",
        "remarks": "Two restless days. Hovered far too long looking for a flat place.",
    }


FLIGHTS = {"first-try": first_try}


def write_flight(name: str, flown: Flown, book, told: dict) -> dict:
    """Write one typed flight's folder; the truth is given back."""
    folder = HERE / "flights" / name
    folder.mkdir(parents=True, exist_ok=True)
    csv = book.csv(told.pop("comments", ()))
    told.setdefault("more", "")
    truth = {"name": told["name"], **truth_of(flown.sim), "marks": flown.marks, "slips": book.slips, "rows": rows_truth(book)}
    (folder / "readings.csv").write_text(csv, encoding="utf-8", newline="\n")
    (folder / "flight.toml").write_text(FLIGHT_TOML.format(**told), encoding="utf-8", newline="\n")
    (folder / "truth.json").write_text(to_json(truth), encoding="utf-8", newline="\n")
    return truth


def story(truth: dict) -> str:
    """A few lines about a flight for the terminal."""
    lines = [f"  {len(truth.get('rows', []))} rows, slips at lines {[(s['row'], s['column'], s['kind']) for s in truth['slips']]}"]
    for burn in truth["burns"]:
        net = "  -  " if burn["net"] is None else f"{burn['net']:.1f}"
        lines.append(f"  {burn['body']:7s}{burn['kind']:8s} MET {burn['ignition']:9.1f} {burn['cutoff'] - burn['ignition']:6.1f} s"
                     f"  spent {burn['spent']:7.1f}  net {net}  {burn['propellant']:.0f} kg")
    for down in truth["touchdowns"]:
        lines.append(f"  touchdown {down['body']} MET {down['met']:.0f}: {down['vertical_speed']:.2f} down, "
                     f"{down['horizontal_speed']:.2f} across, {down['propellant']:.0f} kg left")
    lines.append(f"  spent in all {sum(b['spent'] for b in truth['burns']):.0f} m/s, {truth['propellant_left']:.0f} kg left")
    return "\n".join(lines)


def make(name: str) -> dict:
    """Fly and write one sample flight."""
    world = read_world(HERE / "worlds" / "ardent.toml")
    craft = read_craft(HERE / "craft" / ("heron-on-stilt.toml" if name == "launch" else "heron.toml"))
    return write_flight(name, *FLIGHTS[name](world, craft))


def main(names: list[str]) -> None:
    """Make the named flights, or all."""
    for name in names or list(FLIGHTS):
        print(f"{name} ...", flush=True)
        print(story(make(name)))


if __name__ == "__main__":
    main(sys.argv[1:])
