"""What a file of shapes holds, looked at before GDAL sees it, so that GDAL gets shapes and nothing else.

A file from somebody else may be no layer at all but orders to GDAL or to one of its libraries: open another file, fetch
an address, run a query, fill the memory. Each function takes the bytes of one format and returns bytes of the same
shapes for GDAL, or raises `RefusedError`.
"""

from __future__ import annotations

import io
import json
import re
import shutil
import sqlite3
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from xml.parsers import expat

from pyproj import CRS
from pyproj.exceptions import CRSError

from vinemap.doors import barred, megabytes
from vinemap.errors import RefusedError
from vinemap.reading.cells import show
from vinemap.reading.crs import LONLAT, opens_files
from vinemap.reading.tabular import decode, nul_line
from vinemap.sentences import Figure, Sentence

_MOST_BYTES = 100_000_000
_MOST_KML_BYTES = 30_000_000
# Brackets and commas of JSON, each of which takes some hundred bytes of memory: 800,000 corners.
_MOST_MARKS = 2_500_000
_MOST_ELEMENTS = 2_000_000
# GDAL keeps all of them, at half a kilobyte each.
_MOST_KML_ELEMENTS = 1_000_000
_DEEPEST = 100

MOST_FIELDS = 1000
"""Columns past which a layer is refused: GDAL's readers take time that grows with the square of their number."""

# Elements of KML whose attribute "name" is that of a column (OGC 12-007r2).
_NAMED = frozenset(("Data", "SimpleField", "SimpleData", "SimpleArrayField", "SimpleArrayData"))
# Those that GDAL takes for a layer each.
_LAYERS = frozenset(("Document", "Folder"))
_MOST_LAYERS = 1000

_GEOMETRIES = frozenset(
    ("Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection")
)
_GEOJSON = _GEOMETRIES | {"Feature", "FeatureCollection"}
# A name of a CRS by authority and code: EPSG:4326, urn:ogc:def:crs:EPSG::4326 (OGC 07-092r3), http://www.opengis.net/…
_CODE = re.compile(
    r"(?:urn:(?:x-)?ogc:def:crs:([a-z]+):[^:/\s]*:|https?://www\.opengis\.net/def/crs/([a-z]+)/[^/\s]+/|([a-z]+):)"
    r"([a-z0-9]+)",
    re.IGNORECASE,
)


def geojson(data: bytes) -> tuple[bytes, CRS | None]:
    """Return GeoJSON (RFC 7946) written anew, so that GDAL reads just what was looked at here, and its CRS.

    Addresses of a CRS (types link and url of the older GeoJSON 2008) are never followed: a CRS is a name with a code.
    """
    if b"\x00" in data:
        raise RefusedError(Sentence("fault.nul.line", line=nul_line(data)), Sentence("remedy.utf8"))
    text = decode(data)
    if text is None:
        raise RefusedError(Sentence("fault.no_text"), Sentence("remedy.utf8"))
    if sum(map(text.count, "[{,")) > _MOST_MARKS:
        raise RefusedError(Sentence("fault.many_marks", most=Figure(_MOST_MARKS)), Sentence("remedy.only_ours"))
    try:
        root = json.loads(text)
    except RecursionError:
        raise RefusedError(Sentence("fault.nested_json"), Sentence("remedy.export_layer")) from None
    except ValueError as error:
        raise RefusedError(
            Sentence("fault.no_json", reason=str(error)[:100]), Sentence("remedy.export_layer")
        ) from None
    kind = root.get("type") if isinstance(root, dict) else None
    if not isinstance(kind, str) or kind not in _GEOJSON:
        untyped, typed = "fault.json_without_type", "fault.json_of_type"
        fault = Sentence(untyped) if kind is None else Sentence(typed, kind=show(kind))
        raise RefusedError(fault, Sentence("remedy.export_geojson"))
    if len({name for properties in _properties(root) for name in properties}) > MOST_FIELDS:
        raise too_many_fields()
    stated = {json.dumps(crs): crs for crs in _taken_out(root)}
    if len(stated) > 1:
        raise RefusedError(Sentence("fault.several_crs"), Sentence("remedy.plain_crs"))
    crs = _json_crs(next(iter(stated.values()))) if stated else LONLAT
    plain = json.dumps(root, separators=(",", ":"))
    if "\\u0000" in plain:
        _name_nul(root)
    return plain.encode("ascii"), crs


def _taken_out(thing: Any) -> Iterator[Any]:
    """Take the members ``crs`` out of whatever GDAL looks for them in, and yield them."""
    if isinstance(thing, list):
        for one in thing:
            yield from _taken_out(one)
    elif isinstance(thing, dict):
        if "crs" in thing:
            yield thing.pop("crs")
        for key in ("features", "geometry", "geometries"):
            yield from _taken_out(thing.get(key))


def _json_crs(member: Any) -> CRS | None:
    """Return the CRS of GeoJSON 2008; None where it says that the CRS is not known."""
    if member is None:
        return None
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name") if isinstance(properties, dict) and member.get("type") == "name" else None
    if not isinstance(name, str):
        unknown = Sentence("fault.crs_reference.unknown")
        kind = show(member.get("type")) if isinstance(member, dict) else unknown
        raise RefusedError(Sentence("fault.crs_reference", kind=kind), Sentence("remedy.plain_crs"))
    match = _CODE.fullmatch(name.strip())
    try:
        return CRS.from_authority(match[1] or match[2] or match[3], match[4]) if match else _unknown(name)
    except CRSError:
        return _unknown(name)


def _unknown(name: str) -> CRS:
    raise RefusedError(Sentence("fault.crs_unknown", name=show(name)), Sentence("remedy.plain_crs"))


def _properties(root: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield the properties of every feature, empty where it has none."""
    features = root.get("features")
    for feature in features if isinstance(features, list) else [root]:
        properties = feature.get("properties") if isinstance(feature, dict) else None
        yield properties if isinstance(properties, dict) else {}


def _name_nul(root: dict[str, Any]) -> None:
    """Raise for the first NUL in a property; names and values with one would be cut there."""
    for row, properties in enumerate(_properties(root), start=2):
        for name, value in properties.items():
            if "\\u0000" in json.dumps([name, value]):
                column = name.replace("\x00", "\\0")
                fault = Sentence("fault.nul.value", value=show(value))
                raise RefusedError(fault, Sentence("remedy.value_again"), row, column)


def too_many_fields() -> RefusedError:
    """Make the error of a layer of more columns than `MOST_FIELDS`."""
    return RefusedError(Sentence("fault.many_columns", most=Figure(MOST_FIELDS)), Sentence("remedy.fewer_columns"))


def xml(data: bytes, root: str) -> bytes:
    """Return KML or GPX as it is, where its first element is the format's and it holds no more than a layer does."""
    found = first_element(data, _MOST_KML_ELEMENTS if root == "kml" else _MOST_ELEMENTS)
    if found != root:
        fault = Sentence("fault.not_that_xml", kind=root.upper(), found=show(found))
        raise RefusedError(fault, Sentence("remedy.export_as", ending=root))
    return data


def kmz(data: bytes) -> bytes:
    """Return the KML of a KMZ archive (OGC 12-007r2): ``doc.kml``, else the first KML at its root.

    Nothing else of the archive is unpacked, and no path of it is followed; what unpacks to more than a file of KML may
    hold is refused before it is unpacked.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            inside = [part for part in archive.infolist() if part.filename.casefold().endswith(".kml")]
            root = [part for part in inside if "/" not in part.filename.replace("\\", "/")]
            named = [part for part in root if part.filename.casefold() == "doc.kml"]
            if not root:
                raise RefusedError(Sentence("fault.kmz_empty"), Sentence("remedy.export_as", ending="kml"))
            part = (named or root)[0]
            if part.flag_bits & 0x1:
                raise RefusedError(Sentence("fault.encrypted"), Sentence("remedy.export_open"))
            if part.file_size > _MOST_KML_BYTES:
                sizes = {"size": megabytes(part.file_size), "most": megabytes(_MOST_KML_BYTES)}
                raise RefusedError(Sentence("fault.unpacks", **sizes), Sentence("remedy.only_ours"))
            # zipfile unpacks no more than an archive states.
            unpacked = archive.read(part)
    except (zipfile.BadZipFile, NotImplementedError, zlib.error, EOFError, OSError, RuntimeError) as error:
        damaged = Sentence("fault.archive", reason=str(error))
        raise RefusedError(damaged, Sentence("remedy.export_as", ending="kml")) from None
    return xml(unpacked, "kml")


def first_element(data: bytes, most: int = _MOST_ELEMENTS) -> str:
    """Return the name of the first element of XML, without its namespace; refuse what would grow in memory.

    A document type declaration is refused: it may define entities that name files and addresses, or that grow without
    end.
    """
    seen = _Seen(most)
    parser = expat.ParserCreate()
    parser.StartElementHandler = seen.begin
    parser.EndElementHandler = seen.end
    parser.StartDoctypeDeclHandler = seen.declare
    try:
        for start in range(0, len(data), 65_536):
            parser.Parse(data[start : start + 65_536])
    except (expat.ExpatError, ValueError) as error:
        # What is wrong further down is the reader's to say.
        if not seen.first:
            raise RefusedError(Sentence("fault.no_xml", reason=str(error)), Sentence("remedy.export_layer")) from None
    return seen.first


class _Seen:
    """Counts the elements of XML, and their attributes, as they begin and end.

    Attributes
    ----------
    first : str
        Name of the first one; "" before it.
    """

    def __init__(self, most: int) -> None:
        self.first, self._most = "", most
        self._count = self._depth = self._layers = 0
        self._fields: set[str] = set()

    def begin(self, name: str, attributes: dict[str, str]) -> None:
        bare = name.rpartition(":")[2]
        self.first = self.first or bare
        self._count += 1 + len(attributes)
        self._depth += 1
        self._layers += bare in _LAYERS
        self._fields.add(attributes.get("name", "") if bare in _NAMED else bare)
        if self._count > self._most:
            raise RefusedError(Sentence("fault.many_elements", most=Figure(self._most)), Sentence("remedy.only_ours"))
        if self._depth > _DEEPEST:
            raise RefusedError(Sentence("fault.nested_xml"), Sentence("remedy.export_layer"))
        if self._layers > _MOST_LAYERS:
            raise RefusedError(Sentence("fault.many_folders", most=Figure(_MOST_LAYERS)), Sentence("remedy.only_ours"))
        if len(self._fields) > MOST_FIELDS:
            raise too_many_fields()

    def end(self, _: str) -> None:
        self._depth -= 1

    def declare(self, *_: object) -> None:
        raise RefusedError(Sentence("fault.doctype"), Sentence("remedy.export_layer"))


def geopackage(path: Path) -> bytes:
    """Return a GeoPackage (OGC 12-128) whose tables hold what they show.

    Views and computed columns are queries that reading would run, and virtual tables reach out of the file. A database
    that another program has open keeps its latest changes in a log beside it; they are read from a copy, because
    SQLite would write into the folder.
    """
    _refuse_unfinished(path)
    data = bytearray(_with_log(path))
    # Version 2 in the header says that there may be a log, which a database in memory cannot have (SQLite file format).
    if data[18:20] == b"\x02\x02":
        data[18:20] = b"\x01\x01"
    # GDAL knows a file without an ending by its application id; older programs left it out.
    if data[68:72] == b"\x00" * 4:
        data[68:72] = b"GPKG"
    try:
        with closing(sqlite3.connect(":memory:")) as database:
            database.deserialize(bytes(data))
            # What looking at the tables may run is bounded: rules for cells, and values made by functions.
            database.execute("PRAGMA ignore_check_constraints = ON")
            database.execute("PRAGMA trusted_schema = OFF")
            database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MOST_BYTES)
            _refuse_queries(database)
            _refuse_damage(database)
    except (sqlite3.DatabaseError, OverflowError) as error:
        raise RefusedError(Sentence("fault.database", reason=str(error)), Sentence("remedy.export_layer")) from None
    return bytes(data)


def _refuse_unfinished(path: Path) -> None:
    journal = path.with_name(path.name + "-journal")
    if journal.is_file() and barred(journal, _MOST_BYTES) is None and any(journal.open("rb").read(8)):
        raise RefusedError(Sentence("fault.unfinished"), Sentence("remedy.save_there"))


def _with_log(path: Path) -> bytes:
    log = path.with_name(path.name + "-wal")
    if not log.is_file() or not log.stat().st_size or barred(log, _MOST_BYTES, within=path.parent) is not None:
        return path.read_bytes()
    with TemporaryDirectory(prefix="vinemap-") as name:
        copy = Path(name) / "copy.gpkg"
        shutil.copyfile(path, copy)
        shutil.copyfile(log, copy.with_name("copy.gpkg-wal"))
        with closing(sqlite3.connect(copy)) as database:
            database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return copy.read_bytes()


def _refuse_damage(database: sqlite3.Connection) -> None:
    damage = [row[0] for row in database.execute("PRAGMA quick_check(1)") if str(row[0]).startswith("***")]
    if damage:
        raise sqlite3.DatabaseError(" ".join(str(damage[0]).split())[:100])


def _refuse_queries(database: sqlite3.Connection) -> None:
    entries = database.execute("SELECT type, name, sql FROM sqlite_master").fetchall()
    if sum(kind == "table" for kind, _, _ in entries) > _MOST_LAYERS:
        raise RefusedError(Sentence("fault.many_tables", most=Figure(_MOST_LAYERS)), Sentence("remedy.only_ours"))
    for kind, name, sql in entries:
        if kind == "view":
            raise RefusedError(Sentence("fault.view", name=show(name)), Sentence("remedy.own_table"))
        virtual = re.match(r"\s*CREATE\s+VIRTUAL\s+TABLE\b.*?\bUSING\s+(\w+)", sql or "", re.IGNORECASE | re.DOTALL)
        if virtual is not None and virtual[1].casefold() != "rtree":
            raise RefusedError(Sentence("fault.virtual", name=show(name)), Sentence("remedy.own_table"))
        if kind == "table" and virtual is None:
            quoted = str(name).replace('"', '""')
            columns = database.execute(f'PRAGMA table_xinfo("{quoted}")').fetchall()
            computed = [column[1] for column in columns if column[6] in (2, 3)]
            if computed:
                fault = Sentence("fault.computed", name=show(name), column=show(computed[0]))
                raise RefusedError(fault, Sentence("remedy.own_table"))
    if any(name == "gpkg_spatial_ref_sys" for _, name, _ in entries):
        for row in database.execute("SELECT * FROM gpkg_spatial_ref_sys"):
            if any(isinstance(cell, str) and opens_files(cell) for cell in row):
                raise RefusedError(Sentence("fault.own_files"), Sentence("remedy.plain_crs"))


def shapefile(path: Path) -> bytes:
    """Return a shapefile with the companions that shapes and columns need, as an archive in memory."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for other in sorted(path.parent.iterdir()):
            ending = other.suffix.lower()
            if other.stem != path.stem or ending not in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
                continue
            fault = barred(other, _MOST_BYTES, within=path.parent)
            if fault is not None:
                raise RefusedError(Sentence("fault.companion", name=other.name, fault=fault[0]), fault[1])
            data = other.read_bytes()
            if ending == ".prj" and opens_files(data.decode("utf-8", "replace")):
                raise RefusedError(Sentence("fault.own_files"), Sentence("remedy.plain_crs"))
            archive.writestr(path.stem + ending, data)
    return whole.getvalue()


def flatgeobuf(data: bytes) -> bytes:
    """Return a FlatGeobuf file whose header, which holds the CRS, names no files."""
    (length,) = struct.unpack_from("<I", data, 8) if len(data) >= 12 else (0,)
    if opens_files(data[12 : 12 + length].decode("utf-8", "replace")):
        raise RefusedError(Sentence("fault.own_files"), Sentence("remedy.plain_crs"))
    return data
