"""Vine rows for the page: a line each, along which the readout counts vines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import shapely

from vinemap.page.outlines import steps
from vinemap.reading.rows import RowFrame


def vine_lines(frames: Mapping[str, RowFrame], blocks: gpd.GeoDataFrame) -> dict[str, list[Any]]:
    """Give the vine rows of the blocks whose rows are known, as columns.

    Parameters
    ----------
    frames : mapping
        Of `vinemap.reading.frames.known_rows`, by block.
    blocks : GeoDataFrame
        block, in the frames' CRS.

    Returns
    -------
    dict
        block (its row in ``blocks``), row (its number), vines, line (from the first vine to the last, as
        `vinemap.page.outlines.steps` gives it).
    """
    known = [
        (place, row, frames[str(name)])
        for place, name in enumerate(blocks["block"])
        if name in frames
        for row in frames[str(name)].numbers
    ]
    paths = [shapely.linestrings(frame.path(row)) for _, row, frame in known]
    lonlat = gpd.GeoSeries(paths, crs=blocks.crs).to_crs(4326)
    return {
        "block": [place for place, _, _ in known],
        "row": [int(row) for _, row, _ in known],
        "vines": [frame.vines(row) for _, row, frame in known],
        "line": [steps(shapely.get_coordinates(line)) for line in lonlat],
    }
