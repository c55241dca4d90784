"""KML read back by an XML parser and by GDAL: no name becomes markup, neither in the file nor in a viewer's balloon."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import pytest
from shapely import Point

from tests.builders import HOSTILE
from vinemap.exports.kml import write_kml

KML = "{http://www.opengis.net/kml/2.2}"


class Balloon(HTMLParser):
    """What a viewer makes of a text that it takes for HTML."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.words = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.elements.append(tag)

    def handle_data(self, data: str) -> None:
        self.words += data


def layer(name: str) -> gpd.GeoDataFrame:
    """One point that bears a name wherever it can."""
    return gpd.GeoDataFrame(
        {"name": [name], "description": [f"cut {name}"], "block": [name]}, geometry=[Point(1, 2)], crs=4326
    )


@pytest.mark.parametrize("name", [*HOSTILE, "a ]]> b", "A & B", "&lt;i&gt; &#60;i&#62;", "x\x07\ufffe"])
def test_names_are_text_to_every_viewer(tmp_path: Path, name: str) -> None:
    """An XML parser reads the file; its texts, rendered as HTML, are the name itself and hold no element."""
    path = tmp_path / "a.kml"
    write_kml(path, {"one": layer(name), "two": layer("Tarn")})
    root = ElementTree.parse(path).getroot()  # noqa: S314 - a file of our own
    mark = next(root.iter(f"{KML}Placemark"))
    said = {kind: mark.findtext(f".//{KML}{kind}") or "" for kind in ("name", "description", "SimpleData")}
    shown = name.replace("\x07", "\ufffd").replace("\ufffe", "\ufffd")
    for kind, text in said.items():
        balloon = Balloon(text)
        assert balloon.elements == [], kind
        assert balloon.words == (f"cut {shown}" if kind == "description" else shown)
    assert gpd.list_layers(path)["name"].tolist() == ["one", "two"]


def test_plain_names_are_plain(tmp_path: Path) -> None:
    """Neither letters of any script nor an ampersand between spaces is written in another way."""
    write_kml(tmp_path / "a.kml", {"one": layer("Hof & Söhne 葡萄")})
    assert gpd.read_file(tmp_path / "a.kml")["Name"].tolist() == ["Hof & Söhne 葡萄"]
