"""What a survey leaves undecided, and where one cane more decides most."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from vinemap.arrays import Array

NODES_PER_CANE = 10
"""Nodes to cut on a new cane, from the base.

Univ. of Maryland Extension (2018) calls the first 2 to 10 critical, Cornell Cooperative Extension (2014) cuts the first
6 to 8.
"""
MOST_CANES = 40
"""No more are asked for where no number is given."""
_QUADRATURE = 15


@dataclass(frozen=True)
class Posterior:
    """What a first survey leaves open, at places that stand for equal pieces of ground.

    Attributes
    ----------
    xy : array (n, 2)
        Places in metres.
    block : array of int (n,)
        Row of each place's block.
    mean : array (n,)
        Log-odds of a dead primary bud.
    covariance : array (n, n)
        Of the log-odds, over joint draws of the fitted surface.
    noise : float
        Variance of the log-odds that one cane from a new vine shows: the vine's own deviation and its few buds.
    threshold : float
        Log-odds of the injury that divides the decisions.
    """

    xy: Array
    block: Array
    mean: Array
    covariance: Array
    noise: float
    threshold: float

    @property
    def probability(self) -> Array:
        """Probability that injury is above the threshold, shape (n,)."""
        return np.asarray(ndtr((self.mean - self.threshold) / np.sqrt(np.diag(self.covariance))))

    @property
    def misclassified(self) -> float:
        """Expected share of the ground that is on the other side of the threshold than the map says."""
        return float(np.minimum(self.probability, 1 - self.probability).mean())

    def seen(self, at: int) -> Posterior:
        """Return the posterior after one more cane at a place, before its buds are read."""
        column = self.covariance[:, at]
        held = np.outer(column, column) / (column[at] + self.noise)
        return replace(self, covariance=self.covariance - held)


def cane_noise(mean: Array, between_vine_sd: float, nodes_per_cane: int) -> float:
    """Return the variance of the log-odds that one cane from a new vine shows.

    Parameters
    ----------
    mean : array (n,)
        Log-odds at the places.
    between_vine_sd : float
        Of the log-odds of vines on the same ground.
    nodes_per_cane : int
        Nodes that the cane will show.
    """
    share = float(expit(mean.mean()))
    return between_vine_sd**2 + 1 / max(share * (1 - share) * nodes_per_cane, 0.1)


def drawn_covariance(draws: Array) -> Array:
    """Covariance of rows over draws, with the part of each squared correlation that luck alone gives taken off."""
    covariance = np.cov(draws)
    sd = np.sqrt(np.diag(covariance))
    square = (covariance / np.outer(sd, sd)) ** 2
    by_luck = 1 / draws.shape[1]
    kept = np.sqrt(np.clip((square - by_luck) / (1 - by_luck), 0, None) / np.maximum(square, 1e-12))
    np.fill_diagonal(kept, 1.0)
    return np.asarray(covariance * kept)


def telling_places(
    posterior: Posterior,
    allowed: NDArray[np.bool_],
    count: int | None,
    least: int = 0,
    enough: float = 0.0,
    most: int = MOST_CANES,
) -> tuple[NDArray[np.intp], float]:
    """Choose places one by one, each where a cane is expected to leave least ground misclassified.

    A cane at a place narrows the surface there and wherever the surface goes with it. What the buds will say is not
    known, so the misclassified ground is averaged over what they may: the updated mean at a place is normal around the
    present one with the variance that is taken away.

    Parameters
    ----------
    posterior : Posterior
    allowed : array of bool (n,)
        Places to choose from.
    count : int or None
        How many; None takes as many as halve the misclassified ground, at most ``most``.
    least : int
        Where no count is given, no fewer than these.
    enough : float
        Where no count is given, a share of misclassified ground under which half of it is not asked for.
    most : int
        Where no count is given, no more than these, or ``least``.

    Returns
    -------
    chosen : array of int
        In the order of choice.
    risk : float
        Share of the ground that is then expected to be misclassified.

    References
    ----------
    Expected value of sample information (H. Raiffa & R. Schlaifer, Applied Statistical Decision Theory, 1961, from
    memory); update of a normal posterior: Rasmussen & Williams, GPML (2006), eq. 2.26; greedy choice of places: A.
    Krause, A. Singh & C. Guestrin, J. Mach. Learn. Res. 9 (2008) 235.
    """
    allowed = allowed.copy()
    start = np.diag(posterior.covariance).copy()
    now, risk = posterior, posterior.misclassified
    chosen: list[int] = []
    goal = max(posterior.misclassified / 2, enough)
    while len(chosen) < (max(most, least) if count is None else count) and allowed.any():
        if count is None and len(chosen) >= least and risk <= goal:
            break
        gains = _risks(now, start, np.flatnonzero(allowed))
        best = int(np.flatnonzero(allowed)[gains.argmin()])
        now, risk = now.seen(best), float(gains.min())
        chosen.append(best)
        allowed[best] = False
    return np.array(chosen, np.intp), risk


def _risks(now: Posterior, start: Array, places: Array) -> Array:
    """Return the expected misclassified share with one more cane at each place, over all that new canes may show."""
    columns = now.covariance[:, places]
    variance = np.diag(now.covariance)[:, None] - columns**2 / (columns[places, np.arange(len(places))] + now.noise)
    variance = np.maximum(variance, 1e-9)
    moved, sd = np.sqrt(np.maximum(start[:, None] - variance, 0.0)), np.sqrt(variance)
    above = now.mean[:, None] - now.threshold
    points, weights = np.polynomial.hermite_e.hermegauss(_QUADRATURE)
    risk = np.zeros(len(places))
    for point, weight in zip(points, weights / weights.sum(), strict=True):
        away = np.abs(above + point * moved) / sd
        risk += weight * ndtr(-away).mean(axis=0)
    return risk
