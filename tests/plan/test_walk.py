"""The walking order: against exact rounds, a published one, and lengths worked out by hand."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pytest
import xarray as xr
from shapely import LineString, Polygon, box

from vinemap.plan.walk import Ways, climb_of, pieces, plan_walk, round_length, row_ends, same_rows, short_round
from vinemap.reading.rows import Direction

NORTHWARD = Direction(np.array([0.0, 1.0]), True)

# berlin52 of TSPLIB (G. Reinelt, ORSA J. Computing 3 (1991) 376), as copies of berlin52.tsp give it; the length of the
# best round, 7542 in rounded distances, was read in the README of the Python wrapper of the Concorde solver.
BERLIN = """565 575 25 185 345 750 945 685 845 655 880 660 25 230 525 1000 580 1175 650 1130 1605 620 1220 580 1465 200
1530 5 845 680 725 370 145 665 415 635 510 875 560 365 300 465 520 585 480 415 835 625 975 580 1215 245 1320 315
1250 400 660 180 410 250 420 555 575 665 1150 1160 700 580 685 595 685 610 770 610 795 645 720 635 760 650 475 960
95 260 875 920 700 500 555 815 830 485 1170 65 830 610 605 625 595 360 1340 725 1740 245"""


def distances(xy: np.ndarray) -> np.ndarray:
    """Straight lengths between all places."""
    return np.hypot(*np.moveaxis(xy[:, None] - xy[None, :], -1, 0))


@pytest.mark.parametrize("seed", range(6))
def test_small_rounds_are_exact(seed: int) -> None:
    """With 8 places the round is the shortest of all 5,040."""
    metres = distances(np.random.default_rng(seed).random((8, 2)))
    best = min(round_length(metres, np.array([0, *rest])) for rest in itertools.permutations(range(1, 8)))
    assert round_length(metres, short_round(metres)) == pytest.approx(best)


def test_berlin52_is_within_5_percent_of_the_best_round() -> None:
    """52 places in Berlin: no more than 5 % above the proven optimum of 7542, and never below it."""
    metres = np.rint(distances(np.array(BERLIN.split(), float).reshape(-1, 2)))
    length = round_length(metres, short_round(metres))
    assert 7542 <= length <= 1.05 * 7542


def test_200_places_are_each_visited_once_in_a_short_round() -> None:
    """A round through 200 random places is near the expected best, 0.7124 √(n A).

    0.7124 is the value of Beardwood, Halton & Hammersley's constant (1959) that is commonly used (common practice); at
    this n the edge of the square adds about a tenth, from memory.
    """
    metres = distances(np.random.default_rng(9).random((200, 2)))
    order = short_round(metres)
    assert sorted(order) == list(range(200))
    assert order[0] == 0
    assert round_length(metres, order) < 1.2 * 0.7124 * np.sqrt(200)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_few_places(count: int) -> None:
    """One to four places make a round too."""
    metres = distances(np.random.default_rng(0).random((count, 2)))
    assert sorted(short_round(metres)) == list(range(count))


def test_rows_are_fences() -> None:
    """From the middle of one row to the middle of the next, one goes out at the nearer end and in again."""
    xy = np.array([[10.0, 30.0], [20.0, 40.0], [10.0, 90.0]])
    ends = row_ends(box(0, 0, 100, 100), NORTHWARD, xy)
    assert ends[0] == pytest.approx(np.array([[10, -3], [10, 103]]))
    same = same_rows(np.zeros(3, int), xy, [NORTHWARD], np.array([2.5]))
    ways = Ways.between(xy, ends, same, np.zeros(3, int))
    assert ways.metres[0, 1] == pytest.approx(33 + 10 + 43)
    assert ways.metres[1, 2] == pytest.approx(63 + 10 + 13)
    assert ways.metres[0, 2] == pytest.approx(60)
    assert (ways.metres == ways.metres.T).all()
    assert ways.path(np.array([0, 1, 2])).length == pytest.approx(33 + 10 + 43 + 63 + 10 + 13)


def test_row_ends_of_a_block_with_a_gap_are_those_of_the_own_part() -> None:
    """In a block of two parts, a row ends where its own part does."""
    parts = box(0, 0, 50, 40).union(box(0, 60, 50, 100))
    assert row_ends(parts, NORTHWARD, np.array([[10.0, 70.0]]))[0] == pytest.approx(np.array([[10, 57], [10, 103]]))


def in_blocks(*shapes: Polygon) -> gpd.GeoDataFrame:
    """Blocks with rows 2.5 m apart."""
    names = [str(number) for number in range(len(shapes))]
    return gpd.GeoDataFrame({"block": names, "row_spacing_m": 2.5}, geometry=list(shapes), crs=32618)


def test_one_leaves_and_enters_a_block_on_the_same_side() -> None:
    """From a place at the south of one row to one at the north of another, one walks a row, not through the rows."""
    shape = box(0, 0, 100, 100)
    xy = np.array([[0.0, 5.0], [100.0, 95.0]])
    ends = row_ends(shape, NORTHWARD, xy)
    ways = Ways.between(xy, ends, np.eye(2, dtype=bool), np.zeros(2, int))
    assert ways.metres[0, 1] == pytest.approx(8 + 100 + 98)
    path = ways.path(np.array([0, 1]))
    assert ways.crossing(np.array([0, 1]), gpd.GeoSeries([shape])) == []
    assert LineString(path.coords[1:3]).intersection(shape).length == 0


def test_two_parts_of_a_block_are_two_pieces() -> None:
    """Between the parts of a block one may leave at the north and enter at the south, for no rows lie between."""
    parts = box(0, 0, 50, 40).union(box(0, 60, 50, 100))
    xy = np.array([[10.0, 20.0], [30.0, 70.0]])
    piece = pieces(gpd.GeoSeries([parts]), xy)
    assert piece[0] != piece[1]
    ways = Ways.between(xy, row_ends(parts, NORTHWARD, xy), np.eye(2, dtype=bool), piece)
    assert ways.metres[0, 1] == pytest.approx(23 + np.hypot(20, 14) + 13)


@pytest.mark.parametrize("start", [None, np.array([30.0, 50.0])])
def test_legs_through_a_third_blocks_rows_are_named(start: np.ndarray | None) -> None:
    """With a block between two others, the leg past it is named by its stops; without it, none is."""
    outer = [box(0, 0, 20, 20), box(0, 80, 20, 100)]
    xy, rows = np.array([[10.0, 10.0], [10.0, 90.0]]), np.array([0, 1])
    clear = plan_walk(in_blocks(*outer), [NORTHWARD] * 2, rows, xy, None, 3.0, start)
    assert clear.crossing == []
    between = plan_walk(in_blocks(*outer, box(0, 40, 20, 60)), [NORTHWARD] * 3, rows, xy, None, 3.0, start)
    assert (1, 2) in between.crossing or (2, 1) in between.crossing
    assert all(min(pair) >= (0 if start is not None else 1) for pair in between.crossing)
    free = plan_walk(in_blocks(*outer, box(0, 40, 20, 60)), [NORTHWARD] * 3, rows, xy, None, 3.0, start, fences=False)
    assert free.crossing == []


def ground(slope: float) -> xr.Dataset:
    """Ground that rises to the east."""
    x = np.arange(-100.0, 300.0, 5.0)
    z = np.broadcast_to(slope * x, (len(x), len(x)))
    return xr.Dataset(
        {"elevation_m": (("y", "x"), z), "known": (("y", "x"), np.isfinite(z))}, coords={"y": x[::-1], "x": x}
    )


def test_climb_is_the_sum_of_the_rises() -> None:
    """100 m east and back on a slope of one in ten climbs 10 m; there is none without elevation."""
    there_and_back = LineString([(0, 0), (100, 0), (0, 0)])
    assert climb_of(there_and_back, ground(0.1)) == pytest.approx(10, abs=0.01)
    assert np.isnan(climb_of(there_and_back, None))
    assert climb_of(LineString([(5, 5), (5, 5)]), ground(0.1)) == 0


def test_a_walk_starts_and_ends_where_it_is_told() -> None:
    """Length, climb and time of a round of two stops in one block, worked out by hand.

    Naismith's rule: 5 km an hour and 10 minutes for each 100 m of climb; 3 minutes a stop.
    """
    blocks = gpd.GeoDataFrame({"block": ["a"], "row_spacing_m": [2.5]}, geometry=[box(0, 0, 100, 100)], crs=32618)
    xy = np.array([[60.0, 20.0], [10.0, 20.0]])
    walk = plan_walk(blocks, [NORTHWARD], np.array([0, 0]), xy, ground(0.1), 3.0, np.array([10.0, -3.0]))
    assert walk.path.coords[0] == walk.path.coords[-1] == (10, -3)
    assert sorted(walk.order) == [0, 1]
    assert walk.metres == pytest.approx(4 * 23 + 2 * 50)
    assert walk.climb_m == pytest.approx(5, abs=0.01)
    assert walk.minutes == pytest.approx(192 / 5000 * 60 + 0.5 + 6, abs=0.01)


def test_straight_where_rows_are_no_fences() -> None:
    """Where rows can be crossed, the way is the straight line."""
    blocks = gpd.GeoDataFrame({"block": ["a"], "row_spacing_m": [2.5]}, geometry=[box(0, 0, 100, 100)], crs=32618)
    xy = np.array([[60.0, 20.0], [10.0, 20.0]])
    walk = plan_walk(blocks, [NORTHWARD], np.array([0, 0]), xy, None, 3.0, fences=False)
    assert walk.metres == pytest.approx(100)
    assert np.isnan(walk.climb_m)
