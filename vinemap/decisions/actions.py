"""From injury to work: how many nodes to keep, what crop that leaves, and which wood to renew, by ``rules.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.arrays import Array
from vinemap.rules import PruningRule, Rules
from vinemap.sentences import Figure, Sentence, seasonal
from vinemap.settings import Settings
from vinemap.states import NUMBERED, Action, Grade, Origin

_ENDS = ("", "_low", "_high")
_OTHER = {"_low": "_high", "_high": "_low"}
NODES_TWICE = ("nodes_now_low", "nodes_now_high", "nodes_after_budbreak")
"""Columns of pruning twice: nodes to leave now, and after budbreak."""
MOST_PCT = 50.0
"""Of the ground of a block: with too few samples on more of it, nothing is decided."""
SOUND_BELOW_PCT = 50.0
"""Of vines with hurt trunks: where the high end of their interval lies below it, few of them hurt, trunks are sound."""
_TRUNK_COLUMNS = ("trunk_dead_low_pct", "trunk_hurt_pct", "trunk_hurt_high_pct")
_ACTIONS = {
    Grade.BY_LENGTH: Action.PRUNE_LONG,
    Grade.NO_LIVE_BUD: Action.CHECK_WOOD,
    Grade.MOST_PRIMARIES: Action.CHECK_WOOD,
    Grade.TRUNKS_HURT: Action.LOOK_AGAIN,
    Grade.MOST_TRUNKS_HURT: Action.LOOK_AGAIN,
    # Where the roots are known, the vines are renewed.
    Grade.TRUNKS_DEAD: Action.LOOK_AGAIN,
}
_SPARE_TRUNKS = {Grade.TRUNKS_DEAD: "do.unknown_roots", Grade.TRUNKS_HURT: "do.trunks_hurt"}
"""Why suckers are kept after budbreak, where it is not for blind nodes."""


class Trunks(NamedTuple):
    """What wood checks say of the trunks, in percent of vines; NaN where none was checked.

    Attributes
    ----------
    dead_low : ndarray
        Low end of the interval of the vines whose trunks are dead.
    hurt : ndarray
        Vines with dead xylem or cambium in a trunk; dead phloem alone counts for nothing here.
    hurt_high : ndarray
        The high end of its interval.
    """

    dead_low: Array
    hurt: Array
    hurt_high: Array

    def mostly_dead(self, rules: Rules) -> NDArray[np.bool_]:
        """Whether so many trunks are dead that vines must be renewed, whatever the buds say."""
        return np.asarray(printed(self.dead_low) > rules.wood.dead_low_over_pct)


def printed(percent: Array) -> Array:
    """Round percentages to one decimal, as the tables print them: every limit is held against printed figures."""
    return np.round(percent, 1)


def decide(blocks: pd.DataFrame, settings: Settings = Settings()) -> pd.DataFrame:
    """Say what to do in each block.

    Parameters
    ----------
    blocks : DataFrame
        A row a block. Read where they are there, and taken as unknown where they are not: map_injury_pct, map_low_pct,
        map_high_pct (primaries dead on the nodes that pruning keeps, over the whole block), too_few_pct (ground with
        too few samples to say), map_no_live_bud_pct (else no_live_bud_pct, of the nodes that were cut), secondary_pct,
        secondary_low_pct, secondary_high_pct, variety, species_group, nodes_per_vine, pruning_weight_kg (cane
        prunings of one vine), vine_spacing_m, own_rooted, hilled, trunk_dead_low_pct, trunk_hurt_pct,
        trunk_hurt_high_pct (of `vinemap.survival.wood.wood_table`), area_ha, normal_yield_t_ha.
    settings : Settings
        The pruning rule, and ``surface.max_width``.

    Returns
    -------
    DataFrame, same index
        The columns of blocks.csv, explained in `vinemap.columns.BLOCKS_CSV`, from action to crop_after_high_t: what to
        do, the grade that decided it, nodes, crop. Nodes to keep and the crop after are NaN where the rule gives no
        number, tonnes where no normal yield is given.

    Notes
    -----
    Decisions rest on percentages rounded to one decimal, as the tables print them, so that a reader who follows the
    arithmetic with printed figures gets the printed result.

    A node's crop is ``(1 - injury) + injury * secondaries alive * share``, with the share of the variety, else of its
    species group; secondaries that nobody read count as no crop. Where secondaries were read under live primaries too,
    their survival is on the high side, for the two die together. The interval of the crop is that of `crop_interval`.

    Wood checks come before buds: see `grade`, whose result is carried on as a column. Dead trunks are a call to retrain
    on own roots, and on grafted vines whose union was hilled over, from just above it; other grafted vines are
    candidates for replanting (Rutgers FS1264), for suckers from below the union are rootstock (common practice).

    Examples
    --------
    >>> import pandas as pd
    >>> from vinemap.decisions.actions import decide
    >>> blocks = pd.DataFrame({"map_injury_pct": [30.0], "nodes_per_vine": [40.0]})
    >>> decide(blocks)[["action", "nodes_to_keep"]].to_dict("records")
    [{'action': 'keep_more', 'nodes_to_keep': 52.0}]
    """
    rules = settings.actions.rules
    target, target_from = target_nodes(blocks, rules)
    figures = pd.DataFrame(
        {
            "injury_pct": _column(blocks, "map_injury_pct"),
            "injury_low_pct": _column(blocks, "map_low_pct"),
            "injury_high_pct": _column(blocks, "map_high_pct"),
            "no_live_bud_pct": _column(blocks, "map_no_live_bud_pct").fillna(_column(blocks, "no_live_bud_pct")),
            **{name: _column(blocks, name) for name in _TRUNK_COLUMNS},
            "too_few_pct": _column(blocks, "too_few_pct"),
        },
        index=blocks.index,
    ).round(1)
    width = (figures["injury_high_pct"] - figures["injury_low_pct"]).round(1)
    figures = figures.join(secondary_crop(blocks, rules)).assign(
        too_few=figures["too_few_pct"] > MOST_PCT,
        too_wide=width > round(100 * settings.surface.max_width, 1),
        own_rooted=yes_or_no(blocks, "own_rooted"),
        hilled=yes_or_no(blocks, "hilled"),
        target_nodes=target,
    )
    decided = prescribe(figures, settings)
    decided.insert(0, "target_nodes", target)
    decided.insert(1, "target_from", target_from)
    hurt = figures["trunk_hurt_pct"] > rules.wood.hurt_over_pct
    decided = decided.assign(trunks_hurt=hurt.astype(object))
    rows = decided.join(figures[["injury_pct", "trunk_hurt_pct", "own_rooted", "hilled"]]).to_dict("records")
    texts = [" ".join(said.said(settings.language) for said in action_sentences(row, rules)) for row in rows]
    decided.insert(1, "action_text", texts)
    tonnes = _column(blocks, "normal_yield_t_ha") * _column(blocks, "area_ha") / 100
    crops = [f"crop_{when}{end}" for when in ("before", "after") for end in _ENDS]
    return decided.assign(**{f"{crop}_t": decided[f"{crop}_pct"] * tonnes for crop in crops})


def target_nodes(blocks: pd.DataFrame, rules: Rules) -> tuple[pd.Series[float], pd.Series[str]]:
    """Return the nodes a vine carries in a normal year, and where the number comes from.

    As given; else from the pruning weight by the balanced-pruning budget of the variety's species group; else from the
    vine spacing. Columns as in `decide`.
    """
    given = _column(blocks, "nodes_per_vine")
    budgets = [rules.balanced.of(kin.group) for kin in rules.varieties.kinds(blocks)]
    weights = _column(blocks, "pruning_weight_kg")
    nodes = [np.nan if one is None else float(one.nodes(kg)) for one, kg in zip(budgets, weights, strict=True)]
    balanced = pd.Series(nodes, blocks.index, np.float64)
    spaced = pd.Series(rules.nodes_per_foot.nodes(_column(blocks, "vine_spacing_m")), blocks.index)
    known = {Origin.GIVEN: given.notna(), Origin.PRUNING_WEIGHT: balanced.notna(), Origin.SPACING: spaced.notna()}
    origin = np.select(list(known.values()), list(known), Origin.UNKNOWN)
    target = half_up(given.fillna(balanced).fillna(spaced).to_numpy(np.float64))
    return pd.Series(target, blocks.index), pd.Series(origin, blocks.index)


def secondary_crop(blocks: pd.DataFrame, rules: Rules) -> pd.DataFrame:
    """Return the crop of a node whose primary is dead, as a share of a sound node's.

    Parameters
    ----------
    blocks : DataFrame
        variety, species_group, secondary_pct, secondary_low_pct, secondary_high_pct, as in `decide`.
    rules : Rules

    Returns
    -------
    DataFrame, same index
        secondary_crop; secondary_crop_low and _high with the secondaries' own injury at its low and at its high end, at
        the middle share; secondary_crop_least and _most with the share at its ends, at the middle injury. 0 where
        secondaries were not read.
    """
    shares = [rules.secondary_share(kin)[1] for kin in rules.varieties.kinds(blocks)]
    middle = _column(blocks, "secondary_pct")
    alive = {end: 1 - _column(blocks, f"secondary{end}_pct").fillna(middle).round(1) / 100 for end in _ENDS}
    columns = {f"secondary_crop{end}": alive[end] * [one.share for one in shares] for end in _ENDS}
    columns["secondary_crop_least"] = alive[""] * [one.low for one in shares]
    columns["secondary_crop_most"] = alive[""] * [one.high for one in shares]
    return pd.DataFrame(columns, index=blocks.index).fillna(0.0)


def crop_left(injury_pct: Array, secondary: Array | float) -> Array:
    """Return a node's crop as a share of a sound node's: ``(1 - injury) + injury * secondary``."""
    injury = injury_pct / 100
    return (1 - injury) + injury * secondary


def crop_interval(figures: pd.DataFrame) -> dict[str, Array]:
    """Return a node's crop as a share of a sound node's, and what it is at the low and the high end of the injury.

    Parameters
    ----------
    figures : DataFrame
        injury_pct, injury_low_pct, injury_high_pct, and the columns of `secondary_crop`.

    Returns
    -------
    dict of ndarray
        "" the crop; "_low" its most, at the low end of the injury; "_high" its least. Between 0 and 1; NaN where the
        injury, or that end of it, is not known.

    Notes
    -----
    Primaries and secondaries die together, so that their ends go together. How a variety's secondaries crop has nothing
    to do with either, so that the two distances from the middle add up as the sides of a right angle: G. Y. Zou & A.
    Donner, Stat. Med. 27 (2008) 1693.
    """
    injury = {end: printed(figures[f"injury{end}_pct"].to_numpy(np.float64)) for end in _ENDS}
    middle = crop_left(injury[""], figures["secondary_crop"].to_numpy(np.float64))
    found = {"": middle}
    for end, share, sign in (("_low", "_most", 1), ("_high", "_least", -1)):
        by_injury = crop_left(injury[end], figures[f"secondary_crop{end}"].to_numpy(np.float64)) - middle
        by_share = crop_left(injury[""], figures[f"secondary_crop{share}"].to_numpy(np.float64)) - middle
        found[end] = np.clip(middle + sign * np.hypot(by_injury, by_share), 0.0, 1.0)
    return found


def prescribe(figures: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Apply the rule to pieces of ground, blocks or zones.

    Parameters
    ----------
    figures : DataFrame
        injury_pct, injury_low_pct, injury_high_pct, no_live_bud_pct, the columns of `secondary_crop`, target_nodes,
        trunk_dead_low_pct, trunk_hurt_pct, trunk_hurt_high_pct, own_rooted, hilled; NaN (or None) where unknown.
        too_few, too_wide (bool): with too few samples, or an interval too wide, to go by the injury.
    settings : Settings

    Returns
    -------
    DataFrame, same index
        action, grade, then extra_pct, nodes_to_keep, crop_before_pct and crop_after_pct, each with its low and high,
        and the nodes of pruning twice, as in `decide`.
    """
    rules = settings.actions.rules
    target = figures["target_nodes"].to_numpy(np.float64)
    unsure = {name: figures[name].to_numpy(bool) for name in ("too_few", "too_wide")}
    injury = {end: printed(figures[f"injury{end}_pct"].to_numpy(np.float64)) for end in _ENDS}
    injury[""] = np.where(unsure["too_few"] | unsure["too_wide"], np.nan, injury[""])
    crop = crop_interval(figures.assign(injury_pct=injury[""]))
    extra = {b: chosen_rule(settings).more_nodes(injury[b], crop[b], rules.ceiling.times_target) for b in _ENDS}
    no_live_bud = figures["no_live_bud_pct"].to_numpy(np.float64)
    trunks = Trunks(*(figures[name].to_numpy(np.float64) for name in _TRUNK_COLUMNS))
    found = grade(injury[""], extra[""], no_live_bud, trunks, rules, **unsure)
    own, dead = figures["own_rooted"], found == Grade.TRUNKS_DEAD.code
    again = own.eq(True) | (own.eq(False) & figures["hilled"].eq(True))
    by_number = found == Grade.BY_NUMBER.code
    more = (extra[""] > 0) & (half_up(target * (1 + extra[""] / 100)) != target)
    action = np.select(
        [by_number & more, by_number, dead & again, dead & own.eq(False)],
        [Action.KEEP_MORE, Action.AS_USUAL, Action.RETRAIN, Action.REPLANT],
        np.array([_ACTIONS.get(one, Action.NO_DATA) for one in Grade])[found],
    )
    columns: dict[str, Any] = {"action": action, "grade": np.array(list(Grade))[found]}
    for b in _ENDS:
        extra[b] = np.where(by_number, extra[b], np.nan)
        columns[f"extra{b}_pct"] = extra[b]
        columns[f"nodes_to_keep{b}"] = half_up(target * (1 + extra[b] / 100))
    for b in _ENDS:
        left = np.where(np.isnan(crop[""]), np.nan, 100 * crop[_OTHER.get(b, b)])  # least crop where most is dead
        columns[f"crop_before{b}_pct"] = left
        columns[f"crop_after{b}_pct"] = left * (1 + extra[""] / 100)
    wanted = np.where(action == Action.PRUNE_LONG, target, np.nan)
    for b in ("low", "high"):
        columns[f"nodes_now_{b}"] = half_up(wanted * getattr(rules.double_pruning, b))
    columns["nodes_after_budbreak"] = wanted
    return pd.DataFrame(columns, index=figures.index)


def grade(
    injury_pct: Array,
    more_pct: Array,
    no_live_bud_pct: Array,
    trunks: Trunks,
    rules: Rules,
    *,
    too_few: NDArray[np.bool_] | None = None,
    too_wide: NDArray[np.bool_] | None = None,
) -> NDArray[np.intp]:
    """Return what decides over ground, by buds and trunks, before the nodes are counted; nothing else decides that.

    Dead trunks come first, where the low end of their interval passes ``wood.dead_low_over_pct``. Hurt trunks count
    where they pass ``wood.hurt_most_over_pct``, and where the buds give no number to prune to. Where hardly a bud is
    alive and the trunks were found sound on enough vines that less than half can be hurt, the wood need not be checked
    again.

    Parameters
    ----------
    injury_pct, more_pct, no_live_bud_pct : ndarray
        Primaries dead; more nodes by the rule, NaN where it gives no number; nodes with no live bud. Percent; rounded
        here as they are printed, and so are the trunks.
    trunks : Trunks
    rules : Rules
    too_few, too_wide : ndarray, optional
        Where there are too few samples, or an interval too wide, to go by the injury; nowhere by default.

    Returns
    -------
    ndarray of int
        The `vinemap.states.Grade.code` of each.
    """
    limits, nowhere = rules.wood, np.zeros(injury_pct.shape, bool)
    injury, no_live_bud = printed(injury_pct), printed(no_live_bud_pct)
    hurt, hurt_high = printed(trunks.hurt), printed(trunks.hurt_high)
    unread = np.isnan(no_live_bud)
    lost = np.where(unread, injury > limits.primary_over_pct, no_live_bud > limits.no_live_bud_over_pct)
    unsound = ~((hurt <= limits.hurt_over_pct) & (hurt_high < SOUND_BELOW_PCT))
    first = {
        Grade.TRUNKS_DEAD: trunks.mostly_dead(rules),
        Grade.TOO_FEW: nowhere if too_few is None else too_few,
        Grade.TOO_WIDE: nowhere if too_wide is None else too_wide,
        Grade.UNKNOWN: np.isnan(injury),
        Grade.MOST_TRUNKS_HURT: hurt > limits.hurt_most_over_pct,
        Grade.BY_NUMBER: ~np.isnan(more_pct) & ~lost,
        Grade.TRUNKS_HURT: hurt > limits.hurt_over_pct,
        Grade.MOST_PRIMARIES: lost & unsound & unread,
        Grade.NO_LIVE_BUD: lost & unsound,
    }
    return np.select(list(first.values()), [one.code for one in first], Grade.BY_LENGTH.code)


def yes_or_no(blocks: pd.DataFrame, name: str) -> pd.Series[Any]:
    """Return what a column says of each block, such as own_rooted: True, False, or None where unknown."""
    if name not in blocks:
        return pd.Series(None, blocks.index, dtype=object)
    return blocks[name].astype(object)


def chosen_rule(settings: Settings) -> PruningRule:
    """Return the pruning rule that the settings name."""
    rule: PruningRule = getattr(settings.actions.rules.pruning, settings.actions.rule)
    return rule


def action_sentences(row: Mapping[Any, Any], rules: Rules, *, spring: bool = False) -> list[Sentence]:
    """Say what to do on ground, and what to mind about it.

    Parameters
    ----------
    row : mapping
        injury_pct or map_injury_pct, own_rooted, hilled, and of `decide` action, grade, trunks_hurt, target_nodes,
        nodes_to_keep and extra_pct with their ends, the nodes of pruning twice, trunk_hurt_pct.
    rules : Rules
    spring : bool
        Whether what grew decides.
    """
    action = row["action"]
    if action == Action.BY_ZONE:
        return [Sentence("page.by_zone"), Sentence("page.do.work_by_zone")]
    named = [Sentence(seasonal(f"page.{advice_key(row)}", spring=spring)), *twice_sentences(row, rules)]
    sentences = number_sentences(row) if action in NUMBERED else named
    if action in NUMBERED and row["trunks_hurt"]:
        return [*sentences, Sentence("page.do.trunks_hurt")]
    injury = printed(row["injury_pct"] if "map_injury_pct" not in row else row["map_injury_pct"])
    unchecked = pd.isna(row.get("trunk_hurt_pct", np.nan))
    if action in (Action.KEEP_MORE, Action.PRUNE_LONG) and unchecked and injury > rules.wood.likely_over_pct:
        return [*sentences, Sentence("page.do.suspect")]
    return sentences


def task_sentence(zone: Mapping[Any, Any], *, spring: bool = False) -> Sentence:
    """Say in one line what to do in a zone, a row of zones.csv."""
    if pd.isna(zone["nodes_to_keep"]):
        return _unnumbered(zone, spring=spring)
    keep = Figure(zone["nodes_to_keep"])
    if zone["action"] == Action.AS_USUAL:
        return Sentence("page.task.as_usual_assumed" if assumed(zone) else "page.task.as_usual", keep=keep)
    return Sentence("page.do.nodes", keep=keep, usual=_usual(zone))


def assumed(row: Mapping[Any, Any] | pd.Series[Any]) -> bool:
    """Whether the nodes of a normal year are a guess from the vine spacing, in a row of blocks.csv or zones.csv."""
    return bool(row.get("target_from") == Origin.SPACING)


def _usual(row: Mapping[Any, Any]) -> Figure | Sentence:
    """Return the nodes of a normal year, called assumed where they are."""
    usual = Figure(row["target_nodes"])
    return Sentence("page.do.assumed", usual=usual) if assumed(row) else usual


def _unnumbered(zone: Mapping[Any, Any], *, spring: bool) -> Sentence:
    """Say what to do in a zone for which the rule gives no number of nodes."""
    action = zone["action"]
    if action == Action.NO_DATA:
        return Sentence(seasonal("page.task.no_data", spring=spring))
    if action == Action.KEEP_MORE:
        return Sentence("page.do.extra", extra=Figure(zone["extra_pct"], 0, "%"))
    if pd.notna(zone.get("nodes_now_low")):
        return _twice(zone)
    if advice_key(zone) == "do.unknown_roots":
        return Sentence(seasonal("page.do.unknown_roots", spring=spring))
    return Sentence("page.task.named", action=Sentence(f"page.action.{action}"))


def advice_key(row: Mapping[Any, Any]) -> str:
    """Return the key, in the section of the page, of the sentence that says what a block's action means.

    Parameters
    ----------
    row : mapping
        action, grade; own_rooted and hilled, where they are known.
    """
    action = row["action"]
    if action == Action.LOOK_AGAIN and row["grade"] == Grade.TRUNKS_DEAD:
        return "do.unknown_roots"
    if action == Action.KEEP_SUCKERS and row.get("grade") in _SPARE_TRUNKS:
        return _SPARE_TRUNKS[row["grade"]]
    if action == Action.RETRAIN and _is_no(row.get("own_rooted")):
        return "do.retrain_hilled"
    if action == Action.REPLANT and _is_no(row.get("hilled")):
        return "do.replant_bare"
    return f"do.{action}"


def _is_no(value: Any) -> bool:
    return bool(pd.notna(value)) and not value


def twice_sentences(row: Mapping[Any, Any], rules: Rules) -> list[Sentence]:
    """Say how many nodes to leave before budbreak and after it, where vines are pruned long; nothing elsewhere."""
    if row["action"] != Action.PRUNE_LONG:
        return []
    if pd.isna(row.get("nodes_now_low")):
        times = {name: Figure(getattr(rules.double_pruning, name), None) for name in ("low", "high")}
        return [Sentence("page.do.twice_unknown", **times)]
    return [_twice(row)]


def _twice(row: Mapping[Any, Any]) -> Sentence:
    """Say both counts of pruning twice."""
    low, high, after = (Figure(row[name]) for name in NODES_TWICE)
    return Sentence("page.do.twice", low=low, high=high, after=after)


def number_sentences(row: Mapping[Any, Any]) -> list[Sentence]:
    """Say how many nodes to keep, or how many more than usual where the usual number is not known.

    Parameters
    ----------
    row : mapping
        As for `action_sentences`; its action is one of `NUMBERED`.
    """
    known = not np.isnan(row["nodes_to_keep"])
    if row["action"] == Action.AS_USUAL:
        sentences = [Sentence("page.do.as_usual")]
        if not known:
            return sentences
        key = "page.do.usual_assumed" if assumed(row) else "page.do.usual_nodes"
        sentences.append(Sentence(key, keep=Figure(row["nodes_to_keep"])))
    elif known:
        sentences = [Sentence("page.do.nodes", keep=Figure(row["nodes_to_keep"]), usual=_usual(row))]
    else:
        sentences = [Sentence("page.do.extra", extra=Figure(row["extra_pct"], 0, "%"))]
    stem, unit = ("nodes_to_keep", "") if known else ("extra", "%")
    low, high = (row[f"{stem}_{end}{'' if known else '_pct'}"] for end in ("low", "high"))
    if np.isnan(high):
        sentences.append(Sentence("page.do.nodes_or_more", low=Figure(low, 0, unit)))
    elif low != high:
        sentences.append(Sentence("page.do.nodes_interval", low=Figure(low), high=Figure(high, 0, unit)))
    return sentences


def half_up(values: Array) -> Array:
    """Round to whole numbers, a half upwards as people do; rounding errors below a millionth do not count."""
    return np.asarray(np.floor(np.round(values, 6) + 0.5))


def _column(table: pd.DataFrame, name: str) -> pd.Series[float]:
    """Return a column as floats, NaN where it or its value is missing."""
    values = table[name] if name in table else pd.Series(np.nan, table.index)
    return pd.to_numeric(values, errors="coerce").astype("Float64").astype(np.float64)
