"""One model at one setting of its covariance parameters, with all that prediction asks of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
from scipy.linalg import blas
from scipy.spatial.distance import cdist

from vinemap.arrays import Array
from vinemap.model.covariances import Dense, DenseFactor, Vecchia, VecchiaFactor
from vinemap.model.hyperparameters import Counts, Mode
from vinemap.model.lattice import Lattice
from vinemap.model.matern import matern
from vinemap.model.strips import times

_BATCH = 4000

Chunked = Callable[[Callable[[Array], Array], Array], Array]
"""Applies a function of points (m, 2) that returns (k, m), a part of the points at a time."""


@dataclass(frozen=True)
class ExactComponent:
    """The exact Gaussian algebra over all rows.

    Attributes
    ----------
    counts : Counts
        The data.
    mode : Mode
        The fit.
    weight : float
        Posterior weight among the components.
    """

    counts: Counts
    mode: Mode
    weight: float

    @cached_property
    def coef(self) -> Array:
        """Posterior mean (p,) of the coefficients."""
        return _coef(self.counts, self.mode)

    @property
    def _factor(self) -> DenseFactor:
        return cast(DenseFactor, self.mode.fit.factor)

    @cached_property
    def _pulls(self) -> Array:
        """Rows (1 + p, n) that a covariance with the data is multiplied by: for the mean, for each coefficient."""
        return np.vstack([self.mode.fit.weight, -self._factor.solve(self.counts.X * self.mode.variance).T])

    def coef_covariance(self) -> Array:
        """Posterior covariance (p, p) of the coefficients."""
        return np.diag(self.mode.variance) + self._pulls[1:] @ (self.counts.X * self.mode.variance)

    def features(self, xy: Array) -> Array:
        """Return distances (n, m) of points from the data: what `field_moments` asks, the same for every component."""
        return cdist(self.counts.xy, xy)

    def field_moments(self, features: Array) -> tuple[Array, Array, Array]:
        """Mean (m,) and variance (m,) of the field at points, and its covariance (p, m) with the coefficients."""
        length, field_sd, _ = np.exp(self.mode.theta)
        correlation = matern(features, length, self.mode.smoothness)
        mean, *joint = blas.dgemm(field_sd**2, correlation.T, self._pulls.T).T
        whitened = self._factor.whiten(correlation, overwrite=True)
        variance = field_sd**2 - field_sd**4 * np.einsum("ij,ij->j", whitened, whitened)
        return mean, np.maximum(variance, 0.0), np.array(joint)

    def row_covariances(self, members: list[Array]) -> Iterator[Array]:
        """Yield the posterior covariance of the log-odds of each group of rows, clusters' own deviations included."""
        K = cast(Dense, self.mode.fit.K).K
        whitened = self._factor.whiten(K)
        posterior = K - whitened.T @ whitened
        for rows in members:
            yield posterior[np.ix_(rows, rows)]

    def draw(self, lattice: Lattice, draws: int, rng: np.random.Generator, in_chunks: Chunked) -> tuple[Array, Array]:
        """Draw the field on a lattice (points, draws) and the coefficients (p, draws) by Matheron's rule."""
        length, field_sd, _ = np.exp(self.mode.theta)
        fields, coefs, pull = _prior_draw(self, lattice, draws, rng)

        def update(points: Array) -> Array:
            correlation = matern(cdist(points, self.counts.xy), length, self.mode.smoothness)
            return np.asarray(field_sd**2 * correlation @ pull).T

        fields += in_chunks(update, lattice.points()).T
        return fields, coefs


@dataclass(frozen=True)
class VecchiaComponent:
    """The field in strips, for more rows than exact algebra carries well.

    Attributes
    ----------
    counts, mode, weight
        As in `ExactComponent`; the mode's fit has a `Vecchia` covariance.
    """

    counts: Counts
    mode: Mode
    weight: float

    @property
    def _factor(self) -> VecchiaFactor:
        return cast(VecchiaFactor, self.mode.fit.factor)

    @property
    def _prior(self) -> Vecchia:
        return cast(Vecchia, self.mode.fit.K)

    @cached_property
    def coef(self) -> Array:
        """Posterior mean (p,) of the coefficients."""
        return _coef(self.counts, self.mode)

    def coef_covariance(self) -> Array:
        """Posterior covariance (p, p) of the coefficients."""
        return self._factor.coef_covariance

    @cached_property
    def _at_places(self) -> Array:
        """Posterior mean (u,) of the field at the places."""
        return (self._prior.chain @ (self._prior.at.T @ self.mode.fit.weight)[:, None])[:, 0]

    def features(self, xy: Array) -> Array:
        """Return the points themselves: what `field_moments` asks."""
        return xy

    def field_moments(self, xy: Array) -> tuple[Array, Array, Array]:
        """Mean (m,) and variance (m,) of the field at points, and its covariance (p, m) with the coefficients."""
        factor, chain = self._factor, self._prior.chain
        mean, variance, joint = np.empty(len(xy)), np.empty(len(xy)), np.empty((len(self.coef), len(xy)))
        for window, points in chain.strips.windows(xy):
            whiten = chain.whitener(window)
            by_coef = whiten(factor.field_by_coef[window])
            known = whiten(whiten(factor.seen.covariance(np.arange(len(chain.strips.places))[window])).T)
            known += by_coef @ factor.coef_covariance @ by_coef.T
            pull, to_coef = whiten(self._at_places[window, None])[:, 0], -factor.coef_covariance @ by_coef.T
            for batch in np.array_split(points, -(-len(points) // _BATCH)):
                whitened = whiten(chain.covariance(window, xy[batch]))
                mean[batch] = pull @ whitened
                variance[batch] = chain.sd**2 - np.einsum("ij,ij->j", whitened, whitened - times(known, whitened))
                joint[:, batch] = times(to_coef, whitened)
        return mean, np.maximum(variance, 0.0), joint

    def row_covariances(self, members: list[Array]) -> Iterator[Array]:
        """Yield the posterior covariance of the log-odds of each group of rows, clusters' own deviations included."""
        yield from map(self._factor.row_covariance, members)

    def draw(self, lattice: Lattice, draws: int, rng: np.random.Generator, in_chunks: Chunked) -> tuple[Array, Array]:
        """Draw the field on a lattice (points, draws) and the coefficients (p, draws) by Matheron's rule."""
        chain, at = self._prior.chain, self._prior.at
        fields, coefs, pull = _prior_draw(self, lattice, draws, rng)
        change = chain @ (at.T @ pull)
        points = lattice.points()
        for window, some in chain.strips.windows(points):
            whiten = chain.whitener(window)
            moved = whiten(change[window]).T
            for batch in np.array_split(some, -(-len(some) // _BATCH)):
                fields[batch] += times(moved, whiten(chain.covariance(window, points[batch]))).T
        return fields, coefs


Component = ExactComponent | VecchiaComponent


def _coef(counts: Counts, mode: Mode) -> Array:
    """Posterior mean (p,) of the coefficients."""
    return np.asarray(counts.coef_mean(mode.variance) + mode.variance * (counts.X.T @ mode.fit.weight))


def _prior_draw(
    component: Component, lattice: Lattice, draws: int, rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Draw the field on a lattice (points, draws) as if there were no data, and how these pull at its rows (n, draws).

    The coefficients (p, draws), in between, are of the posterior already.
    """
    counts, fit, variance = component.counts, component.mode.fit, component.mode.variance
    length, field_sd, cluster_sd = np.exp(component.mode.theta)
    # At four lengths beyond the lattice the correlation has fallen below one per cent.
    spacing = lattice.spacing_on_torus(4 * length)
    covariance = field_sd**2 * matern(spacing, length, component.mode.smoothness)
    fields = lattice.stationary(covariance, draws, rng)
    coefs = np.sqrt(variance)[:, None] * rng.standard_normal((len(variance), draws))
    at_data = lattice.cubic(counts.xy) @ fields + counts.X @ coefs
    deviations = rng.standard_normal((len(counts), draws))[counts.cluster]
    deviations[counts.rows :] = 0.0
    at_data += cluster_sd * deviations
    if counts.readings is not None:
        at_data[counts.rows :] += counts.level_sd * rng.standard_normal(draws)
    pull = fit.weight[:, None] - fit.factor.solve_noisy(at_data, rng.standard_normal(at_data.shape))
    coefs += variance[:, None] * (counts.X.T @ pull) + counts.coef_mean(variance)[:, None]
    return fields, coefs, pull
