"""Counts of one tissue as the model takes them: a row a sample and part of the cane, with its place."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.arrays import Array
from vinemap.errors import TooFewSamplesError
from vinemap.sentences import Figure, Sentence
from vinemap.states import Part

FEWEST_SAMPLES = 3


@dataclass(frozen=True)
class Observations:
    """Counts of one tissue, a row a sample and part of the cane.

    Attributes
    ----------
    xy : array (n, 2)
        Metres.
    block, sample : array of int (n,)
        Row of the block and of the sample.
    apical : array (n,)
        1 for nodes beyond those that pruning keeps.
    dead, read : array (n,)
        Counts.
    """

    xy: Array
    block: Array
    sample: Array
    apical: Array
    dead: Array
    read: Array

    @classmethod
    def of(
        cls, samples: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, tallies: pd.DataFrame, tissue: str
    ) -> Observations:
        """Take the tallies of samples with a place in a block; by part of the cane where that of all nodes is known."""
        placed = samples[samples["block"].notna() & samples.geometry.notna()]
        block = pd.Index(blocks["block"]).get_indexer(placed["block"])
        where = pd.DataFrame({"row": np.arange(len(placed)), "block": block}, index=pd.Index(placed["sample"]))
        counts = tallies[(tallies["tissue"] == tissue) & tallies["sample"].isin(where.index)]
        whole = counts[counts["part"] == Part.ALL]
        parts = counts[counts["part"] != Part.ALL].groupby("sample")["read"].sum()
        split = parts.index[parts == whole.set_index("sample")["read"].reindex(parts.index)]
        by_part = counts[counts["sample"].isin(split) & (counts["part"] != Part.ALL)]
        counts = pd.concat([by_part, whole[~whole["sample"].isin(split)]]).query("read > 0")
        row = where.loc[counts["sample"], "row"].to_numpy()
        xy = np.column_stack([placed.geometry.x, placed.geometry.y])[row].reshape(-1, 2)
        return cls(
            xy,
            where.loc[counts["sample"], "block"].to_numpy(),
            row,
            (counts["part"] == Part.APICAL).to_numpy(float),
            counts["dead"].to_numpy(float),
            counts["read"].to_numpy(float),
        )

    @property
    def samples(self) -> int:
        """Number of samples with at least one bud read."""
        return len(np.unique(self.sample))


def refuse_too_few(primary: Observations) -> None:
    """Raise `TooFewSamplesError` where primary buds were read on too few samples for a map."""
    if primary.samples < FEWEST_SAMPLES:
        raise TooFewSamplesError(Sentence.counted("fault.too_few", primary.samples, least=Figure(FEWEST_SAMPLES)))
