"""The posterior of the probability of an event: its moments at points, and joint draws of it over the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit, ndtr, ndtri

from vinemap.arrays import Array
from vinemap.model.lattice import Lattice

TAIL = float(ndtri(0.95))
"""Standard deviations from the middle to the 5 % and 95 % quantiles of a normal variable."""


@dataclass(frozen=True)
class Prediction:
    """Posterior of the probability of an event, a value a point.

    Attributes
    ----------
    mean, low, high : array (m,)
        Mean and the 5 % and 95 % quantiles, fractions 0 to 1.
    logit_mean, logit_sd : array (m,)
        Moments of the log-odds.
    """

    mean: Array
    low: Array
    high: Array
    logit_mean: Array
    logit_sd: Array

    @classmethod
    def of(cls, mean: Array, variance: Array) -> Prediction:
        """Turn moments of the log-odds into those of the probability itself."""
        sd = np.sqrt(np.maximum(variance, 1e-12))
        return cls(logistic_normal_mean(mean, sd), expit(mean - TAIL * sd), expit(mean + TAIL * sd), mean, sd)

    def exceedance(self, threshold: float) -> Array:
        """Return the probability (m,) that the event's own probability exceeds ``threshold``."""
        return np.asarray(ndtr((self.logit_mean - logit(threshold)) / self.logit_sd))


def logistic_normal_mean(mean: Array, sd: Array) -> Array:
    """Mean of the inverse logit of a normal variable by 9-point Gauss-Hermite quadrature."""
    points, weights = np.polynomial.hermite_e.hermegauss(9)
    total = np.zeros_like(mean)
    for point, weight in zip(points, weights / weights.sum(), strict=True):
        total += weight * expit(mean + point * sd)
    return total


@dataclass(frozen=True)
class Moments:
    """Moments of the field on a lattice.

    Attributes
    ----------
    lattice : Lattice
        Where they were worked out.
    values : array (2 + p, lattice.size)
        Mean of the field, its variance, its covariance with each coefficient in use.
    """

    lattice: Lattice
    values: Array

    def at(self, xy: Array) -> Array:
        """Read them at points (m, 2) that the lattice covers, shape (2 + p, m), by cubic splines."""
        return np.array([self.lattice.spline(layer, xy) for layer in self.values])


@dataclass(frozen=True)
class FieldDraws:
    """Joint posterior draws of the surface, to be read at any points.

    Attributes
    ----------
    lattice : Lattice
        Where the field was drawn.
    fields : array (lattice.size, draws)
        Values of the field.
    coefs : array (p, draws)
        Coefficients of the same draws.
    slopes : array (draws,)
        Log-odds per unit of the readings; 0 where they tell nothing.
    """

    lattice: Lattice
    fields: Array
    coefs: Array
    slopes: Array

    def at(self, xy: Array, X: Array | None = None, offset: Array | float = 0.0) -> Array:
        """Return the probability of an event at points (m, 2), one column a draw, shape (m, draws)."""
        X = np.ones((len(xy), 1)) if X is None else X
        logits = self.lattice.cubic(np.asarray(xy, float)) @ self.fields
        logits += X @ self.coefs
        logits += offset if np.ndim(offset) == 2 else np.reshape(offset, (-1, 1))
        return np.asarray(expit(logits, out=logits))
