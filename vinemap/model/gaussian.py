"""Spatial regression of a figure that is measured at few places: covariates, a Matérn field, sensors' own error."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky, solve_triangular
from scipy.spatial.distance import cdist
from scipy.special import ndtr

from vinemap.arrays import Array
from vinemap.model.matern import matern32

_LEAST_ODDS = 1e-3
_CHUNK = 20_000
_PER_COVARIATE = 4
_MOST_FOR_PAIRS = 80


@dataclass(frozen=True)
class Priors:
    """What is taken of a figure before it is measured.

    Attributes
    ----------
    intercept_sd : float
        Of its level, around the mean of the readings.
    coefficient_sd : float
        Of what one standard deviation of a covariate does.
    field_sd : tuple of float
        Standard deviations of the field, of equal weight.
    length_m : tuple of float
        Length scales of the field, of equal weight.
    """

    intercept_sd: float = 10.0
    coefficient_sd: float = 1.5
    field_sd: tuple[float, ...] = (0.2, 0.6, 1.5)
    length_m: tuple[float, ...] = (50.0, 120.0, 300.0)


@dataclass(frozen=True)
class _Component:
    """One set of covariates at one setting of the field."""

    columns: tuple[int, ...]
    field_sd: float
    length_m: float
    factor: Array
    alpha: Array
    weight: float


class GaussianField:
    """Spatial regression with a normal likelihood, averaged over models and settings of the field by their evidence.

    ``y = level + X b + f(x, y) + e``: coefficients with independent normal priors, *f* a Gaussian process with Matérn
    3/2 correlation, *e* errors of known standard deviations. All but the field's two parameters and the choice of
    covariates is integrated in closed form; those are summed over, so that nothing is plugged in. A model has one
    covariate for every 4 readings at the most, two at the very most; each number of covariates has the same prior
    weight, shared among the models of that size.

    Parameters
    ----------
    priors : Priors

    Attributes
    ----------
    weights_ : array (k,)
        Posterior weights of the components that were kept.
    inclusion_ : array (p,)
        Posterior probability that a covariate is in the model.
    log_evidence_ : float
        Log density of the readings, averaged over the priors of all models, around a level that is normal about their
        mean.

    References
    ----------
    C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eq. 2.23 to 2.30, section 2.7.
    J. A. Hoeting, D. Madigan, A. E. Raftery & C. T. Volinsky, Stat. Sci. 14 (1999) 382: averaging over models.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.model.gaussian import GaussianField
    >>> height = np.array([0.0, 2.0, 4.0, 6.0, 8.0, 10.0])
    >>> xy = np.column_stack([100 * np.arange(6.0), np.zeros(6)])
    >>> field = GaussianField().fit(xy, -15 + 0.3 * height, 0.4, height[:, None] / 3.4 - 1.5)
    >>> mean, sd = field.predict(xy, height[:, None] / 3.4 - 1.5)
    >>> bool(abs(mean[0] + 15) < 0.6), bool(sd[0] < 0.6)
    (True, True)
    """

    def __init__(self, priors: Priors | None = None) -> None:
        self.priors = Priors() if priors is None else priors

    def fit(self, xy: Array, y: Array, error_sd: Array | float, X: Array) -> GaussianField:
        """Fit to readings.

        Parameters
        ----------
        xy : array (n, 2)
            Metres.
        y : array (n,)
            Readings.
        error_sd : float or array (n,)
            Their standard errors.
        X : array (n, p)
            Covariates, each in its standard deviation over the ground that is to be predicted.

        Returns
        -------
        GaussianField
            Itself.
        """
        self._xy, self._X = np.asarray(xy, float), np.asarray(X, float)
        self._mean = float(np.mean(y))
        rest, noise = np.asarray(y, float) - self._mean, np.broadcast_to(np.asarray(error_sd, float), len(y)) ** 2
        distance = cdist(self._xy, self._xy)
        correlations = {length: matern32(distance, length) for length in self.priors.length_m}
        found = []
        for columns, log_prior in self._models():
            linear = self._linear(self._X, self._X, columns)
            for field_sd, length in itertools.product(self.priors.field_sd, self.priors.length_m):
                covariance = linear + field_sd**2 * correlations[length] + np.diag(noise)
                factor = cholesky(covariance, lower=True)
                alpha = cho_solve((factor, True), rest)
                evidence = float(-0.5 * rest @ alpha - np.log(np.diag(factor)).sum() + log_prior)
                found.append((evidence, columns, field_sd, length, factor, alpha))
        best = max(one[0] for one in found)
        odds = [math.exp(one[0] - best) for one in found]
        total = sum(odd for odd in odds if odd >= _LEAST_ODDS)
        self._components = [
            _Component(*one[1:], odd / total) for one, odd in zip(found, odds, strict=True) if odd >= _LEAST_ODDS
        ]
        # Each number of covariates, each size and each length of the field has its share of the prior.
        shares = len({len(one[1]) for one in found}) * len(self.priors.field_sd) * len(self.priors.length_m)
        self.log_evidence_ = best + math.log(math.fsum(odds) / shares) - len(rest) / 2 * math.log(2 * math.pi)
        self.weights_ = np.array([one.weight for one in self._components])
        used = np.array([[k in one.columns for k in range(self._X.shape[1])] for one in self._components])
        self.inclusion_ = self.weights_ @ used if used.size else np.zeros(self._X.shape[1])
        return self

    def _models(self) -> Iterator[tuple[tuple[int, ...], float]]:
        """Yield sets of covariates, each with its log prior weight."""
        n, p = self._X.shape
        most = min(2 if n <= _MOST_FOR_PAIRS else 1, n // _PER_COVARIATE, p)
        for size in range(most + 1):
            for columns in itertools.combinations(range(p), size):
                yield columns, -math.log(math.comb(p, size))

    def _linear(self, one: Array, other: Array, columns: tuple[int, ...]) -> Array:
        """Prior covariance (n, m) of the part that is no field, between rows of covariates."""
        chosen = list(columns)
        product = one[:, chosen] @ other[:, chosen].T
        return np.asarray(self.priors.intercept_sd**2 + self.priors.coefficient_sd**2 * product)

    def mean(self, xy: Array, X: Array) -> Array:
        """Return the posterior mean (m,) at places (m, 2) with covariates (m, p).

        The coefficients are summed over the components before they meet the covariates, and the field's weights
        before they meet the distances, so that a million places take a second.
        """
        coefficients = np.zeros(self._X.shape[1])
        level = self._mean
        pulls = {length: np.zeros(len(self._xy)) for length in self.priors.length_m}
        for one in self._components:
            level += one.weight * self.priors.intercept_sd**2 * float(one.alpha.sum())
            chosen = list(one.columns)
            coefficients[chosen] += one.weight * self.priors.coefficient_sd**2 * (self._X[:, chosen].T @ one.alpha)
            pulls[one.length_m] += one.weight * one.field_sd**2 * one.alpha
        found = level + X @ coefficients
        for part in _parts(len(xy)):
            distance = cdist(xy[part], self._xy)
            for length, pull in pulls.items():
                found[part] += matern32(distance, length) @ pull
        return np.asarray(found)

    def predict(self, xy: Array, X: Array) -> tuple[Array, Array]:
        """Return the posterior mean and standard deviation, each (m,), over all components."""
        mean, variance = np.empty(len(xy)), np.empty(len(xy))
        for part in _parts(len(xy)):
            mean[part], variance[part] = self._moments(xy[part], X[part])
        return mean, np.sqrt(np.maximum(variance, 0.0))

    def _moments(self, xy: Array, X: Array) -> tuple[Array, Array]:
        first, second = np.zeros(len(xy)), np.zeros(len(xy))
        distance = cdist(xy, self._xy)
        correlations = {length: matern32(distance, length) for length in self.priors.length_m}
        square = X**2
        for one in self._components:
            cross = self._linear(X, self._X, one.columns) + one.field_sd**2 * correlations[one.length_m]
            mean = self._mean + cross @ one.alpha
            prior = self.priors.intercept_sd**2 + one.field_sd**2
            prior = prior + self.priors.coefficient_sd**2 * square[:, list(one.columns)].sum(axis=1)
            white = solve_triangular(one.factor, cross.T, lower=True)
            variance = prior - (white**2).sum(axis=0)
            first += one.weight * mean
            second += one.weight * (variance + mean**2)
        return first, second - first**2

    def contrast(self, xy: Array, X: Array, shares: Array) -> tuple[float, float, float]:
        """Return a weighted sum of the figure over places: posterior mean, standard deviation, probability below 0.

        Parameters
        ----------
        xy : array (m, 2)
        X : array (m, p)
        shares : array (m,)
            Weight of each place, as 1/m over one piece of ground and -1/m over another.
        """
        level = self._mean * float(shares.sum())
        distance, own = cdist(xy, self._xy), cdist(xy, xy)
        first = second = below = 0.0
        for one in self._components:
            cross = self._linear(X, self._X, one.columns) + one.field_sd**2 * matern32(distance, one.length_m)
            prior = self._linear(X, X, one.columns) + one.field_sd**2 * matern32(own, one.length_m)
            white = solve_triangular(one.factor, cross.T @ shares, lower=True)
            mean = level + float(shares @ cross @ one.alpha)
            variance = max(float(shares @ prior @ shares - white @ white), 1e-12)
            first += one.weight * mean
            second += one.weight * (variance + mean**2)
            below += one.weight * float(ndtr(-mean / math.sqrt(variance)))
        return first, math.sqrt(max(second - first**2, 0.0)), below


def _parts(count: int) -> Iterator[slice]:
    for first in range(0, count, _CHUNK):
        yield slice(first, min(first + _CHUNK, count))
