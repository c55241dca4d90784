"""Layers that hold values inside blocks alone are read as full ones would be."""

from __future__ import annotations

import copy

import geopandas as gpd
import numpy as np
import pytest
import xarray as xr
from rasterio.features import rasterize
from shapely import box

from tests.builders import CRS
from vinemap.terrain import sparse
from vinemap.terrain.grid import block_grid, centres
from vinemap.terrain.sparse import BlockCells


@pytest.fixture
def grid() -> xr.Dataset:
    blocks = gpd.GeoDataFrame(geometry=[box(0, 0, 40, 20), box(200, 90, 233, 130), box(60, 300, 90, 310)], crs=CRS)
    return block_grid(blocks, 3.0)


def _full(grid: xr.Dataset, values: np.ndarray) -> np.ndarray:
    full = np.full(grid["block_index"].shape, np.nan, np.float32)
    full[grid["block_index"].to_numpy() >= 0] = values
    return full


def test_a_layer_reads_as_a_full_one(grid: xr.Dataset) -> None:
    """Whole, in parts, forwards and backwards, at single cells, by arithmetic and after a copy."""
    cells = BlockCells.of(grid)
    values = np.random.default_rng(1).random(len(cells)).astype(np.float32)
    full = _full(grid, values)
    layers = copy.deepcopy(grid.assign(injury=cells.layer(values), many=cells.layer(values > 0.5)))
    layer = layers["injury"]
    np.testing.assert_array_equal(layer, full)
    np.testing.assert_array_equal(layers["many"], np.nan_to_num(full) > 0.5)
    for key in ((slice(3, 9), slice(2, 11)), (slice(None, None, -2), slice(50, 10, -3)), (4, slice(None)), (5, 6)):
        np.testing.assert_array_equal(layer[key], full[key])
    np.testing.assert_array_equal(layer[[7, 1, 1], [2, 60]], full[[7, 1, 1]][:, [2, 60]])
    np.testing.assert_array_equal(layer[0:0], full[0:0])
    np.testing.assert_array_equal(layer.where(layer > 0.5) * 2, np.where(full > 0.5, full, np.nan) * 2)
    assert float(layer.mean()) == pytest.approx(np.nanmean(full))
    np.testing.assert_array_equal(layers.load()["injury"].data, full)


def test_cells_are_those_of_the_index(grid: xr.Dataset, monkeypatch: pytest.MonkeyPatch) -> None:
    """Centres, values and labels, taken band by band, are those of the whole grid taken at once."""
    monkeypatch.setattr(sparse, "_AT_ONCE", 500)
    cells = BlockCells.of(grid)
    inside = grid["block_index"].to_numpy() >= 0
    np.testing.assert_allclose(cells.centres(), centres(grid, inside))
    numbers = np.arange(inside.size, dtype=np.float32).reshape(inside.shape)
    np.testing.assert_array_equal(cells.read(xr.DataArray(numbers, dims=("y", "x"))), numbers[inside])
    shapes = gpd.GeoSeries([box(0, 0, 20, 20), box(20, 0, 400, 100), box(210, 95, 240, 140)], crs=CRS)
    numbered = [(shape, place) for place, shape in enumerate(shapes)]
    whole = rasterize(numbered, inside.shape, fill=-1, transform=grid.rio.transform(), dtype="int32")
    np.testing.assert_array_equal(cells.label(shapes), whole[inside])
