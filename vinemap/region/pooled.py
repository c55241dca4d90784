"""Means over the vineyards of a cell, with intervals between vineyards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from vinemap.arrays import Array
from vinemap.survival.intervals import score_interval


@dataclass(frozen=True)
class Pooled:
    """A mean of vineyards.

    Attributes
    ----------
    mean : float
        A fraction; NaN where there is no vineyard.
    size : float
        Independent trials that would know the mean as well: ``mean (1 - mean) / variance``.
    freedom : int
        Vineyards less one.
    """

    mean: float
    size: float
    freedom: int

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the low and the high end of the interval between vineyards; NaN with fewer than two."""
        if self.freedom < 1:
            return float("nan"), float("nan")
        quantile = np.array([stdtrit(self.freedom, (1 + confidence) / 2)])
        low, high = score_interval(np.array([self.mean]), np.array([self.size]), quantile)
        return float(low[0]), float(high[0])

    def over(self, limit: float) -> float:
        """Return how likely the mean of all such vineyards is above a limit, by the same intervals.

        It is the level at which the one-sided interval just reaches the limit: an end of the interval of 90 % has 5 %
        beyond it.
        """
        if self.freedom < 1:
            return float("nan")
        error = np.sqrt(limit * (1 - limit) / self.size)
        return float(stdtr(self.freedom, (self.mean - limit) / error))


def pooled(share: ArrayLike, weight: ArrayLike) -> Pooled:
    """Pool the shares that vineyards have.

    The variance is between the vineyards: each is a cluster, whose own share, of few canes or many, spatial model and
    all, differs from the mean by what its place and its cutting add to chance. Nothing within a vineyard needs to be
    known, and canes of one vineyard never count as independent. The interval is the score interval for the trials that
    would vary as much, with a t quantile for the vineyards; it stays within 0 and 1 and is not symmetric. Where all
    vineyards are alike, so that they show no variance, each counts as one trial.

    Parameters
    ----------
    share : array_like (vineyards,)
        Fractions.
    weight : array_like (vineyards,)
        Areas; vineyards count by them.

    Returns
    -------
    Pooled

    References
    ----------
    M. H. Hansen, W. N. Hurwitz & W. G. Madow, Sample Survey Methods and Theory (1953), and K. M. Wolter, Introduction
    to Variance Estimation (2007), chapter 1: the ultimate cluster estimate of a ratio's variance,
    ``n / (n - 1) Σ (w (y - mean))² / (Σ w)²``, both from memory; it is that of a weighted regression on a constant with
    heteroscedasticity-consistent errors (HC1), by which tests check it. C. Franco, R. J. A. Little, T. A. Louis & E. V.
    Slud, J. Surv. Stat. Methodol. 7 (2019) 334: the score interval for a complex sample.

    Examples
    --------
    >>> from vinemap.region.pooled import pooled
    >>> found = pooled([0.2, 0.4, 0.3, 0.7], [1.0, 2.0, 2.0, 1.0])
    >>> round(found.mean, 3), [round(end, 2) for end in found.interval(0.90)]
    (0.383, [0.23, 0.57])
    """
    y, w = np.asarray(share, np.float64), np.asarray(weight, np.float64)
    if not y.size:
        return Pooled(float("nan"), float("nan"), -1)
    mean = float(np.average(y, weights=w))
    count = y.size
    residual: Array = w * (y - mean)
    variance = count / max(count - 1, 1) * float((residual**2).sum()) / float(w.sum()) ** 2
    spread = mean * (1 - mean)
    # Rounding leaves a little variance where there is none.
    alike = variance <= 1e-12 or spread <= 0
    return Pooled(mean, float(count) if alike else spread / variance, count - 1)
