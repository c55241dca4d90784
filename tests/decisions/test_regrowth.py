"""After budbreak: crop by what grew and froze, actions from blind nodes and trunks, and no number of nodes any more."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely.geometry import box

from vinemap.decisions.actions import Trunks
from vinemap.decisions.by_zone import settled
from vinemap.decisions.regrowth import SPRING, Grown, decide_spring, resting_on_shoots, spring_grade
from vinemap.decisions.zones import action_zones
from vinemap.rules import default_rules
from vinemap.settings import Settings
from vinemap.states import Action, Grade
from vinemap.terrain.grid import block_grid

RULES = default_rules()
X, Y = 500_000.0, 4_800_000.0


def crop(primaries: float, nodes: float, frozen: float = 0.0, both: float = 0.0, share: float = 0.35) -> float:
    return float(Grown(*(np.array([value]) for value in (primaries, nodes, frozen, both, share))).crop[0])


# G. S. Howell, Michigan State University, grapes.extension.org 2019: a node crops 1, the secondary's share (0.35 for
# Concord) where its primary shoot froze, and 0 where the secondary froze too or nothing grew.
def test_crop_after_frost_is_howells_sum() -> None:
    """Of 10 nodes 2 are blind, 3 of the others lost the first shoot and 1 of these the second: (5 + 2 x 0.35) / 10."""
    assert crop(1.0, 0.8, 3 / 8, 1 / 3) == pytest.approx(0.57)


def test_shoots_from_secondaries_bear_their_share() -> None:
    """40 % of primaries alive, 90 % of the nodes grew: 0.4 bear as usual, 0.5 x 0.35, by Howell's shares."""
    assert crop(0.4, 0.9) == pytest.approx(0.4 + 0.5 * 0.35)
    # Fewer nodes grew than primaries were read alive: what grew is all there is.
    assert crop(0.9, 0.6) == pytest.approx(0.6)
    # Nothing grew.
    assert crop(0.9, 0.0) == 0
    # More primary shoots froze than the razor had called alive: they had grown, and their secondaries are left.
    assert crop(0.0, 1.0, frozen=1.0) == pytest.approx(0.35)


@pytest.mark.parametrize(
    ("blind", "hurt", "dead_low", "grade"),
    [
        (0.0, np.nan, np.nan, Grade.GROWN),
        (20.0, 0.0, 0.0, Grade.GROWN),
        (20.1, 0.0, 0.0, Grade.SOME_BLIND),
        (50.0, 0.0, 0.0, Grade.SOME_BLIND),
        (50.1, 0.0, 0.0, Grade.MOST_BLIND),
        (5.0, 10.1, 0.0, Grade.TRUNKS_HURT),
        (90.0, 80.0, 50.1, Grade.TRUNKS_DEAD),
        (np.nan, 80.0, 10.0, Grade.UNKNOWN),
    ],
)
def test_what_decides(blind: float, hurt: float, dead_low: float, grade: Grade) -> None:
    """Dead trunks first, then most nodes blind, hurt trunks, some nodes blind; at a limit the lighter one holds."""
    trunks = Trunks(*(np.array([value]) for value in (dead_low, hurt, hurt)))
    assert spring_grade(np.array([blind]), trunks, RULES)[0] == grade.code


def block_rows(**columns: object) -> pd.DataFrame:
    given = {"map_injury_pct": 40.0, "map_low_pct": 30.0, "map_high_pct": 50.0, "nodes_per_vine": 40.0}
    ends = {"map_no_live_bud_low_pct": 5.0, "map_no_live_bud_high_pct": 15.0, "too_few_pct": 0.0}
    return pd.DataFrame([given | {"map_no_live_bud_pct": 10.0, "species_group": "american"} | ends | columns])


def test_a_block_after_budbreak_has_no_nodes_to_keep() -> None:
    """40 % of primaries dead asked for 40 % more nodes in winter; now 10 % of the nodes are blind, and it carries on.

    Crop with the usual nodes: 0.6 + 0.3 x 0.35 (Howell) = 70.5 %; 52 of 40 nodes were left: 91.65 %.
    """
    row = decide_spring(block_rows(nodes_left=52.0)).iloc[0]
    assert row["action"] == Action.CARRY_ON
    assert row.filter(like="nodes_to_keep").isna().all()
    assert row.filter(like="extra").isna().all()
    assert row["crop_before_pct"] == pytest.approx(70.5)
    assert row["crop_after_pct"] == pytest.approx(70.5 * 1.3)
    assert row["crop_before_low_pct"] < 70.5 < row["crop_before_high_pct"]
    assert "budbreak" not in row["action_text"]


def test_the_case_that_failed_first() -> None:
    """The winter said "look again after budbreak" of hurt trunks, and spring repeated it; now it says what to do."""
    row = decide_spring(block_rows(trunk_hurt_pct=60.0, trunk_hurt_high_pct=80.0, trunk_dead_low_pct=5.0)).iloc[0]
    assert row["action"] == Action.KEEP_SUCKERS
    assert "collapse in the heat of summer" in row["action_text"]
    assert "look again" not in row["action_text"].lower()


@pytest.mark.parametrize(
    ("own_rooted", "action"),
    [(True, Action.RETRAIN), (False, Action.REPLANT), (None, Action.KEEP_SUCKERS)],
)
def test_dead_trunks_by_roots(own_rooted: bool | None, action: Action) -> None:
    """Most trunks dead: suckers of own-rooted vines are trained, grafted ones are looked at, unknown ones found out."""
    dead = {"trunk_dead_low_pct": 60.0, "trunk_hurt_pct": 90.0, "trunk_hurt_high_pct": 95.0, "own_rooted": own_rooted}
    row = decide_spring(block_rows(map_no_live_bud_pct=95.0, **dead)).iloc[0]
    assert row["action"] == action
    assert "After budbreak" not in row["action_text"]


def test_secondary_shoots_not_yet_looked_at_widen_the_crop() -> None:
    """Half of the first shoots froze; the middle counts on every second shoot, the low end on none."""
    frost = {"map_frozen_pct": 50.0, "map_frozen_low_pct": 50.0, "map_frozen_high_pct": 50.0}
    sure = {"map_injury_pct": 0.0, "map_low_pct": 0.0, "map_high_pct": 0.0, "variety": "Concord"}
    grew = {f"map_no_live_bud{end}_pct": 0.0 for end in ("", "_low", "_high")}
    row = decide_spring(block_rows(**frost, **sure, **grew)).iloc[0]
    assert row["crop_before_pct"] == pytest.approx(100 * (0.5 + 0.5 * 0.35))
    assert row["crop_before_low_pct"] <= 50.0 + 1e-9
    looked = decide_spring(block_rows(**frost, **sure, **grew, both_frozen_pct=100.0)).iloc[0]
    assert looked["crop_before_pct"] == pytest.approx(50)


def test_the_crop_carries_the_secondarys_share_with_its_interval() -> None:
    """Of Concord 40 % of the primaries live and 90 % of the nodes grew: 0.4 + 0.5 x 0.35 = 57.5 % of a crop.

    The middle is Howell's (Michigan State University, 2019); the ends of the share are those of the rules, 0.2 and 0.5.
    With injury and blind nodes known exactly the crop lies between 0.4 + 0.5 x low and 0.4 + 0.5 x high. Let injury be
    50 to 70 %: fewer primaries alone take 0.1 x (1 - 0.35) = 0.065, and the two distances add up as the sides of a
    right angle (Zou & Donner 2008).
    """
    low, high = 0.2, 0.5
    exact = {f"map{end}_pct": 60.0 for end in ("_injury", "_low", "_high")}
    exact |= {f"map_no_live_bud{end}_pct": 10.0 for end in ("", "_low", "_high")}
    row = decide_spring(block_rows(variety="Concord", **exact)).iloc[0]
    ends = [row[f"crop_before{end}_pct"] for end in ("_low", "", "_high")]
    assert ends == pytest.approx([40 + 50 * low, 57.5, 40 + 50 * high])
    wider = exact | {"map_low_pct": 50.0, "map_high_pct": 70.0}
    row = decide_spring(block_rows(variety="Concord", **wider)).iloc[0]
    assert row["crop_before_low_pct"] == pytest.approx(57.5 - np.hypot(50 * (0.35 - low), 6.5))
    assert row["crop_before_high_pct"] == pytest.approx(57.5 + np.hypot(50 * (high - 0.35), 6.5))


def surface(west: float, east: float, width: float = 0.1) -> tuple[xr.Dataset, gpd.GeoDataFrame]:
    """A block of 200 by 100 m with these shares of blind nodes in west and east; 60 % of primaries were dead."""
    blocks = gpd.GeoDataFrame(
        {"block": ["A"], "vines": [1000], "nodes_per_vine": [40.0]},
        geometry=[box(X, Y, X + 200, Y + 100)],
        crs="EPSG:32618",
    )
    grid = block_grid(blocks, 5.0, 10_000)
    flat = np.ones(grid["block_index"].shape)
    blind = np.where(grid.x.to_numpy()[None, :] > X + 100, east, west) * flat
    for name, level in (("primary", 0.6 * flat), ("no_live_bud", blind)):
        for side, shift in (("injury", 0.0), ("low", -width / 2), ("high", width / 2)):
            grid[f"{name}_{side}"] = (("y", "x"), np.clip(level + shift, 0, 1))
    return resting_on_shoots(grid, Settings()), blocks


def test_zones_follow_what_grew() -> None:
    """60 % of primaries dead everywhere, but the west grew: it carries on, and the east keeps suckers."""
    grid, blocks = surface(0.05, 0.7)
    zones = action_zones(grid, blocks, Settings(), season=SPRING)
    assert zones["action"].tolist() == [Action.KEEP_SUCKERS, Action.CARRY_ON]
    np.testing.assert_allclose(zones["no_live_bud_pct"], [70, 5])
    assert zones["nodes_to_keep"].isna().all()
    assert (zones["sure_pct"] > 90).all()
    rows = blocks.join(decide_spring(block_rows(map_no_live_bud_pct=37.5)).drop(columns="target_nodes"))
    block = settled(rows.assign(area_ha=2.0), zones.assign(samples=3, canes=3, nodes=30), Settings(), spring=True).iloc[
        0
    ]
    assert block["action"] == Action.BY_ZONE
    assert "70 % of nodes with no shoot" in block["action_text"]
    assert "Keep shoots and suckers." in block["action_text"]


def test_too_little_counted_is_said() -> None:
    """Where the interval of blind nodes is too wide, or none could be mapped, nothing is prescribed."""
    grid, blocks = surface(0.4, 0.4, width=0.7)
    assert action_zones(grid, blocks, Settings(), season=SPRING)["action"].tolist() == [Action.NO_DATA]
    bare = grid.drop_vars([name for name in grid if str(name).startswith("no_live_bud")])
    zones = action_zones(resting_on_shoots(bare, Settings()), blocks, Settings(), season=SPRING)
    assert zones["action"].tolist() == [Action.NO_DATA]
