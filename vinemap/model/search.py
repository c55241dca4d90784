"""Which covariates the counts have evidence for: a search that grows models one covariate at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from math import comb

import numpy as np

from vinemap.arrays import Array
from vinemap.model.hyperparameters import Counts, Mode
from vinemap.model.matern import SMOOTH

# How many models of a size are fitted, and how many of them grow on.
_FITTED = 8
_GROWING = 3


@dataclass(frozen=True)
class Candidates:
    """Models to choose from: every set of the columns that may be left out, up to a size.

    Attributes
    ----------
    sd : array (p,)
        Prior standard deviation of each coefficient, where its column is in a model.
    optional : array of bool (p,)
        Columns that a model may do without.
    most : int
        Most of these in one model.
    """

    sd: Array
    optional: Array
    most: int

    @cached_property
    def base(self) -> frozenset[int]:
        """Columns that every model has."""
        return frozenset(np.flatnonzero(~self.optional).tolist())

    def variance(self, columns: frozenset[int]) -> Array:
        """Prior variances (p,) of the coefficients of a model with these columns; 0 leaves a covariate out."""
        variance = np.zeros(len(self.sd))
        chosen = sorted(columns)
        variance[chosen] = self.sd[chosen] ** 2
        return variance

    def log_prior(self, columns: frozenset[int]) -> float:
        """Log prior weight of a model.

        Every number of covariates has the same weight, shared among the models of that size, which pays for having
        many candidates (J. G. Scott & J. O. Berger, Ann. Stat. 38 (2010) 2587).
        """
        return float(-np.log(comb(int(self.optional.sum()), len(columns - self.base))))

    def larger(self, columns: frozenset[int]) -> Iterator[tuple[int, frozenset[int]]]:
        """Yield each column that a model can take in, with the model that it becomes."""
        for column in np.flatnonzero(self.optional).tolist():
            if column not in columns:
                yield column, columns | {column}


def gains(counts: Counts, mode: Mode, sd: Array) -> Array:
    """Approximate log evidence (p,) that each column would add to a model, at its covariance parameters.

    With the likelihood taken for the Gaussian of the Laplace approximation, a column x of prior variance v adds
    ``v (x'w)^2 / (1 + v x'Rx) / 2 - log(1 + v x'Rx) / 2``, w the weight and R the inverse of ``K + W^-1``.
    """
    variance = sd**2
    spread = 1 + variance * np.einsum("ij,ij->j", counts.X, mode.fit.factor.solve(counts.X))
    return np.asarray(0.5 * variance * (counts.X.T @ mode.fit.weight) ** 2 / spread - 0.5 * np.log(spread))


def search(counts: Counts, candidates: Candidates, start: Array | None = None) -> list[Mode]:
    """Fit the models worth weighing, from the one with no optional column up.

    Every model with one column more than one of the best of a size is judged by `gains`; the most promising are
    fitted, and the best of these grow on.

    References
    ----------
    D. Madigan & A. E. Raftery, J. Am. Stat. Assoc. 89 (1994) 1535: models within Occam's window, searched upwards.
    """
    base = candidates.base
    growing = {base: counts.mode(candidates.variance(base), candidates.log_prior(base), start)}
    found = list(growing.values())
    for _ in range(candidates.most):
        promise: dict[frozenset[int], tuple[float, Mode]] = {}
        for columns, mode in growing.items():
            gain = gains(counts, mode, candidates.sd)
            for column, larger in candidates.larger(columns):
                value = mode.log_posterior - mode.log_prior + gain[column] + candidates.log_prior(larger)
                promise[larger] = max(promise.get(larger, (-np.inf, mode)), (value, mode), key=lambda pair: pair[0])
        ranked = sorted(promise.items(), key=lambda item: -item[1][0])[:_FITTED]
        fitted = {
            columns: counts.mode(candidates.variance(columns), candidates.log_prior(columns), near.theta)
            for columns, (_, near) in ranked
        }
        found += fitted.values()
        growing = dict(sorted(fitted.items(), key=lambda item: -item[1].log_posterior)[:_GROWING])
    return found


def smoothed(counts: Counts, modes: list[Mode]) -> list[Mode]:
    """Fit models again with a field of smoothness 5/2, each from its mode at 3/2."""
    smooth = replace(counts, smoothness=SMOOTH)
    return [smooth.mode(mode.variance, mode.log_prior, mode.theta) for mode in modes]
