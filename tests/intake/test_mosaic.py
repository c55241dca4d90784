"""Pieces of grids join without a seam, and change no height where their cells fit."""

from __future__ import annotations

import numpy as np
from affine import Affine
from pyproj import CRS, Transformer

from vinemap.intake.mosaic import Piece, joined, to_metres

LONLAT = CRS.from_epsg(4326)
STEP = 1 / 3600


def _grid(west: float, north: float, columns: int, rows: int, wide: float = STEP) -> Piece:
    """Heights that say which cell they are of, exactly."""
    transform = Affine(wide, 0, west, 0, -STEP, north)
    column, row = np.meshgrid(np.arange(columns), np.arange(rows))
    x, y = transform * (column + 0.5, row + 0.5)
    return Piece(_heights(x, y), transform, LONLAT)


def _heights(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return (1000 * (x - 8) + 700 * (y - 49)).astype("float32")


def test_a_grid_cut_into_four_is_itself_again() -> None:
    """Tiles that overlap by a few cells give the uncut grid, bit for bit."""
    whole = _grid(8 - 20 * STEP, 50 + 20 * STEP, 40, 40)
    parts = [
        Piece(whole.values[rows, columns], whole.transform @ Affine.translation(columns.start, rows.start), LONLAT)
        for rows in (slice(0, 23), slice(17, 40))
        for columns in (slice(0, 20), slice(20, 40))
    ]
    inside = 1e-9
    bounds = (8 - 20 * STEP + inside, 50 - 20 * STEP + inside, 8 + 20 * STEP - inside, 50 + 20 * STEP - inside)
    found = joined(parts, bounds)
    assert not found.interpolated
    assert np.array_equal(found.values, whole.values)


def test_a_missing_part_is_a_gap_and_nothing_else() -> None:
    """Where no piece lies the grid has no height; elsewhere every height is as it was."""
    west = _grid(8 - 10 * STEP, 49.5, 10, 10)
    found = joined([west], (8 - 10 * STEP + 1e-9, 49.5 - 10 * STEP + 1e-9, 8 + 5 * STEP, 49.5 - 1e-9))
    assert found.values.shape == (10, 15)
    assert np.array_equal(found.values[:, :10], west.values)
    assert np.isnan(found.values[:, 10:]).all()


def test_tiles_whose_cells_grow_wider_towards_the_pole_meet_without_a_step() -> None:
    """At 50° north cells of the Copernicus tiles go from 1 to 1.5 arc seconds: the wide ones are interpolated.

    Source: the readme of the bucket, table of longitude spacing. On a plane, heights between centres are the plane's.
    """
    south, north = _grid(8, 50, 60, 30), _grid(8, 50 + 30 * STEP, 40, 30, wide=1.5 * STEP)
    found = joined([south, north], (8 + 1e-9, 50 - 30 * STEP + 1e-9, 8 + 60 * STEP - 1e-9, 50 + 30 * STEP - 1e-9))
    assert found.interpolated
    assert found.values.shape == (60, 60)
    assert np.isfinite(found.values).all()
    assert np.array_equal(found.values[30:], south.values)
    x, y = found.transform * np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    assert np.abs(found.values - _heights(x, y))[:, 1:-1].max() < 0.001


def test_a_grid_across_the_date_line_is_brought_to_metres() -> None:
    """Longitudes past 180 and those from -180 on are one ground: no gap lies where they meet."""
    crs = CRS.from_epsg(32760)
    x, y = Transformer.from_crs(LONLAT, crs, always_xy=True).transform(180.0, -16.9)
    step = Affine(STEP, 0, 180 - 60 * STEP, 0, -STEP, -16.9 + 60 * STEP)
    lon, lat = step * np.meshgrid(np.arange(120) + 0.5, np.arange(120) + 0.5)
    grid = Piece((1000 * (lon - 180) + 500 * (lat + 17)).astype("float32"), step, LONLAT)
    found = to_metres(grid, crs, (x - 900, y - 900, x + 900, y + 900), 30.9)
    assert np.isfinite(found.values).all()
    east, north = found.transform * np.meshgrid(
        np.arange(found.values.shape[1]) + 0.5, np.arange(found.values.shape[0]) + 0.5
    )
    lon, lat = Transformer.from_crs(crs, LONLAT, always_xy=True).transform(east, north)
    assert np.abs(found.values - (1000 * (lon % 360 - 180) + 500 * (lat + 17))).max() < 0.01
