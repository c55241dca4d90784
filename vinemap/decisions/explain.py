"""The chain from counts to action of one block, in sentences that a person can follow with a pencil."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from vinemap.columns import BLOCKS_CSV
from vinemap.decisions.actions import chosen_rule
from vinemap.rules import PruningRule, Step
from vinemap.settings import Settings
from vinemap.states import Action, Grade, Origin, Pruning, Tissue, WoodState
from vinemap.units import KILOGRAMS_PER_POUND, METRES_PER_FOOT

_BY_RULE = (Grade.BY_NUMBER, Grade.BY_LENGTH)
ADVICE = (
    "Figures support, and do not replace, your local extension service and licensed practice. Wait for budbreak before "
    "any vine comes out; crown gall and trunk disease can look like cold injury."
)


def explain_block(block: pd.Series[Any], settings: Settings) -> list[str]:
    """Say how a block's action follows from what was cut.

    Parameters
    ----------
    block : Series
        A row of blocks.csv with every column of `vinemap.survival.tables.block_table`, the surface,
        `vinemap.survival.wood.wood_table` and `vinemap.decisions.actions.decide`; what is missing is not told.
    settings : Settings
        Of the run.

    Returns
    -------
    list of str
        Counts, their interval, the map's average, the wood; what decides: the rule's step with its source, the target
        and the nodes, or the figure that takes the rule's place; the crop, the action, cautions. Every figure is
        printed as the tables have it.
    """
    row = {str(name): _printed(str(name), value) for name, value in block.items()}
    return [
        *_counts(row, settings),
        *_map(row),
        *_wood(row),
        *(_numbers(row, settings) if row["grade"] in _BY_RULE else _grade(row, settings)),
        *_crop(row, settings),
        f"So: {row['action_text']}",
        f"Mind: {chosen_rule(settings).caution}",
        ADVICE,
    ]


def _numbers(row: dict[str, Any], settings: Settings) -> Iterator[str]:
    """Tell what follows from the map's figure by the pruning rule."""
    yield from _step(row, settings)
    yield from _target(row, settings)
    yield from _nodes(row)


def _grade(row: dict[str, Any], settings: Settings) -> Iterator[str]:
    """Tell what decided in the place of the pruning rule."""
    limits, grade = settings.actions.rules.wood, row["grade"]
    apart = f"lie more than {100 * settings.surface.max_width:.0f} points apart"
    if grade == Grade.TOO_FEW:
        yield f"This decides: bounds over most of the block {apart}."
    elif grade == Grade.TOO_WIDE:
        yield f"This decides: bounds of the block's mean {apart}."
    elif grade == Grade.UNKNOWN:
        yield "This decides: the map has no figure for the block."
    elif grade == Grade.NO_LIVE_BUD:
        bare = row["map_no_live_bud_pct"] if _has(row, "map_no_live_bud_pct") else row["no_live_bud_pct"]
        yield _decided(f"{bare:.1f} % of the nodes have no live bud", limits.no_live_bud_over_pct, limits.source)
    elif grade == Grade.MOST_PRIMARIES:
        what = f"{row['map_injury_pct']:.1f} % of the primaries are dead, and secondaries were not read"
        yield _decided(what, limits.primary_over_pct, limits.source)
    elif grade == Grade.TRUNKS_DEAD:
        what = f"at least {row['trunk_dead_low_pct']:.1f} % of the trunks are dead"
        yield _decided(what, limits.dead_low_over_pct, limits.source)
    else:
        over = limits.hurt_most_over_pct if grade == Grade.MOST_TRUNKS_HURT else limits.hurt_over_pct
        yield _decided(f"{row['trunk_hurt_pct']:.1f} % of the trunks are hurt", over, limits.source)


def _printed(name: str, value: Any) -> Any:
    """Return a figure as blocks.csv has it."""
    column = BLOCKS_CSV.find(name)
    if column is None or column.decimals is None or pd.isna(value):
        return value
    return float(np.round(value, column.decimals))


def _decided(what: str, limit: float, source: str) -> str:
    return f"This decides: {what}, and the limit is {limit:g} % ({source})."


def _has(row: dict[str, Any], *names: str) -> bool:
    return all(pd.notna(row.get(name)) for name in names)


def _counts(row: dict[str, Any], settings: Settings) -> Iterator[str]:
    if not row.get("samples"):
        yield f"In {row['block']} no primary bud was read."
        return
    unread = f", {row['unread']} more not read" if row.get("unread") else ""
    yield (
        f"Cut: {row['nodes']} primary buds of {row['samples']} samples{unread}. Dead: {row['primary_dead']} of "
        f"{row['nodes']} = {row['injury_pct']:.1f} %{_bounds(row, 'injury_low_pct', 'injury_high_pct')}."
    )
    if _has(row, "basal_nodes", "basal_pct"):
        kept = settings.survival.kept_nodes[Pruning(row["pruning"])]
        yield (
            f"On the first {kept} nodes, which {row['pruning']} pruning keeps: {row['basal_dead']} of "
            f"{row['basal_nodes']} = {row['basal_pct']:.1f} %{_bounds(row, 'basal_low_pct', 'basal_high_pct')}."
        )
    if _has(row, "no_live_bud_pct"):
        yield (
            f"Nodes with no live bud: {row['no_live_bud_dead']} of {row['no_live_bud_nodes']} = "
            f"{row['no_live_bud_pct']:.1f} %."
        )


def _bounds(row: dict[str, Any], low: str, high: str) -> str:
    return f" ({row[low]:.1f} to {row[high]:.1f} %)" if _has(row, low, high) else ""


def _map(row: dict[str, Any]) -> Iterator[str]:
    if _has(row, "map_injury_pct"):
        yield (
            f"Over the whole block, by the map, on the nodes that pruning keeps: {row['map_injury_pct']:.1f} %"
            f"{_bounds(row, 'map_low_pct', 'map_high_pct')}."
            f"{' This figure decides.' if row['grade'] in _BY_RULE else ''}"
        )


def _step(row: dict[str, Any], settings: Settings) -> Iterator[str]:
    rule = chosen_rule(settings)
    if not _has(row, "map_injury_pct"):
        return
    number = int(rule.step_of(row["map_injury_pct"]))
    yield f"Rule: {rule.label.lower()} ({rule.source}). {_span(rule, number)}: {_what(rule.steps[number])}."


def _span(rule: PruningRule, number: int) -> str:
    step = rule.steps[number]
    start = rule.steps[number - 1].end if number else None
    if start is None:
        return "Any injury" if step.end is None else f"Up to {step.end:g} %"
    return f"Over {start:g} %" if step.end is None else f"From {start:g} to {step.end:g} %"


def _what(step: Step) -> str:
    words = {
        "injury": "add the injury's own percentage to the nodes",
        "replacement": "divide the nodes by the crop that a node has left",
        "all": "no number of nodes makes up for it",
    }
    if isinstance(step.add, str):
        return words[step.add]
    return f"add {step.add:g} % to the nodes" if step.add else "prune as usual"


def _target(row: dict[str, Any], settings: Settings) -> Iterator[str]:
    rules = settings.actions.rules
    if row.get("target_from") == Origin.GIVEN:
        yield f"Normal year: {row['target_nodes']:.0f} nodes a vine, as given."
    elif row.get("target_from") == Origin.PRUNING_WEIGHT:
        budget = getattr(rules.balanced, row["species_group"])
        pounds = row["pruning_weight_kg"] / KILOGRAMS_PER_POUND
        yield (
            f"Normal year: {row['target_nodes']:.0f} nodes a vine, {budget.first:g} for the first pound of cane "
            f"prunings and {budget.further:g} for each further one, of {pounds:.2f} lb ({rules.balanced.source})."
        )
    elif row.get("target_from") == Origin.SPACING:
        feet = row["vine_spacing_m"] / METRES_PER_FOOT
        yield (
            f"Normal year: {row['target_nodes']:.0f} nodes a vine, the middle of {rules.nodes_per_foot.low:g} to "
            f"{rules.nodes_per_foot.high:g} a foot on {feet:.1f} feet ({rules.nodes_per_foot.source})."
        )
    else:
        yield "Normal year: nodes a vine are not known; give nodes_per_vine to get a number in place of a percentage."


def _nodes(row: dict[str, Any]) -> Iterator[str]:
    if row["grade"] != Grade.BY_NUMBER or not _has(row, "nodes_to_keep"):
        return
    sums = [f"{row['target_nodes']:.0f} × (1 + {row['extra_pct']:.1f} / 100) = {row['nodes_to_keep']:.0f}"]
    for bound, word in (("low", "lower"), ("high", "upper")):
        if row[f"nodes_to_keep_{bound}"] == row["nodes_to_keep"]:
            continue
        if _has(row, f"nodes_to_keep_{bound}"):
            sums.append(f"{row[f'nodes_to_keep_{bound}']:.0f} at the {word} bound of the injury")
        else:
            sums.append(f"no number at the {word} bound of the injury")
    yield f"Nodes: {', '.join(sums)}."


def _crop(row: dict[str, Any], settings: Settings) -> Iterator[str]:
    if not _has(row, "crop_before_pct"):
        return
    shares = settings.actions.rules.secondary_crop
    group = row.get("species_group") if _has(row, "species_group") else "unknown"
    injury, share = row["map_injury_pct"] / 100, getattr(shares, str(group))
    if _has(row, "secondary_pct"):
        alive = 1 - row["secondary_pct"] / 100
        second = f" + {injury:.3f} × {alive:.3f} secondaries alive × {share:g} of the primary's crop"
    else:
        second = "; secondaries were not read and count as no crop"
    before = f"(1 − {injury:.3f}){second}: {row['crop_before_pct']:.1f} % of a normal year with the usual nodes"
    if _has(row, "crop_after_pct"):
        before += (
            f", {row['crop_after_pct']:.1f} % with the nodes to keep "
            f"({row['crop_after_low_pct']:.1f} to {row['crop_after_high_pct']:.1f} %)"
        )
    yield f"Crop: {before}.{_tonnes(row)}"


def _tonnes(row: dict[str, Any]) -> str:
    if not _has(row, "crop_before_t"):
        return ""
    after = f", {row['crop_after_t']:.1f} t with the nodes to keep" if _has(row, "crop_after_t") else ""
    return f" In tonnes: {row['crop_before_t']:.1f} t{after}."


def _wood(row: dict[str, Any]) -> Iterator[str]:
    told = False
    for tissue in reversed(Tissue):
        for state, words in ((WoodState.HURT, "with dead phloem"), (WoodState.DEAD, "dead through")):
            name = f"{tissue}_{state}"
            if row.get(f"{name}_read"):
                told = True
                yield (
                    f"Wood: {tissue}s {words} on {row[f'{name}_vines']:.0f} of {row[f'{name}_read']:.0f} vines checked"
                    f"{_bounds(row, f'{name}_low_pct', f'{name}_high_pct')}."
                )
    if not told and row["action"] != Action.NO_DATA:
        yield "Wood: none was checked here, so nothing stronger than checking it can be said."
