"""Injury between the samples: the model fitted to the counts of each tissue and read on the grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.errors import TooFewSamplesError
from vinemap.model.field import BinomialField
from vinemap.settings import Surface as SurfaceSettings
from vinemap.states import MAPPED, Bud
from vinemap.surface.design import Design, batches
from vinemap.surface.diagnostics import cross_validate, describe
from vinemap.surface.draws import JointDraws, block_averages
from vinemap.surface.observations import Observations

FEWEST_SAMPLES = 3
_DRAWS = 200


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
        Behind the credible intervals of averages.
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
    terrain: xr.Dataset | None = None,
    settings: SurfaceSettings = SurfaceSettings(),
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
        As `vinemap.terrain.layers.terrain_layers` gives it.
    settings : Surface
        Threshold, hardiness offsets, seed.
    progress : callable
        Called with words for what is being done.

    Raises
    ------
    TooFewSamplesError
        With fewer than 3 samples inside blocks.
    """
    design = Design.over(blocks, grid, terrain, settings.hardiness)
    layers = grid.copy()
    for tissue in MAPPED:
        observed = Observations.of(samples, blocks, tallies, tissue)
        if tissue is Bud.PRIMARY:
            refuse_too_few(observed)
        if observed.samples < FEWEST_SAMPLES:
            continue
        progress(f"injury surface: {tissue.replace('_', ' ')}")
        field = fit_field(observed, design)
        predicted = predict_grid(field, design, grid, settings.threshold)
        over = predicted.pop("over")
        for name, values in predicted.items():
            layers[f"{tissue}_{name}"] = (("y", "x"), values)
        if tissue is Bud.PRIMARY:
            layers["prob_over_threshold"] = (("y", "x"), over)
            layers["too_few"] = (("y", "x"), predicted["high"] - predicted["low"] > settings.max_width)
            primary, primary_observed = field, observed
    progress("block averages")
    draws = primary.draw(layers.rio.bounds(), _DRAWS, np.random.default_rng(settings.seed))
    joint = JointDraws(draws, design, layers)
    averages, area = block_averages(joint, settings)
    progress("scores")
    model, scores = describe(primary, design, primary_observed), cross_validate(primary, primary_observed)
    return InjuryMap(layers, averages, area, joint, model, scores)


def refuse_too_few(primary: Observations) -> None:
    """Raise `TooFewSamplesError` where primary buds were read on too few samples for a map."""
    if primary.samples < FEWEST_SAMPLES:
        lie = "sample with a primary bud read lies" if primary.samples == 1 else "samples with a primary bud read lie"
        raise TooFewSamplesError(
            f"{primary.samples} {lie} in a block; a map needs at least {FEWEST_SAMPLES}, and is worth having from "
            "about 20"
        )


def fit_field(observed: Observations, design: Design) -> BinomialField:
    """Fit the field to the counts of one tissue; vines are clusters.

    The model's own priors suit cold air, which pools over tens of metres: what changes within a few vines is variation
    between vines.
    """
    X, offset = design.rows(observed.xy, observed.block, observed.apical)
    sds, weights = design.models(observed.samples)
    return BinomialField().fit(
        observed.xy,
        observed.dead,
        observed.read,
        X,
        prior_sd=sds,
        log_prior=weights,
        offset=offset,
        cluster=observed.sample,
    )


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
        injury, low, high: fractions; over: the probability that injury exceeds the threshold. float32, NaN outside
        blocks.
    """
    index = grid["block_index"].to_numpy()
    layers = {name: np.full(index.shape, np.nan, np.float32) for name in ("injury", "low", "high", "over")}
    moments = field.moments(np.reshape(grid.rio.bounds(), (2, 2)))
    for row, column in batches(index):
        predicted = field.predict(*design.at_cells(grid, row, column), moments=moments)
        values = predicted.mean, predicted.low, predicted.high, predicted.exceedance(threshold)
        for layer, value in zip(layers.values(), values, strict=True):
            layer[row, column] = value
    return layers
