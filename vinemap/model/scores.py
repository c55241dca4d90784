"""How well rows that were held out are predicted: log score, Brier score and coverage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.cluster.vq import kmeans2
from scipy.special import betainc, expit, log_expit, logsumexp

from vinemap.arrays import Array
from vinemap.model.laplace import log_choose

_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)


@dataclass(frozen=True)
class Scores:
    """Scores over rows that were held out.

    Attributes
    ----------
    log_score : float
        Mean log probability of a row's count; higher is better.
    brier : float
        Mean squared error of the probability of an event, a trial; lower is better.
    coverage_90 : float
        Share of the counts inside their central 90 % interval, between-cluster and binomial variation included.
    """

    log_score: float
    brier: float
    coverage_90: float


def score(events: Array, trials: Array, logit_mean: Array, logit_sd: Array) -> Scores:
    """Score counts against a logistic-normal prediction of each.

    Parameters
    ----------
    events, trials : array (n,)
        Counts.
    logit_mean, logit_sd : array (n,)
        Of the predicted log-odds, between-cluster variation included.

    References
    ----------
    T. Gneiting & A. E. Raftery, "Strictly Proper Scoring Rules, Prediction, and Estimation", J. Am. Stat. Assoc. 102
    (2007) 359. Coverage of a count is that of its randomised probability integral transform: C. Czado, T. Gneiting &
    L. Held, Biometrics 65 (2009) 1254.
    """
    z = logit_mean[:, None] + logit_sd[:, None] * _POINTS
    weights = _WEIGHTS / _WEIGHTS.sum()
    d, n = events[:, None], trials[:, None]
    log_terms = d * log_expit(z) + (n - d) * log_expit(-z) + log_choose(d, n)
    probability = expit(z) @ weights
    brier = brier_score(events, trials, probability)
    upper = _binomial_cdf(d, n, expit(z)) @ weights
    lower = _binomial_cdf(d - 1, n, expit(z)) @ weights
    inside = np.clip(np.minimum(upper, 0.95) - np.maximum(lower, 0.05), 0.0, None) / np.maximum(upper - lower, 1e-12)
    return Scores(
        float(np.mean(logsumexp(log_terms, b=weights, axis=1))), brier, float(np.mean(np.minimum(inside, 1.0)))
    )


def _binomial_cdf(events: Array, trials: Array, probability: Array) -> Array:
    """Return the probability of so many events or fewer, by the incomplete beta function (NIST DLMF 8.17.5)."""
    some = betainc(np.maximum(trials - events, 1.0), np.maximum(events + 1.0, 1.0), 1.0 - probability)
    return np.where(events < 0, 0.0, np.where(events >= trials, 1.0, some))


def brier_score(events: Array, trials: Array, probability: Array) -> float:
    """Mean squared error of the probability of an event, a trial (G. W. Brier, Mon. Weather Rev. 78 (1950) 1)."""
    return float(np.sum(events * (1 - probability) ** 2 + (trials - events) * probability**2) / trials.sum())


def held_out_means(events: Array, trials: Array, group: Array, folds: Array) -> Array:
    """Probability of an event by group means, each from the rows outside the row's own fold.

    A group's mean is drawn towards the overall one by the weight of one row, so that a group with nothing left, or with
    nothing but events, still has a probability that a Brier score can judge.

    Parameters
    ----------
    events, trials : array (n,)
        Counts.
    group, folds : array (n,)
        Group of each row, and which rows are held out together.
    """
    probability = np.empty(len(events))
    one_row = trials.mean()
    for fold in np.unique(folds):
        out = folds == fold
        overall = events[~out].sum() / trials[~out].sum()
        for name in np.unique(group[out]):
            rest = ~out & (group == name)
            mean = (events[rest].sum() + one_row * overall) / (trials[rest].sum() + one_row)
            probability[out & (group == name)] = mean
    return probability


def spatial_folds(xy: Array, folds: int) -> Array:
    """Group points (n, 2) into compact patches by k-means, so that a held-out point has no near neighbour left.

    There are no more patches than places, so that points on one place are one patch.

    References
    ----------
    D. R. Roberts et al., "Cross-validation strategies for data with temporal, spatial, hierarchical, or phylogenetic
    structure", Ecography 40 (2017) 913.
    """
    folds = min(folds, len(np.unique(xy, axis=0)))
    return np.asarray(kmeans2(xy - xy.mean(axis=0), folds, seed=1, minit="++")[1])
