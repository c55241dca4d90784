"""From injury to work: how many nodes to keep, what crop that leaves, and which wood to renew, by ``rules.toml``."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.arrays import Array
from vinemap.rules import PruningRule, Rules
from vinemap.settings import Settings

AS_USUAL, KEEP_MORE = "as_usual", "keep_more"
PRUNE_LONG, CHECK_WOOD = "prune_long_wait", "check_wood"
LOOK_AGAIN, RETRAIN, REPLANT = "look_again", "retrain", "replant_candidate"
NO_DATA = "no_data"
ACTIONS = (AS_USUAL, KEEP_MORE, PRUNE_LONG, CHECK_WOOD, LOOK_AGAIN, RETRAIN, REPLANT, NO_DATA)
"""Codes of what to do, from the lightest to the strongest, then the one for want of figures. Buds alone never say more
than 'check_wood'."""

BY_NUMBER, BY_LENGTH, BARE, HURT, DEAD, UNKNOWN = range(6)
"""Grades of ground: the rule gives a number; it gives none; hardly a live bud; hurt trunks; dead trunks; not known."""

_BOUNDS = ("", "_low", "_high")
MOST_PCT = 50.0
"""Of the ground of a block: with too few samples on more of it, nothing is decided."""
_TEXTS = {
    PRUNE_LONG: "Keep all the nodes you can and decide after budbreak.",
    CHECK_WOOD: "Check the wood: cut nothing back before you have looked under the bark and seen budbreak.",
    LOOK_AGAIN: "Trunks are hurt: keep all the wood, look again after budbreak, and keep suckers for new trunks.",
    RETRAIN: "Most trunks are dead: after budbreak, bring up new trunks from suckers, which are true on own roots.",
    REPLANT: "Most trunks are dead, and the vines are grafted: after budbreak, look at the union. A vine alive above "
    "it can be retrained from there; one dead at the union is a candidate for replanting.",
    NO_DATA: "Too few samples to say: cut more canes before you prune.",
}
_TRUNK_COLUMNS = ("trunk_dead_low_pct", "trunk_hurt_pct", "trunk_hurt_high_pct")
_UNKNOWN_ROOTS = (
    "Most trunks are dead: after budbreak, look for suckers, and find out whether they grow true or from rootstock."
)
_TRUNKS_HURT = "Some trunks are hurt or dead: look again after budbreak before you cut to that number."
_SUSPECT = "So many dead buds make hurt wood likely: look under the bark too."


class Trunks(NamedTuple):
    """What wood checks say of the trunks, in percent of vines; NaN where none was checked.

    Attributes
    ----------
    dead_low : ndarray
        Lower bound of the vines whose trunks are dead.
    hurt : ndarray
        Vines with dead phloem in a trunk.
    hurt_high : ndarray
        Its upper bound.
    """

    dead_low: Array
    hurt: Array
    hurt_high: Array


def decide(blocks: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Say what to do in each block.

    Parameters
    ----------
    blocks : DataFrame
        A row a block. Read where they are there, and taken as unknown where they are not: map_injury_pct, map_low_pct,
        map_high_pct (primaries dead on the nodes that pruning keeps, over the whole block), too_few_pct (ground with
        too few samples to say), map_no_live_bud_pct (else no_live_bud_pct, of the nodes that were cut), secondary_pct,
        secondary_low_pct, secondary_high_pct, species_group, nodes_per_vine, pruning_weight_kg (cane
        prunings of one vine), vine_spacing_m, own_rooted, trunk_dead_low_pct, trunk_hurt_pct, trunk_hurt_high_pct (of
        `vinemap.survival.wood.wood_table`), area_ha, normal_yield_t_ha.
    settings : Settings
        The pruning rule, and ``surface.max_width``.

    Returns
    -------
    DataFrame, same index
        - action: one of `ACTIONS`; action_text: the same as a sentence.
        - target_nodes: nodes a vine in a normal year; target_from: 'given', 'pruning weight', 'spacing' or ''.
        - trunks_hurt: whether trunks with dead phloem call for a second look before a number of nodes is cut to.
        - extra_pct, extra_low_pct, extra_high_pct: more nodes than the target, percent; nodes_to_keep,
          nodes_to_keep_low, nodes_to_keep_high: nodes a vine, whole. Low and high are the rule at the bounds of the
          injury. NaN where the rule gives no number: keep all, as many as the vine bears.
        - crop_before_pct, crop_after_pct and their ``_low``, ``_high``: crop as a share of a normal year's with the
          target's nodes and with the nodes to keep, low where the injury is at its high bound; ``after`` is NaN where
          no number of nodes is given. crop_before_t, crop_after_t and their bounds: the same in tonnes over the block,
          NaN where no normal yield is given.

    Notes
    -----
    Decisions rest on percentages rounded to one decimal, as the tables print them, so that a reader who follows the
    arithmetic with printed figures gets the printed result.

    A node's crop is ``(1 - injury) + injury * secondaries alive * share``, with the share of ``secondary_crop`` in the
    rules; secondaries that nobody read count as no crop. Where secondaries were read under live primaries too, their
    survival is on the high side, for the two die together.

    Wood checks come before buds: see `grade`. Dead trunks are a call to retrain on own roots, and make a candidate for
    replanting of grafted vines, whose suckers from below the union are rootstock (common practice).
    """
    target, target_from = target_nodes(blocks, settings.actions.rules)
    figures = pd.DataFrame(
        {
            "injury_pct": _column(blocks, "map_injury_pct"),
            "injury_low_pct": _column(blocks, "map_low_pct"),
            "injury_high_pct": _column(blocks, "map_high_pct"),
            "no_live_bud_pct": _column(blocks, "map_no_live_bud_pct").fillna(_column(blocks, "no_live_bud_pct")),
            **{name: _column(blocks, name) for name in _TRUNK_COLUMNS},
            "own_rooted": own_rooted(blocks),
        },
        index=blocks.index,
    )
    wide = figures["injury_high_pct"] - figures["injury_low_pct"] > 100 * settings.surface.max_width
    figures["injury_pct"] = figures["injury_pct"].mask(wide | (_column(blocks, "too_few_pct") > MOST_PCT))
    secondary = secondary_crop(blocks, settings.actions.rules)
    figures = figures.join(secondary).assign(target_nodes=target)
    decided = prescribe(figures, settings)
    decided.insert(0, "target_nodes", target)
    decided.insert(1, "target_from", target_from)
    limits = settings.actions.rules.wood
    hurt = figures["trunk_hurt_pct"].round(1) > limits.hurt_over_pct
    decided = decided.assign(trunks_hurt=hurt.astype(object))
    told = figures[["injury_pct", "trunk_hurt_pct"]].assign(
        trunk_dead_over=figures["trunk_dead_low_pct"] > limits.dead_low_over_pct
    )
    rows = decided.join(told).to_dict("records")
    decided.insert(1, "action_text", [_sentence(row, settings.actions.rules) for row in rows])
    tonnes = _column(blocks, "normal_yield_t_ha") * _column(blocks, "area_ha") / 100
    crops = [f"crop_{when}{bound}" for when in ("before", "after") for bound in _BOUNDS]
    return decided.assign(**{f"{crop}_t": decided[f"{crop}_pct"] * tonnes for crop in crops})


def target_nodes(blocks: pd.DataFrame, rules: Rules) -> tuple[pd.Series[float], pd.Series[str]]:
    """Return the nodes a vine carries in a normal year, and where the number comes from.

    As given; else from the pruning weight by the balanced-pruning budget of the species group; else from the vine
    spacing. Columns as in `decide`.
    """
    given = _column(blocks, "nodes_per_vine")
    budgets = {
        "american": rules.balanced.american,
        "hybrid": rules.balanced.hybrid,
        "vinifera": rules.balanced.vinifera,
    }
    weight, group = _column(blocks, "pruning_weight_kg"), _groups(blocks)
    balanced = pd.Series(np.nan, blocks.index)
    for name, budget in budgets.items():
        balanced = balanced.mask(group == name, pd.Series(budget.nodes(weight), blocks.index))
    spaced = pd.Series(rules.nodes_per_foot.nodes(_column(blocks, "vine_spacing_m")), blocks.index)
    origin = np.select([given.notna(), balanced.notna(), spaced.notna()], ["given", "pruning weight", "spacing"], "")
    target = half_up(given.fillna(balanced).fillna(spaced).to_numpy(np.float64))
    return pd.Series(target, blocks.index), pd.Series(origin, blocks.index)


def secondary_crop(blocks: pd.DataFrame, rules: Rules) -> pd.DataFrame:
    """Return the crop of a node whose primary is dead, as a share of a sound node's: secondary_crop, _low and _high.

    Low and high are the bounds that go with the low and the high bound of the injury: most secondaries alive with the
    least injury.
    """
    shares = rules.secondary_crop.model_dump(include={"american", "hybrid", "vinifera", "unknown"})
    share = _groups(blocks).map(shares)
    columns = {}
    middle = _column(blocks, "secondary_pct")
    for bound in _BOUNDS:
        dead = _column(blocks, f"secondary{bound}_pct").fillna(middle).round(1)
        columns[f"secondary_crop{bound}"] = (share * (1 - dead / 100)).fillna(0.0)
    return pd.DataFrame(columns, index=blocks.index)


def crop_left(injury_pct: Array, secondary: Array | float) -> Array:
    """Return a node's crop as a share of a sound node's: ``(1 - injury) + injury * secondary``."""
    injury = injury_pct / 100
    return (1 - injury) + injury * secondary


def prescribe(figures: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Apply the rule to pieces of ground, blocks or zones.

    Parameters
    ----------
    figures : DataFrame
        injury_pct, injury_low_pct, injury_high_pct, no_live_bud_pct, secondary_crop, secondary_crop_low,
        secondary_crop_high, target_nodes, trunk_dead_low_pct, trunk_hurt_pct, trunk_hurt_high_pct, own_rooted; NaN (or
        None) where unknown.
    settings : Settings

    Returns
    -------
    DataFrame, same index
        action, then extra_pct, nodes_to_keep, crop_before_pct and crop_after_pct, each with its bounds, as in `decide`.
    """
    rules = settings.actions.rules
    target = figures["target_nodes"].to_numpy(np.float64)
    injury = {bound: figures[f"injury{bound}_pct"].round(1).to_numpy(np.float64) for bound in _BOUNDS}
    crop = {b: crop_left(injury[b], figures[f"secondary_crop{b}"].to_numpy(np.float64)) for b in _BOUNDS}
    extra = {b: chosen_rule(settings).more_nodes(injury[b], crop[b], rules.ceiling.times_target) for b in _BOUNDS}
    bare = figures["no_live_bud_pct"].round(1).to_numpy(np.float64)
    trunks = Trunks(*(figures[name].round(1).to_numpy(np.float64) for name in _TRUNK_COLUMNS))
    found = grade(injury[""], extra[""], bare, trunks, rules)
    own = figures["own_rooted"]
    renewal = np.select([own.eq(True), own.eq(False)], [RETRAIN, REPLANT], LOOK_AGAIN)
    numbered = np.where((extra[""] > 0) & (half_up(target * (1 + extra[""] / 100)) != target), KEEP_MORE, AS_USUAL)
    action = np.choose(found, [numbered, PRUNE_LONG, CHECK_WOOD, LOOK_AGAIN, renewal, NO_DATA])
    columns: dict[str, Any] = {"action": action}
    for b in _BOUNDS:
        extra[b] = np.where(np.isin(action, (AS_USUAL, KEEP_MORE)), extra[b], np.nan)
        columns[f"extra{b}_pct"] = extra[b]
        columns[f"nodes_to_keep{b}"] = half_up(target * (1 + extra[b] / 100))
    for b, other in zip(_BOUNDS, ("", "_high", "_low"), strict=True):  # least crop where most is dead
        left = np.where(np.isnan(crop[""]), np.nan, 100 * crop[other])
        columns[f"crop_before{b}_pct"] = left
        columns[f"crop_after{b}_pct"] = left * (1 + extra[""] / 100)
    return pd.DataFrame(columns, index=figures.index)


def grade(injury_pct: Array, more_pct: Array, no_live_bud_pct: Array, trunks: Trunks, rules: Rules) -> NDArray[np.intp]:
    """Return what ground asks for, by buds and trunks, before the nodes are counted.

    Dead trunks come first, where their lower bound passes ``wood.dead_low_over_pct``. Hurt trunks count where they pass
    ``wood.hurt_most_over_pct``, and where the buds give no number to prune to. Where hardly a bud is alive and the
    trunks were found sound on enough vines that less than half can be hurt, the wood need not be checked again.

    Parameters
    ----------
    injury_pct, more_pct, no_live_bud_pct : ndarray
        Primaries dead; more nodes by the rule, NaN where it gives no number; nodes with no live bud. Percent.
    trunks : Trunks
    rules : Rules

    Returns
    -------
    ndarray of int
        `BY_NUMBER`, `BY_LENGTH`, `BARE`, `HURT`, `DEAD` or `UNKNOWN`.
    """
    limits = rules.wood
    unread = np.isnan(no_live_bud_pct)
    bare = np.where(unread, injury_pct > limits.primary_over_pct, no_live_bud_pct > limits.no_live_bud_over_pct)
    counted = ~np.isnan(more_pct) & ~bare
    sound = (trunks.hurt <= limits.hurt_over_pct) & (trunks.hurt_high < 50)
    dead, hurt = trunks.dead_low > limits.dead_low_over_pct, trunks.hurt > limits.hurt_over_pct
    return np.select(
        [dead, np.isnan(injury_pct), trunks.hurt > limits.hurt_most_over_pct, counted, hurt],
        [DEAD, UNKNOWN, HURT, BY_NUMBER, HURT],
        np.where(bare & ~sound, BARE, BY_LENGTH),
    )


def own_rooted(blocks: pd.DataFrame) -> pd.Series[Any]:
    """Return whether vines stand on their own roots: True, False, or None where unknown."""
    if "own_rooted" not in blocks:
        return pd.Series(None, blocks.index, dtype=object)
    return blocks["own_rooted"].astype(object)


def chosen_rule(settings: Settings) -> PruningRule:
    """Return the pruning rule that the settings name."""
    rule: PruningRule = getattr(settings.actions.rules.pruning, settings.actions.rule)
    return rule


def _sentence(row: dict[Any, Any], rules: Rules) -> str:
    action = row["action"]
    counted = _keep_more(row) if action == KEEP_MORE else _as_usual(row)
    text = _TEXTS.get(action, counted)
    if action == LOOK_AGAIN and row["trunk_dead_over"]:
        text = _UNKNOWN_ROOTS
    if action in (AS_USUAL, KEEP_MORE) and row["trunks_hurt"]:
        return f"{text} {_TRUNKS_HURT}"
    likely = row["injury_pct"] > rules.wood.likely_over_pct and np.isnan(row["trunk_hurt_pct"])
    return f"{text} {_SUSPECT}" if likely and action in (KEEP_MORE, PRUNE_LONG) else text


def _as_usual(row: dict[Any, Any]) -> str:
    return f"Prune as usual{_range(row, ': {} nodes a vine')}."


def _keep_more(row: dict[Any, Any]) -> str:
    if np.isnan(row["nodes_to_keep"]):
        low, high = row["extra_low_pct"], row["extra_high_pct"]
        bounds = f"at least {low:.0f} %" if np.isnan(high) else f"{low:.0f} to {high:.0f} %"
        return f"Keep {row['extra_pct']:.0f} % more nodes than usual ({bounds})."
    return f"Keep{_range(row, ' {} nodes a vine')} in place of {row['target_nodes']:.0f}."


def _range(row: dict[Any, Any], pattern: str) -> str:
    """Return the nodes to keep with their bounds; nothing where the target is not known."""
    nodes, low, high = row["nodes_to_keep"], row["nodes_to_keep_low"], row["nodes_to_keep_high"]
    if np.isnan(nodes):
        return ""
    text = pattern.format(f"{nodes:.0f}")
    if np.isnan(high):
        return f"{text} ({low:.0f} or more)"
    return text if low == high else f"{text} ({low:.0f} to {high:.0f})"


def half_up(values: Array) -> Array:
    """Round to whole numbers, a half upwards as people do; rounding errors below a millionth do not count."""
    return np.asarray(np.floor(np.round(values, 6) + 0.5))


def _column(table: pd.DataFrame, name: str) -> pd.Series[float]:
    """Return a column as floats, NaN where it or its value is missing."""
    values = table[name] if name in table else pd.Series(np.nan, table.index)
    return pd.to_numeric(values, errors="coerce").astype("Float64").astype(np.float64)


def _groups(blocks: pd.DataFrame) -> pd.Series[str]:
    group = blocks["species_group"] if "species_group" in blocks else pd.Series(None, blocks.index, dtype=object)
    return group.astype(object).where(group.notna(), "unknown")
