"""Outlines and points on the desk: given as GeoJSON, kept as drafts, saved into the files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from starlette.testclient import TestClient

from tests.builders import blocks
from vinemap.desk.drafts import Drafts
from vinemap.reading.vineyard import read_vineyard

HERE = "/vineyards/vineyard"
TRIANGLE = {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}


def _layers(client: TestClient) -> dict[str, dict[str, Any]]:
    return client.get(f"{HERE}/places.json").json()


def _put(client: TestClient, layer: str, feature: dict[str, Any], revision: str | None = None) -> Any:
    asked = {"feature": feature, "revision": feature.get("revision") if revision is None else revision}
    return client.put(f"{HERE}/places/{layer}/{feature['id']}", json=asked)


def test_both_layers_come_in_longitude_and_latitude(client: TestClient, folder: Path) -> None:
    """RFC 7946: the corners are those of the file, to a tenth of a millimetre or so of a degree's last decimal."""
    found = _layers(client)
    outlines = gpd.GeoDataFrame.from_features(found["blocks"]["features"], crs=4326).to_crs(32618)
    assert outlines.area.tolist() == pytest.approx(blocks().area.tolist(), rel=1e-5)
    names = found["blocks"]["names"]
    assert [one["properties"][names["block"]] for one in found["blocks"]["features"]] == ["Ash", "Birch", "Cedar"]
    table = pd.read_csv(folder / "samples.csv")
    points = [one["geometry"]["coordinates"] for one in found["samples"]["features"]]
    assert points == table[["lon", "lat"]].to_numpy().tolist()


def test_an_outline_that_was_drawn_over_is_kept_then_saved(client: TestClient, folder: Path) -> None:
    """The file changes when it is saved; the other blocks and their columns stay."""
    outline = _layers(client)["blocks"]["features"][0]
    file = next(path for path in folder.iterdir() if path.stem == "blocks")
    before = file.read_bytes()
    west, south = outline["geometry"]["coordinates"][0][0]
    square = [[west, south], [west + 0.001, south], [west + 0.001, south + 0.001], [west, south + 0.001], [west, south]]
    moved = outline | {"geometry": {"type": "Polygon", "coordinates": [square]}}
    assert _put(client, "blocks", moved).status_code == 200
    assert file.read_bytes() == before
    assert _layers(client)["blocks"]["features"][0]["geometry"]["coordinates"] == [square]
    assert client.post(f"{HERE}/save").status_code == 200
    saved = json.loads((folder / "blocks.geojson").read_text(encoding="utf-8"))
    assert [one["properties"]["block"] for one in saved["features"]] == ["Ash", "Birch", "Cedar"]
    assert saved["features"][0]["geometry"]["coordinates"] == [square]
    assert [path.stem for path in folder.iterdir() if path.stem == "blocks"] == ["blocks"]
    assert any(path.read_bytes() == before for path in (folder / ".desk/former").rglob("blocks.*"))
    assert not Drafts(folder).unsaved
    assert len(read_vineyard(folder).site.blocks) == 3


def test_another_format_gives_way_to_geojson(client: TestClient, folder: Path) -> None:
    """A GeoPackage that was drawn over is kept aside; its place takes one file, and the folder reads."""
    (folder / "blocks.geojson").unlink()
    blocks().to_file(folder / "blocks.gpkg")
    outline = _layers(client)["blocks"]["features"][2]
    outline["properties"]["row_bearing_deg"] = 12.5
    assert _put(client, "blocks", outline).status_code == 200
    assert client.get(f"{HERE}/check").status_code == 200
    client.post(f"{HERE}/save")
    assert not (folder / "blocks.gpkg").exists()
    assert list((folder / ".desk/former").rglob("blocks.gpkg"))
    assert read_vineyard(folder).site.blocks["row_bearing_deg"].tolist()[2] == 12.5


def test_a_point_that_was_moved_changes_its_row(client: TestClient, folder: Path) -> None:
    """Samples of a text table stay one: the cells of the row change; a new point is a new row."""
    point = _layers(client)["samples"]["features"][0]
    lon, lat = point["geometry"]["coordinates"]
    point["geometry"]["coordinates"] = [lon + 0.0001, lat]
    assert _put(client, "samples", point).json()["id"] == "2"
    place = {"type": "Point", "coordinates": [lon, lat]}
    new = {"id": "new-1", "type": "Feature", "properties": {"sample": "Z9"}, "geometry": place}
    absent = client.put(f"{HERE}/places/samples/new-1", json={"feature": new, "revision": "x"})
    assert absent.status_code == 409, "what was seen has to be named"
    added = _put(client, "samples", new, absent.json()["revision"])
    assert added.json()["id"] == "8"
    client.post(f"{HERE}/save")
    table = pd.read_csv(folder / "samples.csv")
    assert table["lon"][0] == pytest.approx(lon + 0.0001, abs=1e-7)
    assert table.iloc[-1][["sample", "lat"]].tolist() == ["Z9", pytest.approx(lat, abs=1e-7)]


def test_two_pages_do_not_draw_over_each_other(client: TestClient) -> None:
    """Who saw an older outline is given the one that stands."""
    outline = _layers(client)["blocks"]["features"][1]
    outline["properties"]["variety"] = "Marquette"
    assert _put(client, "blocks", outline).status_code == 200
    answer = _put(client, "blocks", outline)
    assert answer.status_code == 409
    assert answer.json()["there"]["properties"]["variety"] == "Marquette"


@pytest.mark.parametrize(
    "feature",
    [
        None,
        {},
        {"properties": {}, "geometry": {"type": "Point", "coordinates": [0, 0]}},
        {"properties": {}, "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [500, 0], [1, 1], [0, 0]]]}},
        {"properties": {}, "geometry": {"type": "Polygon", "coordinates": "here"}},
        {"properties": {"x": {"deep": 1}}, "geometry": TRIANGLE},
        {"properties": {"x": "y" * 5000}, "geometry": TRIANGLE},
        {"properties": {}, "geometry": {"type": "GeometryCollection", "geometries": []}},
    ],
)  # fmt: skip
def test_what_is_no_outline_is_refused(client: TestClient, folder: Path, feature: object) -> None:
    """And nothing of it is kept."""
    asked = {"feature": feature, "revision": _layers(client)["blocks"]["features"][0]["revision"]}
    assert client.put(f"{HERE}/places/blocks/2", json=asked).status_code == 400
    assert client.put(f"{HERE}/places/rows/2", json=asked).status_code == 404
    assert client.put(f"{HERE}/places/blocks/..%2fx", json=asked).status_code == 404
    assert not Drafts(folder).unsaved


def test_an_outline_is_taken_out(client: TestClient, folder: Path) -> None:
    """It is gone from the layer, and from the file once that is saved."""
    revision = _layers(client)["blocks"]["features"][0]["revision"]
    address = f"{HERE}/places/blocks/2"
    assert client.request("DELETE", address, json={"revision": revision}).status_code == 200
    assert [one["id"] for one in _layers(client)["blocks"]["features"]] == ["3", "4"]
    client.post(f"{HERE}/save")
    assert len(json.loads((folder / "blocks.geojson").read_text(encoding="utf-8"))["features"]) == 2
