"""What was set aside of a flight's readings, each with its reason, in one list."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analyser.findings import SetAside
from analyser.fitting.chain import Chain
from analyser.fitting.panel_rows import MOTION, NEVER_NEGATIVE, STANDING_SPEED, PanelRows, underground
from analyser.fitting.plane import PlaneFit
from analyser.fitting.propellant import PropellantHistory
from analyser.fitting.slips import explain, spell
from analyser.fitting.underway import screen_underway
from analyser.flight import Flight, World


def set_aside_readings(chain: Chain, rows: PanelRows, propellant: PropellantHistory, flight: Flight, underway: list[SetAside], planes: dict[int, PlaneFit]) -> tuple[SetAside, ...]:
    """Every reading set aside or doubted, in order of time: by the coasts, the planes, the propellant, between coasts (``underway``), and at sight."""
    table = flight.readings.table
    source, line = _origin(table)
    found = list(underway)
    repeated = _repeated(table)

    def add(position: int, column: str, value: float, reason: str, suggestion: str) -> None:
        if position in repeated:
            reason, suggestion = "the row repeats the readings of the row before it", "read again, or the panel stood still"
        found.append(
            SetAside(int(position), str(source[position]), int(line[position]), float(table["met"].iloc[position]), column, float(value), reason, suggestion)
        )

    for fit in chain.fits.values():
        for item in (*fit.set_aside, *fit.doubtful):
            add(item.position, item.column, item.value, item.reason, item.suggestion)
    for lying in planes.values():
        for item in lying.set_aside:
            add(item.position, item.column, item.value, item.reason, item.suggestion)
    for position in propellant.set_aside:
        value = table["propellant"].iloc[position] if "propellant" in table else math.nan
        add(position, "propellant", value, "propellant within a stage never rises, nor exceeds its load", propellant.suggestion(position, float(value)))
    told = {(item.position, item.column) for item in found}
    for position, column, reason in _impossible(table, rows, flight.world):
        if (position, column) not in told:
            value, step = float(table[column].iloc[position]), float(table[f"{column}_sigma"].iloc[position]) * math.sqrt(12.0)
            add(position, column, value, reason, f"{spell(column, value, step)} fits if it was {spell(column, -value, step)} (sign)")
    for position, column, ground in _while_standing(chain, rows):
        value, sigma = float(rows.value[column][position]), float(rows.sigma[column][position])
        slip = explain(column, value, sigma, ground, 0.1)
        reason = f"the craft stood on the ground, whose speed is {spell(column, ground, sigma * math.sqrt(12.0))}"
        add(position, column, value, reason, slip.sentence if slip is not None else "")
    return tuple(sorted(found, key=lambda item: (item.position, item.column)))


def _while_standing(chain: Chain, rows: PanelRows):
    """Speeds read on the ground that are neither the ground's own nor none: (position, column, the ground's)."""
    for arc in chain.arcs:
        # the first row of a stay may show the speed at contact
        for row in arc.rows[1:] if arc.kind == "landed" else ():
            for column, ground in (("speed", abs(arc.body.rotation_rate) * arc.body.radius), ("surface_speed", 0.0)):
                value, slack = rows.value[column][row], max(STANDING_SPEED, 8.0 * float(np.nan_to_num(rows.sigma[column][row])))
                if value > slack and abs(value - ground) > slack:
                    yield row, column, ground


def _impossible(table, rows: PanelRows, world: World):
    """Readings that no fit looks at, since nothing flies so: (position, column, why)."""
    for column in NEVER_NEGATIVE:
        for position in np.flatnonzero(table[column].to_numpy(float) < 0) if column in table else ():
            yield int(position), column, "a speed is never negative"
    if "altitude" in table:
        datum = np.array([world[name].radius for name in rows.body])
        for position in np.flatnonzero(underground(table["altitude"].to_numpy(float), datum)):
            yield int(position), "altitude", "far below the datum radius"


def as_read(found: tuple[SetAside, ...], flight: Flight, turned: np.ndarray) -> tuple[SetAside, ...]:
    """What was set aside of speeds that had been turned into inertial ones, under the column and with the value that was read."""
    return tuple(
        replace(item, column="surface_speed", value=float(flight.readings.table["surface_speed"].iloc[item.position]), suggestion="")
        if item.column == "speed" and turned[item.position]
        else item
        for item in found
    )


def _origin(table):
    """File and line of every row."""
    source = table["source"].to_numpy(object) if "source" in table else np.full(len(table), "", dtype=object)
    return source, table["row"].to_numpy() if "row" in table else np.arange(len(table))


def screened(chain: Chain, rows: PanelRows, flight: Flight) -> list[SetAside]:
    """Slips in the rows between arcs; they are taken out of ``rows``, before burns and landings are reckoned from them."""
    found: list[SetAside] = []
    source, line = _origin(flight.readings.table)
    for place, inside in enumerate(chain.between):
        if not inside:
            continue
        edges = (*(chain.arcs[place - 1].rows[-2:] if place else ()), *(chain.arcs[place].rows[:2] if place < len(chain.arcs) else ()))
        trusted = tuple(row for row in edges if not _refused(chain, row))
        found += screen_underway(rows, list(inside), trusted, flight.world, source, line)
    for item in found:
        derived = {"altitude": rows.radius, "speed": rows.speed, "surface_speed": rows.speed, "vertical_speed": rows.vertical}.get(item.column)
        if derived is not None:
            derived[item.position] = np.nan
    return found


def _refused(chain: Chain, row: int) -> bool:
    return any(item.position == row for fit in chain.fits.values() for item in fit.set_aside)


def _repeated(table) -> set[int]:
    """Rows whose every motion reading (two or more) is that of the row before, to the digit."""
    columns = [name for name in MOTION if name in table]
    values = table[columns].to_numpy(float)
    read = np.isfinite(values)
    same = (np.nan_to_num(values[1:]) == np.nan_to_num(values[:-1])) & (read[1:] == read[:-1])
    return {int(row) + 1 for row in np.flatnonzero(same.all(axis=1) & (read[1:].sum(axis=1) >= 2))}
