"""View 1: the attempts kept in the logbook; two picked and compared; each one's debrief."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from analyser.errors import InputError
from analyser.logbook import Attempt, Logbook
from analyser.page.answers import given, number_of, page, plain, query_number, report, text_of
from analyser.page.listing import PAGE, SORTS, Listing, Wanted, listing
from analyser.page.workplace import Workplace

#: What an attempt's page says first -> (figure of the logbook, unit).
FIGURES = {
    "delta-v spent": ("spent", "m/s"), "planned": ("planned", "m/s"), "least needed": ("needed", "m/s"), "wasted": ("waste", "m/s"),
    "burn loss": ("burn_loss", "m/s"), "placement loss": ("placement_loss", "m/s"), "correction loss": ("correction_loss", "m/s"),
    "propellant wasted": ("waste_propellant", "kg"), "propellant left": ("propellant_left", "kg"),
    "vertical speed at touchdown": ("touchdown_vertical_speed", "m/s"), "speed over the ground there": ("touchdown_horizontal_speed", "m/s"),
}  # fmt: skip
LEG_FIGURES = ("spent", "planned", "needed", "burn_loss", "placement_loss", "correction_loss", "still_needed")


@dataclass(frozen=True)
class Picked:
    """Attempts picked by their numbers, as a comparison asks for them."""

    found: tuple[Attempt, ...]
    path: Path

    def attempts(self, **which: Any) -> tuple[Attempt, ...]:
        return self.found

    def count(self, **which: Any) -> int:
        return len(self.found)

    def plans(self) -> list:
        return []


class LogbookView:
    """The pages and answers of this view."""

    def __init__(self, place: Workplace):
        self.place = place

    def show(self, request: Request) -> Response:
        """The list; with ``part=1`` only what changes when a filter does."""
        query = request.query_params
        sort = query.get("sort", "date")
        sort = sort if sort in SORTS else "date"
        down = query.get("down", "1" if SORTS[sort][2] else "0") == "1"
        wanted = Wanted(
            query.get("plan", "")[:300], query.get("pilot", "")[:300], query.get("text", "")[:300], sort, down, query_number(request, "page", 1),
            query.get("deleted") == "1",
        )  # fmt: skip
        found = listing(self.place.logbook, wanted)
        waiting = self._not_debriefed(found)
        values = {"here": "logbook", "found": found, "sorts": SORTS, "link": _Links(found), "size": PAGE, "top": str(self.place.top), "waiting": waiting}
        return page("attempts.html" if query.get("part") == "1" else "logbook.html", **values)

    def _not_debriefed(self, found: Listing) -> list[str]:
        """Flights of the folder that have no report yet, where there are few enough to be named."""
        if found.wanted.page > 1 or found.wanted.text or found.wanted.plan or found.wanted.pilot or found.wanted.deleted:
            return []
        flights = self.place.found().flights
        return [name for name, folder in sorted(flights.items()) if not (self.place.report(folder) / "findings.json").exists()][:20] if len(flights) < 400 else []

    def attempt(self, request: Request) -> Response:
        """One attempt: its figures, its legs, what to do otherwise, its revisions."""
        number = int(request.path_params["number"])
        book = self._book()
        found = book.attempt(number)
        flight = self.place.name_of(found.folder) if found.folder else None
        flight = flight if flight in self.place.found().flights else None
        legs = [{**leg, "miss": _misses(leg["miss"])} for leg in found.legs]
        figures = [(label, *found.figures[key], unit) for label, (key, unit) in FIGURES.items() if math.isfinite(found.figures[key][0])]
        return page(
            "attempt.html", here="logbook", attempt=found, figures=figures, legs=legs, columns=LEG_FIGURES, flight=flight,
            revisions=book.revisions(number), report=self._report(found) is not None,
        )  # fmt: skip

    def debrief(self, request: Request) -> Response:
        """The debrief of an attempt, as it was written."""
        found = self._report(self._book().attempt(int(request.path_params["number"])))
        if found is None:
            raise InputError("there is no debrief of this attempt in the folder; make one from its page, or type: analyser debrief FLIGHT")
        return report(found.read_bytes())

    def flight_debrief(self, request: Request) -> Response:
        """The debrief of a flight, as it was written."""
        found = self.place.report(self.place.flight(request.query_params.get("flight", ""))) / "debrief.html"
        if not found.is_file():
            raise InputError("there is no debrief of this flight yet")
        return report(found.read_bytes())

    def compare(self, request: Request) -> Response:
        """Two attempts leg by leg."""
        from analyser.reporting import compare
        from analyser.reporting.comparison_tables import comparison_tables, comparison_words

        chosen = [int(text) for text in request.query_params.getlist("pick") if text.isascii() and text.isdecimal() and len(text) < 10]
        chosen = list(dict.fromkeys(chosen))
        if len(chosen) != 2:
            return page("trouble.html", 400, here="logbook", problem=f"two attempts are compared; {len(chosen) or 'none'} picked. go back and pick two")
        book = self._book()
        found = tuple(sorted((book.attempt(number) for number in chosen), key=lambda item: (item.date, item.recorded, item.id)))
        comparison = compare(Picked(found, self.place.logbook), [item.name for item in found])
        return page(
            "compared.html", here="logbook", pair=found, words=comparison_words(comparison), tables=_of_a_pair(comparison_tables(comparison)),
            remarks=comparison.remarks, differ=_differences(found),
        )  # fmt: skip

    def over_time(self, request: Request) -> Response:
        """All attempts at a plan over time, as `analyser compare` writes them."""
        from analyser.reporting import compare
        from analyser.reporting.comparison_views import comparison_html

        query = request.query_params
        return report(comparison_html(compare(self._book(), plan=query.get("plan") or None, pilot=query.get("pilot") or None)))

    async def remove(self, request: Request) -> Response:
        """Take an attempt out of sight, or bring it back."""
        asked = await given(request)
        return await run_in_threadpool(self._remove, number_of(asked, "attempt"), text_of(asked, "action", 20))

    def _remove(self, number: int, action: str) -> Response:
        book = self._book()
        if action == "delete":
            book.delete(number)
        elif action == "restore":
            book.restore(number)
        else:
            raise InputError("an attempt is deleted or restored")
        return plain({"done": True})

    def _book(self) -> Logbook:
        if not self.place.logbook.exists():
            raise InputError("there is no logbook here yet: `analyser debrief FLIGHT` keeps one")
        return Logbook(self.place.logbook)

    def _report(self, found: Attempt) -> Path | None:
        """The debrief that was written of an attempt: in the reports of its folder, under its flight's name."""
        if not found.folder:
            return None
        folder = self.place.report(Path(found.folder))
        page_file, findings = folder / "debrief.html", folder / "findings.json"
        if not page_file.is_file() or self.place.name_of(page_file) is None:
            return None
        try:
            about = json.loads(findings.read_text("utf-8"))["flight"]
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return page_file if about.get("name") == found.name and about.get("pilot") == found.pilot else None


class _Links:
    """Addresses of the list with one thing changed."""

    def __init__(self, found: Listing):
        self.wanted = found.wanted

    def _address(self, **changes: Any) -> str:
        wanted = self.wanted
        parts = {
            "plan": wanted.plan, "pilot": wanted.pilot, "text": wanted.text, "sort": wanted.sort, "down": "1" if wanted.down else "0",
            "page": wanted.page, "deleted": "1" if wanted.deleted else "", **changes,
        }  # fmt: skip
        return "/?" + urlencode({key: value for key, value in parts.items() if value not in ("", None)})

    def sorted_by(self, key: str) -> str:
        down = not self.wanted.down if key == self.wanted.sort else SORTS[key][2]
        return self._address(sort=key, down="1" if down else "0", page=1)

    def page(self, number: int) -> str:
        return self._address(page=number)

    def deleted(self, deleted: bool) -> str:
        return self._address(deleted="1" if deleted else "", page=1)


def _of_a_pair(tables: tuple) -> tuple:
    """The tables that say something of two attempts: nothing can be told of a trend."""
    return tuple(table for table in tables if "trend" not in table.headers or table is tables[-1] and "tau" not in " ".join(table.headers))


def _misses(text: str) -> list[tuple[str, str]]:
    from analyser.estimate import Estimate
    from analyser.reporting.phrases import figure

    try:
        found = json.loads(text)
    except ValueError:
        return []
    said = []
    for name, item in found.items():
        if item.get("value") is None:
            continue
        numbers = {key: math.nan if item.get(key) is None else item[key] for key in ("value", "sigma", "low", "high")}
        said.append((name.replace("_", " "), figure(Estimate(**numbers, unit=item.get("unit", "")), sign=True)))
    return said


def _differences(pair: tuple[Attempt, ...]) -> list[tuple[str, float, float, str]]:
    """The figures of two attempts, second less first, with its standard deviation."""
    found = []
    for label, (key, unit) in FIGURES.items():
        (one, one_sigma), (two, two_sigma) = pair[0].figures[key], pair[1].figures[key]
        if math.isfinite(one) and math.isfinite(two):
            sigma = math.hypot(one_sigma if math.isfinite(one_sigma) else 0.0, two_sigma if math.isfinite(two_sigma) else 0.0)
            found.append((label, two - one, 1.96 * sigma, unit))
    return found

