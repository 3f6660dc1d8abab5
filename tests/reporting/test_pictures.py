"""The numbers handed to the artists. How it looks, a person looks at."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from made_flight import made_findings, made_flight, unknown

from analyser.reporting import flight_figures, picture_bytes, write_figures
from analyser.reporting.pictures import inline_svg
from analyser.reporting.scenes import burn_bars, leg_bars, orbit_panels
from analyser.reporting.timeline import timeline


def test_bars_add_up_from_needed_to_spent(findings):
    scene = burn_bars(findings)
    assert sum(scene.pieces.values()) == pytest.approx(scene.spent, rel=0.003)
    assert scene.pieces["needed"] == pytest.approx([948, 224, 32, 14.8, 760])
    assert scene.pieces["placement"] == pytest.approx([10, 4, 6, 0.2, 0])
    # split as steering to gravity, 22 to 119, of a loss of 148
    assert scene.pieces["gravity"][4] == pytest.approx(148 * 119 / 141)
    assert scene.pieces["burn"][:4] == pytest.approx([0, 3, 3, 1.2])  # not split where nothing was read during the burn


def test_a_burn_of_which_only_spent_is_known(findings):
    burn = dataclasses.replace(findings.burns[0], needed=unknown("m/s"), burn_loss=unknown("m/s"), placement_loss=unknown("m/s"))
    scene = burn_bars(dataclasses.replace(findings, burns=(burn,)))
    assert scene.pieces == {"rest": pytest.approx([996.0])}
    assert burn_bars(dataclasses.replace(findings, burns=())) is None


def test_leg_bars_are_of_the_legs_flown(findings):
    scene = leg_bars(findings)
    assert scene.labels == ("transfer", "capture", "descent")
    assert scene.spent == pytest.approx([996, 272, 924.2])
    assert scene.planned == pytest.approx([945, 222, 771])


def test_orbits_are_to_scale_and_hold_together(flight, findings):
    panels = orbit_panels(flight, findings)
    assert [panel.body for panel in panels] == ["Ardent", "Ardent", "Lull"]
    assert panels[0].radius == 890.0 and panels[0].air == 58.0 and panels[2].air == 0.0
    near = panels[0]
    low = dict(near.flown)["1"]
    assert np.linalg.norm(low, axis=1) == pytest.approx(np.full(len(low), 970.4), abs=1.0)  # 890 + 80 km all round
    # the burn goes on where the orbit before ended, and the orbit after where the burn ended
    burn = near.burns[0][2]
    after = near.flown[1][1]
    assert burn[0] == pytest.approx(low[-1], abs=2.0)
    assert after[0] == pytest.approx(burn[-1], abs=30.0)
    assert len(near.used) == 9 and len(near.set_aside) == 0


def test_readings_on_the_orbits_lie_on_them(flight, findings):
    panel = orbit_panels(flight, findings)[2]
    curves = np.concatenate([curve for label, curve in panel.flown if label])
    distance = np.min(np.linalg.norm(curves[None] - panel.used[:, None], axis=2), axis=1)
    assert np.max(distance) < 30.0  # km, in a drawing of 1,900 km


def test_the_ground_hides_what_is_below(flight, findings):
    arcs = list(findings.arcs)
    arcs[5] = dataclasses.replace(arcs[5], semi_major_axis=dataclasses.replace(arcs[5].semi_major_axis, value=200e3), eccentricity=dataclasses.replace(arcs[5].eccentricity, value=0.7))
    for panel in orbit_panels(flight, dataclasses.replace(findings, arcs=tuple(arcs))):
        for curve in panel.whole:
            heights = np.linalg.norm(curve, axis=1)
            assert np.all(np.isnan(heights) | (heights >= panel.radius - 1e-6))


def test_time_runs_on_and_every_part_can_be_seen(flight, findings):
    scene = timeline(flight, findings)
    assert scene.stretched
    altitude = scene.channels[0]
    assert altitude.column == "altitude"
    drawn = altitude.fit_x[np.isfinite(altitude.fit_x)]
    assert np.all(np.diff(drawn) >= -1e-9) and drawn[0] == 0 and drawn[-1] == 1
    widths = {label: right - left for label, left, right in scene.burns}
    assert sorted(widths) == ["B1", "B2", "B3", "B4", "B5"]
    assert min(widths.values()) > 0.02  # the shortest is 30 s of 17 h
    assert [name for name, _, _ in scene.bodies] == ["Ardent", "Lull"]
    assert altitude.linear_to > 0 and scene.channels[1].linear_to == 0
    places = [place for place, _ in scene.ticks]
    assert min(np.diff(places)) > 0.09
    assert scene.ticks[0][1] == "T+00:00:00"


def test_a_short_flight_has_one_time_scale(flight, findings):
    track = findings.track[findings.track["part"] == "arc 4"]
    scene = timeline(flight, dataclasses.replace(findings, track=track))
    assert not scene.stretched and scene.burns == ()


def test_readings_where_nothing_was_fitted_have_room_and_no_line(flight, findings):
    track = findings.track[findings.track["part"] != "burn 4"]
    extra = findings.track[findings.track["part"] == "burn 4"].tail(3).assign(part="arc 6")
    scene = timeline(flight, dataclasses.replace(findings, track=pd.concat([track, extra])))
    altitude = scene.channels[0]
    unfitted = altitude.used[-4:, 0]  # the last five readings were taken in the landing
    assert np.ptp(unfitted) > 0.015
    gap = int(np.flatnonzero(np.isnan(altitude.fit_x))[-1])
    assert altitude.fit_x[gap - 1] <= unfitted[0] and altitude.fit_x[gap + 1] >= unfitted[0]


def test_a_slip_does_not_set_the_scale(flight, findings):
    table = flight.readings.table.copy()
    table.loc[3, "vertical_speed"] = -85_720.0
    slip = dataclasses.replace(findings.set_aside[0], position=3, column="vertical_speed", value=-85_720.0)
    scene = timeline(dataclasses.replace(flight, readings=dataclasses.replace(flight.readings, table=table)), dataclasses.replace(findings, set_aside=(slip,)))
    channel = next(item for item in scene.channels if item.column == "vertical_speed")
    assert len(channel.set_aside) == 1 and len(channel.used) == len(table) - 1
    assert channel.set_aside[0, 1] > 1.2 * channel.fit_y[np.isfinite(channel.fit_y)].min()


def test_every_reading_is_drawn_burns_too(flight, findings):
    altitude = timeline(flight, findings).channels[0]
    assert len(altitude.used) == 77 and len(altitude.set_aside) == 2
    assert sorted(altitude.used[:, 1])[-1] == pytest.approx(flight.readings.table["altitude"].drop([12, 33]).max() / 1e3)


def test_pictures_are_the_same_every_time_and_small(flight, findings):
    first = {key: picture_bytes(figure, "svg", key) for key, figure in flight_figures(flight, findings).items()}
    again = {key: picture_bytes(figure, "svg", key) for key, figure in flight_figures(flight, findings).items()}
    assert first == again
    assert sorted(first) == ["burns", "legs", "orbits-1", "orbits-2", "orbits-3", "time"]
    assert sum(map(len, first.values())) < 400_000
    assert b"<dc:date>" not in b"".join(first.values())
    assert picture_bytes(flight_figures(flight, findings)["legs"], "png").startswith(b"\x89PNG")


def test_figures_as_files(flight, findings, tmp_path):
    paths = write_figures(flight, findings, tmp_path / "figures")
    assert sorted(path.name for path in paths) == ["burns.svg", "legs.svg", "orbits-1.svg", "orbits-2.svg", "orbits-3.svg", "time.svg"]
    assert all(path.read_bytes().startswith(b"<?xml") for path in paths)


def test_labels_hold_what_they_are_given():
    findings = made_findings()
    burns = tuple(dataclasses.replace(burn, leg=r"$\frac{a$ & <b>") for burn in findings.burns)
    figure = flight_figures(made_flight(), dataclasses.replace(findings, burns=burns))["burns"]
    markup = inline_svg(picture_bytes(figure, "svg").decode(), "burns")
    assert "$\u2216frac{a$ &amp; &lt;b&gt;" in markup


def test_no_global_state_is_left(flight, findings):
    import matplotlib

    before = dict(matplotlib.rcParams)
    for figure in flight_figures(flight, findings).values():
        picture_bytes(figure, "svg")
    assert dict(matplotlib.rcParams) == before
