"""Block outlines as the keeper drew them: read, checked, and repaired where shapely can."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.columns import BLOCKS
from vinemap.errors import Findings
from vinemap.reading.cells import show
from vinemap.reading.crs import LONLAT, layer_crs
from vinemap.reading.files import LAYERS, find_file
from vinemap.reading.schema import BlockRow, Checked, check_rows, match_columns, refuse_repeats
from vinemap.reading.tabular import folded
from vinemap.reading.vector import read_layer
from vinemap.sentences import Figure, Sentence
from vinemap.settings import Settings

# No vineyard lies farther from the equator; common practice.
FARTHEST_LAT = 65.0
_SPACING_FACTOR = 2.0
_FIRST_VINE_M = 500.0
# An overlap narrower than this is a slip of the digitiser's hand along a shared edge.
_SLIVER_M = 1.0
_TANGLED = "tangled"
# No vineyard has so many, and each takes its time.
_MOST_BLOCKS = 20_000
_MOST_RINGS = 5000
# Pairs of edges of one outline, and of outlines, whose boxes meet: past these, mending one or holding each against its
# neighbours would fill the memory. Where outlines are as they should be, each meets a handful.
_MOST_MEETINGS = 100_000
_MEETINGS_EACH = 40
_MOST_CORNERS = 5_000_000
_AT_ONCE = 4_000_000


def read_blocks(folder: Path, settings: Settings, findings: Findings) -> gpd.GeoDataFrame | None:
    """Read and check blocks.*.

    Parameters
    ----------
    folder : Path
    settings : Settings
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    GeoDataFrame or None
        The blocks without a problem, in the file's CRS: the columns of `vinemap.columns.BLOCKS`, ``file``, ``row`` (as
        a spreadsheet numbers it) and polygons; None where there are none.
    """
    path = find_file(folder, "blocks", LAYERS, settings.files.blocks, findings)
    table = None if path is None else read_layer(path, "blocks", settings.files.blocks_layer, findings)
    if table is None:
        return None
    if len(table.rows) > _MOST_BLOCKS:
        what = Sentence("fault.many.blocks", count=Figure(len(table.rows)), most=Figure(_MOST_BLOCKS))
        findings.problem(table.file, None, "", what, Sentence("remedy.only_ours"))
        return None
    columns = match_columns(table, BlockRow, settings.columns.blocks, findings)
    checked = check_rows(table, BlockRow, columns, findings, section="blocks")
    refuse_repeats(checked, "block", Sentence("remedy.name_each.block"), findings, alike=True)
    crs = layer_crs(table, settings, findings)
    with folded(findings, len(table.rows)):
        outlines = _outlines(checked, crs, findings)
    good = [(place, row) for place, row in checked.good() if place in outlines]
    if crs is None or not good:
        return None
    frame = pd.DataFrame([vars(row) for _, row in good], columns=BLOCKS.names, dtype=object)
    frame["file"] = table.file
    frame["row"] = [table.numbers[place] for place, _ in good]
    return gpd.GeoDataFrame(frame, geometry=[outlines[place] for place, _ in good], crs=crs)


def _outlines(checked: Checked[BlockRow], crs: CRS | None, findings: Findings) -> dict[int, BaseGeometry]:
    """Return the polygons of the rows that have one, by place in the table."""
    table = checked.table
    found: dict[int, BaseGeometry] = {}
    shapes = [] if table.geometry is None else list(table.geometry)
    for place, (shape, number) in enumerate(zip(shapes, table.numbers, strict=True)):
        outline = None if shape is None else polygons_of(shape)
        fault = _fault(shape, outline, crs)
        if fault is None and outline is not None:
            found[place] = outline
        elif fault is not None:
            findings.problem(table.file, number, "geometry", *fault)
    return found


def _fault(
    shape: BaseGeometry | None, outline: BaseGeometry | None, crs: CRS | None
) -> tuple[Sentence, Sentence] | None:
    if shape is None or shape.is_empty:
        return Sentence("fault.block.no_outline"), Sentence("remedy.outline_or_row")
    if outline is None:
        return Sentence("fault.block.drawn_as", shape=shape_kind(shape)), Sentence("remedy.outline")
    if not np.isfinite(shapely.get_coordinates(outline)).all():
        return Sentence("fault.corners.no_numbers"), Sentence("remedy.draw_again")
    return _misplaced(shapely.get_coordinates(outline)) if crs is not None and crs.is_geographic else None


def _misplaced(corners: Array) -> tuple[Sentence, Sentence] | None:
    """Say what is wrong with corners, shape (n, 2), that can be no longitudes and latitudes of a vineyard."""
    x, y = np.abs(corners).max(axis=0)
    least_x, least_y = np.abs(corners).min(axis=0)
    example = f"({corners[0, 0]:.10g}, {corners[0, 1]:.10g})"
    if y > 90 >= x:
        return Sentence("fault.corner.swapped", corner=example), Sentence("remedy.corner.swapped")
    if x > 360 or y > 90:
        return Sentence("fault.corner.projected", corner=example), Sentence("remedy.corner.projected")
    if least_y > FARTHEST_LAT >= least_x:
        far = Sentence("fault.corner.far", corner=example, most=Figure(FARTHEST_LAT, None))
        return far, Sentence("remedy.corner.far")
    return None


def shape_kind(shape: BaseGeometry) -> Sentence:
    """Say what a shape is."""
    known = shape.geom_type in ("Point", "LineString", "Polygon", "MultiPoint", "MultiLineString")
    return Sentence(f"shape.{shape.geom_type}") if known else Sentence("shape.other", kind=shape.geom_type)


def polygons_of(shape: BaseGeometry) -> BaseGeometry | None:
    """Return the polygons in a shape, None where it holds none."""
    if isinstance(shape, (Polygon, MultiPolygon)):
        return shape
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, (Polygon, MultiPolygon))]
    if not parts:
        return None
    singles = shapely.get_parts(np.array(parts, dtype=object))
    return singles[0] if len(singles) == 1 else MultiPolygon(list(singles))


def repair(blocks: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Make the outlines valid; drop, as a problem, those that enclose no ground; hold figures against the outlines.

    Parameters
    ----------
    blocks : GeoDataFrame
        From `read_blocks`, in a metric CRS.
    findings : Findings
        Gets a warning for each repair and for vines that do not fit the ground by the spacings, and a problem for each
        first vine far from its block.

    Returns
    -------
    GeoDataFrame
        With valid Polygons and MultiPolygons.
    """
    shapes: list[BaseGeometry | None] = []
    for name, file, row, shape in zip(blocks["block"], blocks["file"], blocks["row"], blocks.geometry, strict=True):
        valid, reason = made_valid(shape)
        if valid is None or valid.area < 1.0:
            what = "tangled" if reason == _TANGLED else "no_ground"
            fault = Sentence(f"fault.outline.{what}", block=show(name))
            findings.problem(file, row, "geometry", fault, Sentence("remedy.outline"))
            valid = None
        elif reason:
            area = Figure(valid.area / 1e4, 2)
            findings.warn(Sentence("warning.repaired", block=name, reason=reason, area=area))
        shapes.append(valid)
    mended = blocks.set_geometry(gpd.GeoSeries(shapes, index=blocks.index, crs=blocks.crs))
    mended = mended[[shape is not None for shape in shapes]].reset_index(drop=True)
    _warn_of_spacings(mended, findings)
    _refuse_more_missing(mended, findings)
    with folded(findings, len(mended)):
        _refuse_far_first_vines(mended, findings)
    return mended


def _warn_of_spacings(blocks: gpd.GeoDataFrame, findings: Findings) -> None:
    """Name blocks whose vines are more than twice, or less than half, what ground and spacings make them."""
    for block, area in zip(blocks.to_dict("records"), blocks.geometry.area, strict=True):
        vines, between_rows, between_vines = (block.get(name) for name in ("vines", "row_spacing_m", "vine_spacing_m"))
        if pd.isna([vines, between_rows, between_vines]).any():
            continue
        room = area / (between_rows * between_vines)
        if 1 / _SPACING_FACTOR <= vines / room <= _SPACING_FACTOR:
            continue
        findings.warn(
            Sentence(
                f"warning.spacings.{'many' if vines > room else 'few'}",
                block=block["block"],
                vines=Figure(vines),
                area=Figure(area / 1e4, 2),
                rows=Figure(between_rows, None),
                between=Figure(between_vines, None),
                room=Figure(room),
            )
        )


def _refuse_more_missing(blocks: gpd.GeoDataFrame, findings: Findings) -> None:
    """Name blocks of which no vine would be left: as many are missing as they have, or as there is room for."""
    for block, area in zip(blocks.to_dict("records"), blocks.geometry.area, strict=True):
        missing = block.get("missing_vines")
        if missing is None or pd.isna(missing):
            continue
        vines, rows, between = (block.get(name) for name in ("vines", "row_spacing_m", "vine_spacing_m"))
        if pd.isna(vines):
            vines = np.nan if pd.isna([rows, between]).any() else round(area / (rows * between))
        if missing >= vines:
            figures = {"missing": Figure(missing), "vines": Figure(vines)}
            what = Sentence("fault.missing_vines", block=show(block["block"]), **figures)
            findings.problem(block["file"], block["row"], "missing_vines", what, Sentence("remedy.missing_vines"))


def _refuse_far_first_vines(blocks: gpd.GeoDataFrame, findings: Findings) -> None:
    """Name first vines too far from their block for a slip of the position."""
    to_metric = Transformer.from_crs(LONLAT, blocks.crs, always_xy=True)
    for block in blocks.to_dict("records"):
        lon, lat = block.get("first_vine_lon"), block.get("first_vine_lat")
        if pd.isna([lon, lat]).any():
            continue
        away = _metres_away(block["geometry"], to_metric, lon, lat)
        if away <= _FIRST_VINE_M:
            continue
        swapped = abs(lon) <= 90 and _metres_away(block["geometry"], to_metric, lat, lon) <= _FIRST_VINE_M
        findings.problem(
            block["file"],
            block["row"],
            "first_vine_lon, first_vine_lat",
            Sentence(
                "fault.first_vine",
                lon=f"{lon:g}",
                lat=f"{lat:g}",
                block=show(block["block"]),
                away=Sentence("fault.first_vine.away", away=Figure(away / 1000, 1, "km"))
                if np.isfinite(away)
                else Sentence("fault.first_vine.no_earth"),
                swapped=Sentence("fault.swapped") if swapped else "",
            ),
            Sentence("remedy.exchange" if swapped else "remedy.first_vine"),
        )


def _metres_away(outline: BaseGeometry, to_metric: Transformer, lon: float, lat: float) -> float:
    """Distance of a place from an outline, infinite where the outline's CRS does not reach it."""
    x, y = to_metric.transform(lon, lat)
    return float(shapely.distance(outline, shapely.Point(x, y))) if np.isfinite((x, y)).all() else float("inf")


def _edges(rings: Array) -> Array:
    """Return the edges of rings as lines."""
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    along = ring[1:] == ring[:-1]
    return np.asarray(shapely.linestrings(np.stack([corners[:-1][along], corners[1:][along]], axis=1)))


def _meet_seldom(shapes: Array) -> bool:
    """Whether the boxes of few pairs of shapes meet, for how many shapes there are; stops where they are many."""
    tree, met = shapely.STRtree(shapes), 0
    step = max(1, _AT_ONCE // max(1, len(shapes)))
    for start in range(0, len(shapes), step):
        met += tree.query(shapes[start : start + step]).shape[1]
        if met > _MOST_MEETINGS + _MEETINGS_EACH * len(shapes):
            return False
    return True


def meeting_pairs(shapes: Array) -> Array | None:
    """Return the places of shapes whose boxes meet, (2, n), each pair once; None where they are too many to look at."""
    if not _meet_seldom(shapes):
        return None
    pairs = shapely.STRtree(shapes).query(shapes)
    if shapely.get_num_coordinates(shapes)[pairs].sum() > _MOST_CORNERS:
        return None
    return np.asarray(pairs[:, pairs[0] < pairs[1]])


def is_tangled(shape: BaseGeometry) -> bool:
    """Whether a shape has so many rings, or crosses itself so often, that to mend or cut it would fill the memory."""
    parts = shapely.get_parts(shape)
    rings, lines = shapely.get_rings(parts), parts[shapely.get_dimensions(parts) == 1]
    plain = shape.is_valid and shapely.is_simple(lines).all()
    return len(rings) > _MOST_RINGS or not (plain or _meet_seldom(_edges(np.concatenate([rings, lines]))))


def made_valid(shape: BaseGeometry) -> tuple[BaseGeometry | None, str]:
    """Return a shape made valid, None where no polygon is left of it, and what was wrong with it, if it shows."""
    if is_tangled(shape):
        return None, _TANGLED
    if shape.is_valid:
        return shape, ""
    if isinstance(shape, MultiPolygon) and all(part.is_valid for part in shape.geoms):
        # Parts that share an edge, as a block cut at the date line has, are one block and need no word about it.
        merged = shapely.union_all(list(shape.geoms))
        if abs(merged.area - shape.area) <= 1e-6 * shape.area:
            return merged, ""
    mended = polygons_of(shapely.make_valid(shape))
    return mended, shapely.is_valid_reason(shape).split("[")[0].strip().lower()


def warn_of_overlaps(blocks: gpd.GeoDataFrame, findings: Findings) -> None:
    """Name each pair of blocks that overlap by more than a sliver, with the area.

    Parameters
    ----------
    blocks : GeoDataFrame
        In a metric CRS, valid.
    findings : Findings
        Gets the warnings; a problem where blocks lie on each other by the hundred.
    """
    shapes = blocks.geometry.to_numpy()
    pairs = meeting_pairs(shapes)
    if pairs is None:
        what, remedy = Sentence("fault.outlines.crowded"), Sentence("remedy.outlines.crowded")
        findings.problem(str(blocks["file"].iloc[0]), None, "geometry", what, remedy)
        return
    first, second = pairs
    meet = shapely.intersects(shapes[first], shapes[second])
    for i, j in sorted(zip(first[meet].tolist(), second[meet].tolist(), strict=True)):
        shared = shapes[i].intersection(shapes[j])
        if shared.buffer(-_SLIVER_M / 2).is_empty:
            continue
        names = {"one": blocks["block"].iloc[i], "other": blocks["block"].iloc[j]}
        area = Figure(float(f"{shared.area / 1e4:.3g}"), None)
        findings.warn(Sentence("warning.overlap", area=area, **names))
