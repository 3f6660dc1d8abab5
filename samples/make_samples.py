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
from simulator.instruments import Notebook, Panel  # noqa: E402
from simulator.missions import Flown, Pilot, launch, there_and_back  # noqa: E402
from simulator.notes import plant, rows_truth, take_notes  # noqa: E402
from simulator.second_opinion import least_delta_v_by_search  # noqa: E402
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


def second_try(world, craft):
    """Burns nearly on time, one capture burn, braking still a little early and soft, a shorter hover."""
    pilot = Pilot(
        start=(79.1e3, 81.6e3), transfer_late=7.0, transfer_off=0.02, correct_at=3.4e6, capture_late=16.0, capture_low=31.5e3,
        deorbit_to=10e3, brake_early=14.0, brake_throttle=0.8, gate=(600.0, 11.0), let_down=(1.4, 0.04), stay=3180.0,
        ascent_pitch=((0.0, 90.0), (10.0, 82.0), (24.0, 36.0), (70.0, 14.0), (200.0, 3.0)), ascent_overshoot=1.8e3,
        circularise_late=5.0, return_late=22.0, return_extra=4.0,
    )
    flown = there_and_back(world, craft, pilot)
    rng = np.random.default_rng(22)
    book = take_notes(flown, rng, SPACE, clock="dhms", per_coast=3, events=("touchdown", "cutoff"), rough=0.25)
    plant(book, rng, ("swap", "point", "clock", "repeat"))
    return flown, book, {
        "name": "Second try, braking later", "pilot": "P-01", "date": "2031-03-09", "plan": "there-and-back", "craft": "heron",
        "remarks": "",
    }


def fourth_try(world, craft):
    """Little left to gain: burns centred, full throttle down to the gate, a quick set-down."""
    pilot = Pilot(
        start=(79.8e3, 80.3e3), transfer_late=1.5, correct_at=4.3e6, capture_late=2.0, capture_low=30.4e3, deorbit_to=8.5e3,
        brake_early=3.0, brake_throttle=0.97, gate=(280.0, 12.0), let_down=(0.8, 0.075), stay=2040.0,
        ascent_pitch=((0.0, 90.0), (6.0, 78.0), (16.0, 22.0), (60.0, 7.0), (200.0, 0.0)), ascent_overshoot=0.3e3,
        circularise_late=0.0, return_late=3.0, return_extra=1.0, return_correct_at=14e6,
    )
    flown = there_and_back(world, craft, pilot)
    rng = np.random.default_rng(44)
    book = take_notes(flown, rng, SPACE, clock="hms", per_coast=4, events=("touchdown", "liftoff"), rough=0.1)
    plant(book, rng, ("small swap", "sign", "unit"))
    return flown, book, {
        "name": "Fourth try", "pilot": "P-01", "date": "2031-04-12", "plan": "there-and-back", "craft": "heron",
        "remarks": "Best so far.", "comments": ("copied from the paper log after the flight",),
    }


def wrong_way(world, craft):
    """Began the transfer the wrong way round, overshot and came back, and did the same with the pass and the capture."""
    pilot = Pilot(
        start=(77.9e3, 80.8e3), transfer_late=3.0, transfer_wrong_way=72.0, transfer_overshoot=2.6e6, correct_at=3.0e6,
        correct_overshoot=210e3, capture_wrong_way=17.0, capture_late=9.0, capture_low=31.0e3, deorbit_to=9.5e3, brake_early=8.0,
        brake_throttle=0.85, gate=(420.0, 12.0), let_down=(2.6, 0.05), stay=1500.0, ascent_overshoot=5.2e3, return_late=14.0,
        return_extra=5.0,
    )
    flown = there_and_back(world, craft, pilot)
    rng = np.random.default_rng(33)
    book = take_notes(flown, rng, SPACE, clock="hms", per_coast=3, events=(), propellant_in_coast=0.4)
    plant(book, rng, ("swap", "point", "unit", "body", "frozen"))
    return flown, book, {
        "name": "Wrong way round", "pilot": "P-02", "date": "2031-03-21", "plan": "there-and-back", "craft": "heron",
        "remarks": "Marker on the ball read upside down, twice.",
    }


def from_the_pad(world, craft):
    """From the pad to an 80 km orbit, turning over late, the booster dropped on the way."""
    flown = launch(world, craft, late=4.0)
    rng = np.random.default_rng(55)
    columns = ("altitude", "speed", "surface_speed", "vertical_speed", "pitch", "throttle", "propellant", "stage", "acceleration")
    book = ascent_notes(flown, rng, columns)
    plant(book, rng, ("small swap", "point"), apart=4, in_air=True)
    return flown, book, {
        "name": "From the pad", "pilot": "P-02", "date": "2031-02-18", "plan": "launch", "craft": "heron-on-stilt", "remarks": "",
    }


def ascent_notes(flown: Flown, rng, columns) -> Notebook:
    """A row every quarter of a minute on the way up, then a few in orbit; the propellant gauge is that of the firing stage."""
    sim, marks = flown.sim, flown.marks
    book = Notebook(Panel(sim), columns, rng, clock="T+hms")
    book.rough = 0.15
    book.jot(marks["liftoff"] - 21.4, leave_out=("speed", "pitch"))
    met = marks["liftoff"] + 4.3
    stage = ""
    while met < marks["orbit"]:
        burning = sim.segment_at(met).kind == "burn"
        low = met < marks["liftoff"] + 95
        leave = (("speed",) if low else ("surface_speed",)) + (() if rng.random() < 0.5 else ("acceleration",))
        row = book.jot(met, leave_out=leave if burning else (*leave, "pitch"))
        if not burning and rng.random() < 0.4:
            row.cells.pop("propellant", None)
        if row.cells.get("stage") == stage:
            row.cells.pop("stage")
        stage = row.cells.get("stage", stage)
        met += rng.uniform(11, 19) if burning else rng.uniform(20, 45)
    for name, event in (("staging", "staging"), ("upper ignition", "ignition")):
        if name in marks:
            row = book.jot(marks[name] + 1.2, leave_out=("surface_speed", "acceleration", "pitch"))
            row.cells["event"] = event
    met = marks["orbit"] + rng.uniform(4, 9)
    while met < sim.met - 1.0:
        book.jot(met, leave_out=("surface_speed", "acceleration", "pitch", "stage"))
        met += rng.uniform(240, 520)
    book.rows.sort(key=lambda row: row.met)
    return book


def screens_pilot(world, craft) -> tuple[Flown, Notebook]:
    """Out and down, taken shot by shot."""
    pilot = Pilot(
        start=(79.4e3, 81.1e3), transfer_late=4.0, transfer_off=0.01, correct_at=3.6e6, capture_late=9.0, capture_low=31e3,
        deorbit_to=9.2e3, brake_early=8.0, brake_throttle=0.88, gate=(420.0, 11.0), let_down=(1.1, 0.055), stay=140.0,
    )
    flown = there_and_back(world, craft, pilot, back=False)
    book = take_notes(flown, np.random.default_rng(303), SPACE, per_coast=3, events=(), rough=0.0)
    return flown, book


def write_screens(name: str, world, craft) -> dict:
    """Draw the shots of one flight, and the reference shot with the panel's description."""
    from simulator import cockpit

    flown, book = screens_pilot(world, craft)
    folder = HERE / "flights" / name
    shots = folder / "screenshots"
    shots.mkdir(parents=True, exist_ok=True)
    for old in shots.glob("*.jpg"):
        old.unlink()
    rng = np.random.default_rng(3)
    told, pitch = [], 0.05
    for index, row in enumerate(book.rows):
        shown = book.panel.at(row.met)
        pitch = shown["pitch"] if shown["pitch"] is not None else pitch + float(rng.normal(0, 0.004))
        body = world[shown["body"]]
        shown |= {"pitch": pitch, "roll": float(rng.normal(0, 0.03)), "radius": body.radius, "air": body.air is not None}
        texts = cockpit.glass(shown, row.met)
        view = cockpit.draw_view(shown, texts, rng)
        shift = (float(rng.uniform(-12, 12)), float(rng.uniform(-12, 12)))
        zoom = float(rng.uniform(0.98, 1.02))
        taken = cockpit.photograph(
            view, rng, shift, zoom, light=float(rng.uniform(0.72, 1.08)), slope=(float(rng.uniform(-0.2, 0.2)), float(rng.uniform(-0.15, 0.15))),
            noise=float(rng.uniform(1.5, 3.5)), blur=float(rng.uniform(0.0, 0.25)),
        )
        file = f"shot-{index + 1:03d}.jpg"
        taken.save(shots / file, quality=int(rng.integers(80, 90)))
        values = {k: shown[k] for k in ("altitude", "radar_altitude", "speed", "vertical_speed", "throttle", "propellant", "acceleration",
                                        "pitch", "roll")}
        told.append({"image": file, "met": row.met, "body": shown["body"], "phase": shown["kind"], "texts": texts, "shift": shift, "zoom": zoom,
                     **values})
        print(f"\r  {index + 1} of {len(book.rows)} shots", end="", flush=True)
    print()
    panel = HERE / "panels" / "heron"
    panel.mkdir(parents=True, exist_ok=True)
    shown = book.panel.at(flown.marks["periapsis"] - 300.0) | {"pitch": 0.2, "roll": 0.0, "radius": world["Lull"].radius, "air": False}
    view = cockpit.draw_view(shown, cockpit.glass(shown, flown.marks["periapsis"] - 300.0), rng)
    cockpit.photograph(view, rng, (0.0, 0.0), 1.0).save(panel / "reference.png", optimize=True)
    (panel / "panel.toml").write_text(cockpit.panel_toml(), encoding="utf-8", newline="\n")
    facts = {"name": "Third try, on screenshots", "pilot": "P-01", "date": "2031-03-30", "plan": "arrival", "craft": "heron",
             "more": 'panel = "../../panels/heron/panel.toml"\n', "remarks": "Outbound half only."}
    (folder / "flight.toml").write_text(FLIGHT_TOML.format(**facts), encoding="utf-8", newline="\n")
    truth = {"name": facts["name"], **truth_of(flown.sim), "marks": flown.marks, "slips": [], "rows": [], "images": told}
    truth["legs"] = legs_of(truth)
    add_needed(truth, flown.sim.world)
    (folder / "truth.json").write_text(to_json(truth), encoding="utf-8", newline="\n")
    return truth


FLIGHTS = {
    "first-try": first_try, "second-try": second_try, "wrong-way": wrong_way, "fourth-try": fourth_try, "launch": from_the_pad,
}


SCREENS = "screens"


def write_flight(name: str, flown: Flown, book, told: dict) -> dict:
    """Write one typed flight's folder; the truth is given back."""
    folder = HERE / "flights" / name
    folder.mkdir(parents=True, exist_ok=True)
    csv = book.csv(told.pop("comments", ()))
    told.setdefault("more", "")
    truth = {"name": told["name"], **truth_of(flown.sim), "marks": flown.marks, "slips": book.slips, "rows": rows_truth(book)}
    truth["legs"] = legs_of(truth)
    add_needed(truth, flown.sim.world)
    (folder / "readings.csv").write_text(csv, encoding="utf-8", newline="\n")
    (folder / "flight.toml").write_text(FLIGHT_TOML.format(**told), encoding="utf-8", newline="\n")
    (folder / "truth.json").write_text(to_json(truth), encoding="utf-8", newline="\n")
    return truth


#: Where each leg of the plan begins, as marks of the flight; a mark that is missing means that the leg was not flown.
LEGS = {"transfer": None, "capture": "capture", "descent": "deorbit", "ascent": "liftoff", "return": "return"}


def legs_of(truth: dict) -> list[dict]:
    """What was spent on each leg of the plan."""
    marks = truth["marks"]
    if "transfer" not in marks:
        return [{"name": "launch", "burns": list(range(len(truth["burns"]))), "spent": sum(b["spent"] for b in truth["burns"])}]
    starts = [(name, 0.0 if mark is None else marks[mark]) for name, mark in LEGS.items() if mark is None or mark in marks]
    found = []
    for (name, start), (_, end) in zip(starts, [*starts[1:], ("", math.inf)]):
        burns = [i for i, b in enumerate(truth["burns"]) if start - 1.0 <= b["ignition"] < end - 1.0]
        found.append({"name": name, "burns": burns, "spent": sum(truth["burns"][i]["spent"] for i in burns),
                      "propellant": sum(truth["burns"][i]["propellant"] for i in burns)})
    return found


def add_needed(truth: dict, world) -> None:
    """The least delta-v of each burn between two coasts, found by blind search."""
    coasts = [arc for arc in truth["arcs"] if arc["kind"] == "coast"]
    for burn in truth["burns"]:
        burn["needed"] = None
        if burn["net"] is None:
            continue
        body = world[burn["body"]]
        before = next(arc for arc in coasts if abs(arc["end"] - burn["ignition"]) < 1e-3)
        after = next(arc for arc in coasts if abs(arc["start"] - burn["cutoff"]) < 1e-3)
        shapes = [(arc["energy"], arc["angular_momentum"]) for arc in (before, after)]
        burn["needed"] = least_delta_v_by_search(body.mu, *shapes, highest=min(body.soi, 40 * body.radius))


def story(truth: dict) -> str:
    """A few lines about a flight for the terminal."""
    lines = [f"  {len(truth.get('rows', []))} rows, slips at lines {[(s['row'], s['column'], s['kind']) for s in truth['slips']]}"]
    for burn in truth["burns"]:
        net = "  -  " if burn["net"] is None else f"{burn['net']:.1f}"
        lines.append(f"  {burn['body']:7s}{burn['kind']:8s} MET {burn['ignition']:9.1f} {burn['cutoff'] - burn['ignition']:6.1f} s"
                     f"  spent {burn['spent']:7.1f}  net {net}  needed {burn['needed'] or math.nan:.1f}  {burn['propellant']:.0f} kg")
    for down in truth["touchdowns"]:
        lines.append(f"  touchdown {down['body']} MET {down['met']:.0f}: {down['vertical_speed']:.2f} down, "
                     f"{down['horizontal_speed']:.2f} across, {down['propellant']:.0f} kg left")
    lines.append("  legs: " + ", ".join(f"{leg['name']} {leg['spent']:.1f}" for leg in truth["legs"]))
    lines.append(f"  spent in all {sum(b['spent'] for b in truth['burns']):.0f} m/s, {truth['propellant_left']:.0f} kg left")
    return "\n".join(lines)


def make(name: str) -> dict:
    """Fly and write one sample flight."""
    world = read_world(HERE / "worlds" / "ardent.toml")
    craft = read_craft(HERE / "craft" / ("heron-on-stilt.toml" if name == "launch" else "heron.toml"))
    return write_screens(name, world, craft) if name == SCREENS else write_flight(name, *FLIGHTS[name](world, craft))


def main(names: list[str]) -> None:
    """Make the named flights, or all."""
    for name in names or [*FLIGHTS, SCREENS]:
        print(f"{name} ...", flush=True)
        print(story(make(name)))


if __name__ == "__main__":
    main(sys.argv[1:])
