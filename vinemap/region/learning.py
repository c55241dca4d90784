"""What vineyards of one night have in common: random effects over vineyards, learnt from what each one's map knows.

In a vineyard a terrain statistic either has an effect on injury, drawn from the region's normal distribution for it, or
none; a variety has an effect of its own about the region's; the log of each covariance parameter is drawn from a normal
distribution. Their means, their spreads between vineyards and the probability of each statistic are found by the EM
algorithm on each vineyard's normal likelihood (`vinemap.surface.lesson.Lesson`), under weak priors of their own, so
that few vineyards cannot teach much: with none, the distribution is about that which a vineyard alone starts from.
Spreads are estimated, so that a vineyard is drawn to the others only as far as these agree.

References
----------
N. M. Laird & J. H. Ware, Biometrics 38 (1982) 963 (from memory): random effects by empirical Bayes and EM. E. I. George
& R. E. McCulloch, J. Am. Stat. Assoc. 88 (1993) 881 (from memory): variables in or out. J. G. Scott & J. O. Berger,
Ann. Stat. 38 (2010) 2587: inclusion probabilities with a beta prior, pooled. V. Chernozhukov et al., Econom. J. 21
(2018) C1: cross-fitting, by which no vineyard teaches itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from hashlib import sha256
from typing import NamedTuple

import numpy as np

from vinemap.arrays import Array
from vinemap.evidence.region_prior import FEWEST_VINEYARDS, CovarianceEffects, Normal, RegionPrior, TerrainEffect
from vinemap.model.hyperparameters import Priors
from vinemap.settings import RegionSettings
from vinemap.surface.lesson import Lesson
from vinemap.terrain.layers import COVARIATES

_NAMES = [covariate.name for covariate in COVARIATES]
MOST_TEACHERS = 1000
"""Vineyards that teach: a thousand know the spread between vineyards to 2 % of itself; more cost memory and time."""

_ROUNDS = 30
_FOLDS = 10
# Half of what is not known beforehand is where the region's mean lies, half how far vineyards lie about it.
_SHARE = 0.5
# A spread, and a probability, start as if so many vineyards had shown the usual ones.
_WORTH = 4.0
_USUAL_SIZE = 1.5
_RAREST, _MOST_USUAL = 1e-4, 0.98


@dataclass(frozen=True)
class Teacher:
    """A vineyard's lesson, and whose it is."""

    grower: str
    lesson: Lesson


def prior_of(teachers: Sequence[Teacher], fewest_growers: int = 3) -> RegionPrior | None:
    """Return what vineyards teach of a further one of their night; None of fewer than `FEWEST_VINEYARDS`.

    Parameters
    ----------
    teachers : sequence of Teacher
    fewest_growers : int
        Growers of a variety below which nothing is said of it.
    """
    if len(teachers) < FEWEST_VINEYARDS:
        return None
    lessons = [teacher.lesson for teacher in teachers]
    terrain, varieties = _effects(lessons)
    growers = {(name, teacher.grower) for teacher in teachers for name in teacher.lesson.varieties}
    held = Counter(name for name, _ in growers)
    known = {name: effect for name, effect in varieties.items() if held[name] >= fewest_growers}
    return RegionPrior(vineyards=len(teachers), terrain=terrain, varieties=known, covariance=_covariance(lessons))


@dataclass(frozen=True)
class Learnt:
    """What the vineyards of a region have taught each other.

    Attributes
    ----------
    teachers : frozenset of str
        Names of the vineyards that taught.
    whole : RegionPrior or None
        What all of them teach: for vineyards that taught nothing. None where they are too few.
    each : dict of str to RegionPrior
        What the others teach each that taught.
    shown : RegionPrior or None
        ``whole``, where enough growers stand behind it for anybody to have it.
    """

    teachers: frozenset[str] = frozenset()
    whole: RegionPrior | None = None
    each: dict[str, RegionPrior] = field(default_factory=dict)
    shown: RegionPrior | None = None

    @property
    def vineyards(self) -> int:
        """How many taught."""
        return len(self.teachers)

    def text_for(self, name: str) -> str:
        """Return a vineyard's prior as `RegionPrior.to_json` writes it; "" where it has none."""
        prior = self.each.get(name, None if name in self.teachers else self.whole)
        return "" if prior is None else self._texts[id(prior)]

    @cached_property
    def _texts(self) -> dict[int, str]:
        """Each prior once: thousands of vineyards share a few."""
        return {id(prior): prior.to_json() for prior in (self.whole, *self.each.values()) if prior is not None}


def teaching(names: Iterable[str]) -> set[str]:
    """Return the names of the vineyards that are to teach: all, or `MOST_TEACHERS` drawn by lot.

    The lot is of the names alone, so that one vineyard more changes little of what the others teach.
    """
    return set(sorted(names, key=lambda name: sha256(name.encode("utf-8", "surrogatepass")).digest())[:MOST_TEACHERS])


def learnt_from(teachers: Mapping[str, Teacher], settings: RegionSettings) -> Learnt:
    """Learn from vineyards, for each from those of the folds, of ten or of one each, that it is not in.

    Parameters
    ----------
    teachers : mapping of str to Teacher
        By the name of the vineyard.
    settings : RegionSettings
        How few growers nothing is told of.
    """
    names, fewest = list(teachers), settings.fewest_growers
    whole = prior_of(list(teachers.values()), fewest)
    each: dict[str, RegionPrior] = {}
    for fold in range(min(_FOLDS, len(names))):
        own = names[fold::_FOLDS]
        prior = prior_of([teachers[name] for name in names if name not in set(own)], fewest)
        if prior is not None:
            each |= dict.fromkeys(own, prior)
    enough = len({teacher.grower for teacher in teachers.values()}) >= fewest
    return Learnt(frozenset(names), whole, each, whole if enough else None)


class _Terrain(NamedTuple):
    """The region's distribution of the effects of the terrain statistics, each per its usual standard deviation."""

    mean: Array
    variance: Array
    probability: Array


def _effects(lessons: Sequence[Lesson]) -> tuple[dict[str, TerrainEffect], dict[str, Normal]]:
    """Learn the effects of terrain and of varieties."""
    data = _Stacked.of(lessons)
    usual = _USUAL_SIZE / len(_NAMES)
    terrain = _Terrain(np.zeros(len(_NAMES)), np.ones(len(_NAMES)), np.full(len(_NAMES), usual))
    variety, between = np.zeros(len(data.varieties)), 1.0
    for _ in range(_ROUNDS):
        found = data.expected(terrain, variety, between)
        seen = found.weight.sum(axis=0)
        probability = (_WORTH * usual + seen) / (_WORTH + found.teaching)
        mean = found.first.sum(axis=0) / (seen + terrain.variance / _SHARE)
        square = found.second.sum(axis=0) - 2 * mean * found.first.sum(axis=0) + mean**2 * seen
        variance = (square + _WORTH * (1 - _SHARE)) / (seen + _WORTH)
        terrain = _Terrain(mean, variance, np.clip(probability, _RAREST, _MOST_USUAL))
        variety = data.by_variety(found.variety) / (data.held + between / _SHARE)
        away = np.sum(data.planted * (found.variety_square - 2 * found.variety * variety + variety**2))
        between = float((away + _WORTH * (1 - _SHARE)) / (data.planted.sum() + _WORTH))
    unsure = 1 / (1 / _SHARE + seen / terrain.variance)
    sd = np.sqrt(terrain.variance + unsure)
    effects = {
        name: TerrainEffect(mean=float(m / s), sd=float(d / s), probability=float(p))
        for name, m, d, p, s, known in zip(
            _NAMES, terrain.mean, sd, terrain.probability, data.scale, data.known, strict=True
        )
        if known
    }
    spread = np.sqrt(between + 1 / (1 / _SHARE + data.held / between))
    pairs = zip(data.varieties, variety, spread, strict=True)
    return effects, {name: Normal(mean=float(m), sd=float(d)) for name, m, d in pairs}


class _Expected(NamedTuple):
    """What each vineyard's effects are expected to be: the E step.

    ``weight`` (n, p) is the probability that it has an effect of a statistic; ``first`` and ``second`` (n, p) are this
    times the effect's mean and mean square there; ``variety`` and ``variety_square`` (n, v) those of varieties;
    ``teaching`` counts the vineyards with any terrain.
    """

    weight: Array
    first: Array
    second: Array
    variety: Array
    variety_square: Array
    teaching: int


@dataclass(frozen=True)
class _Stacked:
    """All lessons on one list of statistics and varieties; of what a vineyard has not, its information is 0.

    Attributes
    ----------
    varieties : list of str
    scale, known : array (p,)
        Usual standard deviation of each statistic over a vineyard, and whether any vineyard has it.
    planted : array (n, v)
        1 where a vineyard has a variety.
    terrain, cross, own : arrays (n, p, p), (n, v, p), (n, v, v)
        Parts of the precision.
    pull, own_pull : arrays (n, p), (n, v)
    """

    varieties: list[str]
    scale: Array
    known: Array
    planted: Array
    terrain: Array
    cross: Array
    own: Array
    pull: Array
    own_pull: Array

    @classmethod
    def of(cls, lessons: Sequence[Lesson]) -> _Stacked:
        varieties = sorted({name for lesson in lessons for name in lesson.varieties})
        n, p, v = len(lessons), len(_NAMES), len(varieties)
        logs = np.full((n, p), np.nan)
        precision, pull, planted = np.zeros((n, v + p, v + p)), np.zeros((n, v + p)), np.zeros((n, v))
        for k, lesson in enumerate(lessons):
            own = [varieties.index(name) for name in lesson.varieties]
            ground = [_NAMES.index(name) for name in lesson.terrain]
            logs[k, ground] = np.log(lesson.scale)
            planted[k, own] = 1.0
            at = [*own, *(v + column for column in ground)]
            precision[k][np.ix_(at, at)] = lesson.precision
            pull[k, at] = lesson.pull
        known = np.isfinite(logs).any(axis=0)
        scale = np.ones(p)
        scale[known] = np.exp(np.nanmean(logs[:, known], axis=0))
        unit = np.r_[np.ones(v), 1 / scale]
        precision *= unit[:, None] * unit
        pull *= unit
        parts = precision[:, v:, v:], precision[:, :v, v:], precision[:, :v, :v]
        return cls(varieties, scale, known, planted, *parts, pull[:, v:], pull[:, :v])

    @property
    def held(self) -> Array:
        """In how many vineyards each variety grows (v,)."""
        return self.planted.sum(axis=0)

    def by_variety(self, values: Array) -> Array:
        """Sum figures (n, v) of planted varieties over vineyards."""
        return np.sum(self.planted * values, axis=0)

    def expected(self, terrain: _Terrain, variety: Array, between: float) -> _Expected:
        """Take each vineyard's effects given the region's distribution, over all sets of two statistics at most."""
        # Varieties are in every model: integrated, they leave terrain alone.
        within = np.linalg.inv(self.own + np.eye(len(self.varieties)) / between)
        toward = self.own_pull + variety / between
        across = within @ self.cross
        L = self.terrain - np.swapaxes(self.cross, 1, 2) @ across
        e = self.pull - np.einsum("nvp,nv->np", across, toward)
        weight, first, square = _over_models(L, e, terrain)
        centre = np.einsum("nvw,nw->nv", within, toward) - np.einsum("nvp,np->nv", across, first)
        spread = square - first[:, :, None] * first[:, None, :]
        variance = np.einsum("nvv->nv", within) + np.einsum("nvp,npq,nvq->nv", across, spread, across)
        ground = np.einsum("npp->np", self.terrain).any(axis=1)
        second = np.einsum("npp->np", square)
        weight, first, second = (part * ground[:, None] for part in (weight, first, second))
        return _Expected(weight, first, second, centre, centre**2 + variance, int(ground.sum()))


def _over_models(L: Array, e: Array, terrain: _Terrain) -> tuple[Array, Array, Array]:
    """Average over the models of no statistic, of each one and of each two.

    Parameters
    ----------
    L, e : arrays (n, p, p), (n, p)
        Precision and pull of each vineyard.
    terrain : _Terrain

    Returns
    -------
    weight, mean, square : arrays (n, p), (n, p), (n, p, p)
        Probability that a statistic is in the model; mean and mean square of the effects, 0 where it is not.
    """
    m, t = terrain.mean, terrain.variance
    odds = np.log(terrain.probability) - np.log1p(-terrain.probability)
    # What a statistic adds whatever else is in the model, but for its own determinant.
    start = odds - 0.5 * m**2 / t - 0.5 * np.log(t)
    P = np.einsum("npp->np", L) + 1 / t
    b = e + m / t
    single = start + 0.5 * b**2 / P - 0.5 * np.log(P)
    product, across = (
        P[:, :, None] * P[:, None, :],
        L - np.einsum("np,pq->npq", np.einsum("npp->np", L), np.eye(len(m))),
    )
    determinant = product - across**2
    # The effect of the first statistic of a pair, where both are in.
    pair = (P[:, None, :] * b[:, :, None] - across * b[:, None, :]) / determinant
    double = 0.5 * (b[:, :, None] * pair + b[:, None, :] * np.swapaxes(pair, 1, 2)) - 0.5 * np.log(determinant)
    double += start[:, None] + start
    double[:, np.arange(len(m)), np.arange(len(m))] = -np.inf
    top = np.maximum(0.0, np.maximum(single.max(axis=1), double.max(axis=(1, 2))))
    none, one, two = np.exp(-top), np.exp(single - top[:, None]), np.exp(double - top[:, None, None])
    total = none + one.sum(axis=1) + 0.5 * two.sum(axis=(1, 2))
    one, two = one / total[:, None], two / total[:, None, None]
    alone = b / P
    mean = one * alone + np.sum(two * pair, axis=2)
    square = two * (pair * np.swapaxes(pair, 1, 2) - across / determinant)
    own = one * (alone**2 + 1 / P) + np.sum(two * (pair**2 + P[:, None, :] / determinant), axis=2)
    square[:, np.arange(len(m)), np.arange(len(m))] = own
    return one + two.sum(axis=2), mean, square


def _covariance(lessons: Sequence[Lesson]) -> CovarianceEffects:
    """Learn the distribution of the covariance parameters."""
    priors = Priors()
    centre, usual = priors.log_mean(), priors.log_variance()
    precision = np.array([lesson.theta_precision for lesson in lessons])
    pull = np.array([lesson.theta_pull for lesson in lessons])
    mean, variance = centre, np.full(3, usual)
    for _ in range(_ROUNDS):
        within = np.linalg.inv(precision + np.diag(1 / variance))
        own = np.einsum("nij,nj->ni", within, pull + mean / variance)
        weight = len(lessons) / variance
        mean = (own.sum(axis=0) / variance + centre / (_SHARE * usual)) / (weight + 1 / (_SHARE * usual))
        away = np.sum((own - mean) ** 2 + np.einsum("nii->ni", within), axis=0)
        variance = (away + _WORTH * (1 - _SHARE) * usual) / (len(lessons) + _WORTH)
    sd = np.sqrt(variance + 1 / (len(lessons) / variance + 1 / (_SHARE * usual)))
    names = CovarianceEffects.model_fields
    return CovarianceEffects(
        **{name: Normal(mean=float(m), sd=float(d)) for name, m, d in zip(names, mean, sd, strict=True)}
    )
