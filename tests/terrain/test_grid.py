"""The grid over the blocks, and reading layers at points."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pytest
import xarray as xr
from scipy.ndimage import map_coordinates
from shapely import LineString, Polygon, box

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


def test_only_cells_inside_blocks_count() -> None:
    """Small blocks far apart keep their cells' size: what lies between them is no ground of theirs."""
    corners = [(x, y) for x in (0, 900, 1800) for y in (0, 900, 1800)]
    grid = block_grid(_blocks(*(box(x, y, x + 120, y + 120) for x, y in corners)), 3.0, 80_000)
    assert cell_size(grid) == 3.0
    assert int((grid["block_index"] >= 0).sum()) == 9 * 40 * 40
    assert grid["block_index"].size > 80_000


def test_the_rectangle_has_a_bound_too() -> None:
    """A thin block across a county, slanted or straight, keeps its length and does not fill the memory."""
    for end in ((70_000, 70_000), (100_000, 0.0)):
        grid = block_grid(_blocks(LineString([(0, 0), end]).buffer(1)), 3.0, 100_000)
        assert grid["block_index"].size <= 2_050_000
        # The block ends a metre inside the outermost cells, which it may therefore leave.
        assert (grid["block_index"] == 0).any("y").sum() >= grid.sizes["x"] - 2


def test_more_blocks_than_sixteen_bits_count() -> None:
    """Every one of 33,000 blocks has its own cell."""
    blocks = _blocks(
        *(box(3 * (k % 200), 3 * (k // 200), 3 * (k % 200) + 3, 3 * (k // 200) + 3) for k in range(33_000))
    )
    assert len(np.unique(block_grid(blocks, 3.0, 4_000_000)["block_index"])) == 33_000


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


def test_layers_are_read_as_xarray_interpolates() -> None:
    """Values between cells are those of xarray's and SciPy's images' bilinear interpolation; beyond the grid they are
    the edge's."""
    rng = np.random.default_rng(0)
    x, y = np.arange(10.0), np.arange(8.0)[::-1]
    layer = xr.Dataset({"a": (("y", "x"), rng.random((8, 10)))}, coords={"x": x, "y": y})
    points = np.column_stack([rng.uniform(0, 9, 50), rng.uniform(0, 7, 50)])
    found = read_layers(layer, ["a"], points)[:, 0]
    peer = layer["a"].interp(x=("point", points[:, 0]), y=("point", points[:, 1]))
    np.testing.assert_array_equal(found, peer)
    np.testing.assert_allclose(found, map_coordinates(layer["a"], [7 - points[:, 1], points[:, 0]], order=1))
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
