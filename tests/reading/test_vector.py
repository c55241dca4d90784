"""Layers of shapes in every format, through the whole reading of a folder."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import zipfile
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from tests.builders import CRS, blocks, buds_table, only_problem, problems, samples, square, write_vineyard
from vinemap.reading.vineyard import read_vineyard

_DRIVERS = {".geojson": "GeoJSON", ".json": "GeoJSON", ".gpkg": "GPKG", ".shp": "ESRI Shapefile", ".fgb": "FlatGeobuf"}


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A folder with buds alone."""
    buds_table().to_csv(tmp_path / "buds.csv", index=False)
    return tmp_path


def write_layer(frame: gpd.GeoDataFrame, path: Path) -> None:
    ending = path.suffix
    lonlat = ending in (".geojson", ".json", ".kml", ".gpx")
    frame = frame.to_crs(4326) if lonlat else frame
    if ending == ".parquet":
        frame.to_parquet(path)
    elif ending == ".kmz":
        plain = path.with_suffix(".kml")
        write_layer(frame, plain)
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("files/", b"")
            archive.write(plain, "doc.kml")
        plain.unlink()
    elif ending in (".kml", ".gpx"):
        frame = frame.rename(columns={"block": "Name", "sample": "name"})
        options = {"layer": "waypoints"} if ending == ".gpx" else {}
        frame.to_file(path, driver="LIBKML" if ending == ".kml" else "GPX", **options)
    else:
        frame.to_file(path, driver=_DRIVERS[ending])


@pytest.mark.parametrize("ending", [".geojson", ".json", ".gpkg", ".shp", ".fgb", ".kml", ".kmz", ".parquet"])
def test_blocks_of_every_format(bare: Path, ending: str) -> None:
    """The same blocks come out of every format, whatever the CRS it was saved in."""
    write_layer(blocks(), bare / f"blocks{ending}")
    write_vineyard(bare, skip=("blocks",))
    vineyard = read_vineyard(bare)
    assert sorted(vineyard.site.blocks["block"]) == ["Ash", "Birch", "Cedar"]
    assert vineyard.site.blocks["area_ha"].to_numpy() == pytest.approx([1.0] * 3, rel=1e-6)
    assert vineyard.warnings == ()


@pytest.mark.parametrize("ending", [".geojson", ".gpkg", ".shp", ".fgb", ".kml", ".gpx", ".parquet"])
def test_samples_of_every_format(bare: Path, ending: str) -> None:
    """The same samples come out of every format; GPX waypoints and KML places give their names."""
    write_layer(samples(), bare / f"samples{ending}")
    write_vineyard(bare, skip=("samples",))
    vineyard = read_vineyard(bare)
    found = vineyard.samples.sort_values("sample", ignore_index=True)
    assert list(found["sample"]) == ["A1", "A2", "B1", "B2", "C1", "C2"]
    assert found.geometry.distance(samples().geometry).max() < 0.02
    assert vineyard.warnings == ()


@pytest.mark.filterwarnings("ignore:Column names longer", "ignore:Normalized")
def test_columns_of_a_shapefile_are_known_by_ten_characters(bare: Path) -> None:
    """A shapefile cuts column names after ten characters (ESRI technical description, dBASE field names)."""
    columns = {"species_group": "hybrid", "row_spacing_m": 2.5, "vine_spacing_m": 1.5, "nodes_per_vine": 40}
    blocks(**columns, own_rooted="yes").to_file(bare / "blocks.shp")
    write_vineyard(bare, skip=("blocks",))
    first = read_vineyard(bare).site.blocks.iloc[0]
    assert {name: first[name] for name in columns} == columns
    assert first["own_rooted"] is True


def test_shapefile_without_companions(folder: Path) -> None:
    """A shapefile copied without its other files names each one that is missing."""
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.shp")
    for ending in (".dbf", ".shx"):
        (folder / f"blocks{ending}").unlink()
    assert [problem.split(";")[0] for problem in problems(folder)] == [
        "blocks.shp: its companion blocks.shx is missing",
        "blocks.shp: its companion blocks.dbf is missing",
    ]


def test_missing_crs(folder: Path) -> None:
    """Projected coordinates without a CRS are a problem; the settings can give it; degrees are taken as such."""
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.shp")
    (folder / "blocks.prj").unlink()
    assert only_problem(folder).startswith("blocks.shp: states no CRS, and coordinates such as (500000, 4800")
    (folder / "vinemap.toml").write_text(f'crs = "{CRS}"\n')
    assert read_vineyard(folder).warnings == (
        "blocks.shp states no CRS: the one of vinemap.toml, EPSG:32618, was taken.",
    )
    blocks().to_crs(4326).to_file(folder / "blocks.shp")
    (folder / "blocks.prj").unlink()
    (folder / "vinemap.toml").unlink()
    assert "taken as longitude and latitude" in read_vineyard(folder).warnings[0]


@pytest.mark.parametrize("number", [-1, 0])
def test_geopackage_with_an_undefined_crs(folder: Path, number: int) -> None:
    """A GeoPackage whose CRS is "undefined" (OGC 12-128r17 §1.1.2.1.2: srs_id -1 and 0) states none."""
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.gpkg")
    with contextlib.closing(sqlite3.connect(folder / "blocks.gpkg")) as database, database:
        for table in ("gpkg_geometry_columns", "gpkg_contents"):
            database.execute(f"UPDATE {table} SET srs_id = ?", (number,))  # noqa: S608 - a fixed name
    assert only_problem(folder).startswith("blocks.gpkg: states no CRS, and coordinates such as (500000, 4800000)")


def test_layer_whose_crs_does_not_reach_it(folder: Path) -> None:
    """Outlines beyond all that their CRS can carry have no place, and are named without a traceback."""
    (folder / "blocks.geojson").unlink()
    frame = blocks()
    frame.geometry = frame.scale(1e6, 1e6).translate(1e12, 1e12)
    frame.to_file(folder / "blocks.gpkg")
    assert "no outline has a place on the earth" in only_problem(folder)


def test_geopackage_of_several_layers(folder: Path) -> None:
    """The layer called blocks is read; without one, the layers are named and the setting decides."""
    (folder / "blocks.geojson").unlink()
    path = folder / "blocks.gpkg"
    blocks().to_file(path, layer="old")
    blocks(variety="new").to_file(path, layer="Blocks")
    assert set(read_vineyard(folder).site.blocks["variety"]) == {"new"}
    path.unlink()
    for layer in ("one", "two"):
        blocks(variety=layer).to_file(path, layer=layer)
    assert only_problem(folder) == (
        "blocks.gpkg: has several layers: one, two; call the one to read 'blocks', or name it as files.blocks_layer in "
        "vinemap.toml"
    )
    (folder / "vinemap.toml").write_text("[files]\nblocks_layer = 'two'")
    assert set(read_vineyard(folder).site.blocks["variety"]) == {"two"}
    (folder / "vinemap.toml").write_text("[files]\nblocks_layer = 'three'")
    assert only_problem(folder).startswith("vinemap.toml: files.blocks_layer: blocks.gpkg has no layer 'three'")


def test_one_geopackage_for_blocks_and_samples(bare: Path) -> None:
    """The settings may name one file with a layer for each."""
    for layer, frame in (("blocks", blocks()), ("samples", samples())):
        frame.to_file(bare / "land.gpkg", layer=layer)
    (bare / "vinemap.toml").write_text("[files]\nblocks = 'land.gpkg'\nsamples = 'land.gpkg'")
    assert len(read_vineyard(bare).samples) == 6


def test_heights_of_points_and_outlines_are_dropped(folder: Path) -> None:
    """Shapes in three dimensions become flat."""
    frame = blocks().to_crs(4326)
    frame.geometry = shapely.force_3d(frame.geometry.to_numpy(), 250.0)
    (folder / "blocks.geojson").unlink()
    frame.rename(columns={"block": "Name"}).to_file(folder / "blocks.kml", driver="LIBKML")
    assert not read_vineyard(folder).site.blocks.geometry.has_z.any()


def test_parquet_without_pyarrow(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where pyarrow is not installed, the message says how to get it."""
    (folder / "blocks.geojson").unlink()
    blocks().to_parquet(folder / "blocks.parquet")

    def missing(path: Path) -> None:
        raise ImportError("pyarrow")

    monkeypatch.setattr(gpd, "read_parquet", missing)
    assert "pip install 'vinemap[parquet]'" in only_problem(folder)


def feature(geometry: object, block: str = "X") -> dict[str, object]:
    return {"type": "Feature", "properties": {"block": block}, "geometry": geometry}


def write_features(folder: Path, *geometries: object) -> None:
    """Write GeoJSON as text: the blocks, and after them (from row 5) the geometries given."""
    path = folder / "blocks.geojson"
    content = json.loads(path.read_text())
    content["features"] += [feature(geometry, f"X{i}") for i, geometry in enumerate(geometries)]
    path.write_text(json.dumps(content))


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        (None, "the block has no outline"),
        ({"type": "Polygon", "coordinates": []}, "the block has no outline"),
        ({"type": "Point", "coordinates": [-75, 43.35]}, "the block is drawn as a point, not as a polygon"),
        ({"type": "LineString", "coordinates": [[-75, 43.35], [-75, 43.36]]}, "the block is drawn as a line"),
        (
            # RFC 7946 §3.1.1: longitude first.
            {"type": "Polygon", "coordinates": [[[43.3, -95], [43.4, -95], [43.4, -94], [43.3, -95]]]},
            "the corner (43.3, -95) has a latitude beyond 90: longitude and latitude seem swapped",
        ),
        (
            {"type": "Polygon", "coordinates": [[[5e5, 48e5], [5.1e5, 48e5], [5.1e5, 49e5], [5e5, 48e5]]]},
            "the corner (500000, 4800000) is no longitude and latitude: the coordinates look projected",
        ),
        (
            {"type": "Polygon", "coordinates": [[[-75, 43.35], [-74.99, 43.35], [-75, 43.35]]]},
            "the outline of 'X0' encloses no ground",
        ),
        (
            {"type": "Polygon", "coordinates": [[[7, 47], [7.01, 47], [7.01, 47.01], [7, 47]]]},
            "block 'X0' lies 6,",
        ),
    ],
)
def test_outlines_that_are_none(folder: Path, geometry: object, words: str) -> None:
    """A block without a usable outline is named with its row."""
    write_features(folder, geometry)
    assert only_problem(folder).startswith(f"blocks.geojson:5: geometry: {words}")


def test_outline_that_crosses_itself_is_repaired(folder: Path) -> None:
    """A bow tie becomes two triangles: half of its square (OGC 06-103r4 §6.1.11: polygons must not self-intersect)."""
    x, y = 600.0, 0.0
    bow = shapely.Polygon(square(x, y).exterior.coords)
    a, b, c, d, _ = bow.exterior.coords
    tied = gpd.GeoSeries([shapely.Polygon([a, c, b, d])], crs=CRS).to_crs(4326)
    write_features(folder, json.loads(shapely.to_geojson(tied.iloc[0])))
    vineyard = read_vineyard(folder)
    assert vineyard.site.blocks["area_ha"].iloc[3] == pytest.approx(0.5, rel=1e-3)
    assert vineyard.site.blocks.geometry.is_valid.all()
    assert vineyard.warnings[0] == (
        "Block X0: the outline was not valid (self-intersection) and was repaired; it now encloses 0.50 ha."
    )


def test_outline_that_is_not_closed(folder: Path) -> None:
    """A ring without its last corner (against RFC 7946 §3.1.6) is closed, and a warning says so."""
    ring = gpd.GeoSeries([square(600, 0)], crs=CRS).to_crs(4326).iloc[0].exterior.coords[:-1]
    write_features(folder, {"type": "Polygon", "coordinates": [list(map(list, ring))]})
    vineyard = read_vineyard(folder)
    assert "an outline was not closed" in vineyard.warnings[0]
    assert vineyard.site.blocks["area_ha"].iloc[3] == pytest.approx(1.0, rel=1e-6)


def test_polygons_in_a_collection_are_taken(folder: Path) -> None:
    """A collection of an outline and a label point is a block."""
    outline = gpd.GeoSeries([square(600, 0)], crs=CRS).to_crs(4326).iloc[0]
    parts = [json.loads(shapely.to_geojson(part)) for part in (outline, outline.centroid)]
    write_features(folder, {"type": "GeometryCollection", "geometries": parts})
    assert read_vineyard(folder).site.blocks["area_ha"].iloc[3] == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        (None, "the sample has no point"),
        (shapely.Point(), "the sample has no point"),
        (shapely.LineString([(-75, 43.35), (-75, 43.36)]), "the sample is drawn as a LineString, not as a point"),
        (shapely.Point(43.35, -175), "the point (43.35, -175) is no longitude and latitude: they seem swapped"),
    ],
)
def test_points_that_are_none(folder: Path, geometry: object, words: str) -> None:
    """A sample without a usable point is named with its row."""
    (folder / "samples.csv").unlink()
    frame = samples().to_crs(4326)
    frame.loc[1, "geometry"] = geometry
    frame.to_file(folder / "samples.geojson", driver="GeoJSON")
    assert only_problem(folder).startswith(f"samples.geojson:3: geometry: {words}")


def test_layers_that_hold_nothing(folder: Path) -> None:
    """An empty collection and text that is no GeoJSON are named."""
    path = folder / "blocks.geojson"
    path.write_text('{"type": "FeatureCollection", "features": []}')
    assert only_problem(folder).startswith("blocks.geojson: the layer holds no shapes")
    path.write_text('{"type": "FeatureCollection", "features": [')
    assert only_problem(folder).startswith("blocks.geojson: is not valid JSON (")


def test_blocks_of_another_planet(folder: Path) -> None:
    """A CRS of the moon or Mars (IAU 2015) is named, in a layer and in the settings."""
    (folder / "blocks.geojson").unlink()
    blocks().to_crs(4326).set_crs("IAU_2015:49900", allow_override=True).to_file(folder / "blocks.gpkg")
    assert "blocks.gpkg: its CRS Mars (2015) - Sphere / Ocentric is not of the earth" in only_problem(folder)
    write_vineyard(folder)
    (folder / "blocks.gpkg").unlink()
    (folder / "vinemap.toml").write_text('metric_crs = "IAU_2015:49910"\n')
    assert only_problem(folder).startswith("vinemap.toml: metric_crs: 'IAU_2015:49910' names no coordinate reference")
