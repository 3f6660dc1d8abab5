"""Falls through air in a debrief: how the air was met, where that lies in the corridor, how hard it stopped the craft and where the speed went."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analyser.estimate import Estimate
from analyser.findings import Entry, Findings
from analyser.flight import STANDARD_GRAVITY
from analyser.reporting.content import Picture, Section, Table
from analyser.reporting.phrases import UNKNOWN, clock, figure, plain_number, say_plainly

TITLE = "Entry"
ALT = "Altitude against speed through the air on the way down, with the falls at the ends of the corridor; the figures are in the table of entries."
CAPTION = (
    "Line: the fall as fitted; dots: readings; ring: the peak deceleration; diamonds: parachutes opening. Broken lines: the falls at the ends of the corridor. At the upper end "
    "the craft all but leaves the air again, at the lower end the peak deceleration is all that it may have."
)


@dataclass(frozen=True)
class EntryScene:
    """One fall: curves of (speed through the air m/s, altitude km), the corridor's ends, readings, the peak and the openings as points; the top of the scale, km."""

    title: str
    path: np.ndarray
    upper: np.ndarray
    lower: np.ndarray
    readings: np.ndarray
    peak: np.ndarray
    peak_words: str
    openings: np.ndarray


def entry_scene(entry: Entry) -> EntryScene | None:
    """What to draw of an entry; None where the fall could not be reckoned."""
    if len(entry.path) < 2:
        return None
    rows = np.array(entry.path)
    curves = [np.array(edge)[:, ::-1] / [1.0, 1e3] for edge in entry.edges]
    peak = int(np.nanargmax(rows[:, 3]))
    openings = [(one.speed.value, one.altitude.value / 1e3) for one in entry.openings if one.speed.known and one.altitude.known]
    return EntryScene(
        entry.body, np.column_stack([rows[:, 2], rows[:, 1] / 1e3]), curves[0] if curves else np.empty((0, 2)), curves[1] if len(curves) > 1 else np.empty((0, 2)),
        np.array(entry.readings).reshape(-1, 2)[:, ::-1] / [1.0, 1e3], np.array([[rows[peak, 2], rows[peak, 1] / 1e3]]), in_g(entry.peak_deceleration),
        np.array(openings).reshape(-1, 2),
    )  # fmt: skip


def in_g(estimate: Estimate) -> str:
    """A deceleration in the weights of its own mass on the Earth: "2.14 ± 0.02 g"."""
    if not estimate.known:
        return UNKNOWN
    value, half = estimate.value / STANDARD_GRAVITY, (estimate.high - estimate.low) / 2 / STANDARD_GRAVITY
    decimals = min(2, max(0, 1 - math.floor(math.log10(half)))) if half > 0 else 2
    return f"{plain_number(value, decimals)} ± {plain_number(max(half, 10.0**-decimals), decimals)} g"


def entry_section(findings: Findings, pictures: tuple[Picture, ...]) -> Section | None:
    """The section of the debrief, or None where nothing met air."""
    if not findings.entries:
        return None
    said, bullets = [], []
    for entry in findings.entries:
        said += entry_sentences(entry)
        bullets += [f"{warning[:1].upper()}{warning[1:]}." for warning in entry.warnings]
        bullets += [f"{remark[:1].upper()}{remark[1:]}." for remark in entry.remarks]
    return Section("entry", TITLE, tuple(said), pictures, (entry_table(findings),), tuple(bullets))


def entry_sentences(entry: Entry) -> list[str]:
    """An entry told in order."""
    ahead = entry.kind == "ahead"
    met = "It will meet" if ahead else "It met"
    slope = figure(Estimate(-entry.flight_path_angle.value, entry.flight_path_angle.sigma, -entry.flight_path_angle.high, -entry.flight_path_angle.low, "rad"))
    said = [
        f"{met} the air of {entry.body} at {_moment(entry.met)} with {figure(entry.speed)}, {slope} below the horizontal, on an orbit with its periapsis at "
        f"{figure(entry.periapsis_altitude)}. {_corridor(entry)}"
    ]
    if entry.peak_deceleration.known:
        peak = f"{in_g(entry.peak_deceleration)} at {figure(entry.peak_altitude)}, {_moment(entry.peak_met)}"
        line = f"The air {'will stop' if ahead else 'stopped'} it hardest with {peak}."
        if entry.read_deceleration.known:
            how = "read on the gauge" if entry.read_from == "felt acceleration" else "by the speeds read, between two readings"
            line += f" The most that was seen, {how}, is {in_g(entry.read_deceleration)} near {figure(entry.read_altitude)}."
        said.append(line)
    if entry.drag_loss.known and not ahead:
        where = {"parachute": "to the opening of the parachute", "touchdown": "to the ground", "ignition": "to the lighting of the engine"}.get(entry.account_end, "until it left the air again")
        said.append(
            f"From the top of the air {where}, {figure(entry.speed)} less {figure(entry.drag_loss)} taken by drag, and {figure(entry.gravity_gain)} given by gravity, "
            f"came to {figure(entry.end_speed)} (speeds about the centre of {entry.body}, its turning included)."
        )
    end = []
    for number, one in enumerate(entry.openings):
        name = "A parachute" if number == 0 else "Another"
        told = "as marked" if one.told_by == "event" else "told by the sudden slowing"
        end.append(f"{name} opened at {_moment(one.met)}, {figure(one.altitude)} up, at {figure(one.speed)} through the air ({told}).")
    if entry.touchdown_speed.known:
        end.append(f"It met the ground at {figure(entry.touchdown_speed)}.")
    return said + ([" ".join(end)] if end else [])


def _corridor(entry: Entry) -> str:
    if not math.isfinite(entry.corridor_high):
        return f"Whether that is in the entry corridor is not known: {entry.corridor_miss.reason}."
    limit = f"{plain_number(entry.corridor_limit / STANDARD_GRAVITY, 1)} g, {'the usual limit of crews' if entry.corridor_limit_from == 'common practice' else 'the limit of the craft file'}"
    low = f"from {say_plainly(entry.corridor_low, 'm')} " if math.isfinite(entry.corridor_low) else ""
    miss = entry.corridor_miss
    where = "inside" if abs(miss.value) < 1 else f"{say_plainly(abs(miss.value), 'm')} {'above' if miss.value > 0 else 'below'}"
    return f"That is {where} the corridor of periapsis altitudes {low}up to {say_plainly(entry.corridor_high, 'm')} ({limit})."


def entry_table(findings: Findings) -> Table:
    """One column an entry."""
    kinds = {"ahead": "not flown yet", "pass": "left the air again", "landing": "to the ground", "unfinished": "not read to its end"}
    columns = [
        (
            f"{entry.body}, {kinds[entry.kind]}", clock(entry.met.value), figure(entry.speed), figure(entry.flight_path_angle), figure(entry.periapsis_altitude),
            figure(entry.corridor_miss, sign=True) if entry.corridor_miss.known else UNKNOWN, in_g(entry.peak_deceleration), figure(entry.peak_altitude),
            in_g(entry.read_deceleration), figure(entry.openings[0].speed) if entry.openings else "–", figure(entry.touchdown_speed),
            f"{plain_number(entry.ballistic.value, 0)} kg/m² ({entry.ballistic_from})" if entry.ballistic.known and entry.ballistic_from else UNKNOWN,
        )
        for entry in findings.entries
    ]  # fmt: skip
    labels = (
        "into the air of", "at the top of the air", "speed there", "flight-path angle there", "periapsis of the orbit above", "out of the corridor by", "peak deceleration", "at an altitude of",
        "most that was read", "first parachute opened at", "touchdown", "mass over drag area",
    )  # fmt: skip
    rows = [(label, *(column[place] for column in columns)) for place, label in enumerate(labels)]
    return Table(
        "Entries", rows[0], tuple(rows[1:]), frozenset(range(1, len(columns) + 1)), ("Nothing is said of heating: the model does not hold it. No lift and no wind are reckoned with.",)
    )  # fmt: skip


def _moment(estimate: Estimate) -> str:
    return clock(estimate.value)
