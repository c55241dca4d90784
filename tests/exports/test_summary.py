"""The sentences that a run ends with."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from vinemap.decisions.actions import decide
from vinemap.exports.summary import findings, verdict
from vinemap.settings import Settings
from vinemap.surface.fit import InjuryMap


def _scores(surface: float, means: float) -> dict[str, Any]:
    single = {"brier": surface, "block_means_brier": means, "coverage_90": 0.91, "log_score": -1.5}
    patches = {"brier": 0.25, "block_means_brier": 0.3, "coverage_90": 0.88, "log_score": -2.0}
    return {"leave_one_out": single, "blocked": patches, "better_than_block_means": surface < means}


def _injury(scores: dict[str, Any]) -> InjuryMap:
    model = {"effects": EFFECTS, "relief_m": 25.0, "level": False}
    return InjuryMap(None, pd.DataFrame(), (1.9, 1.2, 2.7), None, model, scores)


_FIGURES = ("pct", "low_pct", "high_pct", "other_pct", "other_low_pct", "other_high_pct")
EFFECTS: list[dict[str, Any]] = [
    {
        **{"of": "terrain", "told": True, "name": "height_above_low_m", "shown": "height_above_low_m"},
        **{"around_m": 150.0, "here": 0.2, "there": 12.4},
        **dict(zip(_FIGURES, (71.0, 58.0, 82.0, 23.0, 14.0, 34.0), strict=True)),
    },
    {
        **{"of": "terrain", "told": False, "name": "slope_deg", "shown": "slope_deg", "around_m": 0.0},
        **{"here": 9.0, "there": 1.0, **dict.fromkeys(_FIGURES)},
    },
]
_FOUND = pd.DataFrame(
    {
        "block": ["mild", "worst", "bad", "fair", "unread"],
        "samples": [5, 4, 1, 0, 3],
        "canes": pd.array([10, pd.NA, 1, 0, 6], dtype="Int64"),
        "nodes": [100, 80, 12, 0, 60],
        "map_injury_pct": [5.2, 81.4, 60.0, 30.0, 70.0],
        "map_low_pct": [2.0, 75.0, 50.0, 20.0, 8.0],
        "map_high_pct": [9.0, 88.2, 70.0, 41.0, 95.0],
    }
)
BLOCKS = _FOUND.join(decide(_FOUND))

ZONES = pd.DataFrame(
    {
        "action": ["as_usual", "prune_long_wait", "as_usual", "no_data"],
        "area_ha": [1.0, 2.0, 0.5, 0.4],
        "vines": pd.array([1000, 4216, 500, pd.NA], dtype="Int64"),
    }
)


def test_what_there_is_to_do_is_summed_over_zones() -> None:
    """Every zone's ground counts once under its own task, the heaviest first; vines where all are known."""
    words = findings(BLOCKS, ZONES, _injury(_scores(0.1, 0.2)), Settings())
    todo = "Prune long, then wait: 2.0 ha (4,216 vines); Prune as usual: 1.5 ha (1,500 vines); No figures yet: 0.4 ha"
    assert f"To do. {todo}." in words


def test_the_three_worst_come_first() -> None:
    """The worst blocks, with intervals and what to do, worst first; one with too few samples is none of them."""
    words, do = findings(BLOCKS, ZONES, _injury(_scores(0.1, 0.2)), Settings()), BLOCKS["action_text"]
    assert words[0] == f"worst: 81 % of primary buds dead (75 to 88; 4 samples, 80 nodes cut). {do[1]}"
    assert words[1] == f"bad: 60 % of primary buds dead (50 to 70; 1 sample, 1 cane, 12 nodes cut). {do[2]}"
    assert words[2] == f"fair: 30 % of primary buds dead (20 to 41; no sample here: from the map alone). {do[3]}"
    assert [sentence.split(":")[0] for sentence in words[:3]] == ["worst", "bad", "fair"]


@pytest.mark.parametrize(("units", "figures"), [("metric", "1.9 ha (1.2 to 2.7)"), ("us", "4.7 acres (3.0 to 6.7)")])
def test_area_in_the_users_units(units: str, figures: str) -> None:
    """Area above the threshold in hectares, or in acres of 4046.8564224 m² (NIST Handbook 44)."""
    words = findings(BLOCKS, ZONES, _injury(_scores(0.1, 0.2)), Settings(units=units))
    assert f"{figures} lost more than 50 % of their primary buds." in words


def test_what_injury_follows() -> None:
    """What is told stands in injury at either end, heights in the reader's unit; what is not told is not said.

    0.2 m and 12.4 m are 0.7 and 40.7 ft, at 0.3048 m a foot.
    """
    words = findings(BLOCKS, ZONES, _injury(_scores(0.1, 0.2)), Settings())
    dead = "71 % of primary buds dead (58 to 82 %) against 23 % (14 to 34 %), all else equal."
    within = "above the low ground within"
    assert f"The lowest vines against the highest (0.2 m and 12.4 m {within} 150 m): {dead}" in words
    american = findings(BLOCKS, ZONES, _injury(_scores(0.1, 0.2)), Settings(units="us"))
    assert f"The lowest vines against the highest (0.7 ft and 40.7 ft {within} 492 ft): {dead}" in american
    assert not [sentence for sentence in words if "odds" in sentence or "steepest" in sentence]


def test_no_effect_is_told_where_none_is_shown() -> None:
    """Nothing of the terrain was shown: that is said, and nothing is where there was no elevation grid."""
    injury = _injury(_scores(0.1, 0.2))
    injury.model["effects"] = EFFECTS[1:]
    none = "The samples do not show clearly that injury follows the terrain here, so no effect of it is told."
    assert none in findings(BLOCKS, ZONES, injury, Settings())
    injury.model["relief_m"] = None
    assert none not in findings(BLOCKS, ZONES, injury, Settings())


def test_a_map_no_better_than_block_means_says_so() -> None:
    """The verdict is plain either way."""
    (better,) = verdict(_scores(0.08, 0.1))
    assert "predicts 20 % better than the average of each block; 91 of 100 held-out samples" in better
    worse, covered = verdict(_scores(0.1, 0.1))
    assert "no better than the average of each block" in worse
    assert covered.startswith("Of 100 samples that were held out, 91 ")


def test_findings_speak_spanish() -> None:
    """Every sentence is there in each language, what to do too, with its decimal mark."""
    words = [sentence.said("es") for sentence in findings(BLOCKS, ZONES, _injury(_scores(0.1, 0.2)), Settings())]
    assert words[0].endswith(str(decide(_FOUND, Settings(language="es")).at[1, "action_text"]))
    assert "1,9 ha (1,2 a 2,7) perdieron más del 50 % de sus yemas primarias." in words
    assert not [sentence for sentence in words if "{" in sentence]
