"""Pieces of a block: side-by-side cells with one number, their means, their borders and their outlines."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import shapes
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array

Labels = NDArray[np.int32]
"""Piece, or class, of each cell."""


def piece_sizes(label: Labels, own: NDArray[np.bool_]) -> Array:
    """Return the own cells of each piece."""
    return np.bincount(label[own], minlength=label.max() + 1).astype(np.float64)


def piece_means(label: Labels, own: NDArray[np.bool_], values: Array) -> Array:
    """Return the mean of own cells over each piece; NaN where a cell has none."""
    sums, size = np.bincount(label[own], values[own], minlength=label.max() + 1), piece_sizes(label, own)
    return np.asarray(np.divide(sums, size, out=np.full(size.shape, np.nan), where=size > 0))


def connected(classes: Labels) -> Labels:
    """Return pieces of side-by-side cells of one class, numbered from 0."""
    label, count = np.zeros(classes.shape, np.int32), 0
    for one in np.unique(classes):
        here, found = ndimage.label(classes == one)
        label[here > 0] = here[here > 0] + count - 1
        count += found
    return label


def borders(label: Labels) -> tuple[Labels, Labels, Array]:
    """Return pairs of neighbouring pieces, each both ways, and the cell sides that they share."""
    count = label.max() + 1
    sides = ((label[:, :-1], label[:, 1:]), (label[:-1], label[1:]))
    pairs = np.concatenate([np.stack([a[a != b], b[a != b]]) for a, b in sides], axis=1)
    pairs = np.concatenate([pairs, pairs[::-1]], axis=1)
    shared = coo_array((np.ones(pairs.shape[1]), pairs), shape=(count, count)).tocsr().tocoo()
    return shared.row, shared.col, shared.data


def widest_neighbour(first: Labels, second: Labels, border: Array, size: Array) -> Labels:
    """Return the neighbour of each piece with the longest common border, the larger one of equals."""
    order = np.lexsort((size[second], border, first))
    best = np.zeros(len(size), np.int32)
    best[first[order]] = second[order]
    return best


def joined(label: Labels, one: Labels, other: Labels) -> Labels:
    """Return the pieces after each of ``one`` has become one with its partner in ``other``, numbered anew from 0."""
    count = label.max() + 1
    _, merged = connected_components(coo_array((np.ones(len(one)), (one, other)), shape=(count, count)), directed=False)
    return np.asarray(merged, np.int32)[label]


def outlines(label: Labels, transform: Affine, outline: BaseGeometry) -> list[BaseGeometry]:
    """Return the ground of each piece inside the outline; steps of the cells are smoothed by up to a cell."""
    if label.max() == 0:
        return [outline]
    found = [(shape(geometry), int(value)) for geometry, value in shapes(label, transform=transform)]
    smooth = shapely.coverage_simplify([geometry for geometry, _ in found], abs(transform.a))
    parts, origin = shapely.get_parts(shapely.intersection(smooth, outline), return_index=True)
    piece = np.array([value for _, value in found])[origin]
    flat = shapely.get_dimensions(parts) == 2
    parts, piece = parts[flat], piece[flat]
    piece = _without_slivers(parts, piece, abs(transform.a) ** 2)
    return [shapely.union_all(parts[piece == number]) for number in range(label.max() + 1)]


def _without_slivers(parts: NDArray[Any], piece: Labels, cell_area: float) -> Labels:
    """Give what the outline cuts off a piece, under four cells, to the neighbour with the longest common border."""
    area = shapely.area(parts)
    largest = np.zeros(piece.max() + 1)
    np.maximum.at(largest, piece, area)
    kept = piece.copy()
    for k in np.flatnonzero((area < 4 * cell_area) & (area < largest[piece])):
        shared = shapely.length(shapely.intersection(parts[k].boundary, parts))
        shared[k] = 0
        if shared.max() > 0:
            kept[k] = piece[int(shared.argmax())]
    return kept
