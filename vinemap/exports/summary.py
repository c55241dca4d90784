"""What a run found, in plain sentences."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vinemap.decisions.by_zone import block_sentences
from vinemap.decisions.evidence import cut_sentence
from vinemap.decisions.worklist import by_action
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.states import MORE_CANES, Action, Rate, When
from vinemap.surface.effects import effect_sentences
from vinemap.surface.fit import InjuryMap
from vinemap.units import area_unit

_WORST = 3
_SUREST_PCT = 95


def findings(blocks: pd.DataFrame, zones: pd.DataFrame, injury: InjuryMap, settings: Settings) -> list[Sentence]:
    """Say which blocks froze worst, what there is to do, how much exceeds the threshold, and how far to trust the map.

    Parameters
    ----------
    blocks, zones : DataFrame
        Rows of blocks.csv and zones.csv.
    injury : InjuryMap
    settings : Settings
    """
    return [
        *_worst(blocks, zones, settings),
        _work(zones, settings),
        _area(injury, settings),
        *effect_sentences(injury.model, settings),
        *verdict(injury.scores),
    ]


def spring_summary(blocks: pd.DataFrame, zones: pd.DataFrame, settings: Settings) -> list[Sentence]:
    """Say after budbreak which blocks have the most nodes with no shoot, their crop, and what there is to do."""
    known = blocks[blocks["action"] != Action.NO_DATA]
    ranked = known.sort_values("map_no_live_bud_pct", ascending=False).head(_WORST)
    rows = ranked.to_dict("records")
    return [*(_blind(row, _to_do(row, zones, settings, spring=True)) for row in rows), _work(zones, settings)]


def _to_do(row: dict[Any, Any], zones: pd.DataFrame, settings: Settings, *, spring: bool = False) -> Listed:
    said = block_sentences(row, zones, settings.actions.rules, spring=spring)
    return Listed(said, between=" ", most=None)


def _blind(row: dict[Any, Any], to_do: Listed) -> Sentence:
    figures = {"blind": "map_no_live_bud", "low": "map_no_live_bud_low", "high": "map_no_live_bud_high"}
    values = {name: Figure(row[f"{stem}_pct"]) for name, stem in figures.items()}
    when = "before" if pd.isna(row["crop_after_pct"]) else "after"
    crop: Sentence | str = ""
    if not pd.isna(row[f"crop_{when}_pct"]):
        ends = {"crop": "", "least": "_low", "most": "_high"}
        crops = {name: Figure(row[f"crop_{when}{end}_pct"]) for name, end in ends.items()}
        crop = Sentence(f"found.spring.crop_{when}", **crops)
    return Sentence("found.spring", block=row["block"], crop=crop, action=to_do, **values)


def _worst(blocks: pd.DataFrame, zones: pd.DataFrame, settings: Settings) -> list[Sentence]:
    known = blocks[blocks["action"] != Action.NO_DATA]
    ranked = known.sort_values("map_injury_pct", ascending=False).head(_WORST)
    return [
        Sentence(
            "found.worst",
            block=row["block"],
            injury=Figure(row["map_injury_pct"]),
            low=Figure(row["map_low_pct"]),
            high=Figure(row["map_high_pct"]),
            cut=cut_sentence(row),
            action=_to_do(row, zones, settings),
        )
        for row in ranked.to_dict("records")
    ]


def _work(zones: pd.DataFrame, settings: Settings) -> Sentence:
    """Say on how much ground, and on how many vines, each task is to be done."""
    per_hectare, unit = area_unit(settings.units)
    parts = []
    for row in by_action(zones).to_dict("records"):
        values = {"action": Sentence(f"page.action.{row['action']}"), "area": Figure(per_hectare * row["area_ha"], 1)}
        key = "found.work.area" if pd.isna(row["vines"]) else "found.work.vines"
        parts.append(Sentence(key, **values, unit=unit, vines=Figure(0 if pd.isna(row["vines"]) else row["vines"])))
    return Sentence("found.work", parts=Listed(parts, between="; "))


def work_found(work: pd.DataFrame, settings: Settings) -> list[Sentence]:
    """Say, of the rows of worklist.csv, what cannot wait and how long the crew needs; nothing where it is not known."""
    first = [_first(row) for row in work[work["when"].eq(When.NOW)].to_dict("records") if row["task"] in _BEFORE]
    said = [Sentence("found.first", parts=Listed(first, between="; "))] if first else []
    soon = work[work["when"].isin([When.NOW, When.DORMANT]) & work["task"].ne(Action.NO_DATA)]
    if len(soon) and soon["crew_days"].notna().all() and soon["crew_days"].sum() > 0:
        assumed = soon["days_from"].eq(Rate.ASSUMED).any()
        figures = {
            "crew": Figure(settings.work.crew),
            "a_day": Figure(settings.work.hours_a_day, None),
            "hours": Figure(soon["hours"].sum()),
            "days": Figure(float(np.ceil(soon["crew_days"].sum()))),
        }
        said.append(Sentence("found.days.assumed" if assumed else "found.days", **figures))
    return said


_BEFORE = {MORE_CANES: "canes", Action.CHECK_WOOD.value: "checks"}


def _first(row: dict[Any, Any]) -> Sentence:
    """Say one task that comes before pruning."""
    where: Sentence | str = row["block"]
    if pd.notna(row["zone"]):
        where = Sentence("page.work.at", zone=Figure(row["zone"]), block=row["block"])
    key = f"found.first.{_BEFORE[row['task']]}"
    if pd.isna(row["vines_to_work"]):
        return Sentence(f"{key}.some", where=where)
    return Sentence.counted(key, int(row["vines_to_work"]), where=where)


def _area(injury: InjuryMap, settings: Settings) -> Sentence:
    per_hectare, unit = area_unit(settings.units)
    mean, low, high = (Figure(per_hectare * value, 1) for value in injury.area_over_ha)
    threshold = Figure(100 * settings.surface.threshold)
    return Sentence("found.area", area=mean, low=low, high=high, unit=unit, threshold=threshold)


def verdict(scores: dict[str, Any]) -> list[Sentence]:
    """Say how well held-out samples were predicted, against block means."""
    single = scores["leave_one_out"]
    inside = {"covered": Figure(100 * single["coverage_90"]), "sure": Figure(90, 0, "%")}
    if scores["better_than_block_means"]:
        gain = Figure(100 * (1 - single["brier"] / single["block_means_brier"]), 0, "%")
        return [Sentence("page.scores.gain", gain=gain, **inside)]
    return [Sentence("page.scores.no_better"), Sentence("page.scores.covered", **inside)]


def likely(pct: float) -> Sentence | Figure:
    """Return how likely something is, and never as if it were certain."""
    if pct > _SUREST_PCT:
        return Sentence("report.over", pct=Figure(_SUREST_PCT))
    if pct < 100 - _SUREST_PCT:
        return Sentence("report.under", pct=Figure(100 - _SUREST_PCT))
    return Figure(pct, 0, "%")
