"""Files into readings: typed tables, screenshots, and the descriptions of worlds, craft, plans and flights.

What is named here is loaded on first use, so that a command that only wants a world pays for nothing else.
"""

from __future__ import annotations

import importlib

_PARTS = {
    "flight_inputs": "flights",
    "load_flight": "flights",
    "load_world": "descriptions",
    "load_craft": "descriptions",
    "load_plan": "descriptions",
    "read_table": "tables",
    "merge_readings": "merging",
    "write_readings": "writing",
    "write_detail": "writing",
}
__all__ = list(_PARTS)


def __getattr__(name: str):
    if name in _PARTS:
        return getattr(importlib.import_module(f"analyser.ingest.{_PARTS[name]}"), name)
    raise AttributeError(f"module 'analyser.ingest' has no attribute {name!r}")
