"""A GIS draws the layers in the page's colours and labels: QML as QGIS reads it, SLD as OGC 02-070 has it.

QGIS 3.22 was seen to draw them; here the files are held against the classes and colours that they stand for.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pytest
from shapely import Point, box

from vinemap.exports.colours import ACTION_COLOURS, injury_stops
from vinemap.exports.formats import write_geopackage
from vinemap.exports.styles import grid_qml, grid_sld, layer_qml, layer_sld, map_styles, write_styles
from vinemap.states import TASKS

ZONES, BLOCKS, SAMPLES = map_styles("en", TASKS)


def rgb(colour: str) -> str:
    return ",".join(str(int(colour[start : start + 2], 16)) for start in (1, 3, 5)) + ",255"


def test_zones_have_the_page_s_colour_of_each_task() -> None:
    """Each task that a zone can have is a class of its own in both formats, in the page's colour."""
    root = layer_qml(ZONES)
    drawn = {symbol.get("name"): symbol.find(".//Option[@name='color']").get("value") for symbol in root.iter("symbol")}
    found = {one.get("value"): drawn[one.get("symbol")] for one in root.iter("category")}
    assert found == {str(task): rgb(colour) for task, colour in ACTION_COLOURS.items()}
    rules = layer_sld(ZONES).findall(".//Rule[Title]")
    assert {next(rule.iter("ogc:Literal")).text: rule.find(".//Fill/CssParameter").text for rule in rules} == {
        str(task): colour for task, colour in ACTION_COLOURS.items()
    }


def test_only_tasks_that_occur_are_in_the_legend() -> None:
    """A vineyard with one kind of work has a legend of one line, in its language."""
    assert [fill.title for fill in map_styles("es", ["replant_candidate"])[0].fills] == ["Quizá haya que replantar"]


@pytest.mark.parametrize(("injury", "place"), [(0.0, 0), (9.9, 0), (10.0, 1), (95.0, 9), (100.0, 9)])
def test_each_injury_lies_in_one_class(injury: float, place: int) -> None:
    """0 to 100 % fall into ten classes, each from its low end to below its high end, 100 % into the last."""
    assert [low <= injury < high for low, high in (fill.between for fill in SAMPLES.fills)].index(True) == place
    assert sum(low <= injury < high for low, high in (fill.between for fill in SAMPLES.fills)) == 1


def test_samples_darken_with_injury_as_on_the_page() -> None:
    """The colour of a class is the page's at its middle, to half a step of the ramp."""
    stops = injury_stops()
    for fill in SAMPLES.fills:
        middle = (fill.between[0] + 5) / 100 * (len(stops) - 1)
        assert abs(stops.index(fill.colour) - middle) <= 0.5


def test_the_grid_s_ramp_is_the_page_s() -> None:
    """Both formats give every stop of the ramp at its share of 0 to 1, of the first band."""
    stops, shares = injury_stops(), np.linspace(0, 1, len(injury_stops()))
    items = grid_qml().findall(".//item")
    assert [item.get("color") for item in items] == stops
    assert [float(item.get("value")) for item in items] == pytest.approx(shares, abs=1e-4)
    sld = grid_sld("injury")
    assert sld.find(".//SourceChannelName").text == "1"
    assert [entry.get("color") for entry in sld.iter("ColorMapEntry")] == stops
    assert [float(entry.get("quantity")) for entry in sld.iter("ColorMapEntry")] == pytest.approx(shares, abs=1e-4)


def test_a_geopackage_carries_the_default_style_of_each_layer(tmp_path: Path) -> None:
    """One row a layer in layer_styles, both formats well-formed, the layers themselves as they were."""
    path = tmp_path / "v.gpkg"
    area = gpd.GeoDataFrame({"block": ["a"]}, geometry=[box(0, 0, 1, 1)], crs="EPSG:32618")
    point = gpd.GeoDataFrame({"sample": ["s"]}, geometry=[Point(0, 0)], crs="EPSG:32618")
    write_geopackage({"blocks": area, "samples": point, "zones": area}, path)
    write_styles(map_styles("en", TASKS), path)
    with sqlite3.connect(path) as file:
        wanted = "f_table_name, f_geometry_column, useAsDefault, styleQML, styleSLD"
        rows = file.execute(f"SELECT {wanted} FROM layer_styles")  # noqa: S608 - no value of another's
        found = {name: (column, default, qml, sld) for name, column, default, qml, sld in rows}
        named = dict(file.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
        kinds = dict(file.execute("SELECT table_name, data_type FROM gpkg_contents"))
    assert {name: column for name, (column, *_) in found.items()} == named
    assert kinds == dict.fromkeys(named, "features") | {"layer_styles": "attributes"}
    for _, default, *styles in found.values():
        assert default == 1
        tags = [ElementTree.fromstring(style).tag for style in styles]  # noqa: S314 - our own
        assert tags == ["qgis", "{http://www.opengis.net/sld}StyledLayerDescriptor"]
    assert len(gpd.read_file(path, layer="zones")) == 1
