"""Legs between a planet and its moon by patched conics, both ways: :func:`to_moon`, :func:`from_moon`, :func:`free_return`.

The least delta-v from anywhere on the orbit left: the orbit that crosses to the other body is one with an apsis at an apsis of the one left (or at the
ground, where the periapsis is under it), reached by the cheapest one or two impulses (:mod:`analyser.fitting.transfer`). Waiting for the place and the
angle is free and not in the delta-v.
"""

from analyser.fitting.moon_homeward import from_moon
from analyser.fitting.moon_outward import free_return, to_moon
from analyser.fitting.moon_patch import Crossing, MoonPlace

__all__ = ["Crossing", "MoonPlace", "free_return", "from_moon", "to_moon"]
