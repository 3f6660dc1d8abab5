"""Readings tables for tests, through the real reader."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from analyser.ingest import read_table

WORLDS = Path(__file__).resolve().parents[2] / "samples" / "worlds"


def table(folder: Path, text: str, craft=None) -> pd.DataFrame:
    """The table of a CSV text."""
    path = folder / "readings.csv"
    path.write_text(text)
    return read_table(path, craft).table
