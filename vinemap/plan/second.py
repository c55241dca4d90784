"""The second round: points where the map is least sure on which side of the threshold the ground lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from scipy.special import logit

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence
from vinemap.plan.places import standing
from vinemap.reading.inside import inner
from vinemap.reading.rows import RowFrame, snapped
from vinemap.settings import Settings
from vinemap.states import Bud
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.observations import Observations
from vinemap.surface.undecided import Posterior, cane_noise, drawn_covariance, telling_places
from vinemap.terrain.grid import block_grid, centres

_CELLS = 900
_DRAWS = 2000


def fit_posterior(
    samples: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    tallies: pd.DataFrame,
    terrain: xr.Dataset | None,
    settings: Settings,
    nodes_per_cane: int,
    evidence: Sequence[Evidence] = (),
) -> Posterior:
    """Fit the surface to a first survey and keep what it leaves open.

    Parameters
    ----------
    samples, blocks : GeoDataFrame
        Of a `Vineyard`.
    tallies : DataFrame
        As `vinemap.survival.tally.tally` gives them.
    terrain : Dataset or None
        As `vinemap.terrain.layers.terrain_layers` gives it.
    settings : Settings
        Threshold, hardiness, seed.
    nodes_per_cane : int
        Nodes that a new cane will show.
    evidence : sequence of Evidence
        What else is known of the ground, weighed as for the map.
    """
    grid = block_grid(blocks, float(np.sqrt(blocks.geometry.area.sum() / _CELLS)), settings.surface.max_cells)
    design = Design.over(blocks, grid, terrain, settings.surface.hardiness, evidence)
    field = fit_field(Observations.of(samples, blocks, tallies, Bud.PRIMARY), design)
    index = grid["block_index"].to_numpy()
    xy, block = centres(grid, index >= 0), index[index >= 0]
    draws = field.draw(grid.rio.bounds(), _DRAWS, np.random.default_rng(settings.surface.seed))
    injury = np.clip(draws.at(xy, *design.rows(xy, block)), 1e-6, 1 - 1e-6)
    logits = logit(injury)
    mean = logits.mean(axis=1)
    noise = cane_noise(mean, float(np.exp(field.theta_[2])), nodes_per_cane)
    return Posterior(xy, block, mean, drawn_covariance(logits), noise, float(logit(settings.surface.threshold)))


@dataclass(frozen=True)
class NextPoints:
    """Points of a second round and what they are expected to bring.

    Attributes
    ----------
    points : DataFrame
        block_row, x, y, terrain, as `vinemap.plan.points.spread_points` gives them, and probability_pct (that injury
        there is above the threshold, today).
    misclassified_ha, after_ha : float
        Ground expected to be on the other side of the threshold than the map says: today, and with the new points.
    """

    points: pd.DataFrame
    misclassified_ha: float
    after_ha: float


def next_points(
    posterior: Posterior,
    blocks: gpd.GeoDataFrame,
    terrain: xr.Dataset | None,
    frames: list[RowFrame | None],
    edge_m: float,
    count: int | None,
) -> NextPoints:
    """Choose points one by one, each where it is expected to leave least ground misclassified (`telling_places`).

    Parameters
    ----------
    posterior : Posterior
        After the first survey.
    blocks : GeoDataFrame
        Metric CRS.
    terrain : Dataset or None
        For the third of its block by height that each point lies in.
    frames : list of RowFrame or None
        Points are moved onto rows where they can be counted.
    edge_m : float
        Distance to keep from a block's edge.
    count : int or None
        Points; None takes as many as halve the misclassified ground, at most 40.
    """
    inside = [inner(shape, edge_m) for shape in blocks.geometry]
    allowed = np.zeros(len(posterior.xy), dtype=bool)
    for row, area_left in enumerate(inside):
        here = np.flatnonzero(posterior.block == row)
        allowed[here] = gpd.GeoSeries.from_xy(*posterior.xy[here].T).within(area_left)
    area = float(blocks.geometry.area.sum()) / 1e4
    chosen, risk = telling_places(posterior, allowed, count, 1)
    return NextPoints(_points(posterior, chosen, blocks, terrain, frames), area * posterior.misclassified, area * risk)


def _points(
    posterior: Posterior,
    chosen: Array,
    blocks: gpd.GeoDataFrame,
    terrain: xr.Dataset | None,
    frames: list[RowFrame | None],
) -> pd.DataFrame:
    parts = []
    for row, (shape, frame) in enumerate(zip(blocks.geometry, frames, strict=True)):
        here = np.flatnonzero(posterior.block == row)
        mine = np.flatnonzero(np.isin(here, chosen))
        if len(mine):
            _, third = standing(terrain, posterior.xy[here])
            xy = posterior.xy[here[mine]]
            xy = xy if frame is None else snapped(frame, xy, shape)
            probability = 100 * posterior.probability[here[mine]]
            columns = {
                "block_row": row,
                "x": xy[:, 0],
                "y": xy[:, 1],
                "terrain": third[mine],
                "probability_pct": probability,
            }
            parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True)
