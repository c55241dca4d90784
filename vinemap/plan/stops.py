"""The points of a plan as stops of a walk: their names, their rows and vines, and a line of words on each."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.reading.names import sample_names
from vinemap.reading.rows import RowFrame
from vinemap.sentences import Sentence, said
from vinemap.terrain.grid import read_layers
from vinemap.terrain.layers import known_at


def as_stops(
    blocks: gpd.GeoDataFrame,
    table: pd.DataFrame,
    frames: list[RowFrame | None],
    terrain: xr.Dataset | None,
    nodes: int,
    used: set[str],
) -> gpd.GeoDataFrame:
    """Return the points of a plan from those chosen.

    Parameters
    ----------
    blocks : GeoDataFrame
        Metric CRS: block, variety.
    table : DataFrame
        In walking order: block_row, x, y, terrain, and probability_pct in a second round.
    frames : list of RowFrame or None
        By block.
    terrain : Dataset or None
        With ``elevation_m``.
    nodes : int
        To cut at each.
    used : set of str
        Names of samples that are there already.

    Returns
    -------
    GeoDataFrame
        The ``points`` of a `Plan`.
    """
    here = blocks.iloc[table["block_row"].to_numpy()]
    xy = table[["x", "y"]].to_numpy()
    counted = [_counted(frames[row], place) for row, place in zip(table["block_row"], xy, strict=True)]
    columns: dict[str, Any] = {
        "sample": sample_names(table["block_row"], blocks["block"].tolist(), used),
        "stop": np.arange(1, len(table) + 1),
        "block": here["block"].to_numpy(),
        "variety": here["variety"].to_numpy(),
        "terrain": table["terrain"].to_numpy(),
        "row": pd.array([row for row, _, _ in counted], dtype="Int64"),
        "vine": pd.array([vine for _, vine, _ in counted], dtype="Int64"),
        "counted": [measured for _, _, measured in counted],
        "nodes": nodes,
        "elevation_m": _elevation(terrain, xy),
    }
    if "probability_pct" in table:
        columns["probability_pct"] = table["probability_pct"].round(0).to_numpy()
    return gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy(*xy.T), crs=blocks.crs)


def _elevation(terrain: xr.Dataset | None, xy: Array) -> Array:
    """Return the elevation of places (n, 2), NaN where it is not known."""
    if terrain is None:
        return np.full(len(xy), np.nan)
    return np.where(known_at(terrain, xy), read_layers(terrain, ["elevation_m"], xy)[:, 0].round(1), np.nan)


def _counted(frame: RowFrame | None, place: Array) -> tuple[int | None, int | None, bool]:
    return (None, None, False) if frame is None else (*frame.nearest(place), frame.measured)


def place_of(stop: dict[str, Any]) -> Sentence | None:
    """Return a stop's row and vine in words; None where they cannot be counted."""
    row, vine = stop["row"], stop["vine"]
    if pd.isna(row):
        return None
    place = Sentence("plan.place.row", row=row) if pd.isna(vine) else Sentence("plan.place.both", row=row, vine=vine)
    return place if stop["counted"] else Sentence("plan.place.about", place=place)


def line_on(stop: dict[str, Any], language: str) -> str:
    """Say in one line where a stop is, for devices that show one."""
    place = place_of(stop)
    where = [] if place is None else [f"{said(language, 'plan.list.place')} {place.said(language)}"]
    height = said(language, f"plan.terrain.{stop['terrain']}")
    return " · ".join([f"{said(language, 'plan.list.stop')} {stop['stop']}", str(stop["block"]), *where, height])
