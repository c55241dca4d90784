"""Grids held against the blocks: whether one has a place, which part they need, and how much of them it covers."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from pyproj import CRS, Transformer
from rasterio.windows import Window

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.reading.crs import misplaced
from vinemap.reading.geotiff import Grid
from vinemap.reading.inside import lattice_inside
from vinemap.sentences import Figure, Listed, Sentence

_STEP_M = 1000.0
_POINTS = 100_000


def fitting_crs(grid: Grid, path: Path, what: str, findings: Findings) -> CRS | None:
    """Return the CRS of a grid of ``heights`` or ``figures``; None, with a problem, where it has none of use.

    One that is not north up has none of use either.
    """
    fault = None
    if grid.crs is None or not (grid.crs.is_geographic or grid.crs.is_projected):
        fault = Sentence("fault.grid.no_crs"), Sentence("remedy.grid.no_crs")
    elif misplaced(grid.crs) is not None:
        fault = misplaced(grid.crs)
    elif np.issubdtype(grid.dtype, np.complexfloating):
        fault = Sentence(f"fault.grid.complex.{what}"), Sentence(f"remedy.grid.complex.{what}")
    elif grid.transform.b or grid.transform.d or not grid.transform.a or not grid.transform.e:
        fault = Sentence("fault.grid.turned"), Sentence("remedy.grid.turned")
    if fault is not None:
        findings.problem(path.name, None, "", *fault)
    return grid.crs if fault is None else None


def window_around(grid: Grid, crs: CRS, blocks: gpd.GeoDataFrame, margin_m: float) -> Window | None:
    """Return the part of the grid that holds the blocks and the ground around, None where they do not meet."""
    around = shapely.box(*blocks.total_bounds).buffer(margin_m, join_style="mitre")
    corners = gpd.GeoSeries([shapely.segmentize(around, _STEP_M)], crs=blocks.crs).to_crs(crs)
    xy = shapely.get_coordinates(corners.to_numpy())
    xy = xy[np.isfinite(xy).all(axis=1)]
    if not len(xy):
        return None
    column, row = ~grid.transform * xy.T
    left, right = max(0, math.floor(column.min())), min(grid.width, math.ceil(column.max()))
    top, bottom = max(0, math.floor(row.min())), min(grid.height, math.ceil(row.max()))
    return Window(left, top, right - left, bottom - top) if right > left and bottom > top else None


def values_at(grid: xr.DataArray, crs: CRS, source: CRS, xy: Array) -> Array:
    """Return the values of the cells that hold points (n, 2), NaN where the grid has none."""
    x, y = Transformer.from_crs(source, crs, always_xy=True).transform(*xy.T)
    column, row = _index(grid.x.to_numpy(), x), _index(grid.y.to_numpy(), y)
    inside = (column >= 0) & (row >= 0)
    z = np.full(len(xy), np.nan)
    z[inside] = grid.to_numpy()[row[inside], column[inside]]
    return z


def covers(
    grid: xr.DataArray, crs: CRS, blocks: gpd.GeoDataFrame, path: Path, without: str, findings: Findings
) -> bool:
    """Say how much of the blocks the grid leaves out; whether it covers any of them."""
    known = known_share(grid, crs, blocks)
    areas = blocks.geometry.area.to_numpy()
    total = float((known * areas).sum() / areas.sum())
    if total == 0:
        refuse_uncovered(path, without, findings)
        return False
    if total < 0.9995:
        short = [
            Sentence("warning.uncovered.block", block=name, share=Figure(100 * (1 - share)))
            for name, share in zip(blocks["block"], known, strict=True)
            if share < 0.995
        ]
        missing = {"file": path.name, "share": Figure(float(f"{100 * (1 - total):.2g}"), None)}
        findings.warn(
            Sentence("warning.uncovered.blocks", blocks=Listed(short), **missing)
            if short
            else Sentence("warning.uncovered", **missing)
        )
    return True


def refuse_uncovered(path: Path, without: str, findings: Findings) -> None:
    """Name a grid that covers no block; ``without`` is what a map can do without: ``elevation`` or ``layer``."""
    findings.problem(
        path.name,
        None,
        "",
        Sentence("fault.grid.uncovered"),
        Sentence(f"remedy.grid.uncovered.{without}"),
    )


def known_share(grid: xr.DataArray, crs: CRS, blocks: gpd.GeoDataFrame) -> Array:
    """Share of each block's ground where the grid holds a value, from a lattice of points, shape (n,)."""
    shapes = blocks.geometry.to_numpy()
    step = max(1.0, math.sqrt(float(blocks.geometry.area.sum()) / _POINTS))
    points = [lattice(shape, step) for shape in shapes]
    owner = np.repeat(np.arange(len(shapes)), [len(xy) for xy in points])
    xy = np.concatenate(points)
    known = np.isfinite(values_at(grid, crs, CRS(blocks.crs), xy)).astype(float)
    return np.bincount(owner, known, len(shapes)) / np.bincount(owner, minlength=len(shapes))


def lattice(shape: shapely.Geometry, step: float) -> Array:
    """Points inside a shape, ``step`` metres apart, at least one; shape (m, 2)."""
    xy = lattice_inside(shape, step)
    return xy if len(xy) else np.array(shape.representative_point().coords)


def _index(centres: Array, values: Array) -> Array:
    """Return the cell of each value on an axis of evenly spaced centres, -1 outside."""
    step = centres[1] - centres[0] if len(centres) > 1 else 1.0
    with np.errstate(invalid="ignore"):
        place = np.floor((values - centres[0]) / step + 0.5)
        return np.where((place >= 0) & (place < len(centres)), place, -1).astype(np.int64)
