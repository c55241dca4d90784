"""The rules in rules.toml give every published figure, and settings can override any of them."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from vinemap.errors import InputError
from vinemap.rules import Rules, default_rules
from vinemap.settings import Settings, read_settings
from vinemap.states import SpeciesGroup

RULES = default_rules()
NO_LIMIT = 1e9


def more(rule: str, injury: float, crop: float = 1.0, times_target: float = NO_LIMIT) -> float:
    return float(getattr(RULES.pruning, rule).more_nodes(injury, crop, times_target))


# Cornell Cooperative Extension, Northern New York grape update, 28 February 2014: under 20 % as usual, 20 to 80 % add
# the injury's own percentage, above 80 % no count makes up for it.
@pytest.mark.parametrize(
    ("injury", "expected"),
    [(0, 0), (19.9, 0), (20, 20), (35, 35), (50, 50), (80, 80), (80.1, np.nan), (100, np.nan)],
)
def test_proportional(injury: float, expected: float) -> None:
    """35 % dead means 35 % more nodes; the ends of the middle step belong to it."""
    assert more("proportional", injury) == pytest.approx(expected, nan_ok=True)


# Purdue University, "Double Pruning Grapevines to Manage Crop Levels": 0–15 as usual, 15–35 +35 %, 35–50 +50 %, over 50
# prune as little as possible (the page prints the third step as 25–50).
@pytest.mark.parametrize(
    ("injury", "expected"),
    [(0, 0), (15, 0), (15.1, 35), (35, 35), (35.1, 50), (50, 50), (50.1, np.nan), (100, np.nan)],
)
def test_stepped(injury: float, expected: float) -> None:
    """Each step adds its own number, whatever the injury within it."""
    assert more("stepped", injury) == pytest.approx(expected, nan_ok=True)


# Arithmetic (common practice): target / (1 - injury).
@pytest.mark.parametrize(("injury", "nodes"), [(0, 40), (20, 50), (50, 80), (60, 100), (75, 160)])
def test_replacement_keeps_the_live_primaries_at_the_target(injury: float, nodes: float) -> None:
    """With secondaries left out, 40 nodes at 50 % dead become 80, so that 40 live primaries remain."""
    kept = 40 * (1 + more("replacement", injury, 1 - injury / 100) / 100)
    assert kept == pytest.approx(nodes)
    assert kept * (1 - injury / 100) == pytest.approx(40)


def test_replacement_with_secondaries() -> None:
    """50 % dead, all secondaries alive at 0.35 of the crop (Howell 2019): 40 / (0.5 + 0.5 x 0.35) = 59.26 nodes."""
    assert 40 * (1 + more("replacement", 50, 0.5 + 0.5 * 0.35) / 100) == pytest.approx(59.259, abs=0.001)


def test_no_number_past_the_ceiling() -> None:
    """At 90 % dead the replacement rule would ask for ten times the nodes; past twice it gives no number."""
    assert np.isnan(more("replacement", 90, 0.1, RULES.ceiling.times_target))
    assert more("replacement", 50, 0.5, RULES.ceiling.times_target) == pytest.approx(100)
    assert np.isnan(more("replacement", 100, 0.0))


@given(st.floats(0, 100), st.floats(0, 100), st.sampled_from(["proportional", "stepped", "replacement"]))
def test_more_dead_never_means_fewer_nodes(one: float, other: float, rule: str) -> None:
    """Every rule rises with the injury, and keeps giving no number once it has given none."""
    low, high = (more(rule, injury, 1 - injury / 100, 2.0) for injury in sorted((one, other)))
    assert np.isnan(high) or low <= high + 1e-9


# M. Smith, Ohio State University, grape pruning primer, 15 March 2023, Table 1: nodes for the first pound of prunings
# and for each further pound: American 30+10, French hybrid 20+10, new hybrid 20+20, seedless table 30+10, vinifera
# 20+20.
@pytest.mark.parametrize(
    ("group", "pounds", "nodes"),
    [
        *(("american", 1, 30), ("american", 3, 50), ("french_hybrid", 1, 20), ("french_hybrid", 2.5, 35)),
        *(("new_hybrid", 1, 20), ("new_hybrid", 2.5, 50), ("hybrid", 2.5, 35), ("seedless_table", 3, 50)),
        *(("vinifera", 1, 20), ("vinifera", 2, 40), ("vinifera", 0.5, 10)),
    ],
)
def test_balanced_pruning(group: str, pounds: float, nodes: float) -> None:
    """Two pounds of prunings on a vinifera vine carry 20 + 20 nodes; half a pound carries half the first budget."""
    budget = RULES.balanced.of(SpeciesGroup(group))
    assert budget is not None
    assert float(budget.nodes(pounds * 0.45359237)) == pytest.approx(nodes)


def test_nodes_by_spacing() -> None:
    """4 to 6 nodes a foot (Ohio State 2023): vines 6 feet apart carry the middle, 30."""
    assert float(RULES.nodes_per_foot.nodes(6 * 0.3048)) == pytest.approx(30)


def test_every_rule_names_its_source_and_a_caution() -> None:
    """No number stands without saying where it comes from and what to mind."""
    tables = [*dict(RULES.pruning).values(), *(table for name, table in RULES if name != "pruning")]
    groups = [getattr(RULES.secondary_crop, group) for group in (*SpeciesGroup, "unknown")]
    assert all(share.source for share in groups)
    assert all(table.source and table.caution for table in tables)


def test_settings_override_one_number(tmp_path: Path) -> None:
    """A vineyard changes one number and one rule's steps; everything else stays as the package has it."""
    (tmp_path / "vinemap.toml").write_text(
        '[actions]\nrule = "stepped"\n[actions.rules.wood]\nlikely_over_pct = 40\n'
        '[actions.rules.pruning.stepped]\nsteps = [{ up_to = 10, add = 0 }, { add = "all" }]\n'
    )
    rules = read_settings(tmp_path).actions.rules
    assert rules.wood.likely_over_pct == 40
    assert rules.wood.primary_over_pct == RULES.wood.primary_over_pct
    assert np.isnan(rules.pruning.stepped.more_nodes(11, 1.0, NO_LIMIT))
    assert rules.pruning.stepped.source == RULES.pruning.stepped.source
    assert rules.pruning.proportional == RULES.pruning.proportional


def test_settings_refuse_what_is_no_rule(tmp_path: Path) -> None:
    """An unknown number, text for a number and steps that fall are named with their lines."""
    (tmp_path / "vinemap.toml").write_text(
        '[actions.rules.wood]\nlikely = 3\nprimary_over_pct = "90"\n'
        '[actions.rules.pruning.stepped]\nsteps = [{ up_to = 20, add = 0 }, { up_to = 10, add = 3 }, { add = "all" }]\n'
    )
    with pytest.raises(InputError) as caught:
        read_settings(tmp_path)
    assert sorted((problem.row, problem.column) for problem in caught.value.problems) == [
        (2, "actions.rules.wood.likely"),
        (3, "actions.rules.wood.primary_over_pct"),
        (5, "actions.rules.pruning.stepped.steps"),
    ]


@pytest.mark.parametrize(
    "steps",
    [
        [],
        [{"up_to": 20, "add": 0}],
        [{"add": 0}, {"add": "all"}],
        [{"up_to": 20, "below": 20, "add": 0}, {"add": "all"}],
        [{"up_to": 20, "add": "some"}, {"add": "all"}],
        [{"up_to": 20, "add": -5}, {"add": "all"}],
    ],
)
def test_steps_must_cover_every_injury_once(steps: list[dict[str, object]]) -> None:
    """Steps that leave a gap, have two ends or an unknown word are refused."""
    with pytest.raises(ValidationError):
        Rules.model_validate({"pruning": {"proportional": {"steps": steps}}})


def test_settings_keep_the_rules_in_force() -> None:
    """What run.json records holds every number that was used."""
    dumped = Settings().model_dump(mode="json")["actions"]["rules"]
    assert Rules.model_validate(dumped) == RULES


# Proebsting, Brummund & Clore, Concord after budswell, in FAO 2005, Table 4.8 (read in a transcription): °C at which
# 10 % and 90 % are killed. Stages by BBCH (Lorenz et al. 1995): 01 begin and 03 end of bud swelling, 07 begin of
# budburst, 11 first leaf unfolded, 12, 13, 14; by the modified E-L scale (Coombe 1995, from memory): 4 budburst, 7
# first leaf, 9 two to three leaves, 11 four leaves.
@pytest.mark.parametrize(
    ("scale", "number", "killed"),
    [
        *(("bbch", 0, None), ("bbch", 1, (-10.6, -19.4)), ("bbch", 3, (-6.1, -12.2)), ("bbch", 5, (-6.1, -12.2))),
        *(("bbch", 7, (-3.9, -8.9)), ("bbch", 9, (-3.9, -8.9)), ("bbch", 11, (-2.8, -6.1)), ("bbch", 12, (-2.2, -5.6))),
        *(("bbch", 13, (-2.2, -3.3)), ("bbch", 14, (-2.2, -2.8)), ("bbch", 15, None)),
        *(("el", 1, None), ("el", 4, (-3.9, -8.9)), ("el", 7, (-2.8, -6.1)), ("el", 9, (-2.2, -5.6))),
        *(("el", 11, (-2.2, -2.8)), ("el", 12, None)),
    ],
)
def test_critical_temperatures(scale: Literal["bbch", "el"], number: int, killed: tuple[float, float] | None) -> None:
    """Each stage has the table's two figures; before first swell and past the fourth leaf there are none."""
    stage = RULES.frost.at(scale, number)
    assert (None if stage is None else (stage.kill_10_c, stage.kill_90_c)) == killed
