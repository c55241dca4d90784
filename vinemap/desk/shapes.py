"""Outlines and sample points as GeoJSON (RFC 7946): of the files, as they were drawn over, and the files anew."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import mapping

from vinemap.columns import BLOCKS, SAMPLES
from vinemap.desk.drafts import Drafts, Entry
from vinemap.desk.ledgers import SAMPLES_BEGUN, Ledger, begun, ledgers
from vinemap.errors import Findings, Problem
from vinemap.reading.crs import LONLAT, layer_crs
from vinemap.reading.files import LAYERS, POINTS, TABLES, find_file
from vinemap.reading.schema import BlockRow, Row, SampleRow, match_columns
from vinemap.reading.tabular import Table
from vinemap.reading.vector import read_layer
from vinemap.sentences import Sentence
from vinemap.settings import Settings, load_settings

_ENDINGS = {"blocks": LAYERS, "samples": POINTS}
_MODELS: dict[str, type[Row]] = {"blocks": BlockRow, "samples": SampleRow}
_KINDS = {"blocks": ("Polygon", "MultiPolygon"), "samples": ("Point",)}
_MOST_CORNERS, _MOST_TEXT = 50_000, 2_000
_DECIMALS = 8


@dataclass(frozen=True)
class Drawn:
    """A layer as it stands on the desk.

    Attributes
    ----------
    path : Path or None
        Of the file that it comes from; None where there is none yet.
    names : dict of str to str
        Columns of `vinemap.columns` by the names that the file gives them.
    features : dict of str to dict
        GeoJSON features by their ids, in longitude and latitude; geometry is None where the file has none, or none
        that can be placed.
    problems : list of Problem
        What hinders reading the file.
    """

    path: Path | None
    names: dict[str, str]
    features: dict[str, Entry]
    problems: list[Problem]


def drawn(folder: Path, layer: str, drafts: Drafts) -> Drawn:
    """Return a layer with what was drawn over it.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    layer : str
        ``blocks`` or ``samples``.
    drafts : Drafts
    """
    findings = Findings()
    settings = load_settings(folder, findings)
    path = find_file(folder, layer, _ENDINGS[layer], getattr(settings.files, layer), Findings())
    table = _begun(layer, drafts) if path is None else _read(path, layer, settings, drafts, findings)
    layout = BLOCKS if layer == "blocks" else SAMPLES
    names = {name: name for name in layout.names}
    features: dict[str, Entry] = {}
    if table is not None:
        fields = match_columns(table, _MODELS[layer], getattr(settings.columns, layer), Findings())
        names |= {field: table.columns[place] for field, place in fields.items() if table.columns[place]}
        shapes = _placed(table, fields, _KINDS[layer], settings, findings)
        for number, cells, shape in zip(table.numbers, table.rows, shapes, strict=True):
            properties = {name: _plain(cell) for name, cell in zip(table.columns, cells, strict=True) if name}
            features[str(number)] = {"type": "Feature", "id": str(number), "properties": properties, "geometry": shape}
    if drafts.is_outdated(layer):
        what, remedy = Sentence("fault.desk.drawn_over"), Sentence("remedy.desk.drawn_over")
        findings.problem(layer if path is None else path.name, None, "", what, remedy)
        return Drawn(path, names, features, findings.problems)
    for name, feature in drafts.features.get(layer, {}).items():
        if feature is None:
            features.pop(name, None)
        elif (kept := sound(layer, feature)) is not None:
            features[name] = {**kept, "id": name}
    return Drawn(path, names, features, findings.problems)


def _begun(layer: str, drafts: Drafts) -> Table | None:
    """Return the table of samples that was begun at the desk."""
    return _as_table(begun(SAMPLES_BEGUN, drafts)) if layer == "samples" and drafts.cells.get(SAMPLES_BEGUN) else None


def _as_table(ledger: Ledger) -> Table:
    filled = {number: cells for number, cells in ledger.rows.items() if any(cells)}
    return Table(ledger.name, ledger.columns, list(filled.values()), list(filled))


def _read(path: Path, layer: str, settings: Settings, drafts: Drafts, findings: Findings) -> Table | None:
    if path.suffix.lower() in TABLES:
        tables, problems = ledgers(path.parent, drafts, path.name)
        findings.problems += [problem for problem in problems if problem.file == path.name]
        return _as_table(tables[path.name]) if path.name in tables else None
    return read_layer(path, layer, getattr(settings.files, f"{layer}_layer"), findings)


def _placed(
    table: Table, fields: Mapping[str, int], kinds: tuple[str, ...], settings: Settings, findings: Findings
) -> Iterator[Entry | None]:
    """Yield each row's geometry in longitude and latitude; None where it cannot be placed or is of another kind."""
    if table.geometry is None:
        at = [fields.get(name) for name in ("lon", "lat")]
        for cells in table.rows:
            lon, lat = (_figure(cells[place]) if place is not None else None for place in at)
            yield None if lon is None or lat is None else {"type": "Point", "coordinates": [lon, lat]}
        return
    crs = layer_crs(table, settings, findings)
    if crs is None:
        yield from [None] * len(table.rows)
        return
    for shape in table.geometry.set_crs(crs, allow_override=True).to_crs(LONLAT):
        sound = shape is not None and not shape.is_empty and math.isfinite(shapely.bounds(shape).sum())
        yield _rounded(mapping(shape)) if sound and shape.geom_type in kinds else None


def _rounded(geometry: Mapping[str, Any]) -> Entry:
    def at(value: Any) -> Any:
        return round(float(value), _DECIMALS) if isinstance(value, (int, float)) else [at(one) for one in value]

    return {"type": geometry["type"], "coordinates": at(geometry["coordinates"])}


def _figure(cell: object) -> float | None:
    try:
        value = float(str(cell).strip().replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _plain(cell: object) -> Any:
    """Return a cell as JSON holds it."""
    if cell is None or cell != cell:  # noqa: PLR0124 - NaN, NaT
        return None
    item = getattr(cell, "item", None)
    value = item() if callable(item) else cell
    return value if isinstance(value, (bool, int, float, str)) else str(value)


def revision(feature: Entry | None) -> str:
    """Return a text that changes with a feature: what a page saw when it began to change it."""
    return hashlib.sha256(json.dumps(feature, sort_keys=True).encode()).hexdigest()[:16]


def sound(layer: str, feature: Any) -> Entry | None:
    """Return a feature that a page sent, without what does not belong to one; None where it is no such feature."""
    try:
        properties, geometry = dict(feature["properties"]), feature["geometry"]
        kind, coordinates = geometry["type"], geometry["coordinates"]
        corners = shapely.get_coordinates(shapely.geometry.shape(geometry))
    except (TypeError, KeyError, ValueError, AttributeError, shapely.errors.ShapelyError):
        return None
    inside = len(corners) and (abs(corners) <= (180, 90)).all()
    plain = all(value is None or isinstance(value, (bool, int, float, str)) for value in properties.values())
    short = all(len(str(text)) <= _MOST_TEXT for pair in properties.items() for text in pair)
    if kind not in _KINDS[layer] or not inside or len(corners) > _MOST_CORNERS or not plain or not short:
        return None
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": _rounded({"type": kind, "coordinates": coordinates}),
    }


def remade_layer(layer: Drawn, name: str) -> bytes:
    """Return a layer as a GeoJSON file in longitude and latitude."""
    features = [{key: value for key, value in one.items() if key != "id"} for one in layer.features.values()]
    collection = {"type": "FeatureCollection", "name": name, "features": features}
    return (json.dumps(collection, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def point_cells(layer: Drawn, columns: tuple[str, ...], name: str, row: int) -> dict[tuple[int, int], str]:
    """Return what a point that was moved or made changes in the table that it stands in.

    Parameters
    ----------
    layer : Drawn
        Samples of a text table or a workbook.
    columns : tuple of str
        Of that table.
    name : str
        Id of the feature.
    row : int
        Where it stands, or is to stand.
    """
    feature = layer.features[name]
    lon, lat = feature["geometry"]["coordinates"]
    values = {**feature["properties"], layer.names["lon"]: f"{lon:.7f}", layer.names["lat"]: f"{lat:.7f}"}
    places = {column: place for place, column in enumerate(columns)}
    return {(row, places[key]): "" if value is None else str(value) for key, value in values.items() if key in places}
