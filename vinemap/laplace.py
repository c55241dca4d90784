"""Laplace approximation of a Gaussian process seen through binomial counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from scipy.special import expit, gammaln, log_expit

from vinemap.arrays import Array
from vinemap.covariances import Dense, DenseFactor, LowRank, LowRankFactor

_NEWTON_STEPS = 100
_HALVINGS = 30
_SLACK = 1e-10
# Newton's error squares with each step: after one that gained this little, the next would gain nothing that shows.
_LAST_GAIN = 1e-7


def log_choose(dead: Array, read: Array) -> Array:
    """Return the log of the binomial coefficient, elementwise."""
    return np.asarray(gammaln(read + 1) - gammaln(dead + 1) - gammaln(read - dead + 1))


@dataclass(frozen=True)
class Laplace:
    """The Gaussian that approximates the posterior of the latent logits at given covariance.

    Attributes
    ----------
    mode : array (n,)
        Posterior mode of the logits.
    weight : array (n,)
        ``(K^-1)(mode - mean)``, which is the gradient of the log likelihood at the mode.
    curvature : array (n,)
        Negative second derivative W of the log likelihood at the mode.
    factor : DenseFactor or LowRankFactor
        Of ``K + W^-1``.
    log_marginal : float
        Approximate log marginal likelihood, binomial coefficients included.

    References
    ----------
    C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, algorithms 3.1 and 5.1.
    """

    mode: Array
    weight: Array
    curvature: Array
    factor: DenseFactor | LowRankFactor
    log_marginal: float


def laplace(
    K: Dense | LowRank, dead: Array, read: Array, mean: Array | float = 0.0, start: Array | None = None
) -> Laplace:
    """Find the posterior mode of the logits by Newton's method with step halving.

    Parameters
    ----------
    K : Dense or LowRank (n, n)
        Prior covariance of the logits.
    dead, read : array (n,)
        Dead buds and buds read.
    mean : array (n,) or float
        Prior mean of the logits.
    start : array (n,), optional
        ``weight`` of an earlier fit at a covariance nearby.

    Returns
    -------
    Laplace
    """
    weight = np.zeros(len(dead)) if start is None else start
    offset = K @ weight
    coefficients = float(log_choose(dead, read).sum())

    def objective(weight: Array, offset: Array) -> float:
        logit = mean + offset
        likelihood = dead @ log_expit(logit) + (read - dead) @ log_expit(-logit)
        return float(-0.5 * weight @ offset + likelihood) + coefficients

    value = objective(weight, offset)
    for _ in range(_NEWTON_STEPS):
        probability = expit(mean + offset)
        curvature = read * probability * (1 - probability)
        target = curvature * offset + dead - read * probability
        step = target - K.factor(curvature).solve(K @ target) - weight
        offset_step = K @ step
        scale = 1.0
        for _ in range(_HALVINGS):
            trial = objective(weight + scale * step, offset + scale * offset_step)
            if trial >= value - _SLACK * max(1.0, abs(value)):
                break
            scale *= 0.5
        weight = weight + scale * step
        offset = offset + scale * offset_step
        gain, value = trial - value, trial
        if gain < _LAST_GAIN:
            break
    probability = expit(mean + offset)
    curvature = read * probability * (1 - probability)
    factor = K.factor(curvature)
    return Laplace(mean + offset, weight, curvature, factor, value - factor.half_log_determinant)


def log_marginal_gradient(fit: Laplace, K: Dense, derivatives: list[Array]) -> Array:
    """Gradient of the log marginal likelihood with respect to covariance parameters.

    Parameters
    ----------
    fit : Laplace
        The approximation at ``K``.
    K : Dense (n, n)
        Prior covariance.
    derivatives : list of array (n, n) or (n,)
        ``dK/dθ`` for each parameter; one dimension stands for a diagonal matrix.

    Returns
    -------
    array (len(derivatives),)

    References
    ----------
    Rasmussen & Williams 2006, algorithm 5.1, with the third derivative of the binomial likelihood.
    """
    precision, variance = cast(DenseFactor, fit.factor).inverse()
    # Where the likelihood has no curvature it has no third derivative either, so that the variance does not count.
    third = -fit.curvature * (1 - 2 * expit(fit.mode))
    pull = 0.5 * variance * third
    # pull . (I - K R) b is needed for each derivative: move K R to the left once.
    pull = pull - precision @ (K @ pull)
    gradient = []
    for derivative in derivatives:
        if derivative.ndim == 1:
            explicit = 0.5 * (derivative @ (fit.weight**2 - np.diag(precision)))
            moved = derivative * fit.weight
        else:
            moved = derivative @ fit.weight
            explicit = 0.5 * (fit.weight @ moved - np.vdot(precision, derivative))
        gradient.append(explicit + pull @ moved)
    return np.array(gradient)
