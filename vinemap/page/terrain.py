"""The terrain under the map: hill shading and heights."""

from __future__ import annotations

from operator import itemgetter
from typing import Any

import numpy as np
import xarray as xr

from vinemap.page.grids import Frame, Scale, encoded, fine, metres
from vinemap.terrain.grid import coarsened
from vinemap.terrain.hillshade import hillshade
from vinemap.terrain.layers import COVARIATES

_MOST_CELLS = 400_000


def embedded_terrain(grid: xr.Dataset, model: dict[str, Any]) -> dict[str, Any] | None:
    """Shading, heights and the statistic that injury follows, for the page; None where there is no elevation.

    Parameters
    ----------
    grid : Dataset (y, x)
        North up, metric CRS; ``elevation_m`` and, where known, the layers of `vinemap.terrain.layers`.
    model : dict
        ``model`` of run.json.
    """
    if "elevation_m" not in grid or not np.isfinite(grid.elevation_m).any():
        return None
    frame = Frame.of(grid, _MOST_CELLS)
    elevation = coarsened(grid.elevation_m, frame.factor)
    layers = {
        "shade": encoded(hillshade(elevation, frame.transform.a), Scale(1 / 250)),
        "elevation_m": encoded(elevation, metres(elevation)),
    }
    statistic = _statistic(grid, model)
    if statistic["layer"] not in layers:
        values = coarsened(grid[statistic["layer"]], frame.factor)
        layers[statistic["layer"]] = encoded(
            values, metres(values) if statistic["layer"].endswith("_m") else fine(values)
        )
    return {**frame.described(), "layers": layers, "statistic": statistic}


def _statistic(grid: xr.Dataset, model: dict[str, Any]) -> dict[str, Any]:
    """Return what to read of the terrain under the pointer: layer, how far around a place it looks, whether found.

    The most probable statistic whose effect is told; where none is, height above the low ground, which was not found to
    matter.
    """
    found = [one for one in model.get("effects", ()) if one["of"] == "terrain" and one["told"]]
    best = max(found, key=itemgetter("probability"), default=None)
    if best is not None and best["shown"] in grid:
        return {"layer": best["shown"], "around_m": best["around_m"], "found": True}
    first = next((one for one in COVARIATES if one.name in grid), None)
    if first is not None:
        return {"layer": first.name, "around_m": first.around_m, "found": False}
    return {"layer": "elevation_m", "around_m": 0.0, "found": False}
