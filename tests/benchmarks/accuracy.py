"""How close the map comes to the truth of simulated vineyards, against peers in the same run.

Run: python -m tests.benchmarks.accuracy [vineyards a kind] [kind ...]
"""

from __future__ import annotations

import sys
import time
import warnings

import numpy as np
import pandas as pd
import pyproj
from rich.console import Console
from rich.progress import track
from rich.table import Table

from tests.benchmarks.peers import PEERS, Estimate, Task
from tests.benchmarks.simulate import CRS, EAST, KINDS, NORTH, RELIEF, Simulated, simulate
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid, centres, read_layers
from vinemap.terrain.layers import terrain_layers

_TERRAIN = ["elevation_m", "height_above_low_m", "height_above_basin_m", "rise_m", "slope_deg", "northness", "eastness"]


def vinemap_surface(case: Simulated) -> Estimate:
    """Mean and intervals at every cell of the truth, north up, row by row."""
    grid = block_grid(case.blocks, 5.0, 4_000_000)
    terrain = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
    design = Design.over(case.blocks, grid, terrain, {})
    counts = tally(
        pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"]), case.counts, pd.Series(dtype=int)
    )
    field = fit_field(Observations.of(case.samples, case.blocks, counts, "primary"), design)
    index = grid["block_index"].to_numpy()
    xy = centres(grid, index >= 0)
    predicted = field.predict(xy, *design.rows(xy, index[index >= 0]))
    return predicted.mean, predicted.low, predicted.high


def _task(case: Simulated) -> Task:
    grid = block_grid(case.blocks, 5.0, 4_000_000)
    terrain = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
    index = grid["block_index"].to_numpy()
    cells = centres(grid, index >= 0)
    xy = np.column_stack([case.samples.geometry.x, case.samples.geometry.y])
    origin = np.array([EAST, NORTH])
    block = pd.Index(case.blocks["block"]).get_indexer(case.samples["block"])
    dead, read = (case.counts[name].to_numpy(float) for name in ("primary_dead", "nodes"))
    there, here = read_layers(terrain, _TERRAIN, cells), read_layers(terrain, _TERRAIN, xy)
    return Task(xy - origin, cells - origin, dead, read, here, there, block, index[index >= 0])


def _scores(truth: np.ndarray, found: Estimate) -> dict[str, float]:
    mean, low, high = found
    # The expected log score of one more bud, whose chance of death is the truth.
    safe = np.clip(mean, 1e-3, 1 - 1e-3)
    log_score = float(np.mean(truth * np.log(safe) + (1 - truth) * np.log1p(-safe)))
    covered = float(np.mean((truth >= low) & (truth <= high))) if np.isfinite(low).all() else np.nan
    return {"rmse": float(np.sqrt(np.mean((mean - truth) ** 2))), "log_score": log_score, "coverage": covered}


def run(vineyards: int, kinds: tuple[str, ...]) -> pd.DataFrame:
    """Map every vineyard by every method: kind, seed, method, rmse, log_score, coverage, seconds."""
    rows = []
    for kind in kinds:
        for seed in track(range(vineyards), kind):
            case = simulate(kind, seed)
            truth, task = case.truth.ravel(), _task(case)
            methods = {"vinemap": lambda _, case=case: vinemap_surface(case), **PEERS}
            for name, method in methods.items():
                start = time.perf_counter()
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    found = method(task)
                seconds = time.perf_counter() - start
                rows.append({"kind": kind, "seed": seed, "method": name, **_scores(truth, found), "seconds": seconds})
    return pd.DataFrame(rows)


def show(results: pd.DataFrame) -> None:
    """Print mean RMSE as a ratio to inverse distance weighting's, coverage, log score and time."""
    console = Console(width=160)
    rmse = results.pivot_table(index="method", columns="kind", values="rmse", sort=False)
    ratio = rmse / rmse.loc["inverse distance"]
    table = Table("method", *ratio.columns, "relief", "all", "log score", "seconds", title="RMSE / inverse distance's")
    relief = [kind for kind in ratio.columns if kind in RELIEF]
    means = results.groupby("method", sort=False)[["log_score", "seconds"]].mean()
    for name, row in ratio.iterrows():
        figures = [*row, row[relief].mean(), row.mean()]
        last = means.loc[name]
        table.add_row(name, *(f"{v:.2f}" for v in figures), f"{last['log_score']:.4f}", f"{last['seconds']:.2f}")
    console.print(table)
    covered = results.pivot_table(index="method", columns="kind", values="coverage", sort=False).dropna()
    table = Table("method", *covered.columns, title="Coverage of the 90 % intervals")
    for name, row in covered.iterrows():
        table.add_row(name, *(f"{v:.2f}" for v in row))
    console.print(table)


if __name__ == "__main__":
    show(run(int(sys.argv[1]) if len(sys.argv) > 1 else 20, tuple(sys.argv[2:]) or KINDS))
