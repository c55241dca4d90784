"""What else is known, and what it is worth: maps with and without it, on simulated vineyards, paired.

Run: python -m tests.benchmarks.evidence [vineyards] [first seed] [case ...]
     python -m tests.benchmarks.evidence odds [vineyards] [first seed] [case ...]

Cases: ``after`` (an earlier freeze of a shared cold pattern), ``after_other`` (one with nothing in common), ``layer``
(a grid that goes with the cold), ``layer_other`` (one that does not). Peers get the same layer as a covariate.

With ``odds``: what belief in the evidence before any cane is cut brings where it holds, and costs where it does not.
The last odds are those of who is told that it holds.
"""

from __future__ import annotations

import sys
import warnings
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import xarray as xr
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.ndimage import gaussian_filter
from scipy.special import expit, logit

from tests.benchmarks.peers import Estimate, Task, binomial_glm, random_forest, regression_kriging
from tests.benchmarks.simulate import CELL, CRS, EAST, NORTH, SIDE, Simulated, simulate
from vinemap.evidence.covariate import Evidence
from vinemap.evidence.gridded import layer_evidence
from vinemap.evidence.winters import Winter, winter_evidence
from vinemap.model.prediction import Prediction
from vinemap.reading.ground_layers import GroundLayer
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid, centres, read_layers
from vinemap.terrain.layers import terrain_layers

KINDS = ("hollow", "slope", "pools", "no_terrain")
CANES = (15, 60)
NODES = 12
# How much of the pattern two nights share, as a correlation of their log-odds; judgement.
SHARED = 0.85
WANTED = {
    ("after", 15): 0.85,
    ("after", 60): 0.95,
    ("after_other", 15): 1.02,
    ("after_other", 60): 1.02,
    ("layer_other", 15): 1.02,
    ("layer_other", 60): 1.02,
}
PEERS = {"regression kriging": regression_kriging, "GLM": binomial_glm, "random forest": random_forest}
_TERRAIN = ["elevation_m", "height_above_low_m", "slope_deg"]
ODDS = (0.25, 0.5, 1.0, 2.0, 4.0, np.inf)
_CELL_M = 10.0
_NO_NODES = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])


def _noise(rng: np.random.Generator, cells: float) -> np.ndarray:
    field = gaussian_filter(rng.standard_normal((SIDE, SIDE)), cells, mode="wrap")
    return field / field.std()


def like(case: Simulated, shared: float, rng: np.random.Generator) -> np.ndarray:
    """Log-odds, north up, of another night that shares so much of the cold pattern, at a level of its own."""
    truth = logit(case.truth)
    pattern = truth - truth.mean()
    other = shared * pattern + np.sqrt(1 - shared**2) * pattern.std() * _noise(rng, rng.uniform(6, 20))
    return rng.uniform(-1.0, 1.0) + rng.uniform(0.7, 1.3) * other


def cut(case: Simulated, log_odds: np.ndarray, canes: int, rng: np.random.Generator) -> Simulated:
    """Cut so many canes at random places of a vineyard with these log-odds."""
    xy = rng.uniform(0, SIDE * CELL - 1e-6, (canes, 2))
    column, row = (xy / CELL).astype(int).T
    share = expit(log_odds[::-1][row, column] + 0.4 * rng.standard_normal(canes))
    half = SIDE * CELL / 2
    names = [str(k) for k in range(canes)]
    frame = {"sample": names, "block": [f"block {2 * int(e > half) + int(n > half)}" for e, n in xy]}
    samples = gpd.GeoDataFrame(frame, geometry=gpd.points_from_xy(EAST + xy[:, 0], NORTH + xy[:, 1]), crs=CRS)
    unknown = {"secondary_dead": np.nan, "tertiary_dead": np.nan}
    counts = {"sample": names, "part": "all", "nodes": NODES, "primary_dead": rng.binomial(NODES, share), **unknown}
    return replace(case, samples=samples, counts=pd.DataFrame(counts))


def surface(case: Simulated, evidence: tuple[Evidence, ...] = ()) -> Estimate:
    """Injury with its interval at every cell of 10 m, north up, row by row."""
    _, predicted = _fitted(case, evidence)
    return predicted.mean, predicted.low, predicted.high


def _fitted(case: Simulated, evidence: tuple[Evidence, ...]) -> tuple[float, Prediction]:
    """Log evidence of all models together, and their map."""
    terrain, cells, block = _ground(case)
    design = Design.over(case.blocks, block_grid(case.blocks, _CELL_M), terrain, {}, evidence)
    counts = tally(_NO_NODES, case.counts, pd.Series(dtype=int))
    field = fit_field(Observations.of(case.samples, case.blocks, counts, "primary"), design)
    return field.log_evidence_ - np.log(field.model_weights_.max()), field.predict(cells, *design.rows(cells, block))


def _ground(case: Simulated) -> tuple[xr.Dataset, np.ndarray, np.ndarray]:
    """Terrain, and centres (m, 2) and blocks (m,) of the cells of 10 m."""
    grid = block_grid(case.blocks, _CELL_M)
    index = grid["block_index"].to_numpy()
    cells = centres(grid, index >= 0)
    terrain = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
    return terrain, cells, index[index >= 0]


def _grid(values: np.ndarray, cell: float) -> xr.DataArray:
    step = (np.arange(len(values)) + 0.5) * cell
    y, x = NORTH + step[::-1], EAST + step
    return xr.DataArray(values, coords={"y": y, "x": x}, dims=("y", "x")).rio.write_crs(CRS)


def earlier(case: Simulated, shared: float, rng: np.random.Generator) -> Evidence:
    """Evidence of one earlier freeze, which was mapped from sixty canes of its own."""
    mean, low, high = surface(cut(case, like(case, shared, rng), 60, rng))
    side = int(SIDE * CELL / _CELL_M)
    layers = {"primary_injury": mean, "primary_low": low, "primary_high": high}
    then = xr.Dataset({name: _grid(layer.reshape(side, side), _CELL_M) for name, layer in layers.items()})
    bounds = tuple(case.blocks.total_bounds)
    return winter_evidence([Winter("then", then.rio.write_crs(CRS))], pyproj.CRS(CRS), bounds, _CELL_M)


def layer(case: Simulated, shared: float, rng: np.random.Generator) -> Evidence:
    """Evidence of a grid in cells of 5 m whose figures go so far with the cold of the night."""
    values = _grid(like(case, shared, rng), CELL)
    bounds = tuple(case.blocks.total_bounds)
    return layer_evidence(GroundLayer("x", "x", "", "layers/x.tif", values), pyproj.CRS(CRS), bounds, _CELL_M)


CASES: dict[str, Callable[[Simulated, np.random.Generator], Evidence]] = {
    "after": lambda case, rng: earlier(case, SHARED, rng),
    "after_other": lambda case, rng: earlier(case, 0.0, rng),
    "layer": lambda case, rng: layer(case, SHARED, rng),
    "layer_other": lambda case, rng: layer(case, 0.0, rng),
}


def peers(
    case: Simulated, terrain: xr.Dataset, cells: np.ndarray, block: np.ndarray, evidence: Evidence
) -> dict[str, Estimate]:
    """Map by each peer, who gets terrain and the evidence as covariates, at cells (m, 2) in blocks (m,)."""
    xy = np.column_stack([case.samples.geometry.x, case.samples.geometry.y])
    own = pd.Index(case.blocks["block"]).get_indexer(case.samples["block"])
    dead, read = (case.counts[name].to_numpy(float) for name in ("primary_dead", "nodes"))
    here, there = (
        np.column_stack([read_layers(terrain, _TERRAIN, places), np.nan_to_num(evidence.read(places, rows))])
        for places, rows in ((xy, own), (cells, block))
    )
    origin = np.array([EAST, NORTH])
    task = Task(xy - origin, cells - origin, dead, read, here, there, own, block)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return {name: method(task) for name, method in PEERS.items()}


def _drawn(name: str, seed: int) -> Iterator[tuple[str, int, Simulated, Evidence, np.ndarray]]:
    """A vineyard: its kind, and for each number of canes these, the evidence and the truth at every cell of 10 m."""
    kind = KINDS[seed % len(KINDS)]
    case, rng = simulate(kind, 1000 + seed), np.random.default_rng([seed, zlib.crc32(name.encode())])
    evidence = CASES[name](case, rng)
    side = int(SIDE * CELL / _CELL_M)
    truth = case.truth.reshape(side, 2, side, 2).mean(axis=(1, 3)).ravel()
    for canes in CANES:
        yield kind, canes, cut(case, logit(case.truth), canes, rng), evidence, truth


def run(vineyards: int, cases: tuple[str, ...], first: int = 0) -> pd.DataFrame:
    """Map every vineyard with and without: case, kind, seed, canes, method, rmse, coverage."""
    rows = []
    for name in cases:
        for seed in track(range(first, first + vineyards), name):
            for kind, canes, now, evidence, truth in _drawn(name, seed):
                found = {"without": surface(now), "with": surface(now, (evidence,))}
                found |= peers(now, *_ground(now), evidence)
                rows += [(name, kind, seed, canes, method, *_judged(*each, truth)) for method, each in found.items()]
    return pd.DataFrame(rows, columns=["case", "kind", "seed", "canes", "method", "rmse", "coverage"])


def run_odds(vineyards: int, cases: tuple[str, ...], first: int = 0) -> pd.DataFrame:
    """Map every vineyard at each of `ODDS` that the evidence holds: case, kind, seed, canes, odds, rmse, coverage."""
    rows = []
    for name in cases:
        for seed in track(range(first, first + vineyards), name):
            for kind, canes, now, evidence, truth in _drawn(name, seed):
                (apart, without), (told, held) = (
                    _fitted(now, known) for known in ((), (replace(evidence, optional=False),))
                )
                for odds in (0.0, *ODDS):
                    share = float(expit(np.log(odds) + told - apart)) if odds else 0.0
                    mean = share * held.logit_mean + (1 - share) * without.logit_mean
                    square = share * (held.logit_sd**2 + held.logit_mean**2)
                    square += (1 - share) * (without.logit_sd**2 + without.logit_mean**2)
                    mixed = Prediction.of(mean, square - mean**2)
                    rows.append((name, kind, seed, canes, odds, *_judged(mixed.mean, mixed.low, mixed.high, truth)))
    return pd.DataFrame(rows, columns=["case", "kind", "seed", "canes", "odds", "rmse", "coverage"])


def _judged(mean: np.ndarray, low: np.ndarray, high: np.ndarray, truth: np.ndarray) -> tuple[float, float]:
    """Root mean square error of a map, and how much of the truth its intervals hold; NaN where it has none."""
    covered = float(((truth >= low) & (truth <= high)).mean()) if np.isfinite(low).all() else np.nan
    return float(np.sqrt(np.mean((mean - truth) ** 2))), covered


def show(results: pd.DataFrame) -> None:
    """Print the error of each method as a ratio to the map without, and the coverage of the 90 % intervals."""
    console = Console(width=140)
    methods = list(dict.fromkeys(results["method"]))
    table = Table("case", "canes", *methods, "± (paired)", "wanted", "covered", title="RMSE / the map's without")
    for (name, canes), part in results.groupby(["case", "canes"], sort=False):
        error = part.pivot_table(index="seed", columns="method", values="rmse")
        ratio = error.mean() / error["without"].mean()
        paired = (
            (error["with"] - ratio["with"] * error["without"]).std() / np.sqrt(len(error)) / error["without"].mean()
        )
        covered = part.loc[part["method"] == "with", "coverage"].mean()
        wanted = WANTED.get((name, canes))
        figures = [
            *(f"{ratio[method]:.3f}" for method in methods),
            f"{paired:.3f}",
            "" if wanted is None else f"{wanted}",
        ]
        table.add_row(name, str(canes), *figures, f"{covered:.2f}")
    console.print(table)


def show_odds(results: pd.DataFrame) -> None:
    """Print the error at each odds as a ratio to the map without."""
    table = Table("case", "canes", *(f"{odds:g} : 1" for odds in ODDS), title="RMSE / the map's without (covered)")
    for (name, canes), part in results.groupby(["case", "canes"], sort=False):
        means = part.groupby("odds")[["rmse", "coverage"]].mean()
        ratios = means["rmse"] / means.loc[0.0, "rmse"]
        table.add_row(
            str(name), str(canes), *(f"{ratios[odds]:.3f} ({means.loc[odds, 'coverage']:.2f})" for odds in ODDS)
        )
    Console(width=140).print(table)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    names = tuple(word for word in sys.argv[1:] if not word.isdigit())
    count, first = (*numbers, *(20, 0)[len(numbers) :])
    if "odds" in names:
        show_odds(run_odds(count, tuple(name for name in names if name != "odds") or ("after", "after_other"), first))
    else:
        show(run(count, names or tuple(CASES), first))
