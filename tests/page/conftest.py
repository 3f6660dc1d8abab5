"""A small folder of flights served by the real server, and a real Chromium to open it with."""

from __future__ import annotations

import http.client
import json
import shutil
import threading
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLES = ROOT / "samples"
CHROMIUM = "/usr/bin/chromium"
#: Every start of the browser: nothing of its own goes over the network.
FLAGS = ("--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync")
#: A coast about Ardent (sample flight "first-try", lines 10 to 15) with two digits of an altitude swapped.
TABLE = """met,body,altitude [km],speed [m/s],vertical_speed [m/s],propellant [kg],note
T+02:28:51,Ardent,5795,1122.3,1002.6,6122,
T+03:10:42,,8501,893.9,810.5,,"swapped, really 8051"
T+04:37:30,,11.615 Mm,640,580.9,,
T+05:12:48,,12.775 Mm,572.2,516.2,6122,
T+05:50:38,,13.877 Mm,510.6,456.7,,
T+06:20:00,,,,,,
"""
HOSTILE = "<script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">'\"&"


def pytest_addoption(parser):
    parser.addoption("--kills", type=int, default=30, help="how often the page is killed while corrections are made")


@dataclass
class Served:
    """A running page."""

    folder: Path
    server: object
    port: int
    token: str
    cookie: str

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        return self.server.url

    def ask(self, method: str, path: str, body: bytes | None = None, headers: dict | None = None, cookie: bool = True, host: str | None = None, origin: str | None = "own"):
        """A request by a plain client: (status, headers, body)."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        sent = {"Host": host or f"127.0.0.1:{self.port}"}
        if cookie:
            sent["Cookie"] = self.cookie
        if method not in ("GET", "HEAD") and origin is not None:
            sent["Origin"] = self.base if origin == "own" else origin
        if body is not None:
            sent |= {"Content-Type": "application/json", "Content-Length": str(len(body))}
        for name, value in {**sent, **(headers or {})}.items():
            connection.putheader(name, value)
        connection.endheaders(body)
        answer = connection.getresponse()
        found = answer.status, dict((name.lower(), value) for name, value in answer.getheaders()), answer.read()
        connection.close()
        return found

    def send(self, path: str, **found):
        """JSON sent as the page itself does: (status, what came back)."""
        status, _, body = self.ask("POST", path, json.dumps(found).encode())
        return status, json.loads(body)

    def get(self, path: str):
        status, _, body = self.ask("GET", path)
        return status, json.loads(body)


def workplace(folder: Path) -> Path:
    """Worlds, craft, plans and a panel; a typed flight, one on three screenshots, one with a hostile name."""
    for name in ("worlds", "craft", "plans", "panels"):
        shutil.copytree(SAMPLES / name, folder / name)
    head = 'pilot = "P-01"\nworld = "../../worlds/ardent.toml"\ncraft = "../../craft/heron.toml"\n'
    typed = folder / "flights" / "typed"
    typed.mkdir(parents=True)
    (typed / "flight.toml").write_text('name = "A coast"\ndate = 2031-05-01\n' + head)
    (typed / "readings.csv").write_text(TABLE)
    shots = folder / "flights" / "shots"
    (shots / "screenshots").mkdir(parents=True)
    (shots / "flight.toml").write_text('name = "On camera"\ndate = 2031-05-02\npanel = "../../panels/heron/panel.toml"\n' + head)
    for number in ("002", "005", "042"):
        shutil.copy(SAMPLES / "flights" / "screens" / "screenshots" / f"shot-{number}.jpg", shots / "screenshots")
    _cover(shots / "screenshots" / "shot-005.jpg")
    hostile = folder / "flights" / "hostile <b>&"
    hostile.mkdir()
    (hostile / "flight.toml").write_text(f"name = {json.dumps(HOSTILE)}\ndate = 2031-05-03\n" + head.replace("P-01", "<i>P-02</i>"))
    (hostile / "readings.csv").write_text(TABLE.replace("swapped, really 8051", HOSTILE.replace('"', "'")))
    return folder


def _cover(shot: Path) -> None:
    """Half of the speed's window behind a smear: whatever reads it, it can't be sure."""
    from PIL import Image, ImageDraw, ImageFilter

    picture = Image.open(shot)
    smear = Image.effect_noise((150, 60), 90).convert("RGB").filter(ImageFilter.GaussianBlur(2))
    picture.paste(smear, (1060, 298))
    ImageDraw.Draw(picture).line([(1060, 300), (1210, 356)], (40, 36, 30), 9)
    picture.save(shot, quality=92)


def record(folder: Path) -> None:
    """Each typed flight debriefed and in the logbook."""
    from analyser.fitting import fit_flight
    from analyser.ingest import load_flight
    from analyser.logbook import Logbook
    from analyser.reporting import write_debrief

    for name in ("typed", "hostile <b>&"):
        flight = load_flight(folder / "flights" / name)
        findings = fit_flight(flight)
        write_debrief(flight, findings, folder / "reports" / name)
        Logbook(folder / "reports" / "logbook.sqlite").record(flight, findings)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """The page of a folder of its own, in a thread."""
    from analyser.page.server import Server

    folder = workplace(tmp_path_factory.mktemp("work"))
    record(folder)
    server = Server(folder)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    found = Served(folder, server, server.port, server.guard.token, f"{server.guard.cookie}={server.guard.secret}")
    yield found
    server.stop()
    thread.join(timeout=10)
    assert not thread.is_alive()


@pytest.fixture(scope="module")
def chromium():
    """Debian's Chromium."""
    from playwright.sync_api import sync_playwright

    if not Path(CHROMIUM).exists():
        pytest.fail(f"{CHROMIUM} is missing: type `bash samples/setup.sh test`, or: sudo apt-get install -y chromium")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS), headless=True)
        yield browser
        browser.close()


@pytest.fixture
def opened(chromium, served):
    """A function that opens the page in a window of its own; at the end no request may have left this machine, and no script have failed."""
    contexts, asked, wrong = [], [], []

    def open_page(path: str = "/", width: int = 1280, height: int = 900, scheme: str = "light"):
        context = chromium.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
        contexts.append(context)
        window = context.new_page()
        window.set_default_timeout(60_000)
        window.on("request", lambda request: asked.append(request.url))
        window.on("pageerror", lambda error: wrong.append(str(error)))
        window.on("console", lambda message: wrong.append(message.text) if "Content Security Policy" in message.text else None)
        window.goto(served.url)
        if path != "/":
            window.goto(served.base + path)
        return window

    yield open_page
    for context in contexts:
        context.close()
    assert asked and all(url.startswith((served.base + "/", "blob:" + served.base)) for url in asked), [url for url in asked if not url.startswith(served.base)]
    assert not wrong, wrong


@pytest.fixture
def laid_out():
    """Lays a small folder of flights out in a folder."""
    return workplace
