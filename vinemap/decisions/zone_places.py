"""Where in its block a zone lies: by vine rows where they are known, else by distances that a crew can pace out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.decisions.vine_rows import rows_sentence
from vinemap.reading.rows import compass_side, row_direction
from vinemap.sentences import Figure, Sentence
from vinemap.units import length_unit

PLACE = ("corner", "side", "along_from_m", "along_to_m", "in_from_m", "in_to_m")
_WHOLE = 0.05
_EQUAL_M = 0.5
_STEP = {"metric": 5.0, "us": 10.0}
"""Distances are told in so many metres or feet: a crew paces them."""


def with_places(zones: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Add how far along a side of its block, and how far in from it, each zone lies.

    Parameters
    ----------
    zones : GeoDataFrame
        Rows of zones.csv with rows_whole and rows_part; metric CRS.
    blocks : GeoDataFrame
        block, row_bearing_deg (may be missing), outlines in the same CRS.

    Returns
    -------
    GeoDataFrame
        With the columns `PLACE`. The side is that of the two along the rows (or along the longest edge, where their
        direction is not given) that is nearer to the zone, the corner that end of it which is nearer; distances are the
        zone's reach, in metres from that corner and at right angles from that side, NaN where it reaches from end to
        end (but for a twentieth). All are empty in blocks of one zone, and where rows are known.
    """
    found: dict[str, list[Any]] = {name: [None if name in PLACE[:2] else math.nan] * len(zones) for name in PLACE}
    alone = zones.groupby("block")["zone"].transform("size") == 1
    known = zones[["rows_whole", "rows_part"]].notna().any(axis=1)
    rows = dict(zip(blocks["block"], blocks.index, strict=True))
    crs = CRS(zones.crs)
    for k in np.flatnonzero(~(alone | known)):
        block = blocks.loc[rows[zones["block"].iloc[k]]]
        along = row_direction(block.geometry, block.get("row_bearing_deg"), crs).along
        place = _place(block.geometry, zones.geometry.iloc[k], along, crs)
        for name in PLACE:
            found[name][k] = place[name]
    return zones.assign(**{name: pd.Series(values, zones.index) for name, values in found.items()})


def _place(outline: BaseGeometry, zone: BaseGeometry, along: Array, crs: CRS) -> dict[str, Any]:
    """Return the place of one zone, by name of its column."""
    axes = np.array([along, (-along[1], along[0])])
    axes *= np.where(axes @ (1.0, 1.01) >= 0, 1.0, -1.0)[:, None]
    block, here = (shapely.get_coordinates(shape) @ axes.T for shape in (outline, zone))
    middle = axes @ np.array([zone.centroid.x, zone.centroid.y])
    # The end and the side nearer to the zone, the western and southern of equals: from there both axes run inward.
    turned = middle > (block.min(axis=0) + block.max(axis=0)) / 2 + _EQUAL_M
    sign = np.where(turned, -1.0, 1.0)
    block, here, axes = block * sign, here * sign, axes * sign[:, None]
    corner = block[np.abs(block - block.min(axis=0)).sum(axis=1).argmin()]
    size = np.ptp(block, axis=0)
    first, last = np.maximum(here.min(axis=0) - corner, 0.0), here.max(axis=0) - corner
    whole = (first < _WHOLE * size) & (last > (1 - _WHOLE) * size)
    spot = corner @ axes
    spans = np.where(whole, np.nan, np.round([first, last], 1)).T.ravel()
    sides = compass_side(-axes.sum(axis=0), spot, crs), compass_side(-axes[1], spot, crs)
    return dict(zip(PLACE, (*sides, *map(float, spans)), strict=True))


def place_sentence(zone: Mapping[Any, Any], units: str) -> Sentence | None:
    """Say how far from the corner of its block a zone lies, widened to whole paces; None where that is not told.

    Parameters
    ----------
    zone : mapping
        Row of zones.csv.
    units : str
        ``metric`` or ``us``.
    """
    if not isinstance(zone.get("side"), str):
        return None
    along, across = pd.notna(zone["along_to_m"]), pd.notna(zone["in_to_m"])
    spans = [("start", "end", "along")] * along + [("near", "far", "in")] * across
    values: dict[str, Any] = {}
    for low, high, stem in spans:
        values |= _paced(zone[f"{stem}_from_m"], zone[f"{stem}_to_m"], low, high, units)
    key = "corner" if along and across else "width" if along else "length" if across else "all"
    sides = {name: Sentence(f"plan.side.{zone[name].lower()}") for name in PLACE[:2]}
    return Sentence(f"place.{key}", **sides, **values)


def _paced(start: float, end: float, low: str, high: str, units: str) -> dict[str, Figure]:
    """Return both ends of a span, outward to whole steps; the unit stands after the second."""
    per_metre, unit = length_unit(units)
    step = _STEP[units]
    first, last = math.floor(start * per_metre / step), math.ceil(end * per_metre / step)
    return {low: Figure(first * step), high: Figure(last * step, 0, unit)}


def where_sentence(zone: Mapping[Any, Any], units: str) -> Sentence | None:
    """Say where in its block a zone lies, by rows where they are known; None where it is the whole block."""
    return rows_sentence(zone) or place_sentence(zone, units)
