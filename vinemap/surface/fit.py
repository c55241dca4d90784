"""Injury between the samples: the model fitted to the counts of each tissue and read on the grid."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence
from vinemap.evidence.region_prior import RegionPrior
from vinemap.model.field import BinomialField
from vinemap.settings import Surface as SurfaceSettings
from vinemap.states import MAPPED, Bud
from vinemap.surface.design import Design, batches, most_covariates
from vinemap.surface.diagnostics import cross_validate, describe
from vinemap.surface.draws import JointDraws, block_averages
from vinemap.surface.effects import effects
from vinemap.surface.observations import FEWEST_SAMPLES, Observations, refuse_too_few
from vinemap.terrain.grid import cell_size
from vinemap.terrain.sparse import BlockCells

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
        Behind the credible intervals of averages of the primary buds.
    model, scores : dict
        What ``run.json`` says of them.
    others : dict of Bud to JointDraws
        As ``joint``, of other tissues, where they were asked for.
    shares : array (blocks, draws)
        Mean injury of the primary buds of each block, a fraction, in each of the joint draws.
    """

    grid: xr.Dataset
    blocks: pd.DataFrame
    area_over_ha: tuple[float, float, float]
    joint: JointDraws
    model: dict[str, Any]
    scores: dict[str, Any]
    others: dict[Bud, JointDraws] = field(default_factory=dict)
    shares: Array = field(default_factory=lambda: np.empty((0, 0)))


def injury_map(
    samples: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    tallies: pd.DataFrame,
    grid: xr.Dataset,
    terrain: xr.Dataset | None = None,
    settings: SurfaceSettings = SurfaceSettings(),
    progress: Callable[[str], None] = lambda _: None,
    others: Sequence[Bud] = (),
    evidence: Sequence[Evidence] = (),
    borrowed: RegionPrior | None = None,
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
    others : sequence of Bud
        Tissues beside the primary buds that are drawn jointly too, where the counts carry them.
    evidence : sequence of Evidence
        What else is known of the ground, each weighed as terrain is.
    borrowed : RegionPrior, optional
        What other vineyards of the night teach of the primary buds, varieties by this vineyard's names.

    Raises
    ------
    TooFewSamplesError
        With fewer than 3 samples inside blocks.

    Examples
    --------
    >>> from vinemap.surface.fit import injury_map
    >>> run = vinemap.make_map("demo_blocks")
    >>> settings = run.vineyard.site.settings.surface
    >>> again = injury_map(run.vineyard.samples, run.vineyard.site.blocks, run.tallies, run.surface, settings=settings)
    >>> {"primary_injury", "primary_low", "primary_high"} <= set(again.grid)
    True
    """
    design = Design.over(blocks, grid, terrain, settings.hardiness, evidence)
    layers, cells, fields = grid.copy(), BlockCells.of(grid), dict[Bud, BinomialField]()
    for tissue in MAPPED:
        observed = Observations.of(samples, blocks, tallies, tissue)
        if tissue is Bud.PRIMARY:
            refuse_too_few(observed)
        if observed.samples < FEWEST_SAMPLES:
            continue
        progress(f"injury surface: {tissue.replace('_', ' ')}")
        fitted = fit_field(observed, design, borrowed if tissue is Bud.PRIMARY else None)
        predicted = predict_cells(fitted, design, cells, settings.threshold)
        over = predicted.pop("over")
        for name, values in predicted.items():
            layers[f"{tissue}_{name}"] = cells.layer(values)
        if tissue is Bud.PRIMARY:
            layers["prob_over_threshold"] = cells.layer(over)
            layers["too_few"] = cells.layer(predicted["high"] - predicted["low"] > settings.max_width)
            primary_observed = observed
        if tissue in (Bud.PRIMARY, *others):
            fields[tissue] = fitted
    progress("block averages")
    joints = {tissue: _drawn(fitted, design, cells, layers, settings) for tissue, fitted in fields.items()}
    primary, joint = fields[Bud.PRIMARY], joints.pop(Bud.PRIMARY)
    averages, area, shares = block_averages(joint, layers, settings)
    progress("scores")
    model = describe(primary, design, primary_observed)
    if borrowed is not None:
        model["borrowed"] = borrowed.vineyards
    model["effects"] = effects(joint, primary, primary_observed, settings.max_width)
    scores = cross_validate(primary, primary_observed)
    return InjuryMap(layers, averages, area, joint, model, scores, joints, shares)


def _drawn(
    fitted: BinomialField, design: Design, cells: BlockCells, grid: xr.Dataset, settings: SurfaceSettings
) -> JointDraws:
    """Draw whole surfaces of one tissue."""
    draws = fitted.draw(grid.rio.bounds(), _DRAWS, np.random.default_rng(settings.seed))
    return JointDraws(draws, design, cells, cell_size(grid))


def fit_field(observed: Observations, design: Design, borrowed: RegionPrior | None = None) -> BinomialField:
    """Fit the field to the counts of one tissue; vines are clusters.

    The model's own priors suit cold air, which pools over tens of metres: what changes within a few vines is variation
    between vines. What other vineyards of the night have taught takes their place.
    """
    X, offset = design.rows(observed.xy, observed.block, observed.apical)
    return BinomialField(None if borrowed is None else borrowed.covariance_priors).fit(
        observed.xy,
        observed.dead,
        observed.read,
        X,
        prior_sd=design.prior_sd(borrowed),
        prior_mean=design.prior_mean(borrowed),
        optional=design.optional(),
        source=design.source(),
        free=design.free(),
        log_odds=design.log_odds(borrowed),
        most=most_covariates(observed.samples, borrowed),
        offset=offset,
        cluster=observed.sample,
        readings=design.readings(),
    )


def predict_cells(field: BinomialField, design: Design, cells: BlockCells, threshold: float) -> dict[str, Array]:
    """Predict in the cells of a grid that lie inside blocks.

    Parameters
    ----------
    field : BinomialField
        Of one tissue.
    design : Design
        Of the vineyard.
    cells : BlockCells
        Of its grid.
    threshold : float
        Injury, a fraction.

    Returns
    -------
    dict of array (m,)
        injury, low, high: fractions; over: the probability that injury exceeds the threshold; float32.
    """
    layers = {name: np.empty(len(cells), np.float32) for name in ("injury", "low", "high", "over")}
    (left, top), (right, bottom) = cells.transform @ (0, 0), cells.transform @ cells.shape[::-1]
    moments = field.moments(np.array([(left, bottom), (right, top)]))
    for part in batches(len(cells)):
        predicted = field.predict(*design.at_cells(cells, part), moments=moments)
        values = predicted.mean, predicted.low, predicted.high, predicted.exceedance(threshold)
        for layer, value in zip(layers.values(), values, strict=True):
            layer[part] = value
    return layers
