"""Simulated vineyards of several kinds, with the truth behind them, for the accuracy and calibration benchmarks."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from scipy.ndimage import distance_transform_edt, gaussian_filter, minimum_filter, percentile_filter, zoom
from scipy.special import expit
from shapely import box

CRS = "EPSG:32618"
EAST, NORTH = 500_000.0, 4_700_000.0
CELL, SIDE, PAD, FAR_PAD = 5.0, 120, 40, 100
BLOCK = 120.0
KINDS = ("hollow", "ridge", "slope", "no_terrain", "wall", "few", "clustered", "vine_spread", "pools", "part")
RELIEF = ("hollow", "ridge", "slope", "few", "clustered", "vine_spread", "pools", "part")


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
        5 m, 200 m beyond the blocks, 500 m for ``pools`` and ``part``.
    truth : array (120, 120), or as large as the blocks need
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


@dataclass(frozen=True)
class Ground:
    """Ground of one relief, and what makes its cold, with 200 m around the blocks.

    Attributes
    ----------
    elevation : array
    steps : array
        Its coordinates, from the blocks' south-western corner.
    terrain : array
        Warmth by terrain, in logits.
    strength : float
        Standard deviation of that by low ground.
    rest : array
        Warmth that terrain does not explain, in logits.
    rest_sd, rest_cells : float
        Its standard deviation, and the width of the Gaussian filter that made it.
    """

    elevation: np.ndarray
    steps: np.ndarray
    terrain: np.ndarray
    strength: float
    rest: np.ndarray
    rest_sd: float
    rest_cells: float

    @property
    def cold(self) -> np.ndarray:
        """Cold over the blocks, in logits; on average none with what is around them."""
        warmth = self.terrain + self.rest
        return np.asarray((warmth.mean() - warmth)[PAD:-PAD, PAD:-PAD])


def _by_low_ground(kind: str, rng: np.random.Generator, z: np.ndarray, bowl: np.ndarray) -> tuple[np.ndarray, float]:
    """Warmth, in logits, by one of three ideas of low ground and two of how cold fills it, and its sd."""
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
    return strength * (height - height.mean()) / height.std(), strength


def _places(kind: str, rng: np.random.Generator) -> np.ndarray:
    count = {"few": 25, "part": 100}.get(kind, 60)
    reach = (SIDE - 1) * CELL
    if kind == "clustered":
        centres = np.repeat(rng.uniform(0, reach, (8, 2)), 8, axis=0)[:count]
        return np.clip(centres + rng.normal(0, 25, (count, 2)), 0, reach)
    return rng.uniform(0, reach, (count, 2))


def _relief(rng: np.random.Generator, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Ground with relief of every size, on a slope."""
    turn, tilt = rng.uniform(0, 2 * np.pi), rng.uniform(0.0, 0.06)
    z = 100 + tilt * (x * np.cos(turn) + y * np.sin(turn)) + rng.uniform(0.3, 1.0) * _noise(rng, x.shape, 8)
    for cells, most in ((16, 3), (32, 6), (64, 10)):
        z += rng.uniform(0, most) * _noise(rng, x.shape, cells)
    return z


def _standard(values: np.ndarray) -> np.ndarray:
    """Standardise a figure over the blocks."""
    inner = values[FAR_PAD:-FAR_PAD, FAR_PAD:-FAR_PAD]
    return (values - inner.mean()) / inner.std()


def _pool(rng: np.random.Generator, z: np.ndarray) -> np.ndarray:
    """Cold that collects over the lowest tenth of the ground within a disc of unknown size, to an unknown depth."""
    reach = np.exp(rng.uniform(np.log(60), np.log(600))) / CELL
    # Every fourth cell is enough ground to look for the low tenth on.
    coarse = z[::4, ::4]
    away = np.arange(-int(reach / 4), int(reach / 4) + 1)
    disc = np.hypot(*np.meshgrid(away, away)) <= reach / 4
    low = zoom(
        percentile_filter(coarse, 10, footprint=disc, mode="nearest"), 4, order=1, grid_mode=True, mode="nearest"
    )
    height = z - gaussian_filter(low, reach / 3, mode="nearest")
    inner = height[FAR_PAD:-FAR_PAD, FAR_PAD:-FAR_PAD]
    if rng.integers(2):
        return -_standard(height)
    return _standard(np.exp(-(height - inner.min()) / (rng.uniform(0.5, 2.0) * inner.std())))


def _plateau(rng: np.random.Generator, z: np.ndarray) -> np.ndarray:
    """Cold on broad flat ground: the way to ground steep enough to drain."""
    up, across = np.gradient(gaussian_filter(z, 4), CELL)
    steep = np.hypot(up, across)
    inner = steep[FAR_PAD:-FAR_PAD, FAR_PAD:-FAR_PAD]
    way = distance_transform_edt(steep < np.quantile(inner, rng.uniform(0.4, 0.8))) * CELL
    return _standard(np.minimum(gaussian_filter(way, 2), rng.uniform(40, 120)))


def _exposed(rng: np.random.Generator, z: np.ndarray) -> np.ndarray:
    """Cold where the ground stands above its surroundings: a windy night, or all above a thermal belt."""
    rise = _standard(z - gaussian_filter(z, rng.uniform(100, 400) / CELL / 2))
    return _standard(np.maximum(rise - rng.uniform(-2, 0.5), 0.0))


def _cold_by_pools(rng: np.random.Generator, z: np.ndarray) -> np.ndarray:
    rest = _standard(_noise(rng, z.shape, rng.uniform(8, 30)))
    return rng.uniform(0.7, 1.6) * _pool(rng, z) + rng.uniform(0.2, 0.7) * rest


def _cold_in_part(rng: np.random.Generator, z: np.ndarray) -> np.ndarray:
    """Two to four ideas of what terrain does; together they explain 30 to 50 % of the variance."""
    _, toward = np.gradient(gaussian_filter(z, 4), CELL)
    ideas = [_pool(rng, z), _plateau(rng, z), _exposed(rng, z), _standard(toward)]
    pick = rng.permutation(4)[: rng.integers(2, 5)]
    terrain = _standard(sum(rng.uniform(0.5, 1.0) * ideas[k] for k in pick))
    share = rng.uniform(0.3, 0.5)
    rest = _standard(_noise(rng, z.shape, rng.uniform(8, 30)))
    return rng.uniform(0.8, 1.5) * (np.sqrt(share) * terrain + np.sqrt(1 - share) * rest)


def ground(kind: str, rng: np.random.Generator) -> Ground:
    """Draw the ground of one of the kinds that have one relief each."""
    steps = (np.arange(SIDE + 2 * PAD) - PAD + 0.5) * CELL
    x, y = np.meshgrid(steps, steps)
    z, bowl = _ground(kind, rng, x, y)
    terrain, strength = _by_low_ground(kind, rng, z, bowl)
    if kind == "wall":
        turn = rng.uniform(0, 2 * np.pi)
        above = (x - SIDE * CELL / 2) * np.cos(turn) + (y - SIDE * CELL / 2) * np.sin(turn)
        terrain -= 2.0 * np.exp(-np.clip(above, 0, None) / 80) * (above > 0)
    sd, cells = rng.uniform(0.2, 0.7), rng.uniform(8, 30)
    return Ground(z, steps, terrain, strength, sd * _noise(rng, x.shape, cells), sd, cells)


def _of_one_relief(kind: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Elevation, its coordinates, and cold over the blocks, in logits, of the kinds that have one relief each."""
    drawn = ground(kind, rng)
    return drawn.elevation, drawn.steps, drawn.cold


def _of_every_size(kind: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Elevation, its coordinates, and cold over the blocks, in logits, on relief of every size."""
    steps = (np.arange(SIDE + 2 * FAR_PAD) - FAR_PAD + 0.5) * CELL
    z = _relief(rng, *np.meshgrid(steps, steps))
    cold = (_cold_by_pools if kind == "pools" else _cold_in_part)(rng, z)
    return z, steps, cold[FAR_PAD:-FAR_PAD, FAR_PAD:-FAR_PAD]


def simulate(kind: str, seed: int) -> Simulated:
    """Simulate one vineyard of a kind; the same seed gives the same one everywhere."""
    rng = np.random.default_rng([seed, zlib.crc32(kind.encode())])
    z, steps, cold = (_of_every_size if kind in ("pools", "part") else _of_one_relief)(kind, rng)
    tender = rng.normal(0, 0.7, 2)
    east = (np.arange(SIDE) + 0.5) * CELL > SIDE * CELL / 2
    logit = rng.uniform(-1.5, 1.0) + cold + tender[east.astype(int)]
    xy = _places(kind, rng)
    column, row = np.floor(xy / CELL).astype(int).T
    own = _vine_sd(kind, rng) * rng.standard_normal(len(xy))
    read = rng.integers(10, 60, len(xy))
    dead = rng.binomial(read, expit(logit[row, column] + own))
    return Simulated(_blocks(), _samples(xy), _counts(read, dead), _elevation(z, steps), expit(logit)[::-1])


def _vine_sd(kind: str, rng: np.random.Generator) -> float:
    if kind == "pools":
        return float(rng.uniform(0.3, 0.9))
    return 1.0 if kind == "vine_spread" else 0.4


def simulate_large(blocks: int, seed: int = 0) -> Simulated:
    """Simulate so many blocks of a hectare, 25 abreast, of six varieties on rolling ground, ten samples in each."""
    rng = np.random.default_rng([seed, blocks])
    shape = (int(np.ceil(blocks / 25) * BLOCK / CELL) + 2 * PAD, int(25 * BLOCK / CELL) + 2 * PAD)
    y, x = ((np.arange(side) - PAD + 0.5) * CELL for side in shape)
    z = 100 + 0.01 * x + 8 * _noise(rng, shape, 60) + 1.5 * _noise(rng, shape, 12)
    cold = gaussian_filter(z, 40) - z
    logit = 0.8 * cold / cold.std() + 0.7 * _noise(rng, shape, 20) + 0.3 * _noise(rng, shape, 8) - 0.3
    corner = BLOCK * np.column_stack([np.arange(blocks) % 25, np.arange(blocks) // 25])
    variety, tender = rng.integers(0, 6, blocks), rng.normal(0, 0.7, 6)
    block = np.repeat(np.arange(blocks), 10)
    xy = corner[block] + rng.uniform(0, 100, (len(block), 2))
    truth = logit[PAD:-PAD, PAD:-PAD]
    column, row = np.floor(xy / CELL).astype(int).T
    read = rng.integers(10, 60, len(xy))
    own = tender[variety[block]] + 0.4 * rng.standard_normal(len(xy))
    dead = rng.binomial(read, expit(truth[row, column] + own))
    names = np.array([f"block {k}" for k in range(blocks)])
    columns = {"block": names, "variety": [f"variety {k}" for k in variety], "pruning": "cane", "area_ha": 1.0}
    shapes = [box(EAST + e, NORTH + n, EAST + e + 100, NORTH + n + 100) for e, n in corner]
    samples = {"sample": [str(k) for k in range(len(xy))], "block": names[block]}
    points = gpd.points_from_xy(EAST + xy[:, 0], NORTH + xy[:, 1])
    elevation = xr.DataArray(z[::-1].astype(np.float32), coords={"y": NORTH + y[::-1], "x": EAST + x}, dims=("y", "x"))
    return Simulated(
        gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS),
        gpd.GeoDataFrame(samples, geometry=points, crs=CRS),
        _counts(read, dead),
        elevation.rio.write_crs(CRS),
        expit(truth)[::-1],
    )


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
