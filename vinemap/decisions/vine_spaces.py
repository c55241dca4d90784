"""The ground of every vine of a block, and the post spaces that zones are made of where rows are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.decisions.vine_rows import OUTSIDE_M
from vinemap.reading.rows import RowFrame

_MOST_VINES = 200_000
"""Of a block, past which its zones keep the borders of the ground: their vines would take their time."""
_APART_M = 0.05
_STRAIGHT_M = 0.5
"""Between rows whose vines do not stand side by side, borders waver by less than this, and are made straight."""


@dataclass(frozen=True)
class VineSpaces:
    """The vines of one block, in the order of walking.

    Attributes
    ----------
    places : array (n, 2)
        Where they stand, in the metric CRS.
    row, space : array (n,)
        Number of each vine's row, and of its post space, from 0 and without a gap.
    """

    places: Array
    row: NDArray[np.intp]
    space: NDArray[np.intp]

    @classmethod
    def of(cls, frame: RowFrame, between: int) -> VineSpaces | None:
        """Return the vines of a frame, so many of them between two posts, counted from each row's first vine.

        None where there are too many vines, or two of them in one place.
        """
        if sum(map(frame.vines, frame.numbers)) > _MOST_VINES:
            return None
        parts = [frame.places(row) for row in frame.numbers]
        places = np.concatenate(parts)
        row = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        vine = np.concatenate([np.arange(len(part)) for part in parts])
        near = shapely.distance(shapely.points(places), frame.outline) <= OUTSIDE_M
        places, row, vine = places[near], row[near], vine[near]
        if len(places) < 2 or KDTree(places).query(places, k=2)[0][:, 1].min() < _APART_M:
            return None
        space = np.unique(np.stack([row, vine // between]), axis=1, return_inverse=True)[1].ravel()
        return cls(places, np.unique(row, return_inverse=True)[1], space)

    def nearest(self, xy: Array) -> NDArray[np.intp]:
        """Return the vine nearest to each place, shape (m, 2)."""
        return np.asarray(KDTree(self.places).query(xy)[1], np.intp)

    def settled(self, label: NDArray[np.int32], *, whole_rows: bool) -> NDArray[np.intp]:
        """Give the vines of a post space, or of a row, the label that most of them have."""
        unit = self.row if whole_rows else self.space
        votes = np.zeros((unit.max() + 1, int(label.max()) + 1), np.int64)
        np.add.at(votes, (unit, label), 1)
        return np.asarray(votes.argmax(axis=1)[unit], np.intp)

    def grounds(self, label: NDArray[np.intp], outline: BaseGeometry) -> list[BaseGeometry]:
        """Return the ground of the vines of each label: what is nearer to them than to others, within the outline.

        Numbers run from 0 to ``label.max()``; the grounds cover the outline and do not overlap.
        """
        reach = shapely.box(*outline.bounds).buffer(10.0)
        cells = shapely.voronoi_polygons(shapely.multipoints(self.places), extend_to=reach, ordered=True)
        parts = np.array(shapely.get_parts(cells))
        joined = [shapely.coverage_union_all(parts[label == number]) for number in range(int(label.max()) + 1)]
        straight = shapely.coverage_simplify(joined, _STRAIGHT_M)
        return [_flat(ground) for ground in shapely.intersection(straight, outline)]


def _flat(ground: BaseGeometry) -> BaseGeometry:
    """Return the polygons of a shape without the lines and points where it only touches."""
    parts = shapely.get_parts(ground)
    return shapely.union_all(parts[shapely.get_dimensions(parts) == 2])
