"""A dial cut out askew is laid on the reference picture's by its own print; without print nothing is moved."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from drawn_dials import Face, Hand, draw_dial, gauge_of, round_marks

from analyser.ingest.dial_faces import face_shift
from analyser.ingest.dials import see_dials
from analyser.ingest.unrolled import unrolled

SIZE = 160


def askew(picture: np.ndarray, twist: float, right: float, down: float) -> np.ndarray:
    """The dial twisted clockwise (degrees) and moved (pixels of SIZE)."""
    small = cv2.resize(picture, (SIZE, SIZE), interpolation=cv2.INTER_AREA)
    middle = SIZE / 2 - 0.5
    move = cv2.getRotationMatrix2D((middle, middle), -twist, 1.0)
    move[:, 2] += right, down
    return cv2.warpAffine(small, move, (SIZE, SIZE), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def dial(degrees: float) -> np.ndarray:
    return draw_dial(Face(round_marks(40, 4)), [(Hand(0.84, 0.2, 0.035), degrees)])


@pytest.mark.parametrize(("twist", "right", "down"), [(0, 0, 0), (1.5, 0, 0), (-2.5, 1, 0), (0.7, -1, 1.5), (0, 2, -1)])
def test_twist_and_place_are_found(twist, right, down):
    dice = np.random.default_rng(4)
    reference = unrolled(askew(dial(40), 0, 0, 0))
    for needle in (10.0, 130.0, 260.0):
        crop = np.clip(askew(dial(needle), twist, right, down) + dice.normal(0, 3, (SIZE, SIZE, 3)), 0, 255).astype(np.uint8)
        found = face_shift(unrolled(crop), reference)
        assert abs(math.degrees(found[0]) - twist) < 0.25
        assert np.abs(np.array(found[1:]) * SIZE / 2 - (right, down)).max() < 0.5


def test_a_needle_is_read_as_if_the_dial_stood_straight(tmp_path):
    gauge = gauge_of(tmp_path, 'kind = "dial"\nreads = "speed"\nunit = "m/s"\nscale = [[-180, -180], [180, 180]]')
    crops = [askew(dial(angle), 2.0, 1.0, -1.0) for angle in (-100, -20, 35, 90)]
    looks = see_dials(gauge, crops, askew(dial(0), 0, 0, 0))
    for (look,), angle in zip(looks, (-100, -20, 35, 90)):
        assert abs(look.reading.best.value - angle) < 0.5


def test_a_bare_face_and_another_dial_move_nothing():
    bare = unrolled(cv2.resize(draw_dial(Face(()), [(Hand(0.84), 30.0)]), (SIZE, SIZE)))
    noise = np.random.default_rng(1).normal(128, 20, bare.shape).astype(np.float32)
    assert face_shift(bare, bare) == (0.0, 0.0, 0.0)
    assert face_shift(noise, unrolled(askew(dial(40), 0, 0, 0))) == (0.0, 0.0, 0.0)
