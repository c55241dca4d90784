"""Which coordinate reference system coordinates are in."""

from __future__ import annotations

import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from vinemap.errors import Findings
from vinemap.reading.tabular import Table
from vinemap.sentences import Sentence
from vinemap.settings import Settings

LONLAT = CRS.from_epsg(4326)


def named_crs(text: str, key: str, findings: Findings) -> CRS | None:
    """Return the CRS that the settings name.

    Parameters
    ----------
    text : str
        Such as ``EPSG:32618``, or WKT.
    key : str
        Key of the settings, for the message.
    findings : Findings
        Gets a problem where there is no such CRS.

    Returns
    -------
    CRS or None
    """
    try:
        crs = CRS.from_user_input(text)
    except CRSError:
        crs = None
    if crs is None or not (crs.is_geographic or crs.is_projected):
        findings.problem(
            "vinemap.toml",
            None,
            key,
            f"{text[:60]!r} names no coordinate reference system of the map",
            "give an EPSG code, such as EPSG:32618",
        )
        return None
    return crs


def layer_crs(table: Table, settings: Settings, findings: Findings) -> CRS | None:
    """Return the CRS of a layer of shapes: its own, else the settings', else longitude and latitude where they fit.

    Parameters
    ----------
    table : Table
        With geometries.
    settings : Settings
    findings : Findings
        Gets a problem where the CRS is missing, a warning where it was assumed.

    Returns
    -------
    CRS or None
        None where the coordinates cannot be placed.
    """
    if table.geometry is None:
        return None
    stated = _stated(table)
    if stated is not None:
        return stated
    if settings.crs is not None:
        crs = named_crs(settings.crs, "crs", findings)
        if crs is not None:
            findings.warn(Sentence("warning.crs.settings", file=table.file, crs=settings.crs))
        return crs
    corners = shapely.get_coordinates(table.geometry.to_numpy())
    corners = corners[np.isfinite(corners).all(axis=1)]
    if len(corners) and (np.abs(corners).max(axis=0) <= (180, 90)).all():
        findings.warn(Sentence("warning.crs.lonlat", file=table.file))
        return LONLAT
    if len(corners):
        findings.problem(
            table.file,
            None,
            "",
            f"states no CRS, and coordinates such as ({corners[0, 0]:.10g}, {corners[0, 1]:.10g}) are projected",
            "save the layer with its CRS (a shapefile needs its .prj), or give crs in vinemap.toml",
        )
    return None


def _stated(table: Table) -> CRS | None:
    """Return the layer's own CRS, None where it states none that has a place on the earth.

    GeoPackages say "undefined" by a CRS of that name (OGC 12-128r17 §1.1.2.1.2: srs_id -1 and 0).
    """
    if table.geometry is None or table.geometry.crs is None:
        return None
    crs = CRS(table.geometry.crs)
    placed = (crs.is_geographic or crs.is_projected) and "undefined" not in crs.name.casefold()
    return crs if placed else None
