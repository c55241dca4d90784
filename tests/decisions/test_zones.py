"""Zones tile their blocks, are large enough to find, and follow the rule at their own mean."""

from __future__ import annotations

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pytest
import xarray as xr
from pyproj import Proj, Transformer
from scipy import ndimage
from scipy.ndimage import gaussian_filter
from scipy.special import expit
from shapely import get_coordinates
from shapely.affinity import rotate
from shapely.geometry import MultiPolygon, Polygon, box

from vinemap.arrays import Array
from vinemap.decisions.actions import decide
from vinemap.decisions.zones import action_zones
from vinemap.settings import Settings
from vinemap.states import Action, Grade
from vinemap.terrain.grid import block_grid, centres

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_800_000.0


def frame(*shapes: Polygon | MultiPolygon, **columns: object) -> gpd.GeoDataFrame:
    names = [f"B{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({"block": names, "nodes_per_vine": 40.0, **columns}, geometry=list(shapes), crs=CRS)


def surface(blocks: gpd.GeoDataFrame, injury: np.ndarray | float, cell: float = 5.0, width: float = 0.5) -> xr.Dataset:
    """A grid whose injury is given per cell, with intervals so far away in log-odds."""
    grid = block_grid(blocks, cell, 4_000_000)
    inside = grid["block_index"].to_numpy() >= 0
    score = np.log(np.clip(injury, 1e-4, 1 - 1e-4) / (1 - np.clip(injury, 1e-4, 1 - 1e-4))) * np.ones(inside.shape)
    for name, shift in (("injury", 0.0), ("low", -width), ("high", width)):
        grid[f"primary_{name}"] = (("y", "x"), np.where(inside, expit(score + shift), np.nan).astype(np.float32))
    return grid


def eastward(blocks: gpd.GeoDataFrame, cell: float = 5.0, reach: float = 200.0) -> xr.Dataset:
    """Injury rises from 0 in the west towards 1 in the east, but stops at 94 %, short of doubt about the wood."""
    grid = block_grid(blocks, cell, 4_000_000)
    return surface(blocks, np.clip((grid.x.to_numpy() - X) / reach, 0, 0.94)[None, :], cell)


def rough(blocks: gpd.GeoDataFrame, sigma: float, cell: float = 3.0, seed: int = 3) -> xr.Dataset:
    shape = block_grid(blocks, cell, 4_000_000)["block_index"].shape
    noise = gaussian_filter(np.random.default_rng(seed).normal(size=shape), sigma)
    return surface(blocks, expit(1.5 * noise / noise.std() - 0.5), cell)


def settings_of(rule: str, **actions: object) -> Settings:
    return Settings.model_validate({"actions": {"rule": rule, **actions}})


def odd_blocks() -> gpd.GeoDataFrame:
    """A turned one, one with a bay and a thin spike, one in two parts, one too small for a cell."""
    turned = rotate(box(X, Y, X + 180, Y + 140), 17)
    tip = [(150, 60), (260, 60.8), (150, 61.6)]
    corners = [(0, 0), (150, 0), *tip, (150, 120), (90, 120), (80, 30), (70, 120), (0, 120)]
    spike = Polygon([(X + 300 + x, Y + y) for x, y in corners])
    parts = MultiPolygon([box(X + 600, Y, X + 700, Y + 90), box(X + 640, Y + 140, X + 660, Y + 150)])
    tiny = box(X + 800, Y, X + 801, Y + 1)
    return frame(turned, spike, parts, tiny, vines=[5001, 3333, 1777, 1])


@pytest.mark.parametrize("smallest", [0.1, 0.0])
@pytest.mark.parametrize("sigma", [0.0, 2.0, 12.0])
def test_zones_tile_their_blocks(sigma: float, smallest: float) -> None:
    """They cover it exactly, nothing overlaps, every shape is valid, vines add up to the block's."""
    blocks = odd_blocks()
    settings = settings_of("proportional", smallest_zone_ha=smallest)
    zones = action_zones(rough(blocks, sigma), blocks, settings)
    assert zones.is_valid.all()
    assert set(zones.geom_type) <= {"Polygon", "MultiPolygon"}
    for row in blocks.itertuples():
        here = zones[zones["block"] == row.block]
        assert here["area_ha"].sum() * 1e4 == pytest.approx(row.geometry.area, rel=1e-9)
        assert here.union_all().symmetric_difference(row.geometry).area < 1e-9 * row.geometry.area
        assert here["vines"].sum() == row.vines


@pytest.mark.parametrize("sigma", [0.0, 2.0, 12.0])
def test_no_piece_is_too_small(sigma: float) -> None:
    """Whatever the noise, no zone is under the smallest size, unless it is a whole block."""
    blocks = odd_blocks()
    zones = action_zones(rough(blocks, sigma), blocks, Settings())
    count = zones.groupby("block")["zone"].transform("size")
    assert (zones.loc[count > 1, "area_ha"] > 0.09).all()


def test_cuts_lie_at_the_rule_s_thresholds() -> None:
    """Injury of 0 to 100 % over 200 m: the proportional rule cuts at 20 and 80 %, that is at 40 and 160 m."""
    blocks = frame(box(X, Y, X + 200, Y + 100), vines=2000)
    zones = action_zones(eastward(blocks), blocks, Settings())
    assert zones["action"].tolist() == ["prune_long_wait", "keep_more", "as_usual"]
    np.testing.assert_allclose(zones["area_ha"], [0.4, 1.2, 0.4], atol=0.03)
    np.testing.assert_allclose(zones["injury_pct"], [89, 50, 10], atol=1.5)
    assert zones["vines"].sum() == 2000
    keep_more = zones.iloc[1]
    assert keep_more["nodes_to_keep"] == round(40 * (1 + round(keep_more["injury_pct"], 1) / 100))
    assert zones["nodes_to_keep"].isna().tolist() == [True, False, False]


def test_each_rule_cuts_at_its_own_thresholds() -> None:
    """The stepped rule cuts at 15, 35 and 50 % (30, 70, 100 m); replacement where nodes pass twice the target, 50 %."""
    blocks = frame(box(X, Y, X + 200, Y + 100))
    grid = eastward(blocks)
    stepped = action_zones(grid, blocks, Settings.model_validate({"actions": {"rule": "stepped"}}))
    np.testing.assert_allclose(stepped["area_ha"], [1.0, 0.3, 0.4, 0.3], atol=0.06)
    assert stepped["extra_pct"].fillna(-1).tolist() == [-1, 50, 35, 0]
    replacement = action_zones(grid, blocks, Settings.model_validate({"actions": {"rule": "replacement"}}))
    assert replacement["action"].tolist() == ["prune_long_wait", "keep_more"]
    np.testing.assert_allclose(replacement["area_ha"], [1.0, 1.0], atol=0.06)


def test_order_and_numbers() -> None:
    """Blocks in their order, the worst zone of each first, numbered through."""
    blocks = frame(box(X, Y, X + 100, Y + 100), box(X + 100, Y, X + 200, Y + 100))
    zones = action_zones(eastward(blocks), blocks, Settings())
    assert zones["zone"].tolist() == list(range(1, len(zones) + 1))
    assert zones["block"].is_monotonic_increasing
    assert zones.groupby("block")["injury_pct"].apply(lambda pct: pct.is_monotonic_decreasing).all()


def in_strips(blocks: gpd.GeoDataFrame, *strips: tuple[float, float]) -> xr.Dataset:
    """A surface of strips from west to east: where each ends, in metres from the west, and its injury."""
    ends, injury = zip(*strips, strict=True)
    away = block_grid(blocks, 5.0, 4_000_000).x.to_numpy() - X
    return surface(blocks, np.array(injury)[np.searchsorted(ends, away).clip(max=len(ends) - 1)][None, :])


def test_the_largest_remainders_are_rounded_up() -> None:
    """11 vines on 50, 110 and 40 m of 200 are 2.75, 6.05 and 2.2: 3, 6 and 2 (Hamilton's method of apportionment)."""
    blocks = frame(box(X, Y, X + 200, Y + 100), vines=[11])
    zones = action_zones(in_strips(blocks, (50, 0.9), (160, 0.5), (200, 0.05)), blocks, Settings())
    np.testing.assert_allclose(zones["area_ha"], [0.5, 1.1, 0.4], rtol=1e-9)
    assert zones["vines"].tolist() == [3, 6, 2]


def test_a_piece_of_the_smallest_size_stays() -> None:
    """A strip of 10 m by 100 m is 0.1 ha: a zone where that is the smallest size, and none where it is more."""
    blocks = frame(box(X, Y, X + 200, Y + 100))
    grid = in_strips(blocks, (100, 0.05), (110, 0.9), (200, 0.5))
    assert len(action_zones(grid, blocks, settings_of("proportional", smallest_zone_ha=0.1))) == 3
    assert len(action_zones(grid, blocks, settings_of("proportional", smallest_zone_ha=0.101))) == 2


def test_rows_are_kept_whole_where_the_share_is_just_reached() -> None:
    """Rows from west to east, half of whose ground is of their mean's class: whole at a share of 0.5, not above it."""
    blocks = frame(box(X, Y, X + 200, Y + 100), row_spacing_m=2.5, row_bearing_deg=true_bearing(90.0))
    grid = in_strips(blocks, (100, 0.05), (200, 0.5))
    assert len(action_zones(grid, blocks, settings_of("proportional", whole_rows_share=0.5))) == 1
    assert len(action_zones(grid, blocks, settings_of("proportional", whole_rows_share=0.501))) == 2


def test_no_live_bud_means_check_the_wood() -> None:
    """Ground where most nodes have no live bud is a zone of its own; elsewhere the rule stands."""
    blocks = frame(box(X, Y, X + 200, Y + 100))
    grid = surface(blocks, 0.6)
    dead = np.where(grid.x.to_numpy()[None, :] > X + 100, 0.7, 0.1) * np.ones(grid["block_index"].shape)
    for name, shift in (("injury", 0), ("low", -0.1), ("high", 0.1)):
        grid[f"no_live_bud_{name}"] = (("y", "x"), dead + shift)
    zones = action_zones(grid, blocks, Settings())
    assert sorted(zones["action"]) == ["check_wood", "keep_more"]
    np.testing.assert_allclose(zones["area_ha"], [1, 1], atol=0.06)
    assert zones.set_index("action").loc["check_wood", "sure_pct"] > 95


def test_too_few_samples_is_its_own_ground() -> None:
    """Hatched ground has no action, but its mean is still told."""
    blocks = frame(box(X, Y, X + 200, Y + 100))
    grid = surface(blocks, 0.4)
    grid["too_few"] = (("y", "x"), (grid.x.to_numpy()[None, :] > X + 100) & np.ones(grid["block_index"].shape, bool))
    zones = action_zones(grid, blocks, Settings()).set_index("action")
    assert set(zones.index) == {"keep_more", "no_data"}
    assert zones.loc["no_data", "injury_pct"] == pytest.approx(40, abs=0.1)
    assert np.isnan(zones.loc["no_data", "nodes_to_keep"])


def test_ground_with_samples_enough_on_half_of_it_is_acted_on() -> None:
    """A block too small to be cut, half of it with too few samples: its zone has an action; with a cell less, none."""
    blocks = frame(box(X, Y, X + 40, Y + 20))
    grid = surface(blocks, 0.4)
    few = (grid.x.to_numpy()[None, :] > X + 20) & np.ones(grid["block_index"].shape, bool)
    grid["too_few"] = (("y", "x"), few)
    assert action_zones(grid, blocks, Settings())["action"].tolist() == ["keep_more"]
    few[np.nonzero(grid["block_index"].to_numpy() == 0)[0][0]] = True  # one row of cells more
    assert action_zones(grid.assign(too_few=(("y", "x"), few)), blocks, Settings())["action"].tolist() == ["no_data"]


@pytest.mark.parametrize(("high", "action"), [(0.8, "keep_more"), (0.801, "no_data")])
def test_an_interval_as_wide_as_the_limit_is_acted_on(high: float, action: str) -> None:
    """From 20 to 80 % is the 60 points that the settings allow; a tenth of a point more is too wide."""
    blocks = frame(box(X, Y, X + 40, Y + 20))

    def averages(zones: gpd.GeoSeries) -> tuple[Array, Array]:
        return np.full(len(zones), 0.2), np.full(len(zones), high)

    assert action_zones(surface(blocks, 0.4), blocks, Settings(), averages)["action"].tolist() == [action]


def test_sure_is_the_chance_of_the_step() -> None:
    """A cell whose 5 % quantile is the threshold itself is above it with a probability of 95 %."""
    blocks = frame(box(X, Y, X + 100, Y + 100))
    above = float(expit(np.log(0.2 / 0.8) + 0.5))
    zones = action_zones(surface(blocks, above), blocks, Settings())
    assert zones["action"].tolist() == ["keep_more"]
    assert zones["sure_pct"].iloc[0] == pytest.approx(95, abs=0.6)


def test_zones_hold_their_own_cells() -> None:
    """Nearly every cell lies in the zone whose step its injury is in, on a smooth surface."""
    blocks = frame(box(X, Y, X + 300, Y + 300))
    grid = rough(blocks, 12.0)
    zones = action_zones(grid, blocks, Settings())
    injury = 100 * grid["primary_injury"].to_numpy()
    inside = np.isfinite(injury)
    cells = gpd.GeoDataFrame(geometry=gpd.points_from_xy(*centres(grid, inside).T), crs=CRS)
    found = cells.sjoin(zones[["action", "geometry"]], how="left").groupby(level=0)["action"].first()
    expected = np.select([injury[inside] < 20, injury[inside] <= 80], ["as_usual", "keep_more"], "prune_long_wait")
    assert np.mean(found.to_numpy() == expected) > 0.95


def test_a_block_without_vines_or_cells_of_its_own() -> None:
    """No vines given: no vines shared. A block under another holds no cell, and is one zone with no figures."""
    blocks = frame(box(X, Y, X + 100, Y + 100), box(X, Y, X + 100, Y + 100))
    zones = action_zones(surface(blocks, 0.3), blocks, Settings())
    assert zones["vines"].isna().all()
    assert sorted(zones["action"]) == ["keep_more", "no_data"]


def true_bearing(degrees_from_grid_north: float) -> float:
    """Degrees from true north of a direction that is so many degrees from the grid's north, at the test's place."""
    lon, lat = Transformer.from_crs(CRS, 4326, always_xy=True).transform(X, Y)
    return degrees_from_grid_north + Proj(CRS).get_factors(lon, lat).meridian_convergence


def in_bands(blocks: gpd.GeoDataFrame, turn: float) -> xr.Dataset:
    """Injury that rises square to rows which run so many degrees from the grid's north."""
    grid = block_grid(blocks, 3.0, 4_000_000)
    east, north = np.sin(np.radians(turn)), np.cos(np.radians(turn))
    across = (grid.x.to_numpy()[None, :] - X) * north - (grid.y.to_numpy()[:, None] - Y) * east
    wobble = 0.06 * np.sin((grid.x.to_numpy()[None, :] * east + grid.y.to_numpy()[:, None] * north) / 15)
    return surface(blocks, np.clip(0.5 + (across - 75) / 400 + wobble, 0.02, 0.94), 3.0)


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0])
def test_zones_of_whole_rows(turn: float) -> None:
    """Where rows of known direction share their fate, each lies in one zone, but for the width of a cell or two."""
    blocks = frame(rotate(box(X, Y, X + 300, Y + 300), 20), row_spacing_m=2.5, row_bearing_deg=true_bearing(turn))
    zones = action_zones(in_bands(blocks, turn), blocks, settings_of("stepped"))
    assert len(zones) > 1
    assert zones.area.sum() == pytest.approx(blocks.area.sum(), rel=1e-3)
    east, north = np.sin(np.radians(turn)), np.cos(np.radians(turn))
    spans = []
    for shape in zones.geometry:
        corners = get_coordinates(shape)
        across = (corners[:, 0] - X) * north - (corners[:, 1] - Y) * east
        spans.append((across.min(), across.max()))
    spans.sort()
    assert all(one[1] - other[0] < 8 for one, other in pairwise(spans))


def test_a_hollow_across_the_rows_stays_a_hollow() -> None:
    """Injury that changes along the rows is cut where it changes, as if their direction were not known."""
    plain = frame(box(X, Y, X + 200, Y + 200))
    along = plain.assign(row_spacing_m=2.5, row_bearing_deg=true_bearing(90.0))
    grid = eastward(plain)
    assert action_zones(grid, along, Settings()).geometry.equals(action_zones(grid, plain, Settings()).geometry)
    forced = action_zones(grid, along, settings_of("proportional", whole_rows_share=0.0))
    assert forced["action"].tolist() == ["keep_more"]


def test_each_block_is_cut_in_its_own_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """The work for many blocks grows with their ground, not with the whole grid for each of them."""
    corners = [(X + 100 * (k % 10), Y + 100 * (k // 10)) for k in range(50)]
    blocks = frame(*(box(x, y, x + 90, y + 90) for x, y in corners))
    grid = rough(blocks, 6.0)
    seen = []
    transform = ndimage.distance_transform_edt
    monkeypatch.setattr(
        ndimage,
        "distance_transform_edt",
        lambda cells, **options: (seen.append(cells.size), transform(cells, **options))[1],
    )
    zones = action_zones(grid, blocks, Settings())
    assert set(zones["block"]) == set(blocks["block"])
    assert len(seen) == len(blocks)
    assert sum(seen) < 1.3 * int((grid["block_index"] >= 0).sum())


def test_zones_follow_all_the_checks_of_their_block() -> None:
    """Most trunks dead by the block's low end: so are its zones', but where the map puts less than half."""
    blocks = frame(box(X, Y, X + 200, Y + 100), own_rooted=[True])
    blocks = blocks.assign(trunk_dead_pct=82.0, trunk_dead_low_pct=57.0, trunk_dead_high_pct=94.0)
    blocks = blocks.assign(trunk_hurt_pct=82.0, trunk_hurt_high_pct=94.0)
    grid = surface(blocks, 0.3)
    west = (grid.x.to_numpy() < X + 100)[None, :] & (grid["block_index"].to_numpy() >= 0)
    for name, here, there in (("", 0.85, 0.30), ("_low", 0.40, 0.05), ("_high", 0.98, 0.70)):
        grid[f"trunk_dead{name}"] = (("y", "x"), np.where(west, here, there))
    zones = action_zones(grid, blocks, settings_of("proportional")).sort_values("trunk_dead_pct")
    assert zones["action"].tolist() == ["look_again", "retrain"]
    assert zones["trunk_dead_pct"].tolist() == pytest.approx([30.0, 85.0])
    assert zones["trunk_dead_low_pct"].tolist() == pytest.approx([5.0, 57.0])
    assert (zones["trunk_dead_high_pct"] > zones["trunk_dead_pct"]).all()


@pytest.mark.parametrize(
    ("block_low", "mean", "low"),
    [(57.0, 52.0, 52.0), (57.0, 50.0, 5.0), (50.0, 80.0, 5.0), (50.1, 80.0, 50.1)],
    ids=["never above the mean", "mean at the limit", "low end at the limit", "low end past the limit"],
)
def test_a_zone_s_low_bound_of_dead_trunks(block_low: float, mean: float, low: float) -> None:
    """The block's own low end lifts the map's 5 % where it is past half, on ground whose mean is, and up to it."""
    blocks = frame(box(X, Y, X + 100, Y + 100), trunk_dead_pct=82.0, trunk_dead_low_pct=block_low)
    blocks = blocks.assign(trunk_dead_high_pct=94.0, trunk_hurt_pct=82.0, trunk_hurt_high_pct=94.0)
    grid = surface(blocks, 0.3)
    for name, pct in (("", mean), ("_low", 5.0), ("_high", 95.0)):
        grid[f"trunk_dead{name}"] = (("y", "x"), np.full(grid["block_index"].shape, pct / 100))
    assert action_zones(grid, blocks, Settings())["trunk_dead_low_pct"].tolist() == pytest.approx([low])


@pytest.mark.parametrize(
    ("low", "grade", "action"),
    [(50.04, Grade.MOST_TRUNKS_HURT, Action.LOOK_AGAIN), (50.06, Grade.TRUNKS_DEAD, Action.RETRAIN)],
)
def test_zones_go_by_the_printed_share_of_dead_trunks(low: float, grade: Grade, action: Action) -> None:
    """A block's low end that prints as 50.0 % does not pass the limit of 50; one that prints as 50.1 does."""
    blocks = frame(box(X, Y, X + 100, Y + 100), own_rooted=[True])
    blocks = blocks.assign(trunk_dead_pct=80.0, trunk_dead_low_pct=low, trunk_dead_high_pct=94.0)
    blocks = blocks.assign(trunk_hurt_pct=82.0, trunk_hurt_high_pct=94.0, map_injury_pct=30.0)
    zones = action_zones(surface(blocks, 0.3), blocks, Settings())
    assert zones[["grade", "action"]].to_numpy().tolist() == [[grade, action]]
    assert decide(blocks, Settings())[["grade", "action"]].to_numpy().tolist() == [[grade, action]]
