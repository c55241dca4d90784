"""What is known before a round: the ground, and a first survey where there is one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from vinemap.reading.vineyard import Site, Vineyard, read_site, read_vineyard
from vinemap.states import Bud, Part
from vinemap.survival.intervals import IntraclassCorrelation, intraclass_correlation
from vinemap.survival.tables import block_table
from vinemap.survival.tally import kept_nodes, tally


@dataclass(frozen=True)
class Survey:
    """The ground and what was cut on it.

    Attributes
    ----------
    site : Site
        Blocks, elevation, settings.
    vineyard : Vineyard or None
        With samples and buds; None before the first round.
    tallies : DataFrame
        From `vinemap.survival.tally.tally`; empty before the first round.
    table : DataFrame
        From `vinemap.survival.tables.block_table`.
    correlation : IntraclassCorrelation
        How alike the primary buds of one sample are; not ``known`` before the first round.
    """

    site: Site
    vineyard: Vineyard | None
    tallies: pd.DataFrame
    table: pd.DataFrame
    correlation: IntraclassCorrelation


def read_survey(folder: Path, *, first: bool = False) -> Survey:
    """Read a vineyard folder, and its samples and buds where it holds both.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    first : bool
        Leave samples and buds out even where they are there.

    Raises
    ------
    InputError
        When the folder cannot be used as it stands.
    """
    site = read_site(folder)
    confidence = site.settings.survival.confidence
    if first or not all(_holds(folder, site, stem) for stem in ("samples", "buds")):
        samples = pd.DataFrame(columns=["sample", "block"])
        tallies = pd.DataFrame(columns=["sample", "part", "tissue", "dead", "read", "unread"])
        table = block_table(site.blocks, samples, tallies, confidence)
        return Survey(site, None, tallies, table, IntraclassCorrelation(float("nan"), 0))
    vineyard = read_vineyard(folder)
    samples, blocks = vineyard.samples, vineyard.site.blocks
    kept = kept_nodes(samples, blocks, vineyard.site.settings)
    tallies = tally(vineyard.nodes, vineyard.counts, kept)
    cut = tallies[(tallies["part"] == Part.ALL) & (tallies["tissue"] == Bud.PRIMARY)]
    cut = cut.assign(block=cut["sample"].map(dict(zip(samples["sample"], samples["block"], strict=True))))
    cut = cut.dropna(subset="block")
    correlation = intraclass_correlation(cut["dead"], cut["read"], cut["block"])
    return Survey(site, vineyard, tallies, block_table(blocks, samples, tallies, confidence), correlation)


def _holds(folder: Path, site: Site, stem: str) -> bool:
    return getattr(site.settings.files, stem) is not None or any(folder.glob(f"{stem}.*"))
