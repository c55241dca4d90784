"""What one run found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.errors import InputError, Problem
from vinemap.exports.picture import plot_map
from vinemap.guesses import Guesses
from vinemap.reading.vineyard import Vineyard
from vinemap.sentences import Sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Progress = Callable[[str], None]


def quiet(_: str) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class MapRun:
    """Everything that one run found.

    Attributes
    ----------
    vineyard : Vineyard
        What was read.
    tallies : DataFrame
        Buds dead and read, by sample, part and tissue.
    blocks, samples, zones : GeoDataFrame
        The rows of blocks.csv, samples.csv and zones.csv with their geometry.
    work : DataFrame
        The rows of worklist.csv.
    rows : DataFrame
        The rows of rows.csv; none where no block's vine rows are measured.
    canes : GeoDataFrame or None
        The rows of more_canes.csv with their places; None after budbreak.
    surface : Dataset
        The injury grid.
    terrain : Dataset or None
        The terrain grid; None without an elevation grid.
    report : dict
        The content of run.json.
    findings : list of Sentence
        What to know first, in plain sentences.
    """

    vineyard: Vineyard
    tallies: pd.DataFrame
    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    work: pd.DataFrame
    rows: pd.DataFrame
    canes: gpd.GeoDataFrame | None
    surface: xr.Dataset
    terrain: xr.Dataset | None
    report: dict[str, Any]
    findings: list[Sentence]

    def block(self, name: str) -> pd.Series[Any]:
        """Return the row of one block; raise `InputError`, with the nearest name, where there is none."""
        return block_named(self.blocks, name)

    def zones_of(self, name: str) -> pd.DataFrame:
        """Return the rows of one block's zones, the worst first."""
        here = self.zones["block"] == name
        return pd.DataFrame(self.zones.drop(columns="geometry"))[here]

    def plot(self, layer: str = "primary_injury", ax: Axes | None = None) -> Axes:
        """Draw a layer of the surface with the blocks and the samples; see `vinemap.exports.picture.plot_map`."""
        return plot_map(self.surface, self.blocks, self.samples, layer, ax)


def block_named(blocks: gpd.GeoDataFrame, name: str) -> pd.Series[Any]:
    """Return the row of one block, as `MapRun.block` does, of any table of blocks."""
    names = blocks["block"].tolist()
    if name not in names:
        near = Guesses(names, 0.0).of(name)
        remedy = Sentence("remedy.meant", near=repr(near)) if near else Sentence("remedy.name_a_block")
        raise InputError([Problem("blocks", None, "block", Sentence("fault.no_block", block=repr(name)), remedy)])
    return pd.Series(blocks.drop(columns="geometry").iloc[names.index(name)])
