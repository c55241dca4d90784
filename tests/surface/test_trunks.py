"""Trunks between the checks: a surface where there is one to map, and zones that follow it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import box

from vinemap.decisions.zones import action_zones
from vinemap.settings import Settings
from vinemap.surface.trunks import wood_layers
from vinemap.survival.wood import wood_table
from vinemap.terrain.grid import block_grid

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_800_000.0


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
    assert 0.4e4 < west.area < 3e4  # the low end is a cautious one
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
