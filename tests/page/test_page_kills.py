"""The page is killed while corrections are made: what it acknowledged is in the file, whole, whenever the kill came.

More kills: ``pytest tests/page/test_page_kills.py --kills 200``.
"""

from __future__ import annotations

import http.client
import json
import multiprocessing
import random
import threading
import time

from killed_page import TOKEN, run_page

from analyser.ingest import load_flight
from analyser.ingest.corrections import FILE, read_corrections

WRITERS = 2


def ask(port: int, method: str, path: str, found: dict | None = None, cookie: str = ""):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    headers = {"Cookie": cookie, "Origin": f"http://127.0.0.1:{port}", "Content-Type": "application/json"}
    connection.request(method, path, json.dumps(found).encode() if found else None, headers)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer, body


def test_no_acknowledged_correction_is_lost(tmp_path, request, laid_out):
    kills = request.config.getoption("--kills", default=30) or 30
    flight = laid_out(tmp_path) / "flights" / "typed"
    context = multiprocessing.get_context("forkserver")  # what the server needs is imported once, so that it starts at once
    context.set_forkserver_preload([
        "analyser.page.server", "analyser.page.application", "analyser.page.worklist", "analyser.page.refit", "analyser.ingest.flights", "analyser.ingest.tables",
        "analyser.ingest.corrected", "analyser.fitting.analyse", "uvicorn", "uvicorn.protocols.http.h11_impl", "uvicorn.lifespan.off",
    ])  # fmt: skip
    chance = random.Random(7)
    acknowledged: list[float] = []
    number = 0
    lock = threading.Lock()

    def write(port: int, cookie: str) -> None:
        nonlocal number
        while True:
            with lock:
                number += 1
                value = 8000 + number / 1000
            decision = {"flight": "flights/typed", "source": "readings.csv", "row": 3, "column": "altitude", "action": "correct", "text": f"{value:.3f} km"}
            try:
                answer, body = ask(port, "POST", "/api/readings/decide", decision, cookie)
            except (OSError, http.client.HTTPException):
                return
            if answer.status == 200 and json.loads(body)["kept"]:
                with lock:
                    acknowledged.append(value)

    for _ in range(kills):
        mine, theirs = context.Pipe()
        page = context.Process(target=run_page, args=(tmp_path, theirs))
        page.start()
        theirs.close()  # else a page that fails to start would be waited for without end
        assert mine.poll(60), "the page did not start within a minute"
        port = mine.recv()
        answer, _ = ask(port, "GET", f"/?token={TOKEN}")
        cookie = answer.headers["set-cookie"].split(";")[0]
        while json.loads(ask(port, "GET", "/api/readings/state?flight=flights/typed", cookie=cookie)[1])["state"] == "reading":
            time.sleep(0.01)
        writers = [threading.Thread(target=write, args=(port, cookie)) for _ in range(WRITERS)]
        for writer in writers:
            writer.start()
        before, begun = len(acknowledged), time.monotonic()
        while len(acknowledged) == before and time.monotonic() - begun < 20:  # the page is under way
            time.sleep(0.005)
        time.sleep(chance.uniform(0.0, 0.3))
        page.kill()
        page.join()
        for writer in writers:
            writer.join()
        kept = {float(each.value.removesuffix(" km")) for each in read_corrections(flight / FILE)}  # and it can be read, whole
        assert set(acknowledged) <= kept, "a correction that was acknowledged is not in the file"
    assert len(acknowledged) >= kills, "too few corrections were made for the kills to mean anything"
    assert "1 reading set right by hand" in " ".join(load_flight(flight).readings.remarks)
    assert len(list(flight.glob(f".{FILE}.*"))) <= 1, "what killed programs left lying is cleared away"
