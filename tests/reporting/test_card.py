"""The card: figures against their laws, reading between rows errs as little as it claims, text of 80 columns, a page complete in itself."""

from __future__ import annotations

import math
import random
import re
from dataclasses import replace

import pytest

from analyser.fitting.cockpit_card import braking_height, make_card
from analyser.fitting.engine import engine_of
from analyser.flight import Atmosphere, Body, Craft, Goal, Leg, Plan, Stage, World, make_world
from analyser.reporting.card import card_html, card_tables, card_text, write_card

HERON = Craft("Heron", (Stage("lander", 2900.0, 9400.0, 58e3, 318.0),))


def scenario() -> World:
    ardent = Body("Ardent", 6.1e12, 890e3, 25_920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
    lull = Body("Lull", 2.1e11, 310e3, parent="Ardent", semi_major_axis=21e6)
    return make_world("w", [ardent, lull])


def random_world(seed: int) -> World:
    generator = random.Random(seed)
    radius = 10 ** generator.uniform(5.2, 7.2)
    gravity = generator.uniform(0.5, 25)
    planet = Body("Big", gravity * radius**2, radius, atmosphere=Atmosphere(0.06 * radius) if seed % 2 else None)
    moon = Body("Small", 0.02 * planet.mu, 0.3 * radius, parent="Big", semi_major_axis=generator.uniform(12, 70) * radius)
    return make_world("w", [planet, moon])


PLAN = Plan("There", Goal("orbit", "Ardent", 80e3, 80e3), (Leg("out", Goal("periapsis", "Lull", 30e3)), Leg("in", Goal("orbit", "Lull", 30e3, 30e3))))


def number(cell: str) -> float:
    return math.nan if cell == "-" else float(cell)


def interpolated(xs, ys, x: float) -> float:
    for low, high, below, above in zip(xs, xs[1:], ys, ys[1:], strict=False):
        if low <= x <= high:
            return below + (x - low) / (high - low) * (above - below)
    raise AssertionError(x)


def check_between_rows(table, functions, worst: float = 0.01) -> int:
    """Read the printed numbers between rows in a straight line and compare with the law, at 15 places a gap."""
    xs = [number(row[0]) for row in table["rows"]]
    checked = 0
    for column, law in enumerate(functions, 1):
        ys = [number(row[column]) for row in table["rows"]]
        for low, high, below, above in zip(xs, xs[1:], ys, ys[1:], strict=False):
            if math.isnan(below) or math.isnan(above):
                continue
            for step in range(16):
                x = low + step / 15 * (high - low)
                assert interpolated([low, high], [below, above], x) == pytest.approx(law(x), rel=worst), (column, x)
                checked += 1
    return checked


@pytest.mark.parametrize("seed", [None, 1, 2, 3, 4, 5, 6])
def test_reading_between_rows_errs_under_one_percent(seed):
    world = scenario() if seed is None else random_world(seed)
    for body in world:
        card = make_card(body, world)
        speeds, reach = card_tables(card)[:2]
        assert "less than 1 %" in " ".join(speeds["notes"])
        circular = lambda h, body=body: math.sqrt(body.mu / (body.radius + h * 1e3))  # noqa: E731
        assert check_between_rows({"rows": [row[:3] for row in speeds["rows"]]}, [circular, lambda h: math.sqrt(2) * circular(h)]) > 50

        def to(apoapsis: float, body=body):
            far = body.radius + apoapsis * 1e3
            return lambda h: math.sqrt(2 * body.mu * far / ((body.radius + h * 1e3) * (body.radius + h * 1e3 + far)))

        assert check_between_rows(reach, [to(float(head)) for head in reach["head"][1:]]) > 100


def test_reading_between_columns_errs_as_it_says():
    world = scenario()
    for body in world:
        card = make_card(body, world)
        reach = card_tables(card)[1]
        assert card.worst["apoapsis"] < 0.01 and "Between columns" in " ".join(reach["notes"])
        columns = [float(head) for head in reach["head"][1:]]
        for row in reach["rows"]:
            r = body.radius + float(row[0]) * 1e3
            cells = [number(cell) for cell in row[1:]]
            for low, high, below, above in zip(columns, columns[1:], cells, cells[1:], strict=False):
                for share in (0.25, 0.5, 0.75) if not math.isnan(below) else ():
                    far = body.radius + (low + share * (high - low)) * 1e3
                    law = math.sqrt(2 * body.mu * far / (r * (r + far)))
                    assert below + share * (above - below) == pytest.approx(law, rel=0.01)


def test_braking_heights_between_rows():
    world = scenario()
    card = make_card(world["Lull"], world, HERON)
    table = next(table for table in card_tables(card) if "braking" in table["title"])
    laws = [lambda v, engine=engine_of(HERON, column.propellant, "", column.throttle)[0]: braking_height(world["Lull"], engine, v) for column in card.columns]
    assert check_between_rows(table, laws) > 500


def test_the_check_sees_rows_too_far_apart():
    world = scenario()
    card = make_card(world["Lull"], world)
    sparse = replace(card, rows=card.rows[::3])
    with pytest.raises(AssertionError):
        check_between_rows({"rows": [row[:2] for row in card_tables(sparse)[0]["rows"]]}, [lambda h: math.sqrt(2.1e11 / (310e3 + h * 1e3))])


def test_a_card_that_cannot_keep_the_claim_does_not_make_it():
    world = scenario()
    card = make_card(world["Lull"], world)
    text = card_text(replace(card, worst={"altitude": 0.03, "apoapsis": 0.2}))
    assert "less than 1 %" not in text and "Don't read between rows" in text


def test_plan_altitudes_are_rows_and_the_window_is_hohmanns():
    world = scenario()
    card = make_card(world["Ardent"], world, plan=PLAN)
    assert 80e3 in [row.altitude for row in card.rows]
    (window,) = card.windows
    r, far, mu = 970e3, 21e6, 6.1e12
    time = math.pi * math.sqrt(((r + far) / 2) ** 3 / mu)
    assert window.altitude == 80e3 and window.duration == pytest.approx(time)
    assert window.lead == pytest.approx(math.pi - math.sqrt(mu / far**3) * time)
    assert window.delta_v == pytest.approx(math.sqrt(mu / r) * (math.sqrt(2 * far / (r + far)) - 1))
    # One window later the moon is ahead by the same angle again.
    craft, moon = math.sqrt(mu / r**3), math.sqrt(mu / far**3)
    assert (craft - moon) * window.every == pytest.approx(2 * math.pi)


def test_text_is_80_columns_of_plain_ascii():
    world = scenario()
    for body in world:
        text = card_text(make_card(body, world, HERON, PLAN))
        assert text.isascii() and "not for navigating" in text
        assert max(map(len, text.splitlines())) <= 80
        assert "nan" not in text and "inf" not in text


def test_the_page_is_complete_in_itself(tmp_path):
    world = scenario()
    path = write_card(make_card(world["Lull"], world, HERON, PLAN), tmp_path)
    page = path.read_text(encoding="utf-8")
    assert path.name == "card-Lull.html"
    assert not re.findall(r"""(?:src|href)\s*=|url\(|@import|<script""", page)
    assert "size: A4" in page and "not for navigating" in page
    for row in make_card(world["Lull"], world, plan=PLAN).rows:
        assert f"{row.circular_speed:.1f}" in page


def test_names_are_escaped():
    world = make_world("w", [Body("<b>Lull</b>", 2.1e11, 310e3)])
    page = card_html(make_card(world["<b>Lull</b>"], world))
    assert "<b>" not in page and "&lt;b&gt;Lull" in page


def test_without_thrust_enough_there_are_no_braking_heights():
    world = scenario()
    weak = Craft("Weak", (Stage("s", 2900.0, 9400.0, 5e3, 318.0),))
    card = make_card(world["Lull"], world, weak)
    assert card.braking == () and any("can't hold" in remark for remark in card.remarks)
    bare = Craft("Bare", (Stage("s"),))
    assert any("doesn't give" in remark for remark in make_card(world["Lull"], world, bare).remarks)
