"""What stands on the terminal: 80 columns, figures to copy, nothing that a name could break."""

import dataclasses
import re

import pytest
from made_flight import estimate, made_findings, made_flight, unknown
from test_debrief import HOSTILE, empty_findings, hostile_findings, hostile_flight

from analyser.findings import Estimate
from analyser.reporting import fit_text, plan_text, summary_text
from analyser.reporting.content import Table
from analyser.reporting.phrases import clock, duration, figure
from analyser.reporting.text import set_table


@pytest.mark.parametrize("text", ["summary", "fit", "plan"])
def test_eighty_columns_without_escapes(flight, findings, text):
    said = {"summary": lambda: summary_text(flight, findings), "fit": lambda: fit_text(flight, findings), "plan": lambda: plan_text(findings.ideal)}[text]()
    assert max(map(len, said.splitlines())) <= 80
    assert "\x1b" not in said and "\u202f" not in said and "\xa0" not in said
    assert said.rstrip().endswith("approved procedures and local rules.")


def test_the_summary_says_how_it_went(flight, findings):
    said = " ".join(summary_text(flight, findings).split())
    for words in ("3 of the plan's 4 legs were flown", "2192.2 ± 5.4 m/s", "245.4 ± 5.4 m/s (11 %) was wasted, 380 ± 14 kg", "1. Start the braking burn later", "readings.csv:14, altitude"):
        assert words in said, words
    assert re.search(r"descent\s+924.2 ± 3.1\s+771.0 ± 3.1\s+774.8 ± 3.1\s+149.4 ± 3.1", summary_text(flight, findings))


def test_the_plan_can_be_copied(findings):
    said = plan_text(findings.ideal)
    assert re.search(r"together\s+2767\s+5000", said)
    assert re.search(r"2\s+capture\s+retrograde at\s+30.0 km\s+222.0\s+400\s+24\s+1008 to 786\s+T\+05:16:40", said)
    assert "Propellant left at the end: 1400 kg (1230 m/s)." in said
    assert "Not enough propellant: 300 kg (250 m/s) short." in plan_text(dataclasses.replace(findings.ideal, margin=-300.0, margin_delta_v=-250.0))
    assert "is not known" in plan_text(dataclasses.replace(findings.ideal, margin=float("nan")))


def test_hostile_names_on_a_terminal():
    flight = dataclasses.replace(hostile_flight(), name="\x1b[31mred\x07\nnext " + HOSTILE)
    said = summary_text(flight, hostile_findings()) + fit_text(flight, hostile_findings())
    assert "\x1b" not in said and "\x07" not in said
    assert max(map(len, said.splitlines())) <= 80


def test_nothing_found(flight):
    assert "Nothing could be fitted: 79 readings tell no orbit." in summary_text(flight, empty_findings())
    assert "Nothing could be fitted" in fit_text(flight, empty_findings())
    assert "Three readings are too few" in fit_text(flight, empty_findings())


def test_one_burn_alone():
    findings = made_findings(legs=(), advice=())
    findings = dataclasses.replace(findings, burns=findings.burns[:1], landings=())
    said = " ".join(summary_text(made_flight(plan=None), findings).split())
    assert "1 burn and 6 orbits were found" in said


def test_a_touchdown_whose_interval_holds_nought():
    findings = made_findings()
    landing = dataclasses.replace(findings.landings[0], vertical_speed=Estimate(-0.4, 0.3, -1.0, 0.2, "m/s"), horizontal_speed=estimate(3.0, 0.4, "m/s"))
    said = " ".join(summary_text(made_flight(), dataclasses.replace(findings, landings=(landing,))).split())
    assert "0.40 (0.00 to 1.00) m/s down and 3.00 ± 0.78 m/s across" in said


@pytest.mark.parametrize(
    "given, said",
    [
        (Estimate.of(612.43, 0.6, "m/s"), "612.4 ± 1.2 m/s"),
        (Estimate.of(61_940.0, 150.0, "m"), "61.94 ± 0.29 km"),
        (Estimate.of(612.0, 31.0, "m"), "612 ± 61 m"),
        (Estimate.of(3_412.0, 700.0, "m"), "3\u202f400 ± 1\u202f400 m"),
        (Estimate.of(0.123456, 2e-9, "1"), "0.1235 ± 0.0001"),
        (Estimate.of(500.0, 1e-6, "m/s"), "500.00 ± 0.01 m/s"),
        (Estimate(100.0, 5.0, 95.0, 140.0, "m/s"), "100 (95 to 140) m/s"),
        (Estimate.of(-3000.0, 420.0, "m"), "\u22123\u202f000 ± 820 m"),
        (Estimate(230.0, unit="kg"), "230.0 kg"),
        (Estimate.of(0.0, 0.0, "m/s"), "0 m/s"),
        (Estimate.of(1.5707963, 0.01, "rad"), "90.0 ± 1.1 deg"),
        (unknown("m/s"), "not known"),
    ],
)
def test_figures(given, said):
    assert figure(given) == said


def test_times():
    assert clock(760) == "T+00:12:40"
    assert clock(float("nan")) == "not known"
    assert duration(3 * 86400 + 4 * 3600 + 59) == "3 d 4 h"
    assert duration(320) == "5 min 20 s"
    assert duration(0.2) == "0 s"


def test_a_table_too_wide_is_told_in_lines():
    wide = Table("t", ("name", *(f"a long header number {n}" for n in range(9))), (("row", *(f"{n}234567.89 ± 1.23" for n in range(9))),), frozenset(range(1, 10)))
    lines = set_table(wide)
    assert max(map(len, lines)) <= 80
    assert " ".join(" ".join(lines).split()).count("± 1.23") == 9
