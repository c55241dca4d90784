"""Counts in more rows than exact algebra carries well, with a field in strips."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.spatial import cKDTree

from vinemap.arrays import Array
from vinemap.model.covariances import Vecchia
from vinemap.model.hyperparameters import Counts, Mode
from vinemap.model.laplace import Laplace
from vinemap.model.strips import Chain, Strips

_PART = 1000
_PATCH = 50
_ROUNDS = 10
# From half a posterior sd off, one more step leads to the mode.
_NEAR = 0.25
_STEP = 0.5
_LONGEST_STEP = 4.0
# Thin strips tell the covariance parameters well enough; the field itself wants deeper ones.
_DEPTH, _DEPTH_OF_SEARCH = 5.0, 2.0


@dataclass(frozen=True)
class ManyCounts(Counts):
    """Counts whose prior covariance is Vecchia's approximation; rows of one cluster have one place.

    Attributes
    ----------
    depth : float
        How many places deep a strip is, where they stand evenly over a square; more where there are under 2,500.
    """

    depth: float = _DEPTH

    @classmethod
    def all_of(cls, counts: Counts) -> ManyCounts:
        """Take over counts as they are."""
        return cls(**{field.name: getattr(counts, field.name) for field in fields(counts)})

    @cached_property
    def _layout(self) -> tuple[Strips, sp.csr_array, sp.csr_array]:
        """Strips, and the matrices that put each row on its place and in its cluster."""
        strips, place = Strips.of(self.xy, self.depth)
        _, first = np.unique(self.cluster, return_index=True)
        if np.any(place[first][self.cluster] != place):
            raise ValueError("so many rows can be fitted only where the rows of each cluster stand on one place")
        return strips, _indicator(place), _indicator(self.cluster)

    def covariance(self, theta: Array, variance: Array) -> Vecchia:
        """Prior covariance (n, n) of the log-odds: coefficients, field and between-cluster deviations."""
        length, field_sd, cluster_sd = (float(value) for value in np.exp(theta))
        strips, at, of = self._layout
        return Vecchia(Chain(strips, length, field_sd), at, of, cluster_sd**2, self.X, variance)

    def _patches(self) -> Counts:
        """Take some of the rows for exact algebra: patches of neighbours, which show near and far distances alike."""
        centres = np.random.default_rng(0).permutation(len(self))[: _PART // _PATCH]
        return self.take(np.unique(cKDTree(self.xy).query(self.xy[centres], _PATCH)[1]))

    def mode(self, variance: Array, log_prior: float = 0.0, start: Array | None = None) -> Mode:
        """Find the posterior mode of the covariance parameters of one model.

        The search starts from the exact mode on some of the rows and goes on with all rows in thin strips. These are
        enough for it: the score of Vecchia's likelihood has mean 0 at the truth, however little it conditions on
        (Stein, Chi & Welty 2004).
        """
        patches = self._patches()
        near = patches.mode(variance, start=start)
        thin = replace(self, depth=_DEPTH_OF_SEARCH)
        theta, fit = thin._search(thin.at(near.theta, variance), self._axes_of(patches, near))
        return self.at(theta, variance, log_prior, fit)

    def axes(self, mode: Mode) -> Array:
        """Axes (3, 3) of the posterior of the covariance parameters at its mode, a column about one sd long."""
        patches = self._patches()
        return self._axes_of(patches, patches.at(mode.theta, mode.variance))

    def _axes_of(self, patches: Counts, mode: Mode) -> Array:
        return patches.axes(mode) * np.sqrt(len(patches) / len(self))

    def _search(self, mode: Mode, axes: Array) -> tuple[Array, Laplace]:
        """Climb to within a fraction of a posterior sd of the mode; ``axes`` (3, 3) are roughly that long.

        By the quasi-Newton method of Broyden, Fletcher, Goldfarb and Shanno (J. Nocedal & S. J. Wright, Numerical
        Optimization, 2006, eq. 6.19), with slopes from differences along the axes.
        """
        curvature = np.eye(len(axes))
        slope = self._slope(mode, axes, curvature)
        for _ in range(_ROUNDS):
            step = np.linalg.solve(curvature, slope)
            step *= min(1.0, _LONGEST_STEP / float(np.abs(step).max()))
            if slope @ step < _NEAR:
                return self._inside(mode.theta + axes @ step), mode.fit
            better = self._ahead(mode, axes @ step, 0.0)
            if better is None:
                break
            moved = np.linalg.solve(axes, better.theta - mode.theta)
            mode, before = better, slope
            slope = self._slope(mode, axes, curvature)
            change, expected = before - slope, curvature @ moved
            if change @ moved > 0:
                curvature += np.outer(change, change) / (change @ moved)
                curvature -= np.outer(expected, expected) / (expected @ moved)
        return mode.theta, mode.fit

    def _slope(self, mode: Mode, axes: Array, curvature: Array) -> Array:
        """Slope (3,) of the log posterior along the axes, from differences ahead that the curvature is taken out of."""
        ahead = np.array([self._ahead_by(_STEP * axis, mode).log_posterior for axis in axes.T])
        return np.asarray((ahead - mode.log_posterior) / _STEP + _STEP / 2 * np.diag(curvature))

    def _ahead_by(self, step: Array, mode: Mode) -> Mode:
        return self.at(self._inside(mode.theta + step), mode.variance, near=mode.fit)

    def _inside(self, theta: Array) -> Array:
        return np.clip(theta, *self.limits().T)


def _indicator(group: Array) -> sp.csr_array:
    """Return the matrix (n, groups) that is 1 where a row belongs to a group."""
    pointer = np.arange(len(group) + 1)
    return sp.csr_array((np.ones(len(group)), group, pointer), shape=(len(group), int(group.max()) + 1))
