"""How well left-out samples were foretold: log score, Brier score and coverage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.cluster.vq import kmeans2
from scipy.special import expit, log_expit, logsumexp
from scipy.stats import binom

from vinemap.arrays import Array
from vinemap.model.laplace import log_choose

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)


@dataclass(frozen=True)
class Scores:
    """Scores over samples that were left out.

    Attributes
    ----------
    log_score : float
        Mean log probability of a sample's count; higher is better.
    brier : float
        Mean squared error of the chance of death, a bud; lower is better.
    coverage_90 : float
        Share of the counts inside their central 90 % interval, vine-to-vine spread and binomial chance included.
    """

    log_score: float
    brier: float
    coverage_90: float


def score(dead: Array, read: Array, logit_mean: Array, logit_sd: Array) -> Scores:
    """Score counts against a logistic-normal prediction of each.

    Parameters
    ----------
    dead, read : array (n,)
        Dead buds and buds read.
    logit_mean, logit_sd : array (n,)
        Of the predicted log-odds, vine-to-vine spread included.

    References
    ----------
    T. Gneiting & A. E. Raftery, "Strictly Proper Scoring Rules, Prediction, and Estimation", J. Am. Stat. Assoc. 102
    (2007) 359. Coverage of a count is that of its randomised probability integral transform: C. Czado, T. Gneiting &
    L. Held, Biometrics 65 (2009) 1254.
    """
    z = logit_mean[:, None] + logit_sd[:, None] * _NODES
    weights = _WEIGHTS / _WEIGHTS.sum()
    d, n = dead[:, None], read[:, None]
    log_terms = d * log_expit(z) + (n - d) * log_expit(-z) + log_choose(d, n)
    chance = expit(z) @ weights
    brier = brier_score(dead, read, chance)
    upper = binom.cdf(d, n, expit(z)) @ weights
    lower = binom.cdf(d - 1, n, expit(z)) @ weights
    inside = np.clip(np.minimum(upper, 0.95) - np.maximum(lower, 0.05), 0.0, None) / np.maximum(upper - lower, 1e-12)
    return Scores(
        float(np.mean(logsumexp(log_terms, b=weights, axis=1))), brier, float(np.mean(np.minimum(inside, 1.0)))
    )


def brier_score(dead: Array, read: Array, chance: Array) -> float:
    """Mean squared error of the chance of death, a bud (G. W. Brier, Mon. Weather Rev. 78 (1950) 1)."""
    return float(np.sum(dead * (1 - chance) ** 2 + (read - dead) * chance**2) / read.sum())


def left_out_means(dead: Array, read: Array, block: Array, groups: Array) -> Array:
    """Chance of death by block means, each from the samples outside the row's own group.

    A block's mean is drawn towards the vineyard's by the weight of one sample, so that a block with nothing left, or
    with all buds dead, still has a chance that a Brier score can judge.

    Parameters
    ----------
    dead, read : array (n,)
        Dead buds and buds read.
    block, groups : array (n,)
        Block of each row, and which rows are left out together.
    """
    chance = np.empty(len(dead))
    one_sample = read.mean()
    for group in np.unique(groups):
        out = groups == group
        overall = dead[~out].sum() / read[~out].sum()
        for name in np.unique(block[out]):
            rest = ~out & (block == name)
            mean = (dead[rest].sum() + one_sample * overall) / (read[rest].sum() + one_sample)
            chance[out & (block == name)] = mean
    return chance


def spatial_folds(xy: Array, folds: int) -> Array:
    """Group points (n, 2) into compact patches by k-means, so that a left-out point has no near neighbour left.

    There are no more patches than places, so that points on one place are one patch.

    References
    ----------
    D. R. Roberts et al., "Cross-validation strategies for data with temporal, spatial, hierarchical, or phylogenetic
    structure", Ecography 40 (2017) 913.
    """
    folds = min(folds, len(np.unique(xy, axis=0)))
    return np.asarray(kmeans2(xy - xy.mean(axis=0), folds, seed=1, minit="++")[1])
