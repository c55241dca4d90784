"""Ask for the species group where a figure hangs on it and neither the block nor its variety says it."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from vinemap.errors import Findings
from vinemap.rules import Rules
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.states import SpeciesGroup, State
from vinemap.units import KILOGRAMS_PER_POUND
from vinemap.varieties import Kin


def ask_for_groups(
    blocks: gpd.GeoDataFrame, nodes: pd.DataFrame, counts: pd.DataFrame, rules: Rules, findings: Findings
) -> None:
    """Name the blocks whose species group is wanted, what was taken in its place, and the column to fill.

    Parameters
    ----------
    blocks : GeoDataFrame
        The columns of `vinemap.columns.BLOCKS`.
    nodes, counts : DataFrame
        As `vinemap.reading.buds.read_buds` gives them.
    rules : Rules
        With the table of varieties.
    findings : Findings
        Gets a warning where secondaries were read and nothing says how they crop; where cane prunings were weighed and
        nothing says the budget, or whether the French hybrids' or the new ones'; and where a block states another group
        than the table of its variety.
    """
    kinds = dict(zip(blocks["block"], rules.varieties.kinds(blocks), strict=True))
    _of_secondaries(kinds, _secondaries_read(nodes, counts), rules, findings)
    weighed = blocks[blocks["pruning_weight_kg"].notna() & blocks["nodes_per_vine"].isna()]
    _of_budgets(weighed, kinds, rules, findings)
    for block, kin in kinds.items():
        if kin.otherwise is not None:
            words = {"stated": kin.group, "otherwise": kin.otherwise}
            findings.warn(Sentence("warning.group.otherwise", block=block, **words))


def _secondaries_read(nodes: pd.DataFrame, counts: pd.DataFrame) -> bool:
    return bool((nodes["secondary"] != State.UNREAD).any() or counts["secondary_dead"].notna().any())


def _of_secondaries(kinds: dict[str, Kin], read: bool, rules: Rules, findings: Findings) -> None:
    found = {block: rules.secondary_share(kin) for block, kin in kinds.items()}
    unknown = [block for block, (table, _) in found.items() if table == "secondary_crop.unknown"]
    if read and unknown:
        share = rules.secondary_crop.unknown
        ends = {name: Figure(getattr(share, name), None) for name in ("share", "low", "high")}
        findings.warn(Sentence.counted("warning.group.secondaries", len(unknown), blocks=Listed(unknown), **ends))


def _of_budgets(weighed: gpd.GeoDataFrame, kinds: dict[str, Kin], rules: Rules, findings: Findings) -> None:
    none = [block for block in weighed["block"] if kinds[block].group is None]
    if none:
        findings.warn(Sentence.counted("warning.group.no_budget", len(none), blocks=Listed(none)))
    either = [
        block
        for block, kg in zip(weighed["block"], weighed["pruning_weight_kg"], strict=True)
        # Up to a pound the two budgets are one.
        if kinds[block].group is SpeciesGroup.HYBRID and kg > KILOGRAMS_PER_POUND
    ]
    if either:
        french, new = rules.balanced.french_hybrid, rules.balanced.new_hybrid
        budgets = {
            "first": Figure(french.first, None),
            "further": Figure(french.further, None),
            "new_first": Figure(new.first, None),
            "new_further": Figure(new.further, None),
        }
        findings.warn(Sentence.counted("warning.group.hybrid", len(either), blocks=Listed(either), **budgets))
