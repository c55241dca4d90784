"""What walkable borders cost: ground of the invented vineyard that its zones judge rightly, with and without them.

Run: python -m tests.benchmarks.borders

Every block is given the rows that it would have along its longest edge. Ground is judged rightly where the injury
behind the demonstration calls for the same step of the pruning rule as its zone.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from operator import itemgetter
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rich.console import Console
from rich.table import Table

from vinemap.arrays import Array
from vinemap.decisions.classes import Classifier, Statistics
from vinemap.decisions.vine_rows import zone_rows
from vinemap.decisions.zones import action_zones, vines_between
from vinemap.demo import Truth, write_demo
from vinemap.pipeline.mapping import make_map
from vinemap.reading.frames import known_rows
from vinemap.reading.rows import RowFrame
from vinemap.settings import Settings
from vinemap.terrain.grid import centres

WAYS = {
    "borders where the ground has them": {"post_space_m": 0.0},
    "every vine for itself": {"post_space_m": 0.1},
    "post spaces of 7 m": {},
    "post spaces of 14 m": {"post_space_m": 14.0},
    "whole rows, come what may": {"whole_rows_share": 0.0},
}


def with_first_vines(blocks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give each block the bearing of its longest edge, and a first vine inside that edge's southern end."""
    firsts, bearings = [], []
    for outline in blocks.geometry:
        corners = shapely.get_coordinates(outline)
        longest = int(np.hypot(*np.diff(corners, axis=0).T).argmax())
        start, end = sorted(corners[longest : longest + 2].tolist(), key=itemgetter(1))
        along = np.subtract(end, start) / np.hypot(*np.subtract(end, start))
        across = np.array([-along[1], along[0]])
        middle = np.array([outline.centroid.x, outline.centroid.y])
        firsts.append(np.array(start) + along + 1.3 * across * np.sign((middle - start) @ across))
        bearings.append(float(np.degrees(np.arctan2(*along)) % 360))
    points = gpd.GeoSeries(gpd.points_from_xy(*np.array(firsts).T), crs=blocks.crs).to_crs(4326)
    lonlat = {"first_vine_lon": points.x.to_numpy(), "first_vine_lat": points.y.to_numpy()}
    return blocks.assign(row_bearing_deg=bearings, **lonlat)


def steps(injury_pct: Array, settings: Settings) -> Array:
    """Step of the pruning rule at each injury, trunks sound and secondaries aside."""
    nothing = [np.full(injury_pct.shape, np.nan)] * 4
    here = Statistics(injury_pct, nothing[0], np.ones(injury_pct.shape), *nothing)
    return Classifier(settings, 0.1).classify(here)


def judged_rightly(zones: gpd.GeoDataFrame, truth: Truth, settings: Settings) -> float:
    """Share of the blocks' ground whose true step is that of its zone, in percent."""
    inside = truth.grid["block_index"].to_numpy() >= 0
    injury = truth.grid["primary_injury"].to_numpy()[inside]
    places = gpd.GeoDataFrame(geometry=gpd.points_from_xy(*centres(truth.grid, inside).T), crs=zones.crs)
    joined = places.sjoin(zones[["injury_pct", "geometry"]])
    joined = joined[~joined.index.duplicated()]
    right = steps(100 * injury[joined.index], settings) == steps(joined["injury_pct"].to_numpy(), settings)
    return float(100 * right.mean())


def at_posts(runs: pd.DataFrame, frames: Mapping[str, RowFrame]) -> float:
    """Share of the places where a row changes over that lie at a post, 7 m from the last one, in percent."""
    between = runs["block"].map({name: vines_between({}, frame, 7.0) for name, frame in frames.items()})
    follows = runs["vine_from"] == runs.groupby(["block", "row"])["vine_to"].shift() + 1
    at = (runs["vine_from"] - 1) % between == 0
    return float(100 * at[follows].mean()) if follows.any() else 100.0


def main() -> None:
    """Print a row a way of drawing borders."""
    found = Table("borders", "ground judged rightly, %", "zones", "rows cut in two or more", "of the cuts at a post, %")
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "demo"
        truth = write_demo(folder)
        run = make_map(folder)
        settings = run.vineyard.site.settings
        blocks = with_first_vines(run.blocks)
        frames = known_rows(blocks)
        for name, changed in WAYS.items():
            chosen = settings.model_copy(update={"actions": settings.actions.model_copy(update=changed)})
            zones = action_zones(run.surface, blocks, chosen, frames=frames)
            runs = zone_rows(frames, zones)
            cut = (runs.groupby(["block", "row"]).size() > 1).sum()
            right = judged_rightly(zones, truth, chosen)
            found.add_row(name, f"{right:.1f}", *map(str, (len(zones), cut)), f"{at_posts(runs, frames):.0f}")
    Console().print(found)


if __name__ == "__main__":
    main()
