"""Outlines and places for the page, in longitude and latitude."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from vinemap.arrays import Array

_DEGREES = 1e-7  # about a centimetre: outlines are sent as whole steps of this


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
    return [[steps(shapely.get_coordinates(ring)[:-1]) for ring in _rings(shape)] for shape in shapes]


def _rings(shape: shapely.Geometry | None) -> list[shapely.LinearRing]:
    parts = [] if shape is None else shapely.get_parts(shape)
    return [ring for part in parts for ring in shapely.get_rings(part)]


def steps(corners: Array) -> list[int]:
    """Give corners in degrees, shape (n, 2), as whole steps of 1e-7 degrees from one to the next, the first from 0."""
    whole = np.rint(corners / _DEGREES).astype(np.int64)
    return [int(step) for step in np.diff(whole, axis=0, prepend=np.zeros((1, 2), dtype=np.int64)).ravel()]


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


def places(points: gpd.GeoSeries) -> list[list[float] | None]:
    """Longitude and latitude as `lonlat` gives them; None where a point is missing."""
    found = iter(lonlat(points.dropna()))
    return [None if missing else next(found) for missing in points.isna()]
