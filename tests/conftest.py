"""Shared by all tests: the simulator of the samples is importable as ``simulator``."""

from __future__ import annotations

import sys
from pathlib import Path

from hypothesis import settings

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "samples"))

# the same cases every time; what a wider search once found stands beside each test as an example
settings.register_profile("repeatable", derandomize=True)
settings.load_profile("repeatable")
