"""What to do where no number of nodes makes up for the injury: prune twice or hedge, and bring up what grows again."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

import pandas as pd

from vinemap.rules import Rules
from vinemap.sentences import Figure, Sentence, ruled
from vinemap.states import Action

_REGROWN = (Action.LOOK_AGAIN, Action.RETRAIN, Action.REPLANT)


def care_sentences(block: Mapping[Any, Any], actions: Collection[str], rules: Rules) -> list[Sentence]:
    """Say how the vines of a block are brought through, past the last step of the pruning rule.

    Parameters
    ----------
    block : mapping
        own_rooted, hilled (True, False or missing), of a row of blocks.csv.
    actions : collection of str
        Of its zones, or its own.
    rules : Rules

    Returns
    -------
    list of Sentence
        Hedging as the cheap way where vines are pruned long, or their wood is checked; suckers, and which of them are
        worth keeping, where trunks are hurt or dead. Nothing for other actions.
    """
    sentences = []
    nodes = Figure(rules.hedging.nodes, None)
    if Action.PRUNE_LONG in actions:
        sentences.append(Sentence("page.care.hedge", nodes=nodes))
    elif Action.CHECK_WOOD in actions:
        sentences.append(Sentence("page.care.hedge_sound", nodes=nodes))
    if not set(_REGROWN).isdisjoint(actions):
        own = block.get("own_rooted")
        if own is None or pd.isna(own):
            sentences.append(Sentence("page.care.roots_unknown"))
        elif not own:
            sentences.append(Sentence("page.care.rootstock"))
        sentences.append(Sentence("page.care.suckers", suckers=Figure(rules.suckers.keep, None)))
    return sentences


def care_sources(block: Mapping[Any, Any], actions: Collection[str], rules: Rules) -> Iterator[Sentence]:
    """Give the source of each number of `care_sentences`, and of both counts of pruning twice."""
    if Action.PRUNE_LONG in actions:
        twice = rules.double_pruning
        values = {"low": Figure(twice.low, None), "high": Figure(twice.high, None)}
        source = ruled("double_pruning.source", twice.source)
        if pd.isna(block.get("nodes_now_low")):
            yield Sentence("explain.twice.unknown", **values, source=source)
        else:
            now = {name: Figure(block[f"nodes_now_{name}"]) for name in ("low", "high")}
            yield Sentence(
                "explain.twice",
                usual=Figure(block["target_nodes"]),
                now_low=now["low"],
                now_high=now["high"],
                after=Figure(block["nodes_after_budbreak"]),
                **values,
                source=source,
            )
    if {Action.PRUNE_LONG, Action.CHECK_WOOD} & set(actions):
        nodes, source = Figure(rules.hedging.nodes, None), ruled("hedging.source", rules.hedging.source)
        yield Sentence("explain.hedging", nodes=nodes, source=source)
    if not set(_REGROWN).isdisjoint(actions):
        yield Sentence("explain.suckers", source=ruled("suckers.source", rules.suckers.source))
