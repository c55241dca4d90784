"""Simulation-based calibration: vineyards drawn from the priors, and where the truth falls in its posterior.

Run: python -m tests.benchmarks.calibration [vineyards]

S. Talts et al., "Validating Bayesian Inference Algorithms with Simulation-Based Calibration", arXiv:1804.06788 (2018).
"""

from __future__ import annotations

import sys

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.spatial.distance import cdist
from scipy.special import expit
from scipy.stats import chisquare, norm

from vinemap.model.field import BinomialField
from vinemap.model.hyperparameters import Priors
from vinemap.model.matern import matern32

SAMPLES, POINTS, SIDE_M = 40, 5, 500.0
COEF_SD = np.array([1.0, 1.0])


def _parameters(rng: np.random.Generator, priors: Priors) -> tuple[float, float, float]:
    """Length, field sd and cluster sd from their priors (Fuglstad et al. 2019: 1/range and sd are exponential)."""
    rate = -np.log(0.05)
    length = priors.shortest_range_m / 2 * rate / rng.exponential()
    field_sd, cluster_sd = (s / rate * rng.exponential() for s in (priors.largest_field_sd, priors.largest_cluster_sd))
    return min(length, 20 * SIDE_M), field_sd, cluster_sd


def ranks(vineyards: int) -> np.ndarray:
    """Posterior rank, 0 to 1, of the true log-odds at one point after another, shape (vineyards, POINTS)."""
    found = np.empty((vineyards, POINTS))
    for seed in track(range(vineyards), "vineyards"):
        rng = np.random.default_rng(seed)
        length, field_sd, cluster_sd = _parameters(rng, Priors())
        xy = rng.uniform(0, SIDE_M, (SAMPLES + POINTS, 2))
        X = np.column_stack([np.ones(len(xy)), rng.standard_normal(len(xy))])
        K = field_sd**2 * matern32(cdist(xy, xy), length) + 1e-9 * np.eye(len(xy))
        truth = X @ (COEF_SD * rng.standard_normal(2)) + np.linalg.cholesky(K) @ rng.standard_normal(len(xy))
        read = rng.integers(10, 60, SAMPLES)
        dead = rng.binomial(read, expit(truth[:SAMPLES] + cluster_sd * rng.standard_normal(SAMPLES)))
        field = BinomialField().fit(xy[:SAMPLES], dead, read, X[:SAMPLES], prior_sd=COEF_SD)
        there = field.predict(xy[SAMPLES:], X[SAMPLES:])
        found[seed] = norm.cdf((truth[SAMPLES:] - there.logit_mean) / there.logit_sd)
    return found


def main(vineyards: int) -> None:
    """Print coverage of central intervals and a test of uniform ranks."""
    found = ranks(vineyards)
    table = Table("interval", "coverage", title=f"{vineyards} vineyards, {POINTS} points each")
    for level in (0.5, 0.8, 0.9):
        table.add_row(f"{level:.0%}", f"{np.mean(np.abs(found - 0.5) < level / 2):.3f}")
    console = Console()
    console.print(table)
    # Points of one vineyard share its parameters, so that only the first of each is an independent rank.
    counts, _ = np.histogram(found[:, 0], bins=10, range=(0, 1))
    console.print(
        f"ranks of the first point by tenths: {counts.tolist()}, chi-square p = {chisquare(counts).pvalue:.3f}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
