"""Some of the kills of tests/kills.py, and its negative control."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

KILLS = Path(__file__).resolve().parent / "kills.py"


def kills(*arguments: str) -> dict:
    done = subprocess.run([sys.executable, KILLS, "--json", *arguments], capture_output=True, text=True, timeout=500)
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


def test_nothing_reported_is_lost_and_nothing_is_half_written():
    found = kills("--kills", "30", "--seconds", "40")
    assert found["faults"] == []
    assert all(row["kills"] >= 1 and row["reported"] >= 1 for row in found["rows"]) and len(found["rows"]) == 4


def test_a_program_that_reports_too_early_is_caught():
    found = kills("--kills", "12", "--seconds", "20", "--control")
    assert any("was reported as recorded and is not in the logbook" in fault for fault in found["faults"])
