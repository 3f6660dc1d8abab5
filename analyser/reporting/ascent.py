"""Launches through air in a debrief: what the climb cost, what the least would have been, and where the difference went."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analyser.findings import Ascent, Findings
from analyser.reporting.content import Picture, Section, Table
from analyser.reporting.phrases import UNKNOWN, figure, plain_number, say_plainly
from analyser.reporting.tables import shared_units

TITLE = "Ascent"
ALT = "Altitude against speed over the ground in the climb, as flown and as the least would have it, and bars of what each lost; the figures are in the table of the ascent."
CAPTION = (
    "Left: the climb as read (dots, line) and the optimised pitch programme for this craft (dashed). Right: what gravity, drag and steering took from what was spent, as flown "
    "(filled, with 95 % intervals) and at the least (open)."
)
NAMES = ("gravity", "drag", "steering")


@dataclass(frozen=True)
class AscentScene:
    """Curves of (speed over the ground m/s, altitude km) as flown and at the least; losses m/s (3,) of each with their intervals."""

    title: str
    flown: np.ndarray
    best: np.ndarray
    losses: np.ndarray
    low: np.ndarray
    high: np.ndarray
    least: np.ndarray


def ascent_scene(ascent: Ascent) -> AscentScene | None:
    """What to draw of an ascent; None with too few readings."""
    if len(ascent.path) < 3:
        return None
    flown = np.array(ascent.path)
    best = np.array(ascent.best_path) if ascent.best_path else np.empty((0, 3))
    parts = [ascent.gravity, ascent.drag, ascent.steering]
    return AscentScene(
        ascent.body, np.column_stack([flown[:, 2], flown[:, 1] / 1e3]), np.column_stack([best[:, 2], best[:, 1] / 1e3]), np.array([one.value for one in parts]),
        np.array([one.low for one in parts]), np.array([one.high for one in parts]), np.array([ascent.best_gravity, ascent.best_drag, ascent.best_steering]),
    )  # fmt: skip


def ascent_section(findings: Findings, pictures: tuple[Picture, ...]) -> Section | None:
    """The section of the debrief, or None without a launch through air."""
    if not findings.ascents:
        return None
    said = [sentence for ascent in findings.ascents for sentence in ascent_sentences(ascent)]
    advice = [item.sentence for item in findings.advice if item.cause in ("late turn", "early turn", "lofted", "low throttle", "ascent") and "the climb" in item.sentence]
    return Section("ascent", TITLE, tuple(said), pictures, tuple(table for ascent in findings.ascents for table in (ascent_table(ascent), published_table(ascent)) if table), tuple(advice))


def ascent_sentences(ascent: Ascent) -> list[str]:
    """An ascent told in a few sentences."""
    if not ascent.cost.known:
        return [f"What the ascent from {ascent.body} cost is not known: {ascent.cost.reason}."]
    head = f"The ascent from {ascent.body} cost {figure(ascent.cost)}"
    if not ascent.waste.known:
        return [f"{head}. It can't be held against the least that this craft could do: {ascent.reason}."]
    head += f"; the least for this craft into the orbit flown is {say_plainly(ascent.best, 'm/s')}"
    if ascent.waste.low <= 0 or ascent.waste.value < 3.0:
        return [f"{head}. No waste stands out beyond what the readings and the optimum leave uncertain ({figure(ascent.waste)})."]
    parts = [
        f"{say_plainly(abs(one.value), 'm/s')} {'more' if one.value > 0 else 'less'} {words}"
        for one, words in (
            (ascent.extra_gravity, "to gravity"), (ascent.extra_drag, "to drag"), (ascent.extra_steering, "to steering"),
            (ascent.extra_rest, "for speed at the top"),
        )
        if one.known and abs(one.value) >= 0.5
    ]  # fmt: skip
    return [f"{head}: {figure(ascent.waste)} was wasted, made up of {_listed(parts)} than the least takes."]


def ascent_table(ascent: Ascent) -> Table:
    """What each loss took, as flown and at the least."""
    rows = [
        [name, figure(getattr(ascent, name)), say_plainly(getattr(ascent, f"best_{name}"), "m/s"), figure(getattr(ascent, f"extra_{name}"), sign=True)] for name in NAMES
    ] + [
        ["speed at the top", "–", "–", figure(ascent.extra_rest, sign=True)],
        ["together", figure(ascent.cost), say_plainly(ascent.best, "m/s"), figure(ascent.waste, sign=True)],
    ]  # fmt: skip
    return shared_units(
        ["to", "as flown", "at the least", "more than the least"], rows, f"The ascent from {ascent.body}", {1, 2, 3},
        notes=(
            "Together: all burns from lift-off to the orbit. Along the path about the body's centre, as for every burn; drag counts to the top of the air. The least: straight up, then a "
            "pitch programme optimised for this craft at full throttle; no wind, no lift, no limit on load or angle of attack.",
        ),
    )  # fmt: skip


def published_table(ascent: Ascent) -> Table | None:
    """The losses as shares of the orbit's speed beside those of launchers from the Earth."""
    rows = [[name, _percent(ascent.shares[name]), "{} to {} %".format(*(plain_number(100 * value, 1) for value in ascent.published[name]))] for name in ascent.published if name in ascent.shares]
    if not any(row[1] != UNKNOWN for row in rows):
        return None
    return Table(
        "Losses over the speed of the orbit", ("to", "this ascent", "launchers from the Earth"), tuple(tuple(row) for row in rows), frozenset({1, 2}),
        notes=("Six launchers into low orbits of the Earth, by Humble, Henry and Larson (1995), from memory. Smaller worlds with as much air lose more of their speed to it.",),
    )  # fmt: skip


def _percent(one) -> str:
    return f"{plain_number(100 * one.value, 1)} ± {plain_number(max(50 * (one.high - one.low), 0.1), 1)} %" if one.known else UNKNOWN


def _listed(items: list[str]) -> str:
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]
