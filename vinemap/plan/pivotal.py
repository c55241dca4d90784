"""Spatially balanced draws: the local pivotal method, evened out over the ground."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial import cKDTree

from vinemap.arrays import Array

_SURE = 1e-9
_STEPS = 10


def local_pivotal(space: Array, inclusion: Array, rng: np.random.Generator) -> Array:
    """Draw units so that near ones seldom come together, each with exactly its inclusion probability.

    A unit drawn at random and its nearest undecided neighbour settle their probabilities between them: one takes as
    much of the other's as it can hold. It goes on until all are settled. Own few lines, because no maintained Python
    package has the method.

    Parameters
    ----------
    space : array (n, k)
        Coordinates in which units are near or far.
    inclusion : array (n,)
        Inclusion probabilities, 0 to 1; their sum is the number to draw.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    array of int
        Rows drawn, in ascending order. Their number is the sum of ``inclusion``, rounded up or down where not whole.

    References
    ----------
    A. Grafström, N. L. P. Lundström & L. Schelin, Biometrics 68 (2012) 514: local pivotal method 2; J.-C. Deville &
    Y. Tillé, Biometrika 85 (1998) 89: the settling of two units.
    """
    inclusion = np.array(inclusion, dtype=np.float64)
    open_ = np.flatnonzero((inclusion > _SURE) & (inclusion < 1 - _SURE))
    places = np.ascontiguousarray(space[open_].T)
    while len(open_) > 1:
        one = int(rng.integers(len(open_)))
        away = ((places - places[:, one, None]) ** 2).sum(axis=0)
        away[one] = np.inf
        nearest = np.flatnonzero(away <= away.min())
        other = int(nearest[rng.integers(len(nearest))])
        pair = open_[one], open_[other]
        inclusion[pair[0]], inclusion[pair[1]] = _settled(float(inclusion[pair[0]]), float(inclusion[pair[1]]), rng)
        gone = [place for place in (one, other) if not _SURE < inclusion[open_[place]] < 1 - _SURE]
        for place in sorted(gone, reverse=True):
            # In their place, which takes a fifth of the time of a copy without them.
            open_[place:-1], places[:, place:-1] = open_[place + 1 :], places[:, place + 1 :]
            open_, places = open_[:-1], places[:, :-1]
    if len(open_):
        inclusion[open_] = rng.random() < inclusion[open_]
    return np.flatnonzero(inclusion > 0.5)


def _settled(first: float, second: float, rng: np.random.Generator) -> tuple[float, float]:
    """Let two units settle their probabilities; both expectations stay."""
    total = first + second
    if total < 1:
        return (0.0, total) if rng.random() * total < second else (total, 0.0)
    return (1.0, total - 1) if rng.random() * (2 - total) < 1 - second else (total - 1, 1.0)


def evened(space: Array, drawn: Array) -> Array:
    """Move a draw so that every unit of it stands in the middle of the ground that is nearest to it.

    Parameters
    ----------
    space : array (n, k)
        As in `local_pivotal`.
    drawn : array of int (m,)
        Rows drawn.

    Returns
    -------
    array of int (m,)
        Rows, all different; the draw as it is where the move would bring two together.

    References
    ----------
    D. J. J. Walvoort, D. J. Brus & J. J. de Gruijter, Computers & Geosciences 36 (2010) 1261: spatial coverage sampling
    by k-means, here from a start that is spread already.
    """
    middles = space[drawn]
    for _ in range(_STEPS):
        nearest = cKDTree(middles).query(space)[1]
        middles = np.array([space[nearest == k].mean(axis=0) for k in np.unique(nearest)])
    moved: Array = np.unique(cKDTree(space).query(middles)[1])
    return moved if len(moved) == len(drawn) else drawn


def gap(space: Array, drawn: Array) -> float:
    """Return the root mean square distance from all units to the nearest drawn one."""
    return float(np.sqrt((cKDTree(space[drawn]).query(space)[0] ** 2).mean()))


def best_draw(
    space: Array, inclusion: Array, draws: int, rng: np.random.Generator, missing: Callable[[Array], int] = lambda _: 0
) -> Array:
    """Return the best of several draws by the local pivotal method, evened: by ``missing``, then by `gap`.

    Parameters
    ----------
    space, inclusion : array
        As in `local_pivotal`.
    draws : int
        How many to try.
    rng : numpy.random.Generator
        Source of randomness.
    missing : callable
        Number of required parts that a draw leaves out.
    """
    tried = [evened(space, local_pivotal(space, inclusion, rng)) for _ in range(draws)]
    return min(tried, key=lambda drawn: (missing(drawn), gap(space, drawn)))
