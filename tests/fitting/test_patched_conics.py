"""Two-body motion against an N-body integrator (REBOUND), alone and with a moon's pull: how far patched conics can be trusted."""

import math

import numpy as np
import pytest

pytest.importorskip("rebound", reason="the N-body second opinion is a test dependency")
from patched_conics import departure, flown  # noqa: E402
from tables import WORLDS  # noqa: E402

from analyser.fitting import conic  # noqa: E402
from analyser.ingest import load_world  # noqa: E402

WORLD = load_world(WORLDS / "ardent.toml")
ARDENT, LULL = WORLD["Ardent"], WORLD["Lull"]


@pytest.mark.parametrize("eccentricity", [0.0, 0.4, 1.3])
def test_with_one_body_both_agree(eccentricity):
    radius = 1.2 * ARDENT.radius
    speed = math.sqrt(ARDENT.mu / radius * (1 + eccentricity))
    times = np.linspace(0, 6 * radius / speed, 7)[1:]
    ours = np.stack(conic.propagate(ARDENT.mu, radius, 0.0, speed, times))
    theirs = flown(ARDENT, None, ARDENT, radius, 0.0, times, eccentricity)
    assert np.allclose(ours / [[radius], [speed], [speed]], theirs / [[radius], [speed], [speed]], atol=1e-9)


def test_low_about_the_moon_a_conic_holds_and_near_the_edge_it_does_not():
    """Parts of the radius within a quarter turn: the table of DEVELOPERS.md."""
    low, middle, high = (departure(ARDENT, LULL, LULL, fraction)[0] for fraction in (0.1, 0.3, 0.7))
    assert low < 2e-3 < 0.02 < middle < high
    assert high > 0.1


def test_the_departure_grows_as_the_cube_of_the_distance():
    """Tides: far inside, the other body's pull over the nearer one's goes with the cube of the distance (Curtis, section 8.4)."""
    near, far = (departure(ARDENT, LULL, LULL, fraction)[0] for fraction in (0.06, 0.12))
    assert far / near == pytest.approx(8.0, rel=0.25)
