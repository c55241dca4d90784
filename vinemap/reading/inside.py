"""The inside of a shape: without its edge, and the points of a square lattice in it."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import MultiPolygon, Polygon

from vinemap.arrays import Array

_TILE = 16
_MOST_TILES = 4000
_LEAST_SHARE = 0.4
EDGE_M = 8.0
"""Distance in metres that a cane is collected from the edge of a block, by default."""


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


def lattice_inside(shape: shapely.Geometry, step: float, first: tuple[float, float] = (0.5, 0.5)) -> Array:
    """Return the points of a square lattice inside a shape.

    Tiles of points that the shape does not meet are left out from the largest to the smallest, so that a thin block of
    many kilometres costs no more than its own ground.

    Parameters
    ----------
    shape : Geometry
        Polygon or MultiPolygon in metres.
    step : float
        Distance between neighbours in metres; wider where area or outline are so large that a million points or so
        would have to be looked at.
    first : (float, float)
        Place of the first point in its cell, as shares of a step from the shape's left and from its bottom.

    Returns
    -------
    array (n, 2)
        In no order; none where the shape lies between the points.
    """
    # A line meets about two tiles for each tile's side of its length, a surface one for each tile of its area.
    step = max(step, (2 * shape.length / _MOST_TILES) / _TILE, float(np.sqrt(2 * shape.area / _MOST_TILES)) / _TILE)
    shapely.prepare(shape)
    across, up = np.meshgrid(np.arange(_TILE), np.arange(_TILE))
    spot = np.column_stack([across.ravel(), up.ravel()])
    origin = np.array(shape.bounds[:2]) + step * np.array(first)
    xy = origin + step * (_tiles(shape, step, origin)[:, None, :] + spot).reshape(-1, 2)
    return np.asarray(xy[shapely.contains_xy(shape, *xy.T)])


def _tiles(shape: shapely.Geometry, step: float, origin: Array) -> Array:
    """Return column and row of the first point of each tile that the shape meets, (n, 2)."""
    size = np.array(shape.bounds[2:]) - shape.bounds[:2]
    side = _TILE * 2 ** int(np.ceil(np.log2(max(1.0, *(size / step + 1) / _TILE))))
    tiles = np.zeros((1, 2))
    while side > _TILE:
        side //= 2
        tiles = (tiles[:, None, :] + side * np.array([[0, 0], [1, 0], [0, 1], [1, 1]])).reshape(-1, 2)
        low = origin + step * tiles
        tiles = tiles[shapely.intersects(shape, shapely.box(*low.T, *(low + step * (side - 1)).T))]
    return tiles
