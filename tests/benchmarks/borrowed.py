"""What vineyards of one simulated night bring each other, against each alone and one mixed model of them all.

Run: python -m tests.benchmarks.borrowed [--regions 6] [--first 100] [--vineyards 30] [--kinds common,apart]
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import pyproj
from rich.console import Console
from rich.table import Table
from scipy.optimize import minimize

from tests.benchmarks.nights import CANES, VARIETIES, simulate_night
from tests.benchmarks.simulate import CELL, CRS, EAST, NORTH, SIDE, Simulated
from vinemap.model.covariances import Dense
from vinemap.model.field import BinomialField
from vinemap.model.laplace import laplace
from vinemap.model.prediction import Prediction
from vinemap.region.learning import Teacher, learnt_from
from vinemap.settings import RegionSettings
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.lesson import Lesson
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid, centres
from vinemap.terrain.layers import terrain_layers

_OF_GLMM = ("height_above_low_m", "elevation_m", "slope_deg", "northness", "eastness", "exposure_m")
_EVERY = 5
_GLMM_CALLS = 60


@dataclass(frozen=True)
class Case:
    """One vineyard as the methods take it: counts, design, places to predict and the truth there."""

    observed: Observations
    design: Design
    xy: np.ndarray
    block: np.ndarray
    truth: np.ndarray

    @classmethod
    def of(cls, made: Simulated) -> Case:
        grid = block_grid(made.blocks, 10.0, 4_000_000)
        terrain = terrain_layers(made.elevation, pyproj.CRS(CRS), tuple(made.blocks.total_bounds))
        none = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])
        counts = tally(none, made.counts, pd.Series(dtype=int))
        index = grid["block_index"].to_numpy()
        xy, block = centres(grid, index >= 0)[::_EVERY], index[index >= 0][::_EVERY]
        column = ((xy[:, 0] - EAST) / CELL).astype(int)
        row = ((NORTH + SIDE * CELL - xy[:, 1]) / CELL).astype(int)
        observed = Observations.of(made.samples, made.blocks, counts, "primary")
        design = Design.over(made.blocks, grid, terrain, {})
        return cls(observed, design, xy, block, made.truth[row, column])

    def scores(self, field: BinomialField) -> tuple[float, float]:
        """Error of the map, and the share of the truth in its 90 % intervals."""
        return self.scored(field.predict(self.xy, *self.design.rows(self.xy, self.block)))

    def scored(self, found: Prediction) -> tuple[float, float]:
        inside = (self.truth >= found.low) & (self.truth <= found.high)
        return float(np.sqrt(np.mean((found.mean - self.truth) ** 2))), float(inside.mean())


def _terms(case: Case, number: int, vineyards: int, xy: np.ndarray, block: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """Columns of the mixed model: intercept, slopes, each vineyard's own of both, varieties."""
    names = [covariate.name for covariate in case.design.covariates]
    X = case.design.rows(xy, block)[0][:, case.design.first_terrain :]
    slopes = np.column_stack([X[:, names.index(n)] * case.design.scale[names.index(n)] for n in _OF_GLMM]) / unit
    fixed = np.column_stack([np.ones(len(xy)), slopes])
    own = np.zeros((len(xy), vineyards, fixed.shape[1]))
    own[:, number] = fixed
    planted = np.array([case.design.varieties[k] for k in case.design.variety_of_block])[block]
    variety = planted[:, None] == np.array(VARIETIES)
    return np.hstack([fixed, own.reshape(len(xy), -1), variety])


def mixed_model(cases: list[Case]) -> list[Prediction]:
    """Fit one binomial mixed model to all by Laplace: slopes that vary by vineyard, varieties, canes; no field."""
    n, own = len(cases), 1 + len(_OF_GLMM)
    scale = [dict(zip([c.name for c in one.design.covariates], one.design.scale, strict=True)) for one in cases]
    unit = np.array([np.sqrt(np.mean([one[name] ** 2 for one in scale])) for name in _OF_GLMM])
    X = np.vstack([_terms(one, k, n, one.observed.xy, one.observed.block, unit) for k, one in enumerate(cases)])
    dead, read = (np.concatenate([getattr(one.observed, name) for one in cases]) for name in ("dead", "read"))

    def variances(theta: np.ndarray) -> np.ndarray:
        level, slope, variety, _ = np.exp(2 * theta)
        return np.r_[[100.0] * own, np.tile([level, *[slope] * len(_OF_GLMM)], n), [variety] * len(VARIETIES)]

    def fitted(theta: np.ndarray) -> object:
        K = (X * variances(theta)) @ X.T
        K.flat[:: len(K) + 1] += np.exp(2 * theta[3])
        return laplace(Dense(K), dead, read)

    start = np.log([0.8, 0.4, 0.6, 0.6])
    found = minimize(
        lambda theta: -fitted(np.clip(theta, -4, 2)).log_marginal, start, method="Nelder-Mead",
        options={"maxfev": _GLMM_CALLS, "initial_simplex": start + np.vstack([np.zeros(4), 0.4 * np.eye(4)])},
    )  # fmt: skip
    theta = np.clip(found.x, -4, 2)
    fit, V = fitted(theta), variances(theta)
    result = []
    for k, one in enumerate(cases):
        here = _terms(one, k, n, one.xy, one.block, unit)
        across = (here * V) @ X.T
        whitened = fit.factor.whiten(across.T)
        variance = (here**2) @ V - np.einsum("ij,ij->j", whitened, whitened)
        result.append(Prediction.of(across @ fit.weight, variance))
    return result


def run(seed: int, vineyards: int, *, common: bool, peer: bool = True) -> pd.DataFrame:
    """Map one region by every method: canes, method, rmse, coverage."""
    cases = [Case.of(made) for made in simulate_night(seed, vineyards, common=common)]
    alone = [fit_field(case.observed, case.design) for case in cases]
    usual = {name: name for name in VARIETIES}
    teachers = {
        str(k): Teacher(str(k), Lesson.of(field, case.design, usual))
        for k, (field, case) in enumerate(zip(alone, cases, strict=True))
    }
    learnt = learnt_from(teachers, RegionSettings())
    borrowed = [fit_field(case.observed, case.design, learnt.each[str(k)]) for k, case in enumerate(cases)]
    found = {
        "alone": [case.scores(field) for case, field in zip(cases, alone, strict=True)],
        "borrowed": [case.scores(field) for case, field in zip(cases, borrowed, strict=True)],
    }
    if peer:
        predictions = mixed_model(cases)
        found["one mixed model"] = [case.scored(one) for case, one in zip(cases, predictions, strict=True)]
    canes = [case.observed.samples for case in cases]
    return pd.DataFrame(
        [
            {"seed": seed, "canes": count, "method": method, "rmse": rmse, "coverage": coverage}
            for method, rows in found.items()
            for count, (rmse, coverage) in zip(canes, rows, strict=True)
        ]
    )


def summary(results: pd.DataFrame) -> pd.DataFrame:
    """Error of each method as a ratio to each vineyard alone, with its standard error over regions, and coverage."""
    rows = []
    for fewest, most in (*CANES, (CANES[0][0], CANES[-1][1])):
        here = results[results["canes"].between(fewest, most)]
        by_region = here.pivot_table(index="seed", columns="method", values="rmse", sort=False)
        for method in by_region:
            ratio = by_region[method] / by_region["alone"]
            mean = by_region[method].mean() / by_region["alone"].mean()
            error = ratio.std(ddof=1) / np.sqrt(len(ratio)) if len(ratio) > 1 else np.nan
            held = here.loc[here["method"] == method, "coverage"].mean()
            rows.append({"canes": f"{fewest} to {most}", "method": method, "ratio": mean, "se": error, "held": held})
    return pd.DataFrame(rows)


def show(results: pd.DataFrame, title: str) -> None:
    """Print the summary as a table."""
    table = Table("canes", "method", "error against alone", "90 % intervals hold", title=title)
    for row in summary(results).to_dict("records"):
        table.add_row(row["canes"], row["method"], f"{row['ratio']:.3f} ± {row['se']:.3f}", f"{row['held']:.3f}")
    Console(width=100).print(table)


def main() -> None:
    """Measure, printing what is known after every region."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--regions", type=int, default=6)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--vineyards", type=int, default=30)
    parser.add_argument("--kinds", default="common,apart")
    parser.add_argument("--no-peer", action="store_true")
    given = parser.parse_args()
    for kind in given.kinds.split(","):
        one = partial(run, vineyards=given.vineyards, common=kind == "common", peer=not given.no_peer)
        found = pd.DataFrame()
        for seed in range(given.first, given.first + given.regions):
            found = pd.concat([found, one(seed)])
            show(found, f"{kind}: {found['seed'].nunique()} regions")


if __name__ == "__main__":
    main()
