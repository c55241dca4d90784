"""Pieces of elevation grids in degrees, joined to one grid with as little interpolation as their cells allow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from affine import Affine
from pyproj import CRS, Transformer
from rasterio.enums import Resampling
from rasterio.warp import reproject
from scipy.ndimage import map_coordinates

from vinemap.arrays import Array
from vinemap.intake.elevation_tiles import Bounds

# Of a cell: what rounding in the tiles' own headers leaves.
_SAME = 0.01


@dataclass(frozen=True)
class Piece:
    """A grid, north up.

    Attributes
    ----------
    values : array (ny, nx)
        float32 metres, NaN in gaps.
    transform : Affine
        From cells to coordinates.
    crs : CRS
    """

    values: Array
    transform: Affine
    crs: CRS


@dataclass(frozen=True)
class Mosaic(Piece):
    """Pieces joined to one grid; ``interpolated`` where some of them had cells of another width."""

    interpolated: bool = False


def joined(pieces: Sequence[Piece], bounds: Bounds) -> Mosaic:
    """Join pieces to a grid in the cells of the finest of them.

    Where two pieces overlap the first one's heights stand. A piece whose cells lie on those of the finest is copied
    cell for cell; one with other cells is interpolated between its own centres.

    Parameters
    ----------
    pieces : sequence of Piece
        At least one, of one geographic CRS.
    bounds : (west, south, east, north)
        What the grid has to hold, in degrees.
    """
    finest = min(pieces, key=lambda piece: piece.transform.a)
    west, south, east, north = bounds
    step = finest.transform
    left, right = math.floor((west - step.c) / step.a), math.ceil((east - step.c) / step.a)
    top, bottom = math.floor((north - step.f) / step.e), math.ceil((south - step.f) / step.e)
    transform = step @ Affine.translation(left, top)
    values = np.full((bottom - top, right - left), np.nan, np.float32)
    interpolated = False
    for piece in pieces:
        fits = _on_lattice(piece, transform)
        found = _laid(piece, values.shape, transform) if fits else _between(piece, values.shape, transform)
        interpolated |= not fits
        np.copyto(values, found, where=np.isnan(values))
    return Mosaic(values, transform, finest.crs, interpolated)


def to_metres(grid: Piece, crs: CRS, bounds: tuple[float, float, float, float], cell: float) -> Mosaic:
    """Interpolate a grid in degrees, whose longitudes may run past 180, to a metric CRS.

    Parameters
    ----------
    grid : Piece
    crs : CRS
        Metric.
    bounds : (left, bottom, right, top)
        Of the result, in ``crs``.
    cell : float
        Of the result, metres.
    """
    left, bottom, right, top = bounds
    columns, rows = math.ceil((right - left) / cell), math.ceil((top - bottom) / cell)
    transform = Affine(cell, 0, left, 0, -cell, top)
    x, y = transform * (np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5))
    lon, lat = Transformer.from_crs(crs, grid.crs, always_xy=True).transform(x, y)
    middle = grid.transform.c + grid.transform.a * grid.values.shape[1] / 2
    lon = middle + (lon - middle + 180) % 360 - 180
    column, row = ~grid.transform * (lon, lat)
    found = map_coordinates(grid.values, [row - 0.5, column - 0.5], order=1, mode="constant", cval=np.nan)
    return Mosaic(found.astype(np.float32), transform, crs, interpolated=True)


def _on_lattice(piece: Piece, transform: Affine) -> bool:
    """Whether a piece's cells are those of a lattice."""
    own = piece.transform
    rows, columns = piece.values.shape
    drift = abs(own.a / transform.a - 1) * columns, abs(own.e / transform.e - 1) * rows
    shift = (own.c - transform.c) / transform.a, (own.f - transform.f) / transform.e
    return max(drift) < _SAME and max(abs(part - round(part)) for part in shift) < _SAME


def _laid(piece: Piece, shape: tuple[int, ...], transform: Affine) -> Array:
    """Lay a piece on its lattice, NaN around it."""
    column = round((piece.transform.c - transform.c) / transform.a)
    row = round((piece.transform.f - transform.f) / transform.e)
    laid = np.full(shape, np.nan, np.float32)
    rows = slice(max(0, row), min(shape[0], row + piece.values.shape[0]))
    columns = slice(max(0, column), min(shape[1], column + piece.values.shape[1]))
    if rows.start < rows.stop and columns.start < columns.stop:
        laid[rows, columns] = piece.values[
            rows.start - row : rows.stop - row, columns.start - column : columns.stop - column
        ]
    return laid


def _between(piece: Piece, shape: tuple[int, ...], transform: Affine) -> Array:
    """Interpolate a piece to other cells, NaN around it."""
    laid = np.full(shape, np.nan, np.float32)
    reproject(
        piece.values,
        laid,
        src_transform=piece.transform,
        src_crs=piece.crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=transform,
        dst_crs=piece.crs.to_wkt(),
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
    )
    return laid
