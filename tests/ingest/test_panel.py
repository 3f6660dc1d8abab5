"""Panel files: what is understood, and one clear sentence for what is not."""

from __future__ import annotations

import math

import pytest

from analyser.errors import DescriptionError
from analyser.ingest.panel import load_panel

GOOD = """
reference = "reference.png"
[gauges.altimeter]
kind = "readout"
reads = "altitude"
corners = [[812, 140], [955, 142], [954, 176], [811, 174]]
units = ["m", "km", "Mm"]
[gauges.climb]
kind = "dial"
reads = "vertical_speed"
unit = "ft/s"
corners = [[10, 10], [110, 10], [110, 110], [10, 110]]
scale = [[-135, -200], [0, 0], [135, 200]]
[gauges.ball]
kind = "attitude"
reads = ["pitch", "roll"]
corners = [[210, 10], [310, 10], [310, 110], [210, 110]]
[gauges.tank]
kind = "readout"
reads = "propellant"
unit = "%"
corners = [[10, 210], [110, 210], [110, 240], [10, 240]]
"""


def written(tmp_path, text: str):
    (tmp_path / "panel.toml").write_text(text, encoding="utf-8")
    return tmp_path / "panel.toml"


def test_gauges_come_out_in_si(tmp_path):
    panel = load_panel(written(tmp_path, GOOD))
    assert panel.reference == tmp_path / "reference.png"
    assert dict(panel.gauges["altimeter"].units) == {"m": 1.0, "km": 1e3, "Mm": 1e6}
    climb = panel.gauges["climb"]
    assert climb.scale[0] == pytest.approx((math.radians(-135), -200 * 0.3048))
    assert panel.gauges["ball"].reads == ("pitch", "roll")
    tank = panel.gauges["tank"]
    assert tank.reads == ("propellant_fraction",) and tank.grammar.parse("87")[0].value == pytest.approx(0.87)


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ('kind = "readout"', 'kind = "readuot"', "kind"),
        ('reads = "altitude"', 'reads = "altitud"', "nearest is 'altitude'"),
        ('units = ["m", "km", "Mm"]', 'units = ["m", "kg"]', "kg"),
        ('units = ["m", "km", "Mm"]', 'unit = "m"\nunits = ["m"]', "not both"),
        ('units = ["m", "km", "Mm"]', "", "unit"),
        ("[811, 174]]", "[811]]", "four pixel corners"),
        ("[[812, 140], [955, 142], [954, 176], [811, 174]]", "[[811, 174], [954, 176], [955, 142], [812, 140]]", "clockwise"),
        ("scale = [[-135, -200], [0, 0], [135, 200]]", "scale = [[0, 0]]", "two pairs"),
        ("scale = [[-135, -200], [0, 0], [135, 200]]", "scale = [[0, 0], [0, 5]]", "same place"),
        ('unit = "ft/s"', 'unit = "ft/s"\nunts = 3', "unts"),
        ('reference = "reference.png"', "", "reference"),
        ('reference = "reference.png"', 'reference = "reference.png', "line 2"),
        ('["pitch", "roll"]', '["pitch", "altitude"]', "attitude ball"),
    ],
)
def test_a_slip_is_named_with_its_key(tmp_path, old, new, found):
    path = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(DescriptionError) as caught:
        load_panel(path)
    assert str(path) in str(caught.value) and found in str(caught.value) and "\n" not in str(caught.value)


def test_no_gauges_and_no_file(tmp_path):
    with pytest.raises(DescriptionError, match="gauges"):
        load_panel(written(tmp_path, 'reference = "a.png"\n'))
    with pytest.raises(DescriptionError):
        load_panel(tmp_path / "missing.toml")


def test_damaged_panel_files_end_in_a_panel_or_one_clear_sentence(tmp_path):
    import random

    dice = random.Random(8)
    refused = 0
    for _ in range(500):
        text = bytearray(GOOD.encode())
        for _ in range(dice.randrange(1, 5)):
            place = dice.randrange(len(text))
            kind = dice.randrange(3)
            if kind == 0:
                text[place] = dice.randrange(256)
            elif kind == 1:
                del text[place : place + dice.randrange(1, 40)]
            else:
                text[place:place] = dice.choice([b"1e400", b"-1", b"[", b"nan", b'"', b"99999999999999999999", b"\n", b"inf"])
        (tmp_path / "panel.toml").write_bytes(bytes(text))
        try:
            load_panel(tmp_path / "panel.toml")
        except DescriptionError as error:
            refused += 1
            assert "\n" not in str(error)
    assert refused > 200
