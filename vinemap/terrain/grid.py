"""The grid of cells that the injury surface is read on."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from rasterio.transform import Affine
from scipy.interpolate import RegularGridInterpolator
from shapely import Geometry

from vinemap.arrays import Array

# Cells of the rectangle for one inside a block: what lies between scattered blocks costs memory and holds nothing.
_RECTANGLE = 20
_AT_ONCE = 1_000_000


def block_grid(blocks: gpd.GeoDataFrame, cell_m: float = 3.0, max_cells: int = 4_000_000) -> xr.Dataset:
    """Lay a north-up grid over the blocks.

    Parameters
    ----------
    blocks : GeoDataFrame
        Polygons in a metric CRS.
    cell_m : float
        Side of a cell in metres; widened where the blocks would hold more than ``max_cells``, or the whole rectangle
        twenty times as many.
    max_cells : int
        Most cells inside blocks.

    Returns
    -------
    Dataset (y, x)
        ``block_index``: int16 (int32 past 32,767 blocks) row of the block that holds the cell's centre, -1 outside; a
        block too thin to hold a centre gets the cells that it touches, but for every other cell of a block that would
        be left with none. Its attribute ``blocks`` lists the blocks' names, where they have any.

    Examples
    --------
    >>> from vinemap.terrain.grid import block_grid
    >>> grid = block_grid(vinemap.read("demo_blocks").site.blocks, cell_m=10.0)
    >>> grid["block_index"].dims, int(grid["block_index"].max())
    (('y', 'x'), 7)
    """
    left, bottom, right, top = blocks.total_bounds
    rectangle = (right - left) * (top - bottom) / _RECTANGLE
    cell = max(cell_m, float(np.sqrt(max(float(blocks.area.sum()), rectangle) / max_cells)))
    # A thin rectangle is a row of cells, or a column.
    cell = max(cell, float(max(right - left, top - bottom)) / (_RECTANGLE * max_cells))
    # Corners on whole cells, so that grids of one vineyard made in two years lie on each other.
    left, bottom = cell * np.floor(left / cell), cell * np.floor(bottom / cell)
    nx, ny = (max(1, int(np.ceil(side / cell))) for side in (right - left, top - bottom))
    transform = Affine(cell, 0, left, 0, -cell, bottom + ny * cell)
    index = _burn(list(enumerate(blocks.geometry)), (ny, nx), transform)
    _give_to_thin(index, blocks.geometry, transform)
    x = left + cell * (np.arange(nx) + 0.5)
    y = bottom + ny * cell - cell * (np.arange(ny) + 0.5)
    named = {"blocks": blocks["block"].tolist()} if "block" in blocks else {}
    grid: xr.Dataset = xr.Dataset({"block_index": (("y", "x"), index, named)}, coords={"y": y, "x": x})
    grid = grid.rio.write_crs(blocks.crs)
    return grid.rio.write_transform(transform)


def _burn(
    numbered: list[tuple[int, Geometry]], shape: tuple[int, int], transform: Affine, *, touched: bool = False
) -> Array:
    return rasterize(
        [(outline, row) for row, outline in numbered],
        shape,
        fill=-1,
        transform=transform,
        all_touched=touched,
        merge_alg=MergeAlg.replace,
        dtype="int16" if numbered[-1][0] < np.iinfo(np.int16).max else "int32",
    )


def _give_to_thin(index: Array, outlines: gpd.GeoSeries, transform: Affine) -> None:
    """Give blocks that hold no cell's centre the cells that they touch, in place.

    A block that would be left with none keeps every other cell. They come from the largest to the smallest, so that the
    order of the file does not decide who gets a cell.
    """
    held = np.zeros(len(outlines) + 1, np.int64)
    for part in np.array_split(index.ravel(), max(1, index.size // _AT_ONCE)):
        held += np.bincount(part.astype(np.int64) + 1, minlength=len(held))
    held = held[1:]
    missing = np.flatnonzero(held == 0).tolist()
    for row in sorted(missing, key=lambda row: (-outlines.iloc[row].area, outlines.iloc[row].bounds)):
        outline = outlines.iloc[row]
        rows, columns = _around(outline.bounds, index.shape, transform)
        window = index[rows, columns]
        corner = transform @ Affine.translation(columns.start, rows.start)
        # One that holds centres is not thin: it lies under another block.
        if (_burn([(row, outline)], window.shape, corner) >= 0).any():
            continue
        touched = _burn([(row, outline)], window.shape, corner, touched=True) >= 0
        for holder in np.unique(window[touched]):
            cells = np.flatnonzero(touched & (window == holder))
            given = cells[1::2] if holder >= 0 and len(cells) == held[holder] else cells
            window[np.unravel_index(given, window.shape)] = row
            held[row] += len(given)
            if holder >= 0:
                held[holder] -= len(given)


def _around(
    bounds: tuple[float, float, float, float], shape: tuple[int, int], transform: Affine
) -> tuple[slice, slice]:
    """Return the rows and columns of the cells that bounds touch, and one more on each side, within a grid."""
    left, bottom, right, top = bounds
    (x0, y0), (x1, y1) = ~transform * (left, top), ~transform * (right, bottom)
    rows = slice(max(0, int(y0) - 1), min(shape[0], int(y1) + 2))
    return rows, slice(max(0, int(x0) - 1), min(shape[1], int(x1) + 2))


def cell_size(grid: xr.Dataset) -> float:
    """Side of a cell in metres."""
    return float(grid.rio.resolution()[0])


def centres(grid: xr.Dataset, inside: Array) -> Array:
    """Easting and northing of the cells where ``inside`` holds, shape (m, 2), in the grid's own order."""
    row, column = np.nonzero(inside)
    return np.column_stack([grid.x.to_numpy()[column], grid.y.to_numpy()[row]])


def read_layers(layers: xr.Dataset, names: list[str], xy: Array) -> Array:
    """Read layers at points by bilinear interpolation, shape (m, len(names)); beyond the grid, at its nearest edge."""
    axes = layers.x.to_numpy(), layers.y.to_numpy()
    places = np.column_stack([np.clip(xy[:, k], *np.sort(axis[[0, -1]])) for k, axis in enumerate(axes)])
    # SciPy's own, of which xarray's sorts, cuts and checks each layer anew: that took a fifth of the time of a map.
    tables = (layers[name].transpose("x", "y").to_numpy() for name in names)
    found = [RegularGridInterpolator(axes, table)(places) for table in tables]
    return np.column_stack(found).astype(np.float64)


def coarsened(layer: Array | xr.DataArray, factor: int) -> Array:
    """Average a grid over squares of ``factor`` cells, leaving NaN out; a square of NaN alone stays NaN."""
    if factor == 1:
        return np.asarray(layer).astype(np.float64)
    rows, cols = (-(-side // factor) for side in layer.shape)
    means = np.full((rows, cols), np.nan)
    # A few rows of squares at a time: in full the squares would take several times the memory of the grid.
    height = max(1, _AT_ONCE // (cols * factor**2))
    for first in range(0, rows, height):
        part = np.asarray(layer[first * factor : (first + height) * factor])
        squares = np.full((-(-len(part) // factor), factor, cols, factor), np.nan)
        squares.reshape(-1, cols * factor)[: len(part), : layer.shape[1]] = part
        known = np.isfinite(squares)
        count = known.sum(axis=(1, 3))
        total = np.where(known, squares, 0.0).sum(axis=(1, 3))
        np.divide(total, count, out=means[first : first + height], where=count > 0)
    return means
