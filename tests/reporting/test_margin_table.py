"""The tables on what was left and what a waste would have bought: the numbers given, the columns only where they say something."""

import dataclasses

import pytest
from made_flight import made_findings
from test_air_sections import made_ascent

from analyser.findings import Estimate, Margin
from analyser.reporting.margins import margin_section, margin_table
from analyser.reporting.tables import leg_tables


def moment(number, margin, doubt=0.0, slack=0.0):
    held, needed = Estimate.of(1000.0 + margin, 0.1, "m/s"), Estimate.of(1000.0, 0.0, "m/s")
    return Margin(60.0 * (number or 0), 0, number, "Lull", ("ascent",), Estimate.of(900.0, 0.5, "kg"), held, needed, Estimate.of(margin, 0.1, "m/s"), doubt, slack)


def _bought(findings):
    return next(one for one in leg_tables(findings) if one.caption == "What each waste would have bought")


@pytest.fixture
def found():
    return made_findings()


def test_doubt_and_a_goal_barely_met_have_columns_of_their_own(found):
    told = dataclasses.replace(found, margins=(moment(None, 300.0), moment(0, 210.0, doubt=0.62), moment(1, 240.0, slack=40.9)))
    table = margin_table(told)
    place = {head.partition(",")[0]: k for k, head in enumerate(table.headers)}
    assert [row[place["least good to"]] for row in table.rows] == ["–", "± 0.62", "–"]
    assert [row[place["goal met but for"]] for row in table.rows] == ["–", "–", "40.9"]
    assert len(table.notes) == 3 and "carried over" in table.notes[1] and "in full" in table.notes[2]
    assert margin_section(told, None).tables == (table,)


def test_where_there_is_neither_there_is_no_column(found):
    table = margin_table(dataclasses.replace(found, margins=(moment(None, 300.0), moment(0, 210.0))))
    assert not any("good to" in head or "but for" in head for head in table.headers) and len(table.notes) == 1


def test_what_each_waste_would_have_bought_stands_beside_the_margin(found):
    leg = dataclasses.replace(found.legs[0], hover=Estimate.of(94.3, 0.1, "s"), hover_over="Lull", kept=Estimate.of(323.2, 0.2, "m/s"))
    other = dataclasses.replace(found.legs[1], hover=Estimate.unknown("s", "no landing follows"), kept=Estimate.of(35.6, 0.7, "m/s"))
    told = dataclasses.replace(found, legs=(leg, other, *found.legs[2:]), margins=(moment(None, 300.0), moment(0, 210.0)))
    table = _bought(told)
    assert [row[0] for row in table.rows] == [leg.name, other.name]
    assert any("hovering over Lull" in head for head in table.headers)
    assert "94.3" in " ".join(table.rows[0]) and table.rows[1][3] == "–"
    assert "210.00 ± 0.20" in table.notes[1]
    assert all(one.caption != table.caption for one in leg_tables(found))


def test_of_a_launch_only_what_could_be_saved_is_called_so(found):
    leg = dataclasses.replace(found.legs[0], kept=Estimate.of(824.1, 0.2, "m/s"))
    climb = made_ascent(leg=leg.name, waste=Estimate.of(57.4, 0.5, "m/s"))
    told = dataclasses.replace(found, legs=(leg, *found.legs[1:]), ascents=(climb,))
    table = _bought(told)
    assert f"Of what {leg.name} wasted, this craft could have saved 57.40 ± 0.98 m/s" in table.notes[-1]
    assert not any("could have saved" in note for note in _bought(dataclasses.replace(told, ascents=())).notes)


def test_a_burn_loss_below_zero_is_explained(found):
    def notes(loss):
        legs = (dataclasses.replace(found.legs[0], burn_loss=Estimate.of(loss, 0.04, "m/s")), *found.legs[1:])
        return " ".join(note for one in leg_tables(dataclasses.replace(found, legs=legs)) for note in one.notes)

    assert "below 0" in notes(-1.09) and "below 0" not in notes(-0.05)
