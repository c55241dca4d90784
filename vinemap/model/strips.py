"""A Gaussian field at many places, cut into strips of which each knows only the one before it.

The places are sorted along the survey's longest direction and cut into strips of some hundreds. Given the strip before
it, a strip is taken to be independent of all that lie further back: a strip deeper than a few places screens them off.
The field is then a Markov chain, whose algebra costs as many times more as there are strips more. This is the
approximation of A. V. Vecchia, J. R. Stat. Soc. B 50 (1988) 297, with blocks that condition on blocks (M. L. Stein, Z.
Chi & L. J. Welty, J. R. Stat. Soc. B 66 (2004) 275), of the field itself and not of its noisy counts (M. Katzfuss & J.
Guinness, Stat. Sci. 36 (2021) 124; D. Zilber & M. Katzfuss, Comput. Stat. Data Anal. 153 (2021) 107081, for counts).
With one strip or two it is exact. A point between
the places is predicted from the strip that it lies in and those on either side.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import blas, cho_solve, cholesky, lapack, solve_triangular
from scipy.spatial.distance import cdist

from vinemap.arrays import Array
from vinemap.model.matern import matern32

# Places along a strip, at the least: with few places deeper strips cost little.
_SHORTEST = 50
# Places of a strip, at the most: its matrices grow with their square, its algebra with their cube.
_WIDEST = 1500
# Below this evenness places count as standing in patches; blocks with some places each are not so uneven.
_PATCHY = 1 / 3
# Of the variance: places that nearly coincide would leave no digits to their difference.
_NUGGET = 1e-8


def times(left: Array, right: Array) -> Array:
    """Return a matrix product in C order by SciPy's BLAS; why not by NumPy's, `covariances.symmetric_times` says."""
    return np.asarray(blas.dgemm(1.0, right.T, left.T).T)


@dataclass(frozen=True)
class Strips:
    """Places in strips.

    Attributes
    ----------
    places : array (u, 2)
        Metres, along the strips' direction; no two are the same.
    axis : array (2,)
        That direction.
    bounds : array of int (s + 1,)
        Where each strip begins, and the last one ends.
    """

    places: Array
    axis: Array
    bounds: Array

    @classmethod
    def of(cls, xy: Array, depth: float) -> tuple[Strips, Array]:
        """Cut points (n, 2) into strips of about so many places' depth; also return each point's place (n,).

        Places in tight patches are counted by their patches, which a strip must hold several of in depth to screen off
        what lies behind it, as far as strips of `_WIDEST` places reach.
        """
        places, place = np.unique(xy, axis=0, return_inverse=True)
        centred = places - places.mean(axis=0)
        axes = np.linalg.eigh(centred.T @ centred)[1]
        axis = axes[:, -1]
        order = np.argsort(centred @ axis, kind="stable")
        wide = depth * max(_SHORTEST, np.sqrt(len(places)))
        evenness = _evenness(centred @ axes)
        if evenness < _PATCHY:
            wide = max(wide, min(wide / np.sqrt(evenness), _WIDEST))
        count = int(np.ceil(len(places) / wide))
        bounds = np.linspace(0, len(places), count + 1).round().astype(int)
        return cls(places[order], axis, bounds), np.argsort(order)[place.ravel()]

    def __len__(self) -> int:
        return len(self.bounds) - 1

    def slices(self) -> list[slice]:
        """Return the strips as slices of the places."""
        return [slice(*pair) for pair in zip(self.bounds[:-1], self.bounds[1:], strict=True)]

    def windows(self, xy: Array) -> Iterator[tuple[slice, Array]]:
        """Yield each strip with its neighbours, as a slice of the places, and the points (m, 2) that lie in it."""
        edges = (self.places @ self.axis)[self.bounds[1:-1]]
        strip = np.searchsorted(edges, xy @ self.axis)
        for k in np.unique(strip):
            yield slice(*self.bounds[[max(k - 1, 0), min(k + 2, len(self))]]), np.flatnonzero(strip == k)


def _evenness(places: Array) -> float:
    """Return how many squares hold a place, of squares as many as places, by how many do where places are random.

    At most 1. Places in m tight patches fill m squares, however many they are.
    """
    extent = np.ptp(places, axis=0)
    side = np.sqrt(extent.prod() / len(places))
    if not side > 0:
        return 1.0
    filled = len(np.unique(np.floor((places - places.min(axis=0)) / side), axis=0))
    return float(min(1.0, filled / (len(places) * -np.expm1(-1.0))))


@dataclass(frozen=True)
class Chain:
    """The prior of the field at the places.

    Attributes
    ----------
    strips : Strips
        The places.
    length, sd : float
        Length scale in metres and standard deviation of the field.
    """

    strips: Strips
    length: float
    sd: float

    def covariance(self, part: slice, xy: Array | None = None) -> Array:
        """Covariance of the field at some of the places with itself, or with that at points (m, 2)."""
        places = self.strips.places[part]
        result = matern32(cdist(places, places if xy is None else xy), self.length)
        result *= self.sd**2
        if xy is None:
            result.flat[:: len(result) + 1] += _NUGGET * self.sd**2
        return result

    def whitener(self, part: slice) -> Callable[[Array], Array]:
        """Return the function that takes vectors (k, m) to ``L^-1`` times them, ``L L'`` the covariance at places."""
        factor = cholesky(self.covariance(part).T, lower=True, check_finite=False)
        # The transpose of a C-ordered array is the Fortran-ordered one that BLAS takes as it is, from the right.
        return lambda vectors: np.asarray(blas.dtrsm(1.0, factor, vectors.T, side=1, lower=1, trans_a=1).T)

    @cached_property
    def links(self) -> list[tuple[Array, Array]]:
        """For each strip, the matrix that predicts it from the one before, and the covariance that this leaves."""
        parts = self.strips.slices()
        own = self.covariance(parts[0])
        links = [(np.empty((len(own), 0)), own)]
        for before, part in itertools.pairwise(parts):
            factor = cholesky(own.T, lower=True, check_finite=False)
            cross, own = self.covariance(before, self.strips.places[part]), self.covariance(part)
            pull = np.ascontiguousarray(cho_solve((factor, True), cross, check_finite=False).T)
            links.append((pull, own - times(pull, cross)))
        return links

    def __matmul__(self, vectors: Array) -> Array:
        """Return the covariance of the field times vectors (u, m)."""
        parts = self.strips.slices()
        sums = [vectors[part] for part in parts]
        for k in range(len(parts) - 1, 0, -1):
            sums[k - 1] = sums[k - 1] + times(self.links[k][0].T, sums[k])
        product = np.empty_like(vectors)
        for k, (pull, own) in enumerate(self.links):
            product[parts[k]] = times(own, sums[k])
            if k:
                product[parts[k]] += times(pull, product[parts[k - 1]])
        return product

    def seen(self, precision: Array) -> SeenChain:
        """Condition on observations of given precision (u,), one a place."""
        steps: list[_Step] = []
        for part, (pull, own) in zip(self.strips.slices(), self.links, strict=True):
            predicted = own + times(times(pull, steps[-1].filtered), pull.T) if steps else own
            steps.append(_Step.of(predicted, precision[part]))
        return SeenChain(self, precision, steps)


@dataclass(frozen=True)
class _Step:
    """One strip's update by its observations, given those of the strips before it.

    Attributes
    ----------
    predicted, filtered : array (w, w)
        Covariance of the field before and after.
    root : array (w,)
        Roots of the observations' precisions S.
    cholesky : array (w, w)
        Lower factor of ``I + S^1/2 predicted S^1/2``.
    gain : array (w, w)
        ``cholesky^-1 S^1/2 predicted``.
    """

    predicted: Array
    filtered: Array
    root: Array
    cholesky: Array
    gain: Array

    @classmethod
    def of(cls, predicted: Array, precision: Array) -> _Step:
        root = np.sqrt(precision)
        scaled = root[:, None] * predicted
        B = scaled * root
        B.flat[:: len(B) + 1] += 1.0
        factor = cholesky(B.T, lower=True, overwrite_a=True, check_finite=False)
        gain = np.ascontiguousarray(solve_triangular(factor, scaled, lower=True, check_finite=False))
        return cls(predicted, predicted - times(gain.T, gain), root, factor, gain)

    @cached_property
    def whitener(self) -> Array:
        """U (w, w) with ``U'U = (predicted + S^-1)^-1``."""
        return np.ascontiguousarray(lapack.dtrtri(self.cholesky, lower=1)[0] * self.root)

    def solve(self, vectors: Array) -> Array:
        """Return ``(predicted + S^-1)^-1`` times vectors (w, m)."""
        root = self.root[:, None]
        return np.asarray(root * cho_solve((self.cholesky, True), root * vectors, check_finite=False))


@dataclass(frozen=True)
class SeenChain:
    """The posterior of the field at the places, by a pass forward over the strips and one back.

    Attributes
    ----------
    prior : Chain
        What it was before.
    precision : array (u,)
        Of the observations.
    steps : list
        One a strip.

    References
    ----------
    A. E. Bryson & M. Frazier, "Smoothing for linear and nonlinear dynamic systems", in Proc. Optimum System Synthesis
    Conf., Wright-Patterson AFB, 1963: the pass back, which inverts no covariance.
    """

    prior: Chain
    precision: Array
    steps: list[_Step]

    @property
    def half_log_determinant(self) -> float:
        """Half the log determinant of I + S K."""
        return float(sum(np.log(np.diag(step.cholesky)).sum() for step in self.steps))

    def solve(self, vectors: Array) -> Array:
        """Return ``(K + S^-1)^-1`` times vectors (u, m), with no difference of large numbers."""
        parts, pulls = self.prior.strips.slices(), [pull for pull, _ in self.prior.links]
        errors = [vectors[parts[0]]]
        for k, step in enumerate(self.steps[:-1]):
            mean = vectors[parts[k]] - errors[k] + times(step.predicted, step.solve(errors[k]))
            errors.append(vectors[parts[k + 1]] - times(pulls[k + 1], mean))
        solved = np.empty_like(vectors)
        later = np.zeros_like(errors[-1])
        for k in range(len(parts) - 1, -1, -1):
            step = self.steps[k]
            solved[parts[k]] = step.solve(errors[k] - times(step.predicted, later))
            later = times(pulls[k].T, solved[parts[k]] + later)
        return solved

    @cached_property
    def _carries(self) -> list[Array]:
        """Matrices that carry an error of prediction from each strip but the last to the next."""
        pulls = [pull for pull, _ in self.prior.links[1:]]
        return [
            pull - times(times(pull, step.gain.T), step.whitener) for pull, step in zip(pulls, self.steps, strict=False)
        ]

    @cached_property
    def _futures(self) -> list[Array]:
        """For each strip, Λ such that its own and all later observations leave ``C - C Λ C`` of its predicted C."""
        futures: list[Array] = []
        for k in range(len(self.steps) - 1, -1, -1):
            whitener = self.steps[k].whitener
            future = times(whitener.T, whitener)
            if futures:
                carry = self._carries[k]
                future += times(carry.T, times(futures[-1], carry))
            futures.append(future)
        return futures[::-1]

    @cached_property
    def _lefts(self) -> list[Array]:
        """For each strip, ``I - Λ C``."""
        lefts = []
        for step, future in zip(self.steps, self._futures, strict=True):
            left = -times(future, step.predicted)
            left.flat[:: len(left) + 1] += 1.0
            lefts.append(left)
        return lefts

    def covariance(self, places: Array) -> Array:
        """Posterior covariance (k, k) of the field at some of the places, given by number in rising order."""
        bounds = self.prior.strips.bounds
        strip = np.searchsorted(bounds, places, side="right") - 1
        result = np.empty((len(places), len(places)))
        for k in np.unique(strip):
            rows = np.flatnonzero(strip == k)
            reach = self.steps[k].predicted[places[rows] - bounds[k]]
            for later in range(k, strip[-1] + 1):
                if later > k:
                    reach = times(reach, self._carries[later - 1].T)
                columns = np.flatnonzero(strip == later)
                if len(columns):
                    block = times(reach, self._lefts[later][:, places[columns] - bounds[later]])
                    result[np.ix_(rows, columns)] = block
                    result[np.ix_(columns, rows)] = block.T
        return result
