"""Readings into findings: two-body motion, arcs, orbit fits, burns, legs, the ideal plan. Reads no file."""

from __future__ import annotations

__all__ = ["fit_flight"]


def __getattr__(name: str):
    # Quick commands use single modules of this stage; the whole of it is loaded only when asked for.
    if name == "fit_flight":
        from analyser.fitting.analyse import fit_flight

        return fit_flight
    raise AttributeError(f"module 'analyser.fitting' has no attribute {name!r}")
