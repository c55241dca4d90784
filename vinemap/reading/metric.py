"""The metric CRS to work in, and blocks too far from the others for one map."""

from __future__ import annotations

import math
from functools import lru_cache

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.reading.cells import show
from vinemap.reading.crs import LONLAT, named_crs
from vinemap.sentences import Figure, Sentence
from vinemap.settings import Settings

_FARTHEST_KM = 100.0
_MOST_STRETCH = 0.01


def metric_crs(blocks: gpd.GeoDataFrame, settings: Settings, findings: Findings) -> CRS | None:
    """Choose the CRS to work in: the one of the settings, else the WGS 84 UTM zone of the blocks' centre.

    Parameters
    ----------
    blocks : GeoDataFrame
        In any CRS; columns block, file, row.
    settings : Settings
        ``metric_crs`` overrules the estimate.
    findings : Findings
        Gets a problem where the CRS named cannot carry distances, and where there is no zone.

    Returns
    -------
    CRS or None

    Notes
    -----
    The centre is the mean of unit vectors on the sphere, so that blocks on both sides of the date line have theirs
    between them. A vineyard across the border of two zones is worked in the one zone that holds its centre.
    """
    lon, lat = map(float, _lonlat(_directions(blocks).mean(axis=0)))
    if settings.metric_crs is not None:
        crs = named_crs(settings.metric_crs, "metric_crs", findings)
        return crs if crs is not None and _carries_distances(crs, lon, lat, findings) else None
    zone = _utm_zone(lon, lat)
    if zone is None:
        findings.problem(
            str(blocks["file"].iloc[0]),
            None,
            "",
            Sentence("fault.no_utm", lat=Figure(lat, 1)),
            Sentence("remedy.no_utm"),
        )
        return None
    return CRS.from_epsg(zone)


@lru_cache(maxsize=256)
def _utm_zone(lon: float, lat: float) -> str | None:
    """Code of the WGS 84 UTM zone that holds a place, kept since the query takes as long as reading a small folder."""
    zones = query_utm_crs_info(datum_name="WGS 84", area_of_interest=AreaOfInterest(lon, lat, lon, lat))
    return zones[0].code if zones else None


def _directions(blocks: gpd.GeoDataFrame) -> Array:
    """Vector from the earth's centre to the mean of each block's corners, shape (n, 3); NaN where it has no place."""
    corners, owner = shapely.get_coordinates(blocks.geometry.to_numpy(), return_index=True)
    lon, lat = Transformer.from_crs(blocks.crs, LONLAT, always_xy=True).transform(*corners.T)
    with np.errstate(invalid="ignore"):
        lon, lat = np.radians(lon), np.radians(lat)
        vectors = (np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat))
    counts = np.bincount(owner, minlength=len(blocks))
    return np.column_stack([np.bincount(owner, vector, len(blocks)) / counts for vector in vectors])


def _lonlat(vectors: Array) -> Array:
    """Longitude and latitude in degrees of vectors (..., 3), shape (..., 2)."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    return np.stack([np.degrees(np.arctan2(y, x)), np.degrees(np.arctan2(z, np.hypot(x, y)))], axis=-1)


def _carries_distances(crs: CRS, lon: float, lat: float, findings: Findings) -> bool:
    if not crs.is_projected or any(axis.unit_conversion_factor != 1 for axis in crs.axis_info[:2]):
        findings.problem(
            "vinemap.toml",
            None,
            "metric_crs",
            Sentence("fault.metric.no_metres", crs=crs.name),
            Sentence("remedy.metric.no_metres"),
        )
        return False
    factors = Proj(crs).get_factors(lon, lat, errcheck=False)
    stretch = max(abs(factors.tissot_semimajor - 1), abs(factors.tissot_semiminor - 1))
    if not stretch <= _MOST_STRETCH:
        findings.problem(
            "vinemap.toml",
            None,
            "metric_crs",
            Sentence("fault.metric.stretches", crs=crs.name, share=Figure(100 * stretch))
            if math.isfinite(stretch)
            else Sentence("fault.metric.no_reach", crs=crs.name),
            Sentence("remedy.metric.other"),
        )
        return False
    return True


def refuse_strays(blocks: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Name blocks more than 100 km from the middle one, which one map cannot hold; return the others.

    Parameters
    ----------
    blocks : GeoDataFrame
        In any CRS; columns block, file, row.
    findings : Findings
        Gets a problem for each.
    """
    directions = _directions(blocks)
    placed: Array = np.asarray(np.isfinite(directions).all(axis=1))
    if not placed.any():
        findings.problem(
            str(blocks["file"].iloc[0]),
            None,
            "geometry",
            Sentence("fault.blocks.no_earth"),
            Sentence("remedy.crs.own"),
        )
        return blocks[placed]
    lonlat: Array = _lonlat(directions)
    # The block whose direction is nearest to the median one stands for the vineyard, wherever strays may lie.
    middle = lonlat[np.nanargmax(directions @ np.median(directions[placed], axis=0))]
    ends: Array = np.where(placed[:, None], lonlat, middle)
    _, _, metres = Geod(ellps="WGS84").inv(*np.broadcast_to(middle, ends.shape).T, *ends.T)
    near = placed & (metres <= _FARTHEST_KM * 1000)
    for place in np.flatnonzero(~near):
        block = show(blocks["block"].iloc[place])
        away = Figure(metres[place] / 1000, 0, "km")
        far, nowhere = (
            Sentence("fault.block.far", block=block, away=away),
            Sentence("fault.block.no_earth", block=block),
        )
        findings.problem(
            blocks["file"].iloc[place],
            int(blocks["row"].iloc[place]),
            "geometry",
            far if placed[place] else nowhere,
            Sentence("remedy.block.far"),
        )
    return blocks[near].reset_index(drop=True)
