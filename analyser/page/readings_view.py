"""View 2: a flight's readings beside their crops, to confirm, correct or set aside; the orbit fitted again as one types."""

from __future__ import annotations

import threading
from functools import lru_cache
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from analyser.errors import InputError
from analyser.flight import QUANTITIES, TEXTS
from analyser.ingest.corrections import Correction, record_corrections
from analyser.page.answers import given, number_of, page, plain, query_number, text_of
from analyser.page.jobs import Jobs
from analyser.page.opened import OpenFlight, OpenFlights
from analyser.page.proposed import as_typed
from analyser.page.refit import coast_at, orbit_dict, refitted
from analyser.page.workplace import Workplace
from analyser.page.worklist import Sheet, worklist

_SLACK = 0.35  # part of a crop's height that is shown around it
_TALLEST = 900  # pixels


class ReadingsView:
    """The pages and answers of this view."""

    def __init__(self, place: Workplace):
        self.place, self.flights = place, OpenFlights()
        self.jobs = Jobs(place.top, place.logbook)
        self._sheets: dict[int, tuple[OpenFlight, Sheet]] = {}
        self._fitting = threading.Lock()
        self._latest: dict[str, int] = {}
        place.at_end(self.flights.end)
        place.at_end(self.jobs.end)

    # -- pages ---------------------------------------------------------------------------------------------------------

    async def show(self, request: Request) -> Response:
        """The page; its contents come by script."""
        name = request.query_params.get("flight", "")
        if not name:
            return await run_in_threadpool(self._choose)
        folder = await run_in_threadpool(self.place.flight, name)
        return page("readings.html", here="readings", flight=name, title=folder.name if name != "." else self.place.top.name)

    def _choose(self) -> Response:
        flights = [{"name": name, "corrected": (folder / "corrections.csv").exists()} for name, folder in sorted(self.place.found().flights.items())]
        return page("flights.html", here="readings", flights=flights, top=str(self.place.top))

    # -- answers -------------------------------------------------------------------------------------------------------

    def values(self, request: Request) -> Response:
        """How far the flight is, or its values; ``show=all`` for every one."""
        name, flight = self._named(request.query_params.get("flight", ""))
        about = self._about(name, flight)
        if flight.raw is None or (flight.findings is None and not flight.unfitted and flight.state != "ready"):
            return plain(about, 200 if flight.state != "failed" else 409)
        query = request.query_params
        row = query_number(request, "row", -1)
        found = worklist(
            flight, self._sheet(flight), query.get("show") == "all", query_number(request, "start", 0), None if row < 0 else row, query.get("source", "")
        )
        return plain({**about, **found})

    def state(self, request: Request) -> Response:
        """How far the flight and its debrief are."""
        name, flight = self._named(request.query_params.get("flight", ""))
        return plain(self._about(name, flight))

    def crop(self, request: Request) -> Response:
        """The piece of a screenshot that a value was read from, with a little around it."""
        name, flight = self._named(request.query_params.get("flight", ""))
        source = request.query_params.get("source", "")
        pictures = flight.pictures()
        if source not in pictures:
            raise InputError("there is no screenshot of that name in this flight")
        box = request.query_params.get("box", "").split(",")
        if len(box) != 4 or not all(edge.isascii() and edge.isdecimal() and len(edge) < 6 for edge in box):
            raise InputError("a crop is four whole numbers")
        path = pictures[source]
        return Response(
            _crop(path, path.stat().st_mtime_ns, *(int(edge) for edge in box)), media_type="image/png", headers={"cache-control": "private, max-age=600"}
        )

    async def attempt(self, request: Request) -> Response:
        """What a value, if it were kept, would mean for its orbit; nothing is kept."""
        asked = await given(request)
        return await run_in_threadpool(self._attempt, asked)

    def _attempt(self, asked: dict) -> Response:
        _, flight = self._named(text_of(asked, "flight"))
        turn = number_of(asked, "turn")
        tab = text_of(asked, "tab", 40)
        if len(self._latest) > 200:
            self._latest.clear()
        self._latest[tab] = max(turn, self._latest.get(tab, 0))
        decision = self._decision(flight, asked)
        with self._fitting:
            if turn < self._latest.get(tab, 0):
                return plain({"late": True})  # something newer was typed meanwhile
            return plain(self._meaning(flight, decision))

    async def decide(self, request: Request) -> Response:
        """Keep a decision; when this answers, it is on the disk."""
        asked = await given(request)
        return await run_in_threadpool(self._decide, asked)

    def _decide(self, asked: dict) -> Response:
        name, flight = self._named(text_of(asked, "flight"))
        if flight.raw is None:
            raise InputError(flight.problem or "the flight is still being read; wait a moment")
        decision = self._decision(flight, asked)
        flight.current((decision,))  # what could not be applied is not kept
        record_corrections(flight.folder, [decision])
        flight.refit()
        found = worklist(flight, self._sheet(flight), True, 0, decision.row, decision.source)
        entry = next((value for value in found["values"] if value["column"] == decision.column), None)
        return plain({"kept": True, "value": entry, "counts": found["counts"]})

    def orbit(self, request: Request) -> Response:
        """The orbit that a value belongs to, as it stands."""
        name, flight = self._named(request.query_params.get("flight", ""))
        query = request.query_params
        place = (query.get("source", ""), query_number(request, "row", 0), query.get("column", ""))
        with self._fitting:
            return plain(self._meaning(flight, None, place))

    async def debrief(self, request: Request) -> Response:
        """Begin a debrief of the flight as it stands now."""
        asked = await given(request)
        name = text_of(asked, "flight")
        folder = await run_in_threadpool(self.place.flight, name)
        self.jobs.debrief(name, folder, self.place.report(folder))
        return plain({"begun": True})

    # -- parts ---------------------------------------------------------------------------------------------------------

    def _named(self, name: str) -> tuple[str, OpenFlight]:
        folder = self.place.flight(name)
        return name, self.flights.get(folder, self.place.report(folder) / "frames")

    def _sheet(self, flight: OpenFlight) -> Sheet:
        known = self._sheets.get(id(flight))
        if known is None or known[0] is not flight:
            self._sheets = {key: value for key, value in self._sheets.items() if len(self._sheets) < 8}
            known = self._sheets[id(flight)] = (flight, Sheet(flight))
        return known[1]

    def _about(self, name: str, flight: OpenFlight) -> dict:
        job = self.jobs.of(name)
        report = self.place.report(flight.folder) / "debrief.html"
        about = {
            "state": flight.state, "done": flight.done, "total": flight.total, "problem": flight.problem, "unfitted": flight.unfitted,
            "debrief": job.state if job else "", "debrief_said": job.said if job else "", "report": report.is_file(), "values": None,
        }  # fmt: skip
        if flight.raw is not None:
            about |= {"name": flight.raw.name, "pilot": flight.raw.pilot, "date": flight.raw.date, "remarks": list(flight.raw.readings.remarks)}
        return about

    def _decision(self, flight: OpenFlight, asked: dict) -> Correction:
        """What a page asks for, checked against the flight."""
        if flight.raw is None:
            raise InputError(flight.problem or "the flight is still being read")
        source, row, column = text_of(asked, "source"), number_of(asked, "row"), text_of(asked, "column", 40)
        if column not in ("met", *QUANTITIES, *TEXTS):
            raise InputError("there is no column of that name")
        action, text = text_of(asked, "action", 20), text_of(asked, "text")
        found = worklist(flight, self._sheet(flight), True, 0, row, source)["values"]
        entry = next((value for value in found if value["column"] == column), None)
        table = flight.raw.readings.table
        if entry is None and not ((table["source"] == source) & (table["row"] == row)).any():
            raise InputError("there is no such row in this flight any more; load the page again")
        raw = entry["raw"] if entry else ""
        unit = entry["unit"] if entry else self._sheet(flight).unit(source, column, "", "")
        value = ""
        if action == "correct":
            value, _ = as_typed(text, column, unit)
            if column == "body" and value not in flight.raw.world:
                raise InputError(f"this world has {', '.join(body.name for body in flight.raw.world)}")
        elif action == "confirm":
            value = entry["offer"] if entry else ""
            if not value:
                raise InputError("nothing was read here that could be confirmed; type the value")
            value, _ = as_typed(value, column, unit)
        return Correction(source, row, column, action, value, "", flight.raw.pilot, raw)

    def _meaning(self, flight: OpenFlight, decision: Correction | None, place: tuple[str, int, str] | None = None) -> dict:
        place = decision.place if decision else place
        if flight.findings is None:
            return {"value": decision.value if decision else "", "orbit": None, "why": flight.unfitted or "the flight is still being fitted"}
        table = flight.raw.readings.table
        at = (table["source"] == place[0]) & (table["row"] == place[1])
        met = float(table.loc[at, "met"].iloc[0]) if at.any() else float("nan")
        now = flight.current()
        then = flight.current((decision,)) if decision else now
        if place[2] == "met" and decision and decision.action == "correct":
            moved = then.readings.table
            at = (moved["source"] == place[0]) & (moved["row"] == place[1])
            met = float(moved.loc[at, "met"].iloc[0]) if at.any() else met
        coast = coast_at(flight.coasts, place[0], place[1], met)
        if coast is None or coast.kind != "coast":
            why = "the craft stood on the ground here" if coast is not None else "this reading lies between two coasts: under thrust, or in air"
            return {"value": decision.value if decision else "", "orbit": None, "why": why}
        before = refitted(now, coast, place[:2])
        after = before if decision is None else refitted(then, coast, place[:2])
        return {"value": decision.value if decision else "", "orbit": orbit_dict(coast, before, after, place), "why": ""}


@lru_cache(maxsize=512)
def _crop(path: Path, stamp: int, left: int, top: int, right: int, bottom: int) -> bytes:
    from analyser.ingest.images import crop_png

    slack = int(max(6, _SLACK * (bottom - top)))
    return crop_png(path, (left - slack, top - slack, min(right + slack, left + 3 * _TALLEST), min(bottom + slack, top + _TALLEST)))
