"""Orbit messages, read back by an independent reader (ccsds-ndm, schemas of CCSDS 502.0-B)."""

import dataclasses
from datetime import datetime

import numpy as np
import pytest
from made_flight import ARDENT, LULL, made_flight
from test_debrief import HOSTILE

from analyser.reporting import orbit_messages

reader = pytest.importorskip("ccsds_ndm.ndm_io", reason="the independent reader ccsds-ndm is not installed").NdmIo()


@pytest.fixture(scope="module")
def messages(flight, findings):
    return orbit_messages(flight, findings, datetime(2031, 5, 1))


def vector(state, keys):
    return np.array([float(getattr(state, key).value) for key in keys])


def test_one_message_an_orbit_and_one_for_all(messages):
    assert sorted(messages) == ["orbit-1.opm", "orbit-2.opm", "orbit-3.opm", "orbit-4.opm", "orbit-5.opm", "orbit-6.opm", "orbits.oem"]
    assert all(line.isascii() and len(line) <= 254 for text in messages.values() for line in text.splitlines())


@pytest.mark.parametrize("number", [1, 3, 4])
def test_parameters_read_back(messages, findings, number):
    found = reader.from_string(messages[f"orbit-{number}.opm"])
    arc = findings.arcs[number - 1]
    meta, data = found.body.segment.metadata, found.body.segment.data
    body = {"Ardent": ARDENT, "Lull": LULL}[arc.body]
    assert (meta.center_name, meta.ref_frame, meta.time_system, meta.object_name) == (arc.body.upper(), "PQW_INERTIAL", "TT", "HERON")
    place = vector(data.state_vector, ("x", "y", "z")) * 1e3
    speed = vector(data.state_vector, ("x_dot", "y_dot", "z_dot")) * 1e3
    assert np.linalg.norm(place) == pytest.approx(arc.state[0], rel=1e-9)
    assert place @ speed / np.linalg.norm(place) == pytest.approx(arc.state[1], abs=1e-6)
    momentum = np.cross(place, speed)
    assert momentum[:2] == pytest.approx([0, 0]) and momentum[2] == pytest.approx(arc.state[0] * arc.state[2], rel=1e-9)
    # the eccentricity vector lies along x: the frame is the one that is named
    apse = np.cross(speed, momentum) / body.mu - place / np.linalg.norm(place)
    assert apse == pytest.approx([arc.eccentricity.value, 0, 0], abs=1e-6)
    if number == 3:
        assert data.keplerian_elements is None  # an open orbit
    else:
        assert float(data.keplerian_elements.semi_major_axis.value) * 1e3 == pytest.approx(arc.semi_major_axis.value, rel=1e-9)
        assert float(data.keplerian_elements.gm.value) * 1e9 == pytest.approx(body.mu)


def test_ephemeris_read_back(messages, flight, findings):
    found = reader.from_string(messages["orbits.oem"])
    segments = found.body.segment
    assert [segment.metadata.center_name for segment in segments] == ["ARDENT", "ARDENT", "LULL", "LULL", "LULL", "LULL"]
    for segment, arc in zip(segments, findings.arcs, strict=False):
        mu = {"ARDENT": ARDENT.mu, "LULL": LULL.mu}[segment.metadata.center_name]
        states = segment.data.state_vector
        place = np.array([vector(state, ("x", "y", "z")) for state in states]) * 1e3
        speed = np.array([vector(state, ("x_dot", "y_dot", "z_dot")) for state in states]) * 1e3
        energy = (speed**2).sum(axis=1) / 2 - mu / np.linalg.norm(place, axis=1)
        assert energy == pytest.approx(np.full(len(energy), arc.energy.value), rel=1e-6)
        epochs = [datetime.fromisoformat(state.epoch) for state in states]
        assert epochs == sorted(set(epochs))
        assert (epochs[0] - datetime(2031, 4, 12)).total_seconds() == pytest.approx(arc.start, abs=1e-5)


def test_names_and_dates_that_the_notation_has_no_room_for(findings):
    flight = made_flight(name=HOSTILE + "\nOBJECT_ID = FORGED", date="some day")
    craft = dataclasses.replace(flight.craft, name="H\u00e9ron\r\nCENTER_NAME = X")
    text = orbit_messages(dataclasses.replace(flight, craft=craft), findings)["orbit-1.opm"]
    assert "EPOCH = 2000-01-01T" in text
    assert not any(line.startswith(("OBJECT_ID = FORGED", "CENTER_NAME = X")) for line in text.splitlines())
    assert reader.from_string(text).body.segment.metadata.center_name == "ARDENT"


def test_nothing_fitted_gives_no_message(flight, findings):
    assert orbit_messages(flight, dataclasses.replace(findings, arcs=())) == {}
