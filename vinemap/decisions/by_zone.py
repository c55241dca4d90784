"""What a block's row says where it was cut into zones: their one task, or that the block is worked by zone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.columns import BLOCKS_CSV
from vinemap.decisions.actions import NODES_TWICE, action_sentences, task_sentence
from vinemap.decisions.evidence import cut_sentence
from vinemap.rules import Rules
from vinemap.sentences import Figure, Listed, Sentence, seasonal
from vinemap.settings import Settings
from vinemap.states import Action, Grade

_ENDS = ("", "_low", "_high")
_NUMBERS = (
    *(stem.format(end) for stem in ("nodes_to_keep{}", "extra{}_pct") for end in _ENDS),
    *NODES_TWICE,
)
_CROPS = tuple(f"crop_after{end}" for end in _ENDS)


def settled(
    blocks: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, settings: Settings, *, spring: bool = False
) -> gpd.GeoDataFrame:
    """Let every block say what its zones say; nothing else decides what a block's row prescribes.

    Parameters
    ----------
    blocks : GeoDataFrame
        With the columns of `vinemap.decisions.actions.decide`, which go by each block's mean.
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`.
    settings : Settings
    spring : bool
        Whether what grew decides; the crop of the nodes that were left then stays the block's.

    Returns
    -------
    GeoDataFrame
        The blocks with zone_nodes. Where a block's zones differ in their action or in their nodes, its action is
        'work_by_zone', action_text names every zone's task, nodes and extra are NaN, and the crop with the nodes to
        keep is the zones' by area, NaN where one of them has none; its low and its high end take every zone at its
        low, or its high, which is wider than an interval of the sum. Where they have one task that is not the block's
        own, the block has theirs.
    """
    parts = dict(tuple(pd.DataFrame(zones.drop(columns="geometry")).groupby("block", sort=False)))
    rows = [_settled(row, parts.get(row["block"]), settings, spring=spring) for row in _records(blocks)]
    table = pd.DataFrame(rows, index=blocks.index)
    return BLOCKS_CSV.arranged(blocks.assign(**{str(name): table[name] for name in table}))


def tasks(zones: pd.DataFrame) -> list[str]:
    """Return each zone's task as zone_nodes has it: nodes to keep, the percentage more, else the action."""
    return [_task(zone) for zone in _records(zones)]


def block_sentences(
    block: Mapping[Any, Any], zones: pd.DataFrame, rules: Rules, *, spring: bool = False
) -> list[Sentence]:
    """Say what to do in a block: by zone where its zones' tasks differ.

    Parameters
    ----------
    block : mapping
        A row of blocks.csv.
    zones : DataFrame
        Rows of zones.csv, of any blocks.
    rules : Rules
    spring : bool
        Whether what grew decides.
    """
    if block["action"] == Action.BY_ZONE:
        return by_zone_sentences(zones[zones["block"] == block["block"]], spring=spring)
    return action_sentences(block, rules, spring=spring)


def by_zone_sentences(zones: pd.DataFrame, *, spring: bool = False) -> list[Sentence]:
    """Say that a block is worked by zone, and name the task of each of its zones."""
    return [Sentence("page.by_zone"), *(_zone_sentence(zone, spring=spring) for zone in _records(zones))]


def _zone_sentence(zone: dict[Any, Any], *, spring: bool) -> Sentence:
    """Name a zone with its vines, its injury and what was cut in it, and what to do there."""
    vines, dead = zone["vines"], zone["no_live_bud_pct" if spring else "injury_pct"]
    facts = [] if pd.isna(vines) else [Sentence("page.by_zone.vines", vines=Figure(vines))]
    facts += [] if pd.isna(dead) else [Sentence(seasonal("page.by_zone.dead", spring=spring), dead=Figure(dead))]
    told = Listed([*facts, cut_sentence(zone)], between="; ")
    task = task_sentence(zone, spring=spring)
    return Sentence("page.by_zone.facts", zone=zone["zone"], facts=told, task=task)


def _records(table: pd.DataFrame) -> list[dict[Any, Any]]:
    return table.drop(columns="geometry", errors="ignore").to_dict("records")


def _task(zone: dict[Any, Any]) -> str:
    if not np.isnan(zone["nodes_to_keep"]):
        return f"{zone['nodes_to_keep']:.0f}"
    return f"+{zone['extra_pct']:.0f} %" if zone["action"] == Action.KEEP_MORE else str(zone["action"])


def _settled(row: dict[Any, Any], zones: pd.DataFrame | None, settings: Settings, *, spring: bool) -> dict[str, Any]:
    """Return what a block's row says by its zones."""
    crops_t = [f"{crop}_t" for crop in _CROPS]
    names = ["action", "action_text", "grade", *_NUMBERS, *(f"{crop}_pct" for crop in _CROPS), *crops_t]
    said: dict[str, Any] = {"zone_nodes": None, **{name: row[name] for name in names}}
    if zones is None:
        return said
    each = tasks(zones)
    if set(each) == {_task(row)}:
        return said
    area, full = zones["area_ha"].to_numpy(np.float64), row.get("normal_yield_t_ha")
    tonnes = np.nan if pd.isna(full) else float(full) * row["area_ha"] / 100
    for crop in () if spring else _CROPS:
        said[f"{crop}_pct"] = float(area @ zones[f"{crop}_pct"].to_numpy(np.float64) / area.sum())
        said[f"{crop}_t"] = said[f"{crop}_pct"] * tonnes
    if len(set(each)) == 1:
        largest = zones.iloc[int(area.argmax())]
        said |= {name: largest[name] for name in ("action", "grade", *_NUMBERS)}
    else:
        said |= {"action": Action.BY_ZONE.value, "grade": Grade.BY_ZONE.value, **dict.fromkeys(_NUMBERS, np.nan)}
        said["zone_nodes"] = "; ".join(f"{zone}: {task}" for zone, task in zip(zones["zone"], each, strict=True))
    sentences = block_sentences(row | said, zones, settings.actions.rules, spring=spring)
    said["action_text"] = " ".join(sentence.said(settings.language) for sentence in sentences)
    return said
