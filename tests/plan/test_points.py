"""Where to collect: away from edges, on low, middle and high ground, at both ends, on rows."""

from __future__ import annotations

from typing import cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import xarray as xr
from shapely import Point, Polygon, box
from shapely.affinity import translate

from vinemap.arrays import Array
from vinemap.plan.outlook import Outlook
from vinemap.plan.places import candidates, standing
from vinemap.plan.points import spread_points
from vinemap.reading.frames import block_frames
from vinemap.reading.inside import inner
from vinemap.terrain.layers import terrain_layers

CRS = "EPSG:32618"
EAST, NORTH = 500_000.0, 4_700_000.0


def shifted(shape: Polygon) -> Polygon:
    """Bring a shape near the origin to the vineyard."""
    return translate(shape, EAST, NORTH)


def terrain_of(rise: float, bowl: float) -> xr.Dataset:
    """Ground that rises to the east with a bowl in the middle of a 300 m square."""
    steps = np.arange(-300.0, 600.0, 5.0)
    x, y = np.meshgrid(steps, steps[::-1])
    z = 100 + rise * x - bowl * np.exp(-((x - 150) ** 2 + (y - 150) ** 2) / (2 * 100**2))
    grid = xr.DataArray(z.astype("float32"), coords={"y": NORTH + steps[::-1], "x": EAST + steps}, dims=("y", "x"))
    bounds = (EAST, NORTH, EAST + 300, NORTH + 300)
    return terrain_layers(grid.rio.write_crs(CRS), pyproj.CRS(CRS), bounds)


def test_the_edge_is_left_out_but_never_most_of_a_block() -> None:
    """10 m are kept from the edge of a wide block; a block 12 m wide keeps less, and 40 % of its ground."""
    assert inner(box(0, 0, 100, 100), 10).area == pytest.approx(80 * 80)
    narrow = box(0, 0, 300, 12)
    assert 0.4 * narrow.area <= inner(narrow, 10).area < narrow.area


def test_candidates_are_spread_evenly_inside() -> None:
    """About as many places as asked, all inside, also where the block is bent."""
    bent = box(0, 0, 200, 30).union(box(0, 0, 30, 200))
    xy = candidates(bent, 500, np.random.default_rng(0))
    assert 400 < len(xy) < 620
    assert all(Point(place).within(bent) for place in xy)


def test_hollows_are_strata_and_the_rest_is_parted_by_height() -> None:
    """In a bowl the middle is a hollow and the rim high; on an even slope the lower end is low; flat ground is level.

    Hollows and the foot of slopes apart from the rest: Bavarian State Institute LWG.
    """
    xy = candidates(shifted(box(0, 0, 300, 300)), 900, np.random.default_rng(0))
    off = np.hypot(*(xy - (EAST + 150, NORTH + 150)).T)
    height, stratum = standing(terrain_of(0.0, 8.0), xy)
    assert set(stratum) == {"hollow", "foot", "low", "middle", "high"}
    assert off[stratum == "hollow"].max() < off[stratum == "foot"].min() + 5
    assert off[stratum == "foot"].max() < off[stratum == "high"].min()
    thirds = [(stratum == one).sum() for one in ("low", "middle", "high")]
    assert max(thirds) - min(thirds) <= 1
    assert height[stratum == "low"].max() <= height[stratum == "middle"].min()
    _, stratum = standing(terrain_of(0.05, 0.0), xy)
    assert set(stratum) == {"low", "middle", "high"}
    assert xy[stratum == "low", 0].mean() < xy[stratum == "high", 0].mean() - 100
    assert set(standing(terrain_of(0.0, 0.0), xy)[1]) == {"level"}


def test_no_terrain_is_invented_where_the_grid_has_none() -> None:
    """Without a grid, in its gaps and beyond its edge it is unknown; the known part is told by its own heights."""
    xy = candidates(shifted(box(0, 0, 300, 300)), 900, np.random.default_rng(0))
    assert set(standing(None, xy)[1]) == {"unknown"}
    east = xy[:, 0] > EAST + 148
    gap = terrain_of(0.05, 0.0)
    gap["known"] = gap["known"] & (gap.x < EAST + 145)
    edge = terrain_of(0.05, 0.0).sel(x=slice(None, EAST + 145))
    for terrain in (gap, edge):
        assert set(standing(terrain, xy)[1][east]) == {"unknown"}
        assert set(standing(terrain, xy)[1][xy[:, 0] < EAST + 135]) == {"low", "middle", "high"}


def test_every_block_has_points_in_every_stratum_and_away_from_the_edge() -> None:
    """Ten points a block lie in every stratum of a tenth of it and 8 m inside, for 6 different seeds."""
    squares = [box(0, 0, 300, 300), box(310, 0, 500, 200)]
    blocks = gpd.GeoDataFrame({"block": ["a", "b"]}, geometry=[shifted(shape) for shape in squares], crs=CRS)
    terrain = terrain_of(0.03, 8.0)
    for seed in range(6):
        points = spread_points(blocks, [10, 10], terrain, [None, None], 8.0, np.random.default_rng(seed))
        for row, shape in enumerate(blocks.geometry):
            mine = points[points["block_row"] == row]
            assert len(mine) == 10
            there = candidates(inner(shape, 8.0), 500, np.random.default_rng(seed))
            strata, places = np.unique(standing(terrain, there)[1].astype(str), return_counts=True)
            assert set(mine["terrain"]) >= set(strata[places >= len(there) / 10])
            assert min(shape.exterior.distance(Point(x, y)) for x, y in zip(mine["x"], mine["y"], strict=True)) >= 8


def test_both_ends_of_a_long_block_have_a_point() -> None:
    """A block ten times as long as wide has points in its first and its last quarter, for 6 different seeds."""
    blocks = gpd.GeoDataFrame({"block": ["a"]}, geometry=[shifted(box(0, 0, 600, 60))], crs=CRS)
    for seed in range(6):
        points = spread_points(blocks, [6], None, [None], 8.0, np.random.default_rng(seed))
        along = points["x"] - EAST
        assert along.min() < 150
        assert along.max() > 450


def test_points_stand_on_vines() -> None:
    """Where rows and vines can be counted, every point is a vine's place; the same seed gives the same points."""
    blocks = gpd.GeoDataFrame(
        {"block": ["a"], "row_spacing_m": [2.5], "vine_spacing_m": [1.5]},
        geometry=[shifted(box(0, 0, 100, 200))],
        crs=CRS,
    )
    _, frames = block_frames(blocks)
    points, again = (spread_points(blocks, [10], None, frames, 8.0, np.random.default_rng(1)) for _ in range(2))
    assert points.equals(again)
    frame = frames[0]
    assert frame is not None
    for place in points[["x", "y"]].to_numpy():
        row, vine = frame.nearest(place)
        assert vine is not None
        assert frame.place(row, vine) == pytest.approx(place, abs=1e-6)


def test_a_block_that_needs_no_points_gets_none() -> None:
    """Blocks without a wanted point are passed over."""
    blocks = gpd.GeoDataFrame({"block": ["a", "b"]}, geometry=[shifted(box(0, 0, 90, 90))] * 2, crs=CRS)
    points = spread_points(blocks, [0, 5], None, [None, None], 8.0, np.random.default_rng(1))
    assert points["block_row"].tolist() == [1] * 5


class _Westward:
    """An outlook by which the cold deepens to the west."""

    def coldness(self, xy: Array, block: int) -> Array:
        return np.asarray(-0.1 * xy[:, 0])


def test_what_is_expected_stands_in_for_heights_alone() -> None:
    """Where heights are known points are those of the heights; without, those spread over what loggers let expect."""
    blocks = gpd.GeoDataFrame({"block": ["a"]}, geometry=[shifted(box(0, 0, 300, 300))], crs=CRS)
    outlook = cast(Outlook, _Westward())

    def points(terrain: xr.Dataset | None, outlook: Outlook | None) -> pd.DataFrame:
        return spread_points(blocks, [9], terrain, [None], 8.0, np.random.default_rng(3), outlook)

    heights = terrain_of(0.03, 8.0)
    assert points(heights, outlook).equals(points(heights, None))
    assert not points(None, outlook).equals(points(None, None))
