"""The second round: points where the map is least sure on which side of the threshold the ground lies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from scipy.special import expit, logit, ndtr

from vinemap.arrays import Array
from vinemap.plan.places import inner, standing
from vinemap.plan.points import snapped
from vinemap.reading.rows import RowFrame
from vinemap.settings import Settings
from vinemap.states import Bud
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.observations import Observations
from vinemap.terrain.grid import block_grid, centres

_CELLS = 900
_DRAWS = 2000
_MOST_POINTS = 40
_QUADRATURE = 15


@dataclass(frozen=True)
class Posterior:
    """What a first survey leaves open, at places that stand for equal pieces of ground.

    Attributes
    ----------
    xy : array (n, 2)
        Places in metres.
    block : array of int (n,)
        Row of each place's block.
    mean : array (n,)
        Log-odds of a dead primary bud.
    covariance : array (n, n)
        Of the log-odds, over joint draws of the fitted surface.
    noise : float
        Variance of the log-odds that one cane from a new vine shows: the vine's own deviation and its few buds.
    threshold : float
        Log-odds of the injury that divides the decisions.
    """

    xy: Array
    block: Array
    mean: Array
    covariance: Array
    noise: float
    threshold: float

    @property
    def probability(self) -> Array:
        """Probability that injury is above the threshold, shape (n,)."""
        return np.asarray(ndtr((self.mean - self.threshold) / np.sqrt(np.diag(self.covariance))))

    @property
    def misclassified(self) -> float:
        """Expected share of the ground that is on the other side of the threshold than the map says."""
        return float(np.minimum(self.probability, 1 - self.probability).mean())

    def seen(self, at: int) -> Posterior:
        """Return the posterior after one more cane at a place, before its buds are read."""
        column = self.covariance[:, at]
        held = np.outer(column, column) / (column[at] + self.noise)
        return replace(self, covariance=self.covariance - held)


def fit_posterior(
    samples: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    tallies: pd.DataFrame,
    terrain: xr.Dataset | None,
    settings: Settings,
    nodes_per_cane: int,
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
    """
    grid = block_grid(blocks, float(np.sqrt(blocks.geometry.area.sum() / _CELLS)), settings.surface.max_cells)
    design = Design.over(blocks, grid, terrain, settings.surface.hardiness)
    field = fit_field(Observations.of(samples, blocks, tallies, Bud.PRIMARY), design)
    index = grid["block_index"].to_numpy()
    xy, block = centres(grid, index >= 0), index[index >= 0]
    draws = field.draw(grid.rio.bounds(), _DRAWS, np.random.default_rng(settings.surface.seed))
    injury = np.clip(draws.at(xy, *design.rows(xy, block)), 1e-6, 1 - 1e-6)
    logits = logit(injury)
    mean = logits.mean(axis=1)
    buds = expit(mean.mean()) * (1 - expit(mean.mean())) * nodes_per_cane
    noise = float(np.exp(field.theta_[2])) ** 2 + 1 / max(buds, 0.1)
    return Posterior(xy, block, mean, _covariance(logits), noise, float(logit(settings.surface.threshold)))


def _covariance(draws: Array) -> Array:
    """Covariance of rows over draws, with the part of each squared correlation that luck alone gives taken off."""
    covariance = np.cov(draws)
    sd = np.sqrt(np.diag(covariance))
    square = (covariance / np.outer(sd, sd)) ** 2
    by_luck = 1 / draws.shape[1]
    kept = np.sqrt(np.clip((square - by_luck) / (1 - by_luck), 0, None) / np.maximum(square, 1e-12))
    np.fill_diagonal(kept, 1.0)
    return np.asarray(covariance * kept)


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
    """Choose points one by one, each where it is expected to leave least ground misclassified.

    A cane at a place narrows the surface there and wherever the surface goes with it. What the buds will say is not
    known, so the misclassified ground is averaged over what they may: the updated mean at a place is normal around the
    present one with the variance that is taken away.

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

    References
    ----------
    Expected value of sample information (H. Raiffa & R. Schlaifer, Applied Statistical Decision Theory, 1961, from
    memory); update of a normal posterior: Rasmussen & Williams, GPML (2006), eq. 2.26; greedy choice of places: A.
    Krause, A. Singh & C. Guestrin, J. Mach. Learn. Res. 9 (2008) 235.
    """
    inside = [inner(shape, edge_m) for shape in blocks.geometry]
    allowed = np.zeros(len(posterior.xy), dtype=bool)
    for row, area_left in enumerate(inside):
        here = np.flatnonzero(posterior.block == row)
        allowed[here] = gpd.GeoSeries.from_xy(*posterior.xy[here].T).within(area_left)
    area = float(blocks.geometry.area.sum()) / 1e4
    start = np.diag(posterior.covariance).copy()
    now, risk = posterior, posterior.misclassified
    chosen: list[int] = []
    while len(chosen) < (_MOST_POINTS if count is None else count) and allowed.any():
        gains = _risks(now, start, np.flatnonzero(allowed))
        best = int(np.flatnonzero(allowed)[gains.argmin()])
        now, risk = now.seen(best), float(gains.min())
        chosen.append(best)
        allowed[best] = False
        if count is None and risk <= posterior.misclassified / 2:
            break
    return NextPoints(
        _points(posterior, np.array(chosen), blocks, terrain, frames), area * posterior.misclassified, area * risk
    )


def _risks(now: Posterior, start: Array, places: Array) -> Array:
    """Return the expected misclassified share with one more cane at each place, over all that new canes may show."""
    columns = now.covariance[:, places]
    variance = np.diag(now.covariance)[:, None] - columns**2 / (columns[places, np.arange(len(places))] + now.noise)
    variance = np.maximum(variance, 1e-9)
    moved = np.sqrt(np.maximum(start[:, None] - variance, 0.0))
    points, weights = np.polynomial.hermite_e.hermegauss(_QUADRATURE)
    risk = np.zeros(len(places))
    for point, weight in zip(points, weights / weights.sum(), strict=True):
        away = np.abs(now.mean[:, None] - now.threshold + point * moved) / np.sqrt(variance)
        risk += weight * ndtr(-away).mean(axis=0)
    return risk


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
