"""Straight vine rows: their direction, and the place of a vine counted by row and number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer
from shapely import LineString, MultiPolygon, Point, Polygon

from vinemap.arrays import Array
from vinemap.sentences import Figure, Sentence
from vinemap.states import Side

_CORNER_M, _OUTLINE_M = 3.0, 2.0
_BEARING_DEG, _SPACING = 0.5, 0.01
_SMOOTH_M, _OUTER_M = 2.0, 8.0
_BEYOND = 1.03
_GEOD = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Direction:
    """Which way the rows of a block run.

    Attributes
    ----------
    along : array (2,)
        Unit vector in the metric CRS.
    given : bool
        False where it was taken from the block's longest edge.
    """

    along: Array
    given: bool


def row_direction(block: Polygon | MultiPolygon, bearing_deg: float | None, crs: CRS) -> Direction:
    """Return the rows' direction: from the bearing where it is known, else that of the block's longest edge.

    Parameters
    ----------
    block : Polygon or MultiPolygon
        In the metric CRS.
    bearing_deg : float or None
        Degrees clockwise from true north along the row; either way along it is the same. NaN counts as None.
    crs : CRS
        Metric; its north is not the true one off the central meridian, and the bearing is turned accordingly.
    """
    if bearing_deg is not None and math.isfinite(bearing_deg):
        to_lonlat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
        lon, lat = to_lonlat.transform(block.centroid.x, block.centroid.y)
        far_lon, far_lat, _ = _GEOD.fwd(lon, lat, bearing_deg, 100.0)
        far = to_lonlat.transform(far_lon, far_lat, direction="INVERSE")
        return Direction(_unit(np.array(far) - (block.centroid.x, block.centroid.y)), True)
    largest = max(shapely.get_parts(block), key=lambda part: part.area)
    corners = shapely.get_coordinates(shapely.simplify(largest.exterior, _SMOOTH_M))
    edges = np.diff(corners, axis=0)
    return Direction(_unit(edges[np.hypot(*edges.T).argmax()]), False)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.hypot(*vector))


def compass_side(way: Array, place: Array, crs: CRS) -> str:
    """Return the compass side that a way in a metric CRS points to at a place, by true north."""
    to_lonlat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    (lon, lat), (far_lon, far_lat) = (to_lonlat.transform(*spot) for spot in (place, place + 100 * _unit(way)))
    east, north = (far_lon - lon) * math.cos(math.radians(lat)), far_lat - lat
    return tuple(Side)[round(math.degrees(math.atan2(east, north)) / 45) % 8]


@dataclass(frozen=True)
class RowFrame:
    """The rows of one block, numbered from the row of the first vine; vines numbered from that vine's end.

    Each row starts where its line enters the outline, as far inside as the first vine stands in row 1, so that on a
    block with a slanted headland vine 1 follows the headland.

    Attributes
    ----------
    outline : Polygon or MultiPolygon
        The block, in the metric CRS.
    first : array (2,)
        Vine 1 of row 1.
    along, across : array (2,)
        Unit vectors: from vine 1 along its row, and from row 1 to row 2.
    row_spacing, vine_spacing : float
        Metres; ``vine_spacing`` is NaN where unknown.
    measured : bool
        Whether the corner was given. Where it was not, rows are counted from the block's southern or western side and
        ``first`` is a guess half a row inside it.
    """

    outline: Polygon | MultiPolygon
    first: Array
    along: Array
    across: Array
    row_spacing: float
    vine_spacing: float
    measured: bool

    @property
    def rows(self) -> int:
        """Number of rows that fit into the outline."""
        farthest = ((shapely.get_coordinates(self.outline) - self.first) @ self.across).max()
        return max(1, int(farthest / self.row_spacing) + 1)

    @property
    def numbers(self) -> Sequence[int]:
        """Numbers of the rows, in their order."""
        return range(1, self.rows + 1)

    def vines(self, row: int) -> int:
        """Return how many vines fit into a row; 0 where the vine spacing is unknown."""
        if not math.isfinite(self.vine_spacing):
            return 0
        start, end = self._span(row)
        return max(1, int((end - start - self._setback) / self.vine_spacing) + 1)

    def place(self, row: int, vine: int) -> Array:
        """Return the place of a vine, shape (2,)."""
        metres = self._span(row)[0] + self._setback + (vine - 1) * self.vine_spacing
        return np.asarray(self.first + (row - 1) * self.row_spacing * self.across + metres * self.along)

    def places(self, row: int) -> Array:
        """Return the places of a row's vines, shape (vines, 2)."""
        steps = np.arange(self.vines(row))[:, None] * self.vine_spacing * self.along
        return np.asarray(self.place(row, 1) + steps)

    def path(self, row: int) -> Array:
        """Return the line from a row's first vine to its last one, shape (corners, 2)."""
        return np.stack([self.place(row, 1), self.place(row, self.vines(row))])

    def spacing(self, row: int) -> float:
        """Return the metres from vine to vine in a row."""
        return self.vine_spacing

    def nearest(self, xy: Array) -> tuple[int, int | None]:
        """Return row and number of the vine nearest to a place; no number where the vine spacing is unknown."""
        offset = xy - self.first
        row = min(max(1, round(float(offset @ self.across) / self.row_spacing) + 1), self.rows)
        if not math.isfinite(self.vine_spacing):
            return row, None
        start = self._span(row)[0] + self._setback
        vine = round((float(offset @ self.along) - start) / self.vine_spacing) + 1
        return row, min(max(1, vine), self.vines(row))

    def on_row(self, xy: Array) -> Array:
        """Move a place onto its nearest row, and to its nearest vine where vines can be counted."""
        row, vine = self.nearest(xy)
        if vine is not None:
            return self.place(row, vine)
        offset = xy - self.first
        return np.asarray(self.first + (row - 1) * self.row_spacing * self.across + (offset @ self.along) * self.along)

    def lacks(self, row: int) -> Sentence | None:
        """Say why there is no such row, as a phrase; None where there is one.

        3 % and one more are let pass, for outlines drawn tight.
        """
        fits = 1 <= row <= _BEYOND * self.rows + 1
        return None if fits else Sentence("fault.vine.room", count=Figure(self.rows))

    def error(self, row: int, vine: int) -> float:
        """Return the standard error of a vine's place in metres.

        It adds, as independent: 3 m of the first vine's own position (a phone under open sky; common practice), 2 m of
        the outline at the row's start (row 1 excepted), half a degree of the bearing and 1 % of the spacings over the
        distance from the first vine. All four are assumptions.
        """
        away = float(np.hypot(*(self.place(row, vine) - self.first)))
        outline = 0.0 if row == 1 else _OUTLINE_M
        return math.hypot(_CORNER_M, outline, math.radians(_BEARING_DEG) * away, _SPACING * away)

    def _span(self, row: int) -> tuple[float, float]:
        """Where a row enters and leaves the outline, in metres along it from the first vine's level.

        An outer row whose bearing or corner is a little off may leave the outline half-way, so rows near the sides
        take the headlands' line from the rows further in, though never past the outline's own ends.
        """
        sides = (shapely.get_coordinates(self.outline) - self.first) @ self.across
        margin = min(_OUTER_M, float(np.ptp(sides)) / 4)
        low, high = float(sides.min()) + margin, float(sides.max()) - margin
        level = (row - 1) * self.row_spacing
        if low <= level <= high:
            return self._crossing(level)
        edge, inside = (low, low + margin) if level < low else (high, high - margin)
        share = (level - edge) / (edge - inside)
        starts, ends = zip(self._crossing(edge), self._crossing(inside), strict=True)
        reach = (shapely.get_coordinates(self.outline) - self.first) @ self.along
        start, end = (one[0] + share * (one[0] - one[1]) for one in (starts, ends))
        return max(start, float(reach.min())), min(end, float(reach.max()))

    def _crossing(self, level: float) -> tuple[float, float]:
        """Where the line so far across from the first row enters and leaves the outline."""
        ends = (shapely.get_coordinates(self.outline) - self.first) @ self.along
        middle = self.first + level * self.across
        line = LineString([middle + reach * self.along for reach in (ends.min() - 1, ends.max() + 1)])
        inside = (shapely.get_coordinates(line.intersection(self.outline)) - self.first) @ self.along
        return (float(inside.min()), float(inside.max())) if len(inside) else (float(ends.min()), float(ends.max()))

    @property
    def _setback(self) -> float:
        """How far inside the outline vine 1 stands, along the row."""
        return -self._span(1)[0]


def row_frame(
    outline: Polygon | MultiPolygon,
    direction: Direction,
    row_spacing: float,
    vine_spacing: float,
    first: Array | None = None,
) -> RowFrame | None:
    """Count the rows of a block.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        In a metric CRS.
    direction : Direction
        From `row_direction`.
    row_spacing, vine_spacing : float
        Metres, NaN where unknown.
    first : array (2,), optional
        The first vine of the first row, in the metric CRS. Rows are counted from there into the block.

    Returns
    -------
    RowFrame or None
        None where the row spacing is unknown.
    """
    if not math.isfinite(row_spacing):
        return None
    along = direction.along
    across = np.array([-along[1], along[0]])
    middle = np.array([outline.centroid.x, outline.centroid.y])
    if first is not None and np.isfinite(first).all():
        inward = middle - first
        along, across = (vector if inward @ vector >= 0 else -vector for vector in (along, across))
        return RowFrame(outline, np.asarray(first, float), along, across, row_spacing, vine_spacing, True)
    along, across = (vector if vector @ (1.0, 1.01) >= 0 else -vector for vector in (along, across))
    corners = shapely.get_coordinates(outline)
    level = (corners @ across).min() + row_spacing / 2
    on_row = level * across + (middle @ along) * along
    rough = RowFrame(outline, on_row, along, across, row_spacing, vine_spacing, False)
    step = vine_spacing / 2 if math.isfinite(vine_spacing) else 0.0
    start = on_row + (rough._span(1)[0] + step) * along
    return RowFrame(outline, start, along, across, row_spacing, vine_spacing, False)


def snapped(frame: RowFrame, xy: Array, shape: Polygon | MultiPolygon) -> Array:
    """Move places onto vines; one that would leave the block stays."""
    moved = np.array([frame.on_row(place) for place in xy])
    return np.where(shapely.contains_xy(shape, *moved.T)[:, None], moved, xy)


@dataclass(frozen=True)
class Located:
    """A vine found by row and number.

    Attributes
    ----------
    point : Point
        In the block's metric CRS.
    error_m : float
        Standard error of the place in metres.
    """

    point: Point
    error_m: float


class NoSuchVineError(ValueError):
    """A block has no such row or vine.

    Parameters
    ----------
    axis : str
        ``row`` or ``vine``: which of the two it lacks.
    fault : Sentence
        What is wrong, as a `vinemap.errors.Problem` has it.
    """

    def __init__(self, axis: str, fault: Sentence) -> None:
        super().__init__(fault)
        self.axis, self.fault = axis, fault


def locate(frame: RowFrame, row: int, vine: int) -> Located:
    """Place a sample by the row and the number of its vine, with no GPS.

    Parameters
    ----------
    frame : RowFrame
        ``measured``, with a vine spacing.
    row, vine : int
        From 1.

    Returns
    -------
    Located
        With the frame's own error.

    Raises
    ------
    NoSuchVineError
        Where the block has no such row or vine (3 % and one more are let pass, for outlines drawn tight).
    """
    fault = frame.lacks(row)
    if fault is not None:
        raise NoSuchVineError("row", Sentence("fault.vine.no_row", row=str(row), why=fault))
    vines = frame.vines(row)
    if not 1 <= vine <= _BEYOND * vines + 1:
        known = {"vine": str(vine), "row": str(row), "count": Figure(vines)}
        raise NoSuchVineError("vine", Sentence("fault.vine.no_vine", **known))
    return Located(Point(frame.place(row, vine)), frame.error(row, vine))
