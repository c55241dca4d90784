"""Vine rows drawn as lines: read, every fault named, numbered from one end, and their block's facts taken from them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, MultiLineString, Point
from shapely.affinity import translate

from tests.builders import CRS, EAST, NORTH, blocks, only_problem, problems, vine_rows, write_vineyard
from vinemap.reading.frames import block_frames, known_rows
from vinemap.reading.vineyard import Vineyard, read_vineyard


def line(*corners: tuple[float, float]) -> LineString:
    return LineString([(EAST + x, NORTH + y) for x, y in corners])


def written(folder: Path, rows: gpd.GeoDataFrame, name: str = "rows.geojson", **columns: object) -> Path:
    """A faultless folder with these rows."""
    write_vineyard(folder, skip=("blocks",))
    blocks(**columns).to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    rows.to_crs(4326).to_file(folder / name)
    return folder


def read(folder: Path, rows: gpd.GeoDataFrame, **columns: object) -> Vineyard:
    return read_vineyard(written(folder, rows, **columns))


@pytest.mark.parametrize("name", ["rows.geojson", "rows.gpkg", "rows.fgb", "rows.shp"])
def test_rows_are_read_and_say_what_their_block_does_not(tmp_path: Path, name: str) -> None:
    """Rows 3 m apart of 50 vines each over 98 m, so 2 m from vine to vine, that run due north on this meridian."""
    site = read_vineyard(written(tmp_path, vine_rows(vines=50), name)).site
    assert site.rows is not None
    assert site.rows["row"].tolist() == [1, 2, 3, 4]
    ash = site.blocks.iloc[0]
    assert [ash["row_spacing_m"], ash["vine_spacing_m"], ash["row_bearing_deg"]] == [3.0, 2.0, 0.0]
    assert site.blocks.iloc[1:][["row_spacing_m", "vine_spacing_m", "row_bearing_deg"]].isna().all(axis=None)


def test_what_a_block_states_stands(tmp_path: Path) -> None:
    """A stated spacing is not overruled by the drawing; a row has as many vines as it makes room for, 98 / 1.4 + 1."""
    site = read(tmp_path, vine_rows(), row_spacing_m=[2.8, 2.8, 2.8], vine_spacing_m=[1.4, 1.4, 1.4]).site
    assert site.blocks["row_spacing_m"].tolist() == [2.8] * 3
    frame = known_rows(site.blocks, site.rows)["Ash"]
    assert [frame.vines(row) for row in frame.numbers] == [71] * 4


def test_a_bent_row_counts_along_its_bend(tmp_path: Path) -> None:
    """30 m north, then 40 m east: with 2 m from vine to vine, vine 16 stands in the bend and vine 36, the last, at its
    end; a place 1 m beside (20, 30) is nearest to vine 16 + 10 of row 7."""
    bent = gpd.GeoDataFrame({"block": ["Ash"], "row": [7]}, geometry=[line((1, 1), (1, 31), (41, 31))], crs=CRS)
    site = read(tmp_path, bent, vine_spacing_m=[2.0, 2.0, 2.0]).site
    frame = known_rows(site.blocks, site.rows)["Ash"]
    assert list(frame.numbers) == [7]
    assert frame.vines(7) == 36
    for vine, place in ((1, (1, 1)), (16, (1, 31)), (26, (21, 31)), (36, (41, 31))):
        assert frame.place(7, vine) == pytest.approx((EAST + place[0], NORTH + place[1]), abs=0.01)
        assert frame.places(7)[vine - 1] == pytest.approx((EAST + place[0], NORTH + place[1]), abs=0.01)
    assert frame.nearest(np.array([EAST + 21, NORTH + 32])) == (7, 26)
    assert frame.on_row(np.array([EAST + 21, NORTH + 32])) == pytest.approx((EAST + 21, NORTH + 31), abs=0.01)


def test_rows_without_a_block_go_where_they_lie(tmp_path: Path) -> None:
    """The second block begins 120 m east: a row there is its own."""
    rows = pd.concat([vine_rows(1), vine_rows(1).set_geometry([translate(vine_rows(1).geometry[0], 120)])])
    site = read(tmp_path, rows.drop(columns="block")).site
    assert site.rows is not None
    assert site.rows["block"].tolist() == ["Ash", "Birch"]


def test_rows_drawn_up_and_down_all_start_at_one_end(tmp_path: Path) -> None:
    """A row drawn against row 1 is turned, and that is said."""
    rows = vine_rows()
    rows = rows.set_geometry([one.reverse() if k == 1 else one for k, one in enumerate(rows.geometry)], crs=CRS)
    vineyard = read(tmp_path, rows, vine_spacing_m=[2.0, 2.0, 2.0])
    frame = known_rows(vineyard.site.blocks, vineyard.site.rows)["Ash"]
    assert frame.place(2, 1) == pytest.approx((EAST + 4.5, NORTH + 1), abs=0.01)
    (warning,) = [text for text in vineyard.warnings if text.key == "warning.rows.turned"]
    assert "(2)" in warning


def test_a_first_vine_says_at_which_end_rows_start(tmp_path: Path) -> None:
    """With the first vine in the north all rows drawn from the south are turned, and nobody is asked."""
    first = gpd.GeoSeries([Point(EAST + 1.5, NORTH + 99)], crs=CRS).to_crs(4326)[0]
    facts = {"first_vine_lon": [first.x, np.nan, np.nan], "first_vine_lat": [first.y, np.nan, np.nan]}
    vineyard = read(tmp_path, vine_rows(), vine_spacing_m=[2.0, 2.0, 2.0], **facts)
    frame = known_rows(vineyard.site.blocks, vineyard.site.rows)["Ash"]
    assert frame.place(1, 1) == pytest.approx((EAST + 1.5, NORTH + 99), abs=0.01)
    assert not [text for text in vineyard.warnings if text.key == "warning.rows.turned"]


def test_rows_without_numbers_are_counted_across(tmp_path: Path) -> None:
    """Drawn in any order and without numbers, rows count from the western side, and that is said."""
    rows = vine_rows(3, 1, 2).drop(columns="row")
    vineyard = read(tmp_path, rows, vine_spacing_m=[2.0, 2.0, 2.0])
    frame = known_rows(vineyard.site.blocks, vineyard.site.rows)["Ash"]
    assert [frame.place(row, 1)[0] - EAST for row in frame.numbers] == pytest.approx([1.5, 4.5, 7.5], abs=0.01)
    (warning,) = [text for text in vineyard.warnings if text.key == "warning.rows.counted"]
    assert "counted from the west side" in warning


def test_samples_and_plans_go_by_drawn_rows(tmp_path: Path) -> None:
    """A sample known by row and vine stands on the drawn row; one in a row that is not drawn is refused."""
    folder = written(tmp_path, vine_rows(11, 12, 13), vine_spacing_m=[2.0, 2.0, 2.0])
    table = pd.read_csv(folder / "samples.csv").assign(block=None, row=np.nan, vine=np.nan)
    table.loc[0, ["lon", "lat", "block", "row", "vine"]] = [np.nan, np.nan, "Ash", 12, 4]
    table.to_csv(folder / "samples.csv", index=False)
    vineyard = read_vineyard(folder)
    place = vineyard.samples.to_crs(CRS).geometry[0]
    assert (place.x - EAST, place.y - NORTH) == pytest.approx((34.5, 7.0), abs=0.01)
    _, frames = block_frames(vineyard.site.blocks, vineyard.site.rows)
    assert frames[0] is not None
    assert frames[0].nearest(np.array([place.x, place.y])) == (12, 4)
    table.assign(row=table["row"].replace(12, 4)).to_csv(folder / "samples.csv", index=False)
    assert "there is no row 4: 3 rows of the block are drawn, 11 to 13" in only_problem(folder)


FAULTS = {
    "a row outside its block": (
        vine_rows(1).set_geometry([translate(vine_rows(1).geometry[0], 60, 130)], crs=CRS),
        "rows.geojson:2: block: lies outside its block 'Ash', by up to 129 m",
    ),
    "a number twice": (
        pd.concat([vine_rows(1, 2), vine_rows(2)]),
        "rows.geojson:4: row: row 2 of block 'Ash' stands in row 3 already",
    ),
    "no such block": (
        vine_rows(1, block="Asch"),
        "rows.geojson:2: block: there is no block 'Asch'; did you mean 'Ash'?",
    ),
    "in no block": (
        vine_rows(1).drop(columns="block").set_geometry([translate(vine_rows(1).geometry[0], -60)], crs=CRS),
        "rows.geojson:2: geometry: lies in no block",
    ),
    "a number missing": (
        vine_rows(1, 2).assign(row=[1, None]),
        "rows.geojson:3: row: the vine row has no number, and others of block 'Ash' have theirs",
    ),
    "a point": (
        vine_rows(1).set_geometry([Point(EAST + 5, NORTH + 5)], crs=CRS),
        "rows.geojson:2: geometry: the vine row is a point, not one line",
    ),
    "two lines": (
        vine_rows(1).set_geometry([MultiLineString([line((1, 1), (1, 9)), line((1, 30), (1, 60))])], crs=CRS),
        "rows.geojson:2: geometry: the vine row is 2 lines apart, not one line",
    ),
    "a line that is none": (
        vine_rows(1).set_geometry([line((1, 1), (1.1, 1))], crs=CRS),
        "rows.geojson:2: geometry: the line of the vine row is under 0.5 m long",
    ),
    "more vines than there is room for": (
        vine_rows(1, vines=[492]),
        "rows.geojson:2: vines: 492 vines on 98.0 m stand less than 0.2 m apart",
    ),
    "a number of vines that is none": (
        vine_rows(1, vines=[0]),
        "rows.geojson:2: vines: 0 is below 1; give the number of vines, 1 or more",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_named_with_file_and_row(tmp_path: Path, fault: str) -> None:
    """What is wrong with a row is said once, where it stands, with what to do."""
    rows, message = FAULTS[fault]
    (found,) = problems(written(tmp_path, gpd.GeoDataFrame(rows, crs=CRS)))
    assert found.startswith(message)
    assert ";" in found


def test_rows_whose_vines_cannot_be_counted_are_not_named(tmp_path: Path) -> None:
    """Without a spacing and without counts nobody knows the vines, and the keeper is told so."""
    vineyard = read(tmp_path, vine_rows())
    assert known_rows(vineyard.site.blocks, vineyard.site.rows) == {}
    assert [text.key for text in vineyard.warnings if "rows" in text.key] == ["warning.rows.no_vines"]


def test_no_block_can_miss_more_vines_than_it_has(tmp_path: Path) -> None:
    """As many missing as there are, or as the ground has room for (10,000 m² of 3 m by 2 m: 1,667), is a slip."""
    facts = {"row_spacing_m": [3.0] * 3, "vine_spacing_m": [2.0] * 3, "vines": [1500, np.nan, np.nan]}
    folder = written(tmp_path, vine_rows(), **facts, missing_vines=[1500, 1667, 1666])
    found = problems(folder)
    assert [text.split(";")[0] for text in found] == [
        "blocks.geojson:2: missing_vines: 1,500 vines of 'Ash' are missing, and it has 1,500",
        "blocks.geojson:3: missing_vines: 1,667 vines of 'Birch' are missing, and it has 1,667",
    ]
