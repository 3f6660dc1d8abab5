"""The debrief's files: complete, whole, inert, the same every time."""

import base64
import dataclasses
import html.parser
import json
import math
import re

import pandas as pd
import pytest
from made_flight import made_findings, made_flight, unknown

from analyser.errors import OutputError
from analyser.findings import Findings
from analyser.flight import Goal, Leg, Plan, World
from analyser.reporting import debrief_markdown, make_debrief, write_debrief
from analyser.reporting.debrief import findings_document

HOSTILE = "\"><script>alert('x')</script><img src=x onerror=alert(1)>$a_b$ | [x](javascript:1) `c` https://example.com/ &amp;"


class Page(html.parser.HTMLParser):
    """What stands in a page: tags with attributes, text, and whether tags are closed in order."""

    VOID = {"meta", "img", "br", "link", "input", "hr"}

    def __init__(self, markup):
        super().__init__(convert_charrefs=True)
        self.tags, self.text, self.open = [], [], []
        self.feed(markup)
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.text.append(data)

    @property
    def words(self):
        return re.sub(r"[ \n]+", " ", " ".join(self.text))

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def written(tmp_path_factory, flight, findings):
    folder = tmp_path_factory.mktemp("debrief")
    path = write_debrief(flight, findings, folder, tables=lambda where: (where / "readings.csv").write_text("met\n0\n"))
    return folder, Page(path.read_text(encoding="utf-8"))


def hostile_flight():
    flight = made_flight(name=HOSTILE, pilot=HOSTILE, remarks=HOSTILE, date=HOSTILE)
    plan = Plan(HOSTILE, Goal("orbit", "Ardent", 8e4, 8e4), (Leg(HOSTILE, Goal("landed", "Lull")),))
    bodies = {HOSTILE: dataclasses.replace(flight.world["Ardent"], name=HOSTILE), "Lull": flight.world["Lull"]}
    table, detail = flight.readings.table.copy(), flight.readings.detail.copy()
    detail.loc[3, ["status", "raw", "reason", "source"]] = ["doubtful", HOSTILE, HOSTILE, HOSTILE]
    readings = dataclasses.replace(flight.readings, table=table, detail=detail, remarks=(HOSTILE,))
    return dataclasses.replace(flight, plan=plan, world=World(HOSTILE, bodies), readings=readings)


def hostile_findings():
    findings = made_findings()
    rename = lambda items, **change: tuple(dataclasses.replace(item, **change) for item in items)  # noqa: E731
    arcs = tuple(dataclasses.replace(arc, body=HOSTILE if arc.body == "Ardent" else arc.body, remarks=(HOSTILE,)) for arc in findings.arcs)
    track = findings.track.assign(body=findings.track["body"].replace("Ardent", HOSTILE))
    return dataclasses.replace(
        findings, arcs=arcs, track=track, burns=rename(findings.burns, leg=HOSTILE, direction=HOSTILE, remarks=(HOSTILE,)),
        legs=rename(findings.legs, name=HOSTILE, goal=HOSTILE, remarks=(HOSTILE,), still_needed=unknown("m/s", HOSTILE)),
        transitions=rename(findings.transitions, to=HOSTILE, remark=HOSTILE), landings=rename(findings.landings, body=HOSTILE, remark=HOSTILE),
        set_aside=rename(findings.set_aside, source=HOSTILE, reason=HOSTILE, suggestion=HOSTILE),
        advice=rename(findings.advice, sentence=HOSTILE, leg=HOSTILE), remarks=(HOSTILE,),
    )  # fmt: skip


def test_the_set_of_files(written):
    folder, _ = written
    assert sorted(entry.name for entry in folder.iterdir()) == ["debrief.html", "debrief.md", "findings.json", "readings.csv"]


def test_the_order_of_the_answers(written):
    _, page = written
    headings = [name for tag, name in zip([tag for tag, _ in page.tags if tag == "h2"], re.findall(r"<h2[^>]*>([^<]*)</h2>", (written[0] / "debrief.html").read_text()), strict=True)]
    assert headings == [
        "How did it go", "Legs against the plan", "Burns, and where the delta-v went", "The orbits flown", "Altitude and speed over time",
        "Readings set aside and doubtful", "What could not be known, and why",
    ]  # fmt: skip
    for words in (
        "3 of the plan's 4 legs were flown", "touched down on Lull at 1.90 ± 0.39 m/s down", "2\u202f192.2 ± 5.4 m/s", "245.4 ± 5.4 m/s (11\xa0%) was wasted",
        "The three biggest wastes", "Start the braking burn later", "119 m/s, 155 kg", "Cut the capture burn", "Point prograde before ignition",
        "readings.csv:14", "a lost decimal point?", "the second digit is 3 or 8", "not for navigating".capitalize(),
        "net of burn 5: the burn ends on the ground", "horizontal speed of touchdown: no surface speed was read", "Drag is not known",
    ):  # fmt: skip
        assert words in page.words, words
    assert "Split the transfer burn" not in page.words  # the fourth


def test_the_page_is_alone_and_has_no_script(written):
    folder, page = written
    assert not page.all("script") and not page.all("link") and not page.all("iframe")
    markup = (folder / "debrief.html").read_text()
    assert re.findall(r"""(?:src|href)=["'](?!#|data:image/png;base64,)[^"']*["']""", markup.replace('xlink:href="#', 'href="#')) == []
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", markup)
    assert "@import" not in markup
    policy = [meta for meta in page.all("meta") if meta.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0]["content"].startswith("default-src 'none'")


def test_the_page_can_be_read_aloud(written):
    folder, page = written
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == 1 and len(page.all("main")) == 1
    pictures = [attributes for attributes in page.all("div") if attributes.get("role") == "img"]
    assert len(pictures) == len(page.all("svg")) == 6
    assert all(len(attributes["aria-label"]) > 40 for attributes in pictures)
    assert len(page.all("caption")) == len(page.all("table"))
    assert all(attributes["scope"] in ("col", "row") for attributes in page.all("th"))
    identities = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    labels = {attributes["aria-labelledby"] for attributes in page.all("section")}
    assert labels <= set(identities)
    assert len(set(identities)) == len(identities)


def test_references_inside_pictures_hold(written):
    markup = (written[0] / "debrief.html").read_text()
    wanted = set(re.findall(r"url\(#([\w-]+)\)", markup)) | set(re.findall(r'href="#([\w-]+)"', markup))
    assert wanted <= set(re.findall(r'\sid="([\w-]+)"', markup))
    assert len(wanted) > 10


def test_colours_follow_light_and_dark(written):
    markup = (written[0] / "debrief.html").read_text()
    drawn = "".join(re.findall(r"<svg.*?</svg>", markup, flags=re.DOTALL))
    assert set(re.findall(r"#[0-9a-f]{6}\b", drawn)) <= {"#000000"}
    assert {"--ink", "--flown", "--piece-needed"} <= set(re.findall(r"var\((--[a-z-]+)\)", drawn))
    defined = set(re.findall(r"(--[a-z-]+):", markup))
    assert set(re.findall(r"var\((--[a-z-]+)\)", markup)) <= defined
    dark = markup[markup.index("prefers-color-scheme: dark") :]
    assert set(re.findall(r"(--[a-z-]+):", dark)) >= {name for name in defined if name.startswith("--piece")}


def test_the_same_flight_gives_the_same_bytes(written, flight, findings, tmp_path):
    folder, _ = written
    write_debrief(flight, findings, tmp_path)
    for name in ("debrief.html", "debrief.md", "findings.json"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


def test_findings_are_strict_json(written, findings):
    document = json.loads((written[0] / "findings.json").read_text(), parse_constant=lambda text: pytest.fail(text))
    assert document["version"] == 1
    assert list(document)[:3] == ["version", "flight", "arcs"]
    assert document["flight"]["name"] == "Second try, late braking" and document["flight"]["readings"] == 79
    burn = document["burns"][4]
    assert burn["net"] == {"value": None, "sigma": None, "low": None, "high": None, "unit": "m/s", "reason": findings.burns[4].net.reason}
    assert document["transitions"][0]["from"] == "Ardent"


def test_a_script_in_a_name_stays_inert(tmp_path):
    path = write_debrief(hostile_flight(), hostile_findings(), tmp_path)
    page = Page(path.read_text(encoding="utf-8"))
    assert not page.all("script")
    assert not any(attribute.startswith("on") for _, attributes in page.tags for attribute in attributes)
    assert page.all("img") == []
    assert page.words.count("<script>alert('x')</script>") > 20  # shown as written
    assert "<script>alert" in "".join(page.text)
    json.loads((tmp_path / "findings.json").read_text())
    drawn = "".join(re.findall(r"<svg.*?</svg>", path.read_text(encoding="utf-8"), flags=re.DOTALL))
    assert "&lt;script" in drawn and "<script" not in drawn


def test_markdown_says_hostile_text_as_text():
    MarkdownIt = pytest.importorskip("markdown_it").MarkdownIt  # an independent renderer of CommonMark

    text = debrief_markdown(make_debrief(hostile_flight(), hostile_findings()))
    rendered = MarkdownIt("commonmark", {"linkify": False}).enable(["table", "strikethrough"]).render(text)
    page = Page(rendered)
    assert {tag for tag, _ in page.tags} <= {"h1", "h2", "h3", "p", "ul", "ol", "li", "strong", "table", "thead", "tbody", "tr", "th", "td", "hr"}
    assert HOSTILE.replace("  ", " ") in page.words


def test_markdown_tables_hold_their_columns(written):
    MarkdownIt = pytest.importorskip("markdown_it").MarkdownIt  # an independent renderer of CommonMark

    rendered = MarkdownIt("commonmark").enable("table").render((written[0] / "debrief.md").read_text())
    assert rendered.count("<table>") == 8
    assert "2\u202f192.2 ± 5.4 m/s" in rendered and "\\" not in rendered


def test_crops_stand_beside_their_readings(flight, findings, tmp_path):
    png = b"\x89PNG\r\n\x1a\nnot really"
    path = write_debrief(flight, findings, tmp_path, crops={("readings.csv", 22, "speed"): png, ("readings.csv", 5, "speed"): b"unused"})
    images = Page(path.read_text(encoding="utf-8")).all("img")
    assert [image["src"] for image in images] == ["data:image/png;base64," + base64.b64encode(png).decode()]
    assert images[0]["alt"].endswith("read as 1937.7") or "read as" in images[0]["alt"]


def test_a_failure_half_way_leaves_the_old_report(flight, findings, tmp_path):
    write_debrief(flight, findings, tmp_path)
    before = {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()}

    def fail(folder):
        (folder / "readings.csv").write_text("half")
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="the disk is full"):
        write_debrief(made_flight(name="another"), findings, tmp_path, tables=fail)
    assert {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()} == before


def empty_findings(**changes):
    track = pd.DataFrame(columns=["met", "body", "part", "altitude", "radius", "speed", "vertical_speed", "angle"])
    fit = pd.DataFrame(columns=["position", "column", "value", "model", "residual", "arc", "used", "radius", "angle"])
    found = Findings((), (), (), (), (), (), (), ("Three readings are too few for an orbit.",), None, track, fit)
    return dataclasses.replace(found, **changes)


def test_nothing_found_is_said_so(flight, tmp_path):
    path = write_debrief(flight, empty_findings(), tmp_path)
    page = Page(path.read_text(encoding="utf-8"))
    assert "Nothing could be fitted: 79 readings tell no orbit. Three readings are too few for an orbit." in page.words
    assert "No burn was found" in page.words
    assert not page.all("svg")
    assert "nan" not in page.words.lower().replace("finance", "")


def test_no_plan_no_craft(findings, tmp_path):
    path = write_debrief(made_flight(plan=None, craft=None, pilot="", date="", remarks=""), dataclasses.replace(findings, legs=(), advice=()), tmp_path)
    page = Page(path.read_text(encoding="utf-8"))
    assert "5 burns and 6 orbits were found in 17 h 20 min; there is no plan to hold them against." in page.words
    assert "No waste stands out" in page.words
    assert " nan" not in page.words


def test_unknown_everywhere_is_never_nan(flight, tmp_path):
    findings = made_findings()
    def blank(item):
        estimates = {field.name: unknown(getattr(item, field.name).unit, "the dial was dark") for field in dataclasses.fields(item) if hasattr(getattr(item, field.name), "unit")}
        return dataclasses.replace(item, **estimates)

    blanked = dataclasses.replace(
        findings, arcs=tuple(map(blank, findings.arcs)), burns=tuple(map(blank, findings.burns)), legs=tuple(map(blank, findings.legs)),
        landings=tuple(map(blank, findings.landings)), transitions=tuple(map(blank, findings.transitions)),
    )  # fmt: skip
    page = Page(write_debrief(flight, blanked, tmp_path).read_text(encoding="utf-8"))
    assert "nan" not in re.findall(r"\bnan\b", page.words)
    assert "the dial was dark" in page.words
    text = findings_document(flight, blanked)
    assert not math.isfinite(blanked.burns[0].spent.value) and "NaN" not in text
