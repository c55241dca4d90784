"""The ground under the map: hill shading and heights."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr
from scipy.ndimage import distance_transform_edt, gaussian_filter

from vinemap.arrays import Array
from vinemap.page.grids import Frame, Scale, coarsened, encoded, metres
from vinemap.terrain.layers import gradient

_MOST_CELLS = 400_000
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


def embedded_ground(grid: xr.Dataset) -> dict[str, Any] | None:
    """Shading and heights for the page, or None where the grid carries no elevation.

    Parameters
    ----------
    grid : Dataset (y, x)
        North up, metric CRS; ``elevation_m`` and, where known, ``height_above_low_m``.
    """
    if "elevation_m" not in grid or not np.isfinite(grid.elevation_m).any():
        return None
    frame = Frame.of(grid, _MOST_CELLS)
    elevation = coarsened(grid.elevation_m.to_numpy().astype(float), frame.factor)
    layers = {
        "shade": encoded(hillshade(elevation, frame.transform.a), Scale(1 / 250)),
        "elevation_m": encoded(elevation, metres(elevation)),
    }
    if "height_above_low_m" in grid:
        height = coarsened(grid.height_above_low_m.to_numpy().astype(float), frame.factor)
        layers["height_above_low_m"] = encoded(height, metres(height))
    return {**frame.described(), "layers": layers}
