"""Places to choose from inside each block, and whether they lie low, in the middle or high."""

from __future__ import annotations

import numpy as np
import shapely
import xarray as xr
from shapely import MultiPolygon, Polygon

from vinemap.arrays import Array
from vinemap.reading.inside import lattice_inside
from vinemap.states import Third
from vinemap.terrain.grid import read_layers

_RELIEF_M = 1.0
_LEAST_SHARE = 0.4
_TRIES = 20


def inner(block: Polygon | MultiPolygon, edge_m: float) -> Polygon | MultiPolygon:
    """Return a block without its edge; the edge is halved until 40 % of the ground is left.

    Parameters
    ----------
    block : Polygon or MultiPolygon
        In a metric CRS.
    edge_m : float
        Distance to keep from the outline in metres.
    """
    rest: Polygon | MultiPolygon = block.buffer(-edge_m)
    while rest.area < _LEAST_SHARE * block.area:
        edge_m /= 2
        rest = block.buffer(-edge_m)
    return rest


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
    """Return how high each place stands in its block, in metres, and its third of the block by height.

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
    third : array of str (n,)
        'low', 'middle', 'high', a third of the places each; 'level' where nothing varies.
    """
    if terrain is not None:
        above, rise, elevation = read_layers(terrain, ["height_above_low_m", "rise_m", "elevation_m"], xy).T
        for height in ((above + rise) / 2, elevation):
            if np.subtract(*np.percentile(height, [95, 5])) >= _RELIEF_M:
                return height, np.array([Third.LOW, Third.MIDDLE, Third.HIGH])[_thirds(height)]
    return np.zeros(len(xy)), np.full(len(xy), Third.LEVEL.value)


def _thirds(height: Array) -> Array:
    rank = height.argsort(kind="stable").argsort(kind="stable")
    return np.minimum(3 * rank // len(height), 2)
