"""A fix in words for a terminal: plain ASCII, 80 columns, no colour needed, one fact a line.

A number stands with its 95 % interval. Where the digits can't support a number the interval stands alone, with what to
read more finely.
"""

from __future__ import annotations

import math

from analyser.estimate import Estimate, plain
from analyser.reporting.phrases import duration
from analyser.units import pilot_unit

TYPE_CHECKING = False  # known to type checkers by this name; loading typing would take longer than the answer
if TYPE_CHECKING:
    from typing import Any

WIDTH = 80


def number(value: float, decimals: int) -> str:
    """A plain number; negative decimals round to tens and more."""
    return f"{round(value, decimals) + 0.0:.{max(decimals, 0)}f}"


def decimals_for(half_width: float) -> int:
    """Decimals that show the first digit of a half width, two where it starts with 1."""
    if not half_width > 0 or not math.isfinite(half_width):
        return 0
    power = math.floor(math.log10(half_width) + 1e-12)
    return min(6, max(0, -power + (1 if half_width / 10**power < 2 else 0)))


def interval(found: Estimate, weak: bool = False) -> str:
    """"2209 km (2190 to 2229)", or "2100 to 3900 km" where ``weak``: no single number stands for it."""
    unit, factor = _unit(found)
    low, high, value = found.low / factor, found.high / factor, found.value / factor
    if math.isnan(low) or math.isnan(high):
        return f"not known: {found.reason}" if found.reason else "not known"
    decimals = decimals_for((high - low) / 2)
    if math.isinf(high):
        return f"{number(low, 0)} {unit} or more, perhaps without limit"
    if math.isnan(value) or weak:
        return f"{number(low, decimals)} to {number(high, decimals)} {unit}"
    if high - low <= 0:
        return f"{value:.5g} {unit}"
    return f"{number(value, decimals)} {unit} ({number(low, decimals)} to {number(high, decimals)})"


def _unit(found: Estimate) -> tuple[str, float]:
    size = found.value if found.known else found.low if math.isfinite(found.low) else 0.0
    if not found.known and math.isfinite(found.high):
        size = max(abs(found.low), abs(found.high))
    unit, factor = pilot_unit(size, found.unit) if found.unit not in ("", "1") else ("", 1.0)
    return ("" if unit == "1" else unit), factor


def span(found: Estimate) -> str:
    """A time to go, in two steps, with its interval: "5 min 20 s (5 min 2 s to 5 min 38 s)", "6 h 37 min (+-40 s)", "26.1 s (25.9 to 26.3)"."""
    if not found.known:
        return f"not known: {found.reason}" if found.reason else "not known"
    if found.low < 0 < found.high and math.isfinite(found.high):
        return f"now, within {duration(max(-found.low, found.high, 1.0))}"
    said = ("" if found.value >= 0 else "-") + duration(found.value)
    if not math.isfinite(found.high):
        return f"{said} ({duration(found.low)} or more)"
    half = (found.high - found.low) / 2
    if not half > 0:
        return said
    decimals = max(decimals_for(half), 0 if half >= 0.05 else 1)
    if abs(found.value) < 100 and half < 10:
        return f"{number(found.value, min(decimals, 2))} s ({number(found.low, min(decimals, 2))} to {number(found.high, min(decimals, 2))})"
    if half < 0.02 * abs(found.value):
        return f"{said} (+-{duration(half) if half >= 9.5 else number(max(half, 0.1), min(decimals, 1)) + ' s'})"
    return f"{said} ({duration(found.low)} to {duration(found.high)})"


def fix_text(fix, aim=None, brakings=(), notes: tuple[str, ...] = ()) -> str:
    """The answer to one reading.

    Parameters
    ----------
    fix : analyser.fitting.fix.Fix
    aim : analyser.fitting.corrections.Aim, optional
    brakings : sequence of analyser.fitting.braking.Braking
    notes : tuple of str
        What else to say (where the world came from).

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    lines = [_heading(fix), *_orbit(fix), *_meetings(fix)]
    if aim is not None:
        lines += ["", *_aim(aim)]
    if brakings:
        lines += ["", *_braking(fix, brakings)]
    said = [*fix.advice, *fix.remarks, *(aim.remarks if aim else ()), *notes]
    if said:
        lines.append("")
        lines += [line for remark in said for line in _wrapped(f"- {remark}", indent="  ")]
    return "\n".join(lines)


def _heading(fix) -> str:
    r, vr, vt = fix.state
    moving = "level" if abs(vr) < 0.05 else f"{'up' if vr > 0 else 'down'} {abs(vr):.4g} m/s"
    if fix.reading.speed is not None and not fix.vertical_speed.known:
        moving = "direction not read"
    return f"{fix.body.name}: altitude {(r - fix.body.radius) / 1e3:.6g} km, speed {math.hypot(vr, vt):.6g} m/s, {moving}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    """Lines of at most WIDTH columns, all but the first one indented."""
    if len(text) <= WIDTH:
        return [text]
    import textwrap  # most lines fit, and loading it takes as long as writing them all

    return textwrap.wrap(text, WIDTH, subsequent_indent=indent)


def _row(label: str, text: str) -> list[str]:
    return _wrapped(f"  {label:<11}{text}", indent=" " * 13)


def _orbit(fix) -> list[str]:
    lines = []
    for label, altitude, wait, speed in (
        ("apoapsis", fix.apoapsis_altitude, fix.time_to_apoapsis, fix.speed_at_apoapsis),
        ("periapsis", fix.periapsis_altitude, fix.time_to_periapsis, fix.speed_at_periapsis),
    ):
        if label == "apoapsis" and fix.bound == 0:
            lines += _row(label, f"none: leaves {fix.body.name}, with {interval(fix.excess_speed)} to spare far away")
            continue
        vague = fix.vague(f"{label}_altitude")
        said = interval(altitude, vague)
        if label == "apoapsis" and 0 < fix.bound < 1:
            said += f"; {1 - fix.bound:.0%} of what the digits allow leaves {fix.body.name}"
        behind = label == "periapsis" and wait.known and wait.high < 0
        time = f"{duration(wait.value)} ago" if behind else span(wait) if wait.known and wait.low < 0 < wait.high else f"in {span(wait)}"
        if label == "apoapsis" and fix.departure.chance == 1:
            said += " by the figures: it leaves before that"
        elif wait.known and not (fix.departure.chance == 1 and not behind and fix.state[1] > 0):
            said += f", {time}"
        elif "circle" in wait.reason:
            said += "; when is not known: too near a circle for these digits"
        lines += _row(label, said)
        if label == "apoapsis" and fix.departure.chance == 1:
            continue
        if speed.known and not vague and not (label == "periapsis" and altitude.value < 0):
            lines += _row("", f"speed there {interval(speed)}")
    if fix.bound > 0:
        lines += _row("period", span(fix.period) if fix.period.known else "not known: " + fix.period.reason)
    lines += _row("here", f"circular speed {interval(fix.circular_speed)}")
    lines += _row("", f"escape speed {interval(fix.escape_speed)}")
    return lines


def _meetings(fix) -> list[str]:
    lines = []
    if fix.body.air_top > 0:
        lines += _row("air", _met(fix.air, "enters the air", "is in the air"))
    label = "GROUND" if fix.ground.chance else "ground"
    lines += _row(label, _met(fix.ground, "MEETS THE GROUND" + (" (the air not reckoned)" if fix.body.air_top > 0 else "")))
    if fix.departure.chance:
        lines += _row("leaves", _met(fix.departure, f"leaves {fix.body.name}'s sphere of influence", f"is outside {fix.body.name}'s sphere of influence"))
    return lines


def _met(meeting, what: str, already: str = "") -> str:
    if meeting.chance == 0:
        return "not met on this coast"
    may = "" if meeting.chance == 1 else f"perhaps ({meeting.chance:.0%} of what the digits allow) "
    if already and meeting.wait.known and meeting.wait.high == 0:
        return f"{may}{already}"
    if not meeting.wait.known:
        return f"{may}{what}; when is {span(meeting.wait)}"
    said = f"{may}{what} in {span(meeting.wait)}, at {interval(meeting.speed)}"
    if meeting.vertical_speed.known:
        way = "down" if meeting.vertical_speed.value < 0 else "up"
        said += f", {interval(_size(meeting.vertical_speed))} of it {way}"
    return said


def _size(found: Estimate) -> Estimate:
    """The same without its sign; where its interval holds 0, from 0 on."""
    ends = sorted((abs(found.low), abs(found.high)))
    return Estimate(abs(found.value), found.sigma, 0.0 if found.low < 0 < found.high else ends[0], ends[1], found.unit, found.reason)


_BEYOND = {"apoapsis": "beyond it", "periapsis": "below it", "escape": "more than escape", "departure": "faster than that"}
_SHORT = {"apoapsis": "below it", "periapsis": "above it", "escape": "short of escape", "departure": "slower than that"}


def _aim(aim) -> list[str]:
    lines = _wrapped(f"goal: {aim.goal}")
    if aim.verdict == "reached":
        lines += _wrapped("  reached, as far as these digits can tell")
    elif aim.verdict == "open":
        lines += _wrapped("  the digits can't tell how far it is")
    elif aim.what in ("circular", "orbit"):
        apart = "apoapsis and periapsis lie apart" if aim.what == "circular" else "the apsides are off by up to"
        lines += _wrapped(f"  {apart} {interval(aim.miss)}" if aim.miss.known else "  it leaves: no orbit yet")
    else:
        words = (_BEYOND if aim.verdict == "beyond" else _SHORT)[aim.what]
        size = _size(aim.miss)
        far = interval(size) if size.known else "without limit (it leaves)"
        overshot = aim.verdict == "beyond"
        lines += _wrapped(f"  {'OVERSHOT: ' if overshot else ''}now {words} by {far}" + ("; the way back:" if overshot else ""), indent="  ")
    known = [one for one in aim.corrections if not one.reason]
    least = min(known, key=lambda one: one.total.value, default=None)
    for one in aim.corrections:
        lines += _correction(one, one is least and len(known) > 1)
    return lines


def _correction(one, least: bool) -> list[str]:
    when = one.where if one.where == "now" or not one.wait.known else f"{one.where} {_in(one.wait)}"
    if one.reason:
        return _wrapped(f"  {one.where}: {one.reason}", indent="    ")
    said = f"  {when}{' (least)' if least else ''}: {interval(one.delta_v)} {one.direction}"
    if one.then:
        said += f", {one.then}; in all {interval(one.total)}"
    if one.duration.known:
        said += f"; burns {span(one.duration)}, {interval(one.propellant)}"
    elif one.propellant.known:
        said += f"; {interval(one.propellant)}"
    return _wrapped(said, indent="    ")


def _in(wait: Estimate) -> str:
    said = span(wait)
    return said if said.startswith("now") else f"in {said}"


def _braking(fix, brakings) -> list[str]:
    lines = ["braking to a stop at the ground, straight against the motion:"]
    for one in brakings:
        head = f"  at {one.throttle:.0%} throttle: "
        if one.reason and not one.start_altitude.known:
            lines += _wrapped(head + one.reason, indent="    ")
            continue
        if one.too_late:
            said = f"TOO LATE: braking now it meets the ground at {interval(one.contact_speed)}"
        else:
            said = f"start at the latest at {interval(one.start_altitude)}, {_in(one.wait)}; burns {span(one.duration)}, "
            said += f"{interval(one.propellant)}, {interval(one.delta_v)}"
            if one.left.known:
                said += f"; {one.left.value:.0f} kg left" if one.left.value >= 0 else f"; NOT ENOUGH: {-one.left.value:.0f} kg short"
        lines += _wrapped(head + said, indent="    ")
    return lines


def fix_line(fix, goal: str = "") -> str:
    """One line for following a coast: apsides, period, and the ground where it is met."""
    said = apsides(fix)
    if fix.ground.chance == 1:
        said += f", GROUND in {duration(fix.ground.wait.value)} at {fix.ground.speed.value:.0f} m/s" if fix.ground.wait.known else ", GROUND"
    elif fix.ground.chance:
        said += f", GROUND perhaps ({fix.ground.chance:.0%})"
    return said + (f", {goal}" if goal else "")


def apsides(fix) -> str:
    """Both apsides in short: "ap 82.39+-0.02 km, pe 78.69+-0.03 km"."""
    high = "leaves" if fix.bound == 0 else f"ap {_short(fix.apoapsis_altitude, fix.vague('apoapsis_altitude'))}"
    return f"{high}, pe {_short(fix.periapsis_altitude, fix.vague('periapsis_altitude'))}"


def _short(found: Estimate, weak: bool) -> str:
    unit, factor = _unit(found)
    low, high = found.low / factor, found.high / factor
    if math.isnan(low):
        return "not known"
    if math.isinf(high):
        return f"{number(low, 0)} {unit} or more"
    half = (high - low) / 2
    if weak or not found.known:
        return f"{number(low, decimals_for(half))}..{number(high, decimals_for(half))} {unit}"
    return f"{number(found.value / factor, decimals_for(half))}+-{number(half, decimals_for(half))} {unit}"


def fix_dict(fix, aim=None, brakings=()) -> dict[str, Any]:
    """The machine's version: SI, intervals with every value; the sampled states left out."""
    skipped = ("states", "body", "reading", "state")
    found = {name: plain(getattr(fix, name)) for name in fix._fields if name not in skipped}
    radius, vertical, transverse = fix.state
    return {
        "body": fix.body.name,
        "altitude": radius - fix.body.radius,
        "state": {"radius": radius, "radial_speed": vertical, "transverse_speed": transverse},
        **found,
        "aim": plain(aim) if aim else None,
        "braking": [plain(one) for one in brakings],
    }
