"""Air density by altitude."""

from __future__ import annotations

import numpy as np

from analyser.flight import Atmosphere


def density(atmosphere: Atmosphere, altitude) -> np.ndarray:
    """Density at altitudes above the datum, kg/m^3; 0 above the top of the air.

    Parameters
    ----------
    atmosphere : Atmosphere
        With a table: straight lines in the logarithm of the density between its rows, and on beyond its ends; else exponential.
    altitude : float or array
        m.
    """
    altitude = np.asarray(altitude, float)
    if atmosphere.table:
        height, value = (np.array(column, float) for column in zip(*sorted(atmosphere.table)))
        found = np.exp(np.interp(altitude, height, np.log(np.maximum(value, 1e-300))))
        if len(height) > 1:
            slope = np.log(max(value[-1], 1e-300) / max(value[-2], 1e-300)) / (height[-1] - height[-2])
            found = np.where(altitude > height[-1], value[-1] * np.exp(slope * (altitude - height[-1])), found)
    else:
        found = atmosphere.surface_density * np.exp(-altitude / atmosphere.scale_height)
    return np.where(altitude <= atmosphere.top, found, 0.0)
