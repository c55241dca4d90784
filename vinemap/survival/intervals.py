"""Confidence intervals of a share of dead buds.

A block's buds are not so many independent trials. Buds of one vine share its place and its vigour, so vines are
clusters, and the interval of a block widens by the design effect of its clusters (`cluster_interval`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from vinemap.arrays import Array

LEAST_FREEDOM = 4
"""Fewest degrees of freedom, over the whole vineyard, from which the variation between vines is estimated."""


def wilson(dead: ArrayLike, read: ArrayLike, confidence: float) -> tuple[Array, Array]:
    """Return the confidence interval of a share, for independent buds: the score interval.

    Parameters
    ----------
    dead, read : array_like
        Counts, of one shape.
    confidence : float
        Between 0 and 1; half of the rest lies on each side.

    Returns
    -------
    low, high : ndarray
        Fractions 0 to 1; NaN where nothing was read.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; method 3 of R. G. Newcombe, Stat. Med. 17 (1998) 857.

    Examples
    --------
    >>> from vinemap.survival.intervals import wilson
    >>> low, high = wilson([81, 0], [263, 20], confidence=0.95)
    >>> low.round(4).tolist(), high.round(4).tolist()
    ([0.2553, 0.0], [0.3662, 0.1611])
    """
    read = np.asarray(read, dtype=np.float64)
    share = np.divide(dead, read, out=np.full(read.shape, np.nan), where=read > 0)
    return score_interval(share, read, np.full(read.shape, ndtri((1 + confidence) / 2)))


def score_interval(share: Array, size: Array, quantile: Array) -> tuple[Array, Array]:
    """Return the score interval of a share, so many standard errors wide on each side as ``quantile`` says.

    Parameters
    ----------
    share, size, quantile : ndarray
        Fractions, trials that need not be whole, and quantiles, of one shape.

    Returns
    -------
    low, high : ndarray
        Fractions 0 to 1.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209.
    """
    square = quantile**2
    middle = (share * size + square / 2) / (size + square)
    half = quantile * np.sqrt(share * (1 - share) * size + square / 4) / (size + square)
    # rounding must not push an end past the share or past certainty
    low = np.clip(np.minimum(middle - half, share), 0.0, 1.0)
    high = np.clip(np.maximum(middle + half, share), 0.0, 1.0)
    return np.where(share == 0, 0.0, low), np.where(share == 1, 1.0, high)


@dataclass(frozen=True)
class IntraclassCorrelation:
    """How alike the buds of one vine are: between-vine variation as a share of all variation.

    Attributes
    ----------
    rho : float
        Intraclass correlation, 0 (no more alike than buds of different vines of the block) to 1; NaN where the samples
        do not show it.
    freedom : int
        Degrees of freedom behind it: samples less one, over the blocks of two samples or more in which some buds
        were dead and some alive.
    """

    rho: float
    freedom: int

    @property
    def known(self) -> bool:
        """Whether the samples carry an estimate."""
        return self.freedom >= LEAST_FREEDOM and bool(np.isfinite(self.rho))


def intraclass_correlation(dead: ArrayLike, read: ArrayLike, block: ArrayLike) -> IntraclassCorrelation:
    """Estimate the intraclass correlation of buds within vines, pooled over blocks.

    The mean squares between and within samples are taken inside each block, so that differences between blocks do not
    count. A block of one sample, or one where all buds are alike, all dead or all alive, says nothing about it and is
    passed over. A negative estimate becomes 0.

    Parameters
    ----------
    dead, read : array_like (samples,)
        Counts; samples with nothing read are passed over.
    block : array_like (samples,)
        Block of each sample.

    Returns
    -------
    IntraclassCorrelation

    References
    ----------
    M. S. Ridout, C. G. B. Demétrio & D. Firth, Biometrics 55 (1999) 137 (analysis of variance estimator),
    extended to several blocks by pooling sums of squares.

    Examples
    --------
    >>> from vinemap.survival.intervals import intraclass_correlation
    >>> intraclass_correlation([9, 1, 8, 2], [10, 10, 10, 10], ["east"] * 4).known
    False
    """
    frame = pd.DataFrame({"dead": np.asarray(dead, float), "read": np.asarray(read, float), "block": np.asarray(block)})
    frame = frame[frame["read"] > 0]
    frame["square"] = frame["read"] ** 2
    grouped = frame.groupby("block")
    total = grouped[["dead", "read", "square"]].transform("sum")
    mixed = (total["dead"] > 0) & (total["dead"] < total["read"]) & (grouped["read"].transform("size") > 1)
    frame, total = frame[mixed], total[mixed]
    blocks = frame["block"].nunique()
    freedom = len(frame) - blocks
    within_freedom = float(frame["read"].sum()) - len(frame)
    if freedom == 0 or within_freedom <= 0:
        return IntraclassCorrelation(float("nan"), freedom)
    share = frame["dead"] / frame["read"]
    between = float((frame["read"] * (share - total["dead"] / total["read"]) ** 2).sum()) / freedom
    within = float((frame["read"] * share * (1 - share)).sum()) / within_freedom
    size = float((frame["read"] - frame["square"] / total["read"]).sum()) / freedom
    rho = (between - within) / (between + (size - 1) * within)
    return IntraclassCorrelation(float(np.clip(rho, 0.0, 1.0)), freedom)


def design_effect(read: ArrayLike, rho: float) -> float:
    """Return how many times clusters inflate the variance of a share of dead buds.

    ``1 + (m - 1) rho``, with m the mean size of a cluster weighted by size, ``sum(read²) / sum(read)``.

    Parameters
    ----------
    read : array_like (samples,)
        Buds read in each sample of one block.
    rho : float
        Intraclass correlation, 0 to 1.

    References
    ----------
    L. Kish, Survey Sampling (1965), for clusters of one size; J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577, for
    the weighted mean size, from memory.
    """
    read = np.asarray(read, dtype=np.float64)
    return float(1 + rho * ((read**2).sum() / read.sum() - 1))


def cluster_interval(
    dead: ArrayLike, read: ArrayLike, correlation: IntraclassCorrelation, confidence: float
) -> tuple[float, float]:
    """Return the confidence interval of one block's share of dead buds, with vines as clusters.

    A score interval in which the buds read are divided by the design effect. The part of the variance that the clusters
    add is itself estimated, on ``correlation.freedom`` degrees of freedom, and the rest is binomial; Satterthwaite's
    rule for the sum gives the degrees of freedom of a t quantile in the place of the normal one. With ``rho`` 0 the
    clusters add nothing, the degrees are infinite, and the interval is Wilson's; it widens steadily from there.

    Parameters
    ----------
    dead, read : array_like (samples,)
        Counts of the samples of one block, at least one bud read.
    correlation : IntraclassCorrelation
        Of the whole vineyard; must be ``known``.
    confidence : float
        Between 0 and 1.

    Returns
    -------
    low, high : float
        Fractions 0 to 1.

    References
    ----------
    J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577 (effective sample size); F. E. Satterthwaite, Biometrics
    Bulletin 2 (1946) 110; Wilson's form for clustered data: C. Franco, R. J. A. Little, T. A. Louis & E. V. Slud,
    J. Surv. Stat. Methodol. 7 (2019) 334.

    Examples
    --------
    >>> from vinemap.survival.intervals import cluster_interval, intraclass_correlation
    >>> dead, read = [9, 1, 8, 2], [10, 10, 10, 10]
    >>> vines = intraclass_correlation(dead, read, ["east"] * 4)
    >>> [round(end, 2) for end in cluster_interval(dead, read, vines, confidence=0.90)]
    [0.19, 0.81]
    """
    read = np.asarray(read, dtype=np.float64)
    effect = design_effect(read, correlation.rho)
    freedom = np.inf if effect == 1 else correlation.freedom * (effect / (effect - 1)) ** 2
    quantile = np.array([stdtrit(freedom, (1 + confidence) / 2)])
    share = np.array([np.sum(dead) / read.sum()])
    low, high = score_interval(share, np.array([read.sum() / effect]), quantile)
    return float(low[0]), float(high[0])
