"""CPU and memory that a surface from many samples takes, exactly and in strips, and how far the figures differ.

Each runs in a process of its own, on one simulated vineyard. The figures are those of two more runs, at the parameters
that were found in strips. Run: python -m tests.benchmarks.algebra [blocks, of ten samples each]
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj
from rich.console import Console
from rich.table import Table

from tests.benchmarks.simulate import CRS, simulate_large
from vinemap.model.field import BinomialField
from vinemap.settings import Surface
from vinemap.surface.design import Design, most_covariates
from vinemap.surface.diagnostics import cross_validate
from vinemap.surface.draws import JointDraws, block_averages
from vinemap.surface.fit import predict_cells
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid, cell_size
from vinemap.terrain.layers import terrain_layers
from vinemap.terrain.sparse import BlockCells

ALGEBRA = {"exact": 10**9, "strips": 1000}
GIVEN = ", parameters given"
STAGES = ("fit", "grid", "averages", "scores")


def _cpu() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


@contextmanager
def _timed(spent: dict[str, Any], stage: str) -> Iterator[None]:
    start = _cpu()
    yield
    spent[stage] = _cpu() - start


def _measure(algebra: str, blocks: int, home: Path) -> dict[str, Any]:
    """Seconds of CPU by stage, and peak memory in MB, of one run in this process; write its figures."""
    case, settings = simulate_large(blocks), Surface()
    grid = block_grid(case.blocks, 5.0, settings.max_cells)
    cells = BlockCells.of(grid)
    design = Design.over(
        case.blocks, grid, terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds)), {}
    )
    no_nodes = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])
    observed = Observations.of(case.samples, case.blocks, tally(no_nodes, case.counts, pd.Series(dtype=int)), "primary")
    X, offset = design.rows(observed.xy, observed.block, observed.apical)
    theta, sds, optional = None, design.prior_sd(), design.optional()
    if algebra.endswith(GIVEN):
        found = np.load(home / "strips.npz")
        theta, sds, optional = found["theta"], sds * found["model"], np.zeros(len(sds), bool)
    spent: dict[str, Any] = {}
    with _timed(spent, "fit"):
        field = BinomialField(most_exact=ALGEBRA[algebra.removesuffix(GIVEN)], theta=theta)
        field.fit(
            observed.xy, observed.dead, observed.read, X,
            prior_sd=sds, optional=optional, most=most_covariates(observed.samples), offset=offset,
            cluster=observed.sample,
        )  # fmt: skip
    with _timed(spent, "grid"):
        layers = predict_cells(field, design, cells, settings.threshold)
    for name in ("injury", "low", "high"):
        grid[f"primary_{name}"] = cells.layer(layers[name])
    with _timed(spent, "averages"):
        draws = field.draw(grid.rio.bounds(), 200, np.random.default_rng(settings.seed))
        table, *_ = block_averages(JointDraws(draws, design, cells, cell_size(grid)), grid, settings)
    with _timed(spent, "scores"):
        cross_validate(field, observed)
    figures = {name: 100 * layers[name] for name in ("injury", "low", "high")}
    averages = {name: table[name] for name in ("map_injury_pct", "map_low_pct", "map_high_pct")}
    np.savez(
        home / f"{algebra}.npz",
        theta=field.theta_,
        model=field.models_[field.model_weights_.argmax()],
        **figures,
        **averages,
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"samples": observed.samples, **spent, "total": sum(spent.values()), "peak MB": peak}


def _in_process(algebra: str, blocks: int, home: str) -> dict[str, Any]:
    command = [sys.executable, "-W", "ignore", "-m", "tests.benchmarks.algebra", "--one", algebra, str(blocks), home]
    return json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)


def main(blocks: int) -> None:
    """Print what each algebra took, and how far the figures in strips are from the exact ones."""
    with tempfile.TemporaryDirectory() as home:
        runs = {algebra: _in_process(algebra, blocks, home) for algebra in (*ALGEBRA, *(k + GIVEN for k in ALGEBRA))}
        exact, strips = (dict(np.load(Path(home) / f"{algebra}{GIVEN}.npz")) for algebra in ALGEBRA)
    table = Table("seconds of CPU", *STAGES, "total", "peak MB", title=f"{runs['strips']['samples']:,} samples")
    for algebra, run in runs.items():
        table.add_row(algebra, *(f"{run[column]:,.1f}" for column in (*STAGES, "total", "peak MB")))
    Console(width=120).print(table)
    table = Table("percentage points from the exact", "mean", "99 %", "largest")
    for name in exact.keys() - {"theta", "model"}:
        off = np.abs(strips[name] - exact[name])
        off = off[np.isfinite(off)]
        table.add_row(name, *(f"{value:.3f}" for value in (off.mean(), np.quantile(off, 0.99), off.max())))
    Console(width=120).print(table)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(_measure(sys.argv[2], int(sys.argv[3]), Path(sys.argv[4]))))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
