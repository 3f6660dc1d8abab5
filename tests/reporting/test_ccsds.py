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


def test_an_arc_whose_plane_is_known_stands_in_the_bodys_axes(flight, findings):
    """Position, velocity, elements and covariance, read back, agree with each other and with the orientation that went in."""
    tilt, node, place = 0.9, 2.0, 0.4

    def turned(axis, angle):
        one, two = [(1, 2), (2, 0), (0, 1)][axis]
        matrix = np.eye(3)
        matrix[one, one] = matrix[two, two] = np.cos(angle)
        matrix[one, two], matrix[two, one] = -np.sin(angle), np.sin(angle)
        return matrix

    arc = findings.arcs[0]
    spread = np.diag([2.0, 0.1, 0.1, 1e-4, 2e-4, 3e-4]) ** 2
    laid = dataclasses.replace(arc, orientation=turned(2, node) @ turned(0, tilt) @ turned(2, place), orientation_covariance=spread)
    messages = orbit_messages(flight, dataclasses.replace(findings, arcs=(laid, *findings.arcs[1:])), datetime(2031, 5, 1))
    found = reader.from_string(messages["orbit-1.opm"])
    meta, data = found.body.segment.metadata, found.body.segment.data
    assert meta.ref_frame == "ALIGN_CB" and str(meta.ref_frame_epoch).startswith(flight.date)
    position = vector(data.state_vector, ("x", "y", "z")) * 1e3
    velocity = vector(data.state_vector, ("x_dot", "y_dot", "z_dot")) * 1e3
    assert np.linalg.norm(position) == pytest.approx(arc.state[0], rel=1e-9)
    normal = np.cross(position, velocity)
    normal /= np.linalg.norm(normal)
    assert np.arccos(normal[2]) == pytest.approx(tilt) and np.arctan2(normal[0], -normal[1]) == pytest.approx(node)
    assert position[2] / arc.state[0] == pytest.approx(np.sin(tilt) * np.sin(place))
    elements = data.keplerian_elements
    assert float(elements.inclination.value) == pytest.approx(np.degrees(tilt)) and float(elements.ra_of_asc_node.value) == pytest.approx(np.degrees(node))
    latitude = (float(elements.arg_of_pericenter.value) + float(elements.true_anomaly.value)) % 360
    assert latitude == pytest.approx(np.degrees(place))
    # up the radius only the state's own first variance counts, across the plane the turn about the forward axis times the radius
    covariance = data.covariance_matrix
    matrix = np.zeros((3, 3))
    for row, one in enumerate("xyz"):
        for column, two in enumerate("xyz"[: row + 1]):
            matrix[row, column] = matrix[column, row] = float(getattr(covariance, f"c{one}_{two}").value) * 1e6
    up = position / np.linalg.norm(position)
    assert up @ matrix @ up == pytest.approx(4.0, rel=1e-6)
    forward = np.cross(normal, up)
    assert normal @ matrix @ normal == pytest.approx(arc.state[0] ** 2 * forward @ spread[3:, 3:] @ forward, rel=1e-6)
    # and the ephemeris starts in the same plane
    states = reader.from_string(messages["orbits.oem"]).body.segment[0].data.state_vector
    for state in states:
        assert abs(vector(state, ("x", "y", "z")) @ normal) < 1e-6 * np.linalg.norm(vector(state, ("x", "y", "z")))
