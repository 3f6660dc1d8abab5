"""Inclination, node and argument of periapsis of a coast as estimates with honest 95 % intervals.

Axes and angles: :mod:`analyser.fitting.plane_sights`. Near the equator the inclination of the best fit is mostly noise, always upwards, as the eccentricity
is near a circle: there the interval is that of the test's inversion, and the node means nothing.
"""

from __future__ import annotations

import math

import numpy as np

from analyser.findings import Estimate
from analyser.fitting.elements import classical_elements
from analyser.fitting.intervals import _invert, root_of, standard_normal_points
from analyser.fitting.plane import Plane
from analyser.fitting.plane_sights import wrapped
from analyser.fitting.sampling import SAMPLES, standard_normals

#: An angle is told where its samples spread by less than this, rad ...
_TOLD = 0.6
#: ... and the tilt that it hangs on is this many standard deviations from none.
_TILTED = 3.0
_NEAR = 8.0
NAMES = ("inclination", "ascending_node_longitude", "argument_of_periapsis", "longitude_of_periapsis")


def rotations(plane: Plane, states: np.ndarray, stream: int) -> np.ndarray:
    """Sampled orientations (SAMPLES, 3, 3) that go with the samples of the coast's state, independent of those of other streams."""
    return plane.samples(states, standard_normals(3, 5000 + stream)[: len(states)])


def unknown_figures(reason: str, node_reason: str = "") -> dict[str, Estimate]:
    """The same figures where the plane is not known."""
    return {name: Estimate.unknown("rad", reason if name == "inclination" or not node_reason else node_reason) for name in NAMES}


def plane_figures(
    mu: float, plane: Plane, states: np.ndarray, turned: np.ndarray, periapsis_time: Estimate, node_reason: str = ""
) -> dict[str, Estimate]:
    """Figures of a coast's plane.

    Parameters
    ----------
    plane : Plane
        Settled on the coast's state.
    states, turned : arrays (k, 3) and (k, 3, 3)
        Samples of the state and of the orientation that goes with each.
    periapsis_time : Estimate
        Whether the apse line is told, and why not.
    node_reason : str
        Why the node is not known, where it is not.

    Returns
    -------
    dict
        By NAMES: rad; the angles 0 to 2 pi, their intervals unbroken about them.
    """
    best = _elements(mu, plane.state[None], plane.rotation[None])
    cloud = _elements(mu, states, turned)
    tilt, told = _inclination(plane, float(best.inclination[0]), cloud.inclination)
    found = {"inclination": tilt}
    flat = _flat(tilt)
    level = node_reason or ("" if told else flat)
    apse = "" if periapsis_time.known else periapsis_time.reason
    found["ascending_node_longitude"] = _angle(best.longitude_of_ascending_node[0], cloud.longitude_of_ascending_node, level or _swing(flat, cloud.longitude_of_ascending_node))
    found["argument_of_periapsis"] = _angle(best.argument_of_periapsis[0], cloud.argument_of_periapsis, apse or ("" if told else flat))
    found["longitude_of_periapsis"] = _angle(best.longitude_of_periapsis[0], cloud.longitude_of_periapsis, apse or node_reason)
    return found


def _elements(mu, states, turned):
    position = turned[:, :, 0] * states[:, :1]
    velocity = turned[:, :, 0] * states[:, 1:2] + turned[:, :, 1] * states[:, 2:3]
    return classical_elements(mu, position, velocity)


def _inclination(plane: Plane, value: float, sample: np.ndarray) -> tuple[Estimate, bool]:
    """The inclination, and whether the orbit is told from one over the equator."""
    normal = plane.rotation[:, 2]
    cross = np.array([[0.0, -normal[2], normal[1]], [normal[2], 0.0, -normal[0]], [-normal[1], normal[0], 0.0]])
    spread = cross @ plane.covariance[3:, 3:] @ cross.T
    sideways = spread[:2, :2]
    widest = math.sqrt(max(float(np.linalg.eigvalsh(sideways)[-1]), 0.0))
    sine = math.hypot(normal[0], normal[1])
    if not plane.noded or sine > _NEAR * widest:
        low, high = _ends(sample - value)
        return Estimate(value, float(np.std(sample)), max(value + low, 0.0), min(value + high, math.pi), "rad"), sine > _TILTED * widest
    covariance = np.zeros((3, 3))
    covariance[0, 0] = widest**2 or 1e-30
    covariance[1:, 1:] = sideways + 1e-30 * np.eye(2)
    noise = standard_normal_points(1000) @ root_of(covariance).T
    low, high = _invert(np.array([1.0, normal[0], normal[1]]), covariance, noise, 0)
    # an estimate nearer to no tilt than chance brings it says that digits fell together, not that there is none
    high = max(high, float(np.quantile(np.hypot(noise[:, 1], noise[:, 2]), 0.975)))
    ends = [math.asin(min(max(end, 0.0), 1.0)) for end in (min(low, sine), max(high, sine))]
    ends = ends if normal[2] > 0 else [math.pi - ends[1], math.pi - ends[0]]
    return Estimate(value, widest, ends[0], ends[1], "rad"), sine > _TILTED * widest


def _flat(tilt: Estimate) -> str:
    half = math.degrees(max(tilt.high - tilt.value, tilt.value - tilt.low, 1e-6))
    digits = max(0, 1 - math.floor(math.log10(half)))
    return f"undefined: i = {math.degrees(tilt.value):.{digits}f} deg, within {half:.{digits}f} deg"


def _swing(flat: str, sample: np.ndarray) -> str:
    """Why an angle that swings as widely as this is not told, "" where it is."""
    good = sample[np.isfinite(sample)]
    if len(good) < 0.9 * len(sample):
        return flat
    return flat if abs(np.mean(np.exp(1j * good))) < math.exp(-(_TOLD**2) / 2) else ""


def _angle(value: float, sample: np.ndarray, reason: str) -> Estimate:
    if reason or not math.isfinite(value):
        return Estimate.unknown("rad", reason or "the orbit has no such angle")
    off = wrapped(sample[np.isfinite(sample)] - value)
    if len(off) < 0.9 * SAMPLES or float(np.std(off)) > _TOLD:
        return Estimate.unknown("rad", f"undefined: it is open to {math.degrees(2 * float(np.std(off))):.0f} deg or more")
    low, high = _ends(off)
    value = float(value % (2 * math.pi))
    return Estimate(value, float(np.std(off)), value + low, value + high, "rad")


def _ends(off: np.ndarray) -> tuple[float, float]:
    """Ends of the 95 % interval from samples about the best value, which lies between them.

    The samples' spread is exact where all is straight, their outermost ones are few: these count where they bend the interval.
    """
    low, high = (float(end) for end in np.quantile(off, [0.025, 0.975]))
    if abs(low + high) < 0.15 * (high - low):
        high = 1.959964 * float(np.sqrt(np.mean(off**2)))
        low = -high
    return min(low, 0.0), max(high, 0.0)
