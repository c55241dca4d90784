"""The sentences that a run ends with."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from vinemap.exports.summary import findings, verdict
from vinemap.settings import Settings
from vinemap.surface.fit import InjuryMap


def _scores(surface: float, means: float) -> dict[str, Any]:
    single = {"brier": surface, "block_means_brier": means, "coverage_90": 0.91, "log_score": -1.5}
    patches = {"brier": 0.25, "block_means_brier": 0.3, "coverage_90": 0.88, "log_score": -2.0}
    return {"leave_one_out": single, "blocked": patches, "better_than_block_means": surface < means}


def _injury(scores: dict[str, Any]) -> InjuryMap:
    slope = {"label": "each metre lower", "odds_ratio": 1.314, "odds_low": 1.12, "odds_high": 1.54}
    return InjuryMap(None, pd.DataFrame(), (1.9, 1.2, 2.7), None, {"covariates": [slope]}, scores)


BLOCKS = pd.DataFrame(
    {
        "block": ["mild", "worst", "bad", "fair", "unread"],
        "map_injury_pct": [5.2, 81.4, 60.0, 30.0, 70.0],
        "map_low_pct": [2.0, 75.0, 50.0, 20.0, 8.0],
        "map_high_pct": [9.0, 88.2, 70.0, 41.0, 95.0],
        "action": ["as_usual", "prune_long_wait", "keep_more", "keep_more", "no_data"],
        "action_text": ["A.", "B.", "C.", "D.", "E."],
    }
)


def test_the_three_worst_come_first() -> None:
    """The worst blocks, with bounds and what to do, worst first; one with too few samples is none of them."""
    words = findings(BLOCKS, _injury(_scores(0.1, 0.2)), Settings())
    assert words[0] == "worst: 81 % of primary buds dead (75 to 88). B."
    assert [sentence.split(":")[0] for sentence in words[:3]] == ["worst", "bad", "fair"]


@pytest.mark.parametrize(("units", "figures"), [("metric", "1.9 ha (1.2 to 2.7)"), ("us", "4.7 acres (3.0 to 6.7)")])
def test_area_in_the_users_units(units: str, figures: str) -> None:
    """Area above the threshold in hectares, or in acres of 4046.8564224 m² (NIST Handbook 44, from memory)."""
    words = findings(BLOCKS, _injury(_scores(0.1, 0.2)), Settings(units=units))
    assert f"{figures} lost more than 50 % of their primary buds." in words


def test_what_injury_follows() -> None:
    """Each covariate chosen is told by its odds ratio per natural step."""
    words = findings(BLOCKS, _injury(_scores(0.1, 0.2)), Settings())
    assert "Each metre lower multiplies the odds of a dead primary by 1.3 (1.1 to 1.5)." in words


def test_a_map_no_better_than_block_means_says_so() -> None:
    """The verdict is plain either way."""
    assert "20 % better than by block averages" in verdict(_scores(0.08, 0.1))
    assert "no better than block averages" in verdict(_scores(0.1, 0.1))


def test_scores_of_both_kinds_are_told() -> None:
    """Brier, log score and coverage, singly and by patches, close the words."""
    last = findings(BLOCKS, _injury(_scores(0.1, 0.2)), Settings())[-1]
    assert last.endswith("Brier score 0.100 (0.250), log score -1.50 (-2.00), inside 90 % bounds 91 % (88 %).")
