"""A debrief: what a flight's findings say to the pilot, and the files that hold it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

from analyser import __version__
from analyser.files import staged_folder
from analyser.findings import Findings, plain
from analyser.flight import Flight
from analyser.reporting.ascent import ascent_section
from analyser.reporting.content import Debrief, Picture, Section
from analyser.reporting.descent import descent_section
from analyser.reporting.entry import entry_section
from analyser.reporting.margins import margin_section
from analyser.reporting.story import facts, verdict, wastes
from analyser.reporting.tables import burn_tables, doubtful_crops, landing_table, leg_tables, orbit_table, set_aside_table, unknowns
from analyser.totals import totals

__all__ = ["findings_document", "make_debrief", "write_debrief"]

ORBITS_NOTE = (
    "Solid: flown; dashed: the rest of that orbit; numbers: the orbits of the table; thick: burns; dots: readings; crosses: readings set "
    "aside. An orbit is turned to go on where the one before ended; how a drawing as a whole is turned is not known from altitude and speed."
)


def make_debrief(
    flight: Flight, findings: Findings, crops: Mapping[tuple, bytes] | None = None, pictures: Mapping[str, Picture] | None = None
) -> Debrief:
    """Say what the findings say, in the order a pilot asks.

    Parameters
    ----------
    flight, findings : Flight, Findings
        What was flown and what was found in it.
    crops : mapping of (source, row, column) to PNG bytes, optional
        Pieces of screenshots for doubtful readings.
    pictures : mapping of str to Picture, optional
        From :func:`analyser.reporting.pictures.flight_pictures`; without them the debrief is words and tables.

    Returns
    -------
    Debrief
    """
    total = totals(flight, findings)
    worst = wastes(findings)
    no_waste = "" if worst else _no_waste(findings)
    return Debrief(
        title=flight.name or "Flight",
        about=_about(flight, total),
        verdict=verdict(flight, findings, total),
        facts=facts(findings, total),
        wastes=worst,
        no_waste=no_waste,
        sections=tuple(_sections(flight, findings, crops or {}, pictures or {})),
        version=__version__,
    )


def _no_waste(findings: Findings) -> str:
    if not findings.burns:
        return "No burn was found, so nothing can be said of waste."
    known = [leg for leg in findings.legs if leg.flown and leg.waste.known]
    if not known and not any(burn.burn_loss.known or burn.placement_loss.known for burn in findings.burns):
        return "Where delta-v was wasted can't be told from these readings; the reasons are under \u201cWhat could not be known\u201d."
    return "No waste stands out beyond what the readings leave uncertain."


def _about(flight: Flight, total) -> tuple[tuple[str, str], ...]:
    given = (
        ("pilot", flight.pilot), ("date", flight.date), ("craft", flight.craft.name if flight.craft else ""), ("world", flight.world.name),
        ("plan", flight.plan.name if flight.plan else ""), ("pilot's remarks", flight.remarks),
    )  # fmt: skip
    return tuple((label, str(value)) for label, value in given if value)


def _sections(flight: Flight, findings: Findings, crops: Mapping, pictures: Mapping[str, Picture]):
    def shown(*keys: str) -> tuple[Picture, ...]:
        return tuple(pictures[key] for key in keys if key in pictures)

    legs = leg_tables(findings)
    if legs:
        remarks = tuple(f"{leg.name}: {remark}" for leg in findings.legs for remark in leg.remarks if remark != "not flown")
        yield Section("legs", "Legs against the plan", pictures=shown("legs"), tables=legs, bullets=remarks)
    else:
        yield Section("legs", "Legs against the plan", ("The flight names no plan, so there are no legs to hold it against.",))
    burns = burn_tables(findings)
    remarks = tuple(f"burn {number}: {remark}" for number, burn in enumerate(findings.burns, 1) for remark in burn.remarks)
    yield Section(
        "burns", "Burns, and where the delta-v went", () if burns else ("No burn was found.",), shown("burns"), burns, bullets=remarks
    )
    for name, section in (("ascent", ascent_section), ("descent", descent_section), ("entry", entry_section)):
        made = section(findings, shown(*_numbered(pictures, f"{name}-")))
        if made is not None:
            yield made
    margin = margin_section(findings, pictures.get("margin"))
    if margin is not None:
        yield margin
    orbits = orbit_table(findings)
    landings = landing_table(findings)
    panels = shown(*_numbered(pictures, "orbits-"))
    yield Section(
        "orbits",
        "The orbits flown",
        ((ORBITS_NOTE,) if panels else ()) + (() if orbits else ("No orbit could be fitted.",)),
        panels,
        tuple(table for table in (orbits, landings) if table),
        tuple(_transitions(findings)) + tuple(f"orbit {number}: {remark}" for number, arc in enumerate(findings.arcs, 1) for remark in arc.remarks),
    )
    if "time" in pictures:
        yield Section("time", "Altitude and speed over time", pictures=shown("time"))
    aside = set_aside_table(findings)
    doubtful = doubtful_crops(flight, dict(crops))
    yield Section(
        "readings",
        "Readings set aside and doubtful",
        () if aside or doubtful else ("None was set aside, and none is doubtful.",),
        tables=(aside,) if aside else (),
        bullets=findings.taken or tuple(flight.readings.remarks),
        crops=doubtful,
    )
    missing = (*findings.open_questions, *unknowns(findings))
    yield Section("unknown", "What could not be known, and why", () if missing else ("Nothing that a debrief asks for is missing.",), bullets=missing)


def _numbered(pictures: Mapping[str, Picture], head: str) -> list[str]:
    """Keys that begin alike and end with a number, in its order."""
    return sorted((key for key in pictures if key.startswith(head)), key=lambda key: int(key.removeprefix(head)))


def _transitions(findings: Findings):
    from analyser.reporting.tables import _moment

    for item in findings.transitions:
        if item.kind == "sphere of influence":
            line = f"{_moment(item.met)}: from {item.origin} into the pull of {item.to}"
        else:
            line = f"{_moment(item.met)}: {item.kind}, {item.origin} to {item.to}"
        yield line + (f" ({item.remark})" if item.remark else "")


def findings_document(flight: Flight, findings: Findings, fingerprint: str = "") -> str:
    """findings.json: strict JSON (no NaN), SI, the flight's description first; ``fingerprint`` names the input it was found from."""
    found = findings.to_dict()
    status = flight.readings.detail["status"] if "status" in getattr(flight.readings.detail, "columns", ()) else None
    about = {
        "name": flight.name, "pilot": flight.pilot, "date": str(flight.date), "world": flight.world.name,
        "craft": flight.craft.name if flight.craft else None, "plan": flight.plan.name if flight.plan else None, "remarks": flight.remarks,
        "readings": len(flight.readings), "files": [path.name for path in flight.files], "analyser": __version__,
        "doubtful": int((status == "doubtful").sum()) if status is not None else 0, "fingerprint": fingerprint or None,
    }  # fmt: skip
    document = {"version": found.pop("version"), "flight": plain(about), **found}
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_debrief(
    flight: Flight,
    findings: Findings,
    out_dir: str | Path,
    crops: Mapping[tuple, bytes] | None = None,
    tables: Callable[[Path], object] | None = None,
    fingerprint: str = "",
) -> Path:
    """Write debrief.html, debrief.md and findings.json, and whatever ``tables`` writes, into ``out_dir`` as one set.

    Parameters
    ----------
    flight, findings : Flight, Findings
    out_dir : str or Path
        Made where it is missing. Other files in it stay.
    crops : mapping of (source, row, column) to PNG bytes, optional
    tables : callable, optional
        Called with the folder to write into; for the two tables of readings.
    fingerprint : str, optional
        Of the flight's input, to be kept in findings.json.

    Returns
    -------
    Path
        The HTML page.

    Raises
    ------
    OutputError
        The folder can't be written or the disk is full; the report that was there before is whole.
    """
    from analyser.reporting.html import debrief_html
    from analyser.reporting.markdown import debrief_markdown
    from analyser.reporting.pictures import flight_pictures

    debrief = make_debrief(flight, findings, crops, flight_pictures(flight, findings))
    texts = {
        "debrief.html": debrief_html(debrief),
        "debrief.md": debrief_markdown(debrief),
        "findings.json": findings_document(flight, findings, fingerprint),
    }
    with staged_folder(out_dir) as folder:
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
        if tables is not None:
            tables(folder)
    return Path(out_dir) / "debrief.html"
