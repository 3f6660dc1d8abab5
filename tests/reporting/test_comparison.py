"""Attempts side by side and over time: nothing told that the attempts don't tell."""

import csv
import dataclasses
import io
import json
import math
import re

import numpy as np
import pytest
from made_flight import made_findings, made_flight
from test_debrief import HOSTILE, Page

from analyser.errors import InputError, OutputError
from analyser.findings import Estimate
from analyser.logbook import Logbook
from analyser.reporting import compare, comparison_csv, comparison_html, comparison_json, comparison_text, write_comparison
from analyser.reporting.comparison_views import legs_together_figure, over_time_figure


def logbook_of(path, wastes, **changes):
    book = Logbook(path)
    for number, waste in enumerate(wastes, 1):
        book.record(made_flight(name=f"try {number}", date=f"2031-04-{number:02d}", **changes), made_findings(waste))
    return book


@pytest.fixture(scope="module")
def halving(tmp_path_factory):
    return logbook_of(tmp_path_factory.mktemp("book") / "logbook.sqlite", [2.0, 1.9, 1.6, 1.65, 1.4, 1.2, 1.1, 1.0])


@pytest.fixture(scope="module")
def four(tmp_path_factory):
    return logbook_of(tmp_path_factory.mktemp("book") / "logbook.sqlite", [2.0, 1.5, 1.0, 0.5])


def test_a_halving_is_told(halving):
    found = compare(halving)
    waste = found.measure("waste")
    assert waste.trend.verdict == "improved"
    assert waste.values[0] == pytest.approx(10 + 7 + 1.4 + 2 * 227)  # what made_flight puts in
    assert waste.trend.median == pytest.approx(np.median(waste.values))
    assert waste.trend.low <= waste.trend.slope <= waste.trend.high < 0
    assert found.habits[0].leg == "descent" and found.habits[0].cause == "gravity loss"
    assert found.habits[0].costs == pytest.approx([119 * waste for waste in (2.0, 1.9, 1.6, 1.65, 1.4, 1.2, 1.1, 1.0)])
    assert found.habits[0].trend.verdict == "improved"
    text = comparison_text(found)
    assert "Delta-v wasted" in text and "improved: −" in text
    assert "The habit that costs most is gravity loss (descent)" in text


def test_four_attempts_tell_no_trend(four):
    found = compare(four)
    assert all(item.trend.verdict == "too few" for item in found.measures)
    assert "no trend can be told from 4 attempts" in comparison_text(found)
    assert not re.search(r"improved: [−+]", comparison_text(found))


def lines_drawn(comparison):
    """Number of lines across the attempts in the picture (error bars are no such lines)."""
    return sum(len(line.get_xdata()) == 2 and line.get_linestyle() == "-" for ax in over_time_figure(comparison).axes for line in ax.lines)


def test_no_line_through_noise(four, tmp_path):
    assert lines_drawn(compare(four)) == 0
    book = Logbook(tmp_path / "logbook.sqlite")
    falling = [3.0, 2.4, 1.9, 1.2, 0.8, 0.3, 0.1]
    for number, waste in enumerate(falling, 1):
        flight = made_flight(name=f"try {number}", date=f"2031-04-{number:02d}")
        table = flight.readings.table.assign(propellant=1000.0 + 100 * number, propellant_sigma=1.0)
        readings = type(flight.readings)(table, flight.readings.detail)
        book.record(made_flight(name=flight.name, date=flight.date, readings=readings), made_findings(waste))
    found = compare(book)
    assert found.measure("propellant_left").trend.verdict == "improved"  # more left is better
    assert found.measure("propellant_left").values[0] == 1100.0
    assert lines_drawn(found) == 1


def test_the_picture_shows_the_figures(halving):
    found = compare(halving)
    waste, missed, landing = over_time_figure(found).axes[:3]
    heights = sum(np.array([bar.get_height() for bar in container]) for container in waste.containers)
    assert heights == pytest.approx(found.measure("waste").values)
    assert missed.lines[0].get_ydata() == pytest.approx(found.measure("missed").values)
    assert landing.lines[0].get_ydata() == pytest.approx([1.9] * 8)
    assert [label.get_text() for label in waste.get_xticklabels()] == [str(item.id) for item in found.attempts]


def test_two_attempts_leg_by_leg(halving):
    found = compare(halving, names=["try 1", "try 8"])
    assert [item.name for item in found.attempts] == ["try 1", "try 8"]
    legs = {leg.name: leg for leg in found.legs}
    assert legs["descent"].spent == pytest.approx((776.2 + 296, 776.2 + 148))
    assert all(math.isnan(value) for value in legs["ascent"].spent)
    assert legs["ascent"].planned == 829.0
    text = comparison_text(found)
    assert re.search(r"descent: spent, m/s\s+1072\s+924\s+\u2212148", text)
    assert re.search(r"descent: burn loss, m/s\s+\d+\s+\d+", text) and re.search(r"descent: took\s+\S", text) and re.search(r"flight time\s+\d", text)
    assert re.search(r"transfer: periapsis altitude off by, m\s+\u22122500\s+\u22122500\s+\u2013", text)  # no difference can be told
    assert legs["transfer"].misses["periapsis_altitude"].values == (-2500.0, -2500.0)
    assert legs["descent"].duration[0] > 0


def test_misses_are_told_in_units_a_pilot_says(tmp_path):
    book = Logbook(tmp_path / "logbook.sqlite")
    for number, miss in ((1, -25_000.0), (2, -42_000.0)):
        findings = made_findings()
        off = {"periapsis_altitude": Estimate.of(miss, 300.0, "m"), "eccentricity": Estimate.of(0.02 * number, 0.001, "1")}
        legs = (dataclasses.replace(findings.legs[0], miss=off), *findings.legs[1:])
        book.record(made_flight(name=f"try {number}"), dataclasses.replace(findings, legs=legs))
    text, page = comparison_text(compare(book)), Page(comparison_html(compare(book)))
    assert re.search(r"transfer: periapsis altitude off by,\s+\u221225\.0\s+\u221242\.0\s+\u221217\.00 ± 0\.83\nkm", text)
    assert re.search(r"transfer: eccentricity off by\s+0\.0200\s+0\.0400", text)
    assert "\u221225.00 ± 0.59" in page.words and "transfer: eccentricity off by" in page.words


def test_the_picture_of_two_attempts_shows_their_legs(halving):
    found = compare(halving, names=["try 1", "try 8"])
    ax = legs_together_figure(found).axes[0]
    flown = [leg for leg in found.legs if any(value > 0 for value in leg.spent)]
    first, second = ([bar.get_height() for bar in container] for container in ax.containers if hasattr(container, "patches"))
    assert first == pytest.approx([leg.spent[0] for leg in flown]) and second == pytest.approx([leg.spent[1] for leg in flown])
    assert [label.get_text() for label in ax.get_xticklabels()] == [leg.name for leg in flown]
    assert legs_together_figure(compare(halving)) is None  # eight bars a leg say nothing
    assert comparison_html(found).count("<svg") == 2


def test_what_a_habit_costs_when_it_comes(tmp_path):
    book = Logbook(tmp_path / "logbook.sqlite")
    for number, waste in enumerate((2.0, None, 1.0, None, 4.0), 1):
        findings = made_findings(waste or 1.0) if waste else made_findings(1.0, advice=())
        book.record(made_flight(name=f"try {number}", date=f"2031-04-{number:02d}"), findings)
    habit = compare(book).habits[0]
    assert (habit.times, habit.mean, habit.median) == (3, pytest.approx(119 * 7 / 5), pytest.approx(119 * 2))
    assert habit.trend.verdict == "none told"


def test_the_last_few(halving):
    found = compare(halving, last=3)
    assert [item.name for item in found.attempts] == ["try 6", "try 7", "try 8"]
    assert found.earlier == 5
    assert "the last of 8" in comparison_text(found)


def test_plans_are_kept_apart(tmp_path):
    book = logbook_of(tmp_path / "logbook.sqlite", [1.0, 0.9])
    book.record(made_flight(name="hop", plan=None), made_findings(legs=()))
    found = compare(book)
    assert [item.name for item in found.attempts] == ["hop"]
    assert "There and back (2)" in found.remarks[0]
    assert "different plans" in compare(book, names=["hop", "try 1"]).remarks[0]
    assert len(compare(book, plan="There and back").attempts) == 2


def test_names_that_are_not_there(halving, tmp_path):
    with pytest.raises(InputError, match="no attempt called try 99; it has: try 1, try 2"):
        compare(halving, names=["try 1", "try 99"])
    with pytest.raises(InputError, match="it is empty"):
        compare(Logbook(tmp_path / "new.sqlite"))


def test_json_is_strict_and_csv_has_a_row_an_attempt(halving):
    found = compare(halving)
    document = json.loads(comparison_json(found), parse_constant=lambda text: pytest.fail(text))
    assert [item["name"] for item in document["attempts"]] == [f"try {number}" for number in range(1, 9)]
    assert document["measures"][0]["trend"]["verdict"] == "improved"
    rows = list(csv.DictReader(io.StringIO(comparison_csv(found))))
    assert [float(row["waste [m/s]"]) for row in rows] == pytest.approx(found.measure("waste").values)
    assert rows[0]["ascent spent [m/s]"] == ""


def test_hostile_names_stay_inert(tmp_path):
    book = Logbook(tmp_path / "logbook.sqlite")
    for number in range(6):
        book.record(made_flight(name=HOSTILE, pilot="=cmd()", date=f"{number}"), made_findings(1 + number / 9))
    found = compare(book)
    page = Page(comparison_html(found))
    assert not page.all("script") and not page.all("img")
    assert "<script>alert('x')</script>" in page.words
    rows = list(csv.DictReader(io.StringIO(comparison_csv(found))))
    assert rows[0]["pilot"] == "'=cmd()"
    assert max(len(line) for line in comparison_text(found).splitlines()) <= 80


def test_the_files(halving, tmp_path):
    path = write_comparison(compare(halving), tmp_path / "out")
    assert sorted(entry.name for entry in path.parent.iterdir()) == ["compare.csv", "compare.html", "compare.json"]
    page = Page(path.read_text(encoding="utf-8"))
    assert len(page.all("table")) == len(page.all("caption")) == 7
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        write_comparison(compare(halving), tmp_path / "file")
