"""Outlines out of drawn layers: every polygon with its name, what is drawn by hand repaired, what is doubtful asked."""

from __future__ import annotations

import zipfile
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from shapely.geometry import LineString, MultiPoint, Point, Polygon

from tests.builders import CRS, EAST, NORTH, square
from vinemap.errors import Findings
from vinemap.intake.drawings import Outlines, outlines
from vinemap.intake.questions import settled
from vinemap.intake.sources import Layer, open_sources

PLACEMARK = """<Placemark><name>{name}</name>{more}<Polygon><outerBoundaryIs><LinearRing><coordinates>
{corners}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"""


def layer(shapes: dict[str, shapely.Geometry], file: str = "drawn.gpkg", **columns: object) -> Layer:
    frame = gpd.GeoDataFrame({"name": [name.rstrip("'") for name in shapes], **columns}, geometry=list(shapes.values()))
    return Layer(file, "drawn", frame.set_crs(CRS))


def hectares(found: Outlines) -> dict[str, float]:
    assert found.blocks is not None
    metric = found.blocks.to_crs(CRS)
    return dict(zip(metric["block"], (metric.geometry.area / 1e4).round(3), strict=True))


def placemark(name: str, shape: Polygon, more: str = "") -> str:
    corners = gpd.GeoSeries([shape], crs=CRS).to_crs(4326).iloc[0].exterior.coords
    return PLACEMARK.format(name=name, more=more, corners=" ".join(f"{x:.9f},{y:.9f},12" for x, y in corners))


def kml(*parts: str) -> str:
    return f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>Farm</name>{"".join(parts)}</Document></kml>'


FOLDERS = kml(
    f"<Folder><name>North</name>{placemark('Blk 1', square(0, 0))}",
    f"<Folder><name>Far</name>{placemark('Untitled Polygon', square(240, 0))}</Folder></Folder>",
    placemark(
        "Blk 2", square(120, 0), "<ExtendedData><Data name='Variety'><value>Riesling</value></Data></ExtendedData>"
    ),
    "<Placemark><name>Gate</name><Point><coordinates>-75,43.35</coordinates></Point></Placemark>",
    "<Placemark><name>Road</name><LineString><coordinates>-75,43.35 -75.1,43.35</coordinates></LineString></Placemark>",
    "<Placemark><name>Empty</name></Placemark>",
)


@pytest.mark.parametrize("ending", [".kml", ".kmz"])
def test_all_folders_of_a_globe_are_read(tmp_path: Path, ending: str) -> None:
    """Nested folders too; a point is left for samples, a line and an entry without a shape are noted, heights go."""
    path = tmp_path / f"farm{ending}"
    if ending == ".kml":
        path.write_text(FOLDERS, encoding="utf-8")
    else:
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("files/icon.png", b"\x89PNG")
            archive.writestr("doc.kml", FOLDERS)
    findings = Findings()
    found = outlines(open_sources([path], findings).layers, {})
    assert findings.problems == []
    assert hectares(found) == {"Blk 1": 1.0, "Blk 2": 1.0, "Far": 1.0}
    assert [list(points.frame["Name"]) for points in found.points] == [["Gate"]]
    assert [note for note in found.notes if "Road" in note or "no shape" in note] == [
        f"{path.name}: 1 entry has no shape and was passed over.",
        f"{path.name}: 1 line is no outline and was left aside: Road.",
    ]
    (facts,) = found.facts
    assert (facts.names, facts.rows[0][1]) == (("block", "Variety"), ["Blk 2", "Riesling"])
    assert found.proposals == []
    assert not shapely.has_z(found.blocks.geometry.to_numpy()).any()


def test_slips_of_the_hand_are_mended_and_told() -> None:
    """A crossing at a corner, corners out of turn, a stray click, the same outline twice: each kind one note.

    Areas by hand: the square of 1 ha whose corners were clicked across is 1 ha again; the crossing cuts a triangle of
    2 m by 5 m, less than a hundredth, off the square.
    """
    x, y = EAST, NORTH + 500
    across = Polygon([(x, y), (x + 100, y + 100), (x + 100, y), (x, y + 100)])
    corner = Polygon([(x + 300, y), (x + 400, y), (x + 400, y + 100), (x + 302, y + 100), (x + 298, y + 90)])
    crossing = Polygon(
        [(x + 600, y), (x + 700, y), (x + 700, y + 100), (x + 600, y + 100), (x + 600, y - 4), (x + 602, y - 4)]
    )
    shapes = {"A": across, "B": corner, "C": crossing, "D": square(0, 0), "D'": square(0, 0.5), "E": square(900, 0, 3)}
    found = outlines([layer(shapes)], {})
    assert list(hectares(found)) == ["A", "B", "C", "D"]
    assert hectares(found)["A"] == 1.0
    assert hectares(found)["C"] == pytest.approx(1.0, abs=0.01)
    assert found.blocks is not None
    assert found.blocks.geometry.is_valid.all()
    assert [str(note).split(":")[0] for note in found.notes] == [
        "Outlines that crossed themselves were repaired",
        "1 outline too small for a block was left aside as a slip of the hand",
        "1 outline was drawn twice and kept once",
    ]
    assert found.notes[0].endswith("A (now 1.00 ha), C (now 1.00 ha). Look at them on the map.")
    assert [proposal for proposal in found.proposals if not proposal.certain] == []


def test_outlines_of_one_name() -> None:
    """Near each other they are one block; far apart, or over each other, it is asked, and every answer is taken."""
    near = outlines([layer({"A": square(0, 0), "a'": square(140, 0)})], {})
    assert hectares(near) == {"A": 2.0}
    assert near.notes == ["1 block is drawn in several parts, which were joined: A."]
    far = [layer({"A": square(0, 0), "A'": square(2000, 0)})]
    (asked,) = _asked(outlines(far, {}))
    assert asked.key == "outlines.parts.A"
    assert hectares(outlines(far, {asked.key: "one"})) == {"A": 2.0}
    assert hectares(outlines(far, {asked.key: "apart"})) == {"A (1)": 1.0, "A (2)": 1.0}
    over = [layer({"A": square(0, 0), "A'": square(30, 0, 120)})]
    (asked,) = _asked(outlines(over, {}))
    assert [choice.value for choice in asked.choices] == ["1", "2", "one"]
    assert hectares(outlines(over, {asked.key: "2"})) == {"A": 1.44}


def _asked(found: Outlines) -> list[object]:
    return [proposal for proposal in found.proposals if settled(proposal, {}) is None]


def test_one_outline_of_two_names_is_asked() -> None:
    """Neither name is dropped without an answer."""
    layers = [layer({"A": square(0, 0), "B": square(0.5, 0)})]
    (asked,) = _asked(outlines(layers, {}))
    assert list(hectares(outlines(layers, {}))) == ["A", "B"]
    assert list(hectares(outlines(layers, {asked.key: "second"}))) == ["B"]


def test_a_boundary_around_blocks_is_asked() -> None:
    """It stays a block until it is said to be none; a block around a single other one is no boundary."""
    shapes = {"All": square(-10, -10, 400), "A": square(0, 0), "B": square(120, 0)}
    (asked,) = _asked(outlines([layer(shapes)], {}))
    assert (asked.key, asked.value) == ("outlines.around.All", "boundary")
    assert list(hectares(outlines([layer(shapes)], {asked.key: "boundary"}))) == ["A", "B"]
    del shapes["B"]
    assert _asked(outlines([layer(shapes)], {})) == []


def test_lines_that_close_are_asked_once() -> None:
    """Tracks around a block, closed or nearly so, are outlines by one answer; a road, and a line around a block that is
    there, are none without a question."""
    x, y = EAST, NORTH
    walk = LineString([(x, y), (x + 100, y), (x + 100, y + 100), (x, y + 100), (x, y + 8)])
    around = LineString(square(300, 0).exterior.coords)
    lines = {"Walk": walk, "Round": around, "Road": LineString([(x, y - 50), (x + 900, y - 50)])}
    (asked,) = _asked(outlines([layer(lines)], {}))
    assert asked.examples == ("drawn.gpkg: Walk", "drawn.gpkg: Round")
    assert hectares(outlines([layer(lines)], {asked.key: "outlines"})) == {"Walk": 1.0, "Round": 1.0}
    aside = outlines([layer(lines)], {asked.key: "aside"})
    assert aside.blocks is None
    assert any("Walk, Round" in note for note in aside.notes)
    there = outlines([layer({**lines, "A": square(0, 0), "B": square(300, 0)})], {})
    assert list(hectares(there)) == ["A", "B"]
    assert _asked(there) == []


def test_names_of_a_layer() -> None:
    """A column that says so has them; of two that may, it is asked; an outline without a name gets one, and is told."""
    shapes = {"x": square(0, 0), "y": square(120, 0)}
    certain = outlines([layer(shapes, BLOCK_ID=["11", "12"], VARIETY=["Riesling"] * 2)], {})
    assert list(hectares(certain)) == ["11", "12"]
    assert [fact.names for fact in certain.facts] == [("block", "name", "VARIETY")]
    several = [layer(shapes, BLOCK_ID=["11", "12"], Block_Name=["Ash", "Birch"])]
    (asked,) = _asked(outlines(several, {}))
    assert list(hectares(outlines(several, {asked.key: "Block_Name"}))) == ["Ash", "Birch"]
    unnamed = outlines([layer({"Untitled Polygon": square(0, 0), "": square(120, 0)})], {})
    assert list(hectares(unnamed)) == ["Outline 1", "Outline 2"]
    assert "drawn.gpkg: outlines without a name were called Outline 1, Outline 2." in unnamed.notes


def test_swapped_axes_of_outlines_are_mended() -> None:
    """Latitudes where no vines grow, with longitudes where they do, were written the wrong way round."""
    right = layer({"A": square(0, 0)}).frame.to_crs(4326)
    swapped = shapely.transform(right.geometry.to_numpy(), lambda xy: xy[:, ::-1])
    found = outlines([Layer("a.geojson", "a", right.set_geometry(gpd.GeoSeries(swapped, crs=4326)))], {})
    assert hectares(found) == {"A": 1.0}
    assert found.notes == [
        "a.geojson: longitude and latitude were swapped, and were exchanged: no vineyard lies at such latitudes."
    ]


def test_points_and_the_single_points_of_lines(tmp_path: Path) -> None:
    """Waypoints are left for samples; the points of a GPX track are its line, and no samples."""
    track = "".join(f'<trkpt lat="{43.35 + k / 1000}" lon="-75"/>' for k in range(5))
    (tmp_path / "walk.gpx").write_text(
        '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
        f'<wpt lat="43.35" lon="-75"><name>A1</name></wpt><trk><name>T</name><trkseg>{track}</trkseg></trk></gpx>',
        encoding="utf-8",
    )
    found = outlines(open_sources([tmp_path / "walk.gpx"], Findings()).layers, {})
    assert [list(points.frame["name"]) for points in found.points] == [["A1"]]
    assert found.notes == ["walk.gpx[tracks]: 1 line is no outline and was left aside: T."]
    several = layer({"A": Point(EAST, NORTH), "B": MultiPoint([(EAST, NORTH), (EAST + 9, NORTH)])})
    assert len(outlines([several], {}).points[0].frame) == 2


def test_a_layer_without_a_crs() -> None:
    """Degrees are taken for degrees, with a note; metres are asked for their CRS in one problem."""
    bare = layer({"A": square(0, 0)}).frame
    lonlat = Layer("a.shp", None, bare.to_crs(4326).set_crs(None, allow_override=True))
    assert hectares(outlines([lonlat], {})) == {"A": 1.0}
    found = outlines([Layer("a.shp", None, bare.set_crs(None, allow_override=True))], {})
    assert found.blocks is None
    assert [str(problem)[:40] for problem in found.findings.problems] == ["a.shp: states no CRS, and coordinates su"]
