"""What the razor showed: buds dead and read, by part of the cane, by sample and by block, with honest intervals.

A block's buds are not so many independent trials. Buds of one vine share its place and its vigour, so vines are
clusters, and the interval of a block widens by the design effect of its clusters (`cluster_interval`).
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm
from scipy.stats import t as student

from vinemap.arrays import Array
from vinemap.settings import Settings

TISSUES = ("primary", "secondary", "tertiary")
LEAST_FREEDOM = 4
"""Fewest degrees of freedom, over the whole vineyard, from which the spread between vines is estimated."""

CLUSTERS, ONE_SAMPLE, TOO_FEW = "clusters", "as one sample of nodes", "too few samples"

_TALLY = ["sample", "part", "tissue", "dead", "read", "unread"]
_COUNTS = ["dead", "read", "unread"]


@dataclass(frozen=True)
class _Figure:
    """A figure of the tables: which buds it counts, and what its columns are called."""

    part: str
    tissue: str
    read: str
    dead: str
    unread: str | None
    pct: str

    @property
    def bounds(self) -> tuple[str, str]:
        """Names of the lower and the upper bound."""
        stem = self.pct.removesuffix("_pct")
        return f"{stem}_low_pct", f"{stem}_high_pct"


def _figure(part: str, tissue: str, name: str, *, unread: bool = False) -> _Figure:
    return _Figure(part, tissue, f"{name}_nodes", f"{name}_dead", f"{name}_unread" if unread else None, f"{name}_pct")


_FIGURES = (
    _Figure("all", "primary", "nodes", "primary_dead", "unread", "injury_pct"),
    _figure("basal", "primary", "basal"),
    _figure("apical", "primary", "apical"),
    _figure("all", "secondary", "secondary", unread=True),
    _figure("all", "tertiary", "tertiary", unread=True),
    _figure("all", "no_live_bud", "no_live_bud", unread=True),
)


def pruning_reach(samples: pd.DataFrame, blocks: pd.DataFrame, settings: Settings) -> pd.Series[int]:
    """Return how many nodes from the base pruning keeps, by sample.

    Parameters
    ----------
    samples : DataFrame
        sample, block (None for a sample outside every block, which takes ``settings.default_pruning``).
    blocks : DataFrame
        block, pruning ('spur' or 'cane').
    settings : Settings

    Returns
    -------
    Series of int, index sample
    """
    reach = {"spur": settings.survival.spur_reach, "cane": settings.survival.cane_reach}
    pruning = samples["block"].map(blocks.set_index("block")["pruning"]).fillna(settings.default_pruning)
    return pd.Series(pruning.map(reach).to_numpy(dtype=np.int64), index=pd.Index(samples["sample"], name="sample"))


def tally(nodes: pd.DataFrame, counts: pd.DataFrame, reach: pd.Series[int]) -> pd.DataFrame:
    """Count buds dead, read and unread by sample, part of the cane and tissue.

    Parameters
    ----------
    nodes : DataFrame
        A row a node cut: sample, node (1 = nearest the base), primary, secondary, tertiary ('alive', 'dead', 'unread').
    counts : DataFrame
        A row of counts: sample, part ('basal', 'apical' or 'all'), nodes, primary_dead, secondary_dead, tertiary_dead
        (NaN: that bud was not read). Each row counts other nodes than the rest.
    reach : Series
        Sample to the number of nodes that pruning keeps; must name every sample of ``nodes``.

    Returns
    -------
    DataFrame
        sample, part, tissue ('primary', 'secondary', 'tertiary', 'no_live_bud'), dead, read, unread (int); samples in
        the order of the input. Part 'all' is the sum over the nodes wherever they stood; 'basal' and 'apical' are there
        only for nodes whose position is known.

    Raises
    ------
    KeyError
        When ``reach`` lacks a sample of ``nodes``.

    Notes
    -----
    A node has no live bud when its primary and its secondary are dead and its tertiary is dead or unread. It has one
    when any bud is alive, else it is unread: secondaries need be read only where the primary is dead. Where
    no node with a dead primary had its secondary read, a dead node could never have been seen, and there are no
    'no_live_bud' rows. Counts carry the figure only when the numbers leave no choice in every row: the nodes with no
    live bud are at least the sum of the dead less the nodes for each bud but one, and at most the least of the dead
    (M. Fréchet 1935, from memory).
    """
    known = pd.concat([_tally_nodes(nodes, reach), _tally_counts(counts)], ignore_index=True)
    everything = known.assign(part="all")
    rows = pd.concat([everything, known[known["part"] != "all"]], ignore_index=True)
    return rows.groupby(_TALLY[:3], sort=False, as_index=False)[_COUNTS].sum().astype(dict.fromkeys(_COUNTS, np.int64))


def _tally_nodes(nodes: pd.DataFrame, reach: pd.Series[int]) -> pd.DataFrame:
    """Count the rows of ``nodes``; see `tally`."""
    basal = nodes["node"].to_numpy() <= reach.loc[nodes["sample"]].to_numpy()
    state = nodes[list(TISSUES)].assign(sample=nodes["sample"], part=np.where(basal, "basal", "apical"))
    under_dead = nodes.loc[nodes["primary"] == "dead", "secondary"]
    if under_dead.empty or (under_dead != "unread").any():
        state["no_live_bud"] = _no_live_bud(nodes)
    long = state.melt(["sample", "part"], var_name="tissue", value_name="state")
    one = {"dead": long["state"] == "dead", "unread": long["state"] == "unread"}
    return long.drop(columns="state").assign(**one, read=~one["unread"]).astype(dict.fromkeys(_COUNTS, np.int64))


def _no_live_bud(nodes: pd.DataFrame) -> NDArray[np.str_]:
    """Return the state of each node as a whole: dead, alive or unread."""
    alive = (nodes[list(TISSUES)] == "alive").any(axis=1)
    dead = (nodes["primary"] == "dead") & (nodes["secondary"] == "dead") & ~alive
    return np.select([alive, dead], ["alive", "dead"], "unread")


def _tally_counts(counts: pd.DataFrame) -> pd.DataFrame:
    """Count the rows of ``counts``; see `tally`."""
    total = counts["nodes"].to_numpy(dtype=np.float64)
    dead = (
        counts[[f"{tissue}_dead" for tissue in TISSUES]].to_numpy(dtype=np.float64).reshape(len(counts), len(TISSUES))
    )
    columns = dict(zip(TISSUES, dead.T, strict=True))
    given = np.isfinite(dead)
    least = np.maximum(np.nansum(dead, axis=1) - (given.sum(axis=1) - 1) * total, 0.0)
    most = np.nanmin(dead, axis=1) if len(dead) else total
    if ((least == most) & (given[:, 1] | (most == 0))).all():
        columns["no_live_bud"] = most
    frames = [
        counts[["sample", "part"]].assign(
            tissue=tissue,
            dead=np.nan_to_num(values),
            read=np.where(np.isfinite(values), total, 0.0),
            unread=np.where(np.isfinite(values), 0.0, total),
        )
        for tissue, values in columns.items()
    ]
    return pd.concat(frames, ignore_index=True).astype(dict.fromkeys(_COUNTS, np.int64))


def wilson(dead: ArrayLike, read: ArrayLike, confidence: float) -> tuple[Array, Array]:
    """Return the score interval of a share, for independent buds.

    Parameters
    ----------
    dead, read : array_like
        Counts, of one shape.
    confidence : float
        Between 0 and 1; half of the rest lies on each side.

    Returns
    -------
    low, high : ndarray
        Fractions 0 to 1; NaN where nothing was read.

    References
    ----------
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; method 3 of R. G. Newcombe, Stat. Med. 17 (1998) 857.
    """
    read = np.asarray(read, dtype=np.float64)
    share = np.divide(dead, read, out=np.full(read.shape, np.nan), where=read > 0)
    return _score(share, read, np.full(read.shape, norm.ppf((1 + confidence) / 2)))


def _score(share: Array, size: Array, quantile: Array) -> tuple[Array, Array]:
    """Return the score interval of ``share`` of ``size`` trials, ``quantile`` standard errors wide on each side."""
    square = quantile**2
    middle = (share * size + square / 2) / (size + square)
    half = quantile * np.sqrt(share * (1 - share) * size + square / 4) / (size + square)
    # rounding must not push a bound past the share or past certainty
    low = np.clip(np.minimum(middle - half, share), 0.0, 1.0)
    high = np.clip(np.maximum(middle + half, share), 0.0, 1.0)
    return np.where(share == 0, 0.0, low), np.where(share == 1, 1.0, high)


@dataclass(frozen=True)
class Spread:
    """How alike the buds of one vine are.

    Attributes
    ----------
    rho : float
        Intraclass correlation, 0 (no more alike than buds of different vines of the block) to 1; NaN where the samples
        cannot tell.
    freedom : int
        Degrees of freedom behind it: samples less one, over the blocks of two samples or more in which some buds
        were dead and some alive.
    """

    rho: float
    freedom: int

    @property
    def known(self) -> bool:
        """Whether the samples carry an estimate."""
        return self.freedom >= LEAST_FREEDOM and bool(np.isfinite(self.rho))


def cluster_spread(dead: ArrayLike, read: ArrayLike, block: ArrayLike) -> Spread:
    """Estimate the intraclass correlation of buds within vines, pooled over blocks.

    The mean squares between and within samples are taken inside each block, so that differences between blocks do not
    count as spread. A block of one sample, or one where all buds are alike, all dead or all alive, says nothing about
    spread and is left out. A negative estimate becomes 0.

    Parameters
    ----------
    dead, read : array_like (samples,)
        Counts; samples with nothing read are left out.
    block : array_like (samples,)
        Block of each sample.

    Returns
    -------
    Spread

    References
    ----------
    M. S. Ridout, C. G. B. Demétrio & D. Firth, Biometrics 55 (1999) 137 (analysis of variance estimator; from memory),
    extended to several blocks by pooling sums of squares.
    """
    frame = pd.DataFrame({"dead": np.asarray(dead, float), "read": np.asarray(read, float), "block": np.asarray(block)})
    frame = frame[frame["read"] > 0]
    frame["square"] = frame["read"] ** 2
    grouped = frame.groupby("block")
    total = grouped[["dead", "read", "square"]].transform("sum")
    mixed = (total["dead"] > 0) & (total["dead"] < total["read"]) & (grouped["read"].transform("size") > 1)
    frame, total = frame[mixed], total[mixed]
    blocks = frame["block"].nunique()
    freedom = len(frame) - blocks
    within_freedom = float(frame["read"].sum()) - len(frame)
    if freedom == 0 or within_freedom <= 0:
        return Spread(float("nan"), freedom)
    share = frame["dead"] / frame["read"]
    between = float((frame["read"] * (share - total["dead"] / total["read"]) ** 2).sum()) / freedom
    within = float((frame["read"] * share * (1 - share)).sum()) / within_freedom
    size = float((frame["read"] - frame["square"] / total["read"]).sum()) / freedom
    rho = (between - within) / (between + (size - 1) * within)
    return Spread(float(np.clip(rho, 0.0, 1.0)), freedom)


def design_effect(read: ArrayLike, rho: float) -> float:
    """Return how many times clusters inflate the variance of a share of dead buds.

    ``1 + (m - 1) rho``, with m the mean size of a cluster weighted by size, ``sum(read²) / sum(read)``.

    Parameters
    ----------
    read : array_like (samples,)
        Buds read in each sample of one block.
    rho : float
        Intraclass correlation, 0 to 1.

    References
    ----------
    L. Kish, Survey Sampling (1965; from memory); J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577.
    """
    read = np.asarray(read, dtype=np.float64)
    return float(1 + rho * ((read**2).sum() / read.sum() - 1))


def cluster_interval(dead: ArrayLike, read: ArrayLike, spread: Spread, confidence: float) -> tuple[float, float]:
    """Return the interval of one block's share of dead buds, with vines as clusters.

    A score interval in which the buds read are divided by the design effect. The part of the variance that the clusters
    add is itself estimated, on ``spread.freedom`` degrees of freedom, and the rest is binomial; Satterthwaite's rule
    for the sum gives the degrees of freedom of a t quantile in the place of the normal one. With ``rho`` 0 the clusters
    add nothing, the degrees are infinite, and the interval is Wilson's; it widens steadily from there.

    Parameters
    ----------
    dead, read : array_like (samples,)
        Counts of the samples of one block, at least one bud read.
    spread : Spread
        Of the whole vineyard; must be ``known``.
    confidence : float
        Between 0 and 1.

    Returns
    -------
    low, high : float
        Fractions 0 to 1.

    References
    ----------
    J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577 (effective sample size); F. E. Satterthwaite, Biometrics
    Bulletin 2 (1946) 110; Wilson's form for clustered data: C. Franco, R. J. A. Little, T. A. Louis & E. V. Slud,
    J. Surv. Stat. Methodol. 7 (2019) 334.
    """
    read = np.asarray(read, dtype=np.float64)
    effect = design_effect(read, spread.rho)
    freedom = np.inf if effect == 1 else spread.freedom * (effect / (effect - 1)) ** 2
    quantile = np.array([student.ppf((1 + confidence) / 2, freedom)])
    share = np.array([np.sum(dead) / read.sum()])
    low, high = _score(share, np.array([read.sum() / effect]), quantile)
    return float(low[0]), float(high[0])


def sample_table(samples: gpd.GeoDataFrame, tallies: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Return the columns of samples.csv: what was cut at each sample, with Wilson intervals.

    Parameters
    ----------
    samples : GeoDataFrame
        sample, block, stated_block, distance_m, date and point geometry, in any CRS.
    tallies : DataFrame
        From `tally`.
    confidence : float
        Of the intervals.

    Returns
    -------
    DataFrame
        A row a sample, in the order of ``samples``: sample, block, stated_block, distance_m, date, lon, lat (degrees),
        then for each figure the buds read, dead and unread and the percentage dead with its bounds (0 to 100). Counts
        are missing where the position on the cane is not known, percentages where nothing was read.
    """
    place = samples.geometry.to_crs("EPSG:4326")
    table = pd.DataFrame(samples[["sample", "block", "stated_block", "distance_m", "date"]])
    table = table.assign(lon=place.x, lat=place.y)
    for figure in _FIGURES:
        counts = _of(tallies, figure).reindex(table["sample"]).reset_index(drop=True)
        counts.index = table.index
        low, high = wilson(counts["dead"].fillna(0), counts["read"].fillna(0), confidence)
        table = table.assign(**_columns(figure, counts, low, high))
    return table


def block_table(
    blocks: gpd.GeoDataFrame, samples: pd.DataFrame, tallies: pd.DataFrame, confidence: float
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
        A row a block, in the order of ``blocks``: block, variety, species_group, pruning, area_ha, vines, vines_from
        ('given', 'spacing' or ''), nodes_per_vine, samples (with a primary bud read), interval, then the figures as in
        `sample_table`. ``interval`` says how the bounds of injury_pct were found:

        - 'clusters': `cluster_interval`.
        - 'as one sample of nodes': the whole vineyard has too few samples to estimate the spread between vines, so the
          bounds are Wilson's and narrower than the truth.
        - 'too few samples': fewer than two samples; the bounds take the spread of the other blocks where they show it
          and are missing where they do not.

        The other figures follow the same rule, each by the samples that carry it; a part of the cane that holds all
        buds of a block has the bounds of the whole.
    """
    vines, source = _vines(blocks)
    home = dict(zip(samples["sample"], samples["block"], strict=True))
    table = pd.DataFrame(blocks[["block", "variety", "species_group", "pruning", "area_ha"]])
    table = table.assign(vines=vines, vines_from=source, nodes_per_vine=blocks["nodes_per_vine"])
    whole: dict[str, tuple[Array, Array]] = {}
    for number, figure in enumerate(_FIGURES):
        here = _of(tallies, figure).assign(block=lambda counts: counts.index.map(home)).dropna(subset="block")
        counts = here.groupby("block")[_COUNTS].sum().reindex(table["block"]).set_axis(table.index)
        spread = cluster_spread(here["dead"], here["read"], here["block"])
        per_block = dict(tuple(here[here["read"] > 0].groupby("block")))
        found = [_block_interval(per_block.get(name), spread, confidence) for name in table["block"]]
        if number == 0:
            table["samples"] = [0 if name not in per_block else len(per_block[name]) for name in table["block"]]
            table["interval"] = [how for how, _, _ in found]
        bounds = np.array([bounds for _, *bounds in found], dtype=np.float64).reshape(-1, 2)
        seen = counts[["dead", "read"]].to_numpy(dtype=np.float64)
        if figure.part == "all":
            whole[figure.tissue] = seen, bounds
        else:
            all_seen, all_bounds = whole[figure.tissue]
            bounds = np.where((seen == all_seen).all(axis=1, keepdims=True), all_bounds, bounds)
        table = table.assign(**_columns(figure, counts, *bounds.T))
    return table


def _block_interval(here: pd.DataFrame | None, spread: Spread, confidence: float) -> tuple[str, float, float]:
    """Return how the interval of a block was found, and its bounds; ``here`` holds its samples with buds read."""
    if here is None:
        return TOO_FEW, np.nan, np.nan
    dead, read = here["dead"], here["read"]
    alone = len(here) < 2
    if spread.known:
        return (TOO_FEW if alone else CLUSTERS), *cluster_interval(dead, read, spread, confidence)
    if alone:
        return TOO_FEW, np.nan, np.nan
    low, high = wilson(dead.sum(), read.sum(), confidence)
    return ONE_SAMPLE, float(low), float(high)


def _of(tallies: pd.DataFrame, figure: _Figure) -> pd.DataFrame:
    """Return the counts of one figure, index sample."""
    chosen = (tallies["part"] == figure.part) & (tallies["tissue"] == figure.tissue)
    return tallies[chosen].set_index("sample")[_COUNTS]


def _columns(figure: _Figure, counts: pd.DataFrame, low: Array, high: Array) -> dict[str, pd.Series[float] | Array]:
    """Return a figure's columns from counts that are missing where it is not known, and bounds as fractions."""
    whole = counts.astype("Float64").astype("Int64")
    if figure.part == "all" and figure.tissue != "no_live_bud":
        whole = whole.fillna(0)
    low_name, high_name = figure.bounds
    read = counts["read"].to_numpy(dtype=np.float64)
    columns = {figure.read: whole["read"]}
    if figure.unread is not None:
        columns[figure.unread] = whole["unread"]
    pct = 100 * np.divide(counts["dead"].to_numpy(np.float64), read, out=np.full(read.shape, np.nan), where=read > 0)
    return columns | {figure.dead: whole["dead"], figure.pct: pct, low_name: 100 * low, high_name: 100 * high}


def _vines(blocks: gpd.GeoDataFrame) -> tuple[pd.Series[int], NDArray[np.str_]]:
    """Return vines a block, as given or else from the area and the spacing, and where each number comes from."""
    given = blocks["vines"].astype("Float64")
    room = blocks["row_spacing_m"].astype("Float64") * blocks["vine_spacing_m"].astype("Float64")
    spaced = (10_000 * blocks["area_ha"].astype("Float64") / room.where(room > 0)).round()
    source = np.select([given.notna(), spaced.notna()], ["given", "spacing"], "")
    return given.fillna(spaced).round().astype("Int64"), source
