"""What more would be worth before anyone walks: ground rightly judged with more canes, loggers, or a grid of heights.

All is linear and normal here: the log-odds over the ground are a normal vector, a cane reads one place of it with
noise, a logger one place of the temperature behind it. What readings tell is then known before they are taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial.distance import cdist
from scipy.special import logit, owens_t

from vinemap.arrays import Array
from vinemap.evidence.temperature import ACCURACY_C, FEWEST_LOGGERS
from vinemap.model.hyperparameters import Priors
from vinemap.model.matern import matern32
from vinemap.plan.outlook import Outlook
from vinemap.reading.vineyard import Site
from vinemap.rules import Hardiness
from vinemap.surface.design import INTERCEPT_SD, TERRAIN_SD, VARIETY_SD, most_covariates
from vinemap.surface.undecided import Posterior, cane_noise, telling_places
from vinemap.terrain.grid import block_grid, centres, read_layers
from vinemap.terrain.standard import standard_over

MORE_CANES = 10
_PLACES = 220
_NIGHTS, _EACH = 60, 8
_LEVEL_C = 10.0
# Injury follows as many figures of the terrain as the model has with enough canes, or fewer.
_MOST = most_covariates(1_000)
_HILL_M = (50.0, 250.0)
_LONGEST_M = 2000.0
_JITTER = 1e-8
_QUADRATURE = 21
_ENDS = (0.05, 0.95)


@dataclass(frozen=True)
class Belief:
    """A normal vector and what may be read of it.

    Attributes
    ----------
    mean : array (m,)
    covariance : array (m, m)
    """

    mean: Array
    covariance: Array

    def pull(self, at: NDArray[np.intp], noise: Array) -> Array:
        """Return the pull (m, k) of each reading on the mean.

        Parameters
        ----------
        at : array of int (k,)
            Entries that are read.
        noise : array (k,)
            Variance of each reading.
        """
        if not len(at):
            return np.zeros((len(self.mean), 0))
        seen = self.covariance[np.ix_(at, at)] + np.diag(noise)
        return np.asarray(cho_solve(cho_factor(seen), self.covariance[at]).T)


@dataclass(frozen=True)
class Night:
    """One night as the model takes it to be possible: first the log-odds of all places, then their temperatures.

    Attributes
    ----------
    belief : Belief
        Of the log-odds (n,), and the temperatures (n,) behind a share of them.
    noise : float
        Variance of a cane's log-odds.
    known : Belief or None
        The same where a grid of heights is there; None where there is one already, or it cannot be told.
    """

    belief: Belief
    noise: float
    known: Belief | None = None


@dataclass(frozen=True)
class Gain:
    """What one addition is worth.

    Attributes
    ----------
    of : str
        ``canes``, ``loggers`` or ``heights``.
    count : int
        Canes or loggers more; 1 of heights.
    gain_ha, low_ha, high_ha : float
        Ground rightly judged besides, expected, and the bounds in nine of ten nights that the model draws.
    """

    of: str
    count: int
    gain_ha: float
    low_ha: float
    high_ha: float


@dataclass(frozen=True)
class Worth:
    """What a plan, and more than it, would be worth.

    Attributes
    ----------
    right : float
        Share of the ground that is expected on the right side of the threshold with the canes of the plan.
    gains : list of Gain
    surveyed : bool
        Whether canes of a first survey are behind it.
    """

    right: float
    gains: list[Gain]
    surveyed: bool


def rightly_judged(belief: Belief, truth: Belief, at: NDArray[np.intp], noise: Array, limit: float) -> Array:
    """Return the probability (m,) that each entry is judged rightly once readings are in, whatever they will say.

    Parameters
    ----------
    belief : Belief
        By which readings are turned into estimates, with `Belief.pull`.
    truth : Belief
        Of what is read and judged, with the same mean; ``belief`` itself where nobody knows more.
    at : array of int (k,)
        Entries that are read.
    noise : array (k,)
        Variance of each reading.
    limit : float
        That divides the decisions.

    Notes
    -----
    Truth and estimate are a pair of normal figures of one mean; that they lie on two sides of the limit is an orthant's
    probability, two of the T functions of D. B. Owen, Ann. Math. Stat. 27 (1956) 1075.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.plan.worth import Belief, rightly_judged
    >>> even = Belief(np.zeros(1), np.eye(1))
    >>> rightly_judged(even, even, np.array([0]), np.ones(1), 0.0).round(3).tolist()  # 1/2 + arcsin(sqrt(1/2)) / π
    [0.75]
    """
    pull = belief.pull(at, noise)
    seen = truth.covariance[np.ix_(at, at)] + np.diag(noise)
    true, told = np.sqrt(np.diag(truth.covariance)), np.sqrt(np.einsum("ij,ij->i", pull @ seen, pull))
    away = np.abs(belief.mean - limit)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = told / true
        go_together = np.clip(np.einsum("ij,ji->i", pull, truth.covariance[at]) / (true * told), -1.0, 1.0)
        go_together = np.where(told > 0, go_together, 0.0)
        apart = np.sqrt(1.0 - go_together**2)
        wrong = owens_t(away / told, (ratio - go_together) / apart) + owens_t(
            away / true, (1 / ratio - go_together) / apart
        )
        # An estimate that never moves is right where its mean is; one that is the truth is always right.
        wrong = np.where(told > 0, wrong, owens_t(away / true, np.inf))
    return np.asarray(1.0 - 2.0 * np.where(apart > 0, wrong, 0.0))


def worth_before(
    site: Site, terrain: xr.Dataset | None, outlook: Outlook | None, points: Array, share: float, nodes: int, seed: int
) -> Worth:
    """Say what canes, loggers and a grid of heights would be worth before the first cane is cut.

    Parameters
    ----------
    site : Site
    terrain : Dataset or None
        From `vinemap.terrain.layers.terrain_layers`.
    outlook : Outlook or None
        Where loggers hung: its expected injury is the mean of what is drawn.
    points : array (k, 2)
        Places of the plan's canes, metres.
    share : float
        Injury to expect with no outlook.
    nodes : int
        Nodes of each cane.
    seed : int
    """
    xy, block = _places(site)
    if outlook is None:
        mean = np.full(len(xy), float(logit(share)))
    else:
        mean = logit(np.clip(outlook.at(xy, block).mean, 0.01, 0.99))
    rng = np.random.default_rng(seed)
    ground = _Ground(xy, _varieties(site, block), _columns(terrain, xy), mean, site.settings.actions.rules.hardiness)
    nights = [ground.night(rng, nodes) for _ in range(_NIGHTS)]
    planned = _nearest(xy, points)
    more = _apart(xy, planned, MORE_CANES)
    return _worth(nights, _Places(xy, planned, more, _nearest(xy, _hung(site))), site, rng, surveyed=False)


def worth_after(site: Site, posterior: Posterior, points: Array, seed: int) -> Worth:
    """Say what more canes and loggers would be worth after a first survey, beside the second round's own points.

    Parameters
    ----------
    site : Site
    posterior : Posterior
        What the survey leaves open.
    points : array (k, 2)
        Places of the second round's canes, metres.
    seed : int
    """
    some = np.arange(0, len(posterior.xy), max(1, len(posterior.xy) // _PLACES))
    xy = posterior.xy[some]
    own = posterior.covariance[np.ix_(some, some)]
    now = replace(posterior, xy=xy, block=posterior.block[some], mean=posterior.mean[some], covariance=_positive(own))
    rng = np.random.default_rng(seed)
    hardiness = site.settings.actions.rules.hardiness
    nights = [Night(_with_air(now.mean, now.covariance, hardiness, rng), now.noise) for _ in range(_NIGHTS)]
    planned = _nearest(xy, points)
    left = now
    for at in planned:
        left = left.seen(int(at))
    allowed = ~np.isin(np.arange(len(xy)), planned)
    more, _ = telling_places(left, allowed, min(MORE_CANES, int(allowed.sum())))
    limit = now.threshold
    return _worth(nights, _Places(xy, planned, more, _nearest(xy, _hung(site))), site, rng, surveyed=True, limit=limit)


@dataclass(frozen=True)
class _Places:
    """Which places are read: canes of the plan, canes more, loggers that hang there (rows of the places)."""

    xy: Array
    planned: NDArray[np.intp]
    more: NDArray[np.intp]
    hung: NDArray[np.intp]


@dataclass(frozen=True)
class _Ground:
    """What the model takes of a vineyard before it is measured."""

    xy: Array
    varieties: Array
    columns: Array | None
    mean: Array
    hardiness: Hardiness

    def night(self, rng: np.random.Generator, nodes: int) -> Night:
        """Draw the covariance parameters and the covariates of one night from their priors."""
        priors, far = Priors(), -np.log(0.05)
        length = min(far * priors.shortest_range_m / rng.standard_exponential(), _LONGEST_M) / 2
        field_sd = rng.standard_exponential() * priors.largest_field_sd / far
        between = rng.standard_exponential() * priors.largest_cluster_sd / far
        size = int(rng.integers(0, _MOST + 1))
        distance = cdist(self.xy, self.xy)
        pattern = field_sd**2 * matern32(distance, length)
        level = INTERCEPT_SD**2 + VARIETY_SD**2 * (self.varieties[:, None] == self.varieties[None, :])
        noise = cane_noise(self.mean, between, nodes)
        if self.columns is not None:
            chosen = rng.choice(self.columns.shape[1], min(size, self.columns.shape[1]), replace=False)
            own = self.columns[:, chosen]
            return Night(_with_air(self.mean, pattern + TERRAIN_SD**2 * own @ own.T, self.hardiness, rng, level), noise)
        # Nobody knows the ground's shape: a covariate is then a smooth pattern that may be any.
        hills = matern32(distance, float(rng.uniform(*_HILL_M)))
        drawn = np.linalg.cholesky(_proper(hills)) @ rng.standard_normal((len(self.xy), size))
        known = pattern + TERRAIN_SD**2 * drawn @ drawn.T
        state = rng.bit_generator.state
        with_grid = _with_air(self.mean, known, self.hardiness, rng, level)
        rng.bit_generator.state = state
        unknown = pattern + size * TERRAIN_SD**2 * hills
        return Night(_with_air(self.mean, unknown, self.hardiness, rng, level), noise, with_grid)


def _with_air(
    mean: Array, pattern: Array, hardiness: Hardiness, rng: np.random.Generator, level: Array | float = 0.0
) -> Belief:
    """Return log-odds and the temperatures behind a share of their pattern, which nobody knows: all shares are alike.

    How far a degree raises the log-odds is as the rules have it from published spreads of lethal temperatures.
    """
    cold, slope = rng.uniform(), max(hardiness.slope + hardiness.slope_sd * rng.standard_normal(), 0.2)
    air = cold / slope**2 * pattern
    both = np.block([[pattern + level, -slope * air], [-slope * air, air + _LEVEL_C**2]])
    return Belief(np.concatenate([mean, np.zeros(len(mean))]), _proper(both))


def _positive(covariance: Array) -> Array:
    """Return the nearest covariance: one that is known from draws may have directions of less than no variance."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _proper(covariance: Array) -> Array:
    return np.asarray(covariance + _JITTER * float(np.diag(covariance).max()) * np.eye(len(covariance)))


def _worth(
    nights: list[Night],
    places: _Places,
    site: Site,
    rng: np.random.Generator,
    *,
    surveyed: bool,
    limit: float | None = None,
) -> Worth:
    threshold = float(logit(site.settings.surface.threshold)) if limit is None else limit
    # Fewer than three loggers tell no surface: they are not taken to be read until there are as many.
    short = len(places.hung) < FEWEST_LOGGERS
    loggers = _apart(places.xy, places.hung, max(1, FEWEST_LOGGERS - len(places.hung)))
    counts = {"canes": len(places.more), "loggers": len(loggers)}
    counts |= {"heights": 1} if all(night.known is not None for night in nights) else {}
    right: list[float] = []
    expected: dict[str, list[float]] = {of: [] for of in counts}
    drawn: dict[str, list[float]] = {of: [] for of in counts}
    for night in nights:
        plain = _Readings.of(night, places.planned, places.hung[:0] if short else places.hung)
        further = {
            "canes": plain.and_of(_Readings.of(night, places.more, places.hung[:0])),
            "loggers": plain.and_of(
                _Readings.of(night, places.more[:0], np.concatenate([places.hung, loggers]) if short else loggers)
            ),
            "heights": plain,
        }
        right.append(_expected(night.belief, night.belief, plain, threshold))
        for of in counts:
            informed = night.known if of == "heights" and night.known is not None else night.belief
            now = _expected(night.belief, informed, plain, threshold)
            expected[of].append(_expected(informed, informed, further[of], threshold) - now)
            drawn[of] += _paired(night.belief, informed, plain, further[of], threshold, rng)
    area = float(site.blocks.geometry.area.sum()) / 1e4
    gains = []
    for of, count in counts.items():
        low, high = area * np.quantile(drawn[of], _ENDS)
        gains.append(Gain(of, count, area * float(np.mean(expected[of])), float(low), float(high)))
    return Worth(float(np.mean(right)), gains, surveyed)


@dataclass(frozen=True)
class _Readings:
    """Entries of a night that are read, and the variance of each reading."""

    at: NDArray[np.intp]
    noise: Array

    @classmethod
    def of(cls, night: Night, canes: NDArray[np.intp], loggers: NDArray[np.intp]) -> _Readings:
        places = len(night.belief.mean) // 2
        noise = np.concatenate([np.full(len(canes), night.noise), np.full(len(loggers), ACCURACY_C**2)])
        return cls(np.concatenate([canes, places + loggers]).astype(np.intp), noise)

    def and_of(self, others: _Readings) -> _Readings:
        """Return these and, after them, others."""
        return _Readings(np.concatenate([self.at, others.at]), np.concatenate([self.noise, others.noise]))


def _expected(belief: Belief, truth: Belief, readings: _Readings, limit: float) -> float:
    """Return the share of the ground that is expected to be judged rightly."""
    right = rightly_judged(belief, truth, readings.at, readings.noise, limit)
    return float(right[: len(right) // 2].mean())


def _paired(
    belief: Belief, informed: Belief, now: _Readings, then: _Readings, limit: float, rng: np.random.Generator
) -> list[float]:
    """Return what more is worth on ground that is drawn; what is read now comes first in what is read then."""
    ground = slice(len(belief.mean) // 2)
    factor = np.linalg.cholesky(informed.covariance)
    truth = informed.mean[:, None] + factor @ rng.standard_normal((len(factor), _EACH))
    read = truth[then.at] + np.sqrt(then.noise)[:, None] * rng.standard_normal((len(then.at), _EACH))
    better = _updated(informed, then, read)[ground] > limit
    plain = _updated(belief, now, read[: len(now.at)])[ground] > limit
    side = truth[ground] > limit
    gained: list[float] = ((better == side).mean(axis=0) - (plain == side).mean(axis=0)).tolist()
    return gained


def _updated(belief: Belief, readings: _Readings, read: Array) -> Array:
    """Return the mean (m, draws) once readings (k, draws) are in."""
    pull = belief.pull(readings.at, readings.noise)
    return np.asarray(belief.mean[:, None] + pull @ (read - belief.mean[readings.at][:, None]))


def _places(site: Site) -> tuple[Array, Array]:
    """Return places (n, 2) that stand for equal pieces of ground, and the rows (n,) of their blocks."""
    blocks = site.blocks
    cell = float(np.sqrt(blocks.geometry.area.sum() / _PLACES))
    grid = block_grid(blocks, cell, site.settings.surface.max_cells)
    index = grid["block_index"].to_numpy()
    return centres(grid, index >= 0), index[index >= 0]


def _varieties(site: Site, block: Array) -> Array:
    """Return a number (n,) for the variety of each place; what is unknown is one."""
    names = site.blocks["variety"].fillna("")
    return np.unique(names, return_inverse=True)[1][block]


def _columns(terrain: xr.Dataset | None, xy: Array) -> Array | None:
    """Return the terrain's covariates (n, p), standardised; None with no grid, or where it tells no places apart."""
    if terrain is None:
        return None
    covariates, centre, scale, _ = standard_over(terrain, xy)
    return np.asarray((read_layers(terrain, [one.name for one in covariates], xy) - centre) / scale)


def _hung(site: Site) -> Array:
    """Return the places (l, 2) of the loggers that hung."""
    if site.loggers is None:
        return np.empty((0, 2))
    return np.column_stack([site.loggers.geometry.x, site.loggers.geometry.y])


def _nearest(xy: Array, points: Array) -> NDArray[np.intp]:
    """Return the row of the place that is nearest to each point."""
    return np.asarray(cdist(points, xy).argmin(axis=1), np.intp) if len(points) else np.empty(0, np.intp)


def _apart(xy: Array, taken: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    """Return rows of places, each as far as can be from those that are taken and from each other."""
    gap = cdist(xy, xy[taken]).min(axis=1) if len(taken) else np.hypot(*(xy - xy.mean(axis=0)).T)
    chosen: list[int] = []
    for _ in range(min(count, len(xy))):
        far = int(gap.argmax())
        chosen.append(far)
        gap = np.hypot(*(xy - xy[far]).T) if not len(taken) and len(chosen) == 1 else gap
        gap = np.minimum(gap, np.hypot(*(xy - xy[far]).T))
    return np.array(chosen, np.intp)
