"""What six loggers could be worth at most: a model that was told how the night was made, against the map without them.

Run: python -m tests.benchmarks.night_limit [vineyards a kind] [first seed] [kind ...]

The model knows the shape of what terrain did, the distribution of its strength, size and reach of everything else that
varied, log-odds a degree, the loggers' errors, the variation between vines. It lacks only what canes and loggers tell:
the level, the strength, where the rest lay. No method that must learn the others too can be expected to err less. Its
posterior is Gaussian by Laplace's approximation (C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine
Learning, 2006, section 3.4).
"""

from __future__ import annotations

import sys

import geopandas as gpd
import numpy as np
import pandas as pd
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.optimize import minimize
from scipy.spatial.distance import cdist
from scipy.special import expit

from tests.benchmarks.night import _ERROR_C, _UNREAD, _VINE_SD, Night, ground_layers, simulate
from tests.benchmarks.simulate import CELL, EAST, NORTH, PAD, SIDE
from vinemap.states import Bud
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally

KINDS = ("hollow", "slope")
CANES = (8, 16)
_PLACES = 500
# As `tests.benchmarks.night.simulate` draws them: mean and standard deviation of uniform and normal distributions.
_STRENGTH, _STRENGTH_SD = 1.15, 0.9 / np.sqrt(12)
_LEVEL, _LEVEL_SD = -0.25, 2.5 / np.sqrt(12)
_TENDER_SD, _OTHER_SD, _OTHER_CELLS = 0.7, 0.3, 19.0
_ANY_C = 10.0


def _smooth(from_: np.ndarray, to: np.ndarray, cells: float) -> np.ndarray:
    """Correlation of white noise that went through a Gaussian filter so many cells wide."""
    return np.exp(-cdist(from_, to, "sqeuclidean") / (2 * cells * CELL) ** 2)


def told(case: Night, canes: int, places: np.ndarray, *, loggers: bool) -> np.ndarray:
    """Return the injury (m,) at places (m, 2) that minimises the mean absolute error, by what the model was told."""
    ground, slope = case.ground, case.slope
    cut = _from_corner(case.samples)[:canes]
    hung = _from_corner(case.loggers)
    xy = np.vstack([cut, hung, places])
    column, row = np.floor(xy / CELL).astype(int).T
    shape = -(ground.terrain / ground.strength)[PAD:-PAD, PAD:-PAD][row.clip(0, SIDE - 1), column.clip(0, SIDE - 1)]
    warm = np.zeros(len(xy), bool)
    warm[canes : canes + len(hung)] = True
    east = xy[:, 0] > SIDE * CELL / 2
    scale = np.where(warm, -1 / slope, 1.0)
    cold = _STRENGTH_SD**2 * np.outer(shape, shape) + ground.rest_sd**2 * _smooth(xy, xy, ground.rest_cells)
    own = _LEVEL_SD**2 + _TENDER_SD**2 * (east[:, None] == east) + _OTHER_SD**2 * _smooth(xy, xy, _OTHER_CELLS)
    covariance = cold * np.outer(scale, scale) + own * np.outer(~warm, ~warm) + _ANY_C**2 * np.outer(warm, warm)
    mean = _STRENGTH * shape * scale + np.where(warm, 0.0, _LEVEL)
    if loggers:
        minima = case.loggers["min_c"].to_numpy() - case.temperature.mean()
        noisy = covariance[np.ix_(warm, warm)] + _ERROR_C**2 * np.eye(len(hung))
        gain = np.linalg.solve(noisy, covariance[warm]).T
        mean = mean + gain @ (minima - mean[warm])
        covariance = covariance - gain @ covariance[warm]
    here, there = slice(0, canes), slice(canes + len(hung), None)
    counts = case.counts.iloc[:canes]
    of_canes = covariance[here, here] + _VINE_SD**2 * np.eye(canes)
    shift = np.linalg.solve(of_canes, _mode(counts, mean[here], of_canes) - mean[here])
    return np.asarray(expit(mean[there] + covariance[there, here] @ shift))


def _mode(counts: pd.DataFrame, mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Return the most probable log-odds of each cane's buds."""
    dead, read = (counts[name].to_numpy(float) for name in ("primary_dead", "nodes"))
    precision = np.linalg.inv(covariance)

    def lost(f: np.ndarray) -> float:
        return float(np.sum(read * np.logaddexp(0, f) - dead * f) + (f - mean) @ precision @ (f - mean) / 2)

    def slope(f: np.ndarray) -> np.ndarray:
        return np.asarray(read * expit(f) - dead + precision @ (f - mean))

    def curve(f: np.ndarray) -> np.ndarray:
        return np.asarray(np.diag(read * expit(f) * expit(-f)) + precision)

    return np.asarray(minimize(lost, mean, jac=slope, hess=curve, method="trust-exact").x)


def _from_corner(points: gpd.GeoDataFrame) -> np.ndarray:
    return np.column_stack([points.geometry.x - EAST, points.geometry.y - NORTH])


def scores(case: Night, seed: int) -> list[dict[str, object]]:
    """Score both models on five hundred cells: canes, method, error."""
    design = Design.over(case.blocks, *ground_layers(case), {})
    cells = np.random.default_rng([seed, 10]).choice(SIDE * SIDE, _PLACES, replace=False)
    row, column = np.unravel_index(cells, (SIDE, SIDE))
    places = (np.column_stack([column, row]) + 0.5) * CELL
    block = 2 * (places[:, 0] > SIDE * CELL / 2) + (places[:, 1] > SIDE * CELL / 2)
    truth = case.truth[::-1][row, column]
    rows: list[dict[str, object]] = []
    for canes in CANES:
        counts = tally(_UNREAD, case.counts.iloc[:canes], pd.Series(dtype=int))
        observed = Observations.of(case.samples.iloc[:canes], case.blocks, counts, Bud.PRIMARY)
        xy = places + np.array([EAST, NORTH])
        maps = {
            "map without": fit_field(observed, design).predict(xy, *design.rows(xy, block.astype(int))).mean,
            "told without": told(case, canes, places, loggers=False),
            "told with": told(case, canes, places, loggers=True),
        }
        errors = {method: float(np.abs(found - truth).mean()) for method, found in maps.items()}
        rows += [{"canes": canes, "method": method, "error": error} for method, error in errors.items()]
    return rows


def run(count: int, kinds: tuple[str, ...], first: int = 0) -> pd.DataFrame:
    """Score so many vineyards of each kind: kind, seed, canes, method, error."""
    rows = []
    for kind in kinds:
        for seed in track(range(first, first + count), kind):
            rows += [{"kind": kind, "seed": seed, **row} for row in scores(simulate(kind, seed), seed)]
    return pd.DataFrame(rows)


def show(results: pd.DataFrame) -> None:
    """Print what is left of the error, with its standard error."""
    table = Table("kind", "canes", "told, with / map without", "told, with / told, without")
    for (kind, canes), rows in results.groupby(["kind", "canes"], sort=False):
        errors = rows.pivot_table(index="seed", columns="method", values="error")
        cells = []
        for without in ("map without", "told without"):
            ratio = errors["told with"].mean() / errors[without].mean()
            spread = (errors["told with"] - ratio * errors[without]).std() / np.sqrt(len(errors))
            cells.append(f"{ratio:.3f} ± {spread / errors[without].mean():.3f}")
        table.add_row(str(kind), str(canes), *cells)
    Console(width=100).print(table)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    names = tuple(word for word in sys.argv[1:] if not word.isdigit())
    count, first = (*numbers, *(20, 0)[len(numbers) :])
    show(run(count, names or KINDS, first))
