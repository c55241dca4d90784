"""Laplace approximation of a Gaussian process seen through binomial counts and, in some rows, readings of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
from scipy.special import expit, gammaln, log_expit

from vinemap.arrays import Array
from vinemap.model.covariances import Dense, DenseFactor, Vecchia, VecchiaFactor, symmetric_times

_NEWTON_STEPS = 100
_HALVINGS = 30
_SLACK = 1e-10
_LAST_GAIN = 1e-9
# Newton's method gets by with a factor of a curvature this near, which costs more to work out than another step.
_STALE = 0.1


def log_choose(events: Array, trials: Array) -> Array:
    """Return the log of the binomial coefficient, elementwise."""
    return np.asarray(gammaln(trials + 1) - gammaln(events + 1) - gammaln(trials - events + 1))


@dataclass(frozen=True)
class Laplace:
    """The Gaussian that approximates the posterior of the latent logits at given covariance.

    Attributes
    ----------
    K : Dense or Vecchia (n, n)
        Prior covariance of the logits.
    mode : array (n,)
        Posterior mode of the logits.
    weight : array (n,)
        ``(K^-1)(mode - mean)``, which is the gradient of the log likelihood at the mode.
    factor : DenseFactor or VecchiaFactor
        Of ``K + W^-1``.
    log_marginal : float
        Approximate log marginal likelihood, binomial coefficients included.
    precision : array (n,) or float
        Of the readings; 0 in rows of counts.

    References
    ----------
    C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, algorithms 3.1 and 5.1.
    """

    K: Dense | Vecchia
    mode: Array
    weight: Array
    factor: DenseFactor | VecchiaFactor
    log_marginal: float
    precision: Array | float = 0.0

    @property
    def curvature(self) -> Array:
        """Negative second derivative W (n,) of the log likelihood at the mode."""
        return self.factor.curvature


def laplace(
    K: Dense | Vecchia,
    events: Array,
    trials: Array,
    mean: Array | float = 0.0,
    near: Laplace | None = None,
    reading: Array | float = 0.0,
    precision: Array | float = 0.0,
) -> Laplace:
    """Find the posterior mode of the logits by Newton's method with step halving.

    Parameters
    ----------
    K : Dense or Vecchia (n, n)
        Prior covariance of the logits.
    events, trials : array (n,)
        Counts.
    mean : array (n,) or float
        Prior mean of the logits.
    near : Laplace, optional
        An earlier fit at a covariance nearby.
    reading, precision : array (n,) or float
        What was read of the logits themselves, and its precision: 0 where nothing was.

    Returns
    -------
    Laplace
    """
    likelihood = _Likelihood(events, trials, mean, reading, precision)
    weight = offset = np.zeros(len(events))
    factor = None
    if near is not None:
        # From one covariance to the next logits change less than weights do: one whole step from the logits.
        gradient, curvature = likelihood.slope(near.mode - mean)
        factor = K.factor(curvature)
        weight = _whole_step(K, factor, near.mode - mean, gradient)
        offset = K @ weight
    value = likelihood.objective(weight, offset)
    for _ in range(_NEWTON_STEPS):
        gradient, curvature = likelihood.slope(offset)
        if factor is None or np.any(np.abs(curvature - factor.curvature) > _STALE * (curvature + _STALE)):
            factor = K.factor(curvature)
        step = _whole_step(K, factor, offset, gradient) - weight
        offset_step = K @ step
        scale = 1.0
        for _ in range(_HALVINGS):
            trial = likelihood.objective(weight + scale * step, offset + scale * offset_step)
            if trial >= value - _SLACK * max(1.0, abs(value)):
                break
            scale *= 0.5
        weight = weight + scale * step
        offset = offset + scale * offset_step
        gain, value = trial - value, trial
        if gain < _LAST_GAIN:
            break
    factor = K.factor(likelihood.slope(offset)[1])
    return Laplace(K, mean + offset, weight, factor, value - factor.half_log_determinant, precision)


@dataclass(frozen=True)
class _Likelihood:
    """Binomial counts at logits ``mean + offset``, and normal readings of these."""

    events: Array
    trials: Array
    mean: Array | float
    reading: Array | float
    precision: Array | float

    @cached_property
    def _constant(self) -> float:
        precision = np.asarray(self.precision)
        densities = 0.5 * np.log(precision[precision > 0] / (2 * np.pi)).sum()
        return float(log_choose(self.events, self.trials).sum() + densities)

    def objective(self, weight: Array, offset: Array) -> float:
        """Return the log of likelihood times prior, but for the prior's constant, for ``offset = K weight``."""
        logit = self.mean + offset
        likelihood = self.events @ log_expit(logit) + (self.trials - self.events) @ log_expit(-logit)
        likelihood -= 0.5 * np.sum(self.precision * (self.reading - logit) ** 2)
        return float(-0.5 * weight @ offset + likelihood) + self._constant

    def slope(self, offset: Array) -> tuple[Array, Array]:
        """Gradient (n,) of the log likelihood and its curvature W (n,)."""
        logit = self.mean + offset
        probability = expit(logit)
        gradient = self.events - self.trials * probability + self.precision * (self.reading - logit)
        return gradient, self.trials * probability * (1 - probability) + self.precision


def _whole_step(K: Dense | Vecchia, factor: DenseFactor | VecchiaFactor, offset: Array, gradient: Array) -> Array:
    """Return the weight (n,) that Newton's method goes to from an offset, by the curvature that was factored."""
    target = factor.curvature * offset + gradient
    return target - factor.solve(K @ target)


def log_marginal_gradient(fit: Laplace, derivatives: list[Array]) -> Array:
    """Gradient of the log marginal likelihood with respect to covariance parameters.

    Parameters
    ----------
    fit : Laplace
        The approximation.
    derivatives : list of array (n, n) or (n,)
        ``dK/dθ`` for each parameter; one dimension stands for a diagonal matrix.

    Returns
    -------
    array (len(derivatives),)

    References
    ----------
    Rasmussen & Williams 2006, algorithm 5.1, with the third derivative of the binomial likelihood;
    that of a normal one is 0.
    """
    factor = cast(DenseFactor, fit.factor)
    upper, variance = factor.inverse()
    diagonal = np.diag(upper)
    # Where the likelihood has no curvature it has no third derivative either, so that the variance does not count.
    third = -(fit.curvature - fit.precision) * (1 - 2 * expit(fit.mode))
    pull = 0.5 * variance * third
    # pull . (I - K R) b is needed for each derivative: move K R to the left once.
    pull = pull - factor.solve(fit.K @ pull)
    gradient = []
    for derivative in derivatives:
        if derivative.ndim == 1:
            moved = derivative * fit.weight
            trace = derivative @ diagonal
        else:
            moved = symmetric_times(derivative, fit.weight)
            trace = 2 * np.einsum("ij,ij->", upper, derivative) - diagonal @ np.diag(derivative)
        gradient.append(0.5 * (fit.weight @ moved - trace) + pull @ moved)
    return np.array(gradient)


def expected_information(fit: Laplace, derivatives: list[Array], noise: Array) -> Array:
    """Estimate the expected information on covariance parameters in the Gaussian that approximates the data.

    ``tr(R dK_i R dK_j) / 2`` is estimated from random signs, since exact traces cost as much as all the rest.

    Parameters
    ----------
    fit : Laplace
        The approximation.
    derivatives : list of array (n, n) or (n,)
        As in `log_marginal_gradient`.
    noise : array (n, m)
        Signs, independent and as often 1 as -1. The estimate is positive semi-definite for any m.

    Returns
    -------
    array (len(derivatives), len(derivatives))

    References
    ----------
    M. L. Stein, J. Chen & M. Anitescu, "Stochastic Approximation of Score Functions for Gaussian Processes", Ann.
    Appl. Stat. 7 (2013) 1162: traces of covariance matrices from random signs.
    """
    factor = cast(DenseFactor, fit.factor)
    coloured = factor.colour(noise)
    moved = [d[:, None] * coloured if d.ndim == 1 else symmetric_times(d, coloured) for d in derivatives]
    solved = np.hsplit(factor.solve(np.hstack(moved)), len(moved))
    return np.einsum("imn,jmn->ij", np.array(moved), np.array(solved)) / (2 * noise.shape[1])
