"""How vines are brought through past the last step: hedging, and suckers that are worth keeping."""

from __future__ import annotations

import pytest

from vinemap.decisions.aftercare import care_sentences
from vinemap.rules import Rules, default_rules
from vinemap.states import Action

RULES = default_rules()


def keys(actions: list[Action], **block: object) -> list[str]:
    return [one.key.removeprefix("page.care.") for one in care_sentences(block, actions, RULES)]


def test_hedging_is_the_cheap_way() -> None:
    """Dami, Ennahli & Zhang, Am. J. Enol. Vitic. 2012, about 90 % of buds dead: hedging to 5 nodes is the cheapest."""
    assert keys([Action.PRUNE_LONG]) == ["hedge"]
    assert keys([Action.CHECK_WOOD]) == ["hedge_sound"]
    (said,) = care_sentences({}, [Action.PRUNE_LONG], RULES)
    assert "cut every cane back to 5 nodes" in said
    assert keys([Action.AS_USUAL, Action.KEEP_MORE, Action.NO_DATA]) == []


@pytest.mark.parametrize("action", [Action.LOOK_AGAIN, Action.RETRAIN, Action.REPLANT])
def test_suckers_by_their_roots(action: Action) -> None:
    """About five suckers, one trained, none a bull cane (A. Klodd, Univ. of Minnesota); rootstock is told apart."""
    assert keys([action], own_rooted=True) == ["suckers"]
    assert keys([action], own_rooted=False, hilled=True) == ["rootstock", "suckers"]
    assert keys([action], own_rooted=None) == keys([action]) == ["roots_unknown", "suckers"]
    said = care_sentences({"own_rooted": True}, [action], RULES)[0]
    assert said.startswith("Leave about 5 suckers a vine and tie one up as the new trunk")
    assert "bull cane" in said
    assert "out of the row's way" in said


def test_each_thing_is_said_once_for_all_zones() -> None:
    """A block with long pruning, wood to check and hurt trunks says hedging and suckers once each."""
    actions = [Action.PRUNE_LONG, Action.CHECK_WOOD, Action.LOOK_AGAIN, Action.RETRAIN]
    assert keys(actions, own_rooted=True) == ["hedge", "suckers"]


def test_settings_change_the_numbers() -> None:
    """A vineyard's own numbers are said."""
    rules = Rules.model_validate({"hedging": {"nodes": 3}, "suckers": {"keep": 4}})
    said = " ".join(care_sentences({"own_rooted": True}, [Action.PRUNE_LONG, Action.RETRAIN], rules))
    assert "back to 3 nodes" in said
    assert "about 4 suckers" in said
