"""Hill shading of an elevation grid."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

from vinemap.arrays import Array
from vinemap.terrain.layers import gradient

_LIGHTS = ((315.0, 0.55), (270.0, 0.25), (0.0, 0.20))  # azimuth in degrees, weight
_HEIGHT_DEG = 45.0
_STEEPEST = 0.55  # shaded slope that the steep parts of the ground are stretched to


def hillshade(elevation: Array, cell_m: float) -> Array:
    """Light that falls on the ground, 0 to 1, from the north-west with softer light from either side of it.

    Gentle ground is stretched upward (at most eightfold) so that a hollow of a metre or two can be seen.

    Parameters
    ----------
    elevation : array (rows, cols)
        Metres, NaN where unknown.
    cell_m : float
        Side of a cell in metres.

    Returns
    -------
    array (rows, cols)
        NaN where the elevation is.

    References
    ----------
    B. K. P. Horn, "Hill shading and the reflectance map", Proc. IEEE 69 (1981) 14: Lambertian reflectance.
    """
    known = np.isfinite(elevation)
    if not known.any():
        return np.full(elevation.shape, np.nan)
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    across, up = gradient(gaussian_filter(elevation[tuple(nearest)], 1.0, mode="nearest"), cell_m)
    steep = float(np.percentile(np.hypot(across, up)[known], 95))
    stretch = np.clip(_STEEPEST / max(steep, 1e-6), 1.0, 8.0)
    across, up = across * stretch, up * stretch
    height = np.radians(_HEIGHT_DEG)
    light = np.zeros(elevation.shape)
    for azimuth, weight in _LIGHTS:
        east, north = np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))
        facing = np.sin(height) - np.cos(height) * (across * east + up * north)
        light += weight * np.clip(facing / np.sqrt(1 + across**2 + up**2), 0, 1)
    return np.where(known, light, np.nan)
