"""Entries and ascents in a debrief: the words, the tables, and the numbers handed to the drawings."""

import dataclasses
import math

import numpy as np
import pytest
from made_flight import estimate, made_findings, made_flight, unknown
from matplotlib.figure import Figure

from analyser.findings import Ascent, ChuteOpening, Entry, Estimate
from analyser.reporting import air_plots
from analyser.reporting.ascent import ascent_scene, ascent_section, ascent_sentences
from analyser.reporting.debrief import findings_document, make_debrief
from analyser.reporting.entry import entry_scene, entry_section, entry_sentences, in_g
from analyser.reporting.html import debrief_html
from analyser.reporting.markdown import debrief_markdown
from analyser.reporting.pictures import flight_pictures


def made_entry(**changes) -> Entry:
    path = tuple((1000.0 + t, 58e3 - 400.0 * t, 3300.0 - 20.0 * t, 20.0 * math.exp(-(((t - 60) / 20) ** 2))) for t in np.linspace(0, 120, 40))
    entry = Entry(
        "Ardent", "landing", 3, estimate(1000.0, 0.1, "s"), estimate(3500.0, 0.2, "m/s"), estimate(-0.157, 1e-4, "rad"), estimate(34e3, 30.0, "m"),
        estimate(806.0, 4.0, "kg/m^2"), "readings", estimate(21.0, 0.2, "m/s^2"), estimate(1060.0, 0.3, "s"), estimate(32.5e3, 60.0, "m"), estimate(19.9, 0.4, "m/s^2"),
        estimate(1055.0, 4.0, "s"), estimate(33e3, 500.0, "m"), "speeds", (ChuteOpening(estimate(1210.0, 1.0, "s"), estimate(9e3, 100.0, "m"), estimate(268.0, 4.0, "m/s"), "deceleration"),),
        "parachute", estimate(440.0, 5.0, "m/s"), estimate(3295.0, 8.0, "m/s"), estimate(235.0, 3.0, "m/s"), estimate(10.2, 0.2, "m/s"),
        corridor_low=28e3, corridor_high=40.4e3, corridor_limit=30.0, corridor_limit_from="craft file", corridor_miss=Estimate(0.0, 0.0, 0.0, 0.0, "m"),
        warnings=("the parachute was opened at 268 m/s, faster than the 200 m/s that the craft file allows: wait until it is slower",),
        path=path, edges=(((58e3, 3300.0), (30e3, 900.0)), ((58e3, 3310.0), (25e3, 800.0))), readings=((52e3, 3290.0), (40e3, 2400.0)),
    )  # fmt: skip
    return dataclasses.replace(entry, **changes)


def made_ascent(**changes) -> Ascent:
    ascent = Ascent(
        "Ardent", (0, 1), "launch", estimate(3340.0, 0.3, "m/s"), 3284.0, estimate(56.0, 0.6, "m/s"), estimate(350.0, 0.6, "m/s"), estimate(332.0, 3.0, "m/s"),
        estimate(239.0, 3.0, "m/s"), 367.0, 212.0, 262.0, estimate(-17.0, 0.6, "m/s"), estimate(120.0, 3.0, "m/s"), estimate(-23.0, 3.0, "m/s"), estimate(-24.0, 0.6, "m/s"),
        {"gravity": estimate(0.139, 1e-3, "1"), "together": unknown("1", "no orbit")}, {"gravity": (0.147, 0.202), "together": (0.168, 0.233)}, "",
        ((0.0, 0.0, 0.0), (30.0, 4e3, 250.0), (120.0, 36e3, 1900.0)), ((0.0, 0.0, 0.0), (110.0, 34e3, 1600.0)),
    )  # fmt: skip
    return dataclasses.replace(ascent, **changes)


def test_an_entry_is_told_in_order():
    said = " ".join(entry_sentences(made_entry()))
    assert "below the horizontal" in said and "9.0" in said and "periapsis at 34.00 ± 0.06 km" in said
    assert "inside the corridor of periapsis altitudes from 28.0 km up to 40.4 km (3.1 g, the limit of the craft file)" in said
    assert "2.14 ± 0.04 g" in said and "between two readings" in said and in_g(unknown("m/s^2", "")) == "not known"
    assert "less 3\u202f295 ± 16 m/s taken by drag, and 235.0 ± 5.9 m/s given by gravity" in said
    assert "A parachute opened at" in said and "268.0 ± 7.8 m/s through the air (told by the sudden slowing)" in said
    outside = entry_sentences(made_entry(corridor_miss=estimate(2100.0, 50.0, "m"), corridor_limit_from="common practice"))[0]
    assert "2\u202f100 m above the corridor" in outside and "usual limit of crews" in outside


def test_what_is_not_known_of_an_entry_is_said():
    nothing = unknown("m/s", "the fall can't be reckoned")
    bare = made_entry(
        kind="ahead", openings=(), peak_deceleration=nothing, drag_loss=nothing, touchdown_speed=nothing, corridor_high=math.nan, corridor_low=math.nan,
        corridor_miss=unknown("m", "the craft's mass and drag area are not known"), path=(), warnings=(),
    )  # fmt: skip
    said = entry_sentences(bare)
    assert len(said) == 1 and said[0].startswith("It will meet the air") and "not known: the craft's mass and drag area are not known" in said[0]
    assert entry_scene(bare) is None and entry_section(made_findings(), ()) is None


def test_an_ascent_adds_up_in_words_and_a_clean_one_wastes_nothing():
    said = ascent_sentences(made_ascent())[0]
    assert "cost 3\u202f340.00 ± 0.59 m/s; the least for this craft into the orbit flown is 3\u202f284 m/s" in said
    assert "17 m/s less to gravity, 120 m/s more to drag, 23 m/s less to steering and 24 m/s less for speed at the top" in said
    assert "No waste stands out" in ascent_sentences(made_ascent(waste=estimate(0.4, 0.6, "m/s")))[0]
    why = ascent_sentences(made_ascent(waste=unknown("m/s", "no orbit above the air was reached"), reason="no orbit above the air was reached"))[0]
    assert "can't be held against" in why and "no orbit above the air was reached" in why
    assert ascent_section(made_findings(), ()) is None


def test_both_stand_in_the_page_the_notes_and_the_json():
    findings = made_findings(entries=(made_entry(),), ascents=(made_ascent(),))
    flight = made_flight()
    pictures = flight_pictures(flight, findings)
    assert {"entry-1", "ascent-1"} <= set(pictures)
    debrief = make_debrief(flight, findings, None, pictures)
    keys = [section.key for section in debrief.sections]
    assert keys.index("burns") < keys.index("ascent") < keys.index("entry") < keys.index("orbits")
    page, notes = debrief_html(debrief), debrief_markdown(debrief)
    for text in (page, notes):
        assert "wait until it is slower" in text and "Nothing is said of heating" in text and "was wasted" in text
    assert 'id="entry-1' in page or "upper end of the corridor" in page
    document = findings_document(flight, findings)
    assert '"entries"' in document and '"peak_deceleration"' in document and '"ascents"' in document and "NaN" not in document


def test_numbers_handed_to_the_drawings():
    scene = entry_scene(made_entry())
    ax = Figure().add_subplot()
    air_plots.draw_entry(ax, scene)
    lines = {line.get_label(): line.get_xydata() for line in ax.get_lines()}
    assert lines["flown"][0] == pytest.approx([3300.0, 58.0]) and lines["read"].tolist() == [[3290.0, 52.0], [2400.0, 40.0]]
    assert lines["parachute"].tolist() == [[268.0, 9.0]] and lines["upper end of the corridor"][-1].tolist() == [900.0, 30.0]
    climb = ascent_scene(made_ascent())
    left, right = Figure().subplots(1, 2)
    air_plots.draw_ascent(left, right, climb)
    lines = {line.get_label(): line.get_xydata() for line in left.get_lines()}
    assert lines["flown"][-1].tolist() == [1900.0, 36.0] and lines["at the least"][-1].tolist() == [1600.0, 34.0]
    assert [bar.get_width() for bar in right.patches] == [350.0, 332.0, 239.0, 367.0, 212.0, 262.0]
    unread = ascent_scene(made_ascent(drag=unknown("m/s", "no drag area"), best_path=()))
    air_plots.draw_ascent(*Figure().subplots(1, 2), unread)
    assert ascent_scene(made_ascent(path=())) is None


def test_a_launchs_waste_stands_beside_what_no_climb_could_save():
    launched = debrief_markdown(make_debrief(made_flight(), dataclasses.replace(made_findings(), ascents=(made_ascent(),))))
    assert "No climb of this craft into that orbit costs less than 3\u202f284 m/s: of what the launch took, 56.0 ± 1.2 m/s could have been saved." in launched
    assert "No climb of this craft" not in debrief_markdown(make_debrief(made_flight(), made_findings()))
