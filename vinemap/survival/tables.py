"""The columns of samples.csv and blocks.csv that come from what was cut."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.arrays import Array
from vinemap.states import Bud, Interval, Origin, Part
from vinemap.survival.intervals import IntraclassCorrelation, cluster_interval, intraclass_correlation, wilson
from vinemap.survival.tally import COUNTS


@dataclass(frozen=True)
class _Share:
    """A share of dead buds: which buds it is of, and what its columns are called."""

    part: Part
    tissue: Bud
    read: str
    dead: str
    unread: str | None
    pct: str

    @property
    def ends(self) -> tuple[str, str]:
        """Names of the low and the high end."""
        stem = self.pct.removesuffix("_pct")
        return f"{stem}_low_pct", f"{stem}_high_pct"


def _share(part: Part, tissue: Bud, name: str, *, unread: bool = False) -> _Share:
    return _Share(part, tissue, f"{name}_nodes", f"{name}_dead", f"{name}_unread" if unread else None, f"{name}_pct")


_SHARES = (
    _Share(Part.ALL, Bud.PRIMARY, "nodes", "primary_dead", "unread", "injury_pct"),
    _share(Part.BASAL, Bud.PRIMARY, Part.BASAL),
    _share(Part.APICAL, Bud.PRIMARY, Part.APICAL),
    *(_share(Part.ALL, bud, bud, unread=True) for bud in (Bud.SECONDARY, Bud.TERTIARY, Bud.NO_LIVE_BUD, Bud.FROZEN)),
    _Share(Part.ALL, Bud.NONCOUNT, "noncount_read", "noncount_dead", None, "noncount_pct"),
)
_WHERE_COUNTED = (Bud.FROZEN, Bud.NONCOUNT)


def _shares(tallies: pd.DataFrame) -> list[_Share]:
    """Return the shares of a table: frozen shoots and basal buds only where somebody counted them."""
    counted = set(tallies["tissue"])
    return [share for share in _SHARES if share.tissue not in _WHERE_COUNTED or share.tissue in counted]


def sample_table(samples: gpd.GeoDataFrame, tallies: pd.DataFrame, confidence: float = 0.90) -> pd.DataFrame:
    """Return the columns of samples.csv: what was cut at each sample, with Wilson intervals.

    Parameters
    ----------
    samples : GeoDataFrame
        Of a `Vineyard`, in any CRS: what it has beside point geometry goes into the table.
    tallies : DataFrame
        From `tally`.
    confidence : float
        Of the intervals.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.SAMPLES_CSV`, a row a sample in the order of ``samples``. Counts are missing
        where the position on the cane is not known, percentages where nothing was read.

    Examples
    --------
    >>> from vinemap.survival.tables import sample_table
    >>> run = vinemap.make_map("demo_blocks")
    >>> table = sample_table(run.vineyard.samples, run.tallies)
    >>> bool(table["injury_low_pct"].le(table["injury_pct"]).all())
    True
    """
    place = samples.geometry.to_crs("EPSG:4326")
    table = pd.DataFrame(samples.drop(columns="geometry")).assign(lon=place.x, lat=place.y)
    for share in _shares(tallies):
        counts = _of(tallies, share).reindex(table["sample"]).reset_index(drop=True)
        counts.index = table.index
        low, high = wilson(counts["dead"].fillna(0), counts["read"].fillna(0), confidence)
        table = table.assign(**_columns(share, counts, low, high))
    return table


def block_table(
    blocks: gpd.GeoDataFrame, samples: pd.DataFrame, tallies: pd.DataFrame, confidence: float = 0.90
) -> pd.DataFrame:
    """Return the columns of blocks.csv that come from what was cut.

    Parameters
    ----------
    blocks : GeoDataFrame
        block, variety, species_group, pruning, area_ha, row_spacing_m, vine_spacing_m, vines, nodes_per_vine.
    samples : DataFrame
        sample, block (None: outside every block).
    tallies : DataFrame
        From `tally`.
    confidence : float
        Of the intervals.

    Returns
    -------
    DataFrame
        A row a block, in the order of ``blocks``: block, variety, species_group, pruning, area_ha, vines, vines_from,
        nodes_per_vine, samples, interval, then the shares as in `sample_table`, all explained in
        `vinemap.columns.BLOCKS_CSV`. ``interval`` says how the interval of injury_pct was found:

        - 'clusters': `cluster_interval`.
        - 'as one sample of nodes': the whole vineyard has too few samples to estimate the variation between vines, so
          the interval is Wilson's and narrower than the truth.
        - 'too few samples': fewer than two samples; the interval takes the variation between vines of the other blocks
          where they show it and is missing where they do not.

        The other shares follow the same rule, each by the samples that carry it; a part of the cane that holds all
        buds of a block has the interval of the whole.

    Examples
    --------
    >>> from vinemap.survival.tables import block_table
    >>> run = vinemap.make_map("demo_blocks")
    >>> table = block_table(run.vineyard.site.blocks, run.vineyard.samples, run.tallies)
    >>> bool(table["injury_low_pct"].le(table["injury_high_pct"]).all())
    True
    """
    vines, source = _vines(blocks)
    home = dict(zip(samples["sample"], samples["block"], strict=True))
    table = pd.DataFrame(blocks[["block", "variety", "species_group", "pruning", "area_ha"]])
    table = table.assign(vines=vines, vines_from=source, nodes_per_vine=blocks["nodes_per_vine"])
    whole: dict[Bud, tuple[Array, Array]] = {}
    for number, share in enumerate(_shares(tallies)):
        here = _of(tallies, share).assign(block=lambda counts: counts.index.map(home)).dropna(subset="block")
        counts = here.groupby("block")[COUNTS].sum().reindex(table["block"]).set_axis(table.index)
        correlation = intraclass_correlation(here["dead"], here["read"], here["block"])
        per_block = dict(tuple(here[here["read"] > 0].groupby("block")))
        found = [block_interval(per_block.get(name), correlation, confidence) for name in table["block"]]
        if number == 0:
            table["samples"] = [0 if name not in per_block else len(per_block[name]) for name in table["block"]]
            table["interval"] = [how for how, _, _ in found]
        intervals = np.array([interval for _, *interval in found], dtype=np.float64).reshape(-1, 2)
        seen = counts[["dead", "read"]].to_numpy(dtype=np.float64)
        if share.part is Part.ALL:
            whole[share.tissue] = seen, intervals
        else:
            all_seen, all_intervals = whole[share.tissue]
            intervals = np.where((seen == all_seen).all(axis=1, keepdims=True), all_intervals, intervals)
        table = table.assign(**_columns(share, counts, *intervals.T))
    return table


def block_interval(
    here: pd.DataFrame | None, correlation: IntraclassCorrelation, confidence: float
) -> tuple[Interval, float, float]:
    """Return how the interval of a block was found, and its ends; ``here`` holds its samples with buds read."""
    if here is None:
        return Interval.TOO_FEW, np.nan, np.nan
    dead, read = here["dead"], here["read"]
    alone = len(here) < 2
    if correlation.known:
        return (Interval.TOO_FEW if alone else Interval.CLUSTERS), *cluster_interval(
            dead, read, correlation, confidence
        )
    if alone:
        return Interval.TOO_FEW, np.nan, np.nan
    low, high = wilson(dead.sum(), read.sum(), confidence)
    return Interval.ONE_SAMPLE, float(low), float(high)


def _of(tallies: pd.DataFrame, share: _Share) -> pd.DataFrame:
    """Return the counts of one share, index sample."""
    chosen = (tallies["part"] == share.part) & (tallies["tissue"] == share.tissue)
    return tallies[chosen].set_index("sample")[COUNTS]


def _columns(share: _Share, counts: pd.DataFrame, low: Array, high: Array) -> dict[str, pd.Series[float] | Array]:
    """Return a share's columns from counts that are missing where it is not known, and intervals as fractions."""
    whole = counts.astype("Float64").astype("Int64")
    if share.part is Part.ALL and share.tissue not in (Bud.NO_LIVE_BUD, *_WHERE_COUNTED):
        whole = whole.fillna(0)
    low_name, high_name = share.ends
    read = counts["read"].to_numpy(dtype=np.float64)
    columns = {share.read: whole["read"]}
    if share.unread is not None:
        columns[share.unread] = whole["unread"]
    pct = 100 * np.divide(counts["dead"].to_numpy(np.float64), read, out=np.full(read.shape, np.nan), where=read > 0)
    return columns | {share.dead: whole["dead"], share.pct: pct, low_name: 100 * low, high_name: 100 * high}


def _vines(blocks: gpd.GeoDataFrame) -> tuple[pd.Series[int], NDArray[np.str_]]:
    """Return vines a block, as given or else from the area and the spacing, and where each number comes from.

    Missing vines are counted out.
    """
    given = blocks["vines"].astype("Float64")
    room = blocks["row_spacing_m"].astype("Float64") * blocks["vine_spacing_m"].astype("Float64")
    spaced = (10_000 * blocks["area_ha"].astype("Float64") / room.where(room > 0)).round()
    source = np.select([given.notna(), spaced.notna()], [Origin.GIVEN, Origin.SPACING], Origin.UNKNOWN)
    missing = blocks["missing_vines"].astype("Float64").fillna(0.0) if "missing_vines" in blocks else 0.0
    return (given.fillna(spaced).round() - missing).clip(lower=0).astype("Int64"), source
