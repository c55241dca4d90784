"""How probable it is that a place was among the worst hurt each time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS
from scipy.optimize import brentq
from scipy.special import ndtr

from vinemap.arrays import Array
from vinemap.columns import HISTORY_ROWS_CSV
from vinemap.evidence.gridded import metric, reader
from vinemap.evidence.winters import log_odds
from vinemap.exports.earlier import EarlierRun
from vinemap.reading.frames import known_rows
from vinemap.terrain.grid import block_grid
from vinemap.terrain.sparse import BlockCells

WORST = 1 / 3
"""Share of the ground that counts as the worst hurt of a winter."""

FEW_WINTERS = 5
"""With fewer, chance alone still puts more than one part in 250 of the ground among the worst third each time."""

_MOST_CELLS = 200_000
_LEAST_SD = 1e-3
_HALF = 50.0


@dataclass(frozen=True)
class History:
    """What several freezes have in common.

    Attributes
    ----------
    winters : list of str
        Names of the freezes, in their order.
    grid : Dataset (y, x)
        ``worst_third_each``: probability that the cell was among the worst third of the ground in every freeze, 0 to 1,
        NaN where one of them has no map; ``block_index``.
    blocks : GeoDataFrame
        Rows of history.csv with their outlines, those that froze worst first.
    rows : DataFrame
        Rows of history_rows.csv; none where no block's vine rows can be counted.
    """

    winters: list[str]
    grid: xr.Dataset
    blocks: gpd.GeoDataFrame
    rows: pd.DataFrame

    @property
    def by_chance(self) -> float:
        """Share of the ground that would be among the worst third each time if the freezes had nothing in common."""
        return float(WORST ** len(self.winters))


def worst_share(mean: Array, sd: Array) -> Array:
    """Return the probability (m,) that each place is among the worst third, from the log-odds of injury.

    The limit is the log-odds above which a third of the ground is expected to lie, so that the probabilities have a
    mean of one third: they say which third as far as the map knows it, and are one third everywhere where it knows
    nothing.

    Parameters
    ----------
    mean, sd : array (m,)
        Of the log-odds; NaN where unknown.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.history.recurrence import worst_share
    >>> worst_share(np.array([3.0, 0.0, -3.0]), np.full(3, 0.1)).round(2).tolist()
    [1.0, 0.0, 0.0]
    """
    known = np.isfinite(mean) & np.isfinite(sd)
    share = np.full(len(mean), np.nan)
    if not known.any():
        return share
    m, s = mean[known], np.maximum(sd[known], _LEAST_SD)
    far = 10 * s.max() + 1.0
    limit = brentq(lambda at: ndtr((m - at) / s).mean() - WORST, m.min() - far, m.max() + far)
    share[known] = ndtr((m - limit) / s)
    return share


def recurrence(runs: Sequence[EarlierRun]) -> History:
    """Hold several freezes against each other, over the blocks of the last.

    Parameters
    ----------
    runs : sequence of EarlierRun
        Two or more, each of another freeze.

    Notes
    -----
    Canes of different winters are different ones, so that given the maps their errors are independent, and the
    probability of each time is the product over the winters.
    """
    runs = sorted(runs, key=lambda run: run.winter.name) if all(run.dated for run in runs) else list(runs)
    ground = runs[-1].blocks
    if not CRS(ground.crs).is_projected:
        ground = ground.to_crs(ground.estimate_utm_crs())
    cell = max(_cell_m(run, ground) for run in runs)
    grid = block_grid(ground, cell, _MOST_CELLS)
    cells = BlockCells.of(grid)
    each = np.ones(len(cells))
    for run in runs:
        each *= worst_share(*_moments(run, ground, cells, cell))
    table = _table(runs, ground, cells, each)
    layers = grid.assign(worst_third_each=cells.layer(each.astype(np.float32)))
    return History([run.winter.name for run in runs], layers, table, _by_row(ground, layers["worst_third_each"]))


def _by_row(ground: gpd.GeoDataFrame, each: xr.DataArray) -> pd.DataFrame:
    """Return the mean over the vines of each row, in the blocks whose rows the last run can count."""
    spacings = ["row_spacing_m", "vine_spacing_m"]
    frames = known_rows(ground.reindex(columns=[*ground.columns.union(spacings, sort=False)]))
    found = []
    for block, frame in frames.items():
        for row in frame.numbers:
            x, y = (xr.DataArray(values, dims="vine") for values in frame.places(row).T)
            vines = each.sel(x=x, y=y, method="nearest").to_numpy()
            known = vines[np.isfinite(vines)]
            share = 100 * float(known.mean()) if len(known) else np.nan
            found.append({"block": block, "row": row, "vines": len(known), "worst_third_each_pct": share})
    return pd.DataFrame(found, columns=HISTORY_ROWS_CSV.names)


def _cell_m(run: EarlierRun, ground: gpd.GeoDataFrame) -> float:
    """Return the side of a run's cells in the CRS of the ground."""
    left, bottom, right, top = run.winter.surface.rio.transform_bounds(ground.crs)
    return float(np.sqrt((right - left) * (top - bottom) / run.winter.surface["primary_injury"].size))


def _moments(run: EarlierRun, ground: gpd.GeoDataFrame, cells: BlockCells, cell: float) -> tuple[Array, Array]:
    """Return mean and standard deviation (m,) of a run's log-odds at the cells, NaN where it has no map."""
    bounds = tuple(ground.total_bounds)
    part = slice(None)
    mean, sd = (
        reader(metric(layer, CRS(ground.crs), bounds, cell))(cells.centres(part), cells.block[part])
        for layer in log_odds(run.winter.surface)
    )
    return mean, sd


def _table(runs: Sequence[EarlierRun], ground: gpd.GeoDataFrame, cells: BlockCells, each: Array) -> gpd.GeoDataFrame:
    """Return a row a block: how much of it was among the worst each time, and how often half of its buds were dead."""
    known = np.isfinite(each)
    count = np.bincount(cells.block[known], minlength=len(ground))
    total = np.bincount(cells.block[known], each[known], len(ground))
    share = np.divide(total, count, out=np.full(len(ground), np.nan), where=count > 0)
    then = [_injury(run).reindex(ground["block"]) for run in runs]
    injury, low, crop = (
        np.column_stack([one[name].to_numpy(float) for one in then]) for name in ("injury", "low", "crop")
    )
    half_crop = pd.array((crop <= _HALF).sum(axis=1), "Int64")
    half_crop[~np.isfinite(crop).any(axis=1)] = pd.NA
    table = pd.DataFrame(
        {
            "block": ground["block"].to_numpy(),
            "area_ha": ground.geometry.area.to_numpy() / 1e4,
            "winters": np.isfinite(injury).sum(axis=1),
            "worst_third_each_pct": 100 * share,
            "by_chance_pct": 100 * WORST ** len(runs),
            "half_dead_winters": (injury >= _HALF).sum(axis=1),
            "half_dead_sure_winters": (low >= _HALF).sum(axis=1),
            "half_crop_winters": half_crop,
        }
    )
    frame = gpd.GeoDataFrame(table, geometry=ground.geometry.to_numpy(), crs=ground.crs)
    return frame.sort_values("worst_third_each_pct", ascending=False, na_position="last", ignore_index=True)


def _injury(run: EarlierRun) -> pd.DataFrame:
    """Return what a run says of each block: the map's mean injury, else what was cut, its low end, the crop left, %."""
    rows = run.blocks.drop_duplicates("block").set_index("block")

    def column(name: str) -> pd.Series[float]:
        given = rows[name] if name in rows else pd.Series(np.nan, rows.index)
        return pd.to_numeric(given, errors="coerce").astype(float)

    return pd.DataFrame(
        {
            "injury": column("map_injury_pct").fillna(column("injury_pct")),
            "low": column("map_low_pct").fillna(column("injury_low_pct")),
            "crop": column("crop_before_pct"),
        }
    )
