"""A small flight simulator that makes the sample flights and the tests' random ones.

It integrates thrust, gravity and drag numerically (scipy's DOP853) and knows nothing of the analyser: no
formula, no code, no import is shared, so what it says can be held against what the analyser finds.

Modules: ``bodies`` and ``craft`` (what flies and where), ``motion`` (the integrator), ``conditions`` (when a phase ends), ``steering`` (how the
pilot points and throttles), ``truth`` (what really happened, as plain data), ``instruments`` (what the panel
showed and what the pilot typed, slips included), ``random_flights``, ``missions`` (the scenario's flights),
``cockpit`` (the drawn panel).
"""

from .bodies import Air, Body, World
from .craft import Craft, Stage
from .motion import Simulation
from .random_flights import SimulatedFlight, random_coast, random_flight, write_flight_folder
from .random_worlds import random_craft, random_world
from .truth import truth_of

__all__ = [
    "Air", "Body", "World", "Craft", "Stage", "Simulation", "SimulatedFlight",
    "random_coast", "random_craft", "random_flight", "random_world", "truth_of", "write_flight_folder",
]
