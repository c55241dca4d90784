"""The cells of a grid that lie inside blocks, and layers that hold values of those alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import xarray as xr
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import Affine
from scipy.spatial import KDTree
from shapely import box
from xarray.backends import BackendArray
from xarray.core import indexing

from vinemap.arrays import Array

_AT_ONCE = 4_000_000


@dataclass(frozen=True)
class BlockCells:
    """The cells of a grid inside blocks, from row to row; in between, scattered blocks have many more.

    Attributes
    ----------
    row, column : array of int (m,)
        Of each cell.
    block : array of int (m,)
        Row of its block.
    shape : (int, int)
        Of the grid.
    transform : Affine
        Of the grid.
    """

    row: Array
    column: Array
    block: Array
    shape: tuple[int, int]
    transform: Affine

    @classmethod
    def of(cls, grid: xr.Dataset) -> BlockCells:
        """Find the cells of a grid (y, x) that has ``block_index``."""
        index = grid["block_index"].to_numpy()
        flat = np.flatnonzero(index >= 0)
        row, column = np.unravel_index(flat, index.shape)
        height, width = index.shape
        return cls(
            row.astype(np.int32), column.astype(np.int32), index.ravel()[flat], (height, width), grid.rio.transform()
        )

    def __len__(self) -> int:
        """Count the cells."""
        return len(self.row)

    def centres(self, part: slice = slice(None)) -> Array:
        """Return easting and northing of the cells' centres, (m, 2)."""
        return np.column_stack(self.transform @ (self.column[part] + 0.5, self.row[part] + 0.5))

    def layer(self, values: Array) -> tuple[tuple[str, str], Any]:
        """Return values (m,) as a variable (y, x) of a Dataset, NaN or False outside blocks, filled in when it is read.

        `xarray.Dataset.load` makes an ordinary array of it.
        """
        return ("y", "x"), indexing.LazilyIndexedArray(_Filled(self, values))

    def read(self, layer: xr.DataArray) -> Array:
        """Return the values (m,) of any layer (y, x) of the grid."""
        found = [
            layer[rows].to_numpy()[self.row[part] - rows.start, self.column[part]] for rows, part in self._strips()
        ]
        return np.concatenate(found)

    def label(self, shapes: gpd.GeoSeries) -> Array:
        """Return the place in ``shapes`` of the polygon that holds each cell's centre, int32 (m,); -1 for none."""
        found = []
        for rows, part in self._strips():
            shape, corner = (rows.stop - rows.start, self.shape[1]), self.transform @ Affine.translation(0, rows.start)
            ground = box(*(corner @ (0, shape[0])), *(corner @ (shape[1], 0)))
            here = np.sort(shapes.sindex.query(ground))
            numbered = list(zip(shapes.iloc[here], here.tolist(), strict=True))
            if numbered:
                dense = rasterize(numbered, shape, fill=-1, transform=corner, dtype="int32")
                found.append(dense[self.row[part] - rows.start, self.column[part]])
            else:
                found.append(np.full(part.stop - part.start, -1, np.int32))
        return np.concatenate(found)

    def within(self, rows: slice) -> slice:
        """Return the cells of some rows of the grid."""
        first, last = np.searchsorted(self.row, (rows.start, rows.stop))
        return slice(int(first), int(last))

    def window(self, rows: slice, columns: slice) -> Array:
        """Return the places in these arrays of the cells in a window of the grid, however wide the grid is."""
        if (columns.start, columns.stop) == (0, self.shape[1]):
            part = self.within(rows)
            return np.arange(part.start, part.stop)
        starts = np.arange(rows.start, rows.stop, dtype=np.int64) * self.shape[1]
        first, last = (np.searchsorted(self._flat, starts + end) for end in (columns.start, columns.stop))
        count = last - first
        return np.repeat(first - (np.cumsum(count) - count), count) + np.arange(count.sum())

    @cached_property
    def _flat(self) -> Array:
        return self.row.astype(np.int64) * self.shape[1] + self.column

    def _strips(self) -> Iterator[tuple[slice, slice]]:
        """Yield bands of the grid's rows, a few million cells each, and the block cells in them."""
        step = max(1, _AT_ONCE // self.shape[1])
        for first in range(0, self.shape[0], step):
            rows = slice(first, min(first + step, self.shape[0]))
            yield rows, self.within(rows)


def read_nearest(grid: xr.Dataset, layers: list[str], xy: Array, block: NDArray[np.object_]) -> Array:
    """Read layers at the nearest cell of each place's own block that has the first of them.

    Parameters
    ----------
    grid : Dataset (y, x)
        The layers, and ``block_index`` with the names of its blocks.
    layers : list of str
    xy : ndarray (m, 2)
    block : ndarray (m,)
        Name of each place's block; anything else for none.

    Returns
    -------
    ndarray (m, len(layers))
        NaN in no block, without a place, and where the block has no such cell.
    """
    cells = BlockCells.of(grid)
    values, places = np.column_stack([cells.read(grid[layer]) for layer in layers]), cells.centres()
    found = np.full((len(xy), len(layers)), np.nan)
    numbers = {name: number for number, name in enumerate(grid["block_index"].attrs["blocks"])}
    owner = np.array([numbers.get(name, -1) for name in block], dtype=np.int64)
    owner[~np.isfinite(xy).all(axis=1)] = -1
    known = np.flatnonzero(np.isfinite(values[:, 0]))
    known = known[np.argsort(cells.block[known], kind="stable")]
    of_known = cells.block[known]
    for number in np.unique(owner[owner >= 0]):
        first, last = np.searchsorted(of_known, (number, number + 1))
        if first < last:
            own, here = known[first:last], owner == number
            found[here] = values[own][KDTree(places[own]).query(xy[here])[1]]
    return found


class _Filled(BackendArray):
    """A layer that is filled in where it is read, and no further."""

    def __init__(self, cells: BlockCells, values: Array) -> None:
        self._cells, self._values = cells, values
        self.shape, self.dtype = cells.shape, values.dtype

    def __getitem__(self, key: indexing.ExplicitIndexer) -> Any:
        return indexing.explicit_indexing_adapter(key, self.shape, indexing.IndexingSupport.BASIC, self._part)

    def _part(self, key: tuple[int | slice, int | slice]) -> Array:
        wanted = [np.arange(size)[one] for size, one in zip(self.shape, key, strict=True)]
        if not all(one.size for one in wanted):
            return np.empty([one.size for one in wanted if one.ndim], self.dtype)
        rows, columns = (slice(int(one.min()), int(one.max()) + 1) for one in wanted)
        part = self._cells.window(rows, columns)
        nothing = np.nan if self.dtype.kind == "f" else 0
        dense = np.full((rows.stop - rows.start, columns.stop - columns.start), nothing, self.dtype)
        dense[self._cells.row[part] - rows.start, self._cells.column[part] - columns.start] = self._values[part]
        return np.asarray(dense[wanted[0] - rows.start, ...][..., wanted[1] - columns.start])
