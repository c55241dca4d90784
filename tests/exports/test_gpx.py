"""GPX of both kinds in one file, read back by GDAL and held against the schema's order."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import pytest
from shapely import LineString, MultiLineString, Point

from tests.builders import HOSTILE
from vinemap.exports.gpx import write_gpx

GPX = "{http://www.topografix.com/GPX/1/1}"


def waypoints() -> gpd.GeoDataFrame:
    """Three points; the last lies beyond every track."""
    places = [Point(-75.3, 43.6), Point(-75.2, 43.7), Point(-74.9, 43.5)]
    table = {"name": ["A1", "A2", "A3"], "desc": ["one", "two", "three"], "ele": [210.5, 212.0, 180.0]}
    return gpd.GeoDataFrame(table, geometry=places, crs=4326)


def tracks() -> gpd.GeoDataFrame:
    """A line, and one in two parts."""
    lines = [LineString([(-75.3, 43.6), (-75.2, 43.7)]), MultiLineString([[(-75.4, 43.6), (-75.3, 43.7)]] * 2)]
    return gpd.GeoDataFrame({"name": ["walk", "ring"], "desc": ["", ""]}, geometry=lines, crs=4326)


def test_waypoints_and_tracks_in_one_file(tmp_path: Path) -> None:
    """Metadata, waypoints, tracks: the order of GPX 1.1's schema; GDAL reads both back as they were."""
    path = tmp_path / "both.gpx"
    write_gpx(path, "about it", waypoints=waypoints(), tracks=tracks())
    root = ElementTree.parse(path).getroot()  # noqa: S314 - a file of our own
    assert [child.tag.removeprefix(GPX) for child in root] == ["metadata", "wpt", "wpt", "wpt", "trk", "trk"]
    assert root.findtext(f"{GPX}metadata/{GPX}desc") == "about it"
    back = gpd.read_file(path, layer="waypoints")
    assert back[["name", "desc", "ele"]].to_numpy().tolist() == waypoints()[["name", "desc", "ele"]].to_numpy().tolist()
    assert back.geometry.geom_equals_exact(waypoints().geometry, 1e-9).all()
    assert [len(line.geoms) for line in gpd.read_file(path, layer="tracks").geometry] == [1, 2]


def test_the_bounds_hold_all_that_is_in_the_file(tmp_path: Path) -> None:
    """From the westernmost track to the easternmost point."""
    write_gpx(tmp_path / "both.gpx", "", waypoints=waypoints(), tracks=tracks())
    bounds = ElementTree.parse(tmp_path / "both.gpx").find(f"{GPX}metadata/{GPX}bounds")  # noqa: S314
    assert bounds is not None
    edges = [float(bounds.attrib[edge]) for edge in ("minlon", "minlat", "maxlon", "maxlat")]
    assert edges == pytest.approx([-75.4, 43.5, -74.9, 43.7])


@pytest.mark.parametrize("name", HOSTILE)
def test_names_stay_text(tmp_path: Path, name: str) -> None:
    """A name comes back as it is, in the file's own description too, and adds no element."""
    roots = []
    for said in (name, "Tarn"):
        table = waypoints().assign(name=said, desc=said)
        write_gpx(tmp_path / f"{len(roots)}.gpx", said, waypoints=table, tracks=tracks().assign(name=said))
        roots.append(ElementTree.parse(tmp_path / f"{len(roots)}.gpx").getroot())  # noqa: S314
    back = gpd.read_file(tmp_path / "0.gpx", layer="waypoints")
    assert back["name"].tolist() == back["desc"].tolist() == [name] * 3
    assert roots[0].findtext(f"{GPX}metadata/{GPX}desc") == name
    assert [element.tag for element in roots[0].iter()] == [element.tag for element in roots[1].iter()]


def test_without_elevation_none_is_written(tmp_path: Path) -> None:
    """Points of unknown height have no ``ele``."""
    write_gpx(tmp_path / "flat.gpx", "", waypoints=waypoints().drop(columns="ele"))
    assert "<ele" not in (tmp_path / "flat.gpx").read_text(encoding="utf-8")


def test_what_xml_forbids_is_replaced(tmp_path: Path) -> None:
    """A control character in a name or in the description is shown as U+FFFD, and the file parses."""
    write_gpx(tmp_path / "a.gpx", "bell \x07", waypoints=waypoints().assign(name="a\x00\ufffe"))
    root = ElementTree.parse(tmp_path / "a.gpx").getroot()  # noqa: S314 - a file of our own
    assert root.findtext(f"{GPX}wpt/{GPX}name") == "a\ufffd\ufffd"
    assert root.findtext(f"{GPX}metadata/{GPX}desc") == "bell \ufffd"
