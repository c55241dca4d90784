"""Zones whose borders follow rows and posts, their rows and vines counted by hand: a square, a skewed, a bent block."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely import LineString, Polygon, box

from tests.decisions.test_zones import CRS, X, Y, frame, odd_blocks, rough, settings_of, surface
from vinemap.decisions.vine_rows import zone_rows
from vinemap.decisions.vine_spaces import VineSpaces
from vinemap.decisions.zones import action_zones, vines_between
from vinemap.reading.drawn_rows import drawn_frame
from vinemap.reading.rows import Direction, RowFrame, row_frame
from vinemap.terrain.grid import block_grid

MILD, HARD = 0.05, 0.5
NORTHWARD = Direction(np.array([0.0, 1.0]), True)


def split(blocks: gpd.GeoDataFrame, *, east: float = np.inf, north: float = np.inf) -> xr.Dataset:
    """A surface of 5 m cells: mild injury, and hard one further east, or further north, than so many metres."""
    grid = block_grid(blocks, 5.0, 4_000_000)
    hard = (grid.x.to_numpy()[None, :] - X > east) | (grid.y.to_numpy()[:, None] - Y > north)
    return surface(blocks, np.where(hard, HARD, MILD))


def cut(
    blocks: gpd.GeoDataFrame, grid: xr.Dataset, rows: RowFrame, **actions: object
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """The zones of the one block, and their runs of vines."""
    settings = settings_of("proportional", whole_rows_share=1.0, **actions)
    zones = action_zones(grid, blocks, settings, frames={"B0": rows})
    return zones, zone_rows({"B0": rows}, zones)


def square_rows() -> RowFrame:
    """Forty rows that run east, 2.5 m apart, of a hundred vines, 2 m apart: 200 m by 100 m."""
    lines = [LineString([(X + 1, Y + 2.5 * k + 1.25), (X + 199, Y + 2.5 * k + 1.25)]) for k in range(40)]
    return drawn(box(X, Y, X + 200, Y + 100), lines, 2.5)


def drawn(outline: Polygon, lines: list[LineString], apart: float) -> RowFrame:
    rows = {"block": "B0", "row": range(1, len(lines) + 1), "vines": np.nan}
    return drawn_frame(outline, gpd.GeoDataFrame(rows, geometry=lines, crs=CRS), apart, 2.0)


def runs_of(runs: pd.DataFrame, zone: int) -> dict[int, tuple[int, int]]:
    """First and last vine of a zone by row, in which it has one run."""
    here = runs[runs["zone"] == zone]
    assert here["row"].is_unique
    return dict(zip(here["row"], zip(here["vine_from"], here["vine_to"], strict=True), strict=True))


@pytest.mark.parametrize(("between", "last"), [(5, 50), (4, 52)])
def test_a_square_block(between: int, last: int) -> None:
    """Hard injury begins 105 m east, where vine 53 stands (vine k at 2 k - 1 m). Posts after every fifth vine: of 51 to
    55 two are mild and three hard, so hard vines begin at 51, after 50. After every fourth: 49 to 52 are mild, 53 to 56
    hard, so they begin at 53. Each mild vine has 2 m by 2.5 m: 40 rows of 50 or 52."""
    blocks = frame(box(X, Y, X + 200, Y + 100), vines=[4000], vines_between_posts=[between])
    zones, runs = cut(blocks, split(blocks, east=105), square_rows())
    assert zones["action"].tolist() == ["keep_more", "as_usual"]
    assert runs_of(runs, 2) == {row: (1, last) for row in range(1, 41)}
    assert runs_of(runs, 1) == {row: (last + 1, 100) for row in range(1, 41)}
    assert zones["vines"].tolist() == [4000 - 40 * last, 40 * last]
    assert zones["area_ha"].tolist() == pytest.approx([2.0 - last * 0.02, last * 0.02], abs=1e-9)


def test_a_skewed_block() -> None:
    """The headland climbs 1 m in 2 and vine k of row r stands 0.625 + 1.25 (r - 1) + 2 k - 1 m north, 60 in each row.
    Hard injury begins 85 m north: in row 1 at vine 43 (84.6 m is vine 42), posts after every fifth, so that space is 41
    to 45: 41 and 42 mild, three hard, so from 41. Row 2: vine 43 at 86.9, vine 42 at 84.9: the same. Row 3: vine 42 at
    86.1, 41 at 84.1: one mild, from 41. Row 5: vine 41 at 86.6, 40 at 84.6: from 41. Row 6: vine 40 at 85.9: of 36 to
    40 four are mild: from 41. Row 9: vine 38 at 85.6, 37 at 83.6: of 36 to 40 two mild: from 36. Row 20: vine 31 at
    85.4, 30 at 83.4: from 31. Row 40: vine 19 at 86.4, 18 at 84.4: of 16 to 20 three mild: from 21."""
    outline = Polygon([(X, Y), (X + 100, Y + 50), (X + 100, Y + 170), (X, Y + 120)])
    rows = row_frame(outline, NORTHWARD, 2.5, 2.0, np.array([X + 1.25, Y + 1.625]))
    assert rows is not None
    assert [rows.vines(row) for row in rows.numbers] == [60] * 40
    blocks = frame(outline, vines=[2400], vines_between_posts=[5.0])
    zones, runs = cut(blocks, split(blocks, north=85), rows)
    hard = runs_of(runs, int(zones.loc[zones["action"] == "keep_more", "zone"].item()))
    by_hand = {1: 41, 2: 41, 3: 41, 5: 41, 6: 41, 9: 36, 20: 31, 40: 21}
    assert {row: hard[row][0] for row in by_hand} == by_hand
    assert {last for _, last in hard.values()} == {60}
    assert all((first - 1) % 5 == 0 for first, _ in hard.values())
    assert zones.set_index("action")["vines"]["keep_more"] == sum(61 - first for first, _ in hard.values())
    assert zones["vines"].sum() == 2400
    assert zones["area_ha"].sum() == pytest.approx(1.2, abs=1e-9)


def test_a_block_with_a_bend() -> None:
    """Twenty rows go round a corner, d = 1, 3 … 39 m inside its outer sides: 99 - d m north, then 139 - d m east, 2 m
    from vine to vine, so 120 - d vines: 2,000 on 0.8 ha. Vine k stands 2 d + 2 k - 101 m east behind the corner, so
    that hard injury, from 90 m, begins at vine 96 - d. Posts after every fifth vine: row 1 (119 vines) from 95, of 91
    to 95 only the last, so from 96: 24 vines. Row 2 (117) from 93, three of five, so from 91: 27. Row 3 (115): 25.
    Row 4 (113) from 89, two of five, so from 91: 23. Row 5 (111) from 87, four of five, so from 86: 26. Every five rows
    further all numbers are 10 less: four times 125 vines are hard."""
    outline = Polygon([(X, Y), (X + 40, Y), (X + 40, Y + 60), (X + 140, Y + 60), (X + 140, Y + 100), (X, Y + 100)])
    lines = [LineString([(X + d, Y + 1), (X + d, Y + 100 - d), (X + 139, Y + 100 - d)]) for d in range(1, 40, 2)]
    rows = drawn(outline, lines, 2.0)
    assert [rows.vines(row) for row in rows.numbers] == [120 - d for d in range(1, 40, 2)]
    blocks = frame(outline, vines=[1000], vines_between_posts=[5])
    zones, runs = cut(blocks, split(blocks, east=90), rows)
    hard = runs_of(runs, int(zones.loc[zones["action"] == "keep_more", "zone"].item()))
    first = [start - 10 * five for five in range(4) for start in (96, 91, 91, 91, 86)]
    assert hard == {row: (start, 120 - d) for row, start, d in zip(range(1, 21), first, range(1, 40, 2), strict=True)}
    assert [last - start + 1 for start, last in hard.values()] == [24, 27, 25, 23, 26] * 4
    # Half of the places are empty, by the block's own count: of its 1,000 vines a quarter are hard.
    assert zones.set_index("action")["vines"].to_dict() == {"keep_more": 250, "as_usual": 750}
    assert zones["area_ha"].sum() == pytest.approx(0.8, abs=1e-9)


@pytest.mark.parametrize("sigma", [2.0, 12.0])
def test_zones_along_rows_tile_their_blocks(sigma: float) -> None:
    """On any outline, whatever the surface: ground and vines of the zones add up, and no post space is torn apart."""
    blocks = odd_blocks()
    rows = {
        name: row_frame(outline, NORTHWARD, 2.5, 1.5, np.array([outline.bounds[0] + 1, outline.centroid.y]))
        for name, outline in zip(blocks["block"], blocks.geometry, strict=True)
    }
    frames = {name: one for name, one in rows.items() if one is not None}
    zones = action_zones(rough(blocks, sigma), blocks, settings_of("proportional"), frames=frames)
    assert zones.is_valid.all()
    for row in blocks.itertuples():
        here = zones[zones["block"] == row.block]
        assert here["area_ha"].sum() * 1e4 == pytest.approx(row.geometry.area, rel=1e-9)
        assert here.union_all().symmetric_difference(row.geometry).area < 1e-9 * row.geometry.area
        assert here["vines"].sum() == row.vines
    runs = zone_rows(frames, zones)
    before = runs.groupby(["block", "row"])["vine_to"].shift()
    inner = runs.loc[runs["vine_from"] == before + 1, "vine_from"]
    assert len(inner) > 20
    assert ((inner - 1) % 5 == 0).all()


def test_posts_are_as_stated_else_assumed() -> None:
    """7 m hold three vines at 2.4 m (7.2 m, 24 ft), five at 1.5 m, and one at 8 m; a block's own number stands.

    Line posts 21, 24 or 28 ft apart, by the vine spacing: P. Domoto, Constructing a Vineyard Trellis, Iowa State
    University (2002).
    """
    spacings = {2.4: 3, 1.5: 5, 8.0: 1}
    for spacing, count in spacings.items():
        rows = row_frame(box(X, Y, X + 50, Y + 50), NORTHWARD, 2.5, spacing, np.array([X + 1, Y + 1.0]))
        assert rows is not None
        assert vines_between({}, rows, 7.0) == count
        assert vines_between({"vines_between_posts": np.nan}, rows, 7.0) == count
        assert vines_between({"vines_between_posts": 4.0}, rows, 7.0) == 4


def test_borders_stay_where_nobody_asks() -> None:
    """With no post space, borders lie where the ground has them: at 105 m, in the midst of a space."""
    blocks = frame(box(X, Y, X + 200, Y + 100), vines=[4000])
    zones, _ = cut(blocks, split(blocks, east=105), square_rows(), post_space_m=0.0)
    assert zones["area_ha"].tolist() == pytest.approx([0.95, 1.05], abs=1e-9)


def test_two_vines_in_one_place_leave_the_borders_alone() -> None:
    """Rows drawn over each other have no ground of their own."""
    outline = box(X, Y, X + 200, Y + 100)
    line = LineString([(X + 1, Y + 1), (X + 199, Y + 1)])
    assert VineSpaces.of(drawn(outline, [line, line], 2.5), 4) is None
    assert isinstance(VineSpaces.of(square_rows(), 4), VineSpaces)
