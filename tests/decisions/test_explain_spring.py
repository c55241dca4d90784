"""The chain from what grew to action: each limit, each figure of the crop's sum, and nothing told that is not known."""

from __future__ import annotations

import pandas as pd
import pytest

from vinemap.decisions.explain_spring import explain_spring
from vinemap.decisions.regrowth import decide_spring
from vinemap.sentences import said
from vinemap.settings import Settings

ZONES = pd.DataFrame({"action": pd.Series(dtype=object)})


def chain(**columns: object) -> str:
    """Explain a vinifera block with 40 % of primaries dead and 30 % of nodes with no shoot, unless told otherwise."""
    figures: dict[str, object] = {"block": "Knoll", "species_group": "vinifera", "samples": 5, "counted_samples": 4}
    for name, value in (("map_injury", 40.0), ("map_no_live_bud", 30.0)):
        figures |= {f"{name}_pct": value, f"{name.removesuffix('_injury')}_low_pct": value - 5}
        figures |= {f"{name.removesuffix('_injury')}_high_pct": value + 5}
    blocks = pd.DataFrame([figures | columns])
    decided = decide_spring(blocks, Settings())
    blocks[decided.columns] = decided
    return "\n".join(explain_spring(blocks.iloc[0], Settings(), ZONES))


def test_what_was_counted() -> None:
    """60 of 200 nodes blind on four of five samples; three vines with no shoot, two of them with suckers."""
    text = chain(no_live_bud_nodes=200, no_live_bud_dead=60, no_live_bud_pct=30.0, no_shoot_vines=3.0, sucker_vines=2.0)
    assert "Counted after budbreak on 4 of 5 samples" in text
    assert "no shoot on 60 of 200 nodes = 30.0 %." in text
    assert "by the map: 30.0 % of the nodes with no shoot (25.0 to 35.0 %)" in text
    assert "Vines with no shoot on any node left: 3, of these with suckers: 2." in text
    assert "on all 5 samples" in chain(no_live_bud_nodes=9, no_live_bud_dead=1, no_live_bud_pct=11.1, counted_samples=5)
    assert "In Knoll no node was counted" in chain()


@pytest.mark.parametrize(
    ("blind", "sentence"),
    [
        (20.0, "This decides: 20.0 % of the nodes have no shoot, no more than 20 %, so the work goes on"),
        (20.1, "This decides: 20.1 % of the nodes have no shoot, more than 20 % and no more than 50 %, so every shoot"),
        (50.1, "This decides: 50.1 % of the nodes have no shoot, more than 50 %, so suckers count too"),
    ],
)
def test_each_limit_is_told(blind: float, sentence: str) -> None:
    """The limits are those of the rules (judgement), and stand with their source."""
    text = chain(map_no_live_bud_pct=blind)
    assert sentence in text
    assert "The other numbers are judgement" in text
    assert text.endswith(said("en", "explain.spring.advice"))


def test_dead_trunks_go_before_shoots() -> None:
    """Own-rooted vines are retrained, grafted ones looked at for replanting, by the trunks and not by the shoots."""
    dead = {"trunk_dead_pct": 90.0, "trunk_dead_low_pct": 80.0, "trunk_hurt_pct": 90.0, "trunk_hurt_high_pct": 95.0}
    own, grafted = (chain(**dead, own_rooted=rooted) for rooted in (True, False))
    for text in (own, grafted):
        assert "at least 80.0 % of the trunks are dead" in text
        assert "so every shoot counts" not in text
    assert said("en", "page.spring.do.retrain") in own
    assert said("en", "page.spring.do.replant_candidate") in grafted


def test_the_crop_by_hand() -> None:
    """0.7 grew, 0.6 / 0.7 of it from primaries; a third lost the first shoot, half of these the second too.

    0.7 x ((0.857 - 0.333) + 0.1 x (0.143 + 0.333 / 2)) = 38.8 % with vinifera's 0.1 (G. S. Howell's three levels: 1,
    the secondary's share, 0); with 45 nodes left of 30 usual ones half as much again.
    """
    frost = {"map_frozen_pct": 100 / 3, "map_frozen_low_pct": 30.0, "map_frozen_high_pct": 36.0}
    text = chain(**frost, both_frozen_pct=50.0, nodes_left=45.0, nodes_per_vine=30.0)
    assert "Of the 0.700 of the nodes that grew a shoot, 0.857 grew it from the primary bud: 0.600" in text
    assert "Frost took the first shoot of 0.333 of the nodes with a shoot, and the second one too of 0.500" in text
    assert "Crop: 0.700 × (0.524 + 0.1 × 0.309) = 38.8 % of a normal year" in text
    assert "With the 45.0 nodes a vine that were left, of 30 usual ones: 58.2 %" in text
    assert "the second ones were not looked at" in chain(**frost)
    assert "Frost" not in chain()
