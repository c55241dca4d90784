"""Faults that pass for data: rows pasted twice, names alike, feet for metres, axes exchanged; a line for each cause."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
import shapely

from tests.builders import blocks, buds_table, only_problem, problems, samples_table, write_vineyard
from vinemap.errors import InputError
from vinemap.reading.shoots import read_shoots
from vinemap.reading.vineyard import read_vineyard


def write_blocks(folder: Path, frame: gpd.GeoDataFrame) -> None:
    frame.to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")


def swapped(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The outlines in longitude and latitude, with the two exchanged."""
    lonlat = frame.to_crs(4326)
    return lonlat.set_geometry(shapely.transform(lonlat.geometry.to_numpy(), lambda xy: xy[:, ::-1]), crs=4326)


def test_counts_that_stand_twice(folder: Path) -> None:
    """A sample's row of counts stands once for each part; a second one is named with the first."""
    (folder / "buds.csv").write_text(
        "sample,part,nodes,primary_dead\nA1,,10,3\nA2,basal,5,1\nA2,apical,5,1\nA1,all,10,3\nA2,basal,5,1\n"
    )
    assert [problem.split(";")[0] for problem in problems(folder)] == [
        "buds.csv:5: sample: sample 'A1' stands in row 2 already",
        "buds.csv:6: sample: part basal of sample 'A2' stands in row 3 already",
    ]


def test_counts_that_stand_in_two_sheets(folder: Path) -> None:
    """A sample counted on two sheets is named with file and sheet of the first."""
    (folder / "buds.csv").unlink()
    book = openpyxl.Workbook()
    for title in ("one", "two"):
        sheet = book.create_sheet(title)
        sheet.append(["sample", "nodes", "primary_dead"])
        sheet.append(["A1", 10, 3])
    del book["Sheet"]
    book.save(folder / "buds.xlsx")
    assert only_problem(folder).startswith("buds.xlsx[two]:2: sample: sample 'A1' stands in buds.xlsx[one]:2 already;")


@pytest.mark.parametrize("name", ["ash", "A sh", "ASH "])
def test_blocks_of_one_name_in_two_spellings(folder: Path, name: str) -> None:
    """Blocks whose names differ in capitals and spaces alone cannot be told apart by the samples' blocks."""
    frame = blocks()
    frame.loc[2, "block"] = name
    write_blocks(folder, frame)
    words = f"blocks.geojson:4: block: {name.strip()!r} stands in row 2 already as 'Ash'; give each block"
    assert only_problem(folder).startswith(words)


def test_samples_of_one_name_in_two_spellings(folder: Path) -> None:
    """Samples whose names differ in capitals and spaces alone are read, and named."""
    table = samples_table()
    table.loc[[2, 4], "sample"] = ["a1", "A 1"]
    table.to_csv(folder / "samples.csv", index=False)
    buds = buds_table()
    buds[buds["sample"].isin(["A1", "A2"])].to_csv(folder / "buds.csv", index=False)
    assert read_vineyard(folder).warnings[0] == (
        "samples.csv: 'A1' (row 2), 'a1' (row 4) and 'A 1' (row 6) differ in capitals or spaces alone and were read "
        "as 3 samples; correct the names if they are one."
    )


def test_spacings_in_feet(folder: Path) -> None:
    """Vines more than twice or less than half of ground by spacings are named; 10,000 m² / (9 x 6 m) = 185 vines."""
    # 2666 vines are 10,000 m² / (2.5 m x 1.5 m).
    write_blocks(folder, blocks(vines=[2000, 2666, 80], row_spacing_m=[9.0, 2.5, 9.0], vine_spacing_m=[6.0, 1.5, 6.0]))
    assert read_vineyard(folder).warnings == (
        "Block Ash: 2,000 vines are given, but 1.00 ha at 9 m by 6 m have room for about 185: are the spacings in "
        "feet? Then call their columns row_spacing_ft and vine_spacing_ft.",
        "Block Cedar: 80 vines are given, but 1.00 ha at 9 m by 6 m have room for about 185: is the number of vines or "
        "a spacing wrong?",
    )


def test_first_vine_with_its_axes_exchanged(folder: Path) -> None:
    """A first vine far from its block is the block's fault: no sample that is placed by it is named besides."""
    corners = blocks().to_crs(4326).bounds
    columns = {"row_spacing_m": 2.5, "vine_spacing_m": 1.5, "row_bearing_deg": 0.0}
    lat = corners["miny"].tolist()
    lon = corners["minx"].tolist()
    write_blocks(folder, blocks(first_vine_lon=[lat[0], *lon[1:]], first_vine_lat=[lon[0], *lat[1:]], **columns))
    table = samples_table()[["sample"]].assign(block="Ash", row=1, vine=2)
    table.to_csv(folder / "samples.csv", index=False)
    problem = only_problem(folder)
    assert problem.startswith("blocks.geojson:2: first_vine_lon, first_vine_lat: the first vine (43.3")
    assert "of block 'Ash' lies " in problem
    assert problem.endswith("km from it: longitude and latitude seem swapped; exchange the two")


@pytest.mark.parametrize("both", [False, True])
def test_blocks_with_their_axes_exchanged(folder: Path, both: bool) -> None:
    """Blocks in the Antarctic are at fault themselves, whether or not the samples lie there too."""
    write_blocks(folder, swapped(blocks()))
    if both:
        table = samples_table()
        table[["lon", "lat"]] = table[["lat", "lon"]].to_numpy()
        table.to_csv(folder / "samples.csv", index=False)
    found = problems(folder)
    assert len(found) == 3
    assert all("has a latitude beyond 65, where no vines grow" in problem for problem in found)
    assert all(problem.startswith("blocks.geojson:") for problem in found)


def test_axes_exchanged_where_vines_grow_both_ways(folder: Path) -> None:
    """Where either file may be the one at fault, both are named."""
    ground, table = blocks().to_crs(4326), samples_table()
    # The demonstration's own place moved to longitude 20 east: 43 north, 20 east and 20 north, 43 east both have vines.
    shift = 95.0
    ground.geometry = ground.translate(shift, 0)
    table["lon"] += shift
    write_blocks(folder, swapped(ground))
    table.to_csv(folder / "samples.csv", index=False)
    problem = only_problem(folder)
    assert "longitude and latitude seem swapped in every row (or else in blocks.geojson)" in problem
    assert problem.endswith(
        "see whether samples.csv or blocks.geojson lies where the vineyard is, and correct the other"
    )


def test_missing_columns_of_files_with_names_of_their_own(folder: Path, tmp_path: Path) -> None:
    """The remedy names the table of the settings that is read for the file; none where no settings are read."""
    (folder / "samples.csv").rename(folder / "points.csv")
    buds_table().rename(columns={"sample": "bag"}).to_csv(folder / "razor.csv", index=False)
    (folder / "buds.csv").unlink()
    samples_table().rename(columns={"sample": "bag"}).to_csv(folder / "points.csv", index=False)
    (folder / "vinemap.toml").write_text('[files]\nsamples = "points.csv"\nbuds = "razor.csv"\n')
    first, second = problems(folder)
    assert 'or name yours in vinemap.toml as [columns.samples] sample = "..."' in first
    assert 'or name yours in vinemap.toml as [columns.buds] sample = "..."' in second
    spring = tmp_path / "shoots.csv"
    spring.write_text("sample,shoots\nA1,3\n")
    with pytest.raises(InputError) as caught:
        read_shoots(spring, {"A1"})
    assert str(caught.value) == "shoots.csv: nodes: the column is missing; add it; the columns are sample, shoots"


def test_the_ambiguous_date_is_quoted(folder: Path) -> None:
    """Of a column of dates the message quotes one that reads two ways."""
    dates = ["2025-01-25", "5/5/2025", "2/1/2025", "2025-01-25", "", "2025-01-25"]
    samples_table().assign(date=dates).to_csv(folder / "samples.csv", index=False)
    assert "samples.csv: dates such as 2/1/2025 were read day first;" in read_vineyard(folder).warnings[0]


def test_samples_older_than_the_freeze(folder: Path) -> None:
    """Canes collected before the freeze cannot show its injury."""
    (folder / "vinemap.toml").write_text("event_date = 2025-01-22\n")
    dates = ["2025-01-25", "2024-01-25", "2025-01-22", "2025-01-25", "", "2024-01-26"]
    samples_table().assign(date=dates).to_csv(folder / "samples.csv", index=False)
    assert read_vineyard(folder).warnings == (
        "samples.csv: 2 samples are dated before the freeze of 2025-01-22, A2 the first (2024-01-25); correct the "
        "dates, or event_date in vinemap.toml.",
    )


def test_one_line_for_a_fault_of_a_whole_column(folder: Path) -> None:
    """A word that no row should hold is one problem with a count; a fault of few rows is still named row by row."""
    buds_table().assign(primary="verde").to_csv(folder / "buds.csv", index=False)
    words = (
        "buds.csv:2: primary: 'verde' is neither alive nor dead nor unread (so in 24 of 24 rows, the first one here);"
    )
    assert only_problem(folder).startswith(words)
    buds = buds_table()
    buds.loc[:5, "primary"] = "verde"
    buds.to_csv(folder / "buds.csv", index=False)
    assert len(problems(folder)) == 6


def test_basal_buds_of_a_cane_are_given_once(folder: Path) -> None:
    """Two rows of one cane that give other numbers of dead basal buds are a problem that names both rows."""
    header = "sample,cane,node,primary,noncount_alive,noncount_dead"
    rows = [header, "S1,1,1,alive,2,1", "S1,1,2,dead,2,2", "S1,1,3,dead,,"]
    (folder / "buds.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (found,) = [line for line in problems(folder) if "noncount" in line]
    assert found.startswith("buds.csv:3: noncount_dead: 2, but row 2 has 1 for cane '1' of sample 'S1'")


def test_one_line_for_a_table_pasted_twice(folder: Path) -> None:
    """Node rows and rows of counts pasted twice are one problem each."""
    pd.concat([buds_table()] * 2).to_csv(folder / "buds.csv", index=False)
    assert "stands in row 2 already (so in 24 of 48 rows, the first one here);" in only_problem(folder)
    counts = pd.DataFrame({"sample": samples_table()["sample"], "nodes": 9, "primary_dead": 1})
    pd.concat([counts] * 2).to_csv(folder / "buds.csv", index=False)
    assert "sample 'A1' stands in row 2 already (so in 6 of 12 rows, the first one here);" in only_problem(folder)


def test_one_line_for_samples_of_another_file(folder: Path) -> None:
    """Where no sample of the buds is known, the first one is named and the others are counted."""
    buds = buds_table()
    buds.assign(sample="Q" + buds["sample"]).to_csv(folder / "buds.csv", index=False)
    assert "(so in 6 of 6 samples, the first one here)" in only_problem(folder)


def test_a_title_above_the_header_of_a_workbook(tmp_path: Path) -> None:
    """A title read as the header is one problem, which says to delete it; its rows are held against nothing else."""
    folder = write_vineyard(tmp_path, skip=("buds",))
    book = openpyxl.Workbook()
    rows = [["Bud survey"], [], list(buds_table().columns), *buds_table().to_numpy().tolist()]
    for row in rows:
        book.active.append(row)
    book.active.merge_cells("A1:F1")
    book.save(folder / "buds.xlsx")
    assert only_problem(folder) == (
        "buds.xlsx:1: the first row, read as the header, has 1 cell, and 25 of 25 rows below have more (row 3 is the "
        "first); if title rows or merged cells stand above the header, delete them, and name every column"
    )
