"""Classes of cells and pieces at their limits."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.decisions.classes import Classifier, Intervals, Statistics
from vinemap.settings import Settings
from vinemap.states import Grade

STEPS = 3
"""Of the proportional rule: the usual nodes, so many more, as many as there are."""


def cell(**figures: float) -> Statistics:
    """One cell with samples enough, sound trunks and 50 % of its primaries dead, but for what is given."""
    sound = {"no_live_bud": 0.0, "known": 1.0, "dead": 0.0, "dead_low": 0.0, "hurt": 0.0, "hurt_high": 20.0}
    return Statistics(**{name: np.array([value]) for name, value in ({"injury": 50.0} | sound | figures).items()})


def class_of(**figures: float) -> int | Grade:
    """The step of the proportional rule, or the grade where the rule gives no number."""
    found = int(Classifier(Settings(), 0.0).classify(cell(**figures))[0])
    return found if found < STEPS else tuple(Grade)[found - STEPS]


@pytest.mark.parametrize(
    ("figures", "under", "over"),
    [
        # below 20 %, and up to 80 %: Cornell 2014, as `vinemap/rules.toml` names it
        ({"injury": (19.9, 20.0)}, 0, 1),
        ({"injury": (80.0, 80.1)}, 1, Grade.BY_LENGTH),
        ({"no_live_bud": (50.0, 50.1), "hurt_high": (60.0, 60.0)}, 1, Grade.NO_LIVE_BUD),
        ({"dead_low": (50.0, 50.1)}, 1, Grade.TRUNKS_DEAD),
        ({"hurt": (50.0, 50.1)}, 1, Grade.TRUNKS_HURT),
        ({"hurt": (10.0, 10.1), "injury": (85.0, 85.0)}, Grade.BY_LENGTH, Grade.TRUNKS_HURT),
        # sound on enough vines: at most 10 % hurt, and under half by the high end
        ({"hurt": (10.0, 10.1), "no_live_bud": (60.0, 60.0)}, Grade.BY_LENGTH, Grade.TRUNKS_HURT),
        ({"hurt_high": (49.9, 50.0), "no_live_bud": (60.0, 60.0)}, Grade.BY_LENGTH, Grade.NO_LIVE_BUD),
        ({"known": (0.49, 0.5)}, Grade.UNKNOWN, 1),
    ],
)
def test_each_side_of_a_limit(figures: dict[str, tuple[float, float]], under: int | Grade, over: int | Grade) -> None:
    """A figure at its limit falls where the rules say: 'over' means past it, 'below' short of it."""
    assert class_of(**{name: pair[0] for name, pair in figures.items()}) == under
    assert class_of(**{name: pair[1] for name, pair in figures.items()}) == over


def test_probability_of_a_class_is_the_mass_between_its_limits() -> None:
    """Injury whose 90 % interval ends at the limits of its class lies in it with a probability of 90 %."""
    classifier, here = Classifier(Settings(), 0.0), cell(no_live_bud=np.nan)
    low, high, none = np.array([20.0]), np.array([80.0]), np.array([np.nan])
    found = classifier.probability(1, here, Intervals((low, high), (none, none), (none, none)))
    assert found == pytest.approx(0.90, abs=2e-3)  # the limits are found on a ladder of 0.1 %
    dead = cell(dead_low=60.0)
    intervals = Intervals((none, none), (none, none), (np.array([50.0]), np.array([90.0])))
    trunks = STEPS + list(Grade).index(Grade.TRUNKS_DEAD)
    assert classifier.probability(trunks, dead, intervals) == pytest.approx(0.95, abs=1e-6)
