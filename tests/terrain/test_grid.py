"""The grid over the blocks, and reading layers at points."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pytest
import xarray as xr
from scipy.interpolate import RegularGridInterpolator
from shapely import Polygon, box

from vinemap.terrain.grid import block_grid, cell_size, centres, coarsened, read_layers


def _blocks(*shapes: Polygon) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"block": [str(k) for k in range(len(shapes))]}, geometry=list(shapes), crs="EPSG:32618")


def test_cells_cover_the_blocks_area() -> None:
    """The cells of a slanted block add up to its area, to one cell's width along its border."""
    shape = Polygon([(500_003, 4_700_001), (500_210, 4_700_060), (500_150, 4_700_260), (499_960, 4_700_180)])
    grid = block_grid(_blocks(shape), 3.0, 4_000_000)
    area = float((grid["block_index"] == 0).sum()) * cell_size(grid) ** 2
    assert area == pytest.approx(shape.area, abs=0.2 * 3.0 * shape.length)


def test_centres_lie_in_their_block() -> None:
    """A cell belongs to the block that holds its centre, north up."""
    blocks = _blocks(box(0, 0, 60, 100), box(60, 0, 90, 40))
    grid = block_grid(blocks, 5.0, 4_000_000)
    for row, shape in enumerate(blocks.geometry):
        points = gpd.GeoSeries.from_xy(*centres(grid, grid["block_index"].to_numpy() == row).T)
        assert points.within(shape.buffer(1e-9)).all()
        assert len(points) == round(shape.area / 25)
    assert grid.y[0] > grid.y[-1]


def test_cells_are_widened_to_keep_their_number() -> None:
    """A huge vineyard gets wider cells, not more than the limit."""
    grid = block_grid(_blocks(box(0, 0, 3000, 2000)), 3.0, 10_000)
    assert grid["block_index"].size <= 10_300
    assert cell_size(grid) == pytest.approx(np.sqrt(6e6 / 1e4), rel=0.01)


def test_a_thin_block_still_has_cells() -> None:
    """A block narrower than a cell, with no cell's centre in it, gets the cells that it touches."""
    grid = block_grid(_blocks(box(0, 0, 100, 50), box(0, 51.8, 100, 52.2)), 3.0, 4_000_000)
    assert set(np.unique(grid["block_index"])) == {-1, 0, 1}
    assert int((grid["block_index"] == 0).sum()) == pytest.approx(5000 / 9, rel=0.06)


@pytest.mark.parametrize("thin", [0, 1])
def test_a_thin_block_beside_a_wide_one_in_any_order(thin: int) -> None:
    """A thin block takes the cells that it touches from its neighbour, wherever it stands in the file."""
    shapes = [box(0, 0, 60, 50.6), box(0, 50.6, 60, 51.0)]
    grid = block_grid(_blocks(*(shapes[::-1] if thin == 0 else shapes)), 3.0, 4_000_000)
    assert int((grid["block_index"] == thin).sum()) >= 20


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_no_block_is_lost_among_thin_ones(order: tuple[int, ...]) -> None:
    """Blocks of one vine row each, narrower than a cell, all have cells, the same ones in any order of the file."""
    strips = [box(0, 0, 60, 2), box(0, 2, 60, 4), box(0, 4, 60, 5.6), box(0, 5.6, 60, 6)]
    index = block_grid(_blocks(*(strips[k] for k in order)), 3.0, 4_000_000)["block_index"].to_numpy()
    assert set(order) <= set(np.unique(index).tolist())
    first = block_grid(_blocks(*strips), 3.0, 4_000_000)["block_index"].to_numpy()
    np.testing.assert_array_equal(np.array(order)[index], first)


def test_grids_of_one_vineyard_line_up() -> None:
    """Corners stand on whole cells, so that the maps of two years lie on each other."""
    first = block_grid(_blocks(box(1, 1, 50, 50)), 3.0, 4_000_000)
    second = block_grid(_blocks(box(-20, 1, 50, 70)), 3.0, 4_000_000)
    assert ((first.x.to_numpy()[0] - second.x.to_numpy()[0]) / 3) % 1 == pytest.approx(0)
    assert first.rio.crs == second.rio.crs


def test_layers_are_read_as_scipy_interpolates() -> None:
    """Values between cells are scipy's bilinear interpolation; beyond the grid they are the edge's."""
    rng = np.random.default_rng(0)
    x, y = np.arange(10.0), np.arange(8.0)[::-1]
    layer = xr.Dataset({"a": (("y", "x"), rng.random((8, 10)))}, coords={"x": x, "y": y})
    points = np.column_stack([rng.uniform(0, 9, 50), rng.uniform(0, 7, 50)])
    peer = RegularGridInterpolator((y[::-1], x), layer["a"].to_numpy()[::-1])
    np.testing.assert_allclose(read_layers(layer, ["a"], points)[:, 0], peer(points[:, ::-1]))
    outside = read_layers(layer, ["a"], np.array([[-50.0, 7.0], [4.0, 99.0]]))[:, 0]
    np.testing.assert_allclose(outside, [layer["a"].to_numpy()[0, 0], layer["a"].to_numpy()[0, 4]])


def test_squares_are_averaged_without_their_gaps() -> None:
    """The mean of what is known in each square; a square that knows nothing stays a gap."""
    layer = np.arange(30.0).reshape(5, 6)
    layer[0, 0] = np.nan
    coarse = coarsened(layer, 2)
    assert coarse.shape == (3, 3)
    assert coarse[0, 0] == np.mean([1, 6, 7])
    assert coarse[2, 2] == np.mean([28, 29])
    assert np.isnan(coarsened(np.full((2, 2), np.nan), 2)).all()
