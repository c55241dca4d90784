"""Bring blocks and samples into one metric CRS, and each sample to its block."""

from __future__ import annotations

import difflib
import math

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.reading.cells import bare_name, show
from vinemap.reading.crs import LONLAT, named_crs
from vinemap.settings import Settings

_FARTHEST_KM = 100.0
_MOST_STRETCH = 0.01
_MOST_NAMES = 12


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
    area = AreaOfInterest(lon, lat, lon, lat)
    zones = query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)
    if not zones:
        findings.problem(
            str(blocks["file"].iloc[0]),
            None,
            "",
            f"the blocks lie at latitude {lat:.1f}, where there is no UTM zone",
            "correct the coordinates, or give metric_crs in vinemap.toml",
        )
        return None
    return CRS.from_epsg(zones[0].code)


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
            f"{crs.name} is not in metres",
            "give a projected CRS in metres, or none",
        )
        return False
    factors = Proj(crs).get_factors(lon, lat, errcheck=False)
    stretch = max(abs(factors.tissot_semimajor - 1), abs(factors.tissot_semiminor - 1))
    if not stretch <= _MOST_STRETCH:
        findings.problem(
            "vinemap.toml",
            None,
            "metric_crs",
            f"{crs.name} stretches distances at the vineyard by {100 * stretch:.0f} %"
            if math.isfinite(stretch)
            else f"{crs.name} does not reach the vineyard",
            "give a CRS made for the place, such as its UTM zone, or none",
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
            "no outline has a place on the earth in the layer's CRS",
            "save the layer with the CRS of its coordinates",
        )
        return blocks[placed]
    lonlat: Array = _lonlat(directions)
    # The block whose direction is nearest to the median one stands for the vineyard, wherever strays may lie.
    middle = lonlat[np.nanargmax(directions @ np.median(directions[placed], axis=0))]
    ends: Array = np.where(placed[:, None], lonlat, middle)
    _, _, metres = Geod(ellps="WGS84").inv(*np.broadcast_to(middle, ends.shape).T, *ends.T)
    near = placed & (metres <= _FARTHEST_KM * 1000)
    for place in np.flatnonzero(~near):
        where = f"lies {metres[place] / 1000:,.0f} km from the others" if placed[place] else "has no place on the earth"
        findings.problem(
            blocks["file"].iloc[place],
            int(blocks["row"].iloc[place]),
            "geometry",
            f"block {show(blocks['block'].iloc[place])} {where}",
            "correct its coordinates, or give it a vineyard folder of its own",
        )
    return blocks[near].reset_index(drop=True)


def join(
    samples: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, tolerance_m: float, findings: Findings
) -> gpd.GeoDataFrame:
    """Join each sample to the block that it lies in, or to the nearest one within the tolerance.

    Parameters
    ----------
    samples : GeoDataFrame
        Points in the metric CRS; columns sample, stated_block, file.
    blocks : GeoDataFrame
        Valid polygons in the same CRS; column block.
    tolerance_m : float
        A sample this far outside a block still joins it.
    findings : Findings
        Gets warnings that name samples outside every block, in an overlap, and in another block than stated; a problem
        where no sample joins any block.

    Returns
    -------
    GeoDataFrame
        ``samples`` with the columns block (str or None) and distance_m (0 inside; to the nearest block else).
    """
    points = samples.geometry.to_numpy()
    shapes = blocks.geometry.to_numpy()
    names = blocks["block"].to_numpy()
    tree = shapely.STRtree(shapes)
    (which, nearest), distance = tree.query_nearest(points, return_distance=True, all_matches=True)
    block = np.full(len(samples), None, dtype=object)
    metres = np.full(len(samples), np.inf)
    candidates: dict[int, list[int]] = {}
    for point, shape, away in zip(which, nearest, distance, strict=True):
        candidates.setdefault(int(point), []).append(int(shape))
        metres[point] = away
    shared = []
    for point, found in candidates.items():
        if metres[point] > tolerance_m:
            continue
        stated = _stated(samples["stated_block"].iloc[point], found, names)
        chosen = found[0] if len(found) == 1 else _of_several(points[point], found, shapes, stated)
        block[point] = names[chosen]
        if len(found) > 1:
            listed = " and ".join(str(names[i]) for i in found)
            why = "as stated" if chosen == stated else "whose centre is nearer"
            shared.append(f"{samples['sample'].iloc[point]} (in {listed}: joined to {names[chosen]}, {why})")
    joined = samples.assign(block=pd.Series(block, index=samples.index, dtype=object), distance_m=metres)
    if shared:
        lie = "sample lies" if len(shared) == 1 else "samples lie"
        findings.warn(f"{len(shared)} {lie} in more than one block: {_listed(shared)}.")
    _warn_of_outsiders(joined, tolerance_m, findings)
    _warn_of_disagreement(joined, [str(name) for name in names], findings)
    return joined


def _stated(stated: str | None, found: list[int], names: Array) -> int | None:
    if stated is None:
        return None
    return next((i for i in found if same_name(stated, names[i])), None)


def _of_several(point: shapely.Point, found: list[int], shapes: Array, stated: int | None) -> int:
    return (
        stated
        if stated is not None
        else min(found, key=lambda i: float(shapely.distance(point, shapely.centroid(shapes[i]))))
    )


def same_name(one: str, other: str) -> bool:
    """Whether two names of a block are the same but for case and spaces."""
    return bare_name(one) == bare_name(other)


def _warn_of_outsiders(samples: gpd.GeoDataFrame, tolerance_m: float, findings: Findings) -> None:
    outside = samples[samples["block"].isna()]
    if len(outside) == len(samples):
        findings.problem(
            samples["file"].iloc[0],
            None,
            "",
            f"no sample lies in a block or within {tolerance_m:g} m of one (the nearest is "
            f"{_distance(samples['distance_m'].min())} away)",
            "check the coordinates and the CRS of both files",
        )
    elif len(outside):
        each = [
            f"{name} ({_distance(away)})" for name, away in zip(outside["sample"], outside["distance_m"], strict=True)
        ]
        lie, them = ("sample lies", "it") if len(outside) == 1 else ("samples lie", "them")
        findings.warn(
            f"{len(outside)} {lie} more than {tolerance_m:g} m outside every block, and the block figures leave {them} "
            f"out: {_listed(each)}."
        )


def _warn_of_disagreement(samples: gpd.GeoDataFrame, names: list[str], findings: Findings) -> None:
    for sample, stated, block in zip(samples["sample"], samples["stated_block"], samples["block"], strict=True):
        if stated is None or (block is not None and same_name(stated, block)):
            continue
        if not any(same_name(stated, name) for name in names):
            near = difflib.get_close_matches(stated, names, n=1)
            meant = f" (did it mean {near[0]}?)" if near else ""
            findings.warn(
                f"Sample {sample} is said to be from block {stated}, which is not among the blocks{meant}; "
                + ("it joins none." if block is None else f"it was joined to {block}, where its point lies.")
            )
        elif block is not None:
            findings.warn(f"Sample {sample} is said to be from block {stated} but was joined to {block} by its point.")


def _listed(words: list[str]) -> str:
    more = f" and {len(words) - _MOST_NAMES} more" if len(words) > _MOST_NAMES else ""
    return ", ".join(words[:_MOST_NAMES]) + more


def _distance(metres: float) -> str:
    return f"{metres:.0f} m" if metres < 10_000 else f"{metres / 1000:,.0f} km"
