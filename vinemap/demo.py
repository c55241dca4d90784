"""An invented vineyard after an invented freeze, so that a map can be held against the truth behind it.

Nothing here is measured. The lethal temperatures are of the size usual for the varieties named after a thaw, in which
American vines and hybrids lose hardiness sooner than vinifera (common practice; from memory). The cold air follows the
shallow flow of a heavy fluid and is at most 5 °C colder than the free air, as pools over gently rolling ground are
(common practice; from memory). Everything else is drawn from a fixed seed.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import Affine, from_origin
from scipy.ndimage import gaussian_filter, map_coordinates, zoom
from scipy.special import expit, ndtr
from shapely.geometry import Point, Polygon

from vinemap.arrays import Array
from vinemap.errors import InputError, Problem
from vinemap.exports.exchange import added
from vinemap.exports.formats import write_geopackage, write_injury
from vinemap.exports.record import RUN_FILE
from vinemap.pipeline.map_run import MapRun
from vinemap.pipeline.mapping import make_map
from vinemap.resources import write_json
from vinemap.sentences import Sentence

CRS = "EPSG:32618"
SEED = 1
CELL_M = 5.0
_EAST_M, _NORTH_M = 1500.0, 1300.0
_ORIGIN = (475_800.0, 4_833_000.0)

_FREE_AIR_C = -21.4
_LAPSE_C_PER_M = 0.0065
_POOL_C = 5.0
_POOL_DEPTH_M = 4.0
_WAVES_C = 0.3

_DOSE_WIDTH_C = 0.8
_NODE_LOGIT = 0.07
_SECONDARY_C, _TERTIARY_C = 1.6, 2.8
_BLOCK_SD, _VINE_SD = 0.25, 0.55
_SAME_NODE = 0.6
# a cane as cut here bears ten nodes on average, and cane pruning keeps them all
_KEPT_NODES = {"spur": 5, "cane": 10}
_UNREAD = {"primary": 0.02, "secondary": 0.06, "tertiary": 0.25}
# nodes that stay blind on a sound vine
_BLIND = 0.04
_CUT_DAYS = ("2026-01-25", "2026-01-26", "2026-01-27")

# A milder freeze three winters before, of which a coarse map from a few canes is left.
_EARLIER, _EARLIER_DAY, _EARLIER_CUT = "winter_2023", "2023-02-04", "2023-02-07"
_EARLIER_AIR_C, _EARLIER_WAVES_C, _EARLIER_SAMPLES = -21.8, 0.4, 5


@dataclass(frozen=True)
class _Block:
    """A block as planted: corners in metres east and north of the south-west corner of the grid."""

    name: str
    variety: str
    group: str
    lethal_c: float
    pruning: str
    nodes_per_vine: int
    own_rooted: bool
    row_m: float
    vine_m: float
    counted: bool
    trunks: int
    planted: int
    samples: int
    corners: tuple[tuple[float, float], ...]


_BLOCKS = (
    _Block("Ridge Acre", "Riesling", "vinifera", -24.6, "cane", 40, False, 2.6, 1.5, True, 2, 2011, 9,
           ((708, 922), (805, 953), (912, 985), (884, 1086), (782, 1072), (698, 1032))),
    _Block("Sheepwalk", "Cabernet Franc", "vinifera", -24.1, "spur", 36, False, 2.6, 1.5, True, 1, 2014, 10,
           ((816, 816), (946, 838), (1062, 896), (1022, 1006), (915, 968), (812, 938))),
    _Block("Kiln Bank", "Riesling", "vinifera", -24.6, "cane", 40, False, 2.6, 1.5, True, 2, 2008, 10,
           ((850, 652), (958, 664), (1042, 696), (1066, 878), (949, 822), (820, 799))),
    _Block("Heron Bottom", "Concord", "american", -24.8, "cane", 60, True, 3.0, 2.4, False, 1, 1989, 11,
           ((788, 262), (902, 238), (1000, 244), (1018, 388), (905, 420), (776, 383))),
    _Block("Alder Flat", "Marquette", "hybrid", -25.0, "cane", 44, True, 2.7, 1.8, True, 2, 2016, 8,
           ((618, 212), (766, 228), (752, 384), (636, 348))),
    _Block("Dipper", "Vidal Blanc", "hybrid", -24.0, "spur", 40, False, 2.7, 1.8, True, 1, 2005, 10,
           ((226, 566), (322, 538), (352, 604), (398, 612), (436, 556),
            (514, 612), (478, 704), (384, 716), (282, 696))),
    _Block("Larkrise", "Cabernet Franc", "vinifera", -24.1, "cane", 38, False, 2.6, 1.5, True, 2, 2014, 10,
           ((286, 738), (388, 742), (478, 736), (504, 884), (402, 878), (298, 852))),
    _Block("Long Furlong", "Marquette", "hybrid", -25.0, "spur", 44, True, 2.7, 1.8, False, 2, 2018, 8,
           ((328, 424), (421, 402), (524, 398), (566, 502), (532, 592), (438, 532), (336, 502))),
)  # fmt: skip

# Loggers on posts, metres east and north of the same corner: in both hollows, on the slope and on the crest.
_LOGGERS = (
    ("Dipper post", 372.0, 640.0),
    ("Larkrise top", 410.0, 846.0),
    ("Furlong", 440.0, 470.0),
    ("Alder", 690.0, 300.0),
    ("Heron drain", 790.0, 345.0),
    ("Kiln Bank", 945.0, 745.0),
    ("Ridge gate", 800.0, 1010.0),
)
_LOGGER_C, _LOGGER_M = 0.3, 1.5
# What an adviser's service might have published for the week, to half a degree.
_PUBLISHED_C = 0.5

# A wind machine in the lower hollow, metres east and north of the same corner. It mixes warmer air down from above:
# 1 to 3 °C within some 100 m (common practice; from memory).
_MACHINE_EAST, _MACHINE_NORTH, _MACHINE_REACH_M, _MACHINE_C = 925.0, 320.0, 80.0, 1.5

_SETTINGS = """\
# Settings of an invented vineyard. Every key has a default; these are the ones worth stating here.
name = "Thornquill Hollow"
event_date = 2026-01-22      # the night of the freeze
units = "metric"             # or "us" for acres and feet

[survival]
spur_nodes_kept = 5          # nodes from the base that spur pruning keeps
cane_nodes_kept = 15         # nodes from the base that cane pruning keeps
confidence = 0.90            # of the intervals of what was cut

[evidence]
after = ["winter_2023"]      # outputs of earlier freezes' maps, kept in this folder
"""

_EARLIER_SETTINGS = f"""\
name = "Thornquill Hollow"
event_date = {_EARLIER_DAY}

[surface]
cell_m = 5.0
"""

_README = """\
Thornquill Hollow: no such vineyard exists; land, freeze, blocks and bud cuts are all invented.
Made by `vinemap demo FOLDER` (vinemap/demo.py) with a fixed seed, so any machine writes the same one.
Cold air drains off the slope and pools in two hollows; buds die by a dose response around a lethal temperature.
The truth behind the buds is kept out of this folder, so that tests can hold the map against it.
Seven temperature loggers hung that night, a table says what the buds could bear, and a wind machine ran in the lower
hollow; winter_2023 holds what is left of the map of an earlier freeze.
Map it with `vinemap map FOLDER`; with `vinemap spring FOLDER FOLDER/shoots.csv` hold it against what grew in May.
"""

_FILES = (
    *("blocks.geojson", "samples.csv", "buds.csv", "wood.csv", "shoots.csv", "elevation.tif", "vinemap.toml"),
    *("loggers.csv", "hardiness.csv", "protection.geojson", "README.md"),
)


@dataclass(frozen=True)
class Truth:
    """What lies behind the demonstration and is not written to its folder.

    Attributes
    ----------
    grid : Dataset (y, x)
        North up, 5 m, in `CRS`: ``elevation_m``; ``cold_air_m`` (depth of the cold layer); ``temperature_c`` (lowest of
        the night); ``primary_injury`` and ``secondary_injury`` (fraction of the buds that die on the median vine, which
        is without the variation between vines, averaged over the nodes that the block's pruning keeps; NaN outside the
        blocks); ``block_index`` (row of ``blocks``, -1 outside).
    blocks : GeoDataFrame
        In `CRS`: block, variety, pruning, ``primary_injury`` and ``secondary_injury`` (means over the cells), geometry.
    samples : GeoDataFrame
        In `CRS`: sample, block, ``temperature_c``, ``vine_logit`` (this vine's own log-odds), geometry.
    """

    grid: xr.Dataset
    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame


def write_demo(folder: Path, seed: int = SEED) -> Truth:
    """Write an invented vineyard folder and return the truth behind it.

    Parameters
    ----------
    folder : Path
        Made when missing.
    seed : int
        Of the land, the weather and the buds; the blocks stay where they are.

    Returns
    -------
    Truth

    Raises
    ------
    InputError
        When the folder already holds a file of the demonstration.
    """
    _refuse_to_overwrite(folder)
    rng = np.random.default_rng(seed)
    elevation = _land(rng)
    cold_air = _cold_air(elevation)
    blocks, machine = _blocks(), _machine()
    temperature = _night(rng, elevation, cold_air, _FREE_AIR_C, _WAVES_C) + _MACHINE_C * _mixed(machine)
    block_logit = _BLOCK_SD * rng.standard_normal(len(blocks))
    grid = _truth_grid(elevation, cold_air, temperature, blocks, block_logit)
    samples = _samples(rng, grid, blocks, [block.samples for block in _BLOCKS], _CUT_DAYS)
    buds = _buds(rng, samples, block_logit)
    wood = _wood(rng, samples)
    shoots = _shoots(rng, samples, block_logit)

    with added(folder) as stage:
        _write_blocks(blocks, stage / "blocks.geojson")
        _write_samples(samples, stage / "samples.csv")
        buds.to_csv(stage / "buds.csv", index=False, lineterminator="\n")
        wood.to_csv(stage / "wood.csv", index=False, lineterminator="\n")
        shoots.to_csv(stage / "shoots.csv", index=False, lineterminator="\n")
        _write_elevation(elevation, stage / "elevation.tif")
        # Drawn from seeds of their own, so that the buds are the same with them and without.
        _loggers(np.random.default_rng([seed, 1]), grid).to_csv(stage / "loggers.csv", index=False, lineterminator="\n")
        _hardiness(blocks).to_csv(stage / "hardiness.csv", index=False, lineterminator="\n")
        machine.to_crs("EPSG:4326").to_file(stage / "protection.geojson", driver="GeoJSON", RFC7946="YES")
        _write_earlier(_earlier_run(seed), stage / _EARLIER)
        (stage / "vinemap.toml").write_text(_SETTINGS, encoding="utf-8", newline="\n")
        (stage / "README.md").write_text(_README, encoding="utf-8", newline="\n")
    return Truth(
        grid,
        blocks[["block", "variety", "pruning", "geometry"]].assign(**_block_means(grid, len(blocks))),
        samples[["sample", "block", "temperature_c", "vine_logit", "geometry"]],
    )


def _refuse_to_overwrite(folder: Path) -> None:
    """Raise `InputError` rather than write over somebody's vineyard."""
    if folder.exists() and not folder.is_dir():
        fault = Sentence("fault.out.a_file")
        raise InputError([Problem(folder.name, None, "", fault, Sentence("remedy.folder_to_make"))])
    there = [name for name in (*_FILES, _EARLIER) if (folder / name).exists()]
    if there:
        fault, remedy = Sentence("fault.already_there"), Sentence("remedy.empty_folder")
        raise InputError(Problem(name, None, "", fault, remedy) for name in there)


def _noise(rng: np.random.Generator, shape: tuple[int, ...], length_m: float) -> Array:
    """Return a smooth Gaussian random field of mean 0 and standard deviation 1."""
    field = gaussian_filter(rng.standard_normal(shape), length_m / CELL_M, mode="wrap")
    standard: Array = (field - field.mean()) / field.std()
    return standard


def _centres() -> tuple[Array, Array]:
    """Return x and y of the cell centres, metres from the south-west corner, north up."""
    rows, columns = int(_NORTH_M / CELL_M), int(_EAST_M / CELL_M)
    y = _NORTH_M - CELL_M / 2 - CELL_M * np.arange(rows)
    x = CELL_M / 2 + CELL_M * np.arange(columns)
    across, up = np.meshgrid(x, y)
    return across, up


def _land(rng: np.random.Generator) -> Array:
    """Return ground heights in metres: a hillside with a winding draw, two hollows and random undulation.

    The plan is bent by a smooth random displacement first, so that no contour is a ruler's or a compass's.
    """
    x, y = _centres()
    x, y = x + 38 * _noise(rng, x.shape, 70), y + 38 * _noise(rng, y.shape, 70)
    south = _NORTH_M - y
    fall = (0.42 * x + 0.9 * south) / 1400
    height: Array = 294 - 37 * expit((fall - 0.62) / 0.16) - 8 * fall
    draw_x = 690 + 110 * np.sin(south / 210) + 0.12 * south
    draw_depth = 9 * np.clip((south - 150) / 400, 0, 1)
    height -= draw_depth * np.exp(-0.5 * ((x - draw_x) / (45 + 0.06 * south)) ** 2)
    height -= _hollow(x - 880, y - 400, (130, 85), -0.5, 7.5)
    height -= _hollow(x - 360, y - 640, (105, 75), 0.6, 8.5)
    for amplitude, length in ((2.2, 90), (0.7, 35), (0.18, 12)):
        height += amplitude * _noise(rng, x.shape, length)
    return np.round(height, 2)


def _hollow(x: Array, y: Array, radii: tuple[float, float], turn: float, depth: float) -> Array:
    """Return the depth of a turned oval hollow with a flat floor, centred where x and y are 0."""
    along = (x * math.cos(turn) + y * math.sin(turn)) / radii[0]
    across = (y * math.cos(turn) - x * math.sin(turn)) / radii[1]
    return depth * np.exp(-0.5 * (along**2 + across**2) ** 1.3)


def _cold_air(elevation: Array) -> Array:
    """Return the depth in metres of the cold air that a still, clear night lays over the ground.

    Air chilled at the ground is a heavy fluid that creeps down the gradient of its own top, drains out at the edge of
    the grid and mixes away over 100 minutes. The top is found on cells four times as wide, over 2 h 47 min.
    """
    step_s, cell, made_m_per_s, mixed_s = 2.0, 4 * CELL_M, 0.001, 6000.0
    ground = zoom(elevation, 0.25, order=1, grid_mode=True, mode="nearest")
    depth = np.zeros_like(ground)
    outside = np.pad(ground, 1, mode="edge") - 1.2
    outside[1:-1, 1:-1] = ground
    for _ in range(5000):
        top = outside + np.pad(depth, 1, mode="edge")
        there = np.pad(depth, 1, mode="edge")
        gain = _inflow(top[:, 1:-1], there[:, 1:-1], cell, 0) + _inflow(top[1:-1], there[1:-1], cell, 1)
        depth = np.maximum(depth + step_s * (made_m_per_s - depth / mixed_s + gain), 0.0)
    lid = zoom(ground + depth, 4, order=3, grid_mode=True, mode="nearest")
    deep: Array = np.maximum(lid - elevation, 0.3)
    return deep


def _inflow(top: Array, depth: Array, cell: float, axis: int) -> Array:
    """Return the net gain of depth a second along one axis; the deeper the layer upwind, the freer it flows."""
    drop = -np.diff(top, axis=axis)
    before, after = np.delete(depth, -1, axis=axis), np.delete(depth, 0, axis=axis)
    flow = 2.0 * np.minimum(np.where(drop > 0, before, after), 4.0) ** 2 * drop / cell
    return -np.diff(flow, axis=axis) / cell


def _night(rng: np.random.Generator, elevation: Array, cold_air: Array, free_air_c: float, waves_c: float) -> Array:
    """Return the lowest temperature of a still, clear night, °C."""
    warmth = (free_air_c - _LAPSE_C_PER_M * (elevation - elevation.mean())).astype(np.float64)
    pool = _POOL_C * (1.0 - np.exp(-cold_air / _POOL_DEPTH_M))
    return np.asarray(warmth - pool + waves_c * _noise(rng, elevation.shape, 60))


def _machine() -> gpd.GeoDataFrame:
    """Return protection.geojson in `CRS`: one wind machine that ran."""
    place = Point(_ORIGIN[0] + _MACHINE_EAST, _ORIGIN[1] + _MACHINE_NORTH)
    rows = {"name": ["Heron fan"], "kind": ["wind_machine"], "reach_m": [_MACHINE_REACH_M], "ran": ["yes"]}
    return gpd.GeoDataFrame(rows, geometry=[place], crs=CRS)


def _mixed(machine: gpd.GeoDataFrame) -> Array:
    """Return which share of its warming each cell gets of the wind machine: all near it, half at its reach."""
    x, y = _centres()
    place = machine.geometry.iloc[0]
    away = np.hypot(x + _ORIGIN[0] - place.x, y + _ORIGIN[1] - place.y)
    return np.asarray(expit((_MACHINE_REACH_M - away) / 8.0))


@cache
def _earlier_run(seed: int) -> MapRun:
    """Map an earlier freeze of the same ground from a few canes, in coarse cells."""
    elevation, blocks, rng = _land(np.random.default_rng(seed)), _blocks(), np.random.default_rng([seed, 2])
    cold_air = _cold_air(elevation)
    temperature = _night(rng, elevation, cold_air, _EARLIER_AIR_C, _EARLIER_WAVES_C)
    block_logit = _BLOCK_SD * rng.standard_normal(len(blocks))
    grid = _truth_grid(elevation, cold_air, temperature, blocks, block_logit)
    samples = _samples(rng, grid, blocks, [_EARLIER_SAMPLES] * len(blocks), (_EARLIER_CUT,))
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        _write_blocks(blocks, home / "blocks.geojson")
        _write_samples(samples, home / "samples.csv")
        _buds(rng, samples, block_logit).to_csv(home / "buds.csv", index=False, lineterminator="\n")
        _write_elevation(elevation, home / "elevation.tif")
        (home / "vinemap.toml").write_text(_EARLIER_SETTINGS, encoding="utf-8", newline="\n")
        return make_map(home)


def _write_earlier(run: MapRun, out: Path) -> None:
    """Write what is left of an earlier freeze: the blocks, the surface and the record of its map."""
    out.mkdir()
    write_geopackage({"blocks": run.blocks}, out / "vineyard.gpkg")
    write_injury(run.surface, out / "injury.tif")
    write_json({name: run.report[name] for name in ("name", "event_date", "inputs")}, out / RUN_FILE)


def _loggers(rng: np.random.Generator, grid: xr.Dataset) -> pd.DataFrame:
    """Return loggers.csv: the lowest of the night at each post, as a logger of usual accuracy has it."""
    names, east, north = zip(*_LOGGERS, strict=True)
    x, y = np.array(east) + _ORIGIN[0], np.array(north) + _ORIGIN[1]
    coldest = grid["temperature_c"].interp(x=("post", x), y=("post", y)).to_numpy()
    places = gpd.GeoSeries(gpd.points_from_xy(x, y), crs=CRS).to_crs(4326)
    minima = (coldest + _LOGGER_C * rng.standard_normal(len(x))).round(1)
    columns = {"logger": names, "lon": places.x.round(6), "lat": places.y.round(6), "min_c": minima}
    return pd.DataFrame({**columns, "height_m": _LOGGER_M})


def _hardiness(blocks: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return hardiness.csv: a row a variety, rounded as such tables are."""
    half = blocks.groupby("variety", sort=True)["lethal_c"].first().div(_PUBLISHED_C).round().mul(_PUBLISHED_C)
    return pd.DataFrame({"variety": half.index, "date": "2026-01-20", "lt50_c": half.to_numpy()})


def _blocks() -> gpd.GeoDataFrame:
    """Return the blocks in `CRS` with the columns of blocks.geojson, and ``lethal_c``."""
    shapes = [Polygon([(_ORIGIN[0] + x, _ORIGIN[1] + y) for x, y in block.corners]) for block in _BLOCKS]
    rows = [
        {
            "block": block.name,
            "variety": block.variety,
            "species_group": block.group,
            "row_spacing_m": block.row_m,
            "vine_spacing_m": block.vine_m,
            # a few percent of the places stand empty, as in any vineyard of some age
            "vines": round(0.96 * shape.area / (block.row_m * block.vine_m)) if block.counted else None,
            "pruning": block.pruning,
            "nodes_per_vine": block.nodes_per_vine,
            "own_rooted": block.own_rooted,
            "trunks": block.trunks,
            "planted": block.planted,
            "lethal_c": block.lethal_c,
        }
        for block, shape in zip(_BLOCKS, shapes, strict=True)
    ]
    frame = pd.DataFrame(rows).astype({"vines": "Int64"})
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)


def _transform() -> Affine:
    """Return the affine transform of the 5 m grid."""
    return from_origin(_ORIGIN[0], _ORIGIN[1] + _NORTH_M, CELL_M, CELL_M)


def _bud_logit(temperature: Array, lethal_c: Array, node: Array) -> Array:
    """Return the log-odds that a bud dies: logistic in temperature, and mildly higher toward the tip of the cane."""
    return (lethal_c - temperature) / _DOSE_WIDTH_C + _NODE_LOGIT * (node - 3.0)


def _truth_grid(
    elevation: Array, cold_air: Array, temperature: Array, blocks: gpd.GeoDataFrame, block_logit: Array
) -> xr.Dataset:
    """Return `Truth.grid`."""
    shapes = [(shape, row) for row, shape in enumerate(blocks.geometry)]
    index = rasterize(shapes, elevation.shape, fill=-1, transform=_transform(), dtype="int16")
    inside = index >= 0
    row = index[inside]
    layers = {"elevation_m": elevation, "cold_air_m": cold_air, "temperature_c": temperature}
    for name, hardier in (("primary_injury", 0.0), ("secondary_injury", _SECONDARY_C)):
        injury = np.full(elevation.shape, np.nan)
        lethal = blocks["lethal_c"].to_numpy()[row] - hardier
        kept = blocks["pruning"].map(_KEPT_NODES).to_numpy()[row]
        total = np.zeros(row.size)
        for node in range(1, max(_KEPT_NODES.values()) + 1):
            logit = _bud_logit(temperature[inside], lethal, np.full(row.size, float(node))) + block_logit[row]
            total += np.where(node <= kept, expit(logit), 0.0)
        injury[inside] = total / kept
        layers[name] = injury
    x, y = _centres()
    grid = xr.Dataset(
        {name: (("y", "x"), values) for name, values in layers.items()} | {"block_index": (("y", "x"), index)},
        coords={"y": _ORIGIN[1] + y[:, 0], "x": _ORIGIN[0] + x[0]},
    )
    placed: xr.Dataset = grid.rio.write_crs(CRS).rio.write_transform(_transform())
    return placed


def _block_means(grid: xr.Dataset, blocks: int) -> dict[str, list[float]]:
    """Return the mean of each injury layer over each block's cells."""
    index = grid["block_index"].to_numpy()
    return {
        name: [float(grid[name].to_numpy()[index == row].mean()) for row in range(blocks)]
        for name in ("primary_injury", "secondary_injury")
    }


def _samples(
    rng: np.random.Generator, grid: xr.Dataset, blocks: gpd.GeoDataFrame, counts: list[int], days: tuple[str, ...]
) -> gpd.GeoDataFrame:
    """Return the vines that are walked to: in each block one from each step of the ground, low to high, well apart."""
    rows = []
    for number, (block, shape, most) in enumerate(zip(_BLOCKS, blocks.geometry, counts, strict=True)):
        walk = _walk(rng, grid, shape.buffer(-6.0), most)
        code = "".join(word[0] for word in block.name.split()) if " " in block.name else block.name[:2].upper()
        day = days[number * len(days) // len(_BLOCKS)]
        for count, point in enumerate(walk, start=1):
            rows.append({"sample": f"{code}{count:02d}", "block": block.name, "date": day, "geometry": point})
    samples = gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS)
    column = (samples.geometry.x - _ORIGIN[0]) / CELL_M - 0.5
    line = (_ORIGIN[1] + _NORTH_M - samples.geometry.y) / CELL_M - 0.5
    samples["temperature_c"] = map_coordinates(grid["temperature_c"].to_numpy(), [line, column], order=1)
    samples["vine_logit"] = _VINE_SD * rng.standard_normal(len(samples))
    return samples


def _walk(rng: np.random.Generator, grid: xr.Dataset, shape: Polygon, count: int) -> list[Point]:
    """Return ``count`` points in ``shape``, one in each equal step of elevation, the farthest of six tries each."""
    inside = rasterize([(shape, 1)], grid["elevation_m"].shape, transform=_transform(), dtype="uint8") > 0
    line, column = np.nonzero(inside)
    order = np.argsort(grid["elevation_m"].to_numpy()[inside], kind="stable")
    places = np.column_stack([grid["x"].to_numpy()[column], grid["y"].to_numpy()[line]])[order]
    chosen: list[Array] = []
    for step in np.array_split(places, count):
        tries = step[rng.integers(0, len(step), 6)]
        gaps = [min((math.dist(one, other) for other in chosen), default=0.0) for one in tries]
        chosen.append(tries[int(np.argmax(gaps))])
    return [Point(x + rng.uniform(-2, 2), y + rng.uniform(-2, 2)) for x, y in chosen]


def _buds(rng: np.random.Generator, samples: gpd.GeoDataFrame, block_logit: Array) -> pd.DataFrame:
    """Return buds.csv: a row a node cut."""
    planting = {block.name: (block, logit) for block, logit in zip(_BLOCKS, block_logit, strict=True)}
    frames = []
    for sample in samples.itertuples():
        block, extra = planting[sample.block]
        for cane in range(1, int(rng.integers(2, 4)) + 1):
            node = np.arange(1, int(rng.integers(8, 13)) + 1)
            cut = {"sample": sample.sample, "cane": cane, "node": node}
            for bud, dead in _dead(rng, block, sample.temperature_c, extra + sample.vine_logit, node):
                state = np.where(dead, "dead", "alive")
                cut[bud] = np.where(rng.random(node.size) < _UNREAD[bud], "unread", state)
            frames.append(pd.DataFrame(cut))
    return pd.concat(frames, ignore_index=True)


def _dead(
    rng: np.random.Generator, block: _Block, temperature_c: float, extra_logit: float, node: Array
) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Give, bud by bud, on which nodes it is dead.

    Buds of one node share part of their luck (a Gaussian copula), so that a live primary beside a dead secondary is
    rare; each bud's own probability is untouched by that.
    """
    shared = math.sqrt(_SAME_NODE) * rng.standard_normal(node.size)
    for bud, hardier in (("primary", 0.0), ("secondary", _SECONDARY_C), ("tertiary", _TERTIARY_C)):
        lethal = np.full(node.size, block.lethal_c - hardier)
        logit = _bud_logit(np.full(node.size, temperature_c), lethal, node.astype(np.float64))
        luck = ndtr(shared + math.sqrt(1 - _SAME_NODE) * rng.standard_normal(node.size))
        yield bud, luck < expit(logit + extra_logit)


def _shoots(rng: np.random.Generator, samples: gpd.GeoDataFrame, block_logit: Array) -> pd.DataFrame:
    """Return shoots.csv: every second vine, pruned to its usual nodes; one bears a shoot where a bud lives."""
    extra = {block.name: logit for block, logit in zip(_BLOCKS, block_logit, strict=True)}
    planting = {block.name: block for block in _BLOCKS}
    rows = []
    for sample in samples.iloc[::2].itertuples():
        block = planting[sample.block]
        node = np.arange(block.nodes_per_vine) % _KEPT_NODES[block.pruning] + 1
        each = _dead(rng, block, sample.temperature_c, extra[sample.block] + sample.vine_logit, node)
        bare = np.all([dead for _, dead in each], axis=0) | (rng.random(node.size) < _BLIND)
        rows.append({"sample": sample.sample, "nodes": node.size, "shoots": int((~bare).sum()), "vines": 1})
    return pd.DataFrame(rows)


def _wood(rng: np.random.Generator, samples: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return wood.csv: every third vine cut under the bark; phloem fails, then xylem, then cambium, thin wood first."""
    spur = {block.name: block.pruning == "spur" for block in _BLOCKS}
    lethal = {block.name: block.lethal_c for block in _BLOCKS}
    rows = []
    for sample in samples.iloc[::3].itertuples():
        for tissue, hardier in (("cane", 2.2), ("cordon", 2.8), ("trunk", 3.4)):
            if tissue == "cordon" and not spur[sample.block]:
                continue
            logit = (lethal[sample.block] - hardier - sample.temperature_c) / _DOSE_WIDTH_C
            luck = rng.random()
            unread = tissue == "trunk" and rng.random() < 0.1
            rows.append(
                {
                    "sample": sample.sample,
                    "tissue": tissue,
                    "phloem": "dead" if luck < expit(logit) else "alive",
                    "cambium": "unread" if unread else "dead" if luck < expit(logit - 2.6) else "alive",
                    "xylem": "unread" if unread else "dead" if luck < expit(logit - 2.0) else "alive",
                    "visit": "winter",
                }
            )
    return pd.DataFrame(rows)


def _write_blocks(blocks: gpd.GeoDataFrame, path: Path) -> None:
    """Write blocks.geojson in longitude and latitude, as RFC 7946 asks."""
    blocks.drop(columns="lethal_c").to_crs("EPSG:4326").to_file(path, driver="GeoJSON", RFC7946="YES")


def _write_samples(samples: gpd.GeoDataFrame, path: Path) -> None:
    """Write samples.csv with longitude and latitude to a tenth of a metre."""
    place = samples.geometry.to_crs("EPSG:4326")
    table = samples[["sample"]].assign(lon=place.x.round(6), lat=place.y.round(6))
    table = pd.DataFrame(table).join(samples[["block", "date"]])
    table.to_csv(path, index=False, lineterminator="\n")


def _write_elevation(elevation: Array, path: Path) -> None:
    """Write elevation.tif: float32 metres, deflated."""
    rows, columns = elevation.shape
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="float32", crs=CRS,
        transform=_transform(), nodata=-9999.0, compress="deflate", predictor=3,
    ) as target:  # fmt: skip
        target.write(elevation.astype(np.float32), 1)
        target.set_band_description(1, "elevation_m")
