"""The frame of rows of every block: measured from its first vine, drawn as lines, or guessed from its outline."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
from pyproj import CRS, Transformer

from vinemap.reading.drawn_rows import drawn_frame
from vinemap.reading.rows import Direction, RowFrame, row_direction, row_frame


def block_frames(
    blocks: gpd.GeoDataFrame, drawn: gpd.GeoDataFrame | None = None
) -> tuple[list[Direction], list[RowFrame | None]]:
    """Return rows' direction and frame of each block.

    Parameters
    ----------
    blocks : GeoDataFrame
        Metric CRS; row_spacing_m, vine_spacing_m, and where given row_bearing_deg (degrees clockwise from true north),
        first_vine_lon and first_vine_lat (degrees, WGS 84).
    drawn : GeoDataFrame, optional
        Rows of `vinemap.reading.row_layer.read_rows`, which come before all else in their blocks.
    """
    bearings, lons, lats = (
        blocks[name].astype(float).to_numpy() if name in blocks else np.full(len(blocks), np.nan)
        for name in ("row_bearing_deg", "first_vine_lon", "first_vine_lat")
    )
    crs = CRS(blocks.crs)
    firsts = np.column_stack(Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lons, lats))
    directions = [row_direction(shape, bearing, crs) for shape, bearing in zip(blocks.geometry, bearings, strict=True)]
    spacings = blocks[["row_spacing_m", "vine_spacing_m"]].astype(float).to_numpy()
    frames = [
        row_frame(shape, direction, between_rows, between_vines, first if np.isfinite(first).all() else None)
        for shape, direction, (between_rows, between_vines), first in zip(
            blocks.geometry, directions, spacings, firsts, strict=True
        )
    ]
    for place, rows in _drawn_in(blocks, drawn):
        frame = drawn_frame(blocks.geometry.iloc[place], rows, *spacings[place])
        directions[place], frames[place] = Direction(frame.along, True), frame
    return directions, frames


def _drawn_in(blocks: gpd.GeoDataFrame, drawn: gpd.GeoDataFrame | None) -> Iterator[tuple[int, gpd.GeoDataFrame]]:
    """Yield the place of each block whose rows are drawn, with these rows."""
    if drawn is not None:
        of_block = dict(list(drawn.groupby("block", sort=False)))
        yield from ((k, of_block[name]) for k, name in enumerate(blocks["block"]) if name in of_block)


def known_rows(blocks: gpd.GeoDataFrame, drawn: gpd.GeoDataFrame | None = None) -> dict[str, RowFrame]:
    """Return the frames of the blocks whose rows and vines can be counted, by block.

    They can where rows are drawn, or a first vine, the bearing and the row spacing given; and in both cases the number
    of vines of each row, or their spacing.

    Parameters
    ----------
    blocks, drawn
        As in `block_frames`.
    """
    directions, frames = block_frames(blocks, drawn)
    return {
        str(name): frame
        for name, direction, frame in zip(blocks["block"], directions, frames, strict=True)
        if frame is not None and direction.given and countable(frame)
    }


def countable(frame: RowFrame) -> bool:
    """Whether every vine of a frame has a number."""
    return frame.measured and all(frame.vines(row) > 0 for row in frame.numbers)
