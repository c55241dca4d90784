"""Vine rows that the keeper drew as lines: read, checked, brought to their blocks, and set to start at one end."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Transformer
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.guesses import Guesses
from vinemap.reading.blocks import is_tangled, shape_kind
from vinemap.reading.cells import bare_name, show
from vinemap.reading.crs import LONLAT, layer_crs
from vinemap.reading.drawn_rows import axes
from vinemap.reading.files import LAYERS, find_file
from vinemap.reading.rows import compass_side
from vinemap.reading.schema import Checked, LineRow, check_rows, match_columns
from vinemap.reading.tabular import folded
from vinemap.reading.vector import read_layer
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings

ROW_COLUMNS = ("block", "row", "vines", "geometry")
# No vineyard has so many, and each takes its time.
_MOST_ROWS = 20_000
_MOST_CORNERS = 2_000_000
_SHORTEST_M = 0.5
_CLOSEST_M = 0.2
_INSIDE = 0.5
"""So much of a row must lie in its block, widened by the tolerance of positions: headlands are drawn tight."""
_GEOD = Geod(ellps="WGS84")


def read_rows(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> gpd.GeoDataFrame | None:
    """Read and check rows.*.

    Parameters
    ----------
    folder : Path
    settings : Settings
    blocks : GeoDataFrame or None
        block, outlines, first_vine_lon and first_vine_lat (may be NaN), in the metric CRS; None where they could not be
        read.
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    GeoDataFrame or None
        In the blocks' CRS, a row a vine row, by block and number: block, row (int, no two alike in a block), vines
        (float, NaN where not given), geometry (LineString; all of a block start at one end). None where there is no
        such file, or nothing of it can be used.
    """
    path = find_file(folder, "rows", LAYERS, settings.files.rows, findings)
    table = None if path is None else read_layer(path, "rows", settings.files.rows_layer, findings)
    if table is None:
        return None
    shapes = np.array([] if table.geometry is None else list(table.geometry), dtype=object)
    if len(table.rows) > _MOST_ROWS or shapely.get_num_coordinates(shapes).sum() > _MOST_CORNERS:
        what = Sentence("fault.many.lines", rows=Figure(_MOST_ROWS), corners=Figure(_MOST_CORNERS))
        findings.problem(table.file, None, "", what, Sentence("remedy.only_ours"))
        return None
    columns = match_columns(table, LineRow, settings.columns.rows, findings)
    checked = check_rows(table, LineRow, columns, findings, section="rows")
    crs = layer_crs(table, settings, findings)
    if crs is None or blocks is None:
        return None
    with folded(findings, len(table.rows)):
        lines = _lines(checked, crs, CRS(blocks.crs), findings)
        found = _in_blocks(checked, lines, blocks, settings.gps_tolerance_m, findings)
        _refuse_twice(checked, found, findings)
        _refuse_crowded(checked, found, findings)
    return _arranged(checked, found, blocks, findings) if len(found) else None


def _lines(checked: Checked[LineRow], crs: CRS, metric: CRS, findings: Findings) -> dict[int, LineString]:
    """Return the lines of the rows that have one, in the metric CRS, by place in the table."""
    to_metric = Transformer.from_crs(crs, metric, always_xy=True)
    table, found, remedy = checked.table, dict[int, LineString](), Sentence("remedy.draw_row")
    shapes = [] if table.geometry is None else list(table.geometry)
    for place, (shape, number) in enumerate(zip(shapes, table.numbers, strict=True)):
        line = shapely.line_merge(shape) if shape is not None and shape.geom_type == "MultiLineString" else shape
        if line is None or line.is_empty:
            fault = Sentence("fault.row.no_line")
            findings.problem(table.file, number, "geometry", fault, Sentence("remedy.draw_row_or_delete"))
        elif not isinstance(line, LineString):
            fault = Sentence("fault.row.drawn_as", shape=_kind(line))
            findings.problem(table.file, number, "geometry", fault, remedy)
        else:
            xy = np.column_stack(to_metric.transform(*shapely.get_coordinates(line).T))
            metric_line = LineString(xy) if np.isfinite(xy).all() else None
            if metric_line is None or metric_line.length < _SHORTEST_M:
                short = Sentence("fault.row.short", least=Figure(_SHORTEST_M, 1))
                fault = Sentence("fault.row.no_place") if metric_line is None else short
                findings.problem(table.file, number, "geometry", fault, remedy)
            elif is_tangled(metric_line):
                findings.problem(table.file, number, "geometry", Sentence("fault.row.tangled"), remedy)
            else:
                found[place] = metric_line
    return found


def _kind(shape: BaseGeometry) -> Sentence:
    if shape.geom_type == "MultiLineString":
        return Sentence("shape.lines_apart", count=Figure(len(shapely.get_parts(shape))))
    return shape_kind(shape)


def _in_blocks(
    checked: Checked[LineRow],
    lines: dict[int, LineString],
    blocks: gpd.GeoDataFrame,
    tolerance_m: float,
    findings: Findings,
) -> dict[int, tuple[str, LineString]]:
    """Return block and line of the rows that have both, by place in the table."""
    known = {bare_name(name): k for k, name in enumerate(blocks["block"])}
    grounds = shapely.buffer(blocks.geometry.to_numpy(), tolerance_m)
    tree = shapely.STRtree(grounds)
    guesses = Guesses([str(name) for name in blocks["block"]], 0.0)
    found: dict[int, tuple[str, LineString]] = {}
    for place, row in checked.good():
        if place not in lines:
            continue
        line = lines[place]
        if row.block is None:
            here = [int(k) for k in tree.query(line, "intersects")]
            home = max(here, key=lambda k: line.intersection(blocks.geometry.iloc[k]).length, default=None)
            fault = Sentence("fault.row.no_block"), Sentence("remedy.row.no_block")
        else:
            home = known.get(bare_name(row.block))
            near = guesses.of(row.block)
            meant = Sentence("remedy.meant", near=show(near)) if near else Sentence("remedy.name_block")
            fault = Sentence("fault.no_block", block=show(row.block)), meant
        if home is not None:
            name = str(blocks["block"].iloc[home])
            if line.intersection(grounds[home]).length >= _INSIDE * line.length:
                found[place] = name, line
                continue
            away = max(shapely.distance(blocks.geometry.iloc[home], shapely.points(shapely.get_coordinates(line))))
            what = Sentence("fault.row.outside", block=show(name), away=Figure(away))
            fault = what, Sentence("remedy.row.outside")
        column = checked.column("block") if row.block is not None else "geometry"
        findings.problem(checked.table.file, checked.table.numbers[place], column, *fault)
    return found


def _refuse_twice(checked: Checked[LineRow], found: dict[int, tuple[str, LineString]], findings: Findings) -> None:
    """Name rows whose number another row of their block has, and rows without one where others have theirs."""
    rows, file = dict(checked.good()), checked.table.file
    numbered = {block for place, (block, _) in found.items() if rows[place].row is not None}
    first: dict[tuple[str, int], int] = {}
    for place, (block, _) in found.items():
        number, column = checked.table.numbers[place], checked.column("row")
        if rows[place].row is None:
            if block in numbered:
                what = Sentence("fault.row.no_number", block=show(block))
                findings.problem(file, number, column, what, Sentence("remedy.row.no_number"))
            continue
        earlier = first.setdefault((block, rows[place].row), number)
        if earlier != number:
            what = Sentence("fault.row.twice", number=str(rows[place].row), block=show(block), row=str(earlier))
            findings.problem(file, number, column, what, Sentence("remedy.row.twice"))


def _refuse_crowded(checked: Checked[LineRow], found: dict[int, tuple[str, LineString]], findings: Findings) -> None:
    """Name rows that are said to have more vines than can stand in them."""
    rows = dict(checked.good())
    for place, (_, line) in found.items():
        vines = rows[place].vines
        if vines is not None and (vines - 1) * _CLOSEST_M > line.length:
            figures = {"vines": Figure(vines), "length": Figure(line.length, 1), "least": Figure(_CLOSEST_M, 1)}
            what, remedy = Sentence("fault.row.crowded", **figures), Sentence("remedy.row.crowded")
            findings.problem(checked.table.file, checked.table.numbers[place], checked.column("vines"), what, remedy)


def _arranged(
    checked: Checked[LineRow], found: dict[int, tuple[str, LineString]], blocks: gpd.GeoDataFrame, findings: Findings
) -> gpd.GeoDataFrame:
    """Return the rows as a table: numbered, and each block's set to start at one end."""
    rows = dict(checked.good())
    table = gpd.GeoDataFrame(
        {
            "block": [block for block, _ in found.values()],
            "row": np.array([rows[place].row for place in found], float),
            "vines": np.array([rows[place].vines for place in found], float),
        },
        geometry=[line for _, line in found.values()],
        crs=blocks.crs,
    )
    facts = {str(block["block"]): block for block in blocks.to_dict("records")}
    to_metric = Transformer.from_crs(LONLAT, blocks.crs, always_xy=True)
    parts = []
    for name, here in table.groupby("block", sort=False):
        lon, lat = (facts[str(name)].get(f"first_vine_{end}", math.nan) for end in ("lon", "lat"))
        first = np.array(to_metric.transform(float(lon), float(lat)))
        parts.append(_in_order(here, first, checked.table.file, findings))
    return gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=blocks.crs)[list(ROW_COLUMNS)]


def _in_order(rows: gpd.GeoDataFrame, first: Array, file: str, findings: Findings) -> gpd.GeoDataFrame:
    """Return one block's rows in the order of their numbers, all starting at the end of row 1, or of the first vine."""
    block, placed = str(rows["block"].iloc[0]), bool(np.isfinite(first).all())
    numbered = bool(rows["row"].notna().all())
    rows = rows.sort_values("row", ignore_index=True)
    lines = _same_way(list(rows.geometry), first if placed else None)
    if not numbered:
        order = _across(lines, first if placed else None)
        lines = _same_way([lines[k] for k in order], first if placed else None)
        rows = rows.iloc[order].reset_index(drop=True).assign(row=np.arange(1, len(rows) + 1))
        middle = shapely.get_coordinates(lines[0].centroid)[0]
        _, across = axes(lines)
        side = Sentence(f"plan.side.{compass_side(-across, middle, CRS(rows.crs)).lower()}")
        findings.warn(Sentence("warning.rows.counted", file=file, block=block, count=len(rows), side=side))
    turned = [
        f"{row:g}"
        for row, line, was in zip(rows["row"], lines, rows.geometry, strict=True)
        if not line.equals_exact(was)
    ]
    if numbered and turned and not (placed and len(turned) == len(rows)):
        findings.warn(Sentence("warning.rows.turned", file=file, block=block, rows=Listed(turned)))
    return rows.assign(row=rows["row"].astype(int)).set_geometry(gpd.GeoSeries(lines, crs=rows.crs))


def _same_way(lines: list[LineString], first: Array | None) -> list[LineString]:
    """Turn lines so that all start at the end where the first of them does, or that is nearer to the first vine."""
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in lines]
    way = ends[0][1] - ends[0][0]
    if first is not None and np.hypot(*(ends[0] - first).T).argmin() == 1:
        way = -way
    return [line if (end[1] - end[0]) @ way >= 0 else line.reverse() for line, end in zip(lines, ends, strict=True)]


def _across(lines: list[LineString], first: Array | None) -> list[int]:
    """Return the order of rows across their block, from the first vine's side, else from the south or the west."""
    _, across = axes(lines)
    if first is None:
        across = across if across @ (1.0, 1.01) >= 0 else -across
    middles = np.array([shapely.get_coordinates(line.interpolate(0.5, normalized=True))[0] for line in lines])
    level = middles @ across
    if first is not None and (first - middles.mean(axis=0)) @ across > 0:
        level = -level
    return [int(k) for k in np.argsort(level, kind="stable")]


def with_row_facts(blocks: gpd.GeoDataFrame, rows: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Fill in the spacings and the bearing of blocks that do not state them, by their drawn rows.

    The row spacing is the median distance of neighbouring rows, the vine spacing the median of those rows whose vines
    are counted, the bearing that of all rows together.

    Parameters
    ----------
    blocks : GeoDataFrame
        row_spacing_m, vine_spacing_m, row_bearing_deg; metric CRS.
    rows : GeoDataFrame or None
        Of `read_rows`.
    """
    if rows is None:
        return blocks
    blocks = blocks.copy()
    for name, here in rows.groupby("block", sort=False):
        place = blocks.index[blocks["block"] == name]
        for column, value in _facts(here.sort_values("row"), CRS(blocks.crs)):
            blocks.loc[place, column] = blocks.loc[place, column].fillna(value)
    return blocks


def _facts(rows: gpd.GeoDataFrame, crs: CRS) -> Iterator[tuple[str, float]]:
    lines, numbers = rows.geometry.to_numpy(), rows["row"].to_numpy()
    apart = shapely.distance(shapely.line_interpolate_point(lines[:-1], 0.5, normalized=True), lines[1:])
    if len(apart):
        yield "row_spacing_m", round(float(np.median(apart / np.diff(numbers))), 3)
    counted = rows["vines"].to_numpy() > 1
    if counted.any():
        yield (
            "vine_spacing_m",
            round(float(np.median(shapely.length(lines)[counted] / (rows["vines"][counted] - 1))), 3),
        )
    along, _ = axes(list(lines))
    start = shapely.get_coordinates(lines[0])[0]
    to_lonlat = Transformer.from_crs(crs, LONLAT, always_xy=True)
    (lon, lat), (far_lon, far_lat) = to_lonlat.transform(*start), to_lonlat.transform(*(start + 100 * along))
    bearing, _, _ = _GEOD.inv(lon, lat, far_lon, far_lat)
    if math.isfinite(bearing):
        yield "row_bearing_deg", round(bearing % 360, 1) % 360
