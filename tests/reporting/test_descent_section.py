"""Landings on the engine in a debrief: the words, the table, and the numbers handed to the drawing."""

import dataclasses
import math

import numpy as np
import pytest
from made_flight import estimate, made_findings, made_flight, unknown
from matplotlib.figure import Figure

from analyser.findings import Descent, DescentMoment
from analyser.reporting import air_plots
from analyser.reporting.debrief import findings_document, make_debrief
from analyser.reporting.descent import descent_scene, descent_section, descent_sentences, moments_table
from analyser.reporting.markdown import debrief_markdown
from analyser.reporting.pictures import flight_pictures

NAN = math.nan
MOMENTS = (
    DescentMoment(1000.0, 11000.0, 810.0, 6.0, 8600.0, NAN, NAN),
    DescentMoment(1030.0, 10000.0, 640.0, 55.0, 5900.0, 54.0, 6100.0),
    DescentMoment(1120.0, 1500.0, 120.0, 50.0, 1100.0, 13.0, 700.0),
    DescentMoment(1150.0, 50.0, 30.0, 29.0, -12.0, 0.0, NAN),
)


def made_descent(**changes) -> Descent:
    descent = Descent(
        "Lull", "descent", (3,), 2, estimate(1175.4, 0.2, "m/s"), 853.5, 840.6, estimate(321.8, 0.2, "m/s"), slow_height=937.0, slow_time=121.0, slow_at_rate=271.4, slow_least=73.3,
        moments=MOMENTS,
    )  # fmt: skip
    return dataclasses.replace(descent, **changes)


def test_a_descent_is_told_against_the_least_and_a_constant_rate():
    said = " ".join(descent_sentences(made_descent()))
    assert "took 1\u202f175.40 ± 0.39 m/s" in said and "is 854 m/s, and 841 m/s with impulses: 321.80 ± 0.39 m/s more" in said
    # the moment with most in hand of those that come down
    assert "10.0 km up and sinking at 55 m/s, the engine could have rested for 54 s more: begun 6\u202f100 m over the ground" in said
    assert "The last 937 m took 2 min 1 s" in said and "rate of 8 m/s costs 271 m/s" in said and "73 m/s" in said


def test_what_is_not_known_of_a_descent_is_said():
    assert "can't be held against the least that this craft could do: no craft file" in descent_sentences(made_descent(best=NAN, reason="no craft file"))[0]
    assert "is not known: no propellant was read" in descent_sentences(made_descent(cost=unknown("m/s", "no propellant was read")))[0]
    bare = descent_sentences(made_descent(moments=(), slow_height=NAN))
    assert len(bare) == 1
    assert descent_section(made_findings(), ()) is None


def test_the_table_says_when_it_was_too_late_and_when_it_would_not_come_down():
    rows = moments_table(made_descent()).rows
    assert [row[5] for row in rows] == ["it would not come down", "54 s", "13 s", "too late"]
    assert [row[6] for row in rows] == ["–", "6\u202f100 m", "700 m", "–"]


def test_the_drawing_gets_heights_flown_and_needed():
    scene = descent_scene(made_descent())
    assert scene.flown[1].tolist() == [640.0, 10000.0]
    assert scene.needed[:, 1] == pytest.approx([2400.0, 4100.0, 400.0, 62.0])
    figure = Figure()
    ax = figure.add_subplot()
    air_plots.draw_descent(ax, scene)
    assert np.array_equal(ax.lines[0].get_xydata(), scene.flown) and np.array_equal(ax.lines[1].get_xydata(), scene.needed)
    assert descent_scene(made_descent(moments=MOMENTS[:2])) is None


def test_the_debrief_holds_it():
    flight, findings = made_flight(), dataclasses.replace(made_findings(), descents=(made_descent(),))
    pictures = flight_pictures(flight, findings)
    assert "descent-1" in pictures
    page = debrief_markdown(make_debrief(flight, findings, pictures=pictures))
    assert "## Descent" in page and "moment by moment" in page
    assert '"braking_height": 6100.0' in findings_document(flight, findings)
