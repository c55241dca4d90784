"""Injury between the samples: the model's rows, its fit, the grid, and block averages by joint draws."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from math import comb
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.errors import TooFewSamplesError
from vinemap.model.field import TAIL, BinomialField, FieldDraws
from vinemap.model.scores import brier_score, left_out_means, score, spatial_folds
from vinemap.settings import Surface as SurfaceSettings
from vinemap.terrain.grid import cell_size, centres, label_cells, read_layers
from vinemap.terrain.layers import COVARIATES, Covariate

FEWEST_SAMPLES = 3
TISSUES = ("primary", "secondary", "no_live_bud")
_INTERCEPT_SD, _VARIETY_SD, _PART_SD, _TERRAIN_SD = 2.0, 1.0, 0.7, 1.0
_MOST_COVARIATES = 2
_ROWS_PER_COVARIATE = 8
_DRAWS = 200
_BATCH = 100_000
_BOUNDS = (0.05, 0.95)
# A gain that rounds to nought per cent is none.
_BETTER = 0.995


@dataclass(frozen=True)
class Design:
    """What turns places into rows of covariates.

    Attributes
    ----------
    varieties : list of str
        One indicator column each.
    variety_of_block : array of int
        Index into ``varieties`` by block row, -1 where unknown.
    offset_of_block : array
        Known log-odds offset by block row.
    covariates : tuple of Covariate
        Terrain columns.
    centre, scale : array
        That standardise the terrain columns over the vineyard's cells.
    terrain : Dataset or None
        The layers.
    """

    varieties: list[str]
    variety_of_block: Array
    offset_of_block: Array
    covariates: tuple[Covariate, ...]
    centre: Array
    scale: Array
    terrain: xr.Dataset | None

    @classmethod
    def over(
        cls, blocks: gpd.GeoDataFrame, grid: xr.Dataset, terrain: xr.Dataset | None, hardiness: dict[str, float]
    ) -> Design:
        """Design for the blocks of a vineyard; terrain is standardised over their cells."""
        known = blocks["variety"].dropna()
        varieties = sorted(set(known))
        index = blocks["variety"].map({name: k for k, name in enumerate(varieties)}).fillna(-1).to_numpy(int)
        offset = blocks["variety"].map(hardiness).fillna(0.0).to_numpy(float)
        covariates: tuple[Covariate, ...] = ()
        centre = scale = np.empty(0)
        if terrain is not None:
            inside = centres(grid, grid["block_index"].to_numpy() >= 0)
            step = max(1, len(inside) // _BATCH)
            values = read_layers(terrain, [c.name for c in COVARIATES], inside[::step])
            spread = values.std(axis=0)
            varies = spread > 1e-6
            covariates = tuple(itertools.compress(COVARIATES, varies))
            centre, scale = values.mean(axis=0)[varies], spread[varies]
        return cls(varieties, index, offset, covariates, centre, scale, terrain)

    @property
    def columns(self) -> int:
        """Number of columns: intercept, apical part, varieties, terrain."""
        return 2 + len(self.varieties) + len(self.covariates)

    def rows(self, xy: Array, block: Array, apical: Array | None = None) -> tuple[Array, Array]:
        """Covariates (m, columns) and offsets (m,) of places in blocks, by default for the part that pruning keeps."""
        X = np.zeros((len(xy), self.columns))
        X[:, 0] = 1.0
        if apical is not None:
            X[:, 1] = apical
        variety = self.variety_of_block[block]
        known = np.flatnonzero(variety >= 0)
        X[known, 2 + variety[known]] = 1.0
        if self.terrain is not None and self.covariates:
            values = read_layers(self.terrain, [c.name for c in self.covariates], xy)
            X[:, 2 + len(self.varieties) :] = (values - self.centre) / self.scale
        return X, self.offset_of_block[block]

    def models(self, samples: int) -> tuple[Array, Array]:
        """Prior standard deviations (k, columns) of the models to weigh, and their log prior weights (k,).

        A model has up to two terrain covariates, fewer where there are few samples. Every number of covariates has
        the same prior weight, shared among the models of that size, which pays for having many candidates (J. G.
        Scott & J. O. Berger, Ann. Stat. 38 (2010) 2587).
        """
        base = np.zeros(self.columns)
        base[0], base[1], base[2 : 2 + len(self.varieties)] = _INTERCEPT_SD, _PART_SD, _VARIETY_SD
        candidates = len(self.covariates)
        most = min(_MOST_COVARIATES, samples // _ROWS_PER_COVARIATE, candidates)
        spreads, weights = [], []
        for size in range(most + 1):
            for chosen in itertools.combinations(range(candidates), size):
                row = base.copy()
                row[[2 + len(self.varieties) + k for k in chosen]] = _TERRAIN_SD
                spreads.append(row)
                weights.append(-np.log(comb(candidates, size)))
        return np.array(spreads), np.array(weights)


@dataclass(frozen=True)
class Rows:
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
    def of(cls, samples: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, tallies: pd.DataFrame, tissue: str) -> Rows:
        """Take the tallies of the samples that lie in a block; by part of the cane where that of all nodes is known."""
        placed = samples[samples["block"].notna()]
        block = pd.Index(blocks["block"]).get_indexer(placed["block"])
        where = pd.DataFrame({"row": np.arange(len(placed)), "block": block}, index=pd.Index(placed["sample"]))
        counts = tallies[(tallies["tissue"] == tissue) & tallies["sample"].isin(where.index)]
        whole = counts[counts["part"] == "all"]
        parts = counts[counts["part"] != "all"].groupby("sample")["read"].sum()
        split = parts.index[parts == whole.set_index("sample")["read"].reindex(parts.index)]
        by_part = counts[counts["sample"].isin(split) & (counts["part"] != "all")]
        counts = pd.concat([by_part, whole[~whole["sample"].isin(split)]]).query("read > 0")
        row = where.loc[counts["sample"], "row"].to_numpy()
        xy = np.column_stack([placed.geometry.x, placed.geometry.y])[row].reshape(-1, 2)
        return cls(
            xy,
            where.loc[counts["sample"], "block"].to_numpy(),
            row,
            (counts["part"] == "apical").to_numpy(float),
            counts["dead"].to_numpy(float),
            counts["read"].to_numpy(float),
        )

    @property
    def samples(self) -> int:
        """Number of samples with at least one bud read."""
        return len(np.unique(self.sample))


@dataclass(frozen=True)
class JointDraws:
    """Whole surfaces drawn together, to average over any ground.

    Attributes
    ----------
    draws : FieldDraws
        Of the primary buds.
    design : Design
        Of the vineyard.
    grid : Dataset (y, x)
        Where they are read; has ``block_index``.
    """

    draws: FieldDraws
    design: Design
    grid: xr.Dataset

    def over(self, index: Array, count: int, threshold: float) -> tuple[Array, Array]:
        """Average each draw over pieces of ground.

        Parameters
        ----------
        index : array of int (y, x)
            Piece of each cell, -1 for none; pieces lie inside blocks.
        count : int
            How many pieces.
        threshold : float
            Injury, a fraction.

        Returns
        -------
        shares, areas : array (count, draws)
            Mean injury, NaN for a piece without a cell; hectares above the threshold.
        """
        cells = np.bincount(index[index >= 0], minlength=count).astype(float)[:, None]
        sums, over = np.zeros((count, _DRAWS)), np.zeros((count, _DRAWS))
        for row, column in _batches(index):
            for part in np.array_split(np.arange(len(row)), max(1, len(row) // 20_000)):
                chance = self.draws.at(*_cells(self.design, self.grid, row[part], column[part]))
                piece = index[row[part], column[part]]
                for k in np.unique(piece):
                    sums[k] += chance[piece == k].sum(axis=0)
                    over[k] += (chance[piece == k] > threshold).sum(axis=0)
        shares = np.divide(sums, cells, out=np.full(sums.shape, np.nan), where=cells > 0)
        return shares, over * cell_size(self.grid) ** 2 / 1e4

    def bounds(self, shapes: gpd.GeoSeries) -> tuple[Array, Array]:
        """Return the 5 % and 95 % quantiles of the mean injury over each polygon, fractions; NaN without a cell."""
        index = label_cells(shapes, self.grid)
        low, high = np.quantile(self.over(index, len(shapes), 0.5)[0], _BOUNDS, axis=1)
        return low, high


@dataclass(frozen=True)
class InjuryMap:
    """The finished surface.

    Attributes
    ----------
    grid : Dataset (y, x)
        ``{tissue}_injury``, ``{tissue}_low``, ``{tissue}_high`` as fractions, NaN outside blocks, for each tissue that
        the counts carry; ``prob_over_threshold``; ``too_few``; ``block_index``.
    blocks : DataFrame
        By block row: ``map_injury_pct``, ``map_low_pct``, ``map_high_pct``, ``area_over_ha``, ``area_over_low_ha``,
        ``area_over_high_ha``, ``map_no_live_bud_pct`` (NaN where it was not mapped), ``too_few_pct`` (of the ground).
    area_over_ha : tuple of float
        The whole vineyard's area above the threshold: mean, 5 % and 95 % quantiles, hectares.
    joint : JointDraws
        Behind the bounds of averages.
    model, scores : dict
        What ``run.json`` says of them.
    """

    grid: xr.Dataset
    blocks: pd.DataFrame
    area_over_ha: tuple[float, float, float]
    joint: JointDraws
    model: dict[str, Any]
    scores: dict[str, Any]


def injury_map(
    samples: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    tallies: pd.DataFrame,
    grid: xr.Dataset,
    terrain: xr.Dataset | None,
    settings: SurfaceSettings,
    progress: Callable[[str], None] = lambda _: None,
) -> InjuryMap:
    """Map injury over the blocks.

    Parameters
    ----------
    samples, blocks : GeoDataFrame
        Of a `Vineyard`.
    tallies : DataFrame
        As `vinemap.survival.tally.tally` gives them.
    grid : Dataset
        As `vinemap.terrain.grid.block_grid` gives it.
    terrain : Dataset or None
        As `vinemap.terrain.layers.terrain` gives it.
    settings : Surface
        Threshold, hardiness offsets, seed.
    progress : callable
        Told in words what is being done.

    Raises
    ------
    TooFewSamplesError
        With fewer than 3 samples inside blocks.
    """
    design = Design.over(blocks, grid, terrain, settings.hardiness)
    layers = grid.copy()
    for tissue in TISSUES:
        rows = Rows.of(samples, blocks, tallies, tissue)
        if tissue == "primary":
            refuse_too_few(rows)
        if rows.samples < FEWEST_SAMPLES:
            continue
        progress(f"injury surface: {tissue.replace('_', ' ')}")
        field = fit_rows(rows, design)
        predicted = predict_grid(field, design, grid, settings.threshold)
        over = predicted.pop("over")
        for name, values in predicted.items():
            layers[f"{tissue}_{name}"] = (("y", "x"), values)
        if tissue == "primary":
            layers["prob_over_threshold"] = (("y", "x"), over)
            layers["too_few"] = (("y", "x"), predicted["high"] - predicted["low"] > settings.max_width)
            primary, primary_rows = field, rows
    progress("block averages")
    draws = primary.draw(layers.rio.bounds(), _DRAWS, np.random.default_rng(settings.seed))
    joint = JointDraws(draws, design, layers)
    averages, area = _block_averages(joint, settings)
    progress("scores")
    model, scores = describe(primary, design, primary_rows), cross_validate(primary, primary_rows)
    return InjuryMap(layers, averages, area, joint, model, scores)


def refuse_too_few(primary: Rows) -> None:
    """Raise `TooFewSamplesError` where primary buds were read on too few samples for a map."""
    if primary.samples < FEWEST_SAMPLES:
        lie = "sample with a primary bud read lies" if primary.samples == 1 else "samples with a primary bud read lie"
        raise TooFewSamplesError(
            f"{primary.samples} {lie} in a block; a map needs at least {FEWEST_SAMPLES}, and is worth having from "
            "about 20"
        )


def fit_rows(rows: Rows, design: Design) -> BinomialField:
    """Fit the field to the counts of one tissue."""
    X, offset = design.rows(rows.xy, rows.block, rows.apical)
    spreads, weights = design.models(rows.samples)
    return BinomialField().fit(
        rows.xy, rows.dead, rows.read, X, prior_sd=spreads, log_prior=weights, offset=offset, vine=rows.sample
    )


def _batches(index: Array) -> Iterator[tuple[Array, Array]]:
    """Yield (row, column) of the cells with an index that is not negative, in bands of about 100,000."""
    row, column = np.nonzero(index >= 0)
    for first in range(0, len(row), _BATCH):
        part = slice(first, first + _BATCH)
        yield row[part], column[part]


def _cells(design: Design, grid: xr.Dataset, row: Array, column: Array) -> tuple[Array, Array, Array]:
    """Positions, covariates and offsets of cells."""
    xy = np.column_stack([grid.x.to_numpy()[column], grid.y.to_numpy()[row]])
    return xy, *design.rows(xy, grid["block_index"].to_numpy()[row, column])


def predict_grid(field: BinomialField, design: Design, grid: xr.Dataset, threshold: float) -> dict[str, Array]:
    """Predict on the grid.

    Parameters
    ----------
    field : BinomialField
        Of one tissue.
    design : Design
        Of the vineyard.
    grid : Dataset (y, x)
        Has ``block_index``.
    threshold : float
        Injury, a fraction.

    Returns
    -------
    dict of array (y, x)
        injury, low, high: fractions; over: the chance that injury exceeds the threshold. float32, NaN outside blocks.
    """
    index = grid["block_index"].to_numpy()
    layers = {name: np.full(index.shape, np.nan, np.float32) for name in ("injury", "low", "high", "over")}
    moments = field.moments(np.reshape(grid.rio.bounds(), (2, 2)))
    for row, column in _batches(index):
        predicted = field.predict(*_cells(design, grid, row, column), moments=moments)
        values = predicted.mean, predicted.low, predicted.high, predicted.exceedance(threshold)
        for layer, value in zip(layers.values(), values, strict=True):
            layer[row, column] = value
    return layers


def _block_averages(joint: JointDraws, settings: SurfaceSettings) -> tuple[pd.DataFrame, tuple[float, float, float]]:
    """Averages and areas above the threshold by block, with bounds from joint draws of the whole surface."""
    index = joint.grid["block_index"].to_numpy()
    count = len(joint.design.variety_of_block)
    shares, over = joint.over(index, count, settings.threshold)
    inside = index >= 0
    size = np.bincount(index[inside], minlength=count)

    def mean_pct(layer: str) -> Array:
        if layer not in joint.grid:
            return np.full(count, np.nan)
        return 100 * np.bincount(index[inside], joint.grid[layer].to_numpy()[inside], count) / size

    low, high = np.quantile(shares, _BOUNDS, axis=1)
    area_low, area_high = np.quantile(over, _BOUNDS, axis=1)
    table = pd.DataFrame(
        {
            "map_injury_pct": mean_pct("primary_injury"),
            "map_low_pct": 100 * low,
            "map_high_pct": 100 * high,
            "area_over_ha": over.mean(axis=1),
            "area_over_low_ha": area_low,
            "area_over_high_ha": area_high,
            "map_no_live_bud_pct": mean_pct("no_live_bud_injury"),
            "too_few_pct": mean_pct("too_few"),
        }
    )
    total = over.sum(axis=0)
    area = total.mean(), *np.quantile(total, _BOUNDS)
    return table, (float(area[0]), float(area[1]), float(area[2]))


def describe(field: BinomialField, design: Design, rows: Rows) -> dict[str, Any]:
    """Say what the model found: covariates with their odds ratios, range, spreads, variety effects."""
    first = 2 + len(design.varieties)
    spreads, _ = design.models(rows.samples)
    chance = field.model_weights_ @ (spreads[:, first:] > 0)
    best = spreads[field.model_weights_.argmax()] > 0
    sd = np.sqrt(np.diag(field.best_coef_cov_))

    def odds(column: int, per: float) -> dict[str, float]:
        centre, half = field.best_coef_[column] * per, TAIL * sd[column] * abs(per)
        names = ("odds_ratio", "odds_low", "odds_high")
        return {
            name: float(np.exp(value))
            for name, value in zip(names, (centre, centre - half, centre + half), strict=True)
        }

    covariates = [
        {
            "name": c.name,
            "label": c.label,
            "step": c.step,
            "chance": float(chance[k]),
            **odds(first + k, c.step / design.scale[k]),
        }
        for k, c in enumerate(design.covariates)
        if best[first + k]
    ]
    length, field_sd, vine_sd = np.exp(field.theta_)
    half = np.exp(TAIL * field.theta_sd_[0])
    return {
        "samples": rows.samples,
        "covariates": covariates,
        "covariates_weighed": {c.name: float(chance[k]) for k, c in enumerate(design.covariates)},
        "varieties": {name: odds(2 + k, 1.0) for k, name in enumerate(design.varieties)},
        "apical": odds(1, 1.0) if rows.apical.any() else None,
        "range_m": float(2 * length),
        "range_low_m": float(2 * length / half),
        "range_high_m": float(2 * length * half),
        "field_sd": float(field_sd),
        "vine_sd": float(vine_sd),
    }


def cross_validate(field: BinomialField, rows: Rows) -> dict[str, Any]:
    """Score the surface and block means on samples left out singly and by patches; singly where all are one patch."""
    patches = spatial_folds(rows.xy, int(np.clip(rows.samples // 5, 2, 10)))
    schemes = {"leave_one_out": rows.sample, "blocked": patches if np.ptp(patches) else rows.sample}
    result: dict[str, Any] = {}
    for name, groups in schemes.items():
        held = field.leave_out(groups)
        surface = score(rows.dead, rows.read, held.logit_mean, held.logit_sd)
        means = left_out_means(rows.dead, rows.read, rows.block, groups)
        result[name] = {**asdict(surface), "block_means_brier": brier_score(rows.dead, rows.read, means)}
    single = result["leave_one_out"]
    result["better_than_block_means"] = bool(single["brier"] < _BETTER * single["block_means_brier"])
    return result
