"""Prior covariances of the logits, full or of low rank, and what the Laplace approximation asks of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve, lapack, solve_triangular

from vinemap.arrays import Array


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
        return np.asarray(self.K @ vector)

    def factor(self, curvature: Array) -> DenseFactor:
        """Factor ``B = I + W^1/2 K W^1/2``, whose eigenvalues are at least 1, for a curvature W (n,)."""
        root = np.sqrt(curvature)
        B = self.K * root[:, None]
        B *= root[None, :]
        B.flat[:: len(B) + 1] += 1.0
        # The transpose of a C-ordered symmetric matrix is a Fortran-ordered view of it: LAPACK works in place.
        cholesky = cho_factor(B.T, lower=True, overwrite_a=True, check_finite=False)[0]
        return DenseFactor(root, cholesky)


@dataclass(frozen=True)
class DenseFactor:
    """``R = (K + W^-1)^-1 = W^1/2 B^-1 W^1/2``.

    Attributes
    ----------
    root : array (n,)
        W^1/2.
    cholesky : array (n, n)
        Lower factor of B.
    """

    root: Array
    cholesky: Array

    @property
    def half_log_determinant(self) -> float:
        """Half the log determinant of B."""
        return float(np.log(np.diag(self.cholesky)).sum())

    def solve(self, vector: Array) -> Array:
        """Return R times a vector (n,)."""
        return np.asarray(self.root * cho_solve((self.cholesky, True), self.root * vector, check_finite=False))

    def solve_noisy(self, vectors: Array, noise: Array) -> Array:
        """Return ``R (vectors + W^-1/2 noise)``, shape (n, m), with no division by W."""
        residual = self.root[:, None] * vectors + noise
        return np.asarray(self.root[:, None] * cho_solve((self.cholesky, True), residual, check_finite=False))

    def whiten(self, cross: Array) -> Array:
        """Return V with ``V'V = cross' R cross``, for a covariance (n, m) of the data with other points."""
        scaled = self.root[:, None] * cross
        return np.asarray(solve_triangular(self.cholesky, scaled, lower=True, overwrite_b=True, check_finite=False))

    def inverse(self) -> tuple[Array, Array]:
        """Return R (n, n), and the posterior variances (n,) of the logits, 0 where W vanishes."""
        lower, info = lapack.dpotri(self.cholesky, lower=1)
        if info != 0:  # pragma: no cover - the factor of a matrix that is at least the identity is never singular
            raise np.linalg.LinAlgError("B is singular")
        lower = np.tril(lower)
        precision = lower + np.tril(lower, -1).T
        curvature = self.root**2
        variance = np.divide(1.0 - np.diag(precision), curvature, out=np.zeros(len(curvature)), where=curvature > 1e-12)
        precision *= self.root[:, None]
        precision *= self.root[None, :]
        return precision, variance


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
        cholesky = cho_factor(M, lower=True, overwrite_a=True, check_finite=False)[0]
        return LowRankFactor(self.U, S, cholesky, 0.5 * float(np.log1p(curvature * self.D).sum()))


@dataclass(frozen=True)
class LowRankFactor:
    """``R = S - S U M^-1 U' S``.

    Attributes
    ----------
    U : array (n, q)
        As in `LowRank`.
    S : array (n,)
        (W^-1 + D)^-1.
    cholesky : array (q, q)
        Lower factor of M.
    diagonal : float
        Half the log determinant of I + W D.
    """

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
