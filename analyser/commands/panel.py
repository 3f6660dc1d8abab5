"""Sets up a panel without measuring pixels: proposes the gauges of a screenshot, or shows what a panel file reads where.

examples:
  analyser panel new shot.png --out panels/mine                      panel.toml, reference.png and a picture of both
  analyser panel check panels/mine/panel.toml shots/*.png --out .    one page with every crop and what was read in it
"""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from analyser.commands import common
from analyser.errors import InputError

SUMMARY = "propose a panel file from a screenshot, or check what one reads where"


def configure(parser) -> None:
    """Add the arguments of ``panel``."""
    parser.add_argument("action", choices=("new", "check"), help="propose a panel file, or check one")
    parser.add_argument("paths", metavar="PATH", nargs="+", type=Path, help="new: a screenshot; check: the panel file, then screenshots")
    common.add_output_options(parser, "new: the panel's folder (needed); check: where panel-check.html goes (default: beside the panel file)")


def run(options) -> int:
    """Propose or check; print what was found."""
    return _new(options) if options.action == "new" else _check(options)


def _new(options) -> int:
    from analyser.ingest.panel_check import write_outlines
    from analyser.ingest.proposals import write_proposal
    from analyser.ingest.proposed_file import missing

    if len(options.paths) != 1:
        raise InputError("a panel is proposed from one screenshot; name just that", place="arguments")
    if options.out is None:
        raise InputError("say where the panel is to go, for example --out panels/mine", place="option --out")
    found = write_proposal(options.paths[0], options.out)
    lacking = missing(found)
    picture = write_outlines(found, options.out / "reference.png", options.out / "gauges.png")
    if options.json:
        common.print_json([{**asdict(each), "missing": still} for each, still in zip(found, lacking)])
    elif not options.quiet:
        for each, still in zip(found, lacking):
            shows = "pitch, roll" if each.kind == "attitude" else each.reads or "which quantity?"
            print(f"{each.kind:9} {shows:18} {each.label} {each.text}".rstrip() + (f"  (to complete: {'; '.join(still)})" if still else ""))
        rest = sum(map(bool, lacking))
        print(f"{len(found)} gauges: {options.out / 'panel.toml'}; look at {picture}"
              + (f", complete {'the one' if rest == 1 else f'the {rest}'} behind #" if rest else ", each against its gauge")
              + f", then try it: analyser panel check {options.out / 'panel.toml'} IMAGE...")  # fmt: skip
    return common.NEEDS_PERSON


def _check(options) -> int:
    from analyser.ingest.panel_check import write_panel_check

    panel, *images = options.paths
    target = (options.out or panel.parent) / "panel-check.html"
    readings = write_panel_check(panel, images, target)
    doubtful = common.doubtful_rows(readings)
    if options.json:
        common.print_json({"written": str(target), "values": len(readings.detail), "doubtful": len(doubtful)})
    elif not options.quiet:
        print(f"{len(readings.detail)} values, {len(doubtful)} doubtful: {target}")
    return common.NEEDS_PERSON if doubtful else common.DONE
