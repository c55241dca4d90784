"""An invented vineyard's finished tables and grids, as the page gets them: for the page's tests only."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy.special import expit
from shapely.geometry import Point, Polygon

from vinemap.settings import Settings
from vinemap.survival.intervals import wilson

CRS = "EPSG:32618"
WEST, NORTH = 476_000.0, 4_833_500.0
CELL = 3.0
NAMES = ("Anvil Slope", "Brook End", "Copse", "Drover's Flat", "Eastmost", "Fallow Corner")
VARIETIES = ("Riesling", "Concord", "Marquette", None, "Cabernet Franc", "Vidal Blanc")
ACTIONS = ("as_usual", "keep_more", "prune_long_wait", "check_wood")
_COUNTED = ("injury", "basal", "apical", "secondary", "tertiary", "no_live_bud")


@dataclass
class PageCase:
    """Arguments of `vinemap.page.map_page.write_page`."""

    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    nodes: pd.DataFrame
    zones: gpd.GeoDataFrame
    surface: xr.Dataset
    report: dict[str, Any]
    settings: Settings = field(default_factory=Settings)

    def arguments(self) -> dict[str, Any]:
        """All of them by name."""
        return vars(self).copy()


def page_case(blocks: int = 6, samples_per_block: int = 7, seed: int = 4, cell: float = CELL) -> PageCase:
    """Make a vineyard on a slope above a hollow: the lower, the more injury."""
    rng = np.random.default_rng(seed)
    outlines = _outlines(blocks)
    surface = _surface(outlines, cell)
    points = _points(rng, outlines, samples_per_block)
    nodes = _nodes(rng, points, surface)
    samples = gpd.GeoDataFrame(
        points.drop(columns="geometry").join(_counts(nodes, points["sample"])), geometry=points.geometry, crs=CRS
    )
    home = nodes["sample"].map(points.set_index("sample")["block"])
    blocks_table = _block_table(outlines, nodes.assign(sample=home), surface, samples_per_block)
    return PageCase(blocks_table, samples, nodes, _zones(blocks_table), surface, _report())


def _outlines(count: int) -> gpd.GeoDataFrame:
    """Leaning four-sided blocks in rows of three (or, for many, a square array)."""
    across = 3 if count <= 6 else int(np.ceil(np.sqrt(count)))
    shapes = []
    for k in range(count):
        x, y = WEST + 60 + 190 * (k % across), NORTH - 70 - 170 * (k // across)
        shapes.append(Polygon([(x, y), (x + 150, y + 22), (x + 168, y - 108), (x + 12, y - 126)]))
    names = [NAMES[k] if k < len(NAMES) else f"Block {k + 1}" for k in range(count)]
    varieties = [VARIETIES[k % len(VARIETIES)] for k in range(count)]
    return gpd.GeoDataFrame({"block": names, "variety": varieties}, geometry=shapes, crs=CRS)


def _height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    east, south = x - WEST, NORTH - y
    return 210 - 0.05 * south + 6 * np.cos(east / 130) * np.sin(south / 110) + 0.6 * np.sin(east / 23)


def _injury(height: np.ndarray) -> np.ndarray:
    return expit((199 - height) / 4.5)


def _surface(outlines: gpd.GeoDataFrame, cell: float) -> xr.Dataset:
    left, bottom, right, top = outlines.total_bounds
    left, top = left - 40, top + 40
    cols, rows = int((right + 40 - left) / cell), int((top - bottom + 40) / cell)
    transform = from_origin(left, top, cell, cell)
    index = rasterize(
        ((shape, k) for k, shape in enumerate(outlines.geometry)), (rows, cols), fill=-1, transform=transform,
        dtype="int16",
    )  # fmt: skip
    x = left + cell * (np.arange(cols) + 0.5)
    y = top - cell * (np.arange(rows) + 0.5)
    east, north = np.meshgrid(x, y)
    height = _height(east, north)
    mean = _injury(height)
    width = 0.08 + 0.3 * (1 + np.sin(east / 90)) * (0.2 + 0.8 * mean)
    inside = index >= 0

    def layer(values: np.ndarray) -> tuple[tuple[str, str], np.ndarray]:
        return ("y", "x"), np.where(inside, np.clip(values, 0, 1), np.nan).astype(np.float32)

    layers = {
        "primary_injury": layer(mean),
        "primary_low": layer(mean - width * mean),
        "primary_high": layer(mean + width * (1 - mean)),
        "prob_over_threshold": layer(expit((mean - 0.5) / 0.08)),
        "secondary_injury": layer(mean**1.7),
        "secondary_low": layer(mean**1.7 * (1 - width)),
        "secondary_high": layer(mean**1.7 + width * (1 - mean)),
        "no_live_bud_injury": layer(mean**3),
        "no_live_bud_low": layer(mean**3 * (1 - width)),
        "no_live_bud_high": layer(mean**3 + width * (1 - mean)),
        "block_index": (("y", "x"), index),
        "too_few": (("y", "x"), inside & (width > 0.5)),
        "elevation_m": (("y", "x"), height.astype(np.float32)),
        "height_above_low_m": (("y", "x"), (height - height.min()).astype(np.float32)),
        "slope_deg": (("y", "x"), np.full(index.shape, 3.0, np.float32)),
    }
    grid = xr.Dataset(layers, coords={"y": y, "x": x}).rio.write_crs(CRS)
    return grid.rio.write_transform(transform)


def _points(rng: np.random.Generator, outlines: gpd.GeoDataFrame, each: int) -> gpd.GeoDataFrame:
    rows = []
    for name, shape in zip(outlines["block"], outlines.geometry, strict=True):
        left, bottom, right, top = shape.buffer(-8).bounds
        inner = shape.buffer(-8)
        while len(rows) % each or not rows or rows[-1][1] != name:
            place = Point(rng.uniform(left, right), rng.uniform(bottom, top))
            if inner.contains(place):
                rows.append((f"S{len(rows) + 1:03d}", name, place))
    names, blocks, places = zip(*rows, strict=True)
    table = {"sample": names, "block": blocks, "stated_block": blocks, "distance_m": 0.0}
    return gpd.GeoDataFrame(table | {"date": pd.Timestamp("2026-01-25")}, geometry=list(places), crs=CRS)


def _nodes(rng: np.random.Generator, points: gpd.GeoDataFrame, surface: xr.Dataset) -> pd.DataFrame:
    at = _injury(_height(points.geometry.x.to_numpy(), points.geometry.y.to_numpy()))
    canes, count = 3, 10
    probability = np.repeat(at, canes * count)
    table = pd.DataFrame(
        {
            "sample": np.repeat(points["sample"].to_numpy(), canes * count),
            "cane": np.tile(np.repeat(["1", "2", "3"], count), len(points)),
            "node": np.tile(np.arange(1, count + 1), canes * len(points)),
        }
    )
    for bud, power in (("primary", 1.0), ("secondary", 1.7), ("tertiary", 2.6)):
        dead = rng.random(len(table)) < probability**power
        state = np.where(dead, "dead", "alive")
        table[bud] = np.where(rng.random(len(table)) < 0.04, "unread", state)
    return table


def _counts(nodes: pd.DataFrame, order: pd.Series) -> pd.DataFrame:
    """Columns of samples.csv (or, with blocks in place of samples, of blocks.csv) for the node rows."""
    dead = {bud: nodes[bud].eq("dead") for bud in ("primary", "secondary", "tertiary")}
    read = {bud: nodes[bud].ne("unread") for bud in ("primary", "secondary", "tertiary")}
    basal = nodes["node"] <= 5
    none = dead["primary"] & dead["secondary"] & ~nodes["tertiary"].eq("alive")
    parts = {
        "injury": (dead["primary"], read["primary"]),
        "basal": (dead["primary"] & basal, read["primary"] & basal),
        "apical": (dead["primary"] & ~basal, read["primary"] & ~basal),
        "secondary": (dead["secondary"], read["secondary"]),
        "tertiary": (dead["tertiary"], read["tertiary"]),
        "no_live_bud": (none, read["primary"] & read["secondary"]),
    }
    table = {}
    for name, (is_dead, is_read) in parts.items():
        n = is_read.groupby(nodes["sample"]).sum().reindex(order, fill_value=0).to_numpy()
        d = is_dead.groupby(nodes["sample"]).sum().reindex(order, fill_value=0).to_numpy()
        low, high = wilson(d, n, 0.9)
        table |= {
            f"{name}_nodes": n,
            f"{name}_dead": d,
            f"{name}_pct": np.where(n > 0, 100 * d / np.maximum(n, 1), np.nan),
            f"{name}_low_pct": 100 * low,
            f"{name}_high_pct": 100 * high,
        }
    unread = (~read["primary"]).groupby(nodes["sample"]).sum().reindex(order, fill_value=0).to_numpy()
    renamed = {"injury_nodes": "nodes", "injury_dead": "primary_dead"}
    return pd.DataFrame(table, index=range(len(order))).rename(columns=renamed).assign(unread=unread)


def _block_table(outlines: gpd.GeoDataFrame, nodes: pd.DataFrame, surface: xr.Dataset, each: int) -> gpd.GeoDataFrame:
    index = surface["block_index"].to_numpy()

    def mean(name: str) -> np.ndarray:
        return np.array([100 * np.nanmean(surface[name].to_numpy()[index == k]) for k in range(len(outlines))])

    injury = mean("primary_injury")
    extra = np.where(injury > 80, np.nan, np.where(injury < 20, 0.0, injury.round(1)))
    keep = np.round(40 * (1 + extra / 100))
    area = outlines.area.to_numpy() / 1e4
    counts = _counts(nodes, outlines["block"])
    facts = pd.DataFrame(
        {
            "species_group": [("vinifera", "american", "hybrid")[k % 3] for k in range(len(outlines))],
            "pruning": [("cane", "spur")[k % 2] for k in range(len(outlines))],
            "area_ha": area,
            "vines": np.round(area * 2500),
            "vines_from": "spacing",
            "samples": each,
            "interval": "clusters",
            "map_injury_pct": injury,
            "map_low_pct": np.maximum(injury - 9, 0),
            "map_high_pct": np.minimum(injury + 8, 100),
            "area_over_ha": area * injury / 100,
            "area_over_low_ha": area * injury / 130,
            "area_over_high_ha": area * np.minimum(injury / 80, 1),
            "action": np.array(ACTIONS)[np.searchsorted([20, 80, 97], injury)],
            "nodes_per_vine": 40,
            "target_nodes": 40,
            "target_from": "given",
            "extra_pct": extra,
            "extra_low_pct": np.maximum(extra - 9, 0),
            "extra_high_pct": extra + 8,
            "nodes_to_keep": keep,
        }
    )
    table = outlines.drop(columns="geometry").join(facts).join(counts)
    return gpd.GeoDataFrame(table, geometry=outlines.geometry, crs=CRS)


def _zones(blocks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Each block cut in two across its middle; the lower half needs the heavier work."""
    rows, shapes = [], []
    for row in blocks.itertuples():
        left, bottom, right, top = row.geometry.bounds
        middle = (bottom + top) / 2
        for number, (low, high) in enumerate(((middle, top), (bottom, middle)), 1):
            half = row.geometry.intersection(Polygon([(left, low), (right, low), (right, high), (left, high)]))
            worse = min(ACTIONS.index(row.action) + number - 1, 2)
            rows.append((row.block, number, ACTIONS[worse], half.area / 1e4, round(half.area / 4), row.nodes_to_keep))
            shapes.append(half)
    table = pd.DataFrame(rows, columns=["block", "zone", "action", "area_ha", "vines", "nodes_to_keep"])
    bounds = {"injury_pct": 50.0, "injury_low_pct": 42.0, "injury_high_pct": 58.0}
    nodes = {f"nodes_to_keep{bound}": table["nodes_to_keep"] + wide for bound, wide in (("_low", -3), ("_high", 4))}
    table = table.assign(**bounds, **nodes, target_nodes=40.0, extra_pct=10.0)
    return gpd.GeoDataFrame(table, geometry=shapes, crs=CRS)


def _report() -> dict[str, Any]:
    return {
        "vinemap": "0.1.0",
        "made": "2026-01-28T09:30:00+00:00",
        "name": "Larkspur Bench",
        "event_date": dt.date(2026, 1, 22),
        "crs": CRS,
        "warnings": ["Sample S007 lies 4 m outside block Copse and was joined to it."],
        "model": {
            "samples": 42,
            "effects": [
                {"of": "terrain", "family": "low_ground", "name": "height_above_low_m", "shown": "height_above_low_m",
                 "told": True, "probability": 0.99, "sign_probability": 1.0, "around_m": 150.0, "here": 0.2,
                 "there": 12.4, "pct": 71.2, "low_pct": 58.1, "high_pct": 82.3, "other_pct": 23.4,
                 "other_low_pct": 14.2, "other_high_pct": 34.3},
                {"of": "terrain", "family": "slope_deg", "name": "slope_deg", "shown": "slope_deg", "told": False,
                 "probability": 0.1, "sign_probability": 0.1, "around_m": 0.0, "here": 9.0, "there": 1.0, "pct": None,
                 "low_pct": None, "high_pct": None, "other_pct": None, "other_low_pct": None, "other_high_pct": None},
            ],
            "relief_m": 14.0, "level": False,
            "range_m": 180.0, "range_low_m": 60.0, "range_high_m": 540.0,
        },
        "scores": {"better_than_block_means": True, "text": "Left-out samples: 18 % better than block averages."},
        "area_over_threshold_ha": {"mean": 4.6, "low": 3.9, "high": 5.2},
        "threshold": 0.5,
        "elevation": True,
        "elevation_source": {"file": "elevation.tif", "cell_m": 30.9, "source": "County <b>lidar</b>",
                             "credit": "© County", "fetched": "2026-01-02"},
        "cell_m": 3.0,
    }  # fmt: skip
