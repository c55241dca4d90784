"""Slices under the bark: vines counted once, hurt and dead kept apart, and a surface where there is one to map."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box
from statsmodels.stats.proportion import proportion_confint

from vinemap.decisions.zones import action_zones
from vinemap.settings import Settings
from vinemap.surface.trunks import tally_wood, wood_layers, wood_table
from vinemap.terrain.grid import block_grid

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_800_000.0


def checks(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=["sample", "tissue", "phloem", "xylem"])


def state(wood: pd.DataFrame, name: str) -> dict[str, str]:
    counts = tally_wood(wood)
    counts = counts[counts["tissue"] == name].set_index("sample")
    return {s: "unread" if not row["read"] else "dead" if row["dead"] else "alive" for s, row in counts.iterrows()}


@pytest.mark.parametrize(
    ("pieces", "hurt", "dead"),
    [
        ([("alive", "alive")], "alive", "alive"),
        ([("dead", "alive")], "dead", "alive"),
        ([("dead", "dead")], "dead", "dead"),
        ([("dead", "unread")], "dead", "unread"),
        ([("alive", "unread")], "alive", "alive"),
        ([("unread", "unread")], "unread", "unread"),
        ([("unread", "alive")], "unread", "alive"),
        ([("dead", "dead"), ("alive", "alive")], "dead", "alive"),
        ([("dead", "dead"), ("dead", "dead")], "dead", "dead"),
        ([("dead", "dead"), ("dead", "unread")], "dead", "unread"),
    ],
)
def test_a_vine_is_counted_once(pieces: list[tuple[str, str]], hurt: str, dead: str) -> None:
    """Hurt: dead phloem in any trunk. Dead: phloem and xylem dead in every one; one living trunk is life."""
    wood = checks(*(("v", "trunk", phloem, xylem) for phloem, xylem in pieces))
    assert state(wood, "trunk_hurt") == {"v": hurt}
    assert state(wood, "trunk_dead") == {"v": dead}


def test_shares_by_block() -> None:
    """Two of five trunks hurt, one of five dead; the interval is Wilson's (statsmodels)."""
    wood = checks(
        *(("s1", "trunk", "dead", "dead"), ("s2", "trunk", "dead", "alive"), ("s3", "trunk", "alive", "alive")),
        *(("s4", "trunk", "alive", "alive"), ("s5", "trunk", "alive", "unread"), ("s5", "cane", "dead", "dead")),
        ("out", "trunk", "dead", "dead"),
    )
    samples = pd.DataFrame({"sample": ["s1", "s2", "s3", "s4", "s5", "out"], "block": ["A"] * 5 + [None]})
    table = wood_table(wood, samples, pd.DataFrame({"block": ["A", "B"]}), 0.9)
    first = table.iloc[0]
    assert (first["trunk_hurt_read"], first["trunk_hurt_vines"], first["trunk_hurt_pct"]) == (5, 2, 40)
    assert (first["trunk_dead_read"], first["trunk_dead_vines"], first["trunk_dead_pct"]) == (5, 1, 20)
    low, high = proportion_confint(2, 5, alpha=0.1, method="wilson")
    assert (first["trunk_hurt_low_pct"], first["trunk_hurt_high_pct"]) == pytest.approx((100 * low, 100 * high))
    assert (first["cane_dead_read"], first["cordon_hurt_read"]) == (1, 0)
    assert table.iloc[1].filter(like="_pct").isna().all()
    assert (table.iloc[1].filter(like="_read") == 0).all()


def test_no_checks() -> None:
    """An empty file gives rows of nothing."""
    table = wood_table(checks(), pd.DataFrame({"sample": [], "block": []}), pd.DataFrame({"block": ["A"]}), 0.9)
    assert table["trunk_hurt_read"].tolist() == [0]
    assert table["trunk_hurt_pct"].isna().all()


def vineyard() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, pd.DataFrame]:
    """A block 600 m long whose trunks are dead in the western half, checked at 40 vines, and one nobody looked at."""
    blocks = gpd.GeoDataFrame(
        {"block": ["Seen", "Unseen"], "variety": None, "own_rooted": [True, False], "nodes_per_vine": 40.0},
        geometry=[box(X, Y, X + 600, Y + 100), box(X, Y + 100, X + 600, Y + 200)],
        crs=CRS,
    )
    east = np.linspace(10, 590, 40)
    points = gpd.points_from_xy(X + east, np.where(np.arange(40) % 2, Y + 30.0, Y + 70.0))
    samples = gpd.GeoDataFrame({"sample": [f"s{k}" for k in range(40)], "block": "Seen"}, geometry=points, crs=CRS)
    dead = ["dead" if x < 300 else "alive" for x in east]
    wood = pd.DataFrame({"sample": samples["sample"], "tissue": "trunk", "phloem": dead, "xylem": dead})
    return blocks, samples, wood


def test_dead_trunks_get_a_surface_and_a_zone() -> None:
    """Between 40 checks the west is dead and the east alive; zones follow, but only in the block that was looked at."""
    blocks, samples, wood = vineyard()
    settings = Settings()
    grid = block_grid(blocks, 10.0, 100_000)
    layers = wood_layers(wood, samples, blocks, grid, None, settings.surface)
    east = grid.x.to_numpy() - X
    dead = layers["trunk_dead"].to_numpy()
    assert np.nanmean(dead[:, east < 200]) > 0.8
    assert np.nanmean(dead[:, east > 400]) < 0.2
    shape = grid["block_index"].shape
    for side in ("injury", "low", "high"):
        grid[f"primary_{side}"] = (("y", "x"), np.full(shape, 0.1, np.float32))
    table = wood_table(wood, samples, blocks, 0.9)
    zones = action_zones(grid.merge(layers), blocks.join(table), settings)
    seen = zones[zones["block"] == "Seen"]
    assert set(seen["action"]) == {"retrain", "as_usual"}
    west = seen[seen["action"] == "retrain"].geometry.union_all()
    assert west.centroid.x < X + 300
    assert 0.4e4 < west.area < 3e4  # the bound is a cautious one
    assert (seen.loc[seen["action"] == "retrain", "sure_pct"] > 90).all()
    assert zones.loc[zones["block"] == "Unseen", "action"].tolist() == ["as_usual"]


def test_nothing_to_map() -> None:
    """All trunks alive, or fewer than three checked: no surface, and none is needed."""
    blocks, samples, wood = vineyard()
    grid = block_grid(blocks, 10.0, 100_000)
    sound = wood.assign(phloem="alive", xylem="alive")
    assert not wood_layers(sound, samples, blocks, grid, None, Settings().surface).data_vars
    assert not wood_layers(wood.head(2), samples, blocks, grid, None, Settings().surface).data_vars


def test_zones_without_a_surface_take_the_block_s_share() -> None:
    """Nothing mapped between the checks: four of four dead trunks in a block still count for its zones."""
    blocks, samples, wood = vineyard()
    grid = block_grid(blocks, 10.0, 100_000)
    for side in ("injury", "low", "high"):
        grid[f"primary_{side}"] = (("y", "x"), np.full(grid["block_index"].shape, 0.1, np.float32))
    zones = action_zones(grid, blocks.join(wood_table(wood.head(4), samples, blocks, 0.9)), Settings())
    assert zones["action"].tolist() == ["retrain", "as_usual"]
