"""The terrain under the map: hill shading and heights."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from vinemap.page.grids import Frame, Scale, encoded, metres
from vinemap.terrain.grid import coarsened
from vinemap.terrain.hillshade import hillshade

_MOST_CELLS = 400_000


def embedded_terrain(grid: xr.Dataset) -> dict[str, Any] | None:
    """Shading and heights for the page, or None where the grid carries no elevation.

    Parameters
    ----------
    grid : Dataset (y, x)
        North up, metric CRS; ``elevation_m`` and, where known, ``height_above_low_m``.
    """
    if "elevation_m" not in grid or not np.isfinite(grid.elevation_m).any():
        return None
    frame = Frame.of(grid, _MOST_CELLS)
    elevation = coarsened(grid.elevation_m, frame.factor)
    layers = {
        "shade": encoded(hillshade(elevation, frame.transform.a), Scale(1 / 250)),
        "elevation_m": encoded(elevation, metres(elevation)),
    }
    if "height_above_low_m" in grid:
        height = coarsened(grid.height_above_low_m, frame.factor)
        layers["height_above_low_m"] = encoded(height, metres(height))
    return {**frame.described(), "layers": layers}
