"""Laplace approximation of a Gaussian process seen through binomial counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve, lapack, solve_triangular
from scipy.special import expit, gammaln, log_expit

from vinemap.arrays import Array

_NEWTON_STEPS = 100
_HALVINGS = 30
_SLACK = 1e-10
# Newton's error squares with each step: after one that gained this little, the next would gain nothing that shows.
_LAST_GAIN = 1e-7


def log_choose(dead: Array, read: Array) -> Array:
    """Return the log of the binomial coefficient, elementwise."""
    return np.asarray(gammaln(read + 1) - gammaln(dead + 1) - gammaln(read - dead + 1))


def log_likelihood(logit: Array, dead: Array, read: Array) -> Array:
    """Binomial log likelihood of each count, coefficients included.

    Parameters
    ----------
    logit : array (n,)
        Log-odds of a dead bud.
    dead, read : array (n,)
        Dead buds and buds read.
    """
    return np.asarray(dead * log_expit(logit) + (read - dead) * log_expit(-logit) + log_choose(dead, read))


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
    cholesky : array (n, n)
        Lower factor of ``B = I + W^1/2 K W^1/2``.
    log_marginal : float
        Approximate log marginal likelihood, binomial coefficients included.

    References
    ----------
    C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, algorithms 3.1 and 5.1.
    """

    mode: Array
    weight: Array
    curvature: Array
    cholesky: Array
    log_marginal: float

    def whiten(self, cross: Array) -> Array:
        """Return ``L^-1 W^1/2 cross`` for a covariance (n, m) of the data with other points."""
        scaled = np.sqrt(self.curvature)[:, None] * cross
        return np.asarray(solve_triangular(self.cholesky, scaled, lower=True, overwrite_b=True, check_finite=False))

    def precision(self) -> Array:
        """Return ``R = (K + W^-1)^-1 = W^1/2 B^-1 W^1/2``, shape (n, n)."""
        inverse = _inverse(self.cholesky)
        root = np.sqrt(self.curvature)
        inverse *= root[:, None]
        inverse *= root[None, :]
        return inverse


def _inverse(cholesky: Array) -> Array:
    """Return the full inverse of the matrix whose lower Cholesky factor is given."""
    inverse, info = lapack.dpotri(cholesky, lower=1)
    if info != 0:  # pragma: no cover - B is at least the identity, so its factor is never singular
        raise np.linalg.LinAlgError("B is singular")
    lower = np.tril_indices_from(inverse, -1)
    inverse[lower[1], lower[0]] = inverse[lower]
    return np.asarray(inverse)


def _factor(K: Array, curvature: Array) -> Array:
    root = np.sqrt(curvature)
    B = K * root[:, None]
    B *= root[None, :]
    B.flat[:: len(B) + 1] += 1.0
    # The transpose of a C-ordered symmetric matrix is a Fortran-ordered view of it: LAPACK then works in place.
    return np.asarray(cho_factor(B.T, lower=True, overwrite_a=True, check_finite=False)[0])


def laplace(K: Array, dead: Array, read: Array, mean: Array | float = 0.0, start: Array | None = None) -> Laplace:
    """Find the posterior mode of the logits by Newton's method with step halving.

    Parameters
    ----------
    K : array (n, n)
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

    def objective(weight: Array, offset: Array) -> float:
        return float(-0.5 * weight @ offset + log_likelihood(mean + offset, dead, read).sum())

    value = objective(weight, offset)
    for _ in range(_NEWTON_STEPS):
        probability = expit(mean + offset)
        curvature = read * probability * (1 - probability)
        cholesky = _factor(K, curvature)
        root = np.sqrt(curvature)
        target = curvature * offset + dead - read * probability
        step = target - root * cho_solve((cholesky, True), root * (K @ target), check_finite=False) - weight
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
    cholesky = _factor(K, curvature)
    log_marginal = value - float(np.log(np.diag(cholesky)).sum())
    return Laplace(mean + offset, weight, curvature, cholesky, log_marginal)


def log_marginal_gradient(fit: Laplace, K: Array, read: Array, derivatives: list[Array]) -> Array:
    """Gradient of the log marginal likelihood with respect to covariance parameters.

    Parameters
    ----------
    fit : Laplace
        The approximation at ``K``.
    K : array (n, n)
        Prior covariance.
    read : array (n,)
        Buds read.
    derivatives : list of array (n, n) or (n,)
        ``dK/dθ`` for each parameter; one dimension stands for a diagonal matrix.

    Returns
    -------
    array (len(derivatives),)

    References
    ----------
    Rasmussen & Williams 2006, algorithm 5.1, with the third derivative of the binomial likelihood.
    """
    inverse = _inverse(fit.cholesky)
    curvature = fit.curvature
    # The posterior variance is (1 - diag B^-1) / W; where W vanishes so does the third derivative that it multiplies.
    variance = (1.0 - np.diag(inverse)) / np.maximum(curvature, 1e-300)
    root = np.sqrt(curvature)
    inverse *= root[:, None]
    inverse *= root[None, :]
    probability = expit(fit.mode)
    third = -curvature * (1 - 2 * probability)
    pull = 0.5 * np.where(curvature > 1e-12, variance, 0.0) * third
    # pull . (I - K R) b is needed for each derivative: move K R to the left once.
    pull = pull - inverse @ (K @ pull)
    gradient = []
    for derivative in derivatives:
        if derivative.ndim == 1:
            explicit = 0.5 * (derivative @ (fit.weight**2 - np.diag(inverse)))
            moved = derivative * fit.weight
        else:
            moved = derivative @ fit.weight
            explicit = 0.5 * (fit.weight @ moved - np.vdot(inverse, derivative))
        gradient.append(explicit + pull @ moved)
    return np.array(gradient)
