"""Density of the air about a body, and the US Standard Atmosphere of 1976 up to 86 km."""

from __future__ import annotations

import numpy as np

from analyser.flight import STANDARD_GRAVITY, Atmosphere

# US Standard Atmosphere, 1976 (NOAA, NASA, USAF), part 1: constants and the layers of table 4.
_EARTH_RADIUS = 6356766.0  # m, of its geopotential altitude
_GAS = 8314.32  # J/(kmol K)
_MOLAR_MASS = 28.9644  # kg/kmol, at sea level
_HEAT_RATIO = 1.4
_BASES = np.array([0.0, 11e3, 20e3, 32e3, 47e3, 51e3, 71e3, 84852.0])  # geopotential m
_LAPSES = np.array([-6.5e-3, 0.0, 1.0e-3, 2.8e-3, 0.0, -2.8e-3, -2.0e-3])  # K/m
_DEEPEST = 700.0  # scale heights below the datum; beyond that the exponential overflows
_TOP = 86e3
# Table 8: mean molecular mass over that at sea level, from 80 to 86 km in steps of 500 m (from memory).
_LIGHTER = np.array(
    [1.0, 0.999996, 0.999989, 0.999971, 0.999941, 0.999909, 0.999870, 0.999829, 0.999786, 0.999741, 0.999694, 0.999641, 0.999579]
)


def _layers():
    temperature, pressure = [288.15], [101325.0]
    for base, end, lapse in zip(_BASES, _BASES[1:], _LAPSES):
        temperature.append(temperature[-1] + lapse * (end - base))
        pressure.append(pressure[-1] * _fall(temperature[-2], lapse, end - base))
    return np.array(temperature), np.array(pressure)


def _fall(temperature, lapse, height):
    """Pressure ratio over ``height`` within a layer of constant lapse rate."""
    scale = STANDARD_GRAVITY * _MOLAR_MASS / _GAS
    if np.ndim(lapse) == 0:
        return (1 + lapse * height / temperature) ** (-scale / lapse) if lapse else np.exp(-scale * height / temperature)
    safe = np.where(lapse == 0, 1.0, lapse)
    return np.where(lapse == 0, np.exp(-scale * height / temperature), (1 + lapse * height / temperature) ** (-scale / safe))


_TEMPERATURES, _PRESSURES = _layers()


def standard_1976(altitude):
    """Temperature (K), pressure (Pa), density (kg/m^3) and speed of sound (m/s) at a geometric altitude (m).

    nan above 86 km and more than 5 km below the sea. Source: *US Standard Atmosphere, 1976*, equations 18, 23, 33a, 33b, 42, 50.
    """
    z = np.asarray(altitude, dtype=float)
    z = np.where((z >= -5e3) & (z <= _TOP), z, np.nan)
    height = _EARTH_RADIUS * z / (_EARTH_RADIUS + z)
    layer = np.clip(np.searchsorted(_BASES, height, side="right") - 1, 0, len(_LAPSES) - 1)
    above = height - _BASES[layer]
    molecular = _TEMPERATURES[layer] + _LAPSES[layer] * above
    pressure = _PRESSURES[layer] * _fall(_TEMPERATURES[layer], _LAPSES[layer], above)
    density = pressure * _MOLAR_MASS / (_GAS * molecular)
    sound = np.sqrt(_HEAT_RATIO * _GAS * molecular / _MOLAR_MASS)
    temperature = molecular * np.interp(z, 80e3 + 500.0 * np.arange(len(_LIGHTER)), _LIGHTER)
    return temperature[()], pressure[()], density[()], sound[()]


def standard_1976_air(step: float = 250.0) -> Atmosphere:
    """The US Standard Atmosphere to 86 km as an Atmosphere with a table every ``step`` metres."""
    altitude = np.append(np.arange(0.0, _TOP, step), _TOP)
    density = standard_1976(altitude)[2]
    return Atmosphere(top=_TOP, surface_density=float(density[0]), table=tuple(zip(altitude.tolist(), density.tolist())))


def density(air: Atmosphere | None, altitude):
    """Density of the air at an altitude above the datum (m), kg/m^3.

    0 above the air's top and without air. From the table where there is one (straight lines in the logarithm, ends held), else
    exponential; nan where neither is given.
    """
    altitude = np.asarray(altitude, dtype=float)
    if air is None:
        return np.zeros_like(altitude)[()]
    if air.table:
        heights, values = np.array(air.table, dtype=float).T
        order = np.argsort(heights)
        found = np.exp(np.interp(altitude, heights[order], np.log(values[order])))
    else:
        found = air.surface_density * np.exp(np.minimum(-altitude / air.scale_height, _DEEPEST))
    return np.where(altitude > air.top, 0.0, found)[()]
