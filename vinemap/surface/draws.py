"""Whole surfaces drawn together, for averages over blocks and zones and for areas above a threshold."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.model.field import FieldDraws
from vinemap.settings import Surface as SurfaceSettings
from vinemap.surface.design import Design, batches
from vinemap.terrain.grid import cell_size, label_cells

_QUANTILES = (0.05, 0.95)


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
        shape = count, self.draws.coefs.shape[1]
        sums, over = np.zeros(shape), np.zeros(shape)
        for row, column in batches(index):
            for part in np.array_split(np.arange(len(row)), max(1, len(row) // 20_000)):
                injury = self.draws.at(*self.design.at_cells(self.grid, row[part], column[part]))
                piece = index[row[part], column[part]]
                for k in np.unique(piece):
                    sums[k] += injury[piece == k].sum(axis=0)
                    over[k] += (injury[piece == k] > threshold).sum(axis=0)
        shares = np.divide(sums, cells, out=np.full(sums.shape, np.nan), where=cells > 0)
        return shares, over * cell_size(self.grid) ** 2 / 1e4

    def credible_interval(self, shapes: gpd.GeoSeries) -> tuple[Array, Array]:
        """Return the 90 % credible interval of the mean injury over each polygon, fractions; NaN without a cell."""
        index = label_cells(shapes, self.grid)
        low, high = np.quantile(self.over(index, len(shapes), 0.5)[0], _QUANTILES, axis=1)
        return low, high


def block_averages(joint: JointDraws, settings: SurfaceSettings) -> tuple[pd.DataFrame, tuple[float, float, float]]:
    """Averages and areas above the threshold by block, with credible intervals from joint draws of the surface."""
    index = joint.grid["block_index"].to_numpy()
    count = len(joint.design.variety_of_block)
    shares, over = joint.over(index, count, settings.threshold)
    inside = index >= 0
    size = np.bincount(index[inside], minlength=count)

    def mean_pct(layer: str) -> Array:
        if layer not in joint.grid:
            return np.full(count, np.nan)
        return 100 * np.bincount(index[inside], joint.grid[layer].to_numpy()[inside], count) / size

    low, high = np.quantile(shares, _QUANTILES, axis=1)
    area_low, area_high = np.quantile(over, _QUANTILES, axis=1)
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
    area = total.mean(), *np.quantile(total, _QUANTILES)
    return table, (float(area[0]), float(area[1]), float(area[2]))
