"""The bulletin's drawing of the districts: their outlines where they are given, else a square each. Never places."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.arrays import Array
from vinemap.exports.colours import injury_stops
from vinemap.states import Disclosure
from vinemap.web.drawing import outline_path

# The text of A4 and of Letter is 180 mm wide or more.
WIDTH, _MARGIN = 180.0, 3.0
_TALLEST = 112.0
# Above it light letters, up to it black ones stand out by 4.5 to 1 at least, the contrast that WCAG 2 asks for.
_LIGHT_PCT = 70.0


@dataclass(frozen=True)
class DrawnDistrict:
    """A district on the drawing.

    Attributes
    ----------
    name : str
    path : str
        Its outline; "" where none is given.
    colour : str or None
        Of its injury; None where none is shown.
    light : bool
        Whether letters on it are light.
    injury_pct : float or None
    state : Disclosure
    x, y : float
        Where its name stands.
    """

    name: str
    path: str
    colour: str | None
    light: bool
    injury_pct: float | None
    state: Disclosure
    x: float
    y: float


@dataclass(frozen=True)
class DistrictMap:
    """The drawing, in millimetres on paper."""

    width: float
    height: float
    districts: list[DrawnDistrict]
    stops: list[str]
    outlined: bool


def district_map(table: pd.DataFrame, outlines: gpd.GeoDataFrame | None) -> DistrictMap:
    """Lay out the drawing.

    Parameters
    ----------
    table : DataFrame
        Rows of `vinemap.columns.BULLETIN_DISTRICTS`.
    outlines : GeoDataFrame or None
        district and outline in longitude and latitude; districts without one have no place on the drawing.
    """
    rows = {str(row["district"]): row for row in table.to_dict("records")}
    if outlines is None:
        squares = [_drawn(name, "", 0.0, 0.0, row) for name, row in rows.items()]
        return DistrictMap(0.0, 0.0, squares, injury_stops(), outlined=False)
    bounds = outlines.total_bounds
    # Degrees of longitude shrink with the cosine of the latitude: true enough for a drawing of districts.
    shrink = math.cos(math.radians((bounds[1] + bounds[3]) / 2))
    across, up = (bounds[2] - bounds[0]) * shrink, bounds[3] - bounds[1]
    scale = min((WIDTH - 2 * _MARGIN) / across, (_TALLEST - 2 * _MARGIN) / up)

    def at(xy: Array) -> Array:
        return (np.asarray(xy) - (bounds[0], bounds[3])) * (scale * shrink, -scale) + (_MARGIN, _MARGIN)

    drawn = []
    for name, shape in zip(outlines["district"], outlines.geometry, strict=True):
        x, y = at(shapely.get_coordinates(shape.representative_point()))[0].tolist()
        drawn.append(_drawn(str(name), outline_path(shape, at), x, y, rows.get(str(name))))
    return DistrictMap(across * scale + 2 * _MARGIN, up * scale + 2 * _MARGIN, drawn, injury_stops(), outlined=True)


def _drawn(name: str, path: str, x: float, y: float, row: Mapping[Any, Any] | None) -> DrawnDistrict:
    state = Disclosure.NO_RESULTS if row is None else Disclosure(row["state"])
    if row is None or state != Disclosure.SHOWN:
        return DrawnDistrict(name, path, None, False, None, state, x, y)
    injury, stops = float(row["injury_pct"]), injury_stops()
    colour = stops[round(min(max(injury / 100, 0.0), 1.0) * (len(stops) - 1))]
    return DrawnDistrict(name, path, colour, injury > _LIGHT_PCT, injury, state, x, y)
