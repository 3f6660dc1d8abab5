"""The three views in a real Chromium, by keyboard alone, in a narrow window, with no request that leaves this machine."""

from __future__ import annotations

import csv
import tomllib

import pytest

TYPED, SHOTS, HOSTILE_FLIGHT = "/readings?flight=flights/typed", "/readings?flight=flights/shots", "/readings?flight=flights/hostile%20%3Cb%3E%26"
PANEL = "/panel?panel=panels/heron/panel.toml"


def focus(page) -> str:
    """What has the focus: its id, or its name, or its text."""
    return page.evaluate("(e => e.id || e.name || e.getAttribute('aria-label') || e.textContent.trim())(document.activeElement)")


def tab_to(page, wanted: str, key: str = "Tab", most: int = 60) -> None:
    """Press Tab until ``wanted`` has the focus, and see that the focus shows."""
    for _ in range(most):
        page.keyboard.press(key)
        if wanted in focus(page):
            outline = page.evaluate("(e => [getComputedStyle(e).outlineStyle, e.closest('svg') ? 'svg' : ''])(document.activeElement)")
            assert outline[0] != "none" or outline[1] == "svg"
            return
    raise AssertionError(f"{wanted} can't be reached by {key}")


def until(page, condition: str, argument=None) -> None:
    """Wait for a condition. The page's own policy forbids the driver's way of waiting, which compiles text inside the page."""
    for _ in range(600):
        if page.evaluate(condition, argument):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never came true: {condition}")


def kept(served, flight: str) -> list[dict]:
    path = served.folder / "flights" / flight / "corrections.csv"
    if not path.exists():
        return []
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def ready(page) -> None:
    page.wait_for_selector("#list [aria-selected=true]")


def test_the_logbook_by_keyboard(opened):
    page = opened()
    page.keyboard.press("Tab")
    assert focus(page) == "to the contents"
    page.keyboard.press("Enter")
    tab_to(page, "text")
    page.keyboard.type("coast")
    until(page, "document.querySelectorAll('#attempts tbody tr').length == 1")
    assert "text=coast" in page.url
    page.keyboard.press("Control+a")
    page.keyboard.press("Delete")
    until(page, "document.querySelectorAll('#attempts tbody tr').length == 2")
    tab_to(page, "pick")
    page.keyboard.press("Space")
    page.keyboard.press("Tab")
    tab_to(page, "pick")
    page.keyboard.press("Space")
    tab_to(page, "compare", "Shift+Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/compare?*")
    assert "A coast" in page.inner_text("h1") and "<script>" in page.inner_text("h1") and page.title() != "taken"


def test_sorting_and_the_way_to_an_attempt_and_its_debrief(opened):
    page = opened()
    first = page.inner_text("tbody tr:first-child th")
    tab_to(page, "flown")
    page.keyboard.press("Enter")
    until(page, "text => document.querySelector('tbody tr:first-child th').innerText != text", first)
    assert page.get_attribute("thead th[aria-sort]", "aria-sort") == "ascending" and "flown" in focus(page)
    tab_to(page, "A coast")
    page.keyboard.press("Enter")
    page.wait_for_url("**/attempts/*")
    assert page.inner_text("h1") == "A coast"
    tab_to(page, "Open the debrief")
    page.keyboard.press("Enter")
    page.wait_for_url("**/debrief")
    assert "A coast" in page.inner_text("h1")
    assert page.evaluate("getComputedStyle(document.body).maxWidth") != "none", "the report keeps its own styles"


def test_an_attempt_is_deleted_and_brought_back(opened):
    page = opened("/attempts/1")
    page.click("#remove")
    page.wait_for_selector("text=This attempt is deleted")
    page.click("nav >> text=Logbook")
    until(page, "document.querySelectorAll('#attempts tbody tr').length == 1")
    page.click("text=Deleted ones")
    page.click("#attempts th a:text('A coast')")
    page.wait_for_url("**/attempts/1")
    page.click("text=Bring it back")
    page.wait_for_selector("text=Delete from the logbook")
    page.goto(page.url.split("/attempts")[0])
    assert page.locator("#attempts tbody tr").count() == 2


def test_readings_by_keyboard(opened, served):
    page = opened(TYPED)
    ready(page)
    assert "altitude" in page.inner_text("#list [aria-selected=true]") and "does not fit" in page.inner_text("#list [aria-selected=true]")
    assert page.inner_text(".line td[data-mark]") == "8501"
    # typing begins a correction; the orbit follows what is typed, and nothing is kept yet
    page.keyboard.type("8051")
    page.wait_for_selector("#orbit >> text=now agrees")
    assert page.inner_text("#hint") == "means 8051 km"
    assert "narrower" in page.inner_text("#orbit") or "less" in page.inner_text("#orbit") or "more" in page.inner_text("#orbit") or "stays" in page.inner_text("#orbit")
    assert kept(served, "typed") == []
    page.keyboard.press("Enter")
    page.wait_for_selector("#list >> text=corrected")
    (line,) = kept(served, "typed")
    assert (line["source"], line["row"], line["column"], line["action"], line["value"], line["raw"]) == ("readings.csv", "3", "altitude", "correct", "8051 km", "8501")
    assert line["by"] == "P-01" and line["when"]
    # all values; one keypress each
    page.check("input[value=all]")
    until(page, "document.querySelectorAll('#list li').length > 10")
    tab_to(page, "list")
    start = page.get_attribute("#list", "aria-activedescendant")
    page.keyboard.press("j")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("k")
    assert page.get_attribute("#list", "aria-activedescendant") != start
    for key, action in (("c", "confirm"), ("x", "set aside")):
        before, at = len(kept(served, "typed")), page.get_attribute("#list", "aria-activedescendant")
        page.keyboard.press(key)
        until(page, "at => document.getElementById('list').getAttribute('aria-activedescendant') != at", at)
        assert len(kept(served, "typed")) == before + 1 and kept(served, "typed")[-1]["action"] == action
    page.keyboard.press("k")
    page.keyboard.press("u")
    until(page, "document.getElementById('said').textContent.includes('as it was read')")
    assert kept(served, "typed")[-1]["action"] == "undo"
    until(page, "document.getElementById('fit').textContent.includes('fitted with what was decided')")
    # what was read is still what the table says
    assert "8501" in (served.folder / "flights" / "typed" / "readings.csv").read_text()


def test_a_wrong_value_is_told_and_not_kept(opened, served):
    page = opened(HOSTILE_FLIGHT)
    ready(page)
    page.keyboard.type("8051 kg")
    page.wait_for_selector("#hint.wrong")
    assert "unit of mass" in page.inner_text("#hint") and page.get_attribute("#value", "aria-invalid") == "true"
    page.keyboard.press("Enter")
    until(page, "document.getElementById('said').textContent.includes('unit of mass')")
    page.keyboard.press("Escape")
    assert focus(page) == "list" and page.input_value("#value") == "8501 km"
    assert kept(served, "hostile <b>&") == []
    page.keyboard.press("s")  # takes what the fit suggests, to be looked at first
    assert focus(page) == "value"
    assert page.evaluate("document.title") == "hostile <b>&: readings", "no script of a name or a note ran"
    assert "<script>" in page.inner_text("#name")


def test_readings_beside_their_crops(opened, served):
    page = opened(SHOTS)
    ready(page)
    chosen = page.locator("#list [aria-selected=true]")
    assert "doubtful" in chosen.inner_text()
    until(page, "(image => image && image.complete && image.naturalWidth > 20)(document.querySelector('.work img.crop'))")
    what, crops = page.inner_text("#current"), page.locator("#list img").count()
    assert crops == page.locator("#list li").count() >= 1 and what.split(",")[0] in page.get_attribute(".work img.crop", "alt")
    assert "speed" in chosen.inner_text(), "the one behind the smear"
    page.keyboard.type("2722.3")
    until(page, "document.getElementById('hint').textContent == 'means 2722.3 m/s'")
    page.keyboard.press("Enter")
    page.wait_for_selector("#list >> text=corrected")
    (line,) = kept(served, "shots")
    assert (line["source"], line["column"], line["action"], line["value"]) == ("shot-005.jpg", "speed", "correct", "2722.3 m/s")
    page.check("input[value=all]")
    until(page, "document.querySelectorAll('#list li').length > 20")
    offered = page.input_value("#value")
    page.keyboard.press("c")
    page.wait_for_selector("#list >> text=confirmed")
    assert kept(served, "shots")[-1]["action"] == "confirm" and kept(served, "shots")[-1]["value"] == offered
    page.reload()
    ready(page)
    assert "confirmed" in page.inner_text("#list li:last-child") or "corrected" in page.inner_text("#list li:last-child"), "what is decided stands behind what is not"


def test_a_flight_is_debriefed_from_its_page(opened, served):
    page = opened(HOSTILE_FLIGHT)
    ready(page)
    report = served.folder / "reports" / "hostile <b>&" / "debrief.html"
    report.unlink(missing_ok=True)
    page.reload()
    ready(page)
    assert page.locator("#report").is_hidden()
    page.click("#debrief")
    page.wait_for_selector("#report:visible")
    assert report.exists()


def test_a_panel_by_keyboard(opened, served):
    page = opened(PANEL)
    page.wait_for_selector("#gauges button")
    page.wait_for_selector(".readgrid .value")
    file = served.folder / "panels" / "heron" / "panel.toml"
    before = file.read_text()
    # a corner moved by the arrow keys, one pixel and ten
    tab_to(page, "top left corner of clock")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    assert "at 71, 310" in focus(page)
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Shift+ArrowUp")
    # a gauge drawn, named and told what to read without a mouse
    page.keyboard.press("n")
    assert focus(page) == "g-name"
    page.keyboard.type("second clock")
    tab_to(page, "g-reads")
    page.keyboard.type("met")
    until(page, "document.querySelector('#gauges [aria-pressed=true]').textContent.includes('readout, met')")
    tab_to(page, "second clock: readout", "Shift+Tab")
    for _ in range(3):
        page.keyboard.press("Shift+ArrowLeft")
    tab_to(page, "save")
    page.keyboard.press("Enter")
    page.wait_for_selector("#hint >> text=saved")
    found = tomllib.loads(file.read_text())
    assert found["gauges"]["second clock"]["reads"] == "met" and found["gauges"]["clock"]["corners"][0] == [70, 300]
    assert found["gauges"]["felt"] == tomllib.loads(before)["gauges"]["felt"]
    assert (file.parent / "panel.toml.1").read_text() == before
    tab_to(page, "g-remove", "Shift+Tab")
    page.keyboard.press("Enter")
    tab_to(page, "save")
    page.keyboard.press("Enter")
    page.wait_for_selector("#hint >> text=panel.toml.2")
    assert tomllib.loads(file.read_text())["gauges"] == tomllib.loads(before)["gauges"]


def test_a_panel_drawn_with_the_mouse(opened, served):
    page = opened("/panel?picture=flights/shots/screenshots/shot-005.jpg")
    page.wait_for_selector("#draw")
    width, height = page.evaluate("document.querySelector('#stage svg').getAttribute('viewBox').split(' ').slice(2).map(Number)")

    def at(x, y):
        box = page.locator("#stage svg").bounding_box()  # anew each time: the window may have scrolled
        return box["x"] + x * box["width"] / width, box["y"] + y * box["height"] / height

    page.mouse.move(*at(350, 420))
    page.mouse.down()
    page.mouse.move(*at(450, 500))
    page.mouse.move(*at(541, 611), steps=3)
    page.mouse.up()
    page.keyboard.type("felt")
    page.select_option("#g-kind", "dial")
    page.select_option("#g-reads", "acceleration")
    page.fill("#g-unit", "m/s^2")
    # scale points by clicking: at the lower left and the lower right of the dial
    centre = (445.5, 515.5)
    page.click("#g-click")
    for offset, value in (((-40, 40), "0"), ((40, 40), "12")):
        page.locator("#stage").scroll_into_view_if_needed()
        page.mouse.click(*at(centre[0] + offset[0], centre[1] + offset[1]))
        page.keyboard.type(value)
    page.wait_for_selector(".readgrid .value >> text=m/s^2")
    angles = [float(field.input_value()) for field in page.locator("#g-scale input[aria-label^=angle]").all()]
    assert angles == [pytest.approx(-135, abs=3), pytest.approx(135, abs=3)]
    until(page, "document.querySelectorAll('.readgrid li').length >= 2")
    until(page, "document.querySelector('.readgrid canvas').width > 20")
    # a corner dragged
    page.locator("#stage").scroll_into_view_if_needed()
    handle = page.locator("[data-key=c2] .corner").bounding_box()
    page.mouse.move(handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2)
    page.mouse.down()
    page.mouse.move(*at(538, 606), steps=3)
    page.mouse.up()
    until(page, "document.querySelector('[data-key=c2]').getAttribute('aria-label').includes('at 538, 606')")
    page.fill("#called", "drawn")
    page.click("#save")
    page.wait_for_url("**/panel?panel=panels*drawn*panel.toml")
    found = tomllib.loads((served.folder / "panels" / "drawn" / "panel.toml").read_text())
    assert found["gauges"]["felt"]["unit"] == "m/s^2" and [value for _, value in found["gauges"]["felt"]["scale"]] == [0, 12]
    from analyser.ingest.screenshots import read_screenshots

    picture = served.folder / "flights" / "shots" / "screenshots" / "shot-005.jpg"
    detail = read_screenshots(served.folder / "panels" / "drawn" / "panel.toml", [picture]).detail
    assert list(detail["column"]) == ["acceleration"] and detail["raw"].iloc[0].endswith("deg")


def test_proposals_are_a_start(opened, served):
    page = opened("/panel?picture=flights/shots/screenshots/shot-002.jpg")
    page.wait_for_selector("#propose")
    page.click("#propose")
    until(page, "document.querySelectorAll('#gauges button').length >= 6")
    assert "altitude" in page.inner_text("#gauges")
    page.click("#save")
    assert "is not complete" in page.inner_text("#hint"), "a dial without a scale is not saved unseen"


def test_a_screenshot_is_taken_in(opened, served):
    page = opened("/panel")
    page.fill("[name=called]", "mine")
    page.set_input_files("[name=picture]", served.folder / "flights" / "shots" / "screenshots" / "shot-042.jpg")
    page.click("#upload button")
    page.wait_for_url("**/panel?picture=panels*mine*reference.png")
    page.wait_for_selector("#draw")
    assert (served.folder / "panels" / "mine" / "reference.png").exists()


@pytest.mark.parametrize("path", ["/", "/attempts/1", "/compare?pick=1&pick=2", "/readings", TYPED, SHOTS, "/panel", PANEL])
def test_a_narrow_window_never_scrolls_sideways(opened, path):
    page = opened(path, width=360, height=740)
    if path in (TYPED, SHOTS):
        ready(page)
        page.wait_for_selector("#orbit p")
    if path == PANEL:
        page.wait_for_selector(".readgrid .value")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.set_viewport_size({"width": 320, "height": 600})  # as a window of 1280 enlarged four times
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


LUMINANCE = """() => {
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => { const f = (v) => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }; return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b); };
  const ground = (e) => { for (; e; e = e.parentElement) { const c = parse(getComputedStyle(e).backgroundColor); if (c.length < 4 || c[3] > 0.9) return c; } return [255, 255, 255]; };
  const poor = [];
  for (const e of document.querySelectorAll("main *, header *, footer *")) {
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim()) || !e.getClientRects().length || e.closest("svg, .aside, [disabled], .skip, kbd, option")) continue;
    const a = light(parse(getComputedStyle(e).color)), b = light(ground(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) poor.push([e.className, e.textContent.trim().slice(0, 40), ratio]);
  }
  return poor;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/", "/attempts/1", TYPED, PANEL])
def test_words_stand_out_from_their_ground(opened, path, scheme):
    """Contrast of 4.5 to 1 at least: W3C, Web Content Accessibility Guidelines 2.1, success criterion 1.4.3."""
    page = opened(path, scheme=scheme)
    if path == TYPED:
        ready(page)
    if path == PANEL:
        page.wait_for_selector("#gauges button")
    assert page.evaluate(LUMINANCE) == []
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == ("rgb(254, 253, 251)" if scheme == "light" else "rgb(23, 27, 31)")


@pytest.mark.parametrize("path", ["/", "/attempts/1", "/readings", TYPED, "/panel", PANEL])
def test_everything_has_a_name(opened, path):
    page = opened(path)
    if path == TYPED:
        ready(page)
    if path == PANEL:
        page.wait_for_selector("#gauges button")
    assert page.evaluate("document.documentElement.lang") == "en" and page.title() and page.locator("h1").count() == 1
    nameless = page.evaluate("""() => [...document.querySelectorAll("button, a, input:not([type=hidden]), select, img, [role=button], [role=listbox]")].filter((e) => e.getClientRects().length
      && !(e.getAttribute("aria-label") || e.textContent.trim() || e.hasAttribute("alt") || e.labels?.length || e.closest("label")?.textContent.trim())).map((e) => e.outerHTML)""")
    assert nameless == []


def test_another_site_open_in_the_browser_gets_nothing(opened, served, tmp_path_factory):
    """A page on another port of this machine, to which cookies do go, embeds, asks and posts."""
    import http.server
    import threading

    class Hostile(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            decision = '{"flight":"flights/shots","source":"shot-002.jpg","row":0,"column":"altitude","action":"set aside","text":""}'
            text = f"""<h1>other</h1><form id=f method=post enctype=text/plain action="{served.base}/api/readings/decide"><input name='{decision[:-1]},"x":"' value='"}}'></form>
              <iframe name=into src="{served.base}/"></iframe><script>
              document.getElementById('f').target='into';
              window.done = Promise.allSettled([
                fetch('{served.base}/api/readings/decide', {{method:'POST', mode:'no-cors', credentials:'include', headers:{{'content-type':'text/plain'}}, body:'{decision}'}}),
                fetch('{served.base}/api/readings?flight=flights/typed', {{credentials:'include'}}).then(r => r.text()),
              ]).then(all => all.map(one => one.status)); document.getElementById('f').submit();</script>""".encode()
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_):
            pass

    other = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Hostile)
    threading.Thread(target=other.serve_forever, daemon=True).start()
    before = kept(served, "shots")
    page = opened()
    window = page.context.new_page()  # the same browser, its cookies and all; its requests to the other port are none of ours
    window.goto(f"http://127.0.0.1:{other.server_address[1]}/")
    assert window.evaluate("window.done")[1] == "rejected"
    window.wait_for_timeout(300)
    assert kept(served, "shots") == before
    assert all("A coast" not in frame.content() for frame in window.frames)
    other.shutdown()
