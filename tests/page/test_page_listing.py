"""The list of the logbook: what is found, in which order, a screenful at a time; two attempts compared leg by leg."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import analyser.logbook_rows as rows
from analyser.logbook import Logbook
from analyser.page.listing import PAGE, SORTS, Wanted, listing

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from made_flight import made_findings, made_flight  # noqa: E402


@pytest.fixture(scope="module")
def logbook(tmp_path_factory):
    """110 attempts of two plans by three pilots, with made-up findings."""
    path = tmp_path_factory.mktemp("book") / "logbook.sqlite"
    book = Logbook(path)
    about = rows.about_of(made_flight())
    kept = [(rows.revision_of(made_flight(), findings, ""), rows.children_of(findings)) for findings in (made_findings(0.5 + share / 10) for share in range(7))]
    with book._file.writing() as database:  # at once: each by itself would wait for the disk
        for number in range(110):
            revision, children = kept[number % 7]
            who = {"name": f"try {number:03d}", "pilot": f"P-0{number % 3}", "date": f"2031-{1 + number % 12:02d}-{1 + number % 28:02d}"}
            plan = "There and back" if number % 2 else "100 % of it_"
            rows.keep(database, {**about, **who, "plan": plan}, {**revision, "fingerprint": f"{number}"}, *children)
    book.delete(5)
    return path


def test_pages_cover_every_attempt_once(logbook):
    seen = []
    for page in (1, 2, 3):
        found = listing(logbook, Wanted(page=page))
        assert found.count == found.all == 109 and found.pages == 3 and len(found.rows) <= PAGE
        seen += [row.id for row in found.rows]
    assert sorted(seen) == [number for number in range(1, 111) if number != 5]
    assert listing(logbook, Wanted(page=99)).wanted.page == 3


@pytest.mark.parametrize("key", SORTS)
@pytest.mark.parametrize("down", [True, False])
def test_every_order_is_that_of_its_figure_over_all_pages(logbook, key, down):
    field = {"left": "propellant_left", "landing": "touchdown"}.get(key, key)
    rows = [row for page in (1, 2, 3) for row in listing(logbook, Wanted(sort=key, down=down, page=page)).rows]
    values = [row.doubtful + row.set_aside if key == "doubtful" else getattr(row, field) for row in rows]
    values = [value for value in values if value == value]
    assert values == sorted(values, reverse=down)
    assert len({row.id for row in rows}) == 109


def test_filters(logbook):
    assert {row.pilot for row in listing(logbook, Wanted(pilot="P-01")).rows} == {"P-01"}
    found = listing(logbook, Wanted(plan="There and back"))
    assert found.count == 55 and {row.plan for row in found.rows} == {"There and back"} and found.plans == ("100 % of it_", "There and back")
    assert [row.name for row in listing(logbook, Wanted(text="try 077")).rows] == ["try 077"]
    assert listing(logbook, Wanted(text="% of")).count == 54, "a per cent sign is no wildcard"
    assert listing(logbook, Wanted(text="_")).count == 54 and listing(logbook, Wanted(text="'; DROP TABLE attempts; --")).count == 0
    assert [row.id for row in listing(logbook, Wanted(deleted=True)).rows] == [5]
    assert listing(logbook, Wanted()).all == 109


def test_no_logbook_is_an_empty_one(tmp_path):
    found = listing(tmp_path / "none.sqlite", Wanted())
    assert (found.count, found.pages, found.rows) == (0, 1, ()) and not (tmp_path / "none.sqlite").exists()


def test_two_attempts_are_compared_leg_by_leg(logbook):
    from analyser.page.logbook_view import LogbookView
    from analyser.page.workplace import Workplace
    from starlette.requests import Request

    view = LogbookView(Workplace(logbook.parent, logbook))
    scope = {"type": "http", "method": "GET", "path": "/compare", "query_string": b"pick=40&pick=3", "headers": []}
    body = view.compare(Request(scope)).body.decode()
    first, second = (Logbook(logbook).attempt(number) for number in sorted((3, 40), key=lambda number: Logbook(logbook).attempt(number).date))
    heading = body[body.index("<h1>") : body.index("</h1>")]
    assert heading.index(first.name) < heading.index(second.name), "in order of time"
    legs = [leg["name"] for leg in first.legs if leg["flown"]]
    assert legs and all(f"{name}: spent, m/s" in body for name in legs)
    scope["query_string"] = b"pick=40"
    assert view.compare(Request(scope)).status_code == 400
