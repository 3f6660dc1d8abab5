"""Debriefs a simulated space flight flown by cockpit instruments alone.

>>> import analyser
>>> flight = analyser.load_flight("samples/flights/first-try")   # doctest: +SKIP
>>> findings = analyser.fit_flight(flight)                        # doctest: +SKIP

For simulated flight and training; not for navigating or operating real craft.
"""

from __future__ import annotations

__version__ = "0.1.0"
__all__ = ["fit_flight", "load_flight", "write_debrief"]


def __getattr__(name: str):
    # Loaded on first use: `import analyser` must stay quick for the commands that answer in flight.
    if name == "load_flight":
        from analyser.ingest import load_flight

        return load_flight
    if name == "fit_flight":
        from analyser.fitting import fit_flight

        return fit_flight
    if name == "write_debrief":
        from analyser.reporting import write_debrief

        return write_debrief
    raise AttributeError(f"module 'analyser' has no attribute {name!r}")
