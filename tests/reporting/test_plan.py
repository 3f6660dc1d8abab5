"""A plan on paper: the page holds the burns and nothing from outside, the drawing is to scale, the plan file reads back."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from analyser.cli import main
from analyser.fitting.ideal import plan_mission
from analyser.ingest.descriptions import load_craft, load_plan, load_world
from analyser.reporting.plan import plan_text, write_plan
from analyser.reporting.plan_scene import plan_panels

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


@pytest.fixture(scope="module")
def planned():
    world = load_world(SAMPLES / "worlds" / "ardent.toml")
    plan = load_plan(SAMPLES / "plans" / "there-and-back.toml", world)
    return plan, world, plan_mission(plan, world, load_craft(SAMPLES / "craft" / "heron.toml"))


def test_the_drawing_is_to_scale(planned):
    _, world, ideal = planned
    panels = plan_panels(ideal, world)
    assert [panel.body for panel in panels] == ["Ardent", "Lull", "Lull"]
    ardent, near, far = panels
    assert ardent.radius == 890.0 and near.radius == 310.0
    transfer = ideal.leg("transfer").paths[0]
    curve = ardent.flown[0][1]
    radii = np.hypot(curve[:, 0], curve[:, 1])
    assert radii.min() == pytest.approx(970.0, abs=0.01)
    assert radii.max() == pytest.approx(-6.1e12 / transfer.energy / 1e3 - 970.0, rel=1e-6)
    circle = next(np.hypot(*curve.T) for label, curve in near.flown if label == "2")
    assert np.ptp(circle) < 0.05 and circle[0] == pytest.approx(340.0, abs=0.05)
    drawn = [label for panel in panels for label, _, _ in panel.burns]
    assert drawn == [f"B{n}" for n in range(1, 8)]
    for panel in panels:  # each burn's mark lies inside its window
        for _, _, stroke in panel.burns:
            assert (np.abs(stroke - panel.centre) <= panel.reach).all()


@pytest.mark.parametrize("start", ["80 x 80 km", "70 x 3000 km", "200 x 12000 km"])
def test_labels_lie_inside_and_on_nothing_else(planned, start, tmp_path):
    """Measured as drawn, in every panel of plans of different shapes: no label leaves the drawing or touches another."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from analyser.reporting.pictures import orbits_figures

    text = (SAMPLES / "plans" / "there-and-back.toml").read_text().replace("80 x 80 km", start)
    (tmp_path / "plan.toml").write_text(text)
    _, world, _ = planned
    ideal = plan_mission(load_plan(tmp_path / "plan.toml", world), world, load_craft(SAMPLES / "craft" / "heron.toml"), check=False)
    count = 0
    for figure in orbits_figures(plan_panels(ideal, world)).values():
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw(renderer)
        (ax,) = figure.axes
        inside = ax.get_window_extent(renderer)
        boxes = [(item.get_text(), item.get_window_extent(renderer)) for item in ax.texts if item.get_text()]
        count += len(boxes)
        for number, (name, box) in enumerate(boxes):
            assert box.x0 > inside.x0 - 1 and box.x1 < inside.x1 + 1 and box.y0 > inside.y0 - 1 and box.y1 < inside.y1 + 1, name
            for other, there in boxes[number + 1 :]:
                assert not box.overlaps(there), (name, other)
    assert count > 10


def test_the_page_stands_alone_and_holds_every_burn(planned, tmp_path):
    plan, world, ideal = planned
    page = write_plan(ideal, world, plan, tmp_path, "x = 1\n").read_text()
    for burn in (burn for leg in ideal.legs for burn in leg.burns):
        assert f"{burn.delta_v:.1f}" in page.replace("\u202f", "")
    assert "http" not in page.replace("http://www.w3.org", "").replace("http-equiv", "") and "<script" not in page
    assert (tmp_path / "plan.svg").read_text().lstrip().startswith("<?xml")
    assert "light it 91 s before" in page and "Propellant left at the end" in page


def test_names_in_a_plan_are_text(planned, tmp_path):
    import dataclasses

    plan, world, ideal = planned
    evil = dataclasses.replace(ideal, name="<b>x</b>")
    assert "<b>x" not in write_plan(evil, world, plan, tmp_path).read_text()
    assert max(map(len, plan_text(evil).splitlines())) <= 80


def test_the_command_writes_a_plan_that_reads_back(tmp_path, capsys, planned):
    words = ["--world", str(SAMPLES / "worlds" / "ardent.toml"), "--craft", str(SAMPLES / "craft" / "heron.toml")]
    assert main(["plan", str(SAMPLES / "plans" / "there-and-back.toml"), *words, "--out", str(tmp_path / "a"), "-q"]) == 0
    again = load_plan(tmp_path / "a" / "plan.toml", planned[1])
    assert (again.name, again.start, again.legs) == (planned[0].name, planned[0].start, planned[0].legs)
    capsys.readouterr()
    assert main(["plan", str(tmp_path / "a" / "plan.toml"), *words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["delta_v"] == pytest.approx(planned[2].delta_v, abs=1e-6)
    assert found["legs"][0]["burns"][0]["lead"] == pytest.approx(91, abs=2) and found["legs"][0]["paths"][0]["part"] == "out"


def test_the_rest_of_a_flight_from_the_command_line(capsys):
    flight = SAMPLES / "flights" / "first-try"
    code = main(["plan", "--from", f"{flight}@12:20:00", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0 and [leg["name"] for leg in found["legs"]] == ["ascent", "return", "entry"]
    assert found["from"]["margin"]["value"] == pytest.approx(found["margin_delta_v"], abs=1e-6)
    assert math.isclose(found["from"]["met"], 44_400.0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from", "FLIGHT@4 d"], "outside the flight"), (["--from", "FLIGHT@01:15:30"], "in burn 1"), (["--from", "FLIGHT"], "names no moment"),
        (["--from", "FLIGHT@soon"], "option --from"), ([], "name a plan file"), (["PLAN"], "needs a world"),
        (["--from", "nowhere@1:00"], "nothing of that name"),
    ],
)  # fmt: skip
def test_wrong_moments_are_told(capsys, words, said):
    flight, plan = str(SAMPLES / "flights" / "first-try"), str(SAMPLES / "plans" / "there-and-back.toml")
    assert main(["plan", *(word.replace("FLIGHT", flight).replace("PLAN", plan) for word in words)]) == 2
    assert said in capsys.readouterr().err


def test_a_turn_of_the_plane_says_which_way_and_where(planned, tmp_path):
    (tmp_path / "plan.toml").write_text(
        'name = "Turn"\nstart = { body = "Ardent", orbit = "200 x 200 km", inclination = "30 deg" }\n[[legs]]\nname = "turn"\n'
        'goal = { body = "Ardent", orbit = "200 x 200 km", inclination = "36 deg" }\n'
    )
    world = planned[1]
    ideal = plan_mission(load_plan(tmp_path / "plan.toml", world), world, load_craft(SAMPLES / "craft" / "heron.toml"))
    said = " ".join(plan_text(ideal).split())
    assert "inclined 36 deg" in said and "turns the plane by 6 deg" in said and "as seen flying head up" in said
    assert "as seen flying head up" not in " ".join(plan_text(planned[2]).split())
    page = write_plan(ideal, world, load_plan(tmp_path / "plan.toml", world), tmp_path / "out").read_text()
    assert "at the ascending node" in page and "left 247.3 m/s" in page
