"""Scenes into pictures: SVG to set into a page, SVG or PNG to keep as a file."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

from analyser.files import staged_folder
from analyser.findings import Findings
from analyser.flight import Flight
from analyser.reporting import air_plots, ascent, descent, entry, plots
from analyser.reporting.ascent import ascent_scene
from analyser.reporting.content import Picture
from analyser.reporting.descent import descent_scene
from analyser.reporting.entry import entry_scene
from analyser.reporting.margins import ALT, CAPTION, margin_steps
from analyser.reporting.scenes import burn_bars, leg_bars, orbit_panels
from analyser.reporting.timeline import timeline

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from analyser.reporting.scenes import OrbitPanel
    from analyser.reporting.timeline import Timeline

__all__ = ["flight_figures", "flight_pictures", "inline_svg", "picture_bytes", "write_figures"]

_ROLES = {
    plots.INK: "ink", plots.FAINT: "faint", plots.PAPER: "paper", plots.FLOWN: "flown", plots.READING: "ink", plots.ASIDE: "aside",
    plots.BURN: "burn", plots.GROUND: "ground", plots.AIR: "air",
    **{colour: f"piece-{key}" for key, (_, colour, _) in plots.PIECES.items()},
}  # fmt: skip


def _figure(width: float, height: float) -> "Figure":
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    figure.patch.set_alpha(0)
    return figure


def legs_figure(flight: Flight, findings: Findings) -> "Figure | None":
    """What each leg took against the plan."""
    scene = leg_bars(findings)
    if scene is None:
        return None
    height = 0.75 + 0.36 * len(scene.labels)
    figure = _figure(7.6, height)
    plots.draw_legs(figure.add_axes((0.15, 0.42 / height, 0.82, 1 - 0.75 / height)), scene)
    return figure


def burns_figure(flight: Flight, findings: Findings) -> "Figure | None":
    """Where the delta-v of each burn went."""
    scene = burn_bars(findings)
    if scene is None:
        return None
    rows = 1 + (len(scene.pieces) - 1) // 4
    height = 0.55 + 0.22 * rows + 0.34 * len(scene.labels)
    figure = _figure(7.6, height)
    tall = 1 - (0.5 + 0.22 * rows) / height
    whole, losses = (figure.add_axes((left, 0.42 / height, width, tall)) for left, width in ((0.2, 0.42), (0.66, 0.33)))
    plots.draw_burns(whole, losses, scene)
    return figure


def margin_figure(findings: Findings) -> "Figure | None":
    """What was in the tanks after each burn, and what the rest needed."""
    scene = margin_steps(findings)
    if scene is None:
        return None
    figure = _figure(7.6, 2.6)
    plots.draw_margin(figure.add_axes((0.095, 0.1, 0.89, 0.78)), scene)
    return figure


def air_figures(findings: Findings) -> "dict[str, Figure]":
    """Landings on the engine, falls and climbs through air, one figure each, by key: descent-1, ..., entry-1, ..., ascent-1, ..."""
    found = {}
    for number, scene in enumerate((descent_scene(one) for one in findings.descents), 1):
        if scene is not None:
            figure = _figure(7.6, 3.2)
            air_plots.draw_descent(figure.add_axes((0.085, 0.15, 0.9, 0.75)), scene)
            found[f"descent-{number}"] = figure
    for number, scene in enumerate((entry_scene(entry) for entry in findings.entries), 1):
        if scene is not None:
            figure = _figure(7.6, 3.4)
            air_plots.draw_entry(figure.add_axes((0.075, 0.14, 0.91, 0.77)), scene)
            found[f"entry-{number}"] = figure
    for number, scene in enumerate((ascent_scene(ascent) for ascent in findings.ascents), 1):
        if scene is not None:
            figure = _figure(7.6, 3.0)
            air_plots.draw_ascent(figure.add_axes((0.075, 0.16, 0.49, 0.74)), figure.add_axes((0.66, 0.16, 0.33, 0.74)), scene)
            found[f"ascent-{number}"] = figure
    return found


def orbits_figures(panels: "tuple[OrbitPanel, ...]") -> "dict[str, Figure]":
    """The orbits flown about each body, to scale, one figure a body and size, by key."""
    found = {}
    for number, panel in enumerate(panels, 1):
        figure = _figure(3.5, 3.5 * panel.reach[1] / panel.reach[0])
        plots.draw_orbits(figure.add_axes((0, 0, 1, 1)), panel)
        found[f"orbits-{number}"] = figure
    return found


def time_figure(flight: Flight, findings: Findings, scene: "Timeline | None" = None) -> "Figure | None":
    """Altitude and speeds over time; ``scene`` where it is laid out already."""
    scene = scene or timeline(flight, findings)
    if scene is None:
        return None
    count = len(scene.channels)
    height = 0.95 + 1.65 * count
    figure = _figure(7.6, height)
    for index, channel in enumerate(scene.channels):
        bottom = (0.5 + 1.65 * (count - 1 - index)) / height
        ax = figure.add_axes((0.095, bottom, 0.89, 1.5 / height))
        plots.draw_channel(ax, scene, channel, first=index == 0, last=index == count - 1)
    return figure


#: key -> (what it shows for those who can't see it, caption)
WORDS = {
    "legs": (
        "Bars of the delta-v each leg took, with marks for the plan's ideal and for the least between the orbits flown; the figures are in the "
        "table of legs.",
        "What each leg took. The stroke is the plan's ideal, the diamond the least between the orbits flown.",
    ),
    "burns": (
        "One bar a burn, in pieces from the delta-v needed to the delta-v spent; the figures are in the tables of burns.",
        "Left: from what each burn needed to what it spent, with the 95 % interval of what was spent. Right: the losses alone, enlarged; "
        "a burn loss is split in proportion to steering, gravity and drag where these come near it.",
    ),
    "margin": (ALT, CAPTION),
    "time": (
        "Altitude, speed and vertical speed over mission elapsed time: the fit as a line, readings as dots, burns shaded.",
        "Line: fit; dots: readings; crosses: readings set aside; shaded: burns.",
    ),
}
STRETCHED = " Each coast and burn has a time scale of its own, its length written above, so that short ones can be seen."
#: what stands with the figures of a kind, by the beginning of their keys
KINDS = {"descent": (descent.ALT, descent.CAPTION), "entry": (entry.ALT, entry.CAPTION), "ascent": (ascent.ALT, ascent.CAPTION)}
ORBITS_ALT = "The orbits flown about {}, drawn to scale, with the readings on them; the apsides are in the table of orbits."
ORBITS_CAPTION = "About {}, to scale."


def flight_figures(flight: Flight, findings: Findings) -> "dict[str, Figure]":
    """Every figure of a debrief that has something to show, by key: legs, burns, time, orbits-1, orbits-2, ..."""
    made = {
        "legs": legs_figure(flight, findings),
        "burns": burns_figure(flight, findings),
        "margin": margin_figure(findings),
        "time": time_figure(flight, findings),
        **air_figures(findings),
        **orbits_figures(orbit_panels(flight, findings)),
    }
    return {key: figure for key, figure in made.items() if figure is not None}


def flight_pictures(flight: Flight, findings: Findings) -> dict[str, Picture]:
    """Every picture of a debrief, ready to set into a page."""
    panels, scene = orbit_panels(flight, findings), timeline(flight, findings)
    made = {
        "legs": legs_figure(flight, findings),
        "burns": burns_figure(flight, findings),
        "margin": margin_figure(findings),
        "time": time_figure(flight, findings, scene) if scene else None,
        **air_figures(findings),
        **orbits_figures(panels),
    }
    words = dict(WORDS)
    if scene is not None and scene.stretched:
        words["time"] = (WORDS["time"][0], WORDS["time"][1] + STRETCHED)
    words |= {key: KINDS[kind] for key in made if (kind := key.partition("-")[0]) in KINDS}
    for number, panel in enumerate(panels, 1):
        words[f"orbits-{number}"] = (ORBITS_ALT.format(panel.body), ORBITS_CAPTION.format(panel.body))
    return {
        key: Picture(key, inline_svg(picture_bytes(figure, "svg", key).decode(), key), *words[key])
        for key, figure in made.items()
        if figure is not None
    }


def write_figures(flight: Flight, findings: Findings, out_dir: "str | Path", form: str = "svg") -> "list[Path]":
    """Write every figure of a debrief as a file, "svg" or "png", into ``out_dir`` as one set; the paths.

    Raises
    ------
    OutputError
        The folder can't be written or the disk is full.
    """
    made = {f"{key}.{form}": picture_bytes(figure, form, key) for key, figure in flight_figures(flight, findings).items()}
    with staged_folder(out_dir) as folder:
        for name, content in made.items():
            (folder / name).write_bytes(content)
    return [Path(out_dir) / name for name in made]


def picture_bytes(figure: "Figure", form: str, salt: str = "") -> bytes:
    """A figure as "svg" or "png"; the same figure gives the same bytes every time."""
    import matplotlib

    stream = io.BytesIO()
    # text stays text: small, found by searching, and in the reader's own font
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": f"analyser {salt}"}):
        if form == "svg":
            figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}, transparent=True)
        else:
            figure.savefig(stream, format=form, dpi=200, facecolor=plots.PAPER)
    return stream.getvalue()


def inline_svg(markup: str, key: str) -> str:
    """SVG as written by matplotlib, made fit to stand in a page: no prologue, no fixed size, colours as the page's variables, ids its own."""
    markup = markup[markup.index("<svg") :]
    markup = re.sub(r"<metadata>.*?</metadata>\s*", "", markup, count=1, flags=re.DOTALL)
    head, rest = markup.split(">", 1)
    box = re.search(r'viewBox="([^"]*)"', head)
    width = float(box.group(1).split()[2]) if box else 500.0
    for colour, role in _ROLES.items():
        rest = rest.replace(colour, f"var(--{role})")
    rest = re.sub(r' id="(?:figure|axes|patch|line2d|text|matplotlib\.axis|xtick|ytick|legend|[A-Za-z]*Collection)_\d+"', "", rest)
    rest = re.sub(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>\s*", "", rest, count=1, flags=re.DOTALL)
    rest = re.sub(r"(font(?:-family)?: [^;\"]*?)'DejaVu Sans'[^;\"]*", r"\1sans-serif", rest)
    rest = re.sub(r'(\sid="|url\(#|xlink:href="#)(?=[\w])', rf"\g<1>{key}-", rest)
    return f'<svg viewBox="{box.group(1) if box else ""}" style="max-width:{width * 1.5:.0f}px" aria-hidden="true" focusable="false" xmlns:xlink="http://www.w3.org/1999/xlink">{rest}'
