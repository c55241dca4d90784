"""Which vine rows, and which vines of them, lie in each zone: from the first vine of the first row, as crews count."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from vinemap.columns import ROWS_CSV
from vinemap.reading.rows import RowFrame
from vinemap.sentences import Sentence
from vinemap.states import VineFrom

OUTSIDE_M = 3.0
"""A vine so far outside every zone stands beyond a bend of the outline, or in a hole of it: there is none."""


def zone_rows(frames: Mapping[str, RowFrame], zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """List the vines of each zone, row by row.

    Parameters
    ----------
    frames : mapping
        Of `vinemap.reading.frames.known_rows`, by block.
    zones : GeoDataFrame
        Rows of zones.csv with their outlines, in the same CRS.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.ROWS_CSV`: a row for each run of neighbouring vines of one row and zone, in the
        order of walking: by row, from the end where rows start. Blocks whose rows are not known have none.
    """
    rows = [
        run
        for name, here in zones.groupby("block", sort=False)
        if name in frames
        for run in _runs(str(name), frames[str(name)], here)
    ]
    return pd.DataFrame(rows, columns=ROWS_CSV.names)


def _runs(block: str, frame: RowFrame, zones: gpd.GeoDataFrame) -> Iterator[dict[str, object]]:
    """Yield the runs of vines of one block, row by row from its first vine."""
    shapes = zones.geometry.to_numpy()
    shapely.prepare(shapes)
    for row in frame.numbers:
        held = _zone_of(shapes, shapely.points(frame.places(row)))
        for first, last in _stretches(held):
            zone = zones.iloc[held[first]]
            found = {"block": block, "row": row, "vine_from": first + 1, "vine_to": last + 1, "vines": last - first + 1}
            yield found | {name: zone[name] for name in ("zone", "action", "nodes_to_keep")}


def sample_vines(frames: Mapping[str, RowFrame], samples: gpd.GeoDataFrame) -> pd.DataFrame:
    """Say which vine each sample is of.

    Parameters
    ----------
    frames : mapping
        Of `vinemap.reading.frames.known_rows`, by block.
    samples : GeoDataFrame
        Of a `vinemap.reading.vineyard.Vineyard`: block, stated_row, stated_vine, points, in the frames' CRS.

    Returns
    -------
    DataFrame
        A row a sample, by its index: row and vine (Int64), as stated, else the nearest vine where the block's rows are
        known; vine_from, 'given' or 'position', or '' where neither is known.
    """
    found: list[tuple[int | None, int | None, VineFrom]] = []
    for block, row, vine, point in zip(
        samples["block"], samples["stated_row"], samples["stated_vine"], samples.geometry, strict=True
    ):
        if np.isfinite(row) and np.isfinite(vine):
            found.append((int(row), int(vine), VineFrom.GIVEN))
        elif block in frames and point is not None:
            found.append((*frames[block].nearest(np.array([point.x, point.y])), VineFrom.POSITION))
        else:
            found.append((None, None, VineFrom.UNKNOWN))
    rows, vines, origins = zip(*found, strict=True) if found else ((), (), ())
    columns = {"row": pd.array(rows, "Int64"), "vine": pd.array(vines, "Int64"), "vine_from": list(map(str, origins))}
    return pd.DataFrame(columns, index=samples.index)


def _zone_of(shapes: NDArray[np.object_], vines: NDArray[np.object_]) -> NDArray[np.intp]:
    """Return the place of each vine's zone; the nearest one for a vine just outside, -1 for one where there is none."""
    inside = shapely.contains(shapes[:, None], vines[None, :])
    found = np.where(inside.any(axis=0), inside.argmax(axis=0), -1)
    left = np.flatnonzero(found < 0)
    if len(left):
        away = shapely.distance(shapes[:, None], vines[None, left])
        found[left] = np.where(away.min(axis=0) <= OUTSIDE_M, away.argmin(axis=0), -1)
    return found.astype(np.intp)


def _stretches(held: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """Yield the first and last place of each stretch of one zone; none for where there is no zone."""
    edges = np.flatnonzero(np.diff(held)) + 1
    for first, end in zip([0, *edges], [*edges, len(held)], strict=True):
        if held[first] >= 0:
            yield int(first), int(end) - 1


def with_rows(zones: gpd.GeoDataFrame, runs: pd.DataFrame) -> gpd.GeoDataFrame:
    """Add which rows each zone holds whole and which in part, as spans (``1–4, 7``); empty where rows are not known.

    Parameters
    ----------
    zones : GeoDataFrame
        Rows of zones.csv.
    runs : DataFrame
        Of `zone_rows`.

    Returns
    -------
    GeoDataFrame
        With the columns rows_whole and rows_part.
    """
    alone = runs.groupby(["block", "row"])["zone"].transform("nunique") == 1
    found = {
        name: runs[which].groupby("zone")["row"].unique().map(lambda rows: _spans(np.sort(rows)))
        for name, which in (("rows_whole", alone), ("rows_part", ~alone))
    }
    return zones.assign(**{name: zones["zone"].map(spans).astype(object) for name, spans in found.items()})


def row_ends(runs: pd.DataFrame, frames: Mapping[str, RowFrame]) -> pd.DataFrame:
    """Return where to enter each zone: its first and its last row, at the end of the row that lies nearer to its vines.

    Parameters
    ----------
    runs : DataFrame
        Of `zone_rows`.
    frames : mapping
        Of `vinemap.reading.frames.known_rows`, by block.

    Returns
    -------
    DataFrame
        zone, row, vines (the zone's vines of that row, as spans), x, y (the row's first or last vine, in the frames'
        CRS): two rows a zone, one where it has a single row.
    """
    ends = []
    for (zone, block), here in runs.groupby(["zone", "block"], sort=False):
        frame = frames[str(block)]
        for row in dict.fromkeys((here["row"].iloc[0], here["row"].iloc[-1])):
            spans = here.loc[here["row"] == row, ["vine_from", "vine_to"]].to_numpy()
            count = frame.vines(int(row))
            near = spans.min() - 1 <= count - spans.max()
            x, y = frame.place(int(row), 1 if near else count)
            vines = ", ".join(f"{low}–{high}" if low < high else f"{low}" for low, high in spans)
            ends.append({"zone": zone, "row": row, "vines": vines, "x": x, "y": y})
    return pd.DataFrame(ends, columns=["zone", "row", "vines", "x", "y"])


def rows_sentence(zone: Mapping[Any, Any]) -> Sentence | None:
    """Say which rows a zone, a row of zones.csv, holds; None where its rows are not known."""
    spans = {name: zone.get(f"rows_{name}") for name in ("whole", "part")}
    known = {name: span for name, span in spans.items() if isinstance(span, str)}
    if not known:
        return None
    return Sentence(f"rows.{'both' if len(known) == 2 else next(iter(known))}", **known)


def _spans(rows: NDArray[np.intp]) -> str:
    """Write row numbers as spans: 1–4, 7, 9–12."""
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    return ", ".join(f"{part[0]}–{part[-1]}" if len(part) > 1 else f"{part[0]}" for part in parts if len(part))
