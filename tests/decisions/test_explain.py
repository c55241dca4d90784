"""The chain from counts to action: every origin of a target, every rule, and nothing told that is not known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.decisions.actions import decide
from vinemap.decisions.explain import explain_block
from vinemap.sentences import said
from vinemap.settings import Settings


def chain(actions: dict[str, object] | None = None, **columns: object) -> str:
    """Explain a block that has this and nothing else, by default 35 % dead on the map."""
    settings = Settings.model_validate({"actions": actions or {}})
    figures = {"map_injury_pct": 35.0, "map_low_pct": 27.0, "map_high_pct": 44.0, "samples": 0, "block": "Knoll"}
    blocks = pd.DataFrame([figures | columns])
    decided = decide(blocks, settings)
    blocks[decided.columns] = decided
    return "\n".join(explain_block(blocks.iloc[0], settings))


def test_nothing_cut_here() -> None:
    """A block where nothing was read leans on the map, and no stronger word than checking the wood can follow."""
    text = chain()
    assert "In Knoll no primary bud was read." in text
    assert "35.0 % (27.0 to 44.0 %). This figure decides." in text
    assert "Wood: none was checked here" in text
    assert text.endswith(said("en", "explain.advice"))


def test_counts_and_their_interval() -> None:
    """35 of 100 dead, three not read; on the first 5 nodes 18 of 50."""
    text = chain(
        **{"samples": 4, "nodes": 100, "unread": 3, "primary_dead": 35, "injury_pct": 35.0, "pruning": "spur"},
        **{"injury_low_pct": 26.0, "injury_high_pct": 45.0, "basal_nodes": 50, "basal_dead": 18, "basal_pct": 36.0},
        **{"no_live_bud_nodes": 90, "no_live_bud_dead": 9, "no_live_bud_pct": 10.0},
    )
    assert "Cut: 100 primary buds of 4 samples, 3 more not read. Dead: 35 of 100 = 35.0 % (26.0 to 45.0 %)." in text
    assert "On the first 5 nodes, which spur pruning keeps: 18 of 50 = 36.0 %." in text
    assert "Nodes with no live bud: 9 of 90 = 10.0 %." in text


@pytest.mark.parametrize(
    ("columns", "sentence"),
    [
        ({"nodes_per_vine": 40.0}, "40 nodes a vine, as given"),
        # 2 lb of prunings on a vinifera vine: 20 + 20 (Ohio State University 2023, Table 1)
        (
            {"pruning_weight_kg": 2 * 0.45359237, "species_group": "vinifera"},
            "40 nodes a vine, for vinifera 20 for the first pound of cane prunings and 20 for each further one, of 2",
        ),
        # 4 to 6 nodes a foot (Ohio State University 2023)
        (
            {"vine_spacing_m": 6 * 0.3048},
            "30 nodes a vine, assumed from the vine spacing: the middle of 4 to 6 a foot on 6.0 feet",
        ),
        ({}, "nodes a vine are not known"),
    ],
)
def test_where_the_target_comes_from(columns: dict[str, object], sentence: str) -> None:
    """Each origin is told with its arithmetic."""
    assert sentence in chain(**columns)


@pytest.mark.parametrize(
    ("rule", "injury", "sentence"),
    [
        ("proportional", 10.0, "Up to 20 %: prune as usual"),
        ("proportional", 35.0, "From 20 to 80 %: add the injury's own percentage"),
        ("proportional", 85.0, "Over 80 %: no number of nodes makes up for it"),
        ("stepped", 40.0, "From 35 to 50 %: add 50 % to the nodes"),
        ("replacement", 35.0, "Any injury: divide the nodes by the crop that a node has left"),
    ],
)
def test_every_rule_names_its_step(rule: str, injury: float, sentence: str) -> None:
    """The step that holds, in words, with the rule's source."""
    text = chain({"rule": rule}, map_injury_pct=injury, map_low_pct=injury, map_high_pct=injury, nodes_per_vine=40.0)
    assert sentence in text
    assert f"Rule: {rule.capitalize()} (" in text


def test_bounds_past_the_rule() -> None:
    """70 % dead, perhaps 88: the high end has no number, and none is printed."""
    text = chain(map_injury_pct=70.0, map_low_pct=55.0, map_high_pct=88.0, nodes_per_vine=40.0)
    assert "40 × (1 + 70.0 / 100) = 68, 62 at the low estimate of the injury, no number at the high estimate" in text


def test_crop_in_tonnes() -> None:
    """2 ha at 12 t: 65 % of the primaries bear 24 x 0.65 = 15.6 t; with 35 % more nodes 15.6 x 1.35 = 21.1 t."""
    text = chain(nodes_per_vine=40.0, area_ha=2.0, normal_yield_t_ha=12.0)
    assert "In tonnes: 15.6 t, 21.1 t with the nodes to keep." in text
    assert "secondaries were not read and count as no crop" in text


def test_crop_with_secondaries() -> None:
    """0.65 + 0.35 x 0.9 x 0.35 = 76.0 % (Howell 2019: 0.35 for american vines)."""
    text = chain(secondary_pct=10.0, species_group="american")
    assert "(1 − 0.350) + 0.350 × 0.900 secondaries alive × 0.35 of the primary's crop: 76.0 %" in text


def test_the_share_is_said_with_its_interval_and_source() -> None:
    """A variety names itself, one without a figure of its own its group, and none says that it is not known."""
    text = chain(secondary_pct=10.0, variety="Norton/Cynthiana")
    assert "Secondaries of Norton: 0 of the primary's crop, 0 to 0.1 (Seldom bears" in text
    assert "University of Missouri" in text
    text = chain(secondary_pct=10.0, variety="Riesling")
    assert "Secondaries of vinifera: 0.1 of the primary's crop, 0 to 0.35 (Judgement, wide: near 0.02 for Gren" in text
    # 0.65 + 0.35 x 0.9 x 0.1 = 0.6815, by the injury 0.5996 to 0.7543, by the share 0.65 to 0.76025
    assert "68.2 % of a normal year with the usual nodes (59.4 to 78.9 %)" in text
    assert "Secondaries of a variety that is not known: 0.25" in chain(secondary_pct=10.0)


def test_past_the_last_step_both_counts_and_their_sources() -> None:
    """85 % dead, usual 40: 2 to 3 times is 80 to 120 now, 40 after (Purdue), or five-node spurs (Dami et al. 2012)."""
    text = chain(map_injury_pct=85.0, map_low_pct=80.0, map_high_pct=90.0, nodes_per_vine=40.0)
    assert "2 to 3 times the usual 40 nodes is 80 to 120 now, and 40 after budbreak (Purdue" in text
    assert "Hedging: 5 nodes a cane (Pinot gris with about 90 % of its buds dead at -26 °C" in text
    assert "Instead of pruning twice, the cheap way is to hedge: cut every cane back to 5 nodes" in text
    assert "hedge" not in chain(map_injury_pct=35.0, nodes_per_vine=40.0).lower()


def test_nothing_known() -> None:
    """No map: the chain says so in the end, and holds no number that is not there."""
    text = chain(map_injury_pct=np.nan, map_low_pct=np.nan, map_high_pct=np.nan)
    assert "So: Too few samples to say" in text
    assert "nan" not in text


def test_what_decides_in_the_rule_s_place_is_said() -> None:
    """Dead trunks, hurt trunks, dead nodes and wide intervals each name figure and limit, and no other rule."""
    trunks = {"trunk_hurt_read": 11, "trunk_hurt_vines": 11, "trunk_hurt_pct": 100.0, "trunk_hurt_high_pct": 100.0}
    dead = {"trunk_dead_read": 11, "trunk_dead_vines": 11, "trunk_dead_pct": 100.0, "trunk_dead_low_pct": 80.2}
    cases = {
        "at least 80.2 % of the trunks are dead, and the limit is 50 %": trunks | dead,
        "60.0 % of the trunks are hurt, and the limit is 50 %": {"trunk_hurt_pct": 60.0, "trunk_hurt_high_pct": 80.0},
        "55.0 % of the nodes have no live bud, and the limit is 50 %": {
            "no_live_bud_pct": 20.0,
            "map_no_live_bud_pct": 55.0,
            "no_live_bud_dead": 4,
            "no_live_bud_nodes": 20,
        },
        "the low and the high estimate over most of this ground lie more than 60 points apart": {"too_few_pct": 61.0},
        "the low and the high estimate of the mean lie more than 60 points apart": {
            "map_low_pct": 5.0,
            "map_high_pct": 80.0,
        },
    }
    for words, columns in cases.items():
        text = chain(**columns)
        assert f"This decides: {words}" in text
        assert "This figure decides" not in text
        assert "Rule:" not in text


@pytest.mark.parametrize(("dead", "words"), [(50.04, "60.0 % of the trunks are hurt"), (50.06, "at least 50.1 % of")])
def test_the_figure_told_is_the_one_that_decided(dead: float, words: str) -> None:
    """At 50.04 % dead trunks, printed 50.0, the hurt ones decide, with their own limit; at 50.06 the dead ones do."""
    text = chain(trunk_dead_low_pct=dead, trunk_hurt_pct=60.0, trunk_hurt_high_pct=90.0)
    assert f"This decides: {words}" in text
    assert "and the limit is 50 %" in text
    assert ("So: Most trunks are dead" in text) == (dead > 50.05)


def test_hurt_trunks_name_the_limit_that_they_passed() -> None:
    """50.04 % hurt print as 50.0, which does not pass the greater limit: with no number to prune to, 10 % decides."""
    text = chain(map_injury_pct=85.0, trunk_hurt_pct=50.04, trunk_hurt_high_pct=80.0)
    assert "This decides: 50.0 % of the trunks are hurt, and the limit is 10 %" in text


def test_the_step_told_is_that_of_the_printed_figure() -> None:
    """19.95 % is written as 20.0 in blocks.csv and decided as such; the chain says the same."""
    text = chain(map_injury_pct=19.95, map_low_pct=19.0, map_high_pct=21.0, nodes_per_vine=40.0)
    assert "20.0 % (19.0 to 21.0 %). This figure decides." in text
    assert "From 20 to 80 %" in text
    assert "40 × (1 + 20.0 / 100) = 48" in text


def test_a_block_beyond_the_map_has_no_interval() -> None:
    """Where the map has no figure, the chain says that, and not that its intervals lie apart."""
    text = chain(map_injury_pct=np.nan, map_low_pct=np.nan, map_high_pct=np.nan)
    assert "This decides: the map has no figure for this ground." in text
    assert "points apart" not in text


@pytest.mark.parametrize("rule", ["proportional", "stepped", "replacement"])
def test_the_chain_speaks_every_language(rule: str) -> None:
    """Each sentence, its rule, source and advice are there in Spanish too; a keeper's own source stays as it is."""
    settings = Settings.model_validate(
        {"language": "es", "actions": {"rule": rule, "rules": {"wood": {"source": "our own notes"}}}}
    )
    blocks = pd.DataFrame([{"map_injury_pct": 97.0, "map_low_pct": 92.0, "map_high_pct": 99.0, "block": "Knoll"}])
    decided = decide(blocks, settings)
    blocks[decided.columns] = decided
    chain = [sentence.said("es") for sentence in explain_block(blocks.iloc[0], settings)]
    assert any("97,0 % (92,0 a 99,0 %)" in sentence for sentence in chain)
    assert any("el límite es el 95 % (our own notes)" in sentence for sentence in chain)
    assert not any(word in " ".join(chain) for word in ("This", "Normal year", "Wait", "{"))
    assert blocks["action_text"].iloc[0].startswith("Antes de podar")


def test_nodes_guessed_from_the_spacing_are_called_assumed() -> None:
    """6 feet of spacing at 5 nodes a foot are 30 (Ohio State University 2023): assumed; the ones given are not."""
    guessed, given = chain(vine_spacing_m=6 * 0.3048), chain(nodes_per_vine=30.0)
    assert "(usual: 30, assumed from the vine spacing)." in guessed
    assert "(usual: 30)." in given
    assert "assumed" not in given
