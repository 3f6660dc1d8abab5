"""Weighing a flight's readings against each other: support for poor looks, doubt for what can't be."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analyser.ingest.consistency import doubt_odd_formats
from analyser.ingest.decode import decode
from analyser.ingest.panel import Gauge
from analyser.ingest.readout import ACCEPT, Candidate, GaugeReading
from analyser.ingest.screenshots import Value

SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
GAUGES = {
    "clock": Gauge("clock", "readout", ("met",), SQUARE),
    "height": Gauge("height", "readout", ("altitude",), SQUARE),
    "second height": Gauge("second height", "readout", ("altitude",), SQUARE),
    "rise": Gauge("rise", "readout", ("vertical_speed",), SQUARE),
    "tank": Gauge("tank", "readout", ("propellant",), SQUARE),
}


def seen(row: int, gauge: str, *candidates: tuple[str, float], step: float = 1.0) -> Value:
    """A value as one look gives it: texts with their probabilities, likeliest first."""
    made = tuple(Candidate(text, float(text), step, probability, "", len(text.partition(".")[2])) for text, probability in candidates)
    doubt = "" if made[0].probability >= ACCEPT else "not sure"
    reading = GaugeReading(made, doubt, made[0].text)
    value = Value(row, GAUGES[gauge], GAUGES[gauge].column, reading, (0, 0, 1, 1))
    return replace(
        value, value=made[0].value, sigma=step / math.sqrt(12), probability=made[0].probability, status="doubtful" if doubt else "read", reason=doubt
    )


def coast(count: int = 10, spoil: dict[int, Value] | None = None) -> list[Value]:
    """Clock, altitude and vertical speed of a made-up climb that slows, sure at every look but where spoilt."""
    values = []
    for row in range(count):
        time = 1000 + 60 * row
        values.append(seen(row, "clock", (str(time), 0.9999)))
        height = 20000 + 30 * (60 * row) - 0.02 * (60 * row) ** 2
        values.append((spoil or {}).get(row) or seen(row, "height", (f"{height:.0f}", 0.9999)))
        values.append(seen(row, "rise", (f"{30 - 0.04 * 60 * row:.1f}", 0.9999), step=0.1))
    return values


def height_of(values: list[Value], row: int) -> Value:
    return next(value for value in values if value.row == row and value.column == "altitude")


def test_sure_readings_stay_as_they_are():
    before = coast()
    after = decode(before)
    assert [(value.status, value.value) for value in after] == [(value.status, value.value) for value in before]


def test_a_poor_look_that_fits_is_kept_with_its_reason():
    truth = f"{20000 + 30 * 240 - 0.02 * 240**2:.0f}"
    value = height_of(decode(coast(spoil={4: seen(4, "height", (truth, 0.9), ("86048", 0.05))})), 4)
    assert value.status == "read" and value.value == float(truth)
    assert value.probability >= ACCEPT and "bear it out" in value.reason


def test_a_misread_digit_is_recovered_from_the_second_candidate():
    truth = f"{20000 + 30 * 240 - 0.02 * 240**2:.0f}"  # 26048
    value = height_of(decode(coast(spoil={4: seen(4, "height", ("86048", 0.6), (truth, 0.39))})), 4)
    assert value.status == "recovered" and value.value == float(truth)
    assert value.reading.raw == "86048" and "86048" in value.reason


def test_what_does_not_fit_and_has_no_other_candidate_stays_doubtful():
    value = height_of(decode(coast(spoil={4: seen(4, "height", ("86048", 0.97))})), 4)
    assert value.status == "doubtful"


def test_a_look_only_just_sure_is_doubted_where_no_neighbour_supports_it():
    value = height_of(decode(coast(spoil={4: seen(4, "height", ("86048", 0.996))})), 4)
    assert value.status == "doubtful" and "before and after" in value.reason


def test_a_clear_look_outweighs_a_surprise():
    """The altimeter may jump, to another body's datum for one."""
    value = height_of(decode(coast(spoil={4: seen(4, "height", ("86048", 0.9999))})), 4)
    assert value.status == "read"


def test_neighbours_say_nothing_where_there_are_too_few():
    values = decode(coast(3, {1: seen(1, "height", ("21728", 0.9))}))
    assert height_of(values, 1).status == "doubtful"


def test_a_clock_that_would_run_backwards_is_not_believed():
    values = coast()
    values[12] = seen(4, "clock", ("7240", 0.6), ("1240", 0.39))
    assert decode(values)[12].status == "recovered" and decode(values)[12].value == 1240
    values[12] = seen(4, "clock", ("7240", 0.996))
    assert decode(values)[12].status == "doubtful"


def test_three_clocks_in_a_row_that_lost_a_digit_are_not_believed():
    values = coast(14)
    for row in (9, 10, 11):  # 1540 s and on, read without their first digit
        values[3 * row] = seen(row, "clock", (str(540 + 60 * (row - 9)), 0.996))
    clocks = [value.status for value in decode(values) if value.column == "met"]
    assert clocks == ["doubtful" if row in (9, 10, 11) else "read" for row in range(14)]


def test_likely_clocks_tell_that_a_sure_one_is_out_of_order_and_make_none_sure():
    values = coast(14)
    for row in range(14):
        values[3 * row] = seen(row, "clock", (str(1000 + 60 * row), 0.9))
    values[3 * 6] = seen(6, "clock", ("7360", 0.9966), ("1360", 0.002))
    clocks = [value for value in decode(values) if value.column == "met"]
    assert {value.status for value in clocks} == {"doubtful"} and "before and after" in clocks[6].reason
    values[3 * 6] = seen(6, "clock", ("1360", 0.9966))
    assert [value.row for value in decode(values) if value.column == "met" and value.status == "read"] == [6]


def test_the_order_of_likely_clocks_tells_nothing_of_what_each_of_them_may_be():
    """A nought of the days that looks like an eight, in every screenshot."""
    values = coast(14)
    for row in range(14):
        values[3 * row] = seen(row, "clock", (str(1000 + 60 * row), 0.98), (str(692200 + 60 * row), 0.0195))
    assert {value.status for value in decode(values) if value.column == "met"} == {"doubtful"}
    values[3 * 6] = seen(6, "clock", ("1360", 0.98), ("7360", 0.0195))  # and here it may be something else
    assert [value.row for value in decode(values) if value.column == "met" and value.status == "read"] == [6]


def test_propellant_falls():
    values = coast()
    for row in range(10):
        values.append(seen(row, "tank", (str(900 - 10 * row), 0.9999)))
    values[-5] = seen(5, "tank", ("880", 0.55), ("850", 0.44))
    assert decode(values)[-5].value == 850 and decode(values)[-5].status == "recovered"


def test_two_gauges_that_disagree_are_both_doubtful():
    values = [*coast(), seen(4, "second height", ("26148", 0.99995))]
    after = decode(values)
    assert {value.status for value in after if value.row == 4 and value.column == "altitude"} == {"doubtful"}


def test_a_motion_model_is_asked_first():
    asked = []

    def motion(column, time, known):
        asked.append(column)
        return (26048.0, 5.0) if column == "altitude" else None

    value = height_of(decode(coast(spoil={4: seen(4, "height", ("86048", 0.6), ("26048", 0.39))}), motion), 4)
    assert value.value == 26048 and "altitude" in asked


@pytest.mark.parametrize(("texts", "odd"), [(["61.94", "62.80", "63.71", "64.55", "65.4", "66.12", "67.0"[:4] + "1"], 4), (["9.123", "10.12", "100.2", "99.87", "101.3", "98.12"], None)])
def test_an_odd_number_of_decimals_is_doubtful_unless_the_gauge_keeps_its_digits(texts, odd):
    values = doubt_odd_formats([seen(row, "height", (text, 0.9999)) for row, text in enumerate(texts)])
    doubted = [value.row for value in values if value.status == "doubtful"]
    assert doubted == ([] if odd is None else [odd])


@pytest.mark.parametrize(
    ("texts", "odd"),
    [
        (["3.1", "3.2", "3.3", "34", "3.7", "3.8"], [3]),  # as many digits as the others, and ten times their worth
        (["31", "32", "33", "3.4", "37", "38"], [3]),
        (["7.8", "8.9", "9.7", "10", "11", "12", "13"], []),  # a number that keeps its digits and climbs
        (["12.5", "13.1", "130", "141", "152"], []),  # one that leaps and stays
    ],
)
def test_a_point_lost_among_readings_that_show_it_is_doubtful(texts, odd):
    checked = doubt_odd_formats([seen(row, "height", (text, 0.9999)) for row, text in enumerate(texts)])
    assert [value.row for value in checked if value.status == "doubtful"] == odd
    assert all("decimal point" in checked[row].reason for row in odd)


def test_doubtful_readings_tell_too_that_a_point_is_lost():
    values = [seen(row, "height", (text, 0.9999 if text in ("34", "3.9") else 0.8)) for row, text in enumerate(["3.1", "3.2", "33", "34", "3.7", "3.8", "3.9"])]
    checked = doubt_odd_formats([value if value.row in (3, 6) else replace(value, status="doubtful") for value in values])
    assert [value.row for value in checked if value.status == "read"] == [6]


def test_a_latitude_that_lost_its_letter_is_doubtful():
    gauge = Gauge("place", "readout", ("latitude",), SQUARE)
    texts = ["12.34 S", "12.90 S", "13.41 S", "13.92 S", "14.40 S", "14.88"]
    values = []
    for row, text in enumerate(texts):
        candidate = Candidate(text, float(text.split()[0]), 0.01, 0.9999, "", 2)
        values.append(Value(row, gauge, "latitude", GaugeReading((candidate,), "", text), (0, 0, 1, 1), "read", candidate.value, 0.003, "", 0.9999))
    checked = doubt_odd_formats(values)
    assert [value.status for value in checked] == ["read"] * 5 + ["doubtful"] and "letters" in checked[-1].reason


def test_rather_sure_looks_bear_each_other_out_where_none_is_certain():
    """A font that is read with 98 % each time: together with neighbours that fit they are sure enough, but one that does not fit is not."""
    values = coast(10, {row: seen(row, "height", (f"{20000 + 30 * 60 * row - 0.02 * (60 * row) ** 2:.0f}", 0.98)) for row in range(10)})
    assert all(height_of(decode(values), row).status == "read" for row in range(2, 8))
    assert max(height_of(decode(values), row).probability for row in range(10)) < 0.99815  # ten times likelier in odds, no more
    values = [seen(5, "height", ("89280", 0.98)) if value.row == 5 and value.column == "altitude" else value for value in values]
    assert height_of(decode(values), 5).status == "doubtful"


def test_rather_sure_looks_do_not_make_an_unlikely_one_sure():
    values = coast(10, {row: seen(row, "height", (f"{20000 + 30 * 60 * row - 0.02 * (60 * row) ** 2:.0f}", 0.92 if row != 4 else 0.6)) for row in range(10)})
    assert height_of(decode(values), 4).status == "doubtful"


def test_a_unit_that_was_lost_between_two_screenshots_is_doubtful():
    """Kilometres read as metres leap away from what was shown before and after; a change of unit as the craft climbs does not."""
    gauge = Gauge("range", "readout", ("altitude",), SQUARE, units=(("m", 1.0), ("km", 1e3)))

    def shown(texts: list[str]) -> list[Value]:
        values = []
        for row, text in enumerate(texts):
            number, unit = text.split(" ")
            best = Candidate(text, float(number) * {"m": 1.0, "km": 1e3}[unit], 1.0, 0.9999, unit, len(number.partition(".")[2]))
            values.append(Value(row, gauge, "altitude", GaugeReading((best,), "", text), (0, 0, 1, 1), "read", best.value, 0.3, "", 0.9999))
        return values

    lost = doubt_odd_formats(shown(["134.02 km", "134.50 km", "134.95 m", "135.31 km", "135.80 km", "136.22 km"]))
    assert [value.status for value in lost] == ["read", "read", "doubtful", "read", "read", "read"]
    assert "leaps away" in lost[2].reason or "decimals" in lost[2].reason
    last = doubt_odd_formats(shown(["134.02 km", "134.50 km", "134.95 m"]))
    assert [value.status for value in last] == ["read", "read", "doubtful"]
    climbs = doubt_odd_formats(shown(["880.00 m", "940.00 m", "990.00 m", "1.05 km", "1.12 km", "1.20 km"]))
    assert all(value.status == "read" for value in climbs)


@pytest.mark.parametrize(
    ("texts", "days", "status"),
    [
        (("100:21:19", "100:22:40", "100:25:11", "101:03:00"), None, "doubtful"),  # 1 d 00:21:19 with its space lost, for all that is seen
        (("100:21:19", "100:22:40", "100:25:11", "124:03:00"), None, "read"),  # no day has 24 hours
        (("100:21:19", "100:22:40", "100:25:11", "101:03:00"), False, "read"),
        (("0 18:21:19", "0 18:22:40", "0 18:25:11", "18:27:10", "0 18:31:00", "019:03:00"), None, "read"),  # no days are none, shown or not
        (("018:21:19", "018:22:40", "018:25:11", "019:03:00"), None, "read"),  # no days: the same either way
    ],
)
def test_hours_that_may_be_days_with_the_space_lost_are_doubtful(texts, days, status):
    clock = Gauge("clock", "readout", ("met",), SQUARE, options={} if days is None else {"days": days})
    values = []
    for row, text in enumerate(texts):
        (shown,) = clock.grammar.parse(text)
        best = Candidate(text, shown.value, shown.step, 0.9999, shown.unit, shown.decimals)
        values.append(Value(row, clock, "met", GaugeReading((best,), "", text), (0, 0, 1, 1), "read", best.value, 0.3, "", 0.9999))
    checked = doubt_odd_formats(values)
    assert {value.status for value in checked} == {status} and all(("days = true" in value.reason) == (status == "doubtful") for value in checked)
