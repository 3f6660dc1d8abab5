"""What the panel showed and what the pilot typed.

:class:`Panel` turns the true motion into gauge values; :class:`Notebook` into the lines of a ``readings.csv``, with each
gauge's rounding, units that change by themselves, a clock of whole seconds, and slips of the pen that are recorded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from .motion import MASS, Simulation
from .steering import level_frame

DEG = 180.0 / math.pi


class Panel:
    """True gauge values of a finished flight at any time."""

    def __init__(self, sim: Simulation, radar_reach: float = 3000.0):
        self.sim, self.radar_reach = sim, radar_reach

    def at(self, met: float) -> dict:
        """All gauges (SI, rad; None where a gauge shows nothing)."""
        sim = self.sim
        segment, y = sim.state_at(met)
        body = segment.body
        r, v = tuple(y[:3].tolist()), tuple(y[3:6].tolist())
        distance = math.sqrt(r[0] ** 2 + r[1] ** 2 + r[2] ** 2)
        up, east, north = level_frame(r)
        speed = math.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)
        climb = sum(a * b for a, b in zip(up, v))
        if segment.kind == "landed":
            climb = 0.0
        over = (v[0] + body.spin * r[1], v[1] - body.spin * r[0], v[2])
        surface = math.sqrt(over[0] ** 2 + over[1] ** 2 + over[2] ** 2) if segment.kind != "landed" else 0.0
        stage = sim.craft.stages[segment.stage]
        left = float(y[MASS]) - sim.craft.empty_mass(segment.stage)
        throttle, nose = 0.0, None
        push = [0.0, 0.0, 0.0]  # all that is felt: thrust and drag, or the ground
        if body.air is not None and distance < body.air_top and segment.kind != "landed":
            k = 0.5 * body.air.density(distance - body.radius) * surface * segment.cockpit.drag_area / float(y[MASS])
            push = [-k * c for c in over]
        if segment.law is not None:
            nose, throttle = segment.law(segment.cockpit, met, r, v, float(y[MASS]))
            push = [p + throttle * stage.thrust / float(y[MASS]) * c for p, c in zip(push, nose)]
            if sim.craft.thrust_axis == "tail":
                nose = tuple(-c for c in nose)
        elif segment.kind == "landed":
            push = [body.mu / distance**2 * c for c in up]
        altitude = distance - body.radius if segment.kind != "landed" else 0.0
        shown = {
            "body": body.name, "altitude": altitude,
            "radar_altitude": altitude if altitude < self.radar_reach else None,
            "speed": speed, "surface_speed": surface, "vertical_speed": climb,
            "horizontal_speed": math.sqrt(max(0.0, speed**2 - climb**2)),
            "flight_path_angle": math.asin(max(-1.0, min(1.0, climb / speed))) if speed else 0.0,
            "latitude": math.asin(max(-1.0, min(1.0, r[2] / distance))),
            "longitude": math.remainder(math.atan2(r[1], r[0]) - body.spin * met, 2 * math.pi),
            "throttle": throttle, "propellant": left, "propellant_fraction": left / stage.propellant,
            "acceleration": math.hypot(*push), "stage": stage.name, "kind": segment.kind,
            "pitch": None, "heading": None,
        }
        if nose is not None:
            parts = [sum(a * b for a, b in zip(nose, axis)) for axis in (up, east, north)]
            shown["pitch"] = math.asin(max(-1.0, min(1.0, parts[0])))
            shown["heading"] = math.atan2(parts[1], parts[2]) % (2 * math.pi)
        return shown


@dataclass(frozen=True)
class Column:
    """How a column is written: header unit, and steps of (below this SI size, unit, decimals), first fit wins.

    A cell whose unit is the header's is typed without it.
    """

    unit: str
    steps: tuple[tuple[float, str, int], ...]
    noise: float = 0.0  # standard deviation of the gauge, SI


#: SI size of one unit.
UNIT = {"m": 1.0, "km": 1e3, "Mm": 1e6, "m/s": 1.0, "km/s": 1e3, "deg": 1 / DEG, "%": 0.01, "kg": 1.0, "t": 1e3,
        "m/s^2": 1.0, "g": 9.80665, "1": 1.0, "ft": 0.3048}
INF = math.inf

#: Heron's panel as its pilots write it down.
USUAL = {
    "altitude": Column("km", ((9995.0, "m", 0), (99950.0, "km", 2), (999500.0, "km", 1), (9.995e6, "km", 0), (INF, "Mm", 3))),
    "radar_altitude": Column("m", ((99.5, "m", 1), (INF, "m", 0))),
    "speed": Column("m/s", ((INF, "m/s", 1),)),
    "surface_speed": Column("m/s", ((INF, "m/s", 1),)),
    "vertical_speed": Column("m/s", ((INF, "m/s", 1),)),
    "horizontal_speed": Column("m/s", ((INF, "m/s", 1),)),
    "flight_path_angle": Column("deg", ((INF, "deg", 2),)),
    "pitch": Column("deg", ((INF, "deg", 0),)),
    "heading": Column("deg", ((INF, "deg", 0),)),
    "latitude": Column("deg", ((INF, "deg", 2),)),
    "longitude": Column("deg", ((INF, "deg", 2),)),
    "throttle": Column("%", ((INF, "%", 0),)),
    "propellant": Column("kg", ((INF, "kg", 0),)),
    "propellant_fraction": Column("%", ((INF, "%", 1),)),
    "acceleration": Column("m/s^2", ((INF, "m/s^2", 2),)),
}


def clock_text(met: float, style: str = "hms") -> str:
    """Whole seconds as a pilot writes them: "s", "hms", "T+hms" or "dhms"."""
    whole = int(math.floor(met + 0.5))
    if style == "s":
        return str(whole)
    sign, whole = ("-" if whole < 0 else ""), abs(whole)
    hms = f"{whole // 3600 % 24 if style == 'dhms' else whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    if style == "dhms":
        return f"{sign}{whole // 86400} {hms}"
    return f"T{sign or '+'}{hms}" if style == "T+hms" else sign + hms


def written(value: float, column: Column) -> tuple[str, str, int]:
    """(digits, unit, decimals) of a value on its gauge."""
    for limit, unit, decimals in column.steps:
        if abs(value) < limit:
            break
    text = f"{value / UNIT[unit]:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text, unit, decimals


@dataclass
class Row:
    """One line before it is typed: true time, cells (column -> text), slips planted in it."""

    met: float
    cells: dict[str, str]
    truth: dict
    clock: str = ""
    slips: list[dict] = field(default_factory=list)
    comment: str = ""


class Notebook:
    """The pilot's notes of one flight."""

    def __init__(self, panel: Panel, columns: tuple[str, ...], rng: np.random.Generator, gauges: dict[str, Column] | None = None,
                 clock: str = "hms", clock_decimals: int = 0):
        self.panel, self.columns, self.rng = panel, columns, rng
        self.gauges = dict(USUAL if gauges is None else gauges)
        self.clock, self.rows = clock, []
        self.clock_decimals = clock_decimals
        self.bias: dict[str, float] = {}  # a gauge whose zero is off, SI
        self.lag: dict[str, float] = {}  # a gauge read this many seconds after the clock
        self.rough = 0.0  # how often a number is written with a digit less than the gauge shows

    def jot(self, met: float, only: tuple[str, ...] | None = None, leave_out: tuple[str, ...] = (), event: str = "",
            note: str = "", stage: bool = False) -> Row:
        """Write one row: all columns of the notebook, or ``only`` some, what the panel shows at that time."""
        shown = self.panel.at(met)
        cells: dict[str, str] = {}
        for name in self.columns if only is None else only:
            if name in leave_out or name in ("event", "note"):
                continue
            if name in ("body", "stage"):
                cells[name] = shown[name]
                continue
            value = shown[name]
            if value is None:
                continue
            column = self.gauges[name]
            if self.lag.get(name):
                late = self.panel.at(met + self.lag[name])[name]
                value = value if late is None else late
            value += self.bias.get(name, 0.0)
            if column.noise:
                value += column.noise * float(self.rng.standard_normal())
            digits, unit, decimals = written(value, column)
            if self.rough and decimals and self.rng.random() < self.rough:
                digits = f"{value / UNIT[unit]:.{decimals - 1}f}"
                digits = digits.lstrip("-") if float(digits) == 0.0 else digits
            cells[name] = digits if unit == column.unit else f"{digits} {unit}"
        if event:
            cells["event"] = event
        if note:
            cells["note"] = note
        row = Row(met, cells, shown, self._clock(met))
        self.rows.append(row)
        return row

    def _clock(self, met: float) -> str:
        if self.clock == "s" and self.clock_decimals:
            return f"{met:.{self.clock_decimals}f}"
        return clock_text(met, self.clock)

    def csv(self, comments: tuple[str, ...] = (), tidy: bool = True) -> str:
        """The table as text; rows in order of time, planted slips get their line numbers here."""
        self.rows.sort(key=lambda row: row.met)
        used = [name for name in self.columns if any(row.cells.get(name) for row in self.rows)]
        used += [name for name in ("event", "note") if name not in used and any(row.cells.get(name) for row in self.rows)]
        heads = ["met"] + [f"{n} [{self.gauges[n].unit}]" if n in self.gauges and self.gauges[n].unit != "1" else n for n in used]
        lines = [f"# {comment}" for comment in comments] + [",".join(heads)]
        body = ""
        for row in self.rows:
            if row.comment:
                lines.append(f"# {row.comment}")
            cells = dict(row.cells)
            if tidy and cells.get("body") == body:
                cells["body"] = ""  # carried forward, as pilots do
            elif cells.get("body"):
                body = cells["body"]
            row.line = len(lines) + 1
            for slip in row.slips:
                slip["row"] = row.line
            lines.append(",".join([row.clock] + [_quoted(cells.get(name, "")) for name in used]))
        return "\n".join(lines) + "\n"

    @property
    def slips(self) -> list[dict]:
        """All planted slips, in order of lines."""
        return [slip for row in self.rows for slip in row.slips]


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\n') else text


# -- slips of the pen ---------------------------------------------------------------------------------


def _set(row: Row, name: str, kind: str, typed: str, column: Column | None) -> bool:
    true = row.cells.get(name, "")
    if typed == true:
        return False
    row.slips.append({"column": name, "kind": kind, "typed": typed, "true": true, "met": row.met,
                      "true_value": row.truth.get(name)})
    row.cells[name] = typed
    return True


def swap_digits(row: Row, name: str, at: int = 0) -> bool:
    """Two neighbouring digits change places (the ``at``-th pair that differs)."""
    text = list(row.cells[name])
    pairs = [(i, j) for i, j in zip(range(len(text)), range(1, len(text))) if text[i].isdigit() and text[j].isdigit()
             and text[i] != text[j]]
    if not pairs:
        return False
    i, j = pairs[at % len(pairs)]
    text[i], text[j] = text[j], text[i]
    return _set(row, name, "swapped digits", "".join(text), None)


def lose_point(row: Row, name: str) -> bool:
    """The decimal point is forgotten."""
    return "." in row.cells[name] and _set(row, name, "lost decimal point", row.cells[name].replace(".", "", 1), None)


def wrong_unit(row: Row, name: str, header: str) -> bool:
    """The cell's unit is forgotten or a wrong one written, so that the number means another size."""
    text = row.cells[name]
    if " " in text:
        return _set(row, name, "wrong unit", text.split(" ")[0], None)
    if header == "km":
        return _set(row, name, "wrong unit", f"{text} m", None)
    if header == "m/s":
        return _set(row, name, "wrong unit", f"{text} km/s", None)
    return False


def flip_sign(row: Row, name: str) -> bool:
    """A minus forgotten or put where none was."""
    text = row.cells[name]
    return _set(row, name, "sign flip", text[1:] if text.startswith("-") else f"-{text}", None)


def slip_clock(row: Row, seconds: float, style: str = "hms") -> bool:
    """The clock is read wrong by some seconds (a whole minute, say)."""
    true = row.clock
    row.clock = clock_text(row.met + seconds, style)
    row.slips.append({"column": "met", "kind": "clock slip", "typed": row.clock, "true": true, "met": row.met, "true_value": row.met})
    return True


def wrong_body(row: Row, other: str) -> bool:
    """The reference body is written wrong."""
    return _set(row, "body", "wrong body", other, None)


def repeat(row: Row, previous: Row, names: tuple[str, ...]) -> bool:
    """The values of the row before are copied again under a new time (a repeated row, or with one name a frozen gauge)."""
    done = False
    for name in names:
        if previous.cells.get(name) and row.cells.get(name):
            done |= _set(row, name, "repeated row" if len(names) > 1 else "frozen gauge", previous.cells[name], None)
    return done


def random_slip(row: Row, gauges: dict[str, Column], rng: np.random.Generator, kinds: tuple[str, ...] | None = None) -> bool:
    """One slip of a random kind in a random gauge of the row; False where none fits."""
    names = [n for n in row.cells if n in gauges and row.cells[n] and n not in {s["column"] for s in row.slips}]
    kinds = kinds or ("swap", "point", "unit", "sign")
    if not names:
        return False
    for _ in range(8):
        name, kind = names[rng.integers(len(names))], kinds[rng.integers(len(kinds))]
        if kind == "swap" and swap_digits(row, name, int(rng.integers(4))):
            return True
        if kind == "point" and lose_point(row, name):
            return True
        if kind == "unit" and wrong_unit(row, name, gauges[name].unit):
            return True
        if kind == "sign" and row.cells[name].strip("-0.") and flip_sign(row, name):
            return True
    return False
