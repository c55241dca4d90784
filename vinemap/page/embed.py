"""Tables and outlines as plain JSON values, and JSON that no HTML parser can mistake for markup."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

_DEGREES = 1e-7  # about a centimetre: outlines are sent as whole steps of this
_ESCAPES = str.maketrans({"<": "\\u003c", ">": "\\u003e", "&": "\\u0026"})


def to_json(value: object) -> str:
    r"""Write a value as ASCII JSON that is safe inside a ``script`` element.

    Every character beyond ASCII is escaped by the encoder (so U+2028, U+2029 and right-to-left marks too), and ``<``,
    ``>`` and ``&`` become ``\u003c``, ``\u003e`` and ``\u0026``: no text can end the element or start markup.
    """
    return json.dumps(value, allow_nan=False, separators=(",", ":"), default=_plain).translate(_ESCAPES)


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, (dt.date, dt.datetime)):
        return value.isoformat()
    message = f"cannot write {type(value).__name__} into the page"
    raise TypeError(message)


def plain(value: Any) -> Any:
    """Give one table cell as a JSON value: missing becomes None, numbers keep two decimals, dates their day."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (dt.date, pd.Timestamp)):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        rounded = round(value, 2)
        return None if not np.isfinite(value) else int(rounded) if rounded.is_integer() else rounded
    return value if isinstance(value, (bool, int)) else str(value)


def finite(value: Any) -> Any:
    """Replace every number that JSON cannot hold (NaN, infinity) inside dicts and lists by None."""
    if isinstance(value, dict):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    return value


def columns(frame: pd.DataFrame, names: Iterable[str]) -> dict[str, list[Any]]:
    """Give those of the named columns that the table has, as lists of JSON values."""
    return {name: [plain(value) for value in frame[name].tolist()] for name in names if name in frame}


def outlines(shapes: gpd.GeoSeries) -> list[list[list[int]]]:
    """Give polygons as rings of whole steps of 1e-7 degrees.

    Parameters
    ----------
    shapes : GeoSeries
        Polygons or multipolygons in WGS 84 longitude and latitude.

    Returns
    -------
    list
        For each shape its rings (exterior and interior alike: the page fills by the even-odd rule), each a flat list
        ``[lon, lat, dlon, dlat, …]``: the first corner, then the steps from corner to corner.
    """
    return [[_steps(ring) for ring in _rings(shape)] for shape in shapes]


def _rings(shape: shapely.Geometry | None) -> list[shapely.LinearRing]:
    parts = [] if shape is None else shapely.get_parts(shape)
    return [ring for part in parts for ring in shapely.get_rings(part)]


def _steps(ring: shapely.LinearRing) -> list[int]:
    corners = np.rint(shapely.get_coordinates(ring)[:-1] / _DEGREES).astype(np.int64)
    steps = np.diff(corners, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    return [int(step) for step in steps.ravel()]


def label_points(shapes: gpd.GeoSeries) -> list[list[float]]:
    """Longitude and latitude of the roomiest place inside each shape, for its name.

    Parameters
    ----------
    shapes : GeoSeries
        Polygons or multipolygons in a metric CRS.
    """
    inner = [shapely.get_point(shapely.maximum_inscribed_circle(shape, tolerance=2.0), 0) for shape in shapes]
    places = gpd.GeoSeries(inner, crs=shapes.crs).to_crs(4326)
    return lonlat(places)


def lonlat(points: gpd.GeoSeries) -> list[list[float]]:
    """Longitude and latitude of points in WGS 84, to 1e-7 degrees."""
    return [[round(x, 7), round(y, 7)] for x, y in zip(points.x.tolist(), points.y.tolist(), strict=True)]
