"""What a plan holds."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd
import xarray as xr
from pyproj import CRS

from vinemap.plan.options import PlanOptions
from vinemap.plan.outlook import Outlook
from vinemap.plan.second import NextPoints
from vinemap.plan.walk import Walk
from vinemap.plan.worth import Worth
from vinemap.reading.rows import Direction, RowFrame
from vinemap.sentences import Sentence
from vinemap.settings import Settings


@dataclass(frozen=True)
class Plan:
    """Where to collect canes, how many, and in which order.

    Attributes
    ----------
    name : str
        Of the vineyard.
    settings : Settings
    options : PlanOptions
    crs : CRS
        Metric.
    blocks : GeoDataFrame
        Of the vineyard.
    points : GeoDataFrame
        The columns of `vinemap.columns.PLAN_POINTS`, a row a cane in walking order: row and vine int, missing where
        they cannot be counted, and counted (whether from a measured first vine) besides; elevation_m NaN with no
        elevation; probability_pct in a second round alone.
    sizes : DataFrame
        A row a block: block, vines (missing where unknown), had (canes of the first survey), canes, nodes (to collect),
        half_width_pct (of the block's interval with all of them, in points).
    rho : float
        Behind ``sizes``: how alike buds of one cane are.
    rho_from : str
        'assumed' or 'survey'.
    walk : Walk
    directions, frames : list
        Rows, by block.
    terrain : Dataset or None
        Terrain.
    gain : NextPoints or None
        Of a second round.
    outlook : Outlook or None
        Of a first round where temperature loggers hung: what they let expect.
    worth : Worth or None
        What more than this plan would be worth; None where too few canes are cut to tell.
    origin : dict or None
        Where the elevation comes from, as `vinemap.reading.elevation.origin` has it.
    warnings : tuple of Sentence
        From reading.
    """

    name: str
    settings: Settings
    options: PlanOptions
    crs: CRS
    blocks: gpd.GeoDataFrame
    points: gpd.GeoDataFrame
    sizes: pd.DataFrame
    rho: float
    rho_from: str
    walk: Walk
    directions: list[Direction]
    frames: list[RowFrame | None]
    terrain: xr.Dataset | None
    gain: NextPoints | None
    outlook: Outlook | None
    worth: Worth | None
    origin: dict[str, str | float] | None
    warnings: tuple[Sentence, ...]
