"""Places to choose from inside each block, and whether they lie in a hollow, low, in the middle or high."""

from __future__ import annotations

import numpy as np
import shapely
import xarray as xr
from shapely import MultiPolygon, Polygon

from vinemap.arrays import Array
from vinemap.reading.inside import lattice_inside
from vinemap.states import Third
from vinemap.terrain.grid import read_layers
from vinemap.terrain.layers import known_at

_RELIEF_M = 1.0
_LEAST_BELOW_M, _LEAST_STRATUM = 0.5, 1 / 20
_TRIES = 20


def candidates(area: Polygon | MultiPolygon, count: int, rng: np.random.Generator) -> Array:
    """Return about ``count`` places on a square grid with a random origin inside an area, shape (n, 2)."""
    step = float(np.sqrt(area.area / count))
    for _ in range(_TRIES):
        inside = lattice_inside(area, step, (rng.random(), rng.random()))
        if len(inside) >= count / 2:
            return inside
        step *= 0.8
    # An area so thin and long that a lattice finds no hold in it has nothing but its edge.
    along = (np.arange(count) + rng.random()) / count
    return shapely.get_coordinates(shapely.line_interpolate_point(area.boundary, along, normalized=True))


def standing(terrain: xr.Dataset | None, xy: Array) -> tuple[Array, Array]:
    """Return how high each place stands in its block, in metres, and its stratum.

    Parameters
    ----------
    terrain : Dataset or None
        From `vinemap.terrain.layers.terrain_layers`.
    xy : array (n, 2)
        Places spread evenly over one block.

    Returns
    -------
    height : array (n,)
        The mean of the height above the low ground within 150 m and of the rise over the ground around; the plain
        elevation where neither varies by a metre over the block, as on an even slope; zero where that does not either.
        The mean height where it is not known.
    stratum : array of str (n,)
        A `vinemap.states.Third`: 'hollow' and 'foot' (of a slope), where a twentieth of the places lie so; of the
        others 'low', 'middle', 'high', a third of the places each; 'level' where nothing varies; 'unknown' where the
        elevation grid has no height.

    Notes
    -----
    Hollows and the foot of slopes are kept apart because cold air stays there (the Bavarian State Institute for
    Viticulture and Horticulture, LWG, has them sampled apart). A hollow lies at least one standard deviation, over the
    ground in sight, below the mean ground around it, the foot of a slope at least half of that (A. Weiss, Topographic
    position and landforms analysis, poster, 2001; from memory), and never less than half a metre.
    """
    height, stratum = np.zeros(len(xy)), np.full(len(xy), Third.UNKNOWN.value, dtype=object)
    known = np.zeros(len(xy), bool) if terrain is None else known_at(terrain, xy)
    if terrain is not None and known.any():
        height[known], stratum[known] = _standing(terrain, xy[known])
        height[~known] = height[known].mean()
    return height, stratum


def _standing(terrain: xr.Dataset, xy: Array) -> tuple[Array, Array]:
    above, rise, elevation = read_layers(terrain, ["height_above_low_m", "rise_m", "elevation_m"], xy).T
    for height in ((above + rise) / 2, elevation):
        if np.subtract(*np.percentile(height, [95, 5])) >= _RELIEF_M:
            break
    else:
        return np.zeros(len(xy)), np.full(len(xy), Third.LEVEL.value, dtype=object)
    stratum = np.full(len(xy), "", dtype=object)
    sd = float(terrain["rise_m"].to_numpy()[terrain["known"].to_numpy()].std())
    below = max(sd, _LEAST_BELOW_M)
    for name, lies in {Third.HOLLOW: rise <= -below, Third.FOOT: (rise > -below) & (rise <= -below / 2)}.items():
        if lies.mean() >= _LEAST_STRATUM:
            stratum[lies] = name.value
    rest = stratum == ""
    stratum[rest] = np.array([Third.LOW.value, Third.MIDDLE.value, Third.HIGH.value])[_thirds(height[rest])]
    return height, stratum


def _thirds(height: Array) -> Array:
    rank = height.argsort(kind="stable").argsort(kind="stable")
    return np.minimum(3 * rank // max(1, len(height)), 2)
