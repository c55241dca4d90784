"""Prior covariances of the logits, written out or in strips, and what the Laplace approximation asks of each."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.linalg import blas, cho_solve, cholesky, lapack

from vinemap.arrays import Array, cachefuls
from vinemap.model.strips import Chain, SeenChain


def symmetric_times(matrix: Array, vectors: Array) -> Array:
    """Return a symmetric matrix (n, n) times vectors (n,) or (n, m).

    By SciPy's BLAS, as the factors below: NumPy's wheel holds another copy, and the idle threads of one stand in the
    way of the other.
    """
    product = blas.dsymv if vectors.ndim == 1 else blas.dsymm
    return np.asarray(product(1.0, matrix.T, vectors, lower=1))


def _congruence(matrix: Array, root: Array) -> Array:
    """Return ``diag(root) matrix diag(root)``, shape (n, n)."""
    scaled = np.empty_like(matrix)
    for rows in cachefuls(matrix):
        part = np.multiply(matrix[rows], root[rows, None], out=scaled[rows])
        part *= root
    return scaled


@dataclass(frozen=True)
class Dense:
    """A covariance matrix as it is.

    Attributes
    ----------
    K : array (n, n)
        Symmetric and positive semi-definite.
    """

    K: Array

    def __matmul__(self, vector: Array) -> Array:
        return symmetric_times(self.K, vector)

    def factor(self, curvature: Array) -> DenseFactor:
        """Factor ``B = I + W^1/2 K W^1/2``, whose eigenvalues are at least 1, for a curvature W (n,)."""
        B = _congruence(self.K, np.sqrt(curvature))
        B.flat[:: len(B) + 1] += 1.0
        # The transpose of a C-ordered symmetric matrix is a Fortran-ordered view of it: LAPACK works in place.
        return DenseFactor(curvature, cholesky(B.T, lower=True, overwrite_a=True, check_finite=False))


@dataclass(frozen=True)
class DenseFactor:
    """``R = (K + W^-1)^-1 = W^1/2 B^-1 W^1/2``.

    Attributes
    ----------
    curvature : array (n,)
        W.
    cholesky : array (n, n)
        Lower factor L of B.
    """

    curvature: Array
    cholesky: Array

    @cached_property
    def root(self) -> Array:
        """W^1/2, shape (n,)."""
        return np.sqrt(self.curvature)

    @property
    def half_log_determinant(self) -> float:
        """Half the log determinant of B."""
        return float(np.log(np.diag(self.cholesky)).sum())

    @cached_property
    def _whitener(self) -> Array:
        """``S' = L^-1 W^1/2``, lower triangular, with ``S S' = R``.

        B is so far from singular that products with its inverse are safe; they take half the time of solves.
        """
        whitener = np.asarray(lapack.dtrtri(self.cholesky, lower=1)[0])
        whitener *= self.root
        return whitener

    def solve(self, vectors: Array) -> Array:
        """Return R times vectors (n,) or (n, m)."""
        root = self.root if vectors.ndim == 1 else self.root[:, None]
        return np.asarray(root * cho_solve((self.cholesky, True), root * vectors, check_finite=False))

    def solve_noisy(self, vectors: Array, noise: Array) -> Array:
        """Return ``R (vectors + W^-1/2 noise)``, shape (n, m), with no division by W."""
        residual = self.root[:, None] * vectors + noise
        return np.asarray(self.root[:, None] * cho_solve((self.cholesky, True), residual, check_finite=False))

    def colour(self, noise: Array) -> Array:
        """Return S times noise (n, m): unit noise becomes noise of covariance R."""
        return np.asarray(blas.dtrmm(1.0, self._whitener, noise, lower=1, trans_a=1))

    def whiten(self, cross: Array, overwrite: bool = False) -> Array:
        """Return ``V = S' cross``, so that ``V'V = cross' R cross``, for a covariance (n, m) with other points."""
        # The transpose of a C-ordered array is the Fortran-ordered one that BLAS works on in place, from the right.
        options = {"side": 1, "lower": 1, "trans_a": 1, "overwrite_b": overwrite}
        return np.asarray(blas.dtrmm(1.0, self._whitener, cross.T, **options).T)

    def inverse(self) -> tuple[Array, Array]:
        """Return the upper triangle of R (n, n), 0 below, and the logits' posterior variances (n,), 0 where W is 0."""
        lower = lapack.dpotri(self.cholesky, lower=1)[0]
        seen = self.curvature > 1e-12
        variance = np.divide(1.0 - np.diag(lower), self.curvature, out=np.zeros(len(lower)), where=seen)
        return _congruence(lower.T, self.root), variance


@dataclass(frozen=True)
class Vecchia:
    """The covariance ``H C H' + τ² Z Z' + X V X'``, never written out, for rows at places and in clusters.

    Attributes
    ----------
    chain : Chain
        The field at the places, of covariance C.
    at : csr_array (n, u)
        H, which puts each row on its place.
    of : csr_array (n, c)
        Z, which puts each row in its cluster; a cluster has one place.
    cluster_variance : float
        τ².
    X : array (n, p)
        Covariates.
    variance : array (p,)
        Prior variances V of their coefficients.
    """

    chain: Chain
    at: sp.csr_array
    of: sp.csr_array
    cluster_variance: float
    X: Array
    variance: Array

    def __matmul__(self, vector: Array) -> Array:
        field = self.at @ (self.chain @ (self.at.T @ vector[:, None]))[:, 0]
        return np.asarray(
            field
            + self.cluster_variance * (self.of @ (self.of.T @ vector))
            + self.X @ (self.variance * (self.X.T @ vector))
        )

    def factor(self, curvature: Array) -> VecchiaFactor:
        """Condition the field on rows of curvature W (n,)."""
        return VecchiaFactor(self, curvature)


@dataclass(frozen=True)
class VecchiaFactor:
    """``R = (K + W^-1)^-1``, with clusters, field and coefficients taken out of K one after another (Woodbury).

    Attributes
    ----------
    K : Vecchia
        The covariance.
    curvature : array (n,)
        W.
    """

    K: Vecchia
    curvature: Array

    @cached_property
    def shrink(self) -> Array:
        """Variance (c,) that each cluster's deviation keeps where all else is known: τ² / (1 + τ² Z'W)."""
        variance = self.K.cluster_variance
        return np.asarray(variance / (1 + variance * (self.K.of.T @ self.curvature)))

    @cached_property
    def _own(self) -> Array:
        """Row sums (n,) of N^-1, for N = W^-1 + τ² Z Z', which links no two places."""
        return np.asarray(self.curvature / (1 + self.K.cluster_variance * (self.K.of @ (self.K.of.T @ self.curvature))))

    @cached_property
    def seen(self) -> SeenChain:
        """The field as seen through the rows, the coefficients known."""
        return self.K.chain.seen(self.K.at.T @ self._own)

    def _solve_field(self, weighted: Array) -> Array:
        """Return ``(H C H' + N)^-1 v`` for ``W v`` (n, m)."""
        at, of = self.K.at, self.K.of
        solved = weighted - self.curvature[:, None] * (of @ (self.shrink[:, None] * (of.T @ weighted)))
        precision = self.seen.precision[:, None]
        read = precision > 0
        # The rows of a place tell of the field no more than their weighted mean does.
        mean = np.divide(at.T @ solved, precision, out=np.zeros((len(precision), weighted.shape[1])), where=read)
        pull = np.divide(self.seen.solve(mean), precision, out=np.zeros_like(mean), where=read)
        return np.asarray(solved - self._own[:, None] * (at @ (mean - pull)))

    @cached_property
    def _solved(self) -> Array:
        """R_f X, shape (n, p), R_f being R with the coefficients known."""
        return self._solve_field(self.curvature[:, None] * self.K.X)

    @cached_property
    def field_by_coef(self) -> Array:
        """What the posterior mean of the field (u, p) loses as each coefficient gains 1."""
        return self.K.chain @ (self.K.at.T @ self._solved)

    @cached_property
    def _coef_cholesky(self) -> Array:
        """Lower factor (p, p) of ``I + V^1/2 X'R_f X V^1/2``."""
        root = np.sqrt(self.K.variance)
        seen = root[:, None] * (self.K.X.T @ self._solved) * root
        return np.asarray(cholesky(np.eye(len(root)) + seen, lower=True))

    @cached_property
    def coef_covariance(self) -> Array:
        """Posterior covariance (p, p) of the coefficients."""
        root = np.sqrt(self.K.variance)
        return np.asarray(root[:, None] * cho_solve((self._coef_cholesky, True), np.diag(root)))

    @cached_property
    def half_log_determinant(self) -> float:
        """Half the log determinant of I + W K."""
        clusters = 0.5 * float(np.log1p(self.K.cluster_variance * (self.K.of.T @ self.curvature)).sum())
        return clusters + self.seen.half_log_determinant + float(np.log(np.diag(self._coef_cholesky)).sum())

    def solve(self, vector: Array) -> Array:
        """Return R times a vector (n,)."""
        return self._solve((self.curvature * vector)[:, None])[:, 0]

    def solve_noisy(self, vectors: Array, noise: Array) -> Array:
        """Return ``R (vectors + W^-1/2 noise)``, shape (n, m), with no division by W."""
        return self._solve(self.curvature[:, None] * vectors + np.sqrt(self.curvature)[:, None] * noise)

    def _solve(self, weighted: Array) -> Array:
        """Return ``R v`` for ``W v`` (n, m)."""
        solved = self._solve_field(weighted)
        return np.asarray(solved - self._solved @ (self.coef_covariance @ (self.K.X.T @ solved)))

    def row_covariance(self, rows: Array) -> Array:
        """Posterior covariance (k, k) of the log-odds of some rows, clusters' own deviations included."""
        place, cluster = self.K.at.indices, self.K.of.indices
        # A cluster's deviation follows from all of its rows.
        whole = np.unique(self._members[np.unique(cluster[rows])].indices)
        places, where = np.unique(place[whole], return_inverse=True)
        known = self.seen.covariance(places)[np.ix_(where, where)]
        slope = self.K.X[whole] - self.field_by_coef[place[whole]]
        known += slope @ self.coef_covariance @ slope.T
        own = self.shrink[cluster[whole]] * (cluster[whole][:, None] == cluster[whole])
        keep = np.eye(len(whole)) - own * self.curvature[whole]
        asked = np.searchsorted(whole, rows)
        return np.asarray((keep @ known @ keep.T + own)[np.ix_(asked, asked)])

    @cached_property
    def _members(self) -> sp.csr_array:
        """Z', a row a cluster."""
        return sp.csr_array(self.K.of.T)
