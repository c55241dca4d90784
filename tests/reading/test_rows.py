"""Rows and vines: on a square block, on a skewed one, and against geodesic bearings."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pytest
from pyproj import CRS, Geod, Transformer
from shapely import Point, Polygon, box

from vinemap.reading.frames import block_frames
from vinemap.reading.rows import Direction, locate, row_direction, row_frame

EAST, NORTH = 500_000.0, 4_700_000.0
UTM = CRS("EPSG:32618")
NORTHWARD = Direction(np.array([0.0, 1.0]), True)


def skewed() -> Polygon:
    """Rows run north and are 120 m long; each starts 0.5 m further north for every metre east."""
    corners = [(0, 0), (100, 50), (100, 170), (0, 120)]
    return Polygon([(EAST + x, NORTH + y) for x, y in corners])


def test_vines_of_a_skewed_block_follow_its_headland() -> None:
    """Vine 1 of every row stands 3 m inside the slanted headland, and vines count on from there."""
    frame = row_frame(skewed(), NORTHWARD, 2.5, 1.5, np.array([EAST + 1.25, NORTH + 0.625 + 3.0]))
    assert frame is not None
    for row, vine in ((1, 1), (1, 40), (17, 1), (17, 33), (40, 60)):
        east = 1.25 + 2.5 * (row - 1)
        wanted = (EAST + east, NORTH + east / 2 + 3.0 + 1.5 * (vine - 1))
        assert frame.place(row, vine) == pytest.approx(wanted, abs=1e-6)
        assert frame.nearest(np.array(wanted) + 0.4) == (row, vine)
    assert frame.rows == 40
    assert frame.vines(20) == 79


def test_rows_count_into_the_block_from_any_corner() -> None:
    """From the far corner, rows run west and vines run south: the same block turned round."""
    frame = row_frame(skewed(), NORTHWARD, 2.5, 1.5, np.array([EAST + 98.75, NORTH + 169.375 - 3.0]))
    assert frame is not None
    assert frame.place(5, 11) == pytest.approx((EAST + 88.75, NORTH + 164.375 - 3.0 - 15.0), abs=1e-6)


def test_bearings_are_from_true_north() -> None:
    """The direction in the grid is that of the geodesic, far from the zone's central meridian where norths differ."""
    to_grid = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    lon, lat, bearing = -72.3, 43.0, 30.0
    corner = to_grid.transform(lon, lat)
    direction = row_direction(box(corner[0] - 50, corner[1] - 50, corner[0] + 50, corner[1] + 50), bearing, UTM)
    far = to_grid.transform(*Geod(ellps="WGS84").fwd(lon, lat, bearing, 300.0)[:2])
    along = np.subtract(far, corner) / np.hypot(*np.subtract(far, corner))
    assert direction.along == pytest.approx(along, abs=1e-4)
    grid_bearing = math.degrees(math.atan2(*direction.along))
    assert abs(grid_bearing - bearing) > 1
    assert direction.given


def test_without_a_bearing_the_longest_edge_decides() -> None:
    """Rows run along the longest edge, and that they were not given is kept."""
    direction = row_direction(Polygon([(0, 0), (300, 100), (290, 140), (-10, 40)]), None, UTM)
    assert abs(direction.along @ np.array([3, 1]) / math.sqrt(10)) == pytest.approx(1)
    assert not direction.given
    assert not row_direction(box(0, 0, 10, 20), float("nan"), UTM).given


def test_a_located_sample_lies_where_its_vine_is_with_its_error() -> None:
    """On a skewed block whose outline, bearing and spacings are all a little wrong, the stated error holds.

    200 vines are placed from what the keeper measured; the standard error must match the true offsets to a factor.
    """
    rng = np.random.default_rng(5)
    true = row_frame(skewed(), NORTHWARD, 2.5, 1.5, np.array([EAST + 1.25, NORTH + 3.625]))
    assert true is not None
    ratios = []
    for _ in range(200):
        turned = math.radians(rng.normal(0, 0.5))
        direction = Direction(np.array([math.sin(turned), math.cos(turned)]), True)
        outline = Polygon(np.array(skewed().exterior.coords)[:-1] + rng.normal(0, 1.5, (4, 2)))
        spacings = np.array([2.5, 1.5]) * rng.normal(1, 0.01, 2)
        frame = row_frame(outline, direction, *spacings, true.first + rng.normal(0, 2.1, 2))
        assert frame is not None
        row, vine = int(rng.integers(2, 38)), int(rng.integers(1, 75))
        found = locate(frame, row, vine)
        ratios.append(found.point.distance(Point(true.place(row, vine))) / found.error_m)
    assert 0.6 < np.sqrt(np.mean(np.square(ratios))) < 1.2
    assert np.mean(np.array(ratios) < 2) > 0.95


def test_the_error_grows_with_the_distance_from_the_first_vine() -> None:
    """Beside the first vine the error is its own 3 m; a corner away it is more."""
    frame = row_frame(skewed(), NORTHWARD, 2.5, 1.5, np.array([EAST + 1.25, NORTH + 3.625]))
    assert frame is not None
    assert locate(frame, 1, 1).error_m == pytest.approx(3.0)
    assert locate(frame, 40, 70).error_m > locate(frame, 10, 70).error_m > locate(frame, 2, 5).error_m > 3.0


@pytest.mark.parametrize(
    ("row", "vine", "message"),
    [
        (0, 1, "no row 0"),
        (44, 1, "no row 44: the block has room for 40"),
        (3, 0, "no vine 0 in row 3"),
        (3, 200, "no vine 200 in row 3: the row has room for 79"),
    ],
)
def test_rows_and_vines_that_are_not_there_are_refused(row: int, vine: int, message: str) -> None:
    """A row or a vine beyond the block is a mistake to name, not a place."""
    frame = row_frame(skewed(), NORTHWARD, 2.5, 1.5, np.array([EAST + 1.25, NORTH + 3.625]))
    assert frame is not None
    with pytest.raises(ValueError, match=message):
        locate(frame, row, vine)


def test_a_first_vine_measured_outside_the_outline_still_counts() -> None:
    """GPS puts the corner 4 m outside: rows and vines go on from there all the same."""
    frame = row_frame(skewed(), NORTHWARD, 2.5, 1.5, np.array([EAST - 4.0, NORTH - 2.0]))
    assert frame is not None
    assert frame.place(1, 1) == pytest.approx((EAST - 4.0, NORTH - 2.0))
    assert Point(frame.place(20, 30)).within(skewed())


def test_frames_of_blocks() -> None:
    """A block with a corner is measured, one with spacing alone is estimated, one with neither has no frame."""
    lon, lat = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(EAST + 1.25, NORTH + 3.625)
    blocks = gpd.GeoDataFrame(
        {
            "block": ["a", "b", "c"],
            "row_spacing_m": [2.5, 2.0, np.nan],
            "vine_spacing_m": [1.5, np.nan, np.nan],
            "row_bearing_deg": [180.0, np.nan, np.nan],
            "first_vine_lon": [lon, np.nan, np.nan],
            "first_vine_lat": [lat, np.nan, np.nan],
        },
        geometry=[skewed(), box(0, 0, 40, 100), box(0, 0, 40, 100)],
        crs=UTM,
    )
    directions, frames = block_frames(blocks)
    first, second, third = frames
    assert [direction.given for direction in directions] == [True, False, False]
    assert first is not None
    assert second is not None
    assert third is None
    assert first.measured
    assert first.place(17, 33) == pytest.approx((EAST + 41.25, NORTH + 20.625 + 3.0 + 48.0), abs=0.2)
    assert not second.measured
    assert second.rows == 20
    assert second.nearest(np.array([7.2, 50.0])) == (4, None)
    assert second.on_row(np.array([7.2, 50.0])) == pytest.approx((7.0, 50.0))
