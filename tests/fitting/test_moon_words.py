"""What is said of a leg to or from a moon: the window, the free return, corrections, against the numbers they come from and by flying them."""

import math
import re
from dataclasses import replace

import pytest

from analyser.fitting import moon, moon_check, moon_words
from analyser.fitting.ideal import Place, plan_leg
from analyser.flight import Atmosphere, Body, Goal, World

ARDENT = Body("Ardent", 6.1e12, 890e3, 25920.0, atmosphere=Atmosphere(58e3, 1.1, 6.2e3))
LULL = Body("Lull", 2.1e11, 310e3, 247_500.0, "Ardent", 21_000e3, sphere_of_influence=5457e3, mean_anomaly_at_epoch=math.radians(40))
WORLD = World("made", {"Ardent": ARDENT, "Lull": LULL})


@pytest.fixture(scope="module")
def legs():
    out = moon.to_moon(ARDENT, LULL, Place.around(ARDENT, 80e3, 80e3).orbit, 340e3)
    home = moon.from_moon(ARDENT, LULL, Place.around(LULL, 20e3, 20e3).orbit, 924e3)
    return out, home


def test_the_window_follows_the_moon(legs):
    leg = replace(legs[0], phase=math.radians(115.9))
    (_, now) = moon_words.window_words(ARDENT, LULL, leg, 0.0, 2455.0, True)
    (_, later) = moon_words.window_words(ARDENT, LULL, leg, 36_000.0, 2455.0, True)
    place = [float(re.search(r"place is at ([\d.]+) deg", words)[1]) for words in (now, later)]
    assert place[0] == pytest.approx((40 - 115.9) % 360, abs=0.06)
    rate = math.degrees(math.sqrt(6.1e12 / 21e6**3))
    assert (place[1] - place[0]) % 360 == pytest.approx(36_000 * rate, abs=0.11)
    unknown = Body("L", 2.1e11, 310e3, parent="Ardent", semi_major_axis=21e6)
    assert len(moon_words.window_words(ARDENT, unknown, leg, 0.0, math.nan, True)) == 0
    (wait,) = moon_words.window_words(ARDENT, unknown, leg, 0.0, math.nan, False)
    assert "once in 68 h" in wait or "once in 2 d" in wait


def test_a_correction_home_shifts_the_periapsis_by_what_it_says(legs):
    """The impulse of the size told, in its best direction, found by turning it all round: the largest shift is the miss asked for."""
    from analyser.fitting.conic import propagate
    from analyser.fitting.transfer import apsides

    _, home = legs
    before, miss = 2 * 3600.0, 2e3
    cost = moon_check.home_correction_cost(ARDENT, home, miss, before)
    energy, h = home.planet_orbit
    low = float(apsides(ARDENT.mu, energy, h)[0])
    r, vr, vt = (float(x) for x in propagate(ARDENT.mu, low, 0.0, h / low, -before))
    shifts = []
    for k in range(360):
        u, w = vr + cost * math.cos(math.radians(k)), vt + cost * math.sin(math.radians(k))
        shifts.append(float(apsides(ARDENT.mu, (u * u + w * w) / 2 - ARDENT.mu / r, r * w)[0]) - low)
    assert max(shifts) == pytest.approx(miss, rel=0.01)
    assert math.isnan(moon_check.home_correction_cost(ARDENT, home, miss, home.time_after + 1))


def test_corrections_cost_more_the_later(legs):
    out, home = legs
    for words in (moon_words.outward_words(ARDENT, LULL, Place.around(ARDENT, 80e3, 80e3).orbit, out), moon_words.homeward_words(ARDENT, LULL, home, 924e3)):
        said = next(line for line in words if line.startswith("putting right"))
        costs = [float(x) for x in re.findall(r"([\d.]+) m/s \d", said)]
        assert len(costs) == 3 and costs == sorted(costs) and costs[0] < costs[-1]
        assert "hour's delay" in said


def test_a_free_return_told_is_one_that_flies():
    leg = plan_leg(Goal("periapsis", "Lull", 30e3), WORLD, None, Place.around(ARDENT, 80e3, 80e3, 0.0), check=True).ideal
    said = next(line for line in leg.remarks if line.startswith("a free return"))
    found = moon.free_return(ARDENT, LULL, Place.around(ARDENT, 80e3, 80e3).orbit, 340e3)
    assert f"{found.delta_v:.1f} m/s" in said and "comes back to 80 km over Ardent" in said
    flown = moon_check.fly_to_moon(ARDENT, LULL, found, both=False)
    assert flown.periapsis == pytest.approx(340e3, abs=100)
    assert any("comes round every 41 min" in line for line in leg.remarks)
    assert leg.burns[0].every == pytest.approx(2455, abs=10)
