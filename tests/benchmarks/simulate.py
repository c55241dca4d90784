"""Simulated vineyards of several kinds, with the truth behind them, for the accuracy and calibration benchmarks."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from scipy.ndimage import gaussian_filter, minimum_filter
from scipy.special import expit
from shapely import box

CRS = "EPSG:32618"
EAST, NORTH = 500_000.0, 4_700_000.0
CELL, SIDE, PAD = 5.0, 120, 40
KINDS = ("hollow", "ridge", "slope", "no_terrain", "wall", "few", "clustered", "vine_spread")
RELIEF = ("hollow", "ridge", "slope", "few", "clustered", "vine_spread")


@dataclass(frozen=True)
class Simulated:
    """One simulated vineyard.

    Attributes
    ----------
    blocks, samples : GeoDataFrame
        As `vinemap.reading.vineyard.Vineyard` has them.
    counts : DataFrame
        Rows of counts.
    elevation : DataArray
        5 m, 200 m beyond the blocks.
    truth : array (120, 120)
        Chance of a dead primary on the median vine, north up, in 5 m cells over the blocks.
    """

    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    counts: pd.DataFrame
    elevation: xr.DataArray
    truth: np.ndarray


def _noise(rng: np.random.Generator, shape: tuple[int, int], cells: float) -> np.ndarray:
    field = gaussian_filter(rng.standard_normal(shape), cells, mode="wrap")
    return field / field.std()


def _ground(kind: str, rng: np.random.Generator, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Elevation, and how much of it hollows take away."""
    width = SIDE * CELL
    z = 100 + rng.uniform(0.5, 1.5) * _noise(rng, x.shape, 12)
    turn = rng.uniform(0, 2 * np.pi)
    along = (x - width / 2) * np.cos(turn) + (y - width / 2) * np.sin(turn)
    bowl = np.zeros_like(x)
    if kind in ("no_terrain", "wall"):
        z += 0.02 * along
    elif kind == "ridge":
        z += rng.uniform(10, 20) * np.exp(-((along / rng.uniform(80, 150)) ** 2) / 2)
    elif kind == "slope":
        z += rng.uniform(0.04, 0.12) * along
    else:
        z += rng.uniform(0.01, 0.04) * along
        for _ in range(rng.integers(1, 4)):
            east, north = rng.uniform(0.1 * width, 0.9 * width, 2)
            reach = rng.uniform(50, 130)
            bowl += rng.uniform(4, 12) * np.exp(-((x - east) ** 2 + (y - north) ** 2) / (2 * reach**2))
    return z - bowl, bowl


def _warmth(kind: str, rng: np.random.Generator, z: np.ndarray, bowl: np.ndarray) -> np.ndarray:
    """Warmth, in standard deviations, by one of three ideas of low ground and two of how cold fills it."""
    idea, reach = rng.integers(3), rng.integers(20, 60)
    if idea == 0:
        height = z - gaussian_filter(minimum_filter(z, 2 * reach + 1), reach / 2)
    elif idea == 1 and bowl.max() > 0:
        height = bowl.max() - bowl
    else:
        height = z - z.min()
    if rng.integers(2):
        height = -np.exp(-(height - height.min()) / (1.5 * height.std()))
    strength = {"no_terrain": 0.0, "wall": 0.5}.get(kind, 1.0) * rng.uniform(0.7, 1.6)
    return strength * (height - height.mean()) / height.std()


def _places(kind: str, rng: np.random.Generator) -> np.ndarray:
    count = 25 if kind == "few" else 60
    reach = (SIDE - 1) * CELL
    if kind == "clustered":
        centres = np.repeat(rng.uniform(0, reach, (8, 2)), 8, axis=0)[:count]
        return np.clip(centres + rng.normal(0, 25, (count, 2)), 0, reach)
    return rng.uniform(0, reach, (count, 2))


def simulate(kind: str, seed: int) -> Simulated:
    """Simulate one vineyard of a kind; the same seed gives the same one everywhere."""
    rng = np.random.default_rng([seed, zlib.crc32(kind.encode())])
    steps = (np.arange(SIDE + 2 * PAD) - PAD + 0.5) * CELL
    x, y = np.meshgrid(steps, steps)
    z, bowl = _ground(kind, rng, x, y)
    warmth = _warmth(kind, rng, z, bowl)
    if kind == "wall":
        turn = rng.uniform(0, 2 * np.pi)
        above = (x - SIDE * CELL / 2) * np.cos(turn) + (y - SIDE * CELL / 2) * np.sin(turn)
        warmth -= 2.0 * np.exp(-np.clip(above, 0, None) / 80) * (above > 0)
    warmth += rng.uniform(0.2, 0.7) * _noise(rng, x.shape, rng.uniform(8, 30))
    tender = rng.normal(0, 0.7, 2)
    logit = rng.uniform(-1.5, 1.0) - (warmth - warmth.mean()) + tender[(x > SIDE * CELL / 2).astype(int)]
    inner = logit[PAD:-PAD, PAD:-PAD]
    xy = _places(kind, rng)
    column, row = np.floor(xy / CELL).astype(int).T
    own = (1.0 if kind == "vine_spread" else 0.4) * rng.standard_normal(len(xy))
    read = rng.integers(10, 60, len(xy))
    dead = rng.binomial(read, expit(inner[row, column] + own))
    return Simulated(
        _blocks(), _samples(xy), _counts(read, dead), _elevation(z, steps), expit(inner)[::-1]
    )  # fmt: skip


def _blocks() -> gpd.GeoDataFrame:
    half = SIDE * CELL / 2
    corners = [(east, north) for east in (0, half) for north in (0, half)]
    shapes = [box(EAST + e, NORTH + n, EAST + e + half, NORTH + n + half) for e, n in corners]
    names = [f"block {k}" for k in range(4)]
    varieties = ["west" if e == 0 else "east" for e, _ in corners]
    columns = {"block": names, "variety": varieties, "pruning": "cane", "area_ha": half**2 / 1e4}
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def _samples(xy: np.ndarray) -> gpd.GeoDataFrame:
    half = SIDE * CELL / 2
    block = [f"block {2 * int(e > half) + int(n > half)}" for e, n in xy]
    points = gpd.points_from_xy(EAST + xy[:, 0], NORTH + xy[:, 1])
    return gpd.GeoDataFrame({"sample": [str(k) for k in range(len(xy))], "block": block}, geometry=points, crs=CRS)


def _counts(read: np.ndarray, dead: np.ndarray) -> pd.DataFrame:
    sample = [str(k) for k in range(len(read))]
    unknown = {"secondary_dead": np.nan, "tertiary_dead": np.nan}
    return pd.DataFrame({"sample": sample, "part": "all", "nodes": read, "primary_dead": dead, **unknown})


def _elevation(z: np.ndarray, steps: np.ndarray) -> xr.DataArray:
    grid = xr.DataArray(
        z[::-1].astype(np.float32), coords={"y": NORTH + steps[::-1], "x": EAST + steps}, dims=("y", "x")
    )
    return grid.rio.write_crs(CRS)
