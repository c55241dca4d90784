"""One model at one setting of its covariance parameters, with all that prediction asks of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
from scipy.cluster.vq import kmeans2
from scipy.linalg import blas, cholesky, solve_triangular
from scipy.spatial.distance import cdist

from vinemap.arrays import Array
from vinemap.model.covariances import Dense, DenseFactor, LowRank, LowRankFactor
from vinemap.model.hyperparameters import Counts, Mode
from vinemap.model.laplace import laplace
from vinemap.model.lattice import Lattice
from vinemap.model.matern import matern32

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
        return np.asarray(self.mode.variance * (self.counts.X.T @ self.mode.fit.weight))

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
        correlation = matern32(features, length)
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
        counts, fit, variance = self.counts, self.mode.fit, self.mode.variance
        length, field_sd, cluster_sd = np.exp(self.mode.theta)
        # At four lengths beyond the lattice the correlation has fallen below one per cent.
        covariance = field_sd**2 * matern32(lattice.spacing_on_torus(4 * length), length)
        fields = lattice.stationary(covariance, draws, rng)
        coefs = np.sqrt(variance)[:, None] * rng.standard_normal((len(variance), draws))
        at_data = lattice.cubic(counts.xy) @ fields + counts.X @ coefs
        at_data += cluster_sd * rng.standard_normal((len(counts), draws))[counts.cluster]
        pull = fit.weight[:, None] - self._factor.solve_noisy(at_data, rng.standard_normal(at_data.shape))

        def update(points: Array) -> Array:
            return np.asarray(field_sd**2 * matern32(cdist(points, counts.xy), length) @ pull).T

        fields += in_chunks(update, lattice.points()).T
        return fields, coefs + variance[:, None] * (counts.X.T @ pull)


@dataclass(frozen=True)
class Inducing:
    """A field of finite rank: its values at inducing points, and functions that carry them elsewhere.

    Attributes
    ----------
    points : array (m, 2)
        In metres.
    length, field_sd : float
        Length scale in metres and standard deviation of the field.
    """

    points: Array
    length: float
    field_sd: float

    @cached_property
    def _cholesky(self) -> Array:
        K = self.field_sd**2 * matern32(cdist(self.points, self.points), self.length)
        K.flat[:: len(K) + 1] += 1e-8 * self.field_sd**2
        return np.asarray(cholesky(K, lower=True))

    def basis(self, xy: Array) -> Array:
        """Return P (m, n) such that ``P'P`` is the prior covariance of the field at n points."""
        cross = self.field_sd**2 * matern32(cdist(self.points, xy), self.length)
        return np.asarray(solve_triangular(self._cholesky, cross, lower=True, overwrite_b=True))

    def missed(self, basis: Array) -> Array:
        """Prior variance (n,) that the inducing points miss."""
        return np.maximum(self.field_sd**2 - np.einsum("ij,ij->j", basis, basis), 0.0)


@dataclass(frozen=True)
class InducingComponent:
    """The field seen through inducing points, with the variance that they miss kept at each row.

    For more rows than exact algebra carries: ``f(x) = k(x, Z) K_ZZ^-1 u + r(x)``, u the field at the points Z and r
    independent from place to place. Draws leave r out, which averages over areas do not feel.

    Attributes
    ----------
    counts, mode, weight
        As in `ExactNode`; the mode's fit has a `LowRankFactor`, whose last columns are the coefficients.
    inducing : Inducing
        The points Z.

    References
    ----------
    E. Snelson & Z. Ghahramani, "Sparse Gaussian Processes using Pseudo-inputs", NIPS 18 (2006) 1257; J.
    Quiñonero-Candela & C. E. Rasmussen, J. Mach. Learn. Res. 6 (2005) 1939 (fully independent training conditional).
    """

    counts: Counts
    mode: Mode
    weight: float
    inducing: Inducing

    @classmethod
    def fit(cls, counts: Counts, theta: Array, variance: Array, points: int) -> InducingComponent:
        """Fit at given covariance parameters, with inducing points at the k-means centres of the rows."""
        length, field_sd, cluster_sd = (float(value) for value in np.exp(theta))
        centres = np.unique(kmeans2(counts.xy, points, seed=0, minit="points", missing="warn")[0], axis=0)
        inducing = Inducing(centres, length, field_sd)
        basis = inducing.basis(counts.xy)
        U = np.hstack([basis.T, counts.X * np.sqrt(variance)])
        fit = laplace(LowRank(U, inducing.missed(basis) + cluster_sd**2), counts.events, counts.trials, counts.offset)
        mode = Mode(theta, variance, fit, fit.log_marginal + counts.priors.log_density(theta)[0])
        return cls(counts, mode, 1.0, inducing)

    @property
    def _factor(self) -> LowRankFactor:
        return cast(LowRankFactor, self.mode.fit.factor)

    @cached_property
    def _mean(self) -> Array:
        """Posterior mean (m + p,) of the weights of the columns of U, which have unit prior variance."""
        return np.asarray(self._factor.U.T @ self.mode.fit.weight)

    @cached_property
    def _whitened(self) -> Array:
        sd = np.sqrt(self.mode.variance)
        return self._factor.whiten(np.vstack([np.zeros((len(self.inducing.points), len(sd))), np.diag(sd)]))

    @cached_property
    def coef(self) -> Array:
        """Posterior mean (p,) of the coefficients."""
        return np.asarray(np.sqrt(self.mode.variance) * self._mean[len(self.inducing.points) :])

    def coef_covariance(self) -> Array:
        """Posterior covariance (p, p) of the coefficients."""
        return np.asarray(self._whitened.T @ self._whitened)

    def features(self, xy: Array) -> Array:
        """Return the inducing points' basis at points, for `field_moments`."""
        return self.inducing.basis(xy)

    def field_moments(self, basis: Array) -> tuple[Array, Array, Array]:
        """Mean (m,) and variance (m,) of the field at points, and its covariance (p, m) with the coefficients."""
        mean = self._mean[: len(basis)] @ basis
        whitened = self._factor.whiten(np.vstack([basis, np.zeros((len(self.coef), basis.shape[1]))]))
        variance = np.einsum("ij,ij->j", whitened, whitened) + self.inducing.missed(basis)
        return mean, variance, self._whitened.T @ whitened

    def row_covariances(self, members: list[Array]) -> Iterator[Array]:
        """Yield the posterior covariance of the log-odds of each group of rows, clusters' own deviations included."""
        shrink = self._factor.S / np.maximum(self.mode.fit.curvature, 1e-300)
        own = (1 - shrink) / np.maximum(self.mode.fit.curvature, 1e-300)
        for rows in members:
            whitened = self._factor.whiten((shrink[rows, None] * self._factor.U[rows]).T)
            yield whitened.T @ whitened + np.diag(own[rows])

    def draw(self, lattice: Lattice, draws: int, rng: np.random.Generator, in_chunks: Chunked) -> tuple[Array, Array]:
        """Draw the field on a lattice (points, draws) and the coefficients (p, draws)."""
        noise = rng.standard_normal((len(self._mean), draws))
        weights = self._mean[:, None] + solve_triangular(self._factor.cholesky, noise, lower=True, trans="T")
        rank = len(self.inducing.points)
        fields = in_chunks(lambda points: weights[:rank].T @ self.inducing.basis(points), lattice.points()).T
        return fields, np.sqrt(self.mode.variance)[:, None] * weights[rank:]
