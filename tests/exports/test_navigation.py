"""Zones read back from every format as they were written, where they were."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree  # our own files

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import MultiPolygon, Polygon, box

from vinemap.columns import NAVIGATION
from vinemap.exports.navigation import FILES, write_navigation

X, Y = 500_000.0, 4_800_000.0
GPX = "{http://www.topografix.com/GPX/1/1}"


def zones() -> gpd.GeoDataFrame:
    """One plain zone, one with a hole, one in two parts; names with an umlaut and with markup."""
    ring = Polygon(box(X + 200, Y, X + 300, Y + 100).exterior, [box(X + 240, Y + 40, X + 260, Y + 60).exterior.coords])
    parts = MultiPolygon([box(X + 400, Y, X + 450, Y + 100), box(X + 460, Y, X + 500, Y + 100)])
    table = {
        "zone": [1, 2, 3],
        "block": ["Mühlau", "<b>&Co</b>", "Ridge"],
        "action": ["keep_more", "keep_more", "look_again"],
        "grade": ["by_number", "by_number", "trunks_hurt"],
        "area_ha": [1.0, 0.96, 0.9],
        "vines": pd.array([2500, pd.NA, 2250], dtype="Int64"),
        "injury_pct": [35.0, 40.0, 92.0],
        "target_nodes": [40.0, np.nan, 40.0],
        "extra_pct": [35.0, 40.0, np.nan],
        "nodes_to_keep": [54.0, np.nan, np.nan],
        "samples": [4, 0, 2],
        "canes": pd.array([8, 0, pd.NA], dtype="Int64"),
        "nodes": [96, 0, 40],
    }
    return gpd.GeoDataFrame(table, geometry=[box(X, Y, X + 100, Y + 100), ring, parts], crs="EPSG:32618")


def test_every_file_is_written(tmp_path: Path) -> None:
    """The files that the module names are there, and the shapefile has its companions."""
    written = write_navigation(zones(), tmp_path)
    assert {str(path.relative_to(tmp_path)) for path in written} >= set(FILES)
    assert {path.suffix for path in (tmp_path / "zones_shp").iterdir()} >= {".shp", ".shx", ".dbf", ".prj"}
    assert all(path.stat().st_size for path in written)


def test_points_of_known_rows_stand_at_row_ends(tmp_path: Path) -> None:
    """A zone whose rows are known has its two ends, with row and vines in the name; the others a point inside."""
    ends = pd.DataFrame(
        {"zone": 1, "row": [1, 33], "vines": ["1–50", "1–20, 31–50"], "x": [X + 1, X + 99], "y": [Y + 1] * 2}
    )
    write_navigation(zones(), tmp_path, ends=ends)
    points = gpd.read_file(tmp_path / "zone_points.gpx", layer="waypoints").to_crs(32618)
    names = ["1 Mühlau, row 1, vines 1–50", "1 Mühlau, row 33, vines 1–20, 31–50", "2 <b>&Co</b>", "3 Ridge"]
    assert points["name"].tolist() == names
    assert [(round(p.x - X), round(p.y - Y)) for p in points.geometry[:2]] == [(1, 1), (99, 1)]
    assert zones().geometry[1].contains(points.geometry[2])
    assert "54" in points["desc"][1]


def test_polygons_come_back(tmp_path: Path) -> None:
    """GeoJSON, KML and the shapefile hold the zones' own ground, to two centimetres along the border."""
    write_navigation(zones(), tmp_path)
    for name in FILES[2:]:
        back = gpd.read_file(tmp_path / name).to_crs(32618)
        for found, meant in zip(back.geometry, zones().geometry, strict=True):
            assert found.symmetric_difference(meant).area < 0.02 * meant.length, name


def test_figures_come_back(tmp_path: Path) -> None:
    """Names, vines and nodes are the zones' own; what is not known is empty."""
    write_navigation(zones(), tmp_path)
    shape = gpd.read_file(tmp_path / "zones_shp" / "zones.shp")
    assert shape["block"].tolist() == ["Mühlau", "<b>&Co</b>", "Ridge"]
    assert list(shape.columns) == [*NAVIGATION.names, "geometry"]
    assert shape["nodes"].tolist()[0] == 54
    assert shape["vines"].isna().tolist() == [False, True, False]
    assert all(len(column) <= 10 for column in shape)
    geojson = gpd.read_file(tmp_path / "zones.geojson")
    assert geojson["name"].tolist()[0] == "1 Mühlau"
    assert geojson["description"].tolist()[0].startswith("Keep 54 nodes on each vine (usual: 40). Vines: 2500.")
    told = ["4 samples, 8 canes, 96 nodes cut.", "No sample here: from the map alone.", "2 samples, 40 nodes cut."]
    assert [text.endswith(end) for text, end in zip(geojson["description"], told, strict=True)] == [True] * 3
    assert shape["nodes_cut"].tolist() == [96, 0, 40]


def test_waypoints_lie_inside_their_zones(tmp_path: Path) -> None:
    """GPX 1.1 waypoints, each inside its zone, in longitude and latitude, with what to do."""
    write_navigation(zones(), tmp_path)
    root = ElementTree.parse(tmp_path / "zone_points.gpx").getroot()  # noqa: S314
    assert root.attrib["version"] == "1.1"
    points = root.findall(f"{GPX}wpt")
    places = gpd.GeoSeries(
        gpd.points_from_xy([float(p.attrib["lon"]) for p in points], [float(p.attrib["lat"]) for p in points]), crs=4326
    ).to_crs(32618)
    assert all(zone.contains(place) for zone, place in zip(zones().geometry, places, strict=True))
    assert [point.findtext(f"{GPX}name") for point in points] == ["1 Mühlau", "2 <b>&Co</b>", "3 Ridge"]
    assert "54" in (points[0].findtext(f"{GPX}desc") or "")


def test_outlines_are_tracks(tmp_path: Path) -> None:
    """A track a zone, with a segment for each ring: one, two with the hole, two with the second part."""
    write_navigation(zones(), tmp_path)
    root = ElementTree.parse(tmp_path / "zone_outlines.gpx").getroot()  # noqa: S314
    assert [len(track.findall(f"{GPX}trkseg")) for track in root.findall(f"{GPX}trk")] == [1, 2, 2]
    assert "hands behind the blade" in (root.findtext(f"{GPX}metadata/{GPX}desc") or "")


@pytest.mark.parametrize(("language", "word"), [("en", "Keep 54 nodes"), ("es", "Deje 54 nudos")])
def test_language(tmp_path: Path, language: str, word: str) -> None:
    """What to do is said in the language asked for."""
    write_navigation(zones(), tmp_path, language)
    assert word in gpd.read_file(tmp_path / "zones.geojson")["description"].iloc[0]


def test_no_zones_no_files(tmp_path: Path) -> None:
    """Nothing to find, nothing written."""
    assert write_navigation(zones().iloc[:0], tmp_path) == []
    assert not list(tmp_path.iterdir())
