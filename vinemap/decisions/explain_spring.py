"""The chain from what grew to a block's action after budbreak, in sentences that a person can follow with a pencil."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from vinemap.decisions.actions import action_sentences
from vinemap.decisions.aftercare import care_sentences, care_sources
from vinemap.decisions.by_zone import by_zone_sentences
from vinemap.decisions.evidence import cut_sentence
from vinemap.decisions.explain import by_grade, ends_of, has_all, printed_row, secondary_sentence, wood_found
from vinemap.sentences import Figure, Listed, Sentence, ruled
from vinemap.settings import Settings
from vinemap.states import Action, Grade

_BY_SHOOTS = (Grade.GROWN, Grade.SOME_BLIND, Grade.MOST_BLIND)


def explain_spring(block: pd.Series[Any], settings: Settings, zones: pd.DataFrame) -> list[Sentence]:
    """Say how a block's action after budbreak follows from what grew.

    Parameters
    ----------
    block : Series
        A row of blocks.csv as `vinemap spring` writes it; what is missing is not said.
    settings : Settings
        Of the run.
    zones : DataFrame
        The block's rows of zones.csv.

    Returns
    -------
    list of Sentence
        Nodes with no shoot as counted, and by the map; vines with none; the wood; the limit that decides, with its
        source; the crop from primaries, secondaries and frost; the action, cautions. Every figure is printed as the
        tables have it.
    """
    row, rules = printed_row(block), settings.actions.rules
    by_zone = row["action"] == Action.BY_ZONE
    so = by_zone_sentences(zones, spring=True) if by_zone else action_sentences(row, rules, spring=True)
    actions = {row["action"], *zones["action"]}
    return [
        *_counted(row),
        *wood_found(row, rules),
        *(_zones(row, zones, settings) if by_zone else _decides(row, settings)),
        *_crop(row, settings),
        *care_sources(row, actions, rules),
        Sentence("explain.so", action=Listed([*so, *care_sentences(row, actions, rules)], between=" ", most=None)),
        Sentence("explain.mind", caution=ruled("spring.caution", rules.spring.caution)),
        Sentence("explain.spring.advice"),
    ]


def _counted(row: dict[str, Any]) -> Iterator[Sentence]:
    """Say what was counted, and what the map makes of it."""
    if row.get("no_live_bud_nodes"):
        every = row["counted_samples"] == row["samples"]
        yield Sentence(
            "explain.spring.counted.all" if every else "explain.spring.counted",
            counted=Figure(row["counted_samples"]),
            samples=Figure(row["samples"]),
            dead=Figure(row["no_live_bud_dead"]),
            nodes=Figure(row["no_live_bud_nodes"]),
            share=Figure(row["no_live_bud_pct"], 1),
            interval=ends_of(row, "no_live_bud"),
        )
    else:
        yield Sentence("explain.spring.none", block=row["block"])
    if has_all(row, "map_no_live_bud_pct"):
        yield Sentence(
            "explain.spring.map",
            share=Figure(row["map_no_live_bud_pct"], 1),
            interval=ends_of(row, "map_no_live_bud"),
        )
    if row.get("no_shoot_vines"):
        vines, suckers = Figure(row["no_shoot_vines"]), Figure(row["sucker_vines"])
        yield Sentence("page.why.no_shoot", vines=vines, suckers=suckers)


def _zones(row: dict[str, Any], zones: pd.DataFrame, settings: Settings) -> Iterator[Sentence]:
    yield Sentence("explain.zones")
    for zone in zones.to_dict("records"):
        here = row | printed_row(pd.Series(zone))
        here["map_no_live_bud_pct"] = here.get("no_live_bud_pct")
        if has_all(here, "no_live_bud_pct"):
            share, ends = Figure(here["no_live_bud_pct"], 1), ends_of(here, "no_live_bud")
            yield Sentence("explain.spring.zone", zone=here["zone"], share=share, interval=ends, cut=cut_sentence(zone))
        yield from _decides(here, settings)


def _decides(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    """Say which limit the figure that decides lies below or above."""
    spring, grade = settings.actions.rules.spring, row["grade"]
    if grade not in _BY_SHOOTS:
        yield from by_grade(row, settings)
        return
    yield Sentence(
        f"explain.spring.decides.{grade}",
        share=Figure(row["map_no_live_bud_pct"], 1),
        some=Figure(spring.some_blind_over_pct, None),
        most=Figure(spring.most_blind_over_pct, None),
        source=ruled("spring.source", spring.source),
    )


def _crop(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    """Say the crop of a node left at pruning with its sum, as `vinemap.decisions.regrowth.Grown` has it."""
    if not has_all(row, "crop_before_pct", "map_injury_pct", "map_no_live_bud_pct"):
        return
    sentence, share = secondary_sentence(row, settings)
    yield sentence
    alive, grew = 1 - row["map_injury_pct"] / 100, 1 - row["map_no_live_bud_pct"] / 100
    frozen = row["map_frozen_pct"] / 100 if has_all(row, "map_frozen_pct") else 0.0
    both = row["both_frozen_pct"] / 100 if has_all(row, "both_frozen_pct") else 0.0
    first = max(min(alive / grew if grew > 0 else 1.0, 1.0), frozen)
    values = {"grew": Figure(grew, 3), "alive": Figure(alive, 3), "share": Figure(share, None)}
    yield Sentence("explain.spring.first", first=Figure(first, 3), **values)
    if frozen:
        key = "explain.spring.frost" if has_all(row, "both_frozen_pct") else "explain.spring.frost.unseen"
        yield Sentence(key, frozen=Figure(frozen, 3), both=Figure(both, 3))
    second = (1 - first) + frozen * (1 - both)
    yield Sentence(
        "explain.spring.crop",
        bearing=Figure(first - frozen, 3),
        second=Figure(second, 3),
        before=Figure(row["crop_before_pct"], 1),
        interval=ends_of(row, "crop_before"),
        **values,
    )
    if has_all(row, "crop_after_pct", "nodes_left", "target_nodes"):
        left, usual = Figure(row["nodes_left"], 1), Figure(row["target_nodes"])
        after, ends = Figure(row["crop_after_pct"], 1), ends_of(row, "crop_after")
        yield Sentence("explain.spring.left", left=left, usual=usual, after=after, interval=ends)
