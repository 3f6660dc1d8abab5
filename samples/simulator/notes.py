"""When pilots look at the panel and what they bother to write: sparse in coasts, closer around burns and near the ground."""

from __future__ import annotations

import numpy as np

from .instruments import (
    Notebook, Panel, Row, flip_sign, lose_point, repeat, slip_clock, swap_digits, wrong_body, wrong_unit,
)
from .missions import Flown
from .truth import truth_of

#: What is always written in space; the rest by chance.
PLAIN = ("body", "altitude", "speed", "vertical_speed")


def take_notes(flown: Flown, rng: np.random.Generator, columns: tuple[str, ...], clock: str = "T+hms", per_coast: int = 4,
               events: tuple[str, ...] = (), propellant_in_coast: float = 0.3, throttle_in_coast: float = 0.2,
               speed_by_the_ground: bool = True, gauges=None,
               rough: float = 0.15) -> Notebook:
    """Rows for a whole flight. ``events``: which kinds of mark the pilot writes ("ignition", "touchdown", ...)."""
    truth = truth_of(flown.sim)
    book = Notebook(Panel(flown.sim), columns, rng, gauges=gauges, clock=clock)
    book.rough = rough
    tanks = tuple(n for n in ("propellant", "propellant_fraction") if n in columns)

    def cells(row: Row, keep_throttle: bool, keep_tanks: bool) -> Row:
        if not keep_throttle:
            row.cells.pop("throttle", None)
        if not keep_tanks:
            for name in tanks:
                row.cells.pop(name, None)
        return row

    def high(met: float, throttle: bool, tank: bool, event: str = "", note: str = "") -> Row:
        mark = event if event in events else ""
        leave = ("surface_speed", "radar_altitude", "stage") + (() if throttle else ("pitch",))
        return cells(book.jot(met, leave_out=leave, event=mark, note=note), throttle, tank)

    def low(met: float, tank: bool, event: str = "", still: bool = False) -> Row:
        """Near the ground the pilot looks at the radar altimeter and the speed over the ground."""
        mark = event if event in events else ""
        leave = ("speed", "stage") if "surface_speed" in columns and speed_by_the_ground else ("surface_speed", "stage")
        row = book.jot(met, leave_out=leave, event=mark)
        if "radar_altitude" in row.cells and "altitude" in row.cells and rng.random() < 0.6 and not still:
            row.cells.pop("altitude")
        return cells(row, True, tank)

    arcs, burns = truth["arcs"], truth["burns"]
    for arc in arcs:
        start, end = arc["start"], arc["end"]
        span = end - start
        if arc["kind"] == "landed":
            if span > 600:
                low(start + rng.uniform(8, 40), True, still=True)
                low(end - rng.uniform(15, 50), True, still=True)
            else:
                low(start + rng.uniform(0.4, 0.6) * span, False, still=True)
        elif arc["kind"] == "air":
            met = start + rng.uniform(4, 14)
            while met < end - 6:
                low(met, False) if speed_by_the_ground and met > start + 150 else high(met, False, False)
                met += rng.uniform(18, 45) if met < start + 130 else rng.uniform(45, 95)
        else:
            number = per_coast if span > 900 else 3 if span > 240 else 2 if span > 60 else 1
            if span > 15000:
                number += 2
            edges = np.linspace(0.06, 0.93, number + 1)
            for a, b in zip(edges, edges[1:]):
                high(start + rng.uniform(a, b) * span, rng.random() < throttle_in_coast, rng.random() < propellant_in_coast)
    for burn in burns:
        ignition, cutoff = burn["ignition"], burn["cutoff"]
        span = cutoff - ignition
        before = next((a for a in arcs if abs(a["end"] - ignition) < 1.0), None)
        after = next((a for a in arcs if abs(a["start"] - cutoff) < 1.0), None)
        if burn["kind"] != "liftoff" and before and before["end"] - before["start"] > 15.0:
            high(ignition - rng.uniform(3, 12), True, True)
        if burn["kind"] == "landing":
            met = ignition + rng.uniform(4, 12)
            while met < cutoff - 3:
                left = cutoff - met
                low(met, rng.random() < 0.5) if left < 90 else high(met, True, True)
                met += rng.uniform(20, 36) if left > 80 else rng.uniform(8, 16)
            low(cutoff + 0.3, True, "touchdown", still=True)
        elif burn["kind"] == "liftoff":
            met = ignition + rng.uniform(3, 6)
            low(met, True, "liftoff")
            met += rng.uniform(10, 16)
            while met < cutoff - 4:
                high(met, True, rng.random() < 0.6)
                met += rng.uniform(16, 28)
        else:
            if "ignition" in events and span > 30:
                high(ignition + rng.uniform(1.0, 4.0), True, True, "ignition")
            inner = int(span // 70) if span > 20 else 0
            for i in range(max(inner, 1 if span > 12 else 0)):
                high(ignition + span * (i + rng.uniform(0.3, 0.7)) / max(inner, 1), True, rng.random() < 0.6)
        if burn["kind"] != "landing" and after and after["end"] - after["start"] > 12.0:
            high(cutoff + rng.uniform(2, 8), True, True, "cutoff")
    for touchdown in truth["touchdowns"]:
        if not any(abs(row.met - touchdown["met"]) < 1.0 for row in book.rows):
            low(touchdown["met"] + 0.4, True, "touchdown", still=True)
    book.rows.sort(key=lambda row: row.met)
    apart = [book.rows[0]]
    for row in book.rows[1:]:
        if row.met - apart[-1].met > 2.2 or row.cells.get("event"):
            apart.append(row)
    book.rows = apart
    return book


def plant(book: Notebook, rng: np.random.Generator, kinds: tuple[str, ...], apart: int = 5, in_air: bool = False) -> None:
    """Plant one slip of each kind asked for, in rows far enough from each other; ``in_air``: on the way through air too."""
    taken: list[int] = []
    for kind in kinds:
        for _ in range(400):
            i = int(rng.integers(1, len(book.rows) - 1))
            row = book.rows[i]
            if row.truth["kind"] == "landed" or (row.truth["kind"] == "air" and not in_air) or row.slips or any(abs(i - j) < apart for j in taken):
                continue
            if _slip(kind, row, book.rows[i - 1], book, rng):
                taken.append(i)
                break
        else:
            raise ValueError(f"no place for a slip: {kind}")


def _slip(kind: str, row: Row, previous: Row, book: Notebook, rng: np.random.Generator) -> bool:
    speed_like = [n for n in ("speed", "vertical_speed", "surface_speed") if row.cells.get(n)]
    name = str(rng.choice(["altitude", *speed_like])) if row.cells.get("altitude") else (speed_like[0] if speed_like else "")
    if not name:
        return False
    value = row.truth.get(name) or 0.0
    if kind == "swap":
        text = row.cells[name].lstrip("-")
        if len(text) < 4 or text[0] == text[1] or not text[1].isdigit():
            return False
        return swap_digits(row, name, 0)
    if kind == "small swap":  # further down in the number
        return len(row.cells[name]) > 5 and swap_digits(row, name, 1)
    if kind == "point":
        return abs(value) > 3.0 and lose_point(row, name)
    if kind == "unit":
        return name == "altitude" and value > 2e3 and wrong_unit(row, name, book.gauges[name].unit)
    if kind == "sign":
        return abs(row.truth["vertical_speed"]) > 20.0 and "vertical_speed" in row.cells and flip_sign(row, "vertical_speed")
    if kind == "clock":
        return row.truth["kind"] == "coast" and abs(row.truth["vertical_speed"]) > 30 and slip_clock(row, 60.0, book.clock)
    if kind == "body":
        others = [b for b in book.panel.sim.world.bodies if b != row.truth["body"]]
        return row.truth["kind"] == "coast" and wrong_body(row, others[0])
    if kind == "repeat":
        # only where the panel had really moved on
        return (row.truth["kind"] == "coast" and previous.truth["kind"] == "coast" and row.truth["body"] == previous.truth["body"]
                and abs(row.truth["altitude"] - previous.truth["altitude"]) > 0.05 * row.truth["altitude"]
                and repeat(row, previous, ("altitude", "speed", "vertical_speed")))
    if kind == "frozen":
        return (row.truth["kind"] == "coast" and previous.truth["body"] == row.truth["body"]
                and abs(row.truth["altitude"] - previous.truth["altitude"]) > 0.05 * row.truth["altitude"]
                and repeat(row, previous, ("altitude",)))
    raise ValueError(kind)


def rows_truth(book: Notebook) -> list[dict]:
    """For each line: true time and the true SI value behind every number written."""
    told = []
    for row in book.rows:
        values = {n: row.truth[n] for n in row.cells if n in book.gauges and row.truth.get(n) is not None}
        told.append({"row": row.line, "met": row.met, "body": row.truth["body"], "phase": row.truth["kind"], **values})
    return told
