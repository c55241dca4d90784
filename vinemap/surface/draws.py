"""Whole surfaces drawn together, for averages over blocks and zones and for areas above a threshold."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.model.prediction import FieldDraws
from vinemap.settings import Surface as SurfaceSettings
from vinemap.surface.design import Design, batches
from vinemap.terrain.sparse import BlockCells

QUANTILES = (0.05, 0.95)
"""Ends of every credible interval."""
_AT_ONCE = 20_000


@dataclass(frozen=True)
class JointDraws:
    """Whole surfaces drawn together, to average over any ground.

    Attributes
    ----------
    draws : FieldDraws
        Of one tissue.
    design : Design
        Of the vineyard.
    cells : BlockCells
        Where they are read.
    cell_m : float
        Side of a cell.
    """

    draws: FieldDraws
    design: Design
    cells: BlockCells
    cell_m: float

    def over(self, piece: Array, count: int, threshold: float) -> tuple[Array, Array]:
        """Average each draw over pieces of ground.

        Parameters
        ----------
        piece : array of int (m,)
            Piece of each cell of ``cells``, -1 for none.
        count : int
            How many pieces.
        threshold : float
            Injury, a fraction.

        Returns
        -------
        shares, areas : array (count, draws)
            Mean injury, NaN for a piece without a cell; hectares above the threshold.
        """
        cells = np.bincount(piece[piece >= 0], minlength=count).astype(float)[:, None]
        shape = count, self.draws.coefs.shape[1]
        sums, over = np.zeros(shape), np.zeros(shape)
        for part in batches(len(piece), _AT_ONCE):
            injury = self.draws.at(*self.design.at_cells(self.cells, part))
            # Rows of one piece side by side: a comparison with each piece would take them all each time.
            order = np.argsort(piece[part], kind="stable")
            pieces, first = np.unique(piece[part][order], return_index=True)
            injury = injury[order]
            here = pieces >= 0
            sums[pieces[here]] += np.add.reduceat(injury, first, axis=0)[here]
            over[pieces[here]] += np.add.reduceat(injury > threshold, first, axis=0, dtype=np.float64)[here]
        shares = np.divide(sums, cells, out=np.full(sums.shape, np.nan), where=cells > 0)
        return shares, over * self.cell_m**2 / 1e4

    def credible_interval(self, shapes: gpd.GeoSeries) -> tuple[Array, Array]:
        """Return the 90 % credible interval of the mean injury over each polygon, fractions; NaN without a cell."""
        low, high = np.quantile(self.over(self.cells.label(shapes), len(shapes), 0.5)[0], QUANTILES, axis=1)
        return low, high


def block_intervals(joint: JointDraws, layers: xr.Dataset, tissue: str) -> pd.DataFrame:
    """Return ``map_{tissue}_pct``, a tissue's mean over each block, with the low and the high end of its interval.

    Parameters
    ----------
    joint : JointDraws
        Of the tissue.
    layers : Dataset (y, x)
        Has ``{tissue}_injury``.
    tissue : str
    """
    block, count = joint.cells.block, len(joint.design.variety_of_block)
    mean = _block_means(joint.cells, layers[f"{tissue}_injury"], count)
    low, high = np.quantile(joint.over(block, count, 0.5)[0], QUANTILES, axis=1)
    return pd.DataFrame(
        {f"map_{tissue}_pct": 100 * mean, f"map_{tissue}_low_pct": 100 * low, f"map_{tissue}_high_pct": 100 * high}
    )


def share_too_few(grid: xr.Dataset) -> pd.Series[float]:
    """Return the share of each block's ground, in percent, on which there are too few samples to say."""
    count = len(grid["block_index"].attrs["blocks"])
    return pd.Series(100 * _block_means(BlockCells.of(grid), grid["too_few"], count))


def _block_means(cells: BlockCells, layer: xr.DataArray, count: int) -> Array:
    """Return the mean of a layer over each block, NaN for one without a cell."""
    size = np.bincount(cells.block, minlength=count)
    sums = np.bincount(cells.block, cells.read(layer).astype(np.float64), count)
    return np.divide(sums, size, out=np.full(count, np.nan), where=size > 0)


def block_averages(
    joint: JointDraws, layers: xr.Dataset, settings: SurfaceSettings
) -> tuple[pd.DataFrame, tuple[float, float, float], Array]:
    """Averages and areas above the threshold by block, with credible intervals from joint draws of the surface.

    Last come the draws of each block's mean injury themselves, shape (blocks, draws).
    """
    block = joint.cells.block
    count = len(joint.design.variety_of_block)
    shares, over = joint.over(block, count, settings.threshold)

    def mean_pct(layer: str) -> Array:
        if layer not in layers:
            return np.full(count, np.nan)
        return 100 * _block_means(joint.cells, layers[layer], count)

    low, high = np.quantile(shares, QUANTILES, axis=1)
    area_low, area_high = np.quantile(over, QUANTILES, axis=1)
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
    area = total.mean(), *np.quantile(total, QUANTILES)
    return table, (float(area[0]), float(area[1]), float(area[2])), shares
