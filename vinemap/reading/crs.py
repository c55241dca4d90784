"""Which coordinate reference system coordinates are in."""

from __future__ import annotations

import os
import re

import numpy as np
import pyproj.network
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from vinemap.errors import Findings
from vinemap.reading.tabular import Table
from vinemap.sentences import Sentence
from vinemap.settings import Settings

# Grids of shifts are taken from the disk or not at all: pyproj, pyogrio and rasterio each carry a PROJ of their own.
os.environ["PROJ_NETWORK"] = "OFF"
pyproj.network.set_network_enabled(False)  # type: ignore[attr-defined]

LONLAT = CRS.from_epsg(4326)

# How a CRS names a file that PROJ is to open: grids of shifts, files of definitions, operations of one's own, in WKT
# (OGC 18-010r7, PARAMETERFILE), PROJJSON (a parameter whose value is text) and proj strings (PROJ's documentation).
_OPENS = re.compile(
    r"parameter_?file|proj4_grids|proj-based operation|proj crs string|"
    r"""(?<![a-z])([a-z_]*grids|init|file|model|catalog)\s*=|"value"\s*:\s*["']""",
    re.IGNORECASE,
)
_NO_GRID = re.compile(r"nadgrids\s*=\s*@null", re.IGNORECASE)
# From the centre to the equator: the ellipsoids of PROJ's list run from 6,370,997 to 6,397,300 m (pyproj's ellipsoids).
_EARTH_M = (6.35e6, 6.40e6)


def opens_files(definition: str) -> bool:
    """Whether a definition of a CRS names files of its own, which PROJ would open; ``@null`` stands for no file."""
    return _OPENS.search(_NO_GRID.sub("", definition)) is not None


def misplaced(crs: CRS) -> tuple[Sentence, Sentence] | None:
    """Say, as phrases for a `vinemap.errors.Problem`, why no place on the earth can be told in a CRS."""
    remedy = Sentence("remedy.plain_crs.grid")
    axis = None if crs.ellipsoid is None else crs.ellipsoid.semi_major_metre
    if axis is not None and not _EARTH_M[0] <= axis <= _EARTH_M[1]:
        return Sentence("fault.crs.not_earth", crs=crs.name), remedy
    try:
        Transformer.from_crs(crs, LONLAT, always_xy=True)
    except ProjError:
        return Sentence("fault.crs.no_lonlat", crs=crs.name), remedy
    return None


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
        crs = None if opens_files(text) else CRS.from_user_input(text)
    except CRSError:
        crs = None
    if crs is None or not (crs.is_geographic or crs.is_projected) or misplaced(crs) is not None:
        findings.problem(
            "vinemap.toml",
            None,
            key,
            Sentence("fault.crs.none_such", crs=repr(text[:60])),
            Sentence("remedy.epsg"),
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
        fault = misplaced(stated)
        if fault is not None:
            findings.problem(table.file, None, "", *fault)
        return stated if fault is None else None
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
            Sentence("fault.crs.projected", x=f"{corners[0, 0]:.10g}", y=f"{corners[0, 1]:.10g}"),
            Sentence("remedy.crs.projected"),
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
