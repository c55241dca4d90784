"""A file from somebody else is read or refused; it never writes, calls, or has another file read."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import struct
import urllib.error
import urllib.request
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow
import pyogrio
import pytest
import rasterio
import shapely
from pyarrow import parquet
from pyproj import CRS

import vinemap
from tests.builders import blocks, only_problem, problems, samples, write_elevation, write_vineyard
from tests.reading.strangers import Counter, counting, state
from vinemap.reading.drivers import only
from vinemap.reading.vineyard import read_vineyard

Attack = Callable[[Path, str], None]


@pytest.fixture(scope="module")
def counter(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Counter]:
    with counting(tmp_path_factory.mktemp("server") / "log") as server:
        yield server


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder that holds a vineyard, and beside it a layer and a pipe that are no business of the vineyard's."""
    (tmp_path / "vineyard").mkdir()
    write_vineyard(tmp_path / "vineyard")
    blocks().to_crs(4326).to_file(tmp_path / "other.gpkg", layer="blocks")
    os.mkfifo(tmp_path / "pipe")
    return tmp_path


def _virtual(source: str, more: str = "") -> str:
    layer = f'<OGRVRTLayer name="blocks"><SrcDataSource>{source}</SrcDataSource>{more}</OGRVRTLayer>'
    return f'<?xml version="1.0"?>\n<OGRVRTDataSource>{layer}</OGRVRTDataSource>'


def virtual_layer_that_writes(folder: Path, url: str) -> None:
    """Written stolen.gpkg beside the vineyard."""
    sql = f"<SrcSQL>VACUUM INTO '{folder.parent}/stolen.gpkg'</SrcSQL>"
    (folder / "blocks.kml").write_text(_virtual(f"{folder.parent}/other.gpkg", sql))


def virtual_layer_that_reads(folder: Path, url: str) -> None:
    (folder / "blocks.kml").write_text(_virtual(f"{folder.parent}/other.gpkg"))


def virtual_layer_that_calls(folder: Path, url: str) -> None:
    (folder / "blocks.kml").write_text(_virtual(f"/vsicurl/{url}/a.geojson"))


def virtual_rows_that_call(folder: Path, url: str) -> None:
    (folder / "rows.kml").write_text(_virtual(f"/vsicurl/{url}/a.geojson"))


def virtual_points_that_call(folder: Path, url: str) -> None:
    (folder / "samples.gpx").write_text(_virtual(f"/vsicurl/{url}/a.geojson"))


def pipeline_that_reads(folder: Path, url: str) -> None:
    steps = f"gdal vector pipeline ! read {folder.parent}/other.gpkg ! reproject --dst-crs EPSG:4326"
    (folder / "blocks.geojson").write_text(json.dumps({"type": "gdal_streamed_alg", "command_line": steps}))


def pipeline_that_calls(folder: Path, url: str) -> None:
    steps = f"gdal vector pipeline ! read /vsicurl/{url}/a.geojson ! reproject --dst-crs EPSG:4326"
    (folder / "blocks.geojson").write_text(json.dumps({"type": "gdal_streamed_alg", "command_line": steps}))


def _collection(**more: object) -> dict[str, Any]:
    layer = json.loads(blocks().to_crs(4326).to_json())
    layer.pop("crs", None)
    return {**layer, **more}


def crs_by_link(folder: Path, url: str) -> None:
    crs = {"type": "link", "properties": {"href": f"{url}/crs", "type": "ogcwkt"}}
    (folder / "blocks.geojson").write_text(json.dumps(_collection(crs=crs)))


def crs_by_url(folder: Path, url: str) -> None:
    crs = {"type": "url", "properties": {"url": f"{url}/crs"}}
    (folder / "blocks.geojson").write_text(json.dumps(_collection(crs=crs)))


def crs_by_link_in_a_shape(folder: Path, url: str) -> None:
    layer = _collection()
    crs = {"type": "link", "properties": {"href": f"{url}/crs", "type": "ogcwkt"}}
    layer["features"][0]["geometry"]["crs"] = crs
    (folder / "blocks.geojson").write_text(json.dumps(layer))


def crs_that_is_a_pipe(folder: Path, url: str) -> None:
    crs = {"type": "name", "properties": {"name": f"+init={folder.parent}/pipe:a"}}
    (folder / "blocks.geojson").write_text(json.dumps(_collection(crs=crs)))


def _shifted(folder: Path) -> str:
    """WKT of a CRS whose datum is shifted by a grid that is a pipe."""
    crs = CRS.from_user_input(f"+proj=utm +zone=18 +ellps=clrk66 +nadgrids={folder.parent}/pipe +type=crs")
    return str(crs.to_wkt("WKT1_GDAL"))


def grid_of_shifts_of_a_shapefile(folder: Path, url: str) -> None:
    blocks().to_file(folder / "blocks.shp")
    (folder / "blocks.prj").write_text(_shifted(folder))


def grid_of_shifts_of_a_geopackage(folder: Path, url: str) -> None:
    blocks().to_file(folder / "blocks.gpkg", layer="blocks")
    with sqlite3.connect(folder / "blocks.gpkg") as database:
        database.execute("UPDATE gpkg_spatial_ref_sys SET definition = ?, organization = 'x'", [_shifted(folder)])


def grid_of_shifts_of_parquet(folder: Path, url: str) -> None:
    blocks().set_crs(_shifted(folder), allow_override=True).to_parquet(folder / "blocks.parquet")


def grid_of_shifts_of_flatgeobuf(folder: Path, url: str) -> None:
    own = CRS.from_user_input("+proj=tmerc +lat_0=1 +lon_0=-75 +datum=WGS84 +type=crs").to_wkt("WKT1_GDAL")
    own = own.replace("unknown", "unknown " + "Q" * 400, 1)
    blocks().set_crs(own, allow_override=True).to_file(folder / "blocks.fgb", driver="FlatGeobuf")
    written = (folder / "blocks.fgb").read_bytes()
    start = written.index(b"PROJC")
    length = int.from_bytes(written[start - 4 : start], "little")
    grids = _shifted(folder).encode().ljust(length)
    assert len(grids) == length
    (folder / "blocks.fgb").write_bytes(written[:start] + grids + written[start + length :])


def grid_of_shifts_of_the_settings(folder: Path, url: str) -> None:
    (folder / "vinemap.toml").write_text(f"metric_crs = '{_shifted(folder)}'\n")


def query_in_a_geopackage(folder: Path, url: str) -> None:
    blocks().to_crs(4326).to_file(folder / "blocks.gpkg", layer="hidden")
    view = f"SELECT fid, geom, block, gdal_get_pixel_value('/vsicurl/{url}/a', 1, 'georef', 1, 1) AS variety"
    with sqlite3.connect(folder / "blocks.gpkg") as database:
        database.execute(f"CREATE VIEW blocks AS {view} FROM hidden")
        database.execute("UPDATE gpkg_contents SET table_name = 'blocks'")
        database.execute("UPDATE gpkg_geometry_columns SET table_name = 'blocks'")


def journal_that_names_another_file(folder: Path, url: str) -> None:
    """SQLite deletes the file that a journal names (SQLite file format, §3 "The Rollback Journal")."""
    blocks().to_crs(4326).to_file(folder / "blocks.gpkg", layer="blocks")
    name = str(folder.parent / "other.gpkg").encode()
    magic = bytes.fromhex("d9d505f920a163d7")
    head = (magic + struct.pack(">5I", 0, 1, 20, 512, 4096)).ljust(512, b"\0")
    tail = struct.pack(">I", 0x40000000 // 4096 + 1) + name + struct.pack(">2I", len(name), sum(name)) + magic
    (folder / "blocks.gpkg-journal").write_bytes(head + tail)


def computed_column(folder: Path, url: str) -> None:
    """SQLite would fill the memory with zeros for each row."""
    blocks().to_crs(4326).to_file(folder / "blocks.gpkg", layer="blocks")
    with sqlite3.connect(folder / "blocks.gpkg") as database:
        database.execute("ALTER TABLE blocks ADD COLUMN variety AS (hex(zeroblob(400000000)))")


def entity_that_is_a_file(folder: Path, url: str) -> None:
    head = f"<!DOCTYPE kml SYSTEM '{url}/dtd' [<!ENTITY x SYSTEM '{folder.parent}/other.gpkg'>]>"
    (folder / "blocks.kml").write_text(f'<?xml version="1.0"?>{head}<kml><Document><name>&x;</name></Document></kml>')


def entities_without_end(folder: Path, url: str) -> None:
    grown = "".join(f"<!ENTITY a{n} '{f'&a{n - 1};' * 10}'>" for n in range(1, 10))
    head = f"<!DOCTYPE gpx [<!ENTITY a0 'frostfrost'>{grown}]>"
    (folder / "samples.gpx").write_text(f'<?xml version="1.0"?>{head}<gpx><wpt lat="1" lon="1"><name>&a9;</name></wpt>')


def collections_in_collections(folder: Path, url: str) -> None:
    """GEOS ends the process at a few thousand of them."""
    deep = struct.pack("<BII", 1, 7, 1) * 50_000 + shapely.to_wkb(shapely.Point(0, 0))
    column = {"encoding": "WKB", "geometry_types": []}
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    table = pyarrow.table({"block": ["Ash"], "geometry": pyarrow.array([deep], pyarrow.binary())})
    parquet.write_table(table.replace_schema_metadata({"geo": json.dumps(geo)}), folder / "blocks.parquet")


def link_to_another_file(folder: Path, url: str) -> None:
    (folder / "blocks.gpkg").symlink_to(folder.parent / "other.gpkg")


def companion_elsewhere(folder: Path, url: str) -> None:
    blocks().to_file(folder / "blocks.shp")
    shutil.move(folder / "blocks.dbf", folder.parent / "blocks.dbf")
    (folder / "blocks.dbf").symlink_to(folder.parent / "blocks.dbf")


def file_above_the_folder(folder: Path, url: str) -> None:
    (folder / "vinemap.toml").write_text('[files]\nblocks = "../other.gpkg"\n')


def file_by_its_whole_path(folder: Path, url: str) -> None:
    (folder / "vinemap.toml").write_text(f'[files]\nblocks = "{folder.parent}/other.gpkg"\n')


def file_in_an_archive(folder: Path, url: str) -> None:
    (folder / "vinemap.toml").write_text('[files]\nblocks = "zip:../other.zip!other.gpkg"\n')


def file_on_a_server(folder: Path, url: str) -> None:
    (folder / "vinemap.toml").write_text(f'[files]\nblocks = "/vsicurl/{url}/a.gpkg"\n')


def blocks_that_are_a_pipe(folder: Path, url: str) -> None:
    os.mkfifo(folder / "blocks.kml")


def _kmz(folder: Path, parts: dict[str, bytes]) -> Path:
    path = folder / "blocks.kmz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path


def archive_that_swells(folder: Path, url: str) -> None:
    _kmz(folder, {"doc.kml": b"<kml>" + b" " * 60_000_000})


def archive_that_states_less_than_it_holds(folder: Path, url: str) -> None:
    path = _kmz(folder, {"doc.kml": b"<kml>" + b" " * 60_000_000})
    held, stated = struct.pack("<I", 60_000_005), struct.pack("<I", 1000)
    path.write_bytes(path.read_bytes().replace(held, stated))


def archive_that_leads_out(folder: Path, url: str) -> None:
    _kmz(folder, {"../doc.kml": b"<kml/>", "files/doc.kml": b"<kml/>"})


def archive_with_orders_inside(folder: Path, url: str) -> None:
    _kmz(folder, {"doc.kml": _virtual(f"{folder.parent}/other.gpkg").encode()})


def settings_that_are_a_pipe(folder: Path, url: str) -> None:
    os.mkfifo(folder / "vinemap.toml")


_ATTACKS = {
    virtual_layer_that_writes: "blocks.kml: is not KML",
    virtual_layer_that_reads: "blocks.kml: is not KML",
    virtual_layer_that_calls: "blocks.kml: is not KML",
    virtual_rows_that_call: "rows.kml: is not KML",
    virtual_points_that_call: "samples.gpx: is not GPX",
    pipeline_that_reads: "blocks.geojson: is JSON of type 'gdal_streamed_alg'",
    pipeline_that_calls: "blocks.geojson: is JSON of type 'gdal_streamed_alg'",
    crs_by_link: "blocks.geojson: states its CRS by a reference ('link')",
    crs_by_url: "blocks.geojson: states its CRS by a reference ('url')",
    crs_by_link_in_a_shape: "blocks.geojson: states its CRS by a reference ('link')",
    crs_that_is_a_pipe: "blocks.geojson: states the CRS '+init=",
    grid_of_shifts_of_a_shapefile: "blocks.shp: states a CRS that has a file of its own opened",
    grid_of_shifts_of_a_geopackage: "blocks.gpkg: states a CRS that has a file of its own opened",
    grid_of_shifts_of_parquet: "blocks.parquet: states a CRS that has a file of its own opened",
    grid_of_shifts_of_flatgeobuf: "blocks.fgb: states a CRS that has a file of its own opened",
    grid_of_shifts_of_the_settings: "vinemap.toml: metric_crs: ",
    query_in_a_geopackage: "blocks.gpkg: holds the query (view) 'blocks'",
    journal_that_names_another_file: "blocks.gpkg: was left in the middle of being saved",
    computed_column: "blocks.gpkg: the table 'blocks' computes the column 'variety'",
    entity_that_is_a_file: "blocks.kml: has a document type declaration",
    entities_without_end: "samples.gpx: has a document type declaration",
    collections_in_collections: "blocks.parquet: holds shapes that are no plain points",
    link_to_another_file: "blocks.gpkg: leads out of the vineyard's folder",
    companion_elsewhere: "blocks.shp: its companion blocks.dbf leads out of the vineyard's folder",
    file_above_the_folder: "vinemap.toml: files.blocks: '../other.gpkg' lies outside the vineyard's folder",
    file_by_its_whole_path: "vinemap.toml: files.blocks: ",
    file_in_an_archive: "vinemap.toml: files.blocks: there is no file",
    file_on_a_server: "vinemap.toml: files.blocks: ",
    blocks_that_are_a_pipe: "blocks.kml: is a pipe or a device",
    archive_that_swells: "blocks.kmz: unpacks to 60 MB",
    archive_that_states_less_than_it_holds: "blocks.kmz: the archive is damaged",
    archive_that_leads_out: "blocks.kmz: holds no KML at the root of the archive",
    archive_with_orders_inside: "blocks.kmz: is not KML",
    settings_that_are_a_pipe: "vinemap.toml: is a pipe or a device",
}


@pytest.mark.filterwarnings("ignore:pyproj unable to set")
@pytest.mark.parametrize("attack", _ATTACKS, ids=lambda attack: attack.__name__)
def test_a_file_gives_no_orders(home: Path, counter: Counter, attack: Attack) -> None:
    """The file is refused with its name and the cause; nothing is written, no server asked, no pipe waited for."""
    folder = home / "vineyard"
    attack(folder, counter.url)
    replaced = {path.stem for path in folder.iterdir() if path.name not in ("blocks.geojson", "samples.csv")}
    if attack not in (pipeline_that_reads, pipeline_that_calls) and "blocks" in replaced:
        (folder / "blocks.geojson").unlink()
    if "samples" in replaced:
        (folder / "samples.csv").unlink()
    before = state(home)
    assert problems(folder)[0].startswith(_ATTACKS[attack])
    assert state(home) == before
    assert counter.asked() == []


def test_the_counter_counts(tmp_path: Path) -> None:
    """A server that nobody asked would prove nothing if it did not write down who does."""
    with counting(tmp_path / "log") as server:
        with pytest.raises(urllib.error.HTTPError):
            urllib.request.urlopen(f"{server.url}/asked")  # noqa: S310
        assert server.asked() == ["/asked"]


def test_one_driver_alone_opens_a_file(home: Path) -> None:
    """Inside the door GDAL has one driver, and orders in another's language are no layer; outside it has all again."""
    before = pyogrio.list_drivers()
    order = _virtual(f"{home}/other.gpkg").encode()
    with only(("LIBKML",)):
        assert set(pyogrio.list_drivers()) == {"LIBKML"}
        with pytest.raises(pyogrio.errors.DataSourceError):
            pyogrio.list_layers(order)
    assert pyogrio.list_drivers() == before
    assert len(pyogrio.list_layers(order)) == 1


def test_a_database_that_another_program_has_open(home: Path) -> None:
    """Changes that stand in the log beside a GeoPackage are read, and no file of the folder changes for it."""
    folder = home / "vineyard"
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.gpkg", layer="blocks")
    editor = sqlite3.connect(folder / "blocks.gpkg")
    try:
        editor.execute("PRAGMA journal_mode = WAL")
        for trigger in editor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            editor.execute(f'DROP TRIGGER "{trigger[0]}"')
        editor.execute("UPDATE blocks SET block = 'Alder' WHERE block = 'Ash'")
        editor.commit()
        before = state(home)
        assert set(read_vineyard(folder).site.blocks["block"]) == {"Alder", "Birch", "Cedar"}
        assert state(home) == before
    finally:
        editor.close()


def test_a_nul_in_json_is_named(home: Path) -> None:
    """A NUL, raw or escaped, would cut a name where it stands; the line or the feature that holds it is named."""
    path = home / "vineyard" / "blocks.geojson"
    text = path.read_text()
    path.write_text(text.replace("Birch", "Bir\\u0000ch"))
    assert problems(home / "vineyard") == [
        "blocks.geojson:3: block: 'Bir\\x00ch' holds a NUL character; type the value again"
    ]
    path.write_text("\n\n" + text.replace("Birch", "Bir\x00ch"))
    line = 2 + text[: text.index("Birch")].count("\n") + 1
    assert problems(home / "vineyard") == [
        f"blocks.geojson: line {line} holds a NUL character (a byte of 0); save it again as UTF-8"
    ]


@pytest.mark.parametrize(
    "name", ["EPSG:32618", "urn:ogc:def:crs:EPSG::32618", "http://www.opengis.net/def/crs/EPSG/0/32618"]
)
def test_a_crs_by_its_code(home: Path, name: str) -> None:
    """The names of a CRS that GeoJSON 2008 and OGC 07-092r3 give are understood without an address being asked."""
    path = home / "vineyard" / "blocks.geojson"
    layer = json.loads(blocks().to_json())
    path.write_text(json.dumps({**layer, "crs": {"type": "name", "properties": {"name": name}}}))
    assert read_vineyard(home / "vineyard").site.blocks["area_ha"].to_numpy() == pytest.approx([1.0] * 3, rel=1e-6)


def test_what_a_layer_keeps_beside_its_shapes(home: Path) -> None:
    """A property called crs is a property, and null as the CRS says that it is not known."""
    path = home / "vineyard" / "blocks.geojson"
    layer = json.loads(blocks(crs="a", variety="Riesling").to_crs(4326).to_json())
    path.write_text(json.dumps({**layer, "crs": None}))
    vineyard = read_vineyard(home / "vineyard")
    assert vineyard.warnings == (
        "blocks.geojson: columns not used: 'id', 'crs'.",
        "blocks.geojson states no CRS: its coordinates were taken as longitude and latitude (EPSG:4326).",
    )
    assert set(vineyard.site.blocks["variety"]) == {"Riesling"}


def test_samples_of_a_tracked_walk(home: Path) -> None:
    """GPX (Topografix 1.1) with extensions and more than waypoints is read through the narrow door."""
    folder = home / "vineyard"
    (folder / "samples.csv").unlink()
    points = samples().to_crs(4326).rename(columns={"sample": "name"})
    gpd.GeoDataFrame(points).to_file(folder / "samples.gpx", driver="GPX", layer="waypoints")
    text = (folder / "samples.gpx").read_text()
    (folder / "samples.gpx").write_text(text.replace("</gpx>", "<trk><trkseg/></trk><!-- walked --></gpx>"))
    assert len(read_vineyard(folder).samples) == 6


def _json_blocks(folder: Path, *rings: list[list[float]], **members: object) -> None:
    """Write blocks of one ring each, in longitude and latitude, with other members of the collection."""
    found = [
        {
            "type": "Feature",
            "properties": {"block": f"B{k}"},
            "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
        }
        for k, ring in enumerate(rings)
    ]
    (folder / "blocks.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": found, **members}))


def _square(folder: Path) -> list[list[float]]:
    x, y = gpd.read_file(folder / "blocks.geojson").to_crs(4326).geometry.iloc[0].centroid.coords[0]
    return [[x, y], [x + 1e-3, y], [x + 1e-3, y + 1e-3], [x, y + 1e-3]]


def json_of_brackets(folder: Path) -> None:
    """A list takes thirty times the memory of the three letters that it is written with."""
    text = '{"type": "FeatureCollection", "x": [' + "[]," * 1_300_000
    (folder / "blocks.geojson").write_text(text + "[]]}")


def json_of_many_columns(folder: Path) -> None:
    features = [{"type": "Feature", "geometry": None, "properties": {f"p{k}": k}} for k in range(1001)]
    _json_blocks(folder, features=features)


def database_of_many_columns(folder: Path) -> None:
    """pyogrio makes room in every column for as many rows as it may read."""
    (folder / "blocks.geojson").unlink()
    wide = blocks().join(pd.DataFrame({f"c{k}": ["x"] * 3 for k in range(1001)}))
    wide.to_file(folder / "blocks.gpkg", layer="blocks")


def database_of_many_tables(folder: Path) -> None:
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.gpkg", layer="blocks")
    with closing(sqlite3.connect(folder / "blocks.gpkg")) as database:
        database.executescript("".join(f"CREATE TABLE t{k} (a);" for k in range(1000)))


def settings_of_one_long_line(folder: Path) -> None:
    (folder / "vinemap.toml").write_text(f'name = "{"x" * 99_000}"')


def settings_of_a_number_without_end(folder: Path) -> None:
    (folder / "vinemap.toml").write_text(f"name = 0x{'f' * 90_000}")


def _kml(folder: Path, inside: str) -> None:
    (folder / "blocks.geojson").unlink()
    (folder / "blocks.kml").write_text(f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{inside}')


def kml_of_many_columns(folder: Path) -> None:
    fields = "".join(f'<SimpleField name="f{k}" type="string"/>' for k in range(1001))
    _kml(folder, f'<Schema name="a" id="a">{fields}</Schema></Document></kml>')


def kml_of_many_layers(folder: Path) -> None:
    _kml(folder, "<Folder/>" * 1001 + "</Document></kml>")


def kml_of_deep_elements(folder: Path) -> None:
    _kml(folder, "<Placemark>" * 101)


def kml_of_many_elements(folder: Path) -> None:
    _kml(folder, "<a/>" * 1_000_001)


def kml_of_many_corners(folder: Path) -> None:
    (folder / "blocks.geojson").unlink()
    (folder / "blocks.kml").touch()
    os.truncate(folder / "blocks.kml", 31_000_000)


def gpx_of_many_elements(folder: Path) -> None:
    (folder / "samples.csv").unlink()
    (folder / "samples.gpx").write_text('<gpx version="1.1">' + "<a/>" * 2_000_001)


def outline_that_crosses_itself(folder: Path) -> None:
    """Mending it would make a corner of each crossing: of n edges without order a sixth of n² cross."""
    (x, y), *_ = _square(folder)
    places = np.random.default_rng(1).random((2000, 2)) * 1e-3
    _json_blocks(folder, (places + np.array([x, y])).tolist())


def outlines_on_each_other(folder: Path) -> None:
    _json_blocks(folder, *[_square(folder)] * 700)


def outlines_of_many_corners_on_each_other(folder: Path) -> None:
    (x, y), *_ = _square(folder)
    turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    ring = np.column_stack([x + 1e-3 * np.cos(turn), y + 1e-3 * np.sin(turn)]).tolist()
    _json_blocks(folder, *[ring] * 30)


def protection_that_crosses_itself(folder: Path) -> None:
    (x, y), *_ = _square(folder)
    ring = (np.random.default_rng(1).random((2000, 2)) * 1e-3 + np.array([x, y])).tolist()
    _write_protection(folder, [ring])


def row_that_crosses_itself(folder: Path) -> None:
    """Cutting it by a block would make a corner of each crossing."""
    (x, y), *_ = _square(folder)
    line = (np.random.default_rng(1).random((2000, 2)) * 1e-3 + np.array([x, y])).tolist()
    feature = {"type": "Feature", "properties": {"row": 1}, "geometry": {"type": "LineString", "coordinates": line}}
    (folder / "rows.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))


def protection_on_each_other(folder: Path) -> None:
    _write_protection(folder, [_square(folder)] * 700)


def _write_protection(folder: Path, rings: list[list[list[float]]]) -> None:
    features = [
        {
            "type": "Feature",
            "properties": {"kind": "cover", "ran": "yes"},
            "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
        }
        for ring in rings
    ]
    (folder / "protection.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))


def workbook_of_one_long_text(folder: Path) -> None:
    """A workbook holds a text once, however many cells it stands in."""
    (folder / "buds.csv").unlink()
    rows = [("A1", 1, node, "LONG") for node in range(1, 13)]
    pd.DataFrame(rows, columns=["sample", "cane", "node", "primary"]).to_excel(folder / "short.xlsx", index=False)
    main = "openxmlformats.org/spreadsheetml/2006/main"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    override = f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>'
    with zipfile.ZipFile(folder / "short.xlsx") as short, zipfile.ZipFile(folder / "buds.xlsx", "w") as long:
        for name in short.namelist():
            text = short.read(name).decode().replace("</Types>", override)
            long.writestr(name, text.replace('t="inlineStr"><is><t>LONG</t></is>', 't="s"><v>0</v>'))
        text = f'<sst xmlns="http://schemas.{main}" count="12" uniqueCount="1"><si><t>{"x" * 4_900_000}</t></si></sst>'
        long.writestr("xl/sharedStrings.xml", text)
    (folder / "short.xlsx").unlink()


def _write_parquet(folder: Path, rows: int, **columns: pyarrow.Array) -> None:
    (folder / "blocks.geojson").unlink()
    shapes = pyarrow.array([shapely.to_wkb(blocks().geometry.iloc[0])] * rows, pyarrow.binary())
    column = {"encoding": "WKB", "geometry_types": []}
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    table = pyarrow.table({**columns, "geometry": shapes}).replace_schema_metadata({"geo": json.dumps(geo)})
    parquet.write_table(table, folder / "blocks.parquet", dictionary_pagesize_limit=1 << 30, store_schema=False)


def parquet_of_one_long_text(folder: Path) -> None:
    """A dictionary says which text each cell holds; unpacked, every cell holds its own."""
    names = pyarrow.DictionaryArray.from_arrays(pyarrow.array(np.zeros(400, np.int32)), pyarrow.array(["x" * 300_000]))
    _write_parquet(folder, 400, block=names)
    assert (folder / "blocks.parquet").stat().st_size < 1_000_000


def parquet_of_one_long_list(folder: Path) -> None:
    """A run of equal numbers takes a few bytes, however long it is."""
    ends, zeros = pyarrow.array([0, 6_000_001], pyarrow.int32()), pyarrow.array(np.zeros(6_000_001, np.int8))
    _write_parquet(folder, 1, block=pyarrow.array(["Ash"]), more=pyarrow.ListArray.from_arrays(ends, zeros))


def parquet_of_texts_in_a_cell(folder: Path) -> None:
    _write_parquet(folder, 1, block=pyarrow.array(["Ash"]), more=pyarrow.array([["a", "b"]]))


def parquet_of_many_columns(folder: Path) -> None:
    _write_parquet(folder, 1, **{f"c{k}": pyarrow.array(["x"]) for k in range(1001)})


_SWOLLEN = {
    protection_that_crosses_itself: "protection.geojson:2: geometry: the shape has very many parts, or crosses",
    row_that_crosses_itself: "rows.geojson:2: geometry: the line crosses itself in very many places",
    protection_on_each_other: "protection.geojson: geometry: very many shapes lie on each other",
    workbook_of_one_long_text: "buds.xlsx: holds more than 50,000,000 letters",
    parquet_of_one_long_text: "blocks.parquet: unpacks to more than 100 MB",
    parquet_of_one_long_list: "blocks.parquet: holds more than 6,000,000 cells",
    parquet_of_texts_in_a_cell: "blocks.parquet: holds lists of text in a cell",
    parquet_of_many_columns: "blocks.parquet: has more than 1,000 columns",
    json_of_brackets: "blocks.geojson: holds more than 2,500,000 brackets and commas",
    json_of_many_columns: "blocks.geojson: has more than 1,000 columns",
    database_of_many_columns: "blocks.gpkg: has more than 1,000 columns",
    database_of_many_tables: "blocks.gpkg: holds more than 1,000 tables",
    settings_of_one_long_line: "vinemap.toml:1: name: ",
    settings_of_a_number_without_end: "vinemap.toml: is not valid TOML: a number has thousands of digits",
    kml_of_many_columns: "blocks.kml: has more than 1,000 columns",
    kml_of_many_layers: "blocks.kml: holds more than 1,000 folders",
    kml_of_deep_elements: "blocks.kml: has its elements nested too deeply",
    kml_of_many_elements: "blocks.kml: holds more than 1,000,000 elements",
    kml_of_many_corners: "blocks.kml: holds 31 MB, and at most 30 MB are read",
    gpx_of_many_elements: "samples.gpx: holds more than 2,000,000 elements",
    outline_that_crosses_itself: "blocks.geojson:2: geometry: the outline of 'B0' has very many parts, or crosses",
    outlines_on_each_other: "blocks.geojson: geometry: very many outlines lie on each other",
    outlines_of_many_corners_on_each_other: "blocks.geojson: geometry: very many outlines lie on each other",
}


@pytest.mark.parametrize("attack", _SWOLLEN, ids=lambda attack: attack.__name__)
def test_a_file_does_not_fill_the_memory(home: Path, attack: Callable[[Path], None]) -> None:
    """What would take gigabytes or minutes to read is refused with the reason, before it is read."""
    attack(home / "vineyard")
    assert problems(home / "vineyard")[0].startswith(_SWOLLEN[attack])


def test_a_database_that_states_too_few_rows(home: Path) -> None:
    """A program that added a block without counting it anew loses none."""
    folder = home / "vineyard"
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.gpkg", layer="blocks")
    with closing(sqlite3.connect(folder / "blocks.gpkg")) as database:
        database.execute("UPDATE gpkg_ogr_contents SET feature_count = 1")
        database.commit()
    assert len(read_vineyard(folder).site.blocks) == 3


def test_many_samples_of_another_block(home: Path) -> None:
    """Past fifty, samples that state another block are counted."""
    folder = home / "vineyard"
    (x, y), *_ = _square(folder)
    rows = [f"S{k},{x},{y},Elm" for k in range(60)]
    (folder / "samples.csv").write_text("\n".join(["sample,lon,lat,block", *rows]))
    (folder / "buds.csv").write_text("\n".join(["sample,primary", *(f"S{k},dead" for k in range(60))]))
    told = [word for word in read_vineyard(folder).warnings if "said to be" in word]
    assert len(told) == 51
    assert told[-1] == "10 more samples are said to be from other blocks than their points lie in."


def _masked(folder: Path, source: str) -> None:
    """A grid whose mask is a virtual layer, which GDAL opens by any driver (GDAL's documentation of .msk files)."""
    write_elevation(folder / "elevation.tif")
    flags = '<Metadata><MDI key="INTERNAL_MASK_FLAGS_1">2</MDI></Metadata>'
    band = f"<SimpleSource><SourceFilename>{source}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>"
    text = f'{flags}<VRTRasterBand dataType="Byte" band="1">{band}</VRTRasterBand>'
    (folder / "elevation.tif.msk").write_text(f'<VRTDataset rasterXSize="60" rasterYSize="60">{text}</VRTDataset>')


def mask_that_calls(folder: Path, url: str) -> None:
    _masked(folder, f"/vsicurl/{url}/mask.tif")


def grid_that_is_virtual(folder: Path, url: str) -> None:
    (folder / "elevation.tif").write_text(f'<VRTDataset rasterXSize="1" rasterYSize="1">{url}</VRTDataset>')


def keys_that_name_a_pipe(folder: Path, url: str) -> None:
    """GeoTIFF keys may spell a CRS out as WKT, here with a grid of shifts."""
    own = str(CRS.from_user_input("+proj=tmerc +lat_0=1 +lon_0=-75 +datum=WGS84 +type=crs").to_wkt("WKT1_ESRI"))
    own = own.replace("unknown", "Q" * 500, 1)
    write_elevation(folder / "elevation.tif", crs=own, GEOTIFF_KEYS_FLAVOR="ESRI_PE")
    written = (folder / "elevation.tif").read_bytes()
    start = written.index(b"PROJCS[")
    length = written.index(b"|", start) - start
    grids = _shifted(folder).encode().ljust(length)
    assert len(grids) == length
    (folder / "elevation.tif").write_bytes(written[:start] + grids + written[start + length :])


def notes_that_name_a_pipe(folder: Path, url: str) -> None:
    write_elevation(folder / "elevation.tif", crs=None)
    notes = f"<PAMDataset><SRS>{_shifted(folder).replace('<', '&lt;')}</SRS></PAMDataset>"
    (folder / "elevation.tif.aux.xml").write_text(notes)


def notes_with_entities(folder: Path, url: str) -> None:
    write_elevation(folder / "elevation.tif")
    head = f"<!DOCTYPE PAMDataset SYSTEM '{url}/dtd'>"
    (folder / "elevation.tif.aux.xml").write_text(f"{head}<PAMDataset/>")


def notes_that_are_a_pipe(folder: Path, url: str) -> None:
    write_elevation(folder / "elevation.tif")
    os.mkfifo(folder / "elevation.tif.aux.xml")


_ON_GRIDS = {
    mask_that_calls: "elevation.tif: has its gaps in a mask of its own, elevation.tif.msk",
    grid_that_is_virtual: "elevation.tif: is plain text by its content",
    keys_that_name_a_pipe: "elevation.tif: states a CRS that has a file of its own opened",
    notes_that_name_a_pipe: "elevation.tif: states a CRS that has a file of its own opened",
    notes_with_entities: "elevation.tif: its companion elevation.tif.aux.xml cannot be read",
    notes_that_are_a_pipe: "elevation.tif: its companion elevation.tif.aux.xml is a pipe or a device",
}


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize("attack", _ON_GRIDS, ids=lambda attack: attack.__name__)
def test_a_grid_gives_no_orders(home: Path, counter: Counter, attack: Attack) -> None:
    """The grid is refused with the cause; nothing is written, no server asked, no pipe waited for."""
    folder = home / "vineyard"
    attack(folder, counter.url)
    before = state(home)
    assert only_problem(folder).startswith(_ON_GRIDS[attack])
    assert state(home) == before
    assert counter.asked() == []


def test_rules_for_cells_are_not_run(home: Path) -> None:
    """A CHECK may compute for hours; here it would end in an error (SQLite: abs() of the least integer overflows)."""
    folder = home / "vineyard"
    (folder / "blocks.geojson").unlink()
    blocks().to_crs(4326).to_file(folder / "blocks.gpkg", layer="blocks")
    with sqlite3.connect(folder / "blocks.gpkg") as database:
        database.execute("CREATE TABLE other (a CHECK (abs(-9223372036854775807 - a) > 0))")
        database.execute("PRAGMA ignore_check_constraints = ON")
        database.execute("INSERT INTO other VALUES (1)")
    with closing(sqlite3.connect(folder / "blocks.gpkg")) as database, pytest.raises(sqlite3.DatabaseError):
        database.execute("PRAGMA quick_check").fetchall()
    assert len(read_vineyard(folder).site.blocks) == 3


def test_overviews_elsewhere_are_not_opened(home: Path, counter: Counter) -> None:
    """Overviews, in a file beside the grid or named in its own tags or notes, are nothing that reading needs."""
    folder = home / "vineyard"
    z = write_elevation(folder / "elevation.tif")
    with rasterio.open(folder / "elevation.tif", "r+") as grid:
        grid.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/{counter.url}/tags.tif")
    notes = f'<Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">/vsicurl/{counter.url}/notes.tif</MDI></Metadata>'
    (folder / "elevation.tif.aux.xml").write_text(f"<PAMDataset>{notes}</PAMDataset>")
    (folder / "elevation.tif.ovr").write_text('<VRTDataset rasterXSize="1" rasterYSize="1"/>')
    elevation = read_vineyard(folder).site.elevation
    assert elevation is not None
    np.testing.assert_array_equal(elevation.to_numpy(), z)
    assert counter.asked() == []


def test_there_are_no_other_doors() -> None:
    """Only the doors call the libraries' readers; one module opens connections, and one listens for them."""
    root = Path(vinemap.__file__).parent
    readers = r"read_dataframe|list_layers|read_info|gpd\.read_|open_rasterio|rasterio\.open\((?!\s*path, \"w\")"
    modules = r"import (requests|urllib\.request|http|socket|ftplib)|from (urllib\.request|http|socket) "
    network = rf"urlopen|{modules}|from urllib import [^\n]*request"
    found = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if re.search(f"{readers}|{network}", path.read_text(encoding="utf-8"))
    }
    doors = {"reading/drivers.py", "reading/geoparquet.py", "reading/geotiff.py"}
    assert found == doors | {"intake/ranges.py", "desk/serve.py"}  # `vinemap elevation` and `vinemap desk`
