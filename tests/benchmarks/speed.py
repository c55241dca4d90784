"""Time and peak memory of fit and prediction, against kriging packages on the same points and grid.

Each measurement runs in a process of its own. Run: python -m tests.benchmarks.speed [repeats] [largest n]
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

import gstools
import numpy as np
from pykrige.ok import OrdinaryKriging
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.special import expit

from vinemap.model.field import BinomialField

SAMPLES, CELLS = (100, 200, 1000, 3000), (10_000, 100_000, 1_000_000)
SIDE_M = 1000.0


def _survey(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(n)
    xy = rng.uniform(0, SIDE_M, (n, 2))
    read = rng.integers(20, 60, n).astype(float)
    z = 1.2 * np.sin(xy[:, 0] / 120) * np.cos(xy[:, 1] / 90) - 0.5 + 0.4 * rng.standard_normal(n)
    return xy, rng.binomial(read.astype(int), expit(z)).astype(float), read


def _axis(cells: int) -> np.ndarray:
    return np.linspace(0, SIDE_M, round(np.sqrt(cells)))


def _vinemap(xy: np.ndarray, dead: np.ndarray, read: np.ndarray, axis: np.ndarray) -> np.ndarray:
    points = np.column_stack([v.ravel() for v in np.meshgrid(axis, axis)])
    field = BinomialField().fit(xy, dead, read)
    return field.predict(points, moments=field.moments(points)).mean


def _pykrige(backend: str) -> Callable[..., np.ndarray]:
    def run(xy: np.ndarray, dead: np.ndarray, read: np.ndarray, axis: np.ndarray) -> np.ndarray:
        model = OrdinaryKriging(*xy.T, dead / read, variogram_model="exponential")
        return np.asarray(model.execute("grid", axis, axis, backend=backend)[0])

    return run


def _gstools(xy: np.ndarray, dead: np.ndarray, read: np.ndarray, axis: np.ndarray) -> np.ndarray:
    share = dead / read
    model = gstools.Matern(dim=2, nu=1.5)
    model.fit_variogram(*gstools.vario_estimate(xy.T, share))
    field, _ = gstools.krige.Ordinary(model, xy.T, share).structured([axis, axis])
    return np.asarray(field)


METHODS = {
    "vinemap": _vinemap,
    "PyKrige vectorized": _pykrige("vectorized"),
    "PyKrige loop": _pykrige("loop"),
    "gstools": _gstools,
}


def _measure(name: str, n: int, cells: int) -> dict[str, float]:
    """Seconds, and peak memory over the imports' in MB, of one run in this process."""
    survey, axis = _survey(n), _axis(cells)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    METHODS[name](*survey, axis)
    seconds = time.perf_counter() - start
    return {"seconds": seconds, "mb": (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024}


def _too_much(name: str, n: int, cells: int) -> bool:
    """Leave out what would take many minutes or more memory than a small machine has."""
    return (name != "vinemap" and (cells > 100_000 or n * cells > 1e8)) or (name == "gstools" and n > 200)


def main(repeats: int, largest: int) -> None:
    """Print a table of medians, with ratios to vinemap's."""
    table = Table("samples", "cells", *METHODS, title=f"Seconds (MB), medians of {repeats}; ratio to vinemap")
    cases = [(n, cells) for n in SAMPLES if n <= largest for cells in CELLS]
    for n, cells in track(cases):
        row: list[str] = []
        ours = float("nan")
        for name in METHODS:
            if _too_much(name, n, cells):
                row.append("not run")
                continue
            runs = [_in_process(name, n, cells) for _ in range(repeats)]
            seconds, mb = (statistics.median(run[key] for run in runs) for key in ("seconds", "mb"))
            if name == "vinemap":
                ours = seconds
            row.append(f"{seconds:.2f} ({mb:.0f}) ×{seconds / ours:.1f}")
        table.add_row(str(n), f"{cells:,}", *row)
    Console(width=140).print(table)


def _in_process(name: str, n: int, cells: int) -> dict[str, float]:
    command = [sys.executable, "-W", "ignore", "-m", "tests.benchmarks.speed", "--one", name, str(n), str(cells)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(_measure(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 5, int(sys.argv[2]) if len(sys.argv) > 2 else max(SAMPLES))
