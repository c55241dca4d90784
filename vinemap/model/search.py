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
        Most of these in one model, but for the free.
    source : array of int (p,) or None
        Columns with the same number measure what one source knows; None for one source of all.
    free : array of bool (p,) or None
        Columns that do not count towards ``most``; none by default.
    log_odds : array (p,) or None
        Prior log-odds that a model has the column, whatever else it has; NaN or None where nothing is known of it.
    """

    sd: Array
    optional: Array
    most: int
    source: Array | None = None
    free: Array | None = None
    log_odds: Array | None = None

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
        many candidates (J. G. Scott & J. O. Berger, Ann. Stat. 38 (2010) 2587). That is so within each source: the
        many columns of one do not make those of another less probable. Columns of known odds have these instead.
        """
        chosen = np.zeros(len(self.sd), bool)
        chosen[sorted(columns)] = True
        chosen &= self.optional
        shared = sum(-np.log(comb(int(of.sum()), int((chosen & of).sum()))) for of in self._sources)
        return float(shared) + (0.0 if self.log_odds is None else float(self.log_odds[chosen & ~self._open].sum()))

    @cached_property
    def _open(self) -> Array:
        """Which optional columns (p,) no odds are known of."""
        return self.optional if self.log_odds is None else self.optional & np.isnan(self.log_odds)

    @cached_property
    def _sources(self) -> list[Array]:
        """Which columns (p,) are of each source that has an optional one."""
        if self.source is None:
            return [self._open]
        return [self._open & (self.source == number) for number in np.unique(self.source[self._open])]

    def larger(self, columns: frozenset[int]) -> Iterator[tuple[int, frozenset[int]]]:
        """Yield each column that a model can take in, with the model that it becomes."""
        full = sum(bool(self._counted[column]) for column in columns) >= self.most
        for column in np.flatnonzero(self.optional).tolist():
            if column not in columns and not (full and self._counted[column]):
                yield column, columns | {column}

    @property
    def steps(self) -> int:
        """How many columns the largest model has beside the base."""
        counted = int(self._counted.sum())
        return min(self.most, counted) + int(self.optional.sum()) - counted

    @cached_property
    def _counted(self) -> Array:
        """Optional columns (p,) of which there may be `most` in one model."""
        return self.optional if self.free is None else self.optional & ~self.free


def gains(counts: Counts, mode: Mode, sd: Array) -> Array:
    """Approximate log evidence (p,) that each column would add to a model, at its covariance parameters.

    With the likelihood taken for the Gaussian of the Laplace approximation, a column x whose coefficient has prior
    mean m and variance v adds ``m (g - m s / 2) + v (g - m s)^2 / (1 + v s) / 2 - log(1 + v s) / 2`` with ``g = x'w``
    and ``s = x'Rx``, w the weight and R the inverse of ``K + W^-1``: the difference of two normal log densities of the
    working residual, whose mean moves by m x and whose covariance grows by v x x' (Sherman & Morrison's formula).
    """
    variance, mean = sd**2, counts.coef_mean(sd**2)
    size = np.einsum("ij,ij->j", counts.X, mode.fit.factor.solve(counts.X))
    slope = counts.X.T @ mode.fit.weight
    spread = 1 + variance * size
    known = mean * (slope - 0.5 * mean * size)
    return np.asarray(known + 0.5 * variance * (slope - mean * size) ** 2 / spread - 0.5 * np.log(spread))


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
    for _ in range(candidates.steps):
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
    return [replace(smooth, slope=mode.slope).mode(mode.variance, mode.log_prior, mode.theta) for mode in modes]


def by_readings(counts: Counts, candidates: Candidates) -> list[tuple[Counts, Candidates]]:
    """Return counts and models where readings stand apart, and, if there are any, where they see what counts see."""
    readings = counts.readings
    if readings is None:
        return [(counts, candidates)]
    # Of a prior standard deviation of 0, the column made from the readings is in no model.
    made = np.arange(len(candidates.sd)) == (-1 if readings.column is None else readings.column)
    others = replace(candidates, sd=np.where(made, 0.0, candidates.sd), optional=candidates.optional & ~made)
    return [(counts, candidates), (replace(counts, slope=readings.slope), others)]


def sloped(counts: Counts, modes: list[Mode]) -> list[Mode]:
    """Fit the models in which readings see what counts see again by their other slopes."""
    if counts.readings is None:
        return []
    others = [replace(counts, slope=slope) for slope in counts.readings.slopes if slope != counts.readings.slope]
    told = [mode for mode in modes if mode.slope]
    return [one.mode(mode.variance, mode.log_prior, mode.theta) for one in others for mode in told]
