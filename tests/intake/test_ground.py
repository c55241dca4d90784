"""From drawn outlines, a sheet of facts and a survey known in several ways to the map of the tidy folder."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest

from tests.builders import CRS, blocks, buds_table, samples, samples_table, square, write_vineyard
from tests.intake.test_drawings import kml, placemark
from vinemap.intake.tidy import write_folder
from vinemap.intake.understand import understand
from vinemap.pipeline.mapping import make_map
from vinemap.reading.vineyard import read_vineyard

NAMES = {"Ash": "Blk 1 - Ash / 667", "Birch": "Blk 2 - Birch", "Cedar": "Blk 12 - Cedar"}
ASH, BIRCH, CEDAR = (placemark(name, square(120 * k, 0)) for k, name in enumerate(NAMES.values()))
GATE = "<Placemark><name>Gate</name><Point><coordinates>-75,43.35</coordinates></Point></Placemark>"
OUTLINES = kml(f"<Folder><name>Home</name>{ASH}{BIRCH}{GATE}</Folder>", CEDAR)
VARIETIES = ["Riesling", "Chardonnay", "Merlot"]


def _facts(path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Blocks"
    sheet.append(["Vineyard blocks 2026"])
    spacings = ["Row spacing (ft)", "Vine spacing (ft)"]
    sheet.append(["Block", "Variety", *spacings, "Row direction", "First vine corner", "Acres"])
    sheet.append(["1", VARIETIES[0], 8, 5, "N-S", "SW corner", 2.47])
    sheet.append(["block 2", VARIETIES[1], "9'", "6'", "north-south", "SW", 2.47])
    sheet.append(["12", VARIETIES[2], 9, 6, "N–S", "SW", 2.47])
    book.save(path)


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """The vineyard of `tests.builders` as people have it: axes swapped in A, waypoints of B, C by its block alone."""
    folder = tmp_path / "raw"
    folder.mkdir()
    outlines, facts, buds, gpx = (folder / name for name in ("farm.kml", "blocks.xlsx", "buds.csv", "walk.gpx"))
    outlines.write_text(OUTLINES, encoding="utf-8")
    _facts(facts)
    points = samples_table().set_index("sample")
    swapped = {"Lat": "lon", "Long": "lat"}
    table = buds_table()
    for name, axis in swapped.items():
        table[name] = table["sample"].map(points[axis]).where(table["sample"].str.startswith("A"))
    table["Block"] = table["sample"].str[0].map({"A": "1", "B": "2", "C": "12"})
    table[["sample", "Block", "Lat", "Long", "cane", "node", "primary", "secondary"]].to_csv(buds, index=False)
    waypoints = samples().to_crs(4326).rename(columns={"sample": "name"}).iloc[2:4].assign(name=["b-1", "B 2"])
    gpd.GeoDataFrame(waypoints).to_file(gpx, driver="GPX", layer="waypoints")
    return [outlines, facts, buds, gpx]


def test_a_messy_ground_gives_the_map_of_the_tidy_folder(files: list[Path], tmp_path: Path) -> None:
    """Outlines in folders of a globe, facts in feet, axes swapped, waypoints, samples of a block alone: no question,
    and the figures of a folder that was tidy from the start."""
    found = understand(files)
    assert found.problems == ()
    assert found.open == ()
    write_folder(found, files, tmp_path / "made")
    vineyard = read_vineyard(tmp_path / "made")
    table = vineyard.site.blocks.set_index("block").loc[list(NAMES.values())]
    assert table["row_spacing_m"].tolist() == pytest.approx([2.4384, 2.7432, 2.7432])
    assert table["row_bearing_deg"].tolist() == [0.0] * 3
    assert table["variety"].tolist() == VARIETIES
    placed = vineyard.samples.set_index("sample").to_crs(CRS).geometry
    assert placed.isna().tolist() == [False] * 4 + [True] * 2
    assert placed.iloc[:4].distance(samples().geometry.iloc[:4].set_axis(placed.index[:4])).max() < 0.05
    notes = " ".join(found.notes)
    assert "longitude and latitude were swapped in every sample (2)" in notes
    assert "Gate" in notes

    tidy = tmp_path / "tidy"
    tidy.mkdir()
    write_vineyard(tidy)
    blocks(variety=VARIETIES).to_crs(4326).to_file(tidy / "blocks.geojson", driver="GeoJSON")
    right = samples_table()
    right = right.assign(block=right["sample"].str[0].map({"C": "Cedar"}))
    right.loc[right["block"].notna(), ["lon", "lat"]] = None
    right.to_csv(tidy / "samples.csv", index=False)
    ours, theirs = make_map(tmp_path / "made"), make_map(tidy)
    columns = ["samples", "nodes", "primary_dead", "injury_pct", "injury_low_pct", "injury_high_pct"]
    for plain, name in NAMES.items():
        one, other = ours.block(name), theirs.block(plain)
        assert one[columns].tolist() == pytest.approx(other[columns].tolist(), nan_ok=True)
        assert one["map_injury_pct"] == pytest.approx(other["map_injury_pct"], abs=0.2)


def test_questions_of_the_ground_are_few(files: list[Path]) -> None:
    """Misspelt blocks are one table; its answer settles them, and next year's files need no question."""
    outlines, _, buds, waypoints = files
    names = ("Riverbend", "Hillcrest", "Meadow")
    outlines.write_text(kml(*(placemark(name, square(120 * k, 0)) for k, name in enumerate(names))), encoding="utf-8")
    table = pd.read_csv(buds)
    table["Block"] = table["sample"].str[0].map({"A": "Rivrbend", "B": "Hillcrst", "C": "Meadw"})
    table.to_csv(buds, index=False)
    given = [outlines, buds, waypoints]
    found = understand(given)
    assert [proposal.examples[0] for proposal in found.open] == ["Rivrbend → Riverbend"]
    done = understand(given, {found.open[0].key: str(found.open[0].value)})
    assert (done.open, done.problems) == ((), ())
    assert done.tables["samples"]["block"].tolist() == ["Riverbend"] * 2 + ["Hillcrest"] * 2 + ["Meadow"] * 2


def test_what_places_nothing_is_named_once(files: list[Path]) -> None:
    """Without waypoints and blocks the samples have no place: one problem names them."""
    buds = files[2]
    pd.read_csv(buds).drop(columns=["Block"]).to_csv(buds, index=False)
    assert [str(problem) for problem in understand(files[:3]).problems] == [
        "samples.*: nothing says where 4 of 6 samples are: B1, B2, C1, C2; give each its coordinates, or its block, "
        "row and vine"
    ]


def test_a_shapefile_is_given_with_its_companions(tmp_path: Path) -> None:
    """They are no files of their own, and are kept with it; whoever gives the .shp alone gives them too."""
    raw = tmp_path / "raw"
    raw.mkdir()
    frame = blocks(ROW_FT=9, VINE_FT=6).rename(columns={"block": "BLOCK"}).drop(columns="species_group")
    frame.to_crs(2260).to_file(raw / "outlines.shp")
    place = samples().to_crs(2260)
    table = buds_table().merge(pd.DataFrame({"sample": place["sample"], "X": place.geometry.x, "Y": place.geometry.y}))
    table.drop(columns="tertiary").to_csv(raw / "cuts.csv", index=False)
    for files in (sorted(raw.iterdir()), [raw / "outlines.shp", raw / "cuts.csv"]):
        out = tmp_path / str(len(files))
        found = understand(files)
        assert (found.open, found.problems) == ((), ())
        write_folder(found, files, out)
        assert {path.name for path in (out / "originals").iterdir()} == {path.name for path in raw.iterdir()}
        vineyard = read_vineyard(out)
        assert vineyard.site.blocks["row_spacing_m"].tolist() == pytest.approx([2.7432] * 3)
        # EPSG:2260, New York East in US survey feet, by the EPSG dataset: the points come back within a metre.
        assert vineyard.samples.to_crs(CRS).geometry.distance(samples().geometry).max() < 1.5
