"""Prior covariances of the logits, full or of low rank, and what the Laplace approximation asks of each."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import blas, cho_solve, cholesky, lapack, solve_triangular

from vinemap.arrays import Array, cachefuls


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
class LowRank:
    """The covariance ``U U' + diag(D)``, never written out.

    Attributes
    ----------
    U : array (n, q)
        With q much smaller than n.
    D : array (n,)
        Positive.
    """

    U: Array
    D: Array

    def __matmul__(self, vector: Array) -> Array:
        return np.asarray(self.U @ (self.U.T @ vector) + self.D * vector)

    def factor(self, curvature: Array) -> LowRankFactor:
        """Factor ``M = I + U' S U`` with ``S = (W^-1 + D)^-1`` (Woodbury's identity)."""
        S = curvature / (1 + curvature * self.D)
        M = (self.U.T * S) @ self.U
        M.flat[:: len(M) + 1] += 1.0
        factor = cholesky(M, lower=True, overwrite_a=True, check_finite=False)
        return LowRankFactor(curvature, self.U, S, factor, 0.5 * float(np.log1p(curvature * self.D).sum()))


@dataclass(frozen=True)
class LowRankFactor:
    """``R = S - S U M^-1 U' S``.

    Attributes
    ----------
    curvature : array (n,)
        W.
    U : array (n, q)
        As in `LowRank`.
    S : array (n,)
        (W^-1 + D)^-1.
    cholesky : array (q, q)
        Lower factor of M.
    diagonal : float
        Half the log determinant of I + W D.
    """

    curvature: Array
    U: Array
    S: Array
    cholesky: Array
    diagonal: float

    @property
    def half_log_determinant(self) -> float:
        """Half the log determinant of B."""
        return self.diagonal + float(np.log(np.diag(self.cholesky)).sum())

    def solve(self, vector: Array) -> Array:
        """Return R times a vector (n,)."""
        scaled = self.S * vector
        inner = cho_solve((self.cholesky, True), self.U.T @ scaled, check_finite=False)
        return np.asarray(scaled - self.S * (self.U @ inner))

    def whiten(self, inner: Array) -> Array:
        """Return V with ``V'V = inner' M^-1 inner``: posterior covariances, for weights (q, m) of the columns of U."""
        return np.asarray(solve_triangular(self.cholesky, inner, lower=True, check_finite=False))
