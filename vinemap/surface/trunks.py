"""Hurt and dead trunks between the samples."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.evidence.covariate import Evidence
from vinemap.settings import Surface as SurfaceSettings
from vinemap.states import DECISIVE, Tissue
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field, predict_cells
from vinemap.surface.observations import FEWEST_SAMPLES, Observations
from vinemap.survival.growth import trunks_grown
from vinemap.survival.wood import tally_wood
from vinemap.terrain.sparse import BlockCells


def wood_layers(
    wood: pd.DataFrame,
    samples: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    grid: xr.Dataset,
    terrain: xr.Dataset | None,
    settings: SurfaceSettings,
    grown: pd.DataFrame | None = None,
    evidence: Sequence[Evidence] = (),
) -> xr.Dataset:
    """Map hurt and dead trunks over the blocks, with the model of the buds.

    Parameters
    ----------
    wood : DataFrame
        As in `tally_wood`.
    samples, blocks, grid, terrain, settings, evidence
        As in `vinemap.surface.fit.injury_map`.
    grown : DataFrame, optional
        As in `vinemap.survival.wood.wood_table`.

    Returns
    -------
    Dataset (y, x)
        trunk_hurt, trunk_hurt_low, trunk_hurt_high and trunk_dead, … : share of vines, 0 to 1, float32, NaN outside
        blocks; only where at least three vines were checked and one of them was hurt (or dead).
    """
    tallies = tally_wood(wood) if grown is None else trunks_grown(tally_wood(wood), grown)
    design = Design.over(blocks, grid, terrain, settings.hardiness, evidence)
    layers, cells = xr.Dataset(coords=grid.coords), BlockCells.of(grid)
    for name in (f"{Tissue.TRUNK}_{state}" for state in DECISIVE):
        observed = Observations.of(samples, blocks, tallies, name)
        if observed.samples < FEWEST_SAMPLES or not observed.dead.any():
            continue
        predicted = predict_cells(fit_field(observed, design), design, cells, settings.threshold)
        for suffix, layer in {"": "injury", "_low": "low", "_high": "high"}.items():
            layers[f"{name}{suffix}"] = cells.layer(predicted[layer])
    return layers
