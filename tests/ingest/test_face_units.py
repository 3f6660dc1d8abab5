"""Units of one letter on a dial's face: proposed where the face shows them for certain, left to the person where it does not."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from analyser.ingest.proposals import propose, write_proposal
from analyser.ingest.proposed_face_units import face_unit
from analyser.ingest.proposed_names import has_factor, spellings_on_faces

FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
DARK, LIGHT = ((14, 16, 20), (226, 230, 232)), ((240, 238, 226), (40, 34, 30))  # glass, ink
FINE = 2  # drawn so many times as large


def board(label: str, unit: str, face: str = "DejaVuSerif.ttf", colours=DARK, radius: int = 120, top: float = 50.0, numbers_at: float = 0.66) -> np.ndarray:
    """A plain board with one dial: its label over its unit in the lower half, six numbers round it."""
    glass, ink = colours
    image = Image.new("RGB", (1280 * FINE, 720 * FINE), (92, 98, 88))
    pen, x, y = ImageDraw.Draw(image), 620, 350

    def font(part: float):
        return ImageFont.truetype(str(FONTS / face), round(part * radius) * FINE)

    def at(degrees: float, part: float) -> tuple[float, float]:
        return (x + radius * part * math.sin(math.radians(degrees))) * FINE, (y - radius * part * math.cos(math.radians(degrees))) * FINE

    def disc(part: float, colour) -> None:
        pen.ellipse([(x - part * radius) * FINE, (y - part * radius) * FINE, (x + part * radius) * FINE, (y + part * radius) * FINE], fill=colour)

    disc(1.06, (30, 30, 30))
    disc(1.0, glass)
    for step in range(21):
        angle = -130 + 13 * step
        pen.line([at(angle, 0.8 if step % 4 == 0 else 0.88), at(angle, 0.96)], fill=ink, width=(3 if step % 4 == 0 else 1) * FINE)
        if step % 4 == 0:
            pen.text(at(angle, numbers_at), f"{top * step / 20:g}", font=font(0.13), fill=ink, anchor="mm")
    pen.text(at(180, 0.36), label, font=font(0.13), fill=ink, anchor="mm")
    pen.text(at(180, 0.55), unit, font=font(0.17), fill=ink, anchor="mm")
    pen.polygon([at(-50, 0.8), at(40, 0.04), at(130, 0.2), at(-140, 0.04)], fill=(220, 70, 40))
    return cv2.resize(np.asarray(image)[:, :, ::-1], (1280, 720), interpolation=cv2.INTER_AREA)


def dial_on(picture: np.ndarray):
    (only,) = [each for each in propose(picture) if each.kind == "dial"]
    return only


@pytest.mark.parametrize(("label", "unit", "face", "colours"), [
    ("ALTITUDE", "m", "STIXGeneralBol.ttf", DARK), ("LOAD", "g", "DejaVuSerif.ttf", LIGHT), ("PROPELLANT", "t", "cmss10.ttf", DARK),
    ("PROPELLANT", "%", "DejaVuSans.ttf", LIGHT), ("ALTITUDE", "ft", "STIXGeneral.ttf", LIGHT),
])  # fmt: skip
def test_a_unit_of_a_letter_or_two_is_proposed(label, unit, face, colours):
    assert dial_on(board(label, unit, face, colours)).unit == unit


@pytest.mark.parametrize(("label", "unit"), [("ALTITUDE", ""), ("PROPELLANT", "N"), ("ALTITUDE", "x 10 m"), ("LOAD", "9"), ("PROPELLANT", "g")])
def test_what_is_no_unit_of_the_column_or_counts_tens_is_left_to_the_person(label, unit):
    assert dial_on(board(label, unit)).unit == ""


def test_numbers_that_look_like_a_unit_are_none():
    """A dial of felt acceleration with a 9 in an inner ring of numbers, and no unit."""
    picture = board("LOAD", "", "DejaVuSans.ttf", LIGHT, top=15.0, numbers_at=0.55)
    left, top, right, bottom = dial_on(picture).box
    assert face_unit(picture[top:bottom, left:right], "acceleration") == ""


def test_the_proposed_file_holds_the_unit_or_asks_for_it(tmp_path):
    for name, unit in (("with", "t"), ("without", "")):
        cv2.imwrite(str(tmp_path / f"{name}.png"), board("FUEL", unit))
        write_proposal(tmp_path / f"{name}.png", tmp_path / name)
    assert 'unit = "t"' in (tmp_path / "with" / "panel.toml").read_text("utf-8")
    asked = (tmp_path / "without" / "panel.toml").read_text("utf-8")
    assert 'WHICH UNIT?' in asked and "to complete: in which unit" in asked


def test_factors_and_spellings():
    assert all(map(has_factor, ("ALT x1000 ft", "100 m", "x 10", "1000 FT", "RPM X100", "xl0 m"))) and not any(map(has_factor, ("ALTITUDE", "MAX 9 g", "m/s", "T 4", "MAX limit")))
    assert spellings_on_faces("altitude")["KM"] == "km" and "MM" in spellings_on_faces("altitude")
    assert spellings_on_faces("met") == {} and spellings_on_faces("") == {} and "%" in spellings_on_faces("propellant") and "%" not in spellings_on_faces("altitude")
