"""The bodies of a world: pull, size, spin, air, and where a moon stands at a given time."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from .quantities import si

TURN = 2.0 * math.pi


@dataclass(frozen=True)
class Air:
    """Air thinning exponentially with altitude, none above ``top`` (m); density in kg/m^3, scale height in m."""

    top: float
    surface_density: float
    scale_height: float

    def density(self, altitude: float) -> float:
        """Density at an altitude, kg/m^3."""
        return self.surface_density * math.exp(-altitude / self.scale_height) if altitude < self.top else 0.0


@dataclass(frozen=True)
class Body:
    """A planet or moon; SI units, angles in rad; ``mean_anomaly`` at MET 0. The spin axis is +z and the
    prime meridian lies along +x at MET 0. ``spin`` is the rotation rate in rad/s."""

    name: str
    mu: float
    radius: float
    spin: float = 0.0
    parent: str | None = None
    semi_major_axis: float = 0.0
    eccentricity: float = 0.0
    inclination: float = 0.0
    argument_of_periapsis: float = 0.0
    node: float = 0.0
    mean_anomaly: float = 0.0
    air: Air | None = None
    soi: float = math.inf
    mean_motion: float = 0.0

    @property
    def air_top(self) -> float:
        """Radius of the top of the air, m (the ground where there is none)."""
        return self.radius + (self.air.top if self.air else 0.0)

    def place(self, met: float) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Position (m) and velocity (m/s) about the parent at a time; the moon keeps to its Kepler orbit."""
        e, a = self.eccentricity, self.semi_major_axis
        mean = self.mean_anomaly + self.mean_motion * met
        big = mean
        if e:
            mean = math.remainder(mean, TURN)
            big = mean + e * math.sin(mean)
            for _ in range(30):
                step = (big - e * math.sin(big) - mean) / (1.0 - e * math.cos(big))
                big -= step
                if abs(step) < 1e-14:
                    break
        cos, sin, b = math.cos(big), math.sin(big), math.sqrt(1.0 - e * e)
        rate = self.mean_motion / (1.0 - e * cos)
        x, y = a * (cos - e), a * b * sin
        u, w = -a * sin * rate, a * b * cos * rate
        return self._turned(x, y), self._turned(u, w)

    def _turned(self, x: float, y: float) -> tuple[float, float, float]:
        co, so = math.cos(self.argument_of_periapsis), math.sin(self.argument_of_periapsis)
        x, y = co * x - so * y, so * x + co * y
        ci, si_ = math.cos(self.inclination), math.sin(self.inclination)
        y, z = ci * y, si_ * y
        cn, sn = math.cos(self.node), math.sin(self.node)
        return cn * x - sn * y, sn * x + cn * y, z


@dataclass(frozen=True)
class World:
    """Bodies by name. Make it with :func:`world_of`, which fills in what follows from the rest."""

    name: str
    bodies: dict[str, Body] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Body:
        return self.bodies[name]

    def moons(self, name: str) -> list[Body]:
        """Bodies that orbit the named one."""
        return [body for body in self.bodies.values() if body.parent == name]

    @property
    def planet(self) -> Body:
        """The body that orbits nothing."""
        return next(body for body in self.bodies.values() if body.parent is None)


def world_of(name: str, bodies: list[Body], synchronous: tuple[str, ...] = ()) -> World:
    """A world with spheres of influence (a (m/M)^0.4) and mean motions filled in."""
    done: dict[str, Body] = {}
    masses = {body.name: body.mu for body in bodies}
    for body in bodies:
        if body.parent is not None:
            motion = math.sqrt(masses[body.parent] / body.semi_major_axis**3)
            changes = {
                "mean_motion": motion,
                "soi": body.semi_major_axis * (body.mu / masses[body.parent]) ** 0.4,
            }
            if body.name in synchronous:
                changes["spin"] = motion
            body = Body(**{**body.__dict__, **changes})
        done[body.name] = body
    return World(name, done)


def read_world(path: str | Path) -> World:
    """A world from its TOML description."""
    told = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    bodies, synchronous = [], []
    for name, item in told["bodies"].items():
        air = item.get("atmosphere")
        rotation = item.get("rotation_period", 0.0)
        if rotation == "synchronous":
            synchronous.append(name)
            spin = 0.0
        else:
            spin = TURN / si(rotation) if rotation else 0.0
        bodies.append(
            Body(
                name=name,
                mu=si(item["gravitational_parameter"]),
                radius=si(item["radius"]),
                spin=spin,
                parent=item.get("parent"),
                semi_major_axis=si(item.get("semi_major_axis", 0.0)),
                eccentricity=si(item.get("eccentricity", 0.0)),
                inclination=si(item.get("inclination", 0.0)),
                argument_of_periapsis=si(item.get("argument_of_periapsis", 0.0)),
                node=si(item.get("longitude_of_ascending_node", 0.0)),
                mean_anomaly=si(item.get("mean_anomaly_at_epoch", 0.0)),
                air=Air(*(si(air[key]) for key in ("top", "surface_density", "scale_height"))) if air else None,
            )
        )
    return world_of(told["name"], bodies, tuple(synchronous))


def world_toml(world: World) -> str:
    """The TOML description of a world, bare SI numbers in full precision."""
    lines = [f'name = "{world.name}"']
    for body in world.bodies.values():
        lines += ["", f"[bodies.{body.name}]"]
        lines += [f"gravitational_parameter = {body.mu!r}", f"radius = {body.radius!r}"]
        if body.parent is not None and body.spin == body.mean_motion:
            lines.append('rotation_period = "synchronous"')
        elif body.spin:
            lines.append(f"rotation_period = {TURN / body.spin!r}")
        if body.parent is not None:
            lines += [
                f'parent = "{body.parent}"',
                f"semi_major_axis = {body.semi_major_axis!r}",
                f"eccentricity = {body.eccentricity!r}",
                f"inclination = {body.inclination!r}",
                f"argument_of_periapsis = {body.argument_of_periapsis!r}",
                f"longitude_of_ascending_node = {body.node!r}",
                f"mean_anomaly_at_epoch = {body.mean_anomaly!r}",
            ]
        if body.air:
            lines += [
                "", f"[bodies.{body.name}.atmosphere]", f"top = {body.air.top!r}",
                f"surface_density = {body.air.surface_density!r}", f"scale_height = {body.air.scale_height!r}",
            ]
    return "\n".join(lines) + "\n"
