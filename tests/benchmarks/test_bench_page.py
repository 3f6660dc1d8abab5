"""The page's list among 5,000 attempts, as the browser asks for it.

Run with ``pytest tests/benchmarks/test_bench_page.py --benchmark-only --benchmark-group-by=group``; wanted under 300 ms a request.
"""

from __future__ import annotations

import http.client
import sys
import threading
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT / "tests"))
ADDRESSES = {"the newest": "/", "the costliest": "/?sort=waste&down=1", "the last page by waste": "/?sort=waste&down=0&page=100", "words": "/?text=try+12"}


@pytest.fixture(scope="module")
def crowded(tmp_path_factory):
    """The page of a folder whose logbook holds 5,000 attempts."""
    from made_flight import made_findings, made_flight

    import analyser.logbook_rows as rows
    from analyser.logbook import Logbook
    from analyser.page.server import Server

    folder = tmp_path_factory.mktemp("work")
    book = Logbook(folder / "reports" / "logbook.sqlite")
    flight = made_flight()
    about = rows.about_of(flight)
    kept = [(rows.revision_of(flight, findings, ""), rows.children_of(findings)) for findings in (made_findings(0.5 + share / 10) for share in range(10))]
    with book._file.writing() as database:
        for number in range(5000):
            revision, children = kept[number % 10]
            day = f"{2031 + number // 365}-{number % 365:03d}"
            rows.keep(database, {**about, "name": f"try {number}", "date": day}, {**revision, "fingerprint": f"{number}"}, *children)
    server = Server(folder)
    threading.Thread(target=server.run, daemon=True).start()
    yield server
    server.stop()


@pytest.mark.parametrize("name", ["a style sheet", *ADDRESSES])
def test_the_list(benchmark, crowded, name):
    """A whole request; beside it one for a file, which costs what any request costs."""
    benchmark.group = "page of 5,000"
    cookie = {"Cookie": f"{crowded.guard.cookie}={crowded.guard.secret}"}

    def ask():
        connection = http.client.HTTPConnection("127.0.0.1", crowded.port, timeout=30)
        connection.request("GET", ADDRESSES.get(name, "/static/style.css"), headers=cookie)
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        assert answer.status == 200 and (name not in ADDRESSES or b"5\xe2\x80\xaf000" in body or name == "words")

    benchmark.pedantic(ask, rounds=15, warmup_rounds=2)
