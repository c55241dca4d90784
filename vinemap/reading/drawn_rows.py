"""Vine rows that were drawn as lines, straight or bent: the frame that they make of their block."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

from vinemap.arrays import Array
from vinemap.reading.rows import RowFrame
from vinemap.sentences import Figure, Sentence

_DRAWN_M = 2.0
_SPACING = 0.01


@dataclass(frozen=True)
class DrawnRows(RowFrame):
    """The rows of one block as lines with numbers of their own; vine 1 stands at a line's start, the last at its end.

    Attributes
    ----------
    lines : mapping
        Line of each row, by its number, in the order of the numbers; all start at the same end of the block.
    counts : mapping
        Vines of the rows whose number is given; the others have as many as their spacing makes room for.
    """

    lines: Mapping[int, LineString]
    counts: Mapping[int, int]

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.lines)

    @property
    def numbers(self) -> Sequence[int]:
        """Numbers of the rows, in their order."""
        return list(self.lines)

    def vines(self, row: int) -> int:
        """Return how many vines a row has; 0 where neither their number nor their spacing is known."""
        if row in self.counts:
            return self.counts[row]
        if not math.isfinite(self.vine_spacing):
            return 0
        return round(self.lines[row].length / self.vine_spacing) + 1

    def spacing(self, row: int) -> float:
        """Return the metres from vine to vine in a row, by its own length where its vines are counted."""
        count = self.vines(row)
        return self.lines[row].length / (count - 1) if count > 1 else self.vine_spacing

    def place(self, row: int, vine: int) -> Array:
        """Return the place of a vine, shape (2,)."""
        point = self.lines[row].interpolate((vine - 1) * self.spacing(row) if vine > 1 else 0.0)
        return np.array([point.x, point.y])

    def places(self, row: int) -> Array:
        """Return the places of a row's vines, shape (vines, 2)."""
        count = self.vines(row)
        metres = np.linspace(0.0, self.lines[row].length if count > 1 else 0.0, count)
        return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(self.lines[row], metres)))

    def path(self, row: int) -> Array:
        """Return the line from a row's first vine to its last one, shape (corners, 2)."""
        return np.asarray(shapely.get_coordinates(self.lines[row]))

    def nearest(self, xy: Array) -> tuple[int, int | None]:
        """Return row and number of the vine nearest to a place; no number where the vines cannot be counted."""
        point, numbers = Point(xy), list(self.lines)
        row = numbers[int(shapely.distance(np.array(list(self.lines.values())), point).argmin())]
        count = self.vines(row)
        if not count:
            return row, None
        vine = round(self.lines[row].project(point) / self.spacing(row)) + 1 if count > 1 else 1
        return row, min(vine, count)

    def on_row(self, xy: Array) -> Array:
        """Move a place onto its nearest row, and to its nearest vine where vines can be counted."""
        row, vine = self.nearest(xy)
        if vine is not None:
            return self.place(row, vine)
        line = self.lines[row]
        point = line.interpolate(line.project(Point(xy)))
        return np.array([point.x, point.y])

    def lacks(self, row: int) -> Sentence | None:
        """Say why there is no such row, as a phrase; None where there is one."""
        if row in self.lines:
            return None
        numbers = list(self.lines)
        ends = {"first": str(numbers[0]), "last": str(numbers[-1])}
        return Sentence("fault.vine.drawn", count=Figure(len(numbers)), **ends)

    def error(self, row: int, vine: int) -> float:
        """Return the standard error of a vine's place in metres.

        It adds, as independent, 2 m of the drawing and 1 % of the spacing over the way along the row; assumptions both.
        """
        return math.hypot(_DRAWN_M, _SPACING * (vine - 1) * self.spacing(row))


def drawn_frame(
    outline: Polygon | MultiPolygon, rows: gpd.GeoDataFrame, row_spacing: float, vine_spacing: float
) -> DrawnRows:
    """Make a frame of the rows of one block.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        In the metric CRS.
    rows : GeoDataFrame
        Of `vinemap.reading.row_layer.read_rows`, those of the block.
    row_spacing, vine_spacing : float
        Metres, NaN where unknown.
    """
    ordered = rows.sort_values("row")
    lines = dict(zip(ordered["row"].astype(int).tolist(), ordered.geometry, strict=True))
    counts = {int(row): int(vines) for row, vines in zip(ordered["row"], ordered["vines"], strict=True) if vines > 0}
    along, across = axes(list(lines.values()))
    first = shapely.get_coordinates(next(iter(lines.values())))[0]
    return DrawnRows(outline, first, along, across, row_spacing, vine_spacing, True, lines, counts)


def axes(lines: Sequence[LineString]) -> tuple[Array, Array]:
    """Return unit vectors along rows, on the whole, and across them from the first to the last."""
    ends = np.array([shapely.get_coordinates(line)[[0, -1]] for line in lines])
    along = (ends[:, 1] - ends[:, 0]).sum(axis=0)
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    onward = np.mean(ends[-1] - ends[0], axis=0)
    return along, across if onward @ across >= 0 else -across
