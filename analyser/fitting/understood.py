"""The readings as they were meant: units, reference bodies, clocks, gauges, each taken otherwise than written only where the readings demand it, and said so."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analyser.findings import SetAside
from analyser.fitting.bodies import reference_bodies
from analyser.fitting.chain import Chain, build_chain
from analyser.fitting.clock_runs import mend_jumps, settle_clock_runs
from analyser.fitting.column_units import mend_units
from analyser.fitting.gauge_corrections import GaugeError, corrected
from analyser.fitting.gauge_errors import find_gauge_errors, quiet_runs
from analyser.fitting.out_of_turn import leave_out
from analyser.fitting.over_ground import inertial_speeds
from analyser.fitting.panel_rows import PanelRows, panel_rows
from analyser.fitting.propellant import PropellantHistory, propellant_history
from analyser.flight import Flight


@dataclass(frozen=True)
class Understood:
    """A flight's readings, understood.

    ``flight`` has the table as it was taken; ``rows`` and ``propellant`` are the same as arrays, ``chain`` the coasts in them. ``turned`` (n,) marks speeds over
    the surface that were made inertial, ``open_at`` first rows after a clock stood for an unknown time, ``misplaced`` lines left out for their clock.
    ``taken`` says what was taken otherwise than written.
    """

    flight: Flight
    rows: PanelRows
    propellant: PropellantHistory
    chain: Chain
    turned: np.ndarray
    open_at: frozenset[int]
    misplaced: tuple[SetAside, ...]
    gauge_errors: tuple[GaugeError, ...]
    taken: tuple[str, ...]


def understand(flight: Flight) -> Understood:
    """Settle what the readings of a flight mean, one question after the other: each is asked of the readings as the one before left them."""
    world = flight.world
    table, taken = mend_units(flight.readings.table, world, flight.plan, flight.readings.detail)
    body, said = reference_bodies(table, world, flight.plan)
    taken += said
    table, turned = inertial_speeds(table, world, body)
    if turned.any():
        taken += ("speeds over the surface were turned into inertial ones by the course that latitude and longitude show",)

    def seen(table: pd.DataFrame) -> tuple[PanelRows, PropellantHistory]:
        return panel_rows(table, world, body), propellant_history(table, flight.craft)

    rows, propellant = seen(table)
    table, open_at, said = settle_clock_runs(table, rows, propellant, world)
    taken += said
    if said:
        rows, propellant = seen(table)
    chain = build_chain(table, rows, propellant, world)

    def again(changed: pd.DataFrame) -> None:
        nonlocal table, rows, propellant, chain
        if changed is not table:
            table = changed
            rows, propellant = seen(table)
            chain = build_chain(table, rows, propellant, world)

    changed, misplaced = leave_out(table, chain, propellant)
    again(changed)
    changed, said = mend_jumps(table, rows, propellant, chain)
    again(changed)
    gauge_errors = tuple(find_gauge_errors(table, rows, propellant, chain, world))
    if gauge_errors:
        again(corrected(table, gauge_errors, rows, [places for _, places in quiet_runs(rows, propellant, chain)], world))
    taken += (*said, *map(str, gauge_errors))
    flight = replace(flight, readings=replace(flight.readings, table=table))
    return Understood(flight, rows, propellant, chain, turned, open_at, tuple(misplaced), gauge_errors, taken)
