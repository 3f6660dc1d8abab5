"""Who may ask: what a plain client, another site, another port or a hostile file can't do."""

from __future__ import annotations

import http.client
import json
import socket

import pytest

from analyser.page.guard import BODY_LIMIT

PAGES = ("/", "/readings", "/panel", "/readings?flight=flights/typed", "/panel?panel=panels/heron/panel.toml", "/attempts/1", "/static/style.css", "/static/readings.js")
DECISION = {"flight": "flights/typed", "source": "readings.csv", "row": 3, "column": "altitude", "action": "correct", "text": "8051 km"}


@pytest.mark.parametrize("path", PAGES)
def test_every_page_forbids_the_browser_what_it_must(served, path):
    status, headers, _ = served.ask("GET", path)
    assert status == 200
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'self';") and "unsafe" not in policy and "*" not in policy
    assert headers["x-content-type-options"] == "nosniff" and headers["referrer-policy"] == "no-referrer" and headers["x-frame-options"] == "DENY"
    assert headers["cross-origin-resource-policy"] == "same-origin" and "access-control-allow-origin" not in headers


@pytest.mark.parametrize("path", [*PAGES, "/api/readings?flight=flights/typed", "/api/picture?name=panels/heron/reference.png", "/nothing"])
def test_without_the_cookie_nothing_is_served(served, path):
    for headers in ({}, {"Cookie": "analyser_page=x"}, {"Cookie": served.cookie[:-1]}, {"Cookie": "a;;=\x7f"}):
        status, _, body = served.ask("GET", path, cookie=False, headers=headers)
        assert status == 403 and b"Ardent" not in body
    assert served.ask("GET", f"{path}{'&' if '?' in path else '?'}token=wrong", cookie=False)[0] == 403


def test_the_printed_address_gives_the_cookie_and_loses_the_token(served):
    status, headers, _ = served.ask("GET", f"/readings?flight=flights/typed&token={served.token}", cookie=False)
    assert status == 303 and headers["location"] == "/readings?flight=flights%2Ftyped"
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and "Path=/" in cookie and served.token not in cookie
    assert served.ask("GET", "/", headers={"Cookie": cookie.split(";")[0]}, cookie=False)[0] == 200
    assert served.ask("GET", f"//elsewhere.example/?token={served.token}", cookie=False)[1]["location"] == "/"
    assert served.ask("POST", f"/?token={served.token}", b"{}", cookie=False)[0] == 403


@pytest.mark.parametrize("host", ["attacker.example", "attacker.example:{port}", "127.0.0.1", "127.0.0.1:1", "localhost.attacker.example:{port}", "0.0.0.0:{port}", "127.0.0.1:{port}.x"])
def test_a_name_that_points_here_is_refused(served, host):
    host = host.format(port=served.port)
    assert served.ask("GET", "/", host=host)[0] == 403
    assert served.ask("GET", f"/?token={served.token}", host=host, cookie=False)[0] == 403
    assert served.ask("POST", "/api/readings/decide", json.dumps(DECISION).encode(), host=host, origin=f"http://{host}")[0] == 403


def test_two_hosts_or_none_are_refused(served):
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as raw:
        raw.sendall(f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nHost: attacker.example\r\nCookie: {served.cookie}\r\n\r\n".encode())
        assert raw.recv(100).split()[1] in (b"400", b"403")
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as raw:
        raw.sendall(f"GET / HTTP/1.0\r\nCookie: {served.cookie}\r\n\r\n".encode())
        assert raw.recv(100).split()[1] in (b"400", b"403")


def test_localhost_is_a_name_of_ours(served):
    assert served.ask("GET", "/", host=f"localhost:{served.port}")[0] == 200


@pytest.mark.parametrize("origin", ["http://attacker.example", "null", "http://127.0.0.1:1", "https://127.0.0.1:{port}", "http://localhost:{port}", None])
def test_another_site_can_write_nothing(served, origin):
    origin = origin and origin.format(port=served.port)
    for path in ("/api/readings/decide", "/api/readings/try", "/api/panel/save", "/api/attempts", "/api/readings/debrief", "/api/panel/picture?called=x"):
        assert served.ask("POST", path, json.dumps(DECISION).encode(), origin=origin)[0] == 403
    assert not (served.folder / "flights" / "typed" / "corrections.csv").exists()


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_the_browser_says_comes_from_elsewhere_is_refused(served, site):
    # another port of this machine is the "same site": cookies go with its requests
    assert served.ask("GET", "/", headers={"Sec-Fetch-Site": site})[0] == 403
    assert served.ask("GET", "/api/readings?flight=flights/typed", headers={"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "script"})[0] == 403
    assert served.ask("POST", "/api/readings/decide", json.dumps(DECISION).encode(), headers={"Sec-Fetch-Site": site})[0] == 403
    assert served.ask("GET", "/", headers={"Sec-Fetch-Site": "same-origin"})[0] == 200


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py", "/static/..%2fserver.py", "/static/%2e%2e/server.py", "/static/..%5cserver.py", "/static/%2e%2e%2fserver.py", "/../../etc/passwd",
        "/static//etc/passwd", "/static/%00", "/api/picture?name=../../../../etc/passwd", "/api/picture?name=/etc/passwd", "/api/picture?name=flights/typed/readings.csv",
        "/api/picture?name=flights/shots/screenshots/../../../panels/heron/reference.png", "/panel?panel=../../samples/panels/heron/panel.toml",
        "/readings?flight=../flights/typed", "/api/readings?flight=%2e%2e/work", "/api/readings?flight=/etc", "/debrief?flight=../typed", "/debrief?flight=..",
        "/api/readings/crop?flight=flights/typed&source=../../worlds/ardent.toml&box=0,0,9,9", "/attempts/99999", "/attempts/-1", "/attempts/1/debrief/../../..",
    ],
)  # fmt: skip
def test_no_address_leads_out_of_the_folder(served, path):
    status, _, body = served.ask("GET", path)
    assert status in (400, 404), (status, body[:200])
    assert b"root:" not in body and b"import" not in body


@pytest.mark.parametrize("name", ["../out", "a/b", "..", "", "x" * 41, "a\\b", "-x", "c:d", "a%2fb"])
def test_no_panel_is_put_outside_the_folder(served, name):
    from urllib.parse import quote

    picture = (served.folder / "panels" / "heron" / "reference.png").read_bytes()
    before = sorted(path for path in served.folder.parent.rglob("*") if path.is_file())
    assert served.ask("POST", f"/api/panel/picture?called={quote(name)}", picture)[0] == 400
    status, found = served.send("/api/panel/save", panel="", picture="flights/shots/screenshots/shot-002.jpg", called=name, stamp="", gauges=[GAUGE])
    assert status == 400, found
    assert sorted(path for path in served.folder.parent.rglob("*") if path.is_file()) == before


GAUGE = {"name": "height", "kind": "readout", "reads": ["altitude"], "units": ["km"], "corners": [[70, 408], [290, 408], [290, 458], [70, 458]]}


def test_too_much_is_refused_before_it_is_read(served):
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as raw:
        head = f"POST /api/readings/decide HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nCookie: {served.cookie}\r\nOrigin: {served.base}\r\nContent-Type: application/json\r\n"
        raw.sendall(f"{head}Content-Length: {BODY_LIMIT + 1}\r\n\r\n".encode())  # and not one byte of the body
        assert raw.recv(100).split()[1] == b"413"
    large = served.ask("POST", "/api/panel/picture?called=big", None, headers={"Content-Length": "40000001"})
    assert large[0] == 413


def test_too_much_without_saying_so_is_refused_too(served):
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=30)
    pieces = (b"x" * 100_000 for _ in range(BODY_LIMIT // 100_000 + 3))
    headers = {"Cookie": served.cookie, "Origin": served.base, "Content-Type": "application/json"}
    connection.request("POST", "/api/readings/decide", body=pieces, headers=headers, encode_chunked=True)
    assert connection.getresponse().status == 413
    connection.close()


@pytest.mark.parametrize("data", [b"", b"not a picture", b"\x89PNG\r\n\x1a\n" + b"\0" * 50, b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>"])
def test_what_is_no_picture_is_not_kept(served, data):
    assert served.ask("POST", "/api/panel/picture?called=fake", data)[0] == 400
    assert not list((served.folder / "panels").glob("fake/*"))


@pytest.mark.parametrize(
    "found", [[], "x", {"flight": 3}, {**DECISION, "row": -1}, {**DECISION, "row": True}, {**DECISION, "column": "x"}, {**DECISION, "action": "burn"}, {**DECISION, "row": 77},
              {**DECISION, "text": "8051 kg"}, {**DECISION, "text": ""}, {**DECISION, "text": "9" * 501}, {**DECISION, "column": "body", "text": "Nowhere"}],
)  # fmt: skip
def test_a_decision_that_makes_no_sense_is_refused_in_words(served, found):
    import time

    while served.get("/api/readings?flight=flights/typed")[1]["values"] is None:
        time.sleep(0.1)
    status, _, body = served.ask("POST", "/api/readings/decide", json.dumps(found).encode())
    assert status in (400, 404) and json.loads(body)["problem"], body
    assert not (served.folder / "flights" / "typed" / "corrections.csv").exists()


def test_a_script_in_a_name_stays_text(served):
    for path in ("/", "/attempts/1", "/attempts/2", "/compare?pick=1&pick=2", "/readings", "/?part=1", "/?text=%3Cscript%3E", "/attempts/2/debrief", "/readings?flight=flights/hostile%20%3Cb%3E%26"):
        status, headers, body = served.ask("GET", path)
        assert status == 200, path
        assert b"<script>document" not in body and b"<img src=x" not in body and b"<b>&" not in body and b"<i>P-02" not in body
    assert b"&lt;script&gt;document.title" in served.ask("GET", "/attempts/2")[2]


def test_a_report_gets_neither_script_nor_our_origin(served):
    status, headers, body = served.ask("GET", "/attempts/1/debrief")
    assert status == 200 and b"A coast" in body
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'") and "sandbox" in policy and "script" not in policy


def test_only_this_machine_is_listened_to(served):
    assert served.server.socket.getsockname()[0] == "127.0.0.1"


def test_other_methods_are_refused(served):
    for method in ("PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"):
        assert served.ask(method, "/", headers={"Origin": served.base})[0] == 405
    assert served.ask("GET", "/api/readings/decide")[0] == 405
