"""Which address leads where."""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from analyser.errors import AnalyserError
from analyser.page.answers import STATIC, page, plain, trouble
from analyser.page.guard import TooLarge
from analyser.page.logbook_view import LogbookView
from analyser.page.panel_view import UPLOAD, PanelView
from analyser.page.readings_view import ReadingsView
from analyser.page.workplace import Workplace

#: Addresses that take pictures; every other one takes little.
LARGE = frozenset({UPLOAD})


def make_application(place: Workplace) -> Starlette:
    """The page of one folder; :class:`analyser.page.guard.Guard` stands before it."""
    logbook, readings, panel = LogbookView(place), ReadingsView(place), PanelView(place)
    routes = [
        Route("/", logbook.show),
        Route("/attempts/{number:int}", logbook.attempt),
        Route("/attempts/{number:int}/debrief", logbook.debrief),
        Route("/compare", logbook.compare),
        Route("/over-time", logbook.over_time),
        Route("/debrief", logbook.flight_debrief),
        Route("/api/attempts", logbook.remove, methods=["POST"]),
        Route("/readings", readings.show),
        Route("/api/readings", readings.values),
        Route("/api/readings/state", readings.state),
        Route("/api/readings/crop", readings.crop),
        Route("/api/readings/orbit", readings.orbit),
        Route("/api/readings/try", readings.attempt, methods=["POST"]),
        Route("/api/readings/decide", readings.decide, methods=["POST"]),
        Route("/api/readings/debrief", readings.debrief, methods=["POST"]),
        Route("/panel", panel.show),
        Route("/api/panel", panel.load),
        Route("/api/panel/proposals", panel.proposals),
        Route("/api/picture", panel.picture),
        Route("/api/panel/read", panel.read, methods=["POST"]),
        Route("/api/panel/crop", panel.crop, methods=["POST"]),
        Route("/api/panel/save", panel.save, methods=["POST"]),
        Route(UPLOAD, panel.upload, methods=["POST"]),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    return Starlette(routes=routes, exception_handlers={AnalyserError: trouble, HTTPException: _http, TooLarge: _too_large})


async def _http(request: Request, error: HTTPException) -> Response:
    said = {404: "there is nothing at this address", 405: "this address is not asked like that"}.get(error.status_code, str(error.detail))
    if request.url.path.startswith("/api/"):
        return plain({"problem": said}, error.status_code)
    return page("trouble.html", error.status_code, problem=said, here="")


async def _too_large(request: Request, error: Exception) -> Response:
    return plain({"problem": "more was sent than is taken here; nothing of it was kept"}, 413)
