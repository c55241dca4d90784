"""The grid of cells that the injury surface is read on."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from rasterio.transform import Affine

from vinemap.arrays import Array


def block_grid(blocks: gpd.GeoDataFrame, cell_m: float = 3.0, max_cells: int = 4_000_000) -> xr.Dataset:
    """Lay a north-up grid over the blocks.

    Parameters
    ----------
    blocks : GeoDataFrame
        Polygons in a metric CRS.
    cell_m : float
        Side of a cell in metres; widened where the grid would pass ``max_cells``.
    max_cells : int
        Most cells of the whole rectangle.

    Returns
    -------
    Dataset (y, x)
        ``block_index``: int16 row of the block that holds the cell's centre, -1 outside; a block too thin to hold a
        centre gets the cells that it touches, but for every other cell of a block that would be left with none. Its
        attribute ``blocks`` lists the blocks' names, where they have any.
    """
    left, bottom, right, top = blocks.total_bounds
    cell = max(cell_m, float(np.sqrt((right - left) * (top - bottom) / max_cells)))
    # Corners on whole cells, so that grids of one vineyard made in two years lie on each other.
    left, bottom = cell * np.floor(left / cell), cell * np.floor(bottom / cell)
    nx, ny = (max(1, int(np.ceil(side / cell))) for side in (right - left, top - bottom))
    transform = Affine(cell, 0, left, 0, -cell, bottom + ny * cell)
    index = _burn(blocks, range(len(blocks)), (ny, nx), transform, touched=False)
    # From the largest to the smallest, so that the order of the file does not decide who gets a cell.
    missing = set(range(len(blocks))) - set(np.unique(index).tolist())
    for row in sorted(missing, key=lambda row: (-blocks.geometry.iloc[row].area, blocks.geometry.iloc[row].bounds)):
        # One that holds centres is not thin: it lies under another block.
        if not (_burn(blocks, [row], (ny, nx), transform, touched=False) == row).any():
            _give(index, _burn(blocks, [row], (ny, nx), transform, touched=True) == row, row)
    x = left + cell * (np.arange(nx) + 0.5)
    y = bottom + ny * cell - cell * (np.arange(ny) + 0.5)
    named = {"blocks": blocks["block"].tolist()} if "block" in blocks else {}
    grid: xr.Dataset = xr.Dataset({"block_index": (("y", "x"), index, named)}, coords={"y": y, "x": x})
    grid = grid.rio.write_crs(blocks.crs)
    return grid.rio.write_transform(transform)


def _burn(
    blocks: gpd.GeoDataFrame, rows: range | list[int], shape: tuple[int, int], transform: Affine, *, touched: bool
) -> Array:
    shapes = [(blocks.geometry.iloc[row], row) for row in rows]
    return rasterize(
        shapes, shape, fill=-1, transform=transform, all_touched=touched, merge_alg=MergeAlg.replace, dtype="int16"
    )


def _give(index: Array, touched: Array, row: int) -> None:
    """Write ``row`` into the touched cells of ``index``, in place; a block that has no others keeps every other one."""
    for holder in np.unique(index[touched]):
        cells = np.flatnonzero(touched & (index == holder))
        only = holder >= 0 and len(cells) == np.count_nonzero(index == holder)
        index.flat[cells[1::2] if only else cells] = row


def label_cells(shapes: gpd.GeoSeries, grid: xr.Dataset) -> Array:
    """Return the place in ``shapes`` of the polygon that holds each cell's centre, int32 (y, x); -1 outside blocks."""
    block = grid["block_index"].to_numpy()
    numbered = [(shape, place) for place, shape in enumerate(shapes)]
    label = rasterize(numbered, block.shape, fill=-1, transform=grid.rio.transform(), dtype="int32")
    return np.where(block >= 0, label, -1)


def cell_size(grid: xr.Dataset) -> float:
    """Side of a cell in metres."""
    return float(grid.rio.resolution()[0])


def centres(grid: xr.Dataset, inside: Array) -> Array:
    """Easting and northing of the cells where ``inside`` holds, shape (m, 2), in the grid's own order."""
    row, column = np.nonzero(inside)
    return np.column_stack([grid.x.to_numpy()[column], grid.y.to_numpy()[row]])


def read_layers(layers: xr.Dataset, names: list[str], xy: Array) -> Array:
    """Read layers at points by bilinear interpolation, shape (m, len(names)); beyond the grid, at its nearest edge."""
    x = np.clip(xy[:, 0], *np.sort(layers.x.to_numpy()[[0, -1]]))
    y = np.clip(xy[:, 1], *np.sort(layers.y.to_numpy()[[0, -1]]))
    found = layers[names].interp(x=("point", x), y=("point", y))
    return np.column_stack([found[name].to_numpy().astype(np.float64) for name in names])


def coarsened(layer: Array, factor: int) -> Array:
    """Average a grid over squares of ``factor`` cells, leaving NaN out; a square of NaN alone stays NaN."""
    if factor == 1:
        return layer
    rows, cols = (-(-side // factor) for side in layer.shape)
    padded = np.full((rows * factor, cols * factor), np.nan)
    padded[: layer.shape[0], : layer.shape[1]] = layer
    squares = padded.reshape(rows, factor, cols, factor)
    known = np.isfinite(squares)
    count = known.sum(axis=(1, 3))
    total = np.where(known, squares, 0.0).sum(axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
