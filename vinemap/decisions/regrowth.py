"""After budbreak: from what grew to what to do; no nodes are counted out any more, and frost only enters the crop."""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from vinemap.arrays import Array
from vinemap.decisions.actions import MOST_PCT, NODES_TWICE, Trunks, action_sentences, printed, target_nodes, yes_or_no
from vinemap.decisions.classes import Classifier, Intervals, Statistics, between
from vinemap.decisions.season import Season
from vinemap.rules import Rules
from vinemap.settings import Settings
from vinemap.states import Action, Grade
from vinemap.terrain.sparse import BlockCells

_ENDS = ("", "_low", "_high")
_OTHER = {"_low": "_high", "_high": "_low"}
_ACTIONS = {
    Grade.GROWN: Action.CARRY_ON,
    Grade.SOME_BLIND: Action.KEEP_SHOOTS,
    Grade.MOST_BLIND: Action.KEEP_SUCKERS,
    Grade.TRUNKS_HURT: Action.KEEP_SUCKERS,
    # Where the roots are known, the vines are renewed.
    Grade.TRUNKS_DEAD: Action.KEEP_SUCKERS,
}


class Grown(NamedTuple):
    """What there is of a node's crop after budbreak, as shares; arrays of one shape, NaN where unknown.

    Attributes
    ----------
    primaries : ndarray
        Nodes whose primary bud was alive in winter, of all.
    nodes : ndarray
        Nodes that grew a shoot, of all.
    frozen : ndarray
        Nodes whose first shoot froze after budbreak, of those that grew one.
    both : ndarray
        Nodes whose second shoot froze too, of those whose first one did.
    share : ndarray
        Crop of a secondary, as a share of its primary's.
    """

    primaries: Array
    nodes: Array
    frozen: Array
    both: Array
    share: Array

    @property
    def crop(self) -> Array:
        """Crop of a node left at pruning, as a share of a sound node's.

        Of the nodes with a shoot those with a live primary bear 1, the others, which grew from the secondary, its
        share; where the first shoot froze the secondary bears its share, and 0 where that froze too: G. S. Howell,
        Michigan State University, grapes.extension.org 2019. At least as many nodes had grown from the primary as lost
        it to the frost.
        """
        first = np.divide(self.primaries, self.nodes, out=np.ones_like(self.nodes), where=self.nodes > 0)
        first = np.maximum(np.minimum(first, 1.0), self.frozen)
        second = (1 - first) + self.frozen * (1 - self.both)
        return np.asarray(self.nodes * ((first - self.frozen) + self.share * second))


def spring_grade(
    blind_pct: Array,
    trunks: Trunks,
    rules: Rules,
    *,
    too_few: NDArray[np.bool_] | None = None,
    too_wide: NDArray[np.bool_] | None = None,
) -> NDArray[np.intp]:
    """Return what decides over ground after budbreak; nothing else decides that.

    Parameters
    ----------
    blind_pct : ndarray
        Nodes with no shoot, percent; rounded here as it is printed, and so are the trunks.
    trunks : Trunks
        With what grew counted in: a vine with a shoot has no dead trunk.
    rules : Rules
    too_few, too_wide : ndarray, optional
        Where too little was counted to go by it; nowhere by default.

    Returns
    -------
    ndarray of int
        The `vinemap.states.Grade.code` of each.
    """
    blind, nowhere = printed(blind_pct), np.zeros(blind_pct.shape, bool)
    found = {
        Grade.TRUNKS_DEAD: trunks.mostly_dead(rules),
        Grade.TOO_FEW: nowhere if too_few is None else too_few,
        Grade.TOO_WIDE: nowhere if too_wide is None else too_wide,
        Grade.UNKNOWN: np.isnan(blind),
        Grade.MOST_BLIND: blind > rules.spring.most_blind_over_pct,
        Grade.TRUNKS_HURT: printed(trunks.hurt) > rules.wood.hurt_over_pct,
        Grade.SOME_BLIND: blind > rules.spring.some_blind_over_pct,
    }
    return np.select(list(found.values()), [one.code for one in found], Grade.GROWN.code)


def prescribe_spring(figures: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Say what to do on pieces of ground after budbreak.

    Parameters
    ----------
    figures : DataFrame
        no_live_bud_pct (nodes with no shoot), trunk_dead_low_pct, trunk_hurt_pct, trunk_hurt_high_pct, own_rooted,
        too_few, too_wide, as in `vinemap.decisions.actions.prescribe`.
    settings : Settings

    Returns
    -------
    DataFrame, same index
        action, grade; then what `vinemap.decisions.actions.prescribe` gives of nodes to keep and of the crop they would
        bear, all of it NaN: after budbreak no number of nodes is given.
    """
    rules = settings.actions.rules
    trunks = Trunks(*(figures[f"trunk_{name}_pct"].to_numpy(np.float64) for name in ("dead_low", "hurt", "hurt_high")))
    blind = figures["no_live_bud_pct"].to_numpy(np.float64)
    unsure = {name: figures[name].to_numpy(bool) for name in ("too_few", "too_wide")}
    found = spring_grade(blind, trunks, rules, **unsure)
    own, dead = figures["own_rooted"], found == Grade.TRUNKS_DEAD.code
    action = np.select(
        [dead & own.eq(True), dead & own.eq(False)],
        [Action.RETRAIN, Action.REPLANT],
        np.array([_ACTIONS.get(one, Action.NO_DATA) for one in Grade])[found],
    )
    stems = ("extra{}_pct", "nodes_to_keep{}", "crop_before{}_pct", "crop_after{}_pct")
    names = (*(stem.format(end) for stem in stems for end in _ENDS), *NODES_TWICE)
    nothing = dict.fromkeys(names, np.nan)
    columns = {"action": action, "grade": np.array(list(Grade))[found], **nothing}
    return pd.DataFrame(columns, index=figures.index)


class SpringClassifier(Classifier):
    """Classifies the cells of one block by what grew: the class is the grade."""

    def classify(self, here: Statistics) -> NDArray[np.int32]:
        """Return the class of each cell or piece; the parameters are those of `Classifier`."""
        trunks = Trunks(here.dead_low, here.hurt, here.hurt_high)
        blind = np.where(here.known < 0.5, np.nan, here.no_live_bud)
        return np.asarray(spring_grade(blind, trunks, self._rules), np.int32)

    def probability(self, number: int, here: Statistics, intervals: Intervals) -> Array:
        """Return the probability that each cell of a class belongs in it, from its interval on the log-odds scale."""
        spring, wood = self._rules.spring, self._rules.wood
        some, most = spring.some_blind_over_pct, spring.most_blind_over_pct
        found = tuple(Grade)[number]
        if found is Grade.TRUNKS_DEAD:
            return between(wood.dead_low_over_pct, 100.0, *intervals.dead)
        spans = {Grade.GROWN: (0.0, some), Grade.SOME_BLIND: (some, most), Grade.MOST_BLIND: (most, 100.0)}
        if found not in spans:
            return np.full(intervals.no_live_bud[0].shape, np.nan)
        return between(*spans[found], *intervals.no_live_bud)


SPRING = Season("no_live_bud", SpringClassifier, prescribe_spring)
"""After budbreak, by what grew."""


def resting_on_shoots(surface: xr.Dataset, settings: Settings) -> xr.Dataset:
    """Return the surface with ``too_few`` where the interval of the nodes with no shoot is too wide to go by.

    Everywhere, where nodes with no shoot could not be mapped.
    """
    cells = BlockCells.of(surface)
    few = np.ones(len(cells), bool)
    if "no_live_bud_injury" in surface:
        low, high = (cells.read(surface[f"no_live_bud_{end}"]) for end in ("low", "high"))
        few = high - low > settings.surface.max_width
    return surface.assign(too_few=cells.layer(few))


def decide_spring(blocks: pd.DataFrame, settings: Settings = Settings()) -> pd.DataFrame:
    """Say what to do in each block after budbreak, and forecast its crop.

    Parameters
    ----------
    blocks : DataFrame
        A row a block, as `vinemap.decisions.actions.decide` has it, with map_no_live_bud_pct (nodes with no shoot) and,
        where frost was counted, map_frozen_pct, each with its low and high; and the columns of
        `vinemap.survival.growth.block_growth`.
    settings : Settings

    Returns
    -------
    DataFrame, same index
        As `vinemap.decisions.actions.decide`. Nodes to keep are NaN: there is no number any more. crop_before_pct is
        the crop with a normal year's nodes, crop_after_pct that with ``nodes_left`` of them, NaN where that was not
        counted.

    Notes
    -----
    The crop is `Grown.crop`. Its ends take injury and blind nodes at their ends together, for they go together; the
    secondary's share and the frost at theirs are independent of both, so the distances from the middle add up as the
    sides of a right angle (G. Y. Zou & A. Donner, Stat. Med. 27 (2008) 1693). While the second shoots of frozen nodes
    have not been looked at, the middle counts on all of them and the low end on none.
    """
    rules = settings.actions.rules
    target, target_from = target_nodes(blocks, rules)
    width = printed(_column(blocks, "map_no_live_bud_high_pct") - _column(blocks, "map_no_live_bud_low_pct"))
    figures = pd.DataFrame(
        {
            "no_live_bud_pct": printed(_column(blocks, "map_no_live_bud_pct")),
            **{f"trunk_{name}_pct": printed(_column(blocks, f"trunk_{name}_pct")) for name in _TRUNKS},
            "too_few": _column(blocks, "too_few_pct") > MOST_PCT,
            "too_wide": width > round(100 * settings.surface.max_width, 1),
            "own_rooted": yes_or_no(blocks, "own_rooted"),
        },
        index=blocks.index,
    )
    decided = prescribe_spring(figures, settings)
    decided.insert(0, "target_nodes", target)
    decided.insert(1, "target_from", target_from)
    decided = decided.assign(trunks_hurt=(figures["trunk_hurt_pct"] > rules.wood.hurt_over_pct).astype(object))
    left = _column(blocks, "nodes_left") / target.to_numpy(np.float64)
    tonnes = _column(blocks, "normal_yield_t_ha") * _column(blocks, "area_ha") / 100
    rows = decided.to_dict("records")
    for row, injury in zip(rows, _column(blocks, "map_injury_pct"), strict=True):
        row["injury_pct"] = injury
    said = [action_sentences(row, rules, spring=True) for row in rows]
    texts = [" ".join(sentence.said(settings.language) for sentence in each) for each in said]
    decided.insert(1, "action_text", texts)
    for end, crop in _crops(blocks, rules).items():
        known = np.where(decided["action"] == Action.NO_DATA, np.nan, 100 * crop)
        for when, nodes in (("before", 1.0), ("after", left)):
            decided[f"crop_{when}{end}_pct"] = known * nodes
            decided[f"crop_{when}{end}_t"] = known * nodes * tonnes
    return decided


_TRUNKS = ("dead_low", "hurt", "hurt_high")


def _crops(blocks: pd.DataFrame, rules: Rules) -> dict[str, Array]:
    """Return the crop of a node left at pruning, with its low and high."""
    shares = [rules.secondary_share(kin)[1] for kin in rules.varieties.kinds(blocks)]
    share = {"": "share", "_low": "low", "_high": "high"}
    by_share = {end: np.array([getattr(one, name) for one in shares]) for end, name in share.items()}
    injury = {end: _column(blocks, f"map{end or '_injury'}_pct") / 100 for end in _ENDS}
    blind = {end: _column(blocks, f"map_no_live_bud{end}_pct") / 100 for end in _ENDS}
    counted = "map_frozen_pct" in blocks
    frozen = {end: _column(blocks, f"map_frozen{end}_pct") / 100 if counted else 0.0 * injury[""] for end in _ENDS}
    both = _column(blocks, "both_frozen_pct") / 100
    unseen = np.isnan(both)

    def grown(buds: str, frost: str, by: str) -> Array:
        second = np.where(unseen, 1.0 if frost == "_high" else 0.0, both)
        return Grown(1 - injury[buds], 1 - blind[buds], frozen[frost], second, by_share[by]).crop

    crops = {"": grown("", "", "")}
    for end in ("_low", "_high"):
        worse, sign = _OTHER[end], 1 if end == "_high" else -1
        apart = (grown(worse, "", ""), grown("", worse, ""), grown("", "", end))
        distance = np.sqrt(sum(np.square(one - crops[""]) for one in apart))
        crops[end] = np.clip(crops[""] + sign * distance, 0.0, 1.0)
    return crops


def _column(table: pd.DataFrame, name: str) -> Array:
    """Return a column as floats, NaN where it or its value is missing."""
    values = table[name] if name in table else pd.Series(np.nan, table.index)
    return np.asarray(pd.to_numeric(values, errors="coerce").astype("Float64").to_numpy(np.float64, na_value=np.nan))


def by_what_decides(zones: gpd.GeoDataFrame, *, spring: bool) -> gpd.GeoDataFrame:
    """Return zones whose injury is that of the figure that decides: in spring, of nodes with no shoot."""
    if not spring:
        return zones
    return zones.assign(**{f"injury{end}_pct": zones[f"no_live_bud{end}_pct"] for end in ("", "_low", "_high")})
