"""Sort ground by what is to be done on it, cell by cell or piece by piece, and say how sure the sorting is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit, ndtr

from vinemap.arrays import Array
from vinemap.decisions.actions import Trunks, chosen_rule, crop_left, grade, printed
from vinemap.model.field import TAIL
from vinemap.settings import Settings
from vinemap.states import Grade

_NEVER = 1e-6
# What decides over such ground differs, but not what is to be done on it: it is of one class.
_ALIKE = {
    Grade.MOST_PRIMARIES: Grade.NO_LIVE_BUD,
    Grade.MOST_TRUNKS_HURT: Grade.TRUNKS_HURT,
    Grade.TOO_FEW: Grade.UNKNOWN,
    Grade.TOO_WIDE: Grade.UNKNOWN,
}
_CLASS = np.array([_ALIKE.get(one, one).code for one in Grade])


@dataclass(frozen=True)
class Ground:
    """Figures of cells, or of pieces, in arrays of one shape; percent, NaN where unknown.

    Attributes
    ----------
    injury, bare : ndarray
        Primaries dead; nodes with no live bud.
    known : ndarray
        Share, 0 to 1, on which there are samples enough to act.
    dead : ndarray
        Vines whose trunks are dead.
    dead_low, hurt, hurt_high : ndarray
        As in `vinemap.decisions.actions.Trunks`.
    """

    injury: Array
    bare: Array
    known: Array
    dead: Array
    dead_low: Array
    hurt: Array
    hurt_high: Array

    def each(self, function: Callable[[Array], Array]) -> Ground:
        """Return the same figures after a function of the array, such as the mean over pieces."""
        return Ground(**{field.name: function(getattr(self, field.name)) for field in fields(self)})

    @property
    def acted_on(self) -> Array:
        """Injury where most of the ground is known, else NaN."""
        return np.where(self.known < 0.5, np.nan, self.injury)


@dataclass(frozen=True)
class Bounds:
    """5 % and 95 % bounds of the cells' figures, percent; NaN where there are none."""

    injury: tuple[Array, Array]
    bare: tuple[Array, Array]
    dead: tuple[Array, Array]

    def each(self, function: Callable[[Array], Array]) -> Bounds:
        """Return the same bounds after a function of the array, such as a choice of cells."""
        return Bounds(*((function(low), function(high)) for low, high in (self.injury, self.bare, self.dead)))


class Sorter:
    """Sorts the ground of one block: by the step of the pruning rule, or by the grade where the rule gives no number.

    Parameters
    ----------
    settings : Settings
    secondary : float
        Crop of a node whose primary is dead, as a share of a sound node's.
    """

    def __init__(self, settings: Settings, secondary: float) -> None:
        self._rule, self._rules, self._secondary = chosen_rule(settings), settings.actions.rules, secondary
        self._steps = len(self._rule.steps)

    def sort(self, ground: Ground) -> NDArray[np.int32]:
        """Return the sort of each cell or piece: a step's number, or the number of steps plus the grade."""
        injury = printed(ground.acted_on)
        more = self._rule.more_nodes(injury, crop_left(injury, self._secondary), self._rules.ceiling.times_target)
        trunks = Trunks(ground.dead_low, ground.hurt, ground.hurt_high)
        found = _CLASS[grade(injury, more, ground.bare, trunks, self._rules)]
        sort = np.where(found == Grade.BY_NUMBER.code, self._rule.step_of(injury), self._steps + found)
        return np.asarray(sort, np.int32)

    def chance(self, sort: int, ground: Ground, bounds: Bounds) -> Array:
        """Return the chance that each cell of this sort belongs in it, from its bounds on the log-odds scale.

        NaN where that cannot be said: ground with too few samples, or with trunks hurt but not dead.
        """
        limits = self._rules.wood
        found = None if sort < self._steps else tuple(Grade)[sort - self._steps]
        if found in (Grade.UNKNOWN, Grade.TRUNKS_HURT):
            return np.full(bounds.injury[0].shape, np.nan)
        if found is Grade.TRUNKS_DEAD:
            return _between(limits.dead_low_over_pct, 100.0, *bounds.dead)
        counted = bool(np.isfinite(ground.bare).any())
        if found is Grade.NO_LIVE_BUD and counted:
            return _between(limits.no_live_bud_over_pct, 100.0, *bounds.bare)
        first, last = self._span(sort, 0.0 if counted else np.nan, ground)
        return _between(first, last, *bounds.injury)

    def _span(self, sort: int, bare: float, ground: Ground) -> tuple[float, float]:
        """Return the lowest and the highest injury of a sort, all else as it is on this ground."""
        ladder = np.linspace(0.0, 100.0, 1001)
        level = {
            "bare": bare,
            "known": 1.0,
            "dead": np.nan,
            "dead_low": np.nan,
            "hurt": ground.hurt[0],
            "hurt_high": ground.hurt_high[0],
        }
        here = Ground(injury=ladder, **{name: np.full(ladder.shape, value) for name, value in level.items()})
        injury = ladder[self.sort(here) == sort]
        return (float(injury.min()), float(injury.max())) if len(injury) else (100.0, 100.0)


def _between(first: float, last: float, low_pct: Array, high_pct: Array) -> Array:
    """Return the chance that a figure with these 5 % and 95 % bounds lies between ``first`` and ``last`` percent."""
    low, high = (logit(np.clip(side / 100, _NEVER, 1 - _NEVER)) for side in (low_pct, high_pct))
    middle, spread = (low + high) / 2, np.maximum((high - low) / (2 * TAIL), _NEVER)
    upper, lower = (ndtr((logit(end / 100) - middle) / spread) for end in (last, first))
    return np.asarray(upper - lower)
