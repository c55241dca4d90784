"""Where to collect: points spread over the ground of each block and over its low, middle and high parts."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from shapely import MultiPolygon, Polygon

from vinemap.arrays import Array
from vinemap.plan.outlook import Outlook
from vinemap.plan.pivotal import best_draw
from vinemap.plan.places import candidates, standing
from vinemap.reading.inside import inner
from vinemap.reading.rows import RowFrame, snapped

_CANDIDATES = 500
_DRAWS = 20
_HEIGHT = 0.45
_LONG, _END = 3.0, 0.25


def spread_points(
    blocks: gpd.GeoDataFrame,
    wanted: list[int],
    terrain: xr.Dataset | None,
    frames: list[RowFrame | None],
    edge_m: float,
    rng: np.random.Generator,
    outlook: Outlook | None = None,
) -> pd.DataFrame:
    """Choose points in every block, spread over space and height, by `best_draw`.

    Parameters
    ----------
    blocks : GeoDataFrame
        Metric CRS.
    wanted : list of int
        Points a block.
    terrain : Dataset or None
        From `vinemap.terrain.layers.terrain_layers`.
    frames : list of RowFrame or None
        Rows, where they can be counted: points are moved onto them.
    edge_m : float
        Distance to keep from a block's edge.
    rng : numpy.random.Generator
        Source of randomness.
    outlook : Outlook, optional
        What loggers let expect: where no heights are known, points are spread over that.

    Returns
    -------
    DataFrame
        A row a point: block_row (int, row of ``blocks``), x, y (metres), terrain ('low', 'middle', 'high', 'level').
    """
    # Beside heights it would take their place, and maps from few canes then err more (tests/benchmarks/night.py).
    expected = outlook if terrain is None else None
    parts = []
    for row, (shape, count, frame) in enumerate(zip(blocks.geometry, wanted, frames, strict=True)):
        if count:
            strata = None if expected is None else partial(expected.coldness, block=row)
            xy, third = _in_block(shape, count, terrain, edge_m, rng, strata)
            parts.append(_table(row, xy if frame is None else snapped(frame, xy, shape), third))
    return pd.concat(parts, ignore_index=True)


def _table(row: int, xy: Array, third: Array) -> pd.DataFrame:
    return pd.DataFrame({"block_row": row, "x": xy[:, 0], "y": xy[:, 1], "terrain": third})


def _in_block(
    shape: Polygon | MultiPolygon,
    count: int,
    terrain: xr.Dataset | None,
    edge_m: float,
    rng: np.random.Generator,
    strata: Callable[[Array], Array] | None = None,
) -> tuple[Array, Array]:
    """Return places and their third of the block by height."""
    xy = candidates(inner(shape, edge_m), max(_CANDIDATES, 10 * count), rng)
    height, third = standing(terrain, xy)
    height = height if strata is None else strata(xy)
    inclusion = np.full(len(xy), count / len(xy))
    parts = np.column_stack([*(third == one for one in np.unique(third)), *_ends(shape, xy)])

    def missing(drawn: Array) -> int:
        return int((~parts[drawn].any(axis=0)).sum())

    drawn = best_draw(auxiliary_space(xy, height, count), inclusion, _DRAWS, rng, missing)
    return xy[drawn], third[drawn]


def _ends(shape: Polygon | MultiPolygon, xy: Array) -> list[Array]:
    """Return which places lie in the first and in the last quarter of a block at least three times as long as wide."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(*sides.T)
    if lengths.max() < _LONG * lengths.min():
        return []
    way = sides[lengths.argmax()] / lengths.max()
    share = (xy @ way - (corners @ way).min()) / lengths.max()
    return [share < _END, share > 1 - _END]


def auxiliary_space(xy: Array, height: Array, count: int) -> Array:
    """Return coordinates in which a step of one is the usual distance between points, and height counts as a third one.

    How much it counts was chosen by the simulation in tests/benchmarks/plan.py.

    A. Grafström & N. L. P. Lundström, Open J. Stat. 3 (2013) 36: a sample well spread over what explains the outcome
    is balanced on it.
    """
    sd = float(height.std())
    third = height / sd * _HEIGHT if sd > 0 else height
    size = np.ptp(xy, axis=0).prod() / count
    return np.column_stack([xy / np.sqrt(size), third])
