"""What a few temperature loggers are worth: error of the map with them against without, on the same canes.

Run: python -m tests.benchmarks.night [planned] [vineyards a kind] [first seed] [kind ...]

With ``planned``, canes stand where `vinemap plan` puts them: by height, or by the night's cold, as where no heights are
known. How many canes would map as well without loggers?

Injury follows the cold of the night by 1.0 to 1.5 log-odds a degree, and other things that vary over the ground. Six
loggers hang at low, middle and high ground, two each, with an error of 0.4 °C. ``windy`` has the crests coldest,
``even`` no effect of terrain, ``unlike`` temperatures that have nothing to do with injury. Wanted, ratios of the mean
absolute errors over all vineyards: hollow and slope at most 0.85 at 8 canes, 0.92 at 16, 1.00 at 60; windy and even
never above 1.02; coverage of the 90 % intervals 0.86 to 0.94. Peers get terrain and the same temperatures.
"""

from __future__ import annotations

import sys
import zlib
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import xarray as xr
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.special import expit, logit

from tests.benchmarks import simulate as vineyards
from tests.benchmarks.evidence import PEERS, peers
from tests.benchmarks.peers import Estimate
from tests.benchmarks.simulate import CELL, CRS, EAST, NORTH, PAD, SIDE, Simulated
from vinemap.evidence.lethal import expected_kill, lethal_temperatures
from vinemap.evidence.temperature import NightTemperature
from vinemap.plan.outlook import Outlook
from vinemap.plan.points import spread_points
from vinemap.rules import default_rules
from vinemap.states import Bud
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid, centres
from vinemap.terrain.layers import terrain_layers

KINDS = ("hollow", "slope", "ridge", "windy", "even", "unlike")
GROUND = {"windy": "hollow", "even": "no_terrain", "unlike": "hollow"}
CANES = (8, 16, 60)
LOGGERS = 6
_ERROR_C = 0.4
_NODES, _EDGE_M = 10, 8.0
PLANNED_WITH, PLANNED_WITHOUT = (8,), (8, 12, 16)
_VINE_SD = 0.4
_BLOCKS = 4
_BOOTSTRAPS = 200
_UNREAD = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])


@dataclass(frozen=True)
class Night:
    """One simulated vineyard after one night; arrays are of the cells of the blocks, north up.

    Behind it: the ground, and the log-odds of a dead bud for each degree that it was colder.
    """

    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    counts: pd.DataFrame
    elevation: xr.DataArray
    loggers: gpd.GeoDataFrame
    truth: np.ndarray
    temperature: np.ndarray
    ground: vineyards.Ground
    slope: float


def simulate(kind: str, seed: int) -> Night:
    """Simulate a night; the same seed gives the same one everywhere."""
    rng = np.random.default_rng([seed, 9, zlib.crc32(kind.encode())])
    ground = vineyards.ground(GROUND.get(kind, kind), rng)
    cold = -0.7 * ground.cold if kind == "windy" else ground.cold
    slope = rng.uniform(1.0, 1.5)
    temperature = rng.uniform(-26, -20) - cold / slope
    other = vineyards._noise(rng, cold.shape, rng.uniform(8, 30))
    tender = rng.normal(0, 0.7, 2)
    east = (np.arange(SIDE) + 0.5) * CELL > SIDE * CELL / 2
    own = cold.std() * other if kind == "unlike" else cold + 0.3 * other
    logits = rng.uniform(-1.5, 1.0) + own + tender[east.astype(int)]
    count = max(CANES)
    xy = rng.uniform(0, (SIDE - 1) * CELL, (count, 2))
    column, row = np.floor(xy / CELL).astype(int).T
    read = rng.integers(8, 13, count)
    dead = rng.binomial(read, expit(logits[row, column] + _VINE_SD * rng.standard_normal(count)))
    place = _hung(rng, ground.elevation[PAD:-PAD, PAD:-PAD])
    minima = temperature.ravel()[place] + _ERROR_C * rng.standard_normal(LOGGERS)
    y, x = np.unravel_index(place, temperature.shape)
    points = gpd.points_from_xy(EAST + (x + 0.5) * CELL, NORTH + (y + 0.5) * CELL)
    names = [f"N{k}" for k in range(LOGGERS)]
    hung = gpd.GeoDataFrame({"logger": names, "min_c": minima, "height_m": 1.5}, geometry=points, crs=CRS)
    return Night(
        vineyards._blocks(),
        vineyards._samples(xy),
        vineyards._counts(read, dead),
        vineyards._elevation(ground.elevation, ground.steps),
        hung,
        expit(logits)[::-1],
        temperature[::-1],
        ground,
        slope,
    )


def ground_layers(case: Night) -> tuple[xr.Dataset, xr.Dataset]:
    """Cells of the blocks, and their terrain."""
    terrain = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
    return block_grid(case.blocks, CELL, 4_000_000), terrain


def _hung(rng: np.random.Generator, z: np.ndarray) -> np.ndarray:
    """Choose cells for the loggers: as many in each third of the heights."""
    thirds = np.array_split(np.argsort(z.ravel()), 3)
    return np.concatenate([rng.choice(third, LOGGERS // 3, replace=False) for third in thirds])


def scores(case: Night) -> list[dict[str, object]]:
    """Map with and without the loggers, from 8, 16 and 60 canes, and from none."""
    grid, terrain = ground_layers(case)
    night = NightTemperature(case.loggers, grid, terrain)
    hardiness = default_rules().hardiness
    cold = night.evidence(hardiness.slope, hardiness.slope_sd)
    designs = {
        "without": Design.over(case.blocks, grid, terrain, {}),
        "with": Design.over(case.blocks, grid, terrain, {}, [cold]),
    }
    index = grid["block_index"].to_numpy()
    some = slice(None, None, 3)
    xy, block, truth = centres(grid, index >= 0)[some], index[index >= 0][some], case.truth.ravel()[some]
    mean, sd = night.at(xy)
    coldness = case.temperature.ravel()[some]
    rows: list[dict[str, object]] = []
    covered = float(np.mean(np.abs(coldness - mean) <= 1.645 * sd))
    flat = float(np.abs(coldness - case.loggers["min_c"].mean()).mean())
    error = float(np.abs(coldness - mean).mean())
    rows.append({"canes": 0, "method": "temperature", "error": error, "coverage": covered, "flat": flat})
    rows[0]["lie"] = "none" if night.lie is None else night.lie.key
    # Before the first cane its order is what counts: how well does it rank the ground?
    kill = expected_kill(mean, sd, block, lethal_temperatures(case.blocks, None, None, default_rules()))
    rows[0]["rank"] = float(pd.Series(kill.mean).corr(pd.Series(truth), method="spearman"))
    for canes in CANES:
        first = case.samples.iloc[:canes]
        counts = tally(_UNREAD, case.counts.iloc[:canes], pd.Series(dtype=int))
        observed = Observations.of(first, case.blocks, counts, Bud.PRIMARY)
        maps: dict[str, Estimate] = {}
        for method, design in designs.items():
            found = fit_field(observed, design).predict(xy, *design.rows(xy, block))
            maps[method] = found.mean, found.low, found.high
        cut = Simulated(case.blocks, first, case.counts.iloc[:canes], case.elevation, case.truth)
        maps |= peers(cut, terrain, xy, block, cold)
        for method, (middle, low, high) in maps.items():
            known = np.isfinite(low).all()
            rows.append(
                {
                    "canes": canes,
                    "method": method,
                    "error": float(np.abs(middle - truth).mean()),
                    "coverage": float(np.mean((truth >= low) & (truth <= high))) if known else np.nan,
                }
            )
    return rows


def planned(case: Night, seed: int) -> list[dict[str, object]]:
    """Map from canes where the plan puts them, by height, and with loggers by the night's cold too."""
    grid, terrain = ground_layers(case)
    night = NightTemperature(case.loggers, grid, terrain)
    hardiness = default_rules().hardiness
    lethal = lethal_temperatures(case.blocks, None, None, default_rules())
    outlook = Outlook(night, lethal, pd.DataFrame())
    cold = [night.evidence(hardiness.slope, hardiness.slope_sd)]
    index = grid["block_index"].to_numpy()
    some = slice(None, None, 3)
    xy, block, truth = centres(grid, index >= 0)[some], index[index >= 0][some], case.truth.ravel()[some]
    designs = {told: Design.over(case.blocks, grid, terrain, {}, cold if told else []) for told in (True, False)}

    def collected(canes: int, outlook: Outlook | None) -> Observations:
        rng = np.random.default_rng([seed, 10, canes])
        each, frames = [canes // _BLOCKS] * _BLOCKS, [None] * _BLOCKS
        heights = terrain if outlook is None else None
        points = spread_points(case.blocks, each, heights, frames, _EDGE_M, rng, outlook)
        samples, counts = _cut(case, points[["x", "y"]].to_numpy(), rng)
        return Observations.of(samples, case.blocks, tally(_UNREAD, counts, pd.Series(dtype=int)), Bud.PRIMARY)

    def row(method: str, canes: int, observed: Observations, *, told: bool) -> dict[str, object]:
        found = fit_field(observed, designs[told]).predict(xy, *designs[told].rows(xy, block)).mean
        return {"canes": canes, "method": method, "error": float(np.abs(found - truth).mean())}

    by_height = {canes: collected(canes, None) for canes in PLANNED_WITHOUT}
    rows = [row("without", canes, observed, told=False) for canes, observed in by_height.items()]
    for canes in PLANNED_WITH:
        rows.append(row("with", canes, by_height[canes], told=True))
        rows.append(row("with, by cold", canes, collected(canes, outlook), told=True))
    return rows


def _cut(case: Night, xy: np.ndarray, rng: np.random.Generator) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Cut one cane of 10 nodes at each place."""
    column, row = np.floor((xy - (EAST, NORTH)) / CELL).astype(int).T
    chance = expit(logit(case.truth[SIDE - 1 - row, column]) + _VINE_SD * rng.standard_normal(len(xy)))
    read = np.full(len(xy), _NODES)
    return vineyards._samples(xy - (EAST, NORTH)), vineyards._counts(read, rng.binomial(read, chance))


def canes_alike(results: pd.DataFrame) -> pd.DataFrame:
    """Say how many canes without loggers map as well as canes with them, by kind; the most tried stand for more too.

    Mean errors fall about by a power of the number of canes, so that their logarithms are interpolated.
    """
    means = results.groupby(["kind", "method", "canes"], sort=False)["error"].mean()
    found = []
    for kind in results["kind"].unique():
        without = means[kind, "without"].sort_index(ascending=False)
        row: dict[str, object] = {"kind": kind}
        for method in ("with", "with, by cold"):
            for canes, error in means[kind, method].items():
                alike = np.exp(np.interp(np.log(error), np.log(without), np.log(without.index)))
                row |= {f"{canes} {method}": float(alike), f"error of {canes} {method}": error / without[canes]}
        found.append(row)
    return pd.DataFrame(found)


def run_planned(count: int, kinds: tuple[str, ...], first: int = 0) -> pd.DataFrame:
    """Map so many vineyards of each kind from planned canes: kind, seed, canes, method, error."""
    rows = []
    for kind in kinds:
        for seed in track(range(first, first + count), kind):
            rows += [{"kind": kind, "seed": seed, **row} for row in planned(simulate(kind, seed), seed)]
    return pd.DataFrame(rows)


def show_planned(results: pd.DataFrame) -> None:
    """Print how many canes without loggers map as well, with bounds from vineyards drawn again (bootstrap)."""
    rng = np.random.default_rng(0)
    by_seed = dict(list(results.groupby("seed")))
    seeds = list(by_seed)
    again = [canes_alike(pd.concat([by_seed[k] for k in rng.choice(seeds, len(seeds))])) for _ in range(_BOOTSTRAPS)]
    found = canes_alike(results)
    table = Table(*found.columns, title="Canes without loggers that map as well, and errors against as many without")
    for number, row in found.iterrows():
        cells = [str(row["kind"])]
        for name in found.columns[1:]:
            low, high = np.quantile([one.loc[number, name] for one in again], [0.05, 0.95])
            cells.append(f"{row[name]:.2f} ({low:.2f} to {high:.2f})")
        table.add_row(*cells)
    Console(width=150).print(table)


def run(count: int, kinds: tuple[str, ...], first: int = 0) -> pd.DataFrame:
    """Score so many vineyards of each kind: kind, seed, canes, method, error, coverage."""
    rows = []
    for kind in kinds:
        for seed in track(range(first, first + count), kind):
            rows += [{"kind": kind, "seed": seed, **row} for row in scores(simulate(kind, seed))]
    return pd.DataFrame(rows)


def show(results: pd.DataFrame) -> None:
    """Print errors with loggers as ratios to those without, with their standard errors, and coverage."""
    console = Console(width=150)
    table = Table(
        "kind", *(f"{n} canes" for n in CANES), *(f"coverage {n}" for n in CANES), "°C", "flat", "cov.", "rank", "lie"
    )
    others = Table("kind", "canes", *PEERS, title="Peers with the temperatures: error / the map's without")
    for kind, rows in results.groupby("kind", sort=False):
        cells = []
        for canes in CANES:
            pair = rows[rows["canes"] == canes].pivot_table(index="seed", columns="method", values="error")
            ratio = pair["with"].mean() / pair["without"].mean()
            # Of a ratio of means of the same vineyards, by the delta method.
            error = (pair["with"] - ratio * pair["without"]).std() / np.sqrt(len(pair)) / pair["without"].mean()
            cells.append(f"{ratio:.3f} ± {error:.3f}")
            ratios = (pair[peer].mean() / pair["without"].mean() for peer in PEERS)
            others.add_row(str(kind), str(canes), *(f"{peer:.2f}" for peer in ratios))
        for canes in CANES:
            there = rows[(rows["canes"] == canes)].groupby("method")["coverage"].mean()
            cells.append(f"{there['with']:.2f} ({there['without']:.2f})")
        night = rows[rows["canes"] == 0]
        lies = night["lie"].value_counts(normalize=True)
        said = " ".join(f"{key} {share:.0%}" for key, share in lies.items())
        figures = [f"{night[name].mean():.2f}" for name in ("error", "flat", "coverage", "rank")]
        table.add_row(str(kind), *cells, *figures, said)
    console.print(table)
    console.print(others)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    names = tuple(word for word in sys.argv[1:] if not word.isdigit())
    count, first = (*numbers, *(20, 0)[len(numbers) :])
    if "planned" in names:
        show_planned(run_planned(count, tuple(name for name in names if name != "planned") or KINDS, first))
    else:
        show(run(count, names or KINDS, first))
