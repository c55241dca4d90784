"""What a run found, in plain sentences."""

from __future__ import annotations

from typing import Any

import pandas as pd

from vinemap.settings import Settings
from vinemap.states import Action
from vinemap.surface.fit import InjuryMap
from vinemap.units import area_unit

_WORST = 3


def findings(blocks: pd.DataFrame, injury: InjuryMap, settings: Settings) -> list[str]:
    """Say which blocks froze worst, how much is above the threshold, what the injury follows, how far to trust it."""
    return [
        *_worst(blocks),
        _area(injury, settings),
        *_follows(injury.model),
        verdict(injury.scores),
        _scores(injury.scores),
    ]


def _worst(blocks: pd.DataFrame) -> list[str]:
    known = blocks[blocks["action"] != Action.NO_DATA]
    ranked = known.sort_values("map_injury_pct", ascending=False).head(_WORST)
    sentence = (
        "{block}: {map_injury_pct:.0f} % of primary buds dead ({map_low_pct:.0f} to {map_high_pct:.0f}). {action_text}"
    )
    return [sentence.format_map({str(k): v for k, v in row.items()}) for row in ranked.to_dict("records")]


def _area(injury: InjuryMap, settings: Settings) -> str:
    per_hectare, unit = area_unit(settings.units)
    mean, low, high = (per_hectare * value for value in injury.area_over_ha)
    share = f"{100 * settings.surface.threshold:.0f} %"
    return f"{mean:.1f} {unit} ({low:.1f} to {high:.1f}) lost more than {share} of their primary buds."


def _follows(model: dict[str, Any]) -> list[str]:
    return [
        f"{c['label'][0].upper()}{c['label'][1:]} multiplies the odds of a dead primary by {c['odds_ratio']:.2g} "
        f"({c['odds_low']:.2g} to {c['odds_high']:.2g})."
        for c in model["covariates"]
    ]


def _scores(scores: dict[str, Any]) -> str:
    single, patches = scores["leave_one_out"], scores["blocked"]
    return (
        "Left out one by one (and by patches of ground): "
        f"Brier score {single['brier']:.3f} ({patches['brier']:.3f}), "
        f"log score {single['log_score']:.2f} ({patches['log_score']:.2f}), "
        f"inside 90 % bounds {100 * single['coverage_90']:.0f} % ({100 * patches['coverage_90']:.0f} %)."
    )


def verdict(scores: dict[str, Any]) -> str:
    """Say how well left-out samples were foretold, against block means."""
    single = scores["leave_one_out"]
    covered = f"{100 * single['coverage_90']:.0f} of 100 left-out samples fell inside their 90 % bounds"
    if scores["better_than_block_means"]:
        gain = 100 * (1 - single["brier"] / single["block_means_brier"])
        return f"Left-out samples were foretold {gain:.0f} % better than by block averages, and {covered}."
    return f"The map foretells left-out samples no better than block averages: trust the block figures; {covered}."
