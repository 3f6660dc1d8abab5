"""A body's gravitational parameter, datum radius and rotation from coasts about it, where nobody gave them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyser.findings import Estimate, Findings
from analyser.fitting.conic import propagate_jacobian
from analyser.fitting.leastsquares import minimise
from analyser.fitting.observations import ALTITUDE, ANGLE, HORIZONTAL, SURFACE, Observations, Whitening, observe, predict
from analyser.fitting.orbit import fit_values, middle
from analyser.flight import Body, Flight

#: What can be asked for, and its unit.
QUANTITIES = {"gm": "m^3/s^2", "radius": "m", "rotation": "rad/s"}


@dataclass(frozen=True)
class BodyEstimate:
    """What coasts tell of a body: ``body`` with the best values, an Estimate for each quantity asked (rotation as a rate, rad/s), how well
    all fits (``chi2``, ``dof``), and in words what could not be told apart."""

    body: Body
    quantities: dict[str, Estimate]
    states: tuple[np.ndarray, ...]
    chi2: float
    dof: int
    remarks: tuple[str, ...]


def estimate_body(coasts: Sequence[Observations], body: Body, quantities: Sequence[str] = ("gm",)) -> BodyEstimate:
    """Estimate a body's constants from one or more coasts about it, with all the coasts' orbits.

    Parameters
    ----------
    coasts : sequence of Observations
        Their bodies are ignored.
    body : Body
        Constants that are known, and a first guess of those that are asked for (within a factor of about three).
    quantities : names of QUANTITIES

    Notes
    -----
    The clock is what sets the scale: accelerations are changes of speed in time, and with exact two-body motion they tell mu from
    (mu / r^2, r). Where altitude hardly changes, mu and the radius move together and only a combination is told: both are then nan, and
    ``remarks`` says so.
    """
    asked = [name for name in QUANTITIES if name in quantities]
    if not asked or set(quantities) - set(QUANTITIES):
        raise ValueError(f"quantities to estimate are {', '.join(QUANTITIES)}; got {', '.join(quantities)}")
    coasts = [dataclasses.replace(coast, body=body) for coast in coasts]
    epochs = [middle(coast) for coast in coasts]
    starts = [fit_values(coast, epoch=epoch).state for coast, epoch in zip(coasts, epochs)]
    first = {"gm": body.mu, "radius": body.radius, "rotation": body.rotation_rate}
    free = len(asked)
    rate_size = body.rotation_rate or math.sqrt(body.mu / body.radius**3)
    scale = [{"gm": body.mu, "radius": body.radius, "rotation": rate_size}[name] for name in asked]
    scale += [size for state in starts for size in (state[0], *[math.hypot(state[1], state[2])] * 2)]
    used = [coast.present for coast in coasts]

    def function(x):
        changed = with_quantities(body, asked, x[:free])
        rows, columns = [], []
        if changed is None or (x[free::3] <= 0).any() or (x[free + 2 :: 3] <= 0).any():
            count = sum(int(mask.sum()) for mask in used)
            return np.full(count, np.nan), np.zeros((count, x.size))
        for k, (coast, epoch, mask) in enumerate(zip(coasts, epochs, used)):
            place = free + 3 * k
            values, to_state, to_body, rates = _model(dataclasses.replace(coast, body=changed), epoch, x[place : place + 3], asked)
            whitening = Whitening.of(coast, rates, mask)
            miss = whitening(np.where(mask, values - coast.values, 0.0))[mask]
            full = np.zeros((len(miss), x.size))
            full[:, place : place + 3] = whitening(np.where(mask[:, :, None], to_state, 0.0))[mask]
            full[:, :free] = whitening(np.where(mask[:, :, None], to_body, 0.0))[mask]
            rows.append(miss)
            columns.append(full)
        return np.concatenate(rows), np.concatenate(columns)

    start = np.concatenate([[first[name] for name in asked], *starts])
    names = [*asked, *(f"{part} of coast {k + 1}" for k in range(len(coasts)) for part in ("radius", "radial speed", "transverse speed"))]
    found = minimise(function, start, scale=scale, tolerance=1e-12, enough=1e-6, iterations=300, names=names)
    result, remarks = {}, []
    for k, name in enumerate(asked):
        sigma = found.sigmas[k]
        if not np.isfinite(sigma) or sigma > 0.5 * scale[k]:
            reason = f"the readings can't tell {name} apart from the orbits' own figures"
            result[name] = Estimate.unknown(QUANTITIES[name], reason)
            remarks.append(f"{reason}: coasts at other altitudes, or a more eccentric one, would")
        else:
            result[name] = Estimate.of(found.x[k], sigma, QUANTITIES[name])
    if not found.converged:
        remarks.append("the estimate did not settle: " + found.reason)
    states = tuple(found.x[free + 3 * k : free + 3 * k + 3] for k in range(len(coasts)))
    return BodyEstimate(with_quantities(body, asked, found.x[:free]) or body, result, states, found.chi2, found.dof, tuple(remarks))


def estimate_from_flight(flight: Flight, findings: Findings, name: str = "", quantities: Sequence[str] = ("gm",)) -> BodyEstimate | None:
    """Constants of a body from the coasts about it that a flight was found to hold, readings that were set aside left out.

    Parameters
    ----------
    flight : Flight
    findings : Findings
        Of that flight, with the world's own constants as first guess: coasts are told apart by them.
    name : str
        The body; by default the one with most readings in coasts.
    quantities : names of QUANTITIES

    Returns
    -------
    BodyEstimate, or None where there is no coast about the body.
    """
    coasts = [arc for arc in findings.arcs if arc.kind == "coast" and (not name or arc.body == name) and len(arc.rows) > 2]
    if not coasts:
        return None
    counts: dict[str, int] = {}
    for arc in coasts:
        counts[arc.body] = counts.get(arc.body, 0) + len(arc.rows)
    body = flight.world[max(counts, key=counts.get)]
    table = flight.readings.table.copy()
    for item in findings.set_aside:
        if item.column in table:
            table.loc[table.index[item.position], item.column] = math.nan
    seen = [observe(table, body, arc.rows) for arc in coasts if arc.body == body.name]
    seen = [coast for coast in seen if len(coast) > 2 and coast.present.sum() > 3]
    return estimate_body(seen, body, quantities) if seen else None


def with_quantities(body: Body, names: Sequence[str], values: Sequence[float]) -> Body | None:
    """The body with other constants; None where they are impossible."""
    given = dict(zip(names, (float(value) for value in values)))
    if given.get("gm", 1.0) <= 0 or given.get("radius", 1.0) <= 0:
        return None
    rate = given.get("rotation", body.rotation_rate)
    return dataclasses.replace(
        body,
        mu=given.get("gm", body.mu),
        radius=given.get("radius", body.radius),
        rotation_period=2 * math.pi / rate if rate else math.inf,
    )


def _model(coast: Observations, epoch: float, state: np.ndarray, asked: list[str]):
    states, to_state, motion = propagate_jacobian(coast.body.mu, state, coast.met - epoch, with_mu=True)
    values, to_values = predict(coast, states)
    to_values = np.nan_to_num(to_values)
    through = to_values @ to_state
    to_body = np.zeros((*values.shape, len(asked)))
    for k, name in enumerate(asked):
        if name == "gm":
            to_body[:, :, k] = through[:, :, 3]
        elif name == "radius":
            to_body[:, ALTITUDE, k] = -1.0
        else:
            to_body[:, :, k] = _to_rotation(coast, states)
    return values, through[:, :, :3], to_body, np.einsum("ijk,ik->ij", to_values, motion)


def _to_rotation(coast: Observations, states: np.ndarray) -> np.ndarray:
    """Derivative of the readings with respect to the rotation rate: that of the transverse speed over the surface is -r."""
    r, vr, vt = states.T
    over = vt - coast.rotation_sense * coast.body.rotation_rate * r
    slip = -coast.rotation_sense * r
    square = np.maximum(vr * vr + over * over, 1e-24)
    found = np.zeros((len(r), 6))
    found[:, SURFACE] = over / np.sqrt(square) * slip
    found[:, HORIZONTAL] = np.where(coast.over_surface, np.sign(over) * slip, 0.0)
    found[:, ANGLE] = np.where(coast.over_surface, -vr / square * np.sign(over) * slip, 0.0)
    return found
