"""Before the first cane: where the night's cold may have killed most, a forecast of a forecast that decides nothing."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from scipy.special import logit

from vinemap.arrays import Array
from vinemap.evidence.lethal import Lethal, expected_kill, lethal_temperatures
from vinemap.evidence.temperature import NightTemperature, night_of
from vinemap.model.prediction import Prediction
from vinemap.reading.vineyard import Site
from vinemap.terrain.grid import block_grid
from vinemap.terrain.sparse import BlockCells

_CELLS = 20_000
_EDGE = 1e-3


@dataclass(frozen=True)
class Outlook:
    """What loggers and lethal temperatures let expect.

    Attributes
    ----------
    night : NightTemperature
    lethal : list of Lethal
        By block row.
    blocks : DataFrame
        A row a block: block, expected_pct, low_pct, high_pct, known_by (of `vinemap.evidence.lethal.Lethal`). The
        bounds are those of a block whose buds are all wrong by the same degrees.
    """

    night: NightTemperature
    lethal: list[Lethal]
    blocks: pd.DataFrame

    def at(self, xy: Array, block: Array) -> Prediction:
        """Return the share of primary buds that the cold may have killed at places (m, 2) in blocks (m,)."""
        return expected_kill(*self.night.at(xy), block, self.lethal)

    def coldness(self, xy: Array, block: int) -> Array:
        """Return by how much (m,) places of one block differ in what is expected: its log-odds."""
        mean = self.at(xy, np.full(len(xy), block)).mean
        return np.asarray(logit(np.clip(mean, _EDGE, 1 - _EDGE)))

    def shares(self) -> list[float]:
        """Return the injury to count with in each block: what lies in its bounds and wants most buds."""
        ends = self.blocks[["low_pct", "high_pct"]].itertuples(index=False)
        return [float(np.clip(0.5, low / 100, high / 100)) for low, high in ends]

    def ranked(self) -> pd.DataFrame:
        """Return the rows of ``blocks``, the worst first."""
        return self.blocks.sort_values("expected_pct", ascending=False, kind="stable")


def outlook_of(site: Site, terrain: xr.Dataset | None) -> Outlook | None:
    """Say what to expect of a vineyard; None where too few loggers hung in it.

    Parameters
    ----------
    site : Site
        With loggers, and lethal temperatures where there are any.
    terrain : Dataset or None
        From `vinemap.terrain.layers.terrain_layers`.
    """
    blocks, grid = site.blocks, plain_grid(site)
    night = night_of(site.loggers, grid, terrain)
    if night is None:
        return None
    lethal = lethal_temperatures(blocks, site.hardiness, site.settings.event_date, site.settings.actions.rules)
    return Outlook(night, lethal, _by_block(blocks, grid, night, lethal))


def plain_grid(site: Site) -> xr.Dataset:
    """Return a grid over the blocks that is fine enough to say what the night was like."""
    area = float(site.blocks.geometry.area.sum())
    return block_grid(site.blocks, float(np.sqrt(area / _CELLS)), site.settings.surface.max_cells)


def _by_block(
    blocks: gpd.GeoDataFrame, grid: xr.Dataset, night: NightTemperature, lethal: list[Lethal]
) -> pd.DataFrame:
    cells = BlockCells.of(grid)
    kill = expected_kill(*night.at(cells.centres(slice(None))), cells.block, lethal)
    values = np.column_stack([kill.mean, kill.low, kill.high])
    held = np.bincount(cells.block, minlength=len(blocks))
    means = np.array([np.bincount(cells.block, column, minlength=len(blocks)) for column in values.T])
    shares = 100 * np.divide(means, held, out=np.full(means.shape, np.nan), where=held > 0)
    columns = dict(zip(("expected_pct", "low_pct", "high_pct"), shares, strict=True))
    return pd.DataFrame({"block": blocks["block"].to_numpy(), **columns, "known_by": [one.known_by for one in lethal]})
