"""What stood against the frost: wind machines, heaters, sprinklers, covers, hilled rows, hedges and walls."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS
from shapely import Point
from shapely.geometry.base import BaseGeometry

from vinemap.columns import PROTECTION
from vinemap.errors import Findings
from vinemap.reading.blocks import is_tangled, meeting_pairs
from vinemap.reading.crs import LONLAT, layer_crs
from vinemap.reading.files import LAYERS, TABLES, find_file
from vinemap.reading.schema import Checked, ProtectionRow, check_rows, match_columns, typed
from vinemap.reading.tabular import folded, read_table
from vinemap.reading.vector import read_layer
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.states import LIT

ENDINGS = (*LAYERS, ".gpx", *TABLES)
_MOST = 2000
_MOST_CORNERS = 200_000
_FARTHEST_M = 20_000.0
# Outlines that share more of the smaller one than drawing by hand along one edge does.
_SHARED = 0.05


def read_protection(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> gpd.GeoDataFrame | None:
    """Read and check protection.*.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    settings : Settings
        Names of file, layer and columns.
    blocks : GeoDataFrame or None
        In the metric CRS; None where they could not be read, and the places are not checked then.
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    GeoDataFrame or None
        Columns of `vinemap.columns.PROTECTION` but for places, ``ran`` True, False or None (nobody knows), and any
        geometry in the blocks' CRS; None where there is no file or it cannot be used.
    """
    path = find_file(folder, "protection", ENDINGS, settings.files.protection, findings)
    if path is None:
        return None
    if path.suffix.lower() in TABLES:
        table = read_table(path, "protection", findings)
    else:
        table = read_layer(path, "protection", settings.files.protection_layer, findings)
    if table is not None and len(table.rows) > _MOST:
        what = Sentence("fault.many.rows", count=Figure(len(table.rows)), most=Figure(_MOST))
        findings.problem(table.file, None, "", what, Sentence("remedy.only_ours"))
        table = None
    if table is None:
        return None
    columns = match_columns(table, ProtectionRow, settings.columns.protection, findings)
    checked = check_rows(table, ProtectionRow, columns, findings, section="protection")
    with folded(findings, len(table.rows)):
        return _placed(checked, settings, blocks, findings)


def _placed(
    checked: Checked[ProtectionRow], settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> gpd.GeoDataFrame | None:
    table = checked.table
    crs = LONLAT if table.geometry is None else layer_crs(table, settings, findings)
    if crs is None:
        return None
    shapes = _shapes(checked, findings)
    if blocks is None:
        return None
    moved = gpd.GeoSeries(list(shapes.values()), crs=crs).to_crs(blocks.crs)
    home = shapely.union_all(blocks.geometry.to_numpy())
    kept: dict[int, BaseGeometry] = {}
    for place, shape in zip(shapes, moved, strict=True):
        fault = _fault(checked.rows[place], shape, home)
        if fault is None:
            kept[place] = shape
        else:
            findings.problem(table.file, table.numbers[place], *fault)
    rows = {place: row for place, row in checked.good() if place in kept}
    _warn_of_idle(checked, rows, kept, home, findings)
    _warn_of_twice(checked, rows, kept, findings)
    own = [column for column in PROTECTION.columns if column.carried]
    frame = {column.name: typed(column, [getattr(row, column.name) for row in rows.values()]) for column in own}
    frame["ran"] = typed(PROTECTION.columns[PROTECTION.names.index("ran")], [_ran(row) for row in rows.values()])
    return gpd.GeoDataFrame(frame, geometry=[kept[place] for place in rows], crs=CRS(blocks.crs))


def _shapes(checked: Checked[ProtectionRow], findings: Findings) -> dict[int, BaseGeometry]:
    """Return the shape of each row that has one, by place in the table; name the others."""
    table = checked.table
    drawn = table.geometry
    found: dict[int, BaseGeometry] = {}
    for place, row in checked.good():
        shape = None if drawn is None else drawn.iloc[place]
        if shape is None and row.lon is not None and row.lat is not None:
            shape = Point(row.lon, row.lat)
        if shape is None or shape.is_empty:
            none = Sentence("fault.protection.no_place")
            findings.problem(table.file, table.numbers[place], "geometry", none, Sentence("remedy.protection.place"))
        elif not np.isfinite(shapely.get_coordinates(shape)).all():
            what = Sentence("fault.protection.no_numbers")
            findings.problem(table.file, table.numbers[place], "geometry", what, Sentence("remedy.draw_again"))
        elif shapely.get_num_coordinates(shape) > _MOST_CORNERS:
            what = Sentence("fault.protection.corners", most=Figure(_MOST_CORNERS))
            findings.problem(table.file, table.numbers[place], "geometry", what, Sentence("remedy.simplify"))
        elif is_tangled(shape):
            what = Sentence("fault.protection.tangled")
            findings.problem(table.file, table.numbers[place], "geometry", what, Sentence("remedy.draw_again"))
        else:
            if not shapely.is_valid(shape):
                findings.warn(Sentence("warning.protection.mended", file=table.file, row=table.numbers[place]))
            found[place] = shapely.make_valid(shape)
    return found


def _fault(row: ProtectionRow | None, shape: BaseGeometry, home: BaseGeometry) -> tuple[str, Sentence, Sentence] | None:
    """Say, by column, what is wrong with a shape in the vineyard's CRS."""
    if not np.isfinite(shapely.get_coordinates(shape)).all():
        return "geometry", Sentence("fault.protection.no_earth"), Sentence("remedy.coordinates")
    away = float(shapely.distance(shape, home))
    if away > _FARTHEST_M:
        far = Sentence("fault.protection.far", away=Figure(away / 1000, 0, "km"))
        return "geometry", far, Sentence("remedy.protection.far")
    if row is not None and row.reach_m is None and shape.geom_type not in ("Polygon", "MultiPolygon"):
        return "reach_m", Sentence("fault.protection.reach"), Sentence("remedy.protection.reach")
    return None


def _ran(row: ProtectionRow) -> bool | None:
    """Whether it worked that night: what only stands there did, of what has to be lit or started it must be said."""
    return row.ran if row.ran is not None or row.kind in LIT else True


def _warn_of_idle(
    checked: Checked[ProtectionRow],
    rows: dict[int, ProtectionRow],
    shapes: dict[int, BaseGeometry],
    home: BaseGeometry,
    findings: Findings,
) -> None:
    """Name what nobody knows to have run, and what reaches no block: it is drawn, and tells nothing."""
    file, numbers = checked.table.file, checked.table.numbers
    silent = [numbers[place] for place, row in rows.items() if _ran(row) is None]
    if silent:
        findings.warn(Sentence("warning.protection.ran", file=file, rows=Listed(silent)))
    apart = {place: float(shapely.distance(shapes[place], home)) for place in rows}
    idle = [numbers[place] for place, row in rows.items() if _ran(row) and apart[place] > (row.reach_m or 0.0)]
    if idle:
        findings.warn(Sentence("warning.protection.apart", file=file, rows=Listed(idle)))


def _warn_of_twice(
    checked: Checked[ProtectionRow], rows: dict[int, ProtectionRow], shapes: dict[int, BaseGeometry], findings: Findings
) -> None:
    """Name what lies over another of its kind, as drawn: the ground under both counts once."""
    places = list(rows)
    drawn = np.array([shapes[place] for place in places], dtype=object)
    pairs = meeting_pairs(drawn) if len(drawn) else np.empty((2, 0), int)
    if pairs is None:
        what, remedy = Sentence("fault.protection.crowded"), Sentence("remedy.protection.crowded")
        findings.problem(checked.table.file, None, "geometry", what, remedy)
        return
    twice: set[int] = set()
    for one, other in pairs.T:
        if rows[places[one]].kind == rows[places[other]].kind and _share_ground(drawn[one], drawn[other]):
            twice |= {checked.table.numbers[places[one]], checked.table.numbers[places[other]]}
    if twice:
        findings.warn(Sentence("warning.protection.twice", file=checked.table.file, rows=Listed(sorted(twice))))


def _share_ground(one: BaseGeometry, other: BaseGeometry) -> bool:
    smaller = min(one.area, other.area)
    if smaller == 0.0:
        return bool(one.equals(other))
    return bool(one.intersection(other).area > _SHARED * smaller)
