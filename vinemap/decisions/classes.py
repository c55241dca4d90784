"""Classify cells and pieces of a block by what is to be done there, and say how sure the class is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit, ndtr

from vinemap.arrays import Array
from vinemap.decisions.actions import Trunks, chosen_rule, crop_left, grade, printed
from vinemap.model.prediction import TAIL
from vinemap.settings import Settings
from vinemap.states import Grade

_NEVER = 1e-6
# What decides differs, but not what is to be done: they are one class.
_ALIKE = {
    Grade.MOST_PRIMARIES: Grade.NO_LIVE_BUD,
    Grade.MOST_TRUNKS_HURT: Grade.TRUNKS_HURT,
    Grade.TOO_FEW: Grade.UNKNOWN,
    Grade.TOO_WIDE: Grade.UNKNOWN,
}
_CLASS = np.array([_ALIKE.get(one, one).code for one in Grade])


@dataclass(frozen=True)
class Statistics:
    """What is known of cells, or of pieces, in arrays of one shape; percent, NaN where unknown.

    Attributes
    ----------
    injury, no_live_bud : ndarray
        Primaries dead; nodes with no live bud.
    known : ndarray
        Share, 0 to 1, of the area on which there are samples enough to act.
    dead : ndarray
        Vines whose trunks are dead.
    dead_low, hurt, hurt_high : ndarray
        As in `vinemap.decisions.actions.Trunks`.
    """

    injury: Array
    no_live_bud: Array
    known: Array
    dead: Array
    dead_low: Array
    hurt: Array
    hurt_high: Array

    def each(self, function: Callable[[Array], Array]) -> Statistics:
        """Return the same statistics after a function of the array, such as the mean over pieces."""
        return Statistics(**{field.name: function(getattr(self, field.name)) for field in fields(self)})

    @property
    def acted_on(self) -> Array:
        """Injury where most of the area is known, else NaN."""
        return np.where(self.known < 0.5, np.nan, self.injury)


@dataclass(frozen=True)
class Intervals:
    """Credible intervals of the cells' statistics, their 5 % and 95 % ends in percent; NaN where there are none."""

    injury: tuple[Array, Array]
    no_live_bud: tuple[Array, Array]
    dead: tuple[Array, Array]

    def each(self, function: Callable[[Array], Array]) -> Intervals:
        """Return the same intervals after a function of the array, such as a choice of cells."""
        pairs = (self.injury, self.no_live_bud, self.dead)
        return Intervals(*((function(low), function(high)) for low, high in pairs))


class Classifier:
    """Classifies the cells of one block: by the step of the pruning rule, or by the grade where it gives no number.

    Parameters
    ----------
    settings : Settings
    secondary : float
        Crop of a node whose primary is dead, as a share of a sound node's.
    """

    def __init__(self, settings: Settings, secondary: float) -> None:
        self._rule, self._rules, self._secondary = chosen_rule(settings), settings.actions.rules, secondary
        self._steps = len(self._rule.steps)

    def classify(self, here: Statistics) -> NDArray[np.int32]:
        """Return the class of each cell or piece: a step's number, or the number of steps plus the grade."""
        injury = printed(here.acted_on)
        more = self._rule.more_nodes(injury, crop_left(injury, self._secondary), self._rules.ceiling.times_target)
        trunks = Trunks(here.dead_low, here.hurt, here.hurt_high)
        found = _CLASS[grade(injury, more, here.no_live_bud, trunks, self._rules)]
        classes = np.where(found == Grade.BY_NUMBER.code, self._rule.step_of(injury), self._steps + found)
        return np.asarray(classes, np.int32)

    def probability(self, number: int, here: Statistics, intervals: Intervals) -> Array:
        """Return the probability that each cell of a class belongs in it, from its intervals on the log-odds scale.

        NaN where that cannot be said: with too few samples, or with trunks hurt but not dead.
        """
        limits = self._rules.wood
        found = None if number < self._steps else tuple(Grade)[number - self._steps]
        if found in (Grade.UNKNOWN, Grade.TRUNKS_HURT):
            return np.full(intervals.injury[0].shape, np.nan)
        if found is Grade.TRUNKS_DEAD:
            return between(limits.dead_low_over_pct, 100.0, *intervals.dead)
        counted = bool(np.isfinite(here.no_live_bud).any())
        if found is Grade.NO_LIVE_BUD and counted:
            return between(limits.no_live_bud_over_pct, 100.0, *intervals.no_live_bud)
        first, last = self._span(number, 0.0 if counted else np.nan, here)
        return between(first, last, *intervals.injury)

    def _span(self, number: int, no_live_bud: float, here: Statistics) -> tuple[float, float]:
        """Return the lowest and the highest injury of a class, all else as it is here."""
        ladder = np.linspace(0.0, 100.0, 1001)
        level = {
            "no_live_bud": no_live_bud,
            "known": 1.0,
            "dead": np.nan,
            "dead_low": np.nan,
            "hurt": here.hurt[0],
            "hurt_high": here.hurt_high[0],
        }
        tried = Statistics(injury=ladder, **{name: np.full(ladder.shape, value) for name, value in level.items()})
        injury = ladder[self.classify(tried) == number]
        return (float(injury.min()), float(injury.max())) if len(injury) else (100.0, 100.0)


def between(first: float, last: float, low_pct: Array, high_pct: Array) -> Array:
    """Return the probability that a statistic with this 90 % interval lies between ``first`` and ``last`` percent."""
    low, high = (logit(np.clip(side / 100, _NEVER, 1 - _NEVER)) for side in (low_pct, high_pct))
    middle, sd = (low + high) / 2, np.maximum((high - low) / (2 * TAIL), _NEVER)
    upper, lower = (ndtr((logit(end / 100) - middle) / sd) for end in (last, first))
    return np.asarray(upper - lower)
