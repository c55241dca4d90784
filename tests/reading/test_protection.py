"""protection.*: points, lines and polygons with kind and reach; what cannot be placed or means nothing is named."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString, Point

from tests.builders import CRS, EAST, NORTH, only_problem, problems, square
from vinemap.reading.vineyard import read_site, read_vineyard, summary


def _write(folder: Path, rows: list[tuple[object, ...]], shapes: list[object]) -> None:
    frame = pd.DataFrame(rows, columns=["name", "kind", "reach_m", "ran"])
    gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS).to_file(folder / "protection.gpkg")


def _table(folder: Path, text: str) -> None:
    (folder / "protection.csv").write_text(text, encoding="utf-8")


def test_points_lines_and_polygons_are_read(folder: Path) -> None:
    """Each has kind, reach and whether it ran; what only stands there did, and what must be started may be unknown."""
    east = [EAST + 50, EAST + 170]
    fans = [Point(east[0], NORTH + 50), Point(east[1], NORTH + 50)]
    hedge = LineString([(EAST, NORTH - 10), (EAST + 340, NORTH - 10)])
    rows = [("fan", "wind_machine", 60.0, "yes"), ("old fan", "Wind machine", 60.0, None)]
    rows += [("hedge", "barrier", 40.0, None), ("net", "cover", None, None)]
    _write(folder, rows, [*fans, hedge, square(240, 0)])
    vineyard = read_vineyard(folder)
    found = vineyard.site.protection
    assert found is not None
    assert found.crs == vineyard.site.crs
    assert found["ran"].tolist() == [True, None, True, True]
    assert found["kind"].tolist() == ["wind_machine", "wind_machine", "barrier", "cover"]
    assert vineyard.warnings == (
        "protection.gpkg: whether it ran is not said in row 3: it is drawn on the map, and tells nothing.",
    )
    assert summary(vineyard)[-1] == "Frost protection: 4, of which 3 ran."


def test_a_table_with_lon_and_lat_and_feet(folder: Path) -> None:
    """A table of machines will do, its reach in feet too, and the settings may name its file and columns."""
    place = gpd.GeoSeries([Point(EAST + 50, NORTH + 50)], crs=CRS).to_crs(4326).iloc[0]
    (folder / "fans.csv").write_text(
        f"what,reach_ft,ran,lon,lat\nwind_machine,400,no,{place.x},{place.y}\n", encoding="utf-8"
    )
    (folder / "vinemap.toml").write_text('[files]\nprotection = "fans.csv"\n[columns.protection]\nkind = "what"\n')
    found = read_site(folder).protection
    assert found is not None
    assert found["reach_m"].tolist() == pytest.approx([121.92])
    assert found["ran"].tolist() == [False]
    assert found.geometry.iloc[0].distance(Point(EAST + 50, NORTH + 50)) < 0.01


def test_what_reaches_no_block_is_named(folder: Path) -> None:
    """A machine a kilometre off is drawn, and said to reach no block."""
    _write(folder, [("far", "heater", 20.0, "yes")], [Point(EAST + 1500, NORTH + 50)])
    assert read_vineyard(folder).warnings == ("protection.gpkg: what stands in row 2 reaches no block.",)


HEAD = "kind,reach_m,ran,lon,lat\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"{HEAD}propeller,100,yes,-75,43.35", "protection.csv:2: kind: "),
        (f"{HEAD},100,yes,-75,43.35", "protection.csv:2: kind: "),
        (f"{HEAD}heater,0,yes,-75,43.35", "protection.csv:2: reach_m: "),
        (f"{HEAD}heater,5000,yes,-75,43.35", "protection.csv:2: reach_m: "),
        (f"{HEAD}heater,a lot,yes,-75,43.35", "protection.csv:2: reach_m: "),
        (f"{HEAD}heater,30,sometimes,-75,43.35", "protection.csv:2: ran: "),
        (f"{HEAD}heater,,yes,-75,43.35", "protection.csv:2: reach_m: a point or a line protects nothing without"),
        (f"{HEAD}heater,30,yes,,43.35", "protection.csv:2: geometry: it has no place"),
        (f"{HEAD}heater,30,yes,43.35,-75", "protection.csv:2: geometry: it lies "),
        (f"{HEAD}heater,30,yes,-275,43.35", "protection.csv:2: lon: "),
        ("reach_m,ran,lon,lat\n30,yes,-75,43.35", "protection.csv: kind: the column is missing"),
        ("kind,reach_m,reach_ft,ran,lon,lat\nheater,30,98,yes,-75,43.35", "protection.csv: reach_m: "),
        ("", "protection.csv: is empty (0 bytes)"),
    ],
)
def test_faults_are_named_with_their_row(folder: Path, text: str, said: str) -> None:
    """A kind, a reach, a place that means nothing stops the run, named once by file, row and column."""
    _table(folder, text)
    assert only_problem(folder).startswith(said)


def test_two_files_and_shapes_without_a_place_are_named(folder: Path) -> None:
    """Two files of protection are one too many; a layer without a CRS, or with an empty shape, has no place."""
    _write(folder, [("fan", "heater", 20.0, "yes")], [Point(EAST, NORTH)])
    _table(folder, f"{HEAD}heater,30,yes,-75,43.35")
    assert problems(folder)[0].startswith("protection.csv: protection.csv and protection.gpkg both hold protection; ")
    (folder / "protection.csv").unlink()
    _write(folder, [("fan", "heater", 20.0, "yes")], [Point()])
    assert only_problem(folder).startswith("protection.gpkg:2: geometry: it has no place")
    frame = gpd.GeoDataFrame({"kind": ["heater"], "reach_m": [20.0]}, geometry=[Point(EAST, NORTH)])
    frame.to_file(folder / "protection.gpkg")
    assert only_problem(folder).startswith("protection.gpkg: states no CRS")
