"""What a look at a read-out costs, on one core, held against the resizing of its crop and against decoding a screenshot; the committed crops."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from analyser.ingest.automaton import compile_pattern
from analyser.ingest.recogniser import ALPHABET, DEEP, QUICK, recognise, score, to_strip
from analyser.ingest.training.calibrate import GRAMMARS

pytestmark = pytest.mark.usefixtures("one_core")
CROPS = Path(__file__).resolve().parent.parent / "panels" / "crops.npz"


@pytest.fixture(scope="module")
def crops():
    """150 mild crops and the grammar of each."""
    with np.load(CROPS) as stored:
        pixels, shapes, kinds, levels = (stored[name] for name in ("pixels", "shapes", "kinds", "levels"))
    ends = np.cumsum(shapes.prod(axis=1))
    cut = [pixels[end - size : end].reshape(shape) for end, size, shape in zip(ends, shapes.prod(axis=1), shapes)]
    return [(crop, GRAMMARS[kind]) for crop, kind, level in zip(cut, kinds, levels) if level == "mild"]


@pytest.mark.parametrize("what", ["png", "strip", "quick", "deep", "both"])
def test_bench_look_at_read_outs(benchmark, crops, what):
    """``png``: decoding one 1920 x 1080 screenshot; the others: 150 crops."""
    dice = np.random.default_rng(1)
    screen = cv2.resize(dice.integers(0, 255, (135, 240, 3)).astype(np.uint8), (1920, 1080), interpolation=cv2.INTER_CUBIC)
    file = cv2.imencode(".png", np.clip(screen + dice.integers(0, 3, screen.shape), 0, 255).astype(np.uint8))[1]
    groups: dict = {}
    for crop, grammar in crops:
        groups.setdefault(grammar, []).append(crop)
    plain = [crop for crop, _ in crops]
    benchmark.extra_info["crops"] = len(plain)
    todo = {
        "png": lambda: cv2.imdecode(file, cv2.IMREAD_COLOR),
        "strip": lambda: [to_strip(crop) for crop in plain],
        "quick": lambda: score(plain, QUICK),
        "deep": lambda: score(plain, DEEP),
        "both": lambda: [recognise(members, compile_pattern(grammar.pattern(), ALPHABET)) for grammar, members in groups.items()],
    }[what]
    benchmark.pedantic(todo, rounds=5, warmup_rounds=1)
