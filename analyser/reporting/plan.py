"""An ideal plan for people: a table and the burns to copy on the terminal, a page to print with the plan drawn to scale."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from analyser.estimate import plain
from analyser.files import staged_folder
from analyser.findings import IdealBurn, IdealPlan, Margin
from analyser.flight import Plan, World
from analyser.reporting.content import CAUTION, Picture, Table
from analyser.reporting.phrases import clock, duration, figure, plain_number, say_plainly
from analyser.reporting.text import join_lines, set_table, wrapped

__all__ = ["plan_document", "plan_text", "rest_text", "write_plan"]

_NOTES = (
    "After leg start: where a burn waits for a place or an angle, the time runs from there. Times at full throttle; at half of it twice as long, lit twice as early.",
)

_SIDES = "Left and right are across the plane of the orbit, as seen flying head up; parts of one burn are flown together, in their common direction."


def plan_text(ideal: IdealPlan, opening: str = "") -> str:
    """An ideal plan to copy by hand: legs with their cost, then the burns in order with what to read on the panel.

    Parameters
    ----------
    ideal : IdealPlan
    opening : str
        Said first, e.g. from where in a flown flight the plan begins.
    """
    lines = [*wrapped(f"Ideal plan: {ideal.name}"), *(wrapped(opening) if opening else ()), "", *set_table(_legs(ideal))]
    burns = _burns(ideal)
    if burns.rows:
        lines += ["", *set_table(burns)]
    lines += ["", *wrapped(_verdict(ideal))]
    lines += [line for remark in _remarks(ideal) for line in wrapped(remark, "  ", first="- ")]
    lines += ["", *wrapped(CAUTION)]
    return join_lines(lines)


def plan_document(ideal: IdealPlan) -> dict[str, Any]:
    """The plan as plain data, SI."""
    return {**plain(ideal), "delta_v": plain(ideal.delta_v)}


def rest_text(flight: str, margin: Margin) -> str:
    """From where a plan of the rest of a flight begins, and whether the propellant was still enough."""
    begin = f"From {flight} at MET {clock(margin.met)}, about {margin.body}"
    if not margin.margin.known:
        return f"{begin}; whether the propellant was enough is not known: {margin.margin.reason}."
    held = f"{figure(margin.propellant)} were left, worth {figure(margin.available)}; the rest costs {figure(margin.needed)} at the least"
    if margin.margin.low > 0:
        end = f"enough, with {figure(margin.margin)} to spare"
    elif margin.margin.high < 0:
        end = f"not enough, {say_plainly(-margin.margin.value, 'm/s')} short"
    else:
        end = f"just about enough or not: {figure(margin.margin)}"
    return f"{begin}: {held}: {end}."


def write_plan(ideal: IdealPlan, world: World, plan: Plan, out_dir: str | Path, plan_file: str = "", opening: str = "") -> Path:
    """Write plan.html (self-contained), plan.svg and, where its text is given, plan.toml into ``out_dir`` as one set; the page's path.

    Raises
    ------
    OutputError
        The folder can't be written or the disk is full.
    """
    from analyser.reporting.html import render
    from analyser.reporting.pictures import inline_svg, orbits_figures, picture_bytes
    from analyser.reporting.plan_scene import plan_panels, sheet

    panels = plan_panels(ideal, world)
    pictures = [
        Picture(key, inline_svg(picture_bytes(drawn, "svg", key).decode(), key), f"The plan about {panel.body}, drawn to scale; the burns are in the list.",
                f"About {panel.body}, to scale. Figures: legs; B: burns.")
        for (key, drawn), panel in zip(orbits_figures(panels).items(), panels, strict=True)
    ]  # fmt: skip
    page = render(
        "plan.html", title=ideal.name, opening=opening, verdict=_verdict(ideal), legs=_legs(ideal), burns=_burns(ideal), pictures=pictures,
        remarks=_remarks(ideal), caution=CAUTION,
    )  # fmt: skip
    with staged_folder(out_dir) as folder:
        (folder / "plan.html").write_text(page, encoding="utf-8", newline="\n")
        if panels:
            (folder / "plan.svg").write_bytes(picture_bytes(sheet(panels), "svg", "plan"))
        if plan_file:
            (folder / "plan.toml").write_text(plan_file, encoding="utf-8", newline="\n")
    return Path(out_dir) / "plan.html"


def _legs(ideal: IdealPlan) -> Table:
    rows = [
        (leg.name, leg.goal, _number(leg.delta_v), _number(leg.propellant), duration(leg.duration) if math.isfinite(leg.duration) else "–")
        for leg in ideal.legs
    ]
    total = math.fsum(leg.propellant for leg in ideal.legs)
    rows.append(("together", "", _number(ideal.delta_v), _number(total), ""))
    return Table("Legs", ("leg", "goal", "m/s", "kg", "takes"), tuple(rows), frozenset({2, 3, 4}))


def _burns(ideal: IdealPlan) -> Table:
    rows = [
        (
            str(number), leg.name, _how(burn), say_plainly(burn.altitude, "m"), _number(burn.delta_v, 1), _number(burn.propellant),
            f"{burn.duration:.0f}" if math.isfinite(burn.duration) else "–",
            f"{_number(burn.speed_before)} to {_number(burn.speed_after)}" if math.isfinite(burn.speed_before + burn.speed_after) else "–",
            clock(burn.met) if math.isfinite(burn.met) else "–",
        )
        for number, (leg, burn) in enumerate(((leg, burn) for leg in ideal.legs for burn in leg.burns), 1)
    ]  # fmt: skip
    turning = any(math.isfinite(burn.normal) for leg in ideal.legs for burn in leg.burns)
    headers = ("", "leg", "burn", "altitude", "m/s", "kg", "s", "speed, m/s", "after leg start")
    return Table("Burns at full throttle", headers, tuple(rows), frozenset({3, 4, 5, 6, 7, 8}), (*_NOTES, *((_SIDES,) if turning else ())))


def _how(burn: IdealBurn) -> str:
    """Which way and when, in words."""
    said = burn.what
    if math.isfinite(burn.every):
        said += f" (every {duration(burn.every)})"
    if math.isfinite(burn.lead):
        said += f"; light it {burn.lead:.0f} s before"
    return said


def _verdict(ideal: IdealPlan) -> str:
    if not math.isfinite(ideal.margin):
        return "Whether the propellant is enough is not known: the craft's masses or specific impulse are not given."
    worth = f" ({say_plainly(abs(ideal.margin_delta_v), 'm/s')})" if math.isfinite(ideal.margin_delta_v) else ""
    left = f"{say_plainly(abs(ideal.margin), 'kg')}{worth}"
    return f"Propellant left at the end: {left}." if ideal.margin >= 0 else f"Not enough propellant: {left} short."


def _remarks(ideal: IdealPlan) -> list[str]:
    return [*ideal.remarks, *(f"{leg.name}: {remark}" for leg in ideal.legs for remark in leg.remarks)]


def _number(value: float, decimals: int = 0) -> str:
    return plain_number(value, decimals) if math.isfinite(value) else "–"
