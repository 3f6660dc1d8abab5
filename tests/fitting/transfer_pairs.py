"""Random pairs of orbits for the tests of transfers."""

import numpy as np

MU = 3.9860e14
LOW = 6.4e6


def random_orbits(rng, count, *, dip=0.7, ellipses=0.7, roundest=0.95, slowest=1.02, fastest=2.5):
    """Energies and angular momenta of orbits whose periapsides lie down to exp(-dip) of the lower limit; the others of them are hyperbolas."""
    periapsis = LOW * np.exp(rng.uniform(-dip, 1.0, count))
    e = np.where(rng.random(count) < ellipses, rng.uniform(0, roundest, count), rng.uniform(slowest, fastest, count))
    return -MU * (1 - e) / (2 * periapsis), np.sqrt(MU * periapsis * (1 + e))


def random_pairs(count, seed):
    """Ellipses and hyperbolas, dipping under the lower limit or leaving the upper one, in planes up to half a turn apart."""
    rng = np.random.default_rng(seed)
    high = LOW * rng.uniform(3, 40, count)
    first, second = random_orbits(rng, count), random_orbits(rng, count)
    angle = np.where(rng.random(count) < 0.5, rng.uniform(0, 0.3, count), rng.uniform(0.3, np.pi, count))
    return (*first, *second, angle, np.full(count, LOW), high)


def random_level_pairs(count, seed):
    """The same in one plane, flown either way round."""
    rng = np.random.default_rng(seed)
    high, pairs = LOW * rng.uniform(3, 40, count), []
    for _ in range(2):
        energy, h = random_orbits(rng, count)
        pairs += [energy, h * np.where(rng.random(count) < 0.15, -1, 1)]
    return (*pairs, np.full(count, LOW), high)


def random_apse_pairs(count, seed):
    """In one plane, with the second periapsis an angle ahead: pairs of (energy, angular momentum), the angle, the upper limit."""
    rng = np.random.default_rng(seed)
    orbits = [list(zip(*random_orbits(rng, count, dip=0.3, ellipses=0.8, roundest=0.85, slowest=1.05, fastest=2.0))) for _ in range(2)]
    return list(zip(*orbits, rng.uniform(0, 2 * np.pi, count), LOW * rng.uniform(5, 30, count)))


def random_ellipse_pairs(count, seed):
    """Ellipses between the limits, half of them in one plane, in room for a third impulse far out or hardly any."""
    rng = np.random.default_rng(seed)
    pairs, farthest = [], np.zeros(count)
    for _ in range(2):
        periapsis = LOW * np.exp(rng.uniform(0, 2.5, count))
        e = np.where(rng.random(count) < 0.2, 0.0, rng.uniform(0, 0.8, count))
        pairs += [-MU * (1 - e) / (2 * periapsis), np.sqrt(MU * periapsis * (1 + e))]
        farthest = np.maximum(farthest, periapsis * (1 + e) / (1 - e))
    angle = np.where(rng.random(count) < 0.5, 0.0, rng.uniform(0, 0.8 * np.pi, count))
    return (*pairs, angle, np.full(count, LOW), farthest * np.exp(rng.uniform(0.05, 4, count)))


class Reach:
    """From where to where an orbit is flown between the limits, arrays (n, 1), and its speeds there."""

    def __init__(self, energy, h, low, high):
        e = np.sqrt(np.maximum(1 + 2 * energy * h**2 / MU**2, 0))
        with np.errstate(divide="ignore", invalid="ignore"):
            apoapsis = np.where(energy < 0, h**2 / MU / (1 - e), np.inf)
        self.low, self.high = np.maximum(h**2 / MU / (1 + e), low)[:, None], np.minimum(apoapsis, high)[:, None]
        self.energy, self.h = energy[:, None], h[:, None]
        self.known = (self.low <= self.high)[:, 0]

    def at(self, place):
        """Radius, radial and transverse speed at a place, 0 .. 1."""
        r = np.clip(place, 0, 1) ** 2 * (self.high - self.low) + self.low
        return r, *self.speeds(r)

    def speeds(self, r):
        return np.sqrt(np.maximum(2 * (self.energy + MU / r) - (self.h / r) ** 2, 0)), self.h / r


def corners(z, rng, part):
    """A part of the trials starts at the ends of the radii: corners are hard to meet by chance."""
    for k in (0, 1):
        corner = rng.random(z[k].shape)
        z[k] = np.where(corner < part, 0.0, np.where(corner > 1 - part, 1.0, z[k]))
