"""The walking order: a short round through all points, around the ends of the rows."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from shapely import LineString, MultiPolygon, Polygon

from vinemap.arrays import Array
from vinemap.reading.rows import Direction
from vinemap.terrain.grid import read_layers
from vinemap.terrain.layers import known_at

_HEADLAND_M = 3.0
_SAME_ROW_M = 1.5
_STARTS, _MANY = 8, 200
_SEGMENT = 3
_CROSSED_M = 1.0
_LEAST_GAIN = 1e-6
_STEP_M = 10.0
_METRES_PER_MINUTE = 5000 / 60
_CLIMB_PER_MINUTE = 10.0


def row_ends(shape: Polygon | MultiPolygon, direction: Direction, xy: Array) -> Array:
    """Return where one gets out of the row at each place: both ends, 3 m out in the headland, shape (n, 2, 2).

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        The block, in the metric CRS.
    direction : Direction
        Of its rows.
    xy : array (n, 2)
        Places in it.
    """
    reach = shape.length * direction.along
    lines = shapely.linestrings(np.stack([xy - reach, xy + reach], axis=1))
    ends = []
    for place, crossed in zip(xy, shapely.intersection(lines, shape), strict=True):
        parts = [part for part in shapely.get_parts(crossed) if isinstance(part, LineString)]
        away = shapely.distance(parts, shapely.Point(place))
        own = parts[int(away.argmin())] if parts else LineString([place, place])
        metres = (shapely.get_coordinates(own) - place) @ direction.along
        out = (min(float(metres.min()), 0.0) - _HEADLAND_M, max(float(metres.max()), 0.0) + _HEADLAND_M)
        ends.append([place + metre * direction.along for metre in out])
    return np.array(ends).reshape(-1, 2, 2)


@dataclass(frozen=True)
class Ways:
    """Ways between places.

    Attributes
    ----------
    xy : array (n, 2)
        Places in metres.
    ends : array (n, 2, 2)
        From `row_ends`.
    metres : array (n, n)
        Length of the shortest way: straight within one row, else out at one end of the row, across and in again; within
        one piece of ground, in again from the side where one came out.
    out, into : array of int (n, n)
        Which end of the own and of the other row that way takes; -1 within one row.
    """

    xy: Array
    ends: Array
    metres: Array
    out: Array
    into: Array

    @classmethod
    def between(cls, xy: Array, ends: Array, same_row: Array, piece: Array) -> Ways:
        """Find all ways.

        Parameters
        ----------
        xy, ends
            As above.
        same_row : array of bool (n, n)
            Which places see each other along a row.
        piece : array of int (n,)
            From `pieces`: straight from one side of a piece of ground to the other would lead through its rows.
        """
        leg = np.hypot(*np.moveaxis(ends - xy[:, None, :], -1, 0))
        across = np.hypot(*np.moveaxis(ends[:, None, :, None, :] - ends[None, :, None, :, :], -1, 0))
        total = leg[:, None, :, None] + across + leg[None, :, None, :]
        total[(piece[:, None] == piece[None, :])[:, :, None, None] & ~np.eye(2, dtype=bool)] = np.inf
        flat = total.reshape(len(xy), len(xy), 4)
        choice = np.where(same_row, -1, flat.argmin(axis=2))
        straight = np.hypot(*np.moveaxis(xy[:, None, :] - xy[None, :, :], -1, 0))
        metres = np.where(same_row, straight, flat.min(axis=2))
        return cls(xy, ends, metres, np.where(same_row, -1, choice // 2), np.where(same_row, -1, choice % 2))

    def path(self, order: Array) -> LineString:
        """Return the line walked through places in an order."""
        line = [self.xy[order[0]]]
        for here, there in itertools.pairwise(order):
            if self.out[here, there] >= 0:
                line += [self.ends[here, self.out[here, there]], self.ends[there, self.into[here, there]]]
            line.append(self.xy[there])
        return LineString(line) if len(line) > 1 else LineString([line[0], line[0]])

    def crossing(self, order: Array, blocks: gpd.GeoSeries) -> list[tuple[int, int]]:
        """Return the neighbours in an order between whose row ends the straight way leads through rows of any block."""
        pairs = [(int(here), int(there)) for here, there in itertools.pairwise(order) if self.out[here, there] >= 0]
        if not pairs:
            return []
        first, second = np.array(pairs).T
        spots = [self.ends[first, self.out[first, second]], self.ends[second, self.into[first, second]]]
        across = shapely.linestrings(np.stack(spots, axis=1))
        inside = shapely.length(shapely.intersection(across[:, None], blocks.to_numpy()[None, :]))
        return [pair for pair, cut in zip(pairs, inside.max(axis=1) > _CROSSED_M, strict=True) if cut]


def pieces(blocks: gpd.GeoSeries, xy: Array) -> Array:
    """Return which piece of ground each place stands on, a block of two parts being two pieces, shape (n,)."""
    tree = shapely.STRtree(blocks.explode(ignore_index=True).to_numpy())
    return np.asarray(tree.nearest(shapely.points(xy)))


def same_rows(block: Array, xy: Array, directions: list[Direction], row_spacing: Array) -> Array:
    """Return which places stand in one row of one block, shape (n, n).

    Parameters
    ----------
    block : array of int (n,)
        Row of each place's block; -1 for a place outside the blocks.
    xy : array (n, 2)
        Places in metres.
    directions : list of Direction
        By block.
    row_spacing : array
        By block, metres, NaN where unknown.
    """
    same = np.eye(len(xy), dtype=bool)
    for number, direction in enumerate(directions):
        here = np.flatnonzero(block == number)
        level = xy[here] @ np.array([-direction.along[1], direction.along[0]])
        near = _SAME_ROW_M if np.isnan(row_spacing[number]) else row_spacing[number] / 2
        same[np.ix_(here, here)] |= np.abs(level[:, None] - level[None, :]) < near
    return same


def short_round(metres: Array) -> Array:
    """Return an order in which a round through all places is short, beginning at place 0.

    Nearest-neighbour rounds from several places, each bettered by reversing stretches (2-opt) and by moving stretches
    of up to three places (or-opt) until neither helps; the shortest one is kept.

    Parameters
    ----------
    metres : array (n, n)
        Symmetric lengths of the ways.

    References
    ----------
    G. A. Croes, Operations Research 6 (1958) 791 (2-opt); I. Or, doctoral thesis, Northwestern University (1976).
    """
    count = len(metres)
    if count <= 3:
        return np.arange(count)
    # Past 200 places a single start has to do, for the work grows with the cube of their number.
    starts = np.linspace(0, count - 1, min(_STARTS if count <= _MANY else 1, count)).astype(int)
    rounds = [_bettered(metres, _nearest_neighbours(metres, int(start))) for start in starts]
    best = min(rounds, key=lambda order: round_length(metres, order))
    return np.roll(best, -int(np.flatnonzero(best == 0)[0]))


def round_length(metres: Array, order: Array) -> float:
    """Return the length of a round, the way back included."""
    return float(metres[order, np.roll(order, -1)].sum())


def _nearest_neighbours(metres: Array, start: int) -> Array:
    order = [start]
    left = np.ones(len(metres), dtype=bool)
    left[start] = False
    while left.any():
        order.append(int(np.where(left, metres[order[-1]], np.inf).argmin()))
        left[order[-1]] = False
    return np.array(order)


def _bettered(metres: Array, order: Array) -> Array:
    while True:
        better = _reversed_stretch(metres, order)
        if better is None:
            better = _moved_stretch(metres, order)
        if better is None:
            return order
        order = better


def _reversed_stretch(metres: Array, order: Array) -> Array | None:
    """Return the order after the reversal that gains most, None where none gains."""
    after = np.roll(order, -1)
    edge = metres[order, after]
    gain = edge[:, None] + edge[None, :] - metres[np.ix_(order, order)] - metres[np.ix_(after, after)]
    np.fill_diagonal(gain, 0.0)
    first, last = sorted(divmod(int(gain.argmax()), len(order)))
    if gain[first, last] < _LEAST_GAIN:
        return None
    return np.concatenate([order[: first + 1], order[first + 1 : last + 1][::-1], order[last + 1 :]])


def _moved_stretch(metres: Array, order: Array) -> Array | None:
    """Return the order after the first move of a short stretch that gains, None where none does."""
    count = len(order)
    for length in range(1, min(_SEGMENT, count - 3) + 1):
        for first in range(count):
            turned = np.roll(order, -first)
            stretch, rest = turned[:length], turned[length:]
            freed = metres[rest[-1], stretch[0]] + metres[stretch[-1], rest[0]] - metres[rest[-1], rest[0]]
            # Between rest[k] and rest[k + 1], as it stands or turned round.
            edge = metres[rest[:-1], rest[1:]]
            straight = metres[rest[:-1], stretch[0]] + metres[stretch[-1], rest[1:]] - edge
            round_ = metres[rest[:-1], stretch[-1]] + metres[stretch[0], rest[1:]] - edge
            cost = np.minimum(straight, round_)
            at = int(cost.argmin())
            if freed - cost[at] > _LEAST_GAIN:
                put = stretch if straight[at] <= round_[at] else stretch[::-1]
                return np.concatenate([rest[: at + 1], put, rest[at + 1 :]])
    return None


@dataclass(frozen=True)
class Walk:
    """A round through all points.

    Attributes
    ----------
    order : array of int
        Rows of the points in walking order.
    path : LineString
        The line walked, in the metric CRS, there and back to where it starts.
    metres, climb_m, minutes : float
        Length, sum of the rises (NaN with no elevation), and time with the stops.
    crossing : list of (int, int)
        Stops (1, 2, …; 0 for a start of its own) between whose row ends the line leads through rows of a block.
    """

    order: Array
    path: LineString
    metres: float
    climb_m: float
    minutes: float
    crossing: list[tuple[int, int]]


def plan_walk(
    blocks: gpd.GeoDataFrame,
    directions: list[Direction],
    block_row: Array,
    xy: Array,
    terrain: xr.Dataset | None,
    minutes_per_stop: float,
    start: Array | None = None,
    *,
    fences: bool = True,
) -> Walk:
    """Order the points into a short round.

    Parameters
    ----------
    blocks : GeoDataFrame
        Metric CRS; row_spacing_m.
    directions : list of Direction
        Of the rows, by block.
    block_row : array of int (n,)
        Block of each point.
    xy : array (n, 2)
        Points in metres.
    terrain : Dataset or None
        With ``elevation_m``.
    minutes_per_stop : float
        Added for each point.
    start : array (2,), optional
        Where the round starts and ends; at the first point of ``xy`` otherwise.
    fences : bool
        Whether one goes round the ends of the rows, and straight from end to end; otherwise straight everywhere.

    Returns
    -------
    Walk
        Time on foot by Naismith's rule: 5 km an hour and a minute for each 10 m of climb.

    References
    ----------
    W. W. Naismith, Scottish Mountaineering Club Journal 2 (1892) 136: an hour for three miles and an
    hour for 2000 feet of climb.
    """
    ends = np.stack([xy, xy], axis=1)
    for number, (shape, direction) in enumerate(zip(blocks.geometry, directions, strict=True) if fences else ()):
        here = block_row == number
        ends[here] = row_ends(shape, direction, xy[here])
    spacing = blocks["row_spacing_m"].astype(float).to_numpy()
    piece = pieces(blocks.geometry, xy)
    if start is not None:
        xy, block_row = np.vstack([start, xy]), np.concatenate([[-1], block_row])
        ends = np.concatenate([np.broadcast_to(start, (1, 2, 2)), ends])
        piece = np.concatenate([[-1], piece])
    ways = Ways.between(xy, ends, same_rows(block_row, xy, directions, spacing), piece)
    order = short_round(ways.metres)
    there_and_back = np.append(order, order[0])
    path = ways.path(there_and_back)
    crossed = ways.crossing(there_and_back, blocks.geometry) if fences else []
    # A start of its own comes first in the round, and is no stop.
    stop_of = order.argsort() + (start is None)
    climb = climb_of(path, terrain)
    metres = float(path.length)
    stops = order if start is None else order[1:] - 1
    rise = 0.0 if np.isnan(climb) else climb
    minutes = metres / _METRES_PER_MINUTE + rise / _CLIMB_PER_MINUTE + minutes_per_stop * len(stops)
    return Walk(stops, path, metres, climb, minutes, [(int(stop_of[a]), int(stop_of[b])) for a, b in crossed])


def climb_of(path: LineString, terrain: xr.Dataset | None) -> float:
    """Return the sum of the rises along a line, read every 10 m; NaN where not all of its heights are known."""
    if terrain is None:
        return float("nan")
    # A round of one stop has no length, which segmentize does not take.
    line = shapely.segmentize(path, _STEP_M) if path.length > 0 else path
    places = shapely.get_coordinates(line)
    if not known_at(terrain, places).all():
        return float("nan")
    heights = read_layers(terrain, ["elevation_m"], places)[:, 0]
    return float(np.clip(np.diff(heights), 0, None).sum())
