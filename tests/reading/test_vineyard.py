"""A vineyard folder as a whole: the tables that come out, and every fault named in one run."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point

from tests.builders import (
    blocks,
    buds_table,
    only_problem,
    problems,
    samples_table,
    square,
    write_elevation,
    write_large_vineyard,
    write_vineyard,
)
from vinemap.errors import InputError, VinemapError
from vinemap.reading import wide
from vinemap.reading.vineyard import BLOCK_COLUMNS, SAMPLE_COLUMNS, Vineyard, read_vineyard, summary


def test_tables(folder: Path) -> None:
    """The tables have the columns and kinds that the rest of vinemap builds on."""
    vineyard = read_vineyard(folder)
    assert tuple(vineyard.site.blocks.columns) == BLOCK_COLUMNS
    assert tuple(vineyard.samples.columns) == SAMPLE_COLUMNS
    assert list(vineyard.site.blocks["block"]) == ["Ash", "Birch", "Cedar"]
    assert vineyard.site.blocks["variety"].tolist() == [None] * 3
    assert vineyard.site.blocks["own_rooted"].tolist() == [None] * 3
    assert vineyard.site.blocks["pruning"].tolist() == ["cane"] * 3
    assert vineyard.site.blocks["vines"].dtype == float
    assert vineyard.samples["date"].dtype.kind == "M"
    assert vineyard.samples["stated_block"].tolist() == [None] * 6
    noncount = ["noncount_alive", "noncount_dead"]
    buds = ["primary", "secondary", "tertiary"]
    assert list(vineyard.nodes.columns) == ["sample", "cane", "node", *buds, *noncount, "reader"]
    assert vineyard.nodes[noncount].isna().all(axis=None)
    assert vineyard.nodes.drop(columns=noncount).iloc[2].tolist() == ["A1", "1", 3, "dead", "alive", "unread", None]
    assert vineyard.counts.empty
    assert vineyard.wood.empty
    assert vineyard.site.crs == vineyard.site.blocks.crs == vineyard.samples.crs
    assert vineyard.site.crs.to_epsg() == 32618
    assert vineyard.site.name == "vineyard"
    assert vineyard.warnings == ()


def test_blocks_in_full(folder: Path) -> None:
    """Every column of a block arrives, under other spellings too, and the default pruning fills the gaps."""
    frame = blocks(
        Variety=["Riesling", " ", None],
        **{"Species Group": ["Vinifera", "HYBRID", ""]},
        RowSpacing_m=["2,5", "3", ""],
        vine_spacing_M=[1.5, 2.0, None],
        VINES=["1 200", "800", ""],
        missing_vines=["12", "", None],
        vines_between_posts=[4, None, None],
        nodes_per_vine=[40, 44, None],
        Trunks=[2, 1, None],
        planted=[2011, 1989, None],
        pruning=["Spur", "", "cane"],
        OwnRooted=["sí", "no", ""],
        Hilled=["yes", "", "no"],
        pruning_weight_kg=["1,1", None, None],
        dead_before_pct=["8,5", None, None],
        normal_yield_t_ha=[9, None, None],
        row_bearing_deg=[12.5, None, None],
        First_Vine_Lon=[-75.0, None, None],
        first_vine_lat=["43,35", "", ""],
    )
    (folder / "blocks.geojson").unlink()
    frame.to_file(folder / "blocks.gpkg")
    (folder / "vinemap.toml").write_text('default_pruning = "spur"\n')
    found = read_vineyard(folder).site.blocks
    assert found.iloc[0].drop("geometry").to_dict() == {
        "block": "Ash",
        "variety": "Riesling",
        "species_group": "vinifera",
        "row_spacing_m": 2.5,
        "vine_spacing_m": 1.5,
        "vines": 1200.0,
        "missing_vines": 12.0,
        "vines_between_posts": 4.0,
        "nodes_per_vine": 40.0,
        "trunks": 2.0,
        "planted": 2011.0,
        "pruning": "spur",
        "own_rooted": True,
        "hilled": True,
        "pruning_weight_kg": 1.1,
        "dead_before_pct": 8.5,
        "normal_yield_t_ha": 9.0,
        "row_bearing_deg": 12.5,
        "first_vine_lon": -75.0,
        "first_vine_lat": 43.35,
        "area_ha": pytest.approx(1.0),
    }
    assert found["variety"].tolist() == ["Riesling", None, None]
    assert found["pruning"].tolist() == ["spur", "spur", "cane"]
    assert found["own_rooted"].tolist() == [True, False, None]
    assert np.isnan(found["row_spacing_m"].iloc[2])


def test_other_column_names_by_the_settings(folder: Path) -> None:
    """The settings map any name; a name that is not there and a key that is none of ours are problems."""
    buds_table().rename(columns={"sample": "Probe", "primary": "Haupt"}).to_csv(folder / "buds.csv", index=False)
    toml = folder / "vinemap.toml"
    toml.write_text('[columns.buds]\nsample = "probe"\nprimary = "HAUPT"\n')
    assert len(read_vineyard(folder).nodes) == 24
    toml.write_text('[columns.buds]\nsample = "probe"\nprimary = "HAUPT"\nnode = "Auge"\nprimry = "x"\n')
    first, second = problems(folder)
    assert first.startswith("vinemap.toml: columns.buds.primry: 'primry' is no column of buds; the nearest is primary;")
    assert second.startswith("buds.csv: Auge: there is no such column, though vinemap.toml names it for node;")


def test_counts(folder: Path) -> None:
    """Rows of counts are known by their columns; parts that are not given mean all nodes."""
    (folder / "buds.csv").write_text(
        "Sample;Nodes;Primary dead;secondary_dead;part\nA1;10;3;1;Basal\nA1;12;2;;apical\nA2;20,0;0;;\n"
    )
    vineyard = read_vineyard(folder)
    assert vineyard.nodes.empty
    unasked = ["tertiary_dead", "primary_dead_before", "noncount_alive", "noncount_dead", "reader"]
    assert vineyard.counts.drop(columns=unasked).fillna(-1).to_numpy().tolist() == [
        ["A1", "basal", 10, 3, 1.0],
        ["A1", "apical", 12, 2, -1.0],
        ["A2", "all", 20, 0, -1.0],
    ]
    assert vineyard.counts["tertiary_dead"].isna().all()
    assert vineyard.counts["primary_dead"].dtype == np.int64
    assert "42 nodes cut, given as 3 rows of counts." in summary(vineyard)
    assert vineyard.warnings == ("No buds were given for the samples B1, B2, C1, C2.",)


def test_nodes_without_numbers(folder: Path) -> None:
    """Nodes without a number are numbered in file order within sample and cane, and a warning says so."""
    (folder / "buds.csv").write_text("sample,cane,primary\nA1,x,alive\nA1,y,dead\nA1,x,dead\nA2,,1\n")
    vineyard = read_vineyard(folder)
    assert vineyard.nodes["node"].tolist() == [1, 1, 2, 1]
    assert vineyard.nodes["cane"].tolist() == ["x", "y", "x", "1"]
    assert vineyard.warnings[0] == "buds.csv: 1 was read as alive and 0 as dead."
    assert vineyard.warnings[1].startswith("buds.csv: 4 of 4 nodes have no number; they were numbered in the order")


def test_more_nodes_than_a_vineyard_has_in_a_row_a_cane(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nodes are counted as they are unfolded, not rows: a cane of a thousand nodes takes one row."""
    monkeypatch.setattr(wide, "MOST_ROWS", 5)
    (folder / "buds.csv").write_text("sample,n1,n2,n3\nA1,D,D,D\nA2,D,D,D\nB1,A,A,A\n")
    assert only_problem(folder) == "buds.csv: holds more than 5 nodes; keep only what belongs to this vineyard"


@pytest.mark.parametrize(("last", "questioned"), [(25, False), (27, True), (151, True)])
def test_a_node_far_beyond_the_others(folder: Path, last: int, questioned: bool) -> None:
    """After nodes 1 to 13 the next number is questioned from 27 on: 151 is 15 with a finger that slipped."""
    numbers = [*range(1, 14), last]
    rows = "".join(f"A1,1,{number},dead\n" for number in numbers)
    (folder / "buds.csv").write_text(f"sample,cane,node,primary\n{rows}A2,1,9,dead\nB1,1,1,alive\n")
    told = [words for words in read_vineyard(folder).warnings if "far beyond" in words]
    start = (
        f"buds.csv: a node lies far beyond the one before it on its cane: node {last} after node 13, sample A1, cane 1."
    )
    assert [words[: len(start)] for words in told] == [start] * questioned


def test_nodes_with_some_numbers(folder: Path) -> None:
    """A cane with numbers on some nodes only is a problem: its order is not known."""
    (folder / "buds.csv").write_text("sample,node,primary\nA1,1,alive\nA1,,dead\nA2,,dead\n")
    assert only_problem(folder).startswith("buds.csv:3: node: is empty, though other nodes of the cane have numbers;")


def test_both_shapes_in_one_file(folder: Path) -> None:
    """Node rows and counts in one file are a problem with advice; so is neither of them."""
    (folder / "buds.csv").write_text("sample,primary,nodes,primary_dead\nA1,alive,4,1\n")
    assert only_problem(folder) == (
        "buds.csv: has both primary (a row a node) and primary_dead (a row of counts); keep one way in one file: the "
        "node rows say more, so delete the columns of counts"
    )
    (folder / "buds.csv").write_text("sample,bud\nA1,alive\n")
    assert only_problem(folder).startswith("buds.csv: has neither the column primary (a row a node) nor nodes and")


def test_wood(folder: Path) -> None:
    """Wood checks arrive in the words of the contract."""
    (folder / "wood.csv").write_text("sample,Tissue,phloem,xylem\nA1,Cane,brown,green\nA2,trunk,live,\n")
    vineyard = read_vineyard(folder)
    read = vineyard.wood[["sample", "tissue", "phloem", "xylem", "visit"]].to_numpy().tolist()
    assert read == [["A1", "cane", "dead", "alive", "winter"], ["A2", "trunk", "alive", "unread", "winter"]]
    assert "2 wood checks on 2 samples." in summary(vineyard)


def test_names_across_kinds_of_files(folder: Path) -> None:
    """A sample that is text in one file, a number in a workbook and 7.0 in its formula is one sample."""
    table = samples_table()
    table["sample"] = ["1", "2", "3", "4", "5", "6"]
    table.to_csv(folder / "samples.csv", index=False)
    (folder / "buds.csv").unlink()
    book = openpyxl.Workbook()
    book.active.append(["sample", "node", "primary"])
    for name in (1, 2.0, "3", 4, 5, 6):
        book.active.append([name, 1, True])
    book.save(folder / "buds.xlsx")
    assert read_vineyard(folder).nodes["sample"].tolist() == ["1", "2", "3", "4", "5", "6"]


def test_zeros_lost_by_a_spreadsheet(folder: Path) -> None:
    """007 and 7 are two names, and the message sees what happened."""
    table = samples_table()
    table["sample"] = [f"00{i}" for i in range(6)]
    table.to_csv(folder / "samples.csv", index=False)
    (folder / "buds.csv").write_text("sample,node,primary\n3,1,dead\n3,2,dead\n")
    assert only_problem(folder) == (
        "buds.csv:2: sample: sample '3' is not in samples.csv (2 rows, the first one here); did it mean '003'?; "
        "correct the name, or add the sample to samples.csv"
    )


def test_dates(folder: Path) -> None:
    """Dates that leave day and month open follow the column, else the units, and a warning says which."""
    table = samples_table()
    table["date"] = ["2/1/2025", "22/1/2025", "", "2025-01-23", "Jan 24, 2025", "25.1.25"]
    table.to_csv(folder / "samples.csv", index=False)
    vineyard = read_vineyard(folder)
    assert vineyard.warnings == ()
    assert vineyard.samples["date"].dt.strftime("%m-%d").tolist()[:2] == ["01-02", "01-22"]
    assert vineyard.samples["date"].isna().tolist() == [False, False, True, False, False, False]
    table["date"] = ["2/1/2025"] * 6
    table.to_csv(folder / "samples.csv", index=False)
    assert "dates such as 2/1/2025 were read day first" in read_vineyard(folder).warnings[0]
    (folder / "vinemap.toml").write_text('units = "us"')
    vineyard = read_vineyard(folder)
    assert "read month first" in vineyard.warnings[0]
    assert vineyard.samples["date"].dt.month.tolist() == [2] * 6
    table["date"] = ["13/1/2025", "1/13/2025", "2/1/2025", "", "", ""]
    table.to_csv(folder / "samples.csv", index=False)
    assert only_problem(folder).startswith("samples.csv:4: date: '2/1/2025' is not a date that can be read; write")


def test_what_is_left_out_is_named(folder: Path) -> None:
    """Columns that are not used, blocks without a sample and samples without buds are named."""
    table = samples_table().iloc[:4]
    table.assign(dat="2025-01-22", picker="me", empty="").to_csv(folder / "samples.csv", index=False)
    buds_table()[lambda frame: frame["sample"].isin(["A1", "A2", "B1"])].to_csv(folder / "buds.csv", index=False)
    assert read_vineyard(folder).warnings == (
        "samples.csv: columns not used: 'dat' (meant as date?), 'picker'.",
        "No sample joins block Cedar.",
        "No buds were given for sample B2.",
    )


def test_summary(folder: Path) -> None:
    """The summary says in plain sentences what was read."""
    write_elevation(folder / "elevation.tif")
    vineyard = read_vineyard(folder)
    assert summary(vineyard) == [
        "vineyard: 3 blocks on 3.0 ha.",
        "6 samples, all of them in a block.",
        "24 nodes cut on 6 canes: the primary bud was read at 24 and left unread at 0.",
        "An elevation grid in cells of 10 m, 0 to 118 m in and around the blocks, where heights were taken as metres: "
        "the file states no unit.",
        "No wood checks.",
    ]
    assert [sentence.said("es") for sentence in summary(vineyard)][:3] == [
        "vineyard: 3 cuarteles en 3,0 ha.",
        "6 muestras, todas en un cuartel.",
        "Yemas cortadas en 24 nudos de 6 sarmientos: la primaria se leyó en 24 y quedó sin leer en 0.",
    ]
    (folder / "vinemap.toml").write_text('units = "us"\nname = "Hill"')
    told = summary(read_vineyard(folder))
    # 1 ha = 2.4711 acres, 1 ft = 0.3048 m (NIST Handbook 44, appendix C).
    assert told[0] == "Hill: 3 blocks on 7.4 acres."
    assert told[3].startswith("An elevation grid in cells of 32.8 ft, 0 to 387 ft in and around the blocks")


def test_hardiness_of_no_variety(folder: Path) -> None:
    """A variety misspelt in the settings is named, with the one that was meant; a right one is taken."""
    toml = folder / "vinemap.toml"
    toml.write_text("[surface.hardiness]\nReisling = 3.0\nMerlot = -0.5\n")
    whole = "vinemap.toml: surface.hardiness: no block has the variety"
    assert problems(folder) == [f"{whole} {name!r}; give the blocks their variety" for name in ("Reisling", "Merlot")]
    blocks(variety=["Riesling", "Merlot", None]).to_file(folder / "blocks.geojson")
    assert only_problem(folder) == f"{whole} 'Reisling'; the nearest is 'Riesling'; write it as the blocks do"
    toml.write_text("[surface.hardiness]\nRiesling = 3.0\nMerlot = -0.5\n")
    assert problems(folder) == []


def test_hardiness_where_a_block_is_refused(folder: Path) -> None:
    """A block's own problem is not told again as a variety that no block has."""
    (folder / "vinemap.toml").write_text("[surface.hardiness]\nRiesling = 3.0\n")
    blocks(variety=["Riesling", None, None], vines=["many", None, None]).to_file(folder / "blocks.geojson")
    assert "surface.hardiness" not in only_problem(folder)


def test_no_folder(tmp_path: Path) -> None:
    """A folder that is not there is a VinemapError that names it."""
    with pytest.raises(VinemapError, match="there is no such folder"):
        read_vineyard(tmp_path / "nowhere")


def test_empty_folder(tmp_path: Path) -> None:
    """An empty folder lacks three files, each named with what to add."""
    assert [problem.split(";")[0] for problem in problems(tmp_path)] == [
        "blocks.*: the file is missing",
        "samples.*: the file is missing",
        "buds.*: the file is missing",
    ]


def faulty(folder: Path) -> set[tuple[str, int | None, str, str]]:
    """Write a folder with a fault of each kind; return file, row, column and the message's beginning of each."""
    expected: set[tuple[str, int | None, str, str]] = set()

    def plant(file: str, row: int | None, column: str, words: str) -> None:
        expected.add((file, row, column, words))

    (folder / "vinemap.toml").write_text('name = "Faults"\ngps_tolerence_m = 5\n[surface]\ncell_m = "three"\n')
    plant("vinemap.toml", 2, "gps_tolerence_m", "there is no such key")
    plant("vinemap.toml", 4, "surface.cell_m", '"three" cannot be used')

    more = gpd.GeoDataFrame(
        {"block": ["Ash", None, "Dogwood", "Elder", "Fir"], "Pruning": ["cane", "", "guyot", "spur", ""]},
        geometry=[square(400, 0), square(520, 0), square(640, 0), Point(500_800, 4_800_050), None],
        crs=blocks().crs,
    )
    pd.concat([blocks(Pruning=""), more]).to_file(folder / "blocks.gpkg", layer="blocks")
    plant("blocks.gpkg", 5, "block", "'Ash' stands in row 2 already")
    plant("blocks.gpkg", 6, "block", "is empty")
    plant("blocks.gpkg", 7, "Pruning", "'guyot' is not known here")
    plant("blocks.gpkg", 8, "geometry", "the block is drawn as a point")
    plant("blocks.gpkg", 9, "geometry", "the block has no outline")

    table = samples_table().astype(object)
    rows = [*table.to_numpy().tolist(), ["A1", -75, 43.3], ["S8", -75, 95.2], ["S9", "east", 43.3], ["S10", "", 43.3]]
    rows += [["S11", table.iloc[0, 2], table.iloc[0, 1]], ["", -75, 43.3], ["S13", -75, 43.3]]
    text = io.StringIO()
    csv.writer(text, delimiter=";").writerows([["Sample", "Lon", "Lat", "date"], *([*row, ""] for row in rows)])
    text.write("S14;-75;43,3;yesterday\r\n")
    (folder / "samples.csv").write_bytes(text.getvalue().encode("cp1252"))
    plant("samples.csv", 8, "Sample", "'A1' stands in row 2 already")
    plant("samples.csv", 9, "Lat", "'95.2' is out of range")
    plant("samples.csv", 10, "Lon", "'east' is not a number")
    plant("samples.csv", 11, "Lon", "is empty")
    plant("samples.csv", 12, "longitude, latitude", "longitude and latitude seem swapped")
    plant("samples.csv", 13, "Sample", "is empty")
    plant("samples.csv", 15, "date", "'yesterday' is not a date")

    book = openpyxl.Workbook()
    for row in (
        ["sample", "cane", "node", "primary", "secondary"],
        ["A1", 1, 1, "alive", "alive"],
        ["A1", 1, 1, "dead", "alive"],
        ["A1", 1, 0, "dead", "alive"],
        [],
        ["A1", 1, 2.5, "dead", "alive"],
        ["A2", 1, 1, "maybe", "alive"],
        ["X9", 1, 1, "dead", "alive"],
        ["A2", 1, 2, "dead", "#REF!"],
        ["A2", 1, 3, "dead", "=B2"],
        [None, 1, 4, "dead", "alive"],
    ):
        book.active.append(row)
    book.save(folder / "buds.xlsx")
    plant("buds.xlsx", 3, "node", "node 1 of cane '1', sample 'A1', stands in row 2 already")
    plant("buds.xlsx", 4, "node", "0 is below 1")
    plant("buds.xlsx", 6, "node", "2.5 is not a whole number")
    plant("buds.xlsx", 7, "primary", "'maybe' is neither alive nor dead nor unread")
    plant("buds.xlsx", 8, "sample", "sample 'X9' is not in samples.csv")
    plant("buds.xlsx", 9, "secondary", "#REF! is a spreadsheet's error")
    plant("buds.xlsx", 10, "E", "the formula '=B2' has no stored result")
    plant("buds.xlsx", 11, "sample", "is empty")

    (folder / "wood.csv").write_bytes(b"PK\x03\x04not text")
    (folder / "elevation.tif").touch()
    plant("wood.csv", None, "", "is a zip archive")
    plant("elevation.tif", None, "", "is empty (0 bytes)")
    return expected


def test_every_fault_is_named_in_one_run(tmp_path: Path) -> None:
    """A folder with faults of more than twenty kinds gets each one named once, with nothing beside them."""
    expected = faulty(tmp_path)
    assert len(expected) >= 20
    with pytest.raises(InputError) as caught:
        read_vineyard(tmp_path)
    found = caught.value.problems
    unexplained = []
    for problem in found:
        here = (problem.file, problem.row, problem.column)
        hits = {fault for fault in expected if fault[:3] == here and problem.message.startswith(fault[3])}
        if not hits:
            unexplained.append(str(problem))
        expected -= hits
    assert not expected
    assert not unexplained
    assert all(problem.remedy for problem in found)


def test_faults_of_counts(folder: Path) -> None:
    """More dead than nodes, negative, broken and missing counts, and parts counted twice are named."""
    (folder / "buds.csv").write_text(
        "sample,part,nodes,primary_dead,secondary_dead\n"
        "A1,basal,10,11,2\nA1,apical,10,-1,\nA2,all,ten,1,\nB1,all,10,2.5,11\nB2,tip,10,,\nC1,basal,5,1,\nC1,all,9,1,\n"
    )
    assert [problem.split(";")[0] for problem in problems(folder)] == [
        "buds.csv:2: primary_dead: 11 dead of 10 nodes",
        "buds.csv:3: primary_dead: '-1' is below 0",
        "buds.csv:4: nodes: 'ten' is not a number",
        "buds.csv:5: primary_dead: '2.5' is not a whole number",
        "buds.csv:5: secondary_dead: 11 dead of 10 nodes",
        "buds.csv:6: part: 'tip' is not known here",
        "buds.csv:6: primary_dead: is empty",
        "buds.csv:8: part: sample 'C1' has rows for a part and a row for all nodes, which would count nodes twice",
    ]


def test_no_more_can_have_died_before_than_are_dead(folder: Path) -> None:
    """Buds dead before the freeze are counted among the dead."""
    (folder / "buds.csv").write_text("sample,nodes,primary_dead,primary_dead_before\nA1,10,3,4\nA2,10,3,3\n")
    assert [problem.split(";")[0] for problem in problems(folder)] == [
        "buds.csv:2: primary_dead_before: 4 dead before the freeze of 3 dead"
    ]


def test_wood_that_contradicts_itself(folder: Path) -> None:
    """A share browned that the phloem denies, a grade that the tissues deny and unknown words are named."""
    (folder / "wood.csv").write_text(
        "sample,tissue,phloem,cambium,xylem,browned_pct,grade,visit,wedge\n"
        "A1,trunk,alive,,alive,100,,,\nA2,trunk,dead,,,0,,,\nB1,trunk,dead,,alive,30,dry,,\nB2,trunk,,dead,,,sound,,\n"
        "C1,trunk,dead_before,,,,,,\nC2,trunk,dead,,,,dying back,After sap rise,sí\nC2,trunk,,,,120,fine,autumn,\n"
    )
    assert [problem.split(";")[0] for problem in problems(folder)] == [
        "wood.csv:2: browned_pct: 100 % browned, but phloem alive",
        "wood.csv:3: browned_pct: 0 % browned, but phloem dead",
        "wood.csv:4: grade: dry, but xylem alive",
        "wood.csv:5: grade: sound, but cambium dead",
        "wood.csv:6: phloem: 'dead_before' is neither alive nor dead nor unread",
        "wood.csv:8: browned_pct: '120' is out of range",
        "wood.csv:8: grade: 'fine' is not known here",
        "wood.csv:8: visit: 'autumn' is not known here",
    ]


def test_columns_missing_and_doubled(folder: Path) -> None:
    """A missing column is named once, not once a row; two columns for one field are both named."""
    (folder / "buds.csv").write_text("cane,Node,node ,primary\n1,1,1,maybe\n1,2,2,dead\n")
    found = problems(folder)
    assert [problem.split(";")[0] for problem in found] == [
        "buds.csv: node: 'Node' and 'node' are both read as node",
        "buds.csv: sample: the column is missing",
        "buds.csv:2: primary: 'maybe' is neither alive nor dead nor unread",
    ]
    assert '[columns.buds] sample = "..."; the columns are cane, Node, node, primary' in found[1]
    samples_table().drop(columns="lat").to_csv(folder / "samples.csv", index=False)
    assert problems(folder)[0].startswith("samples.csv: lon alone make no point; give lon and lat")


def test_point_without_a_fix(folder: Path) -> None:
    """A receiver's 0, 0 lies outside every block and is named; a point that UTM cannot hold is a problem."""
    table = samples_table()
    table.loc[0, ["lon", "lat"]] = 0.0
    table.to_csv(folder / "samples.csv", index=False)
    (warning,) = read_vineyard(folder).warnings
    assert warning.startswith(
        "1 sample lies more than 10 m outside every block, and the block figures leave it out: A1 ("
    )
    table.loc[0, ["lon", "lat"]] = [15.0, 0.0]
    table.to_csv(folder / "samples.csv", index=False)
    assert only_problem(folder).startswith("samples.csv:2: the point of sample 'A1' lies on another side of the earth")


def test_problems_come_in_the_order_of_rows(folder: Path) -> None:
    """Each file's problems come by their rows, whichever check found them."""
    (folder / "buds.csv").write_text(
        "sample,node,primary\nA1,1,dead\nA1,1,dead\nX,2,dead\nA1,3,what\nA1,3,dead\nY,0,x\n"
    )
    rows = [int(problem.split(":")[1]) for problem in problems(folder)]
    assert rows == [3, 4, 5, 7, 7, 7]


def test_names_that_are_markup(folder: Path) -> None:
    """Names are data: markup, templates and formulas come out as the same characters."""
    names = ["<img src=x onerror=alert(1)>", "{{ 7*7 }}", "=cmd()"]
    frame = blocks()
    frame["block"] = names
    (folder / "blocks.geojson").unlink()
    frame.to_file(folder / "blocks.gpkg")
    assert read_vineyard(folder).site.blocks["block"].tolist() == names


def test_five_hundred_blocks_are_read_whole(tmp_path: Path) -> None:
    """Of 500 blocks, 5,000 samples and 75,000 bud rows none is lost; `tests.benchmarks.large` measures the time."""
    write_large_vineyard(tmp_path)
    vineyard = read_vineyard(tmp_path)
    assert len(vineyard.nodes) == 75_000
    assert vineyard.samples["block"].tolist() == [f"b{i}" for i in np.repeat(np.arange(500), 10)]


CELLS = st.one_of(
    st.sampled_from(
        ["A1", "B2", "Ash", "1", "0", "dead", "alive", "-75", "43.3", "", "2,5", "basal", "spur", "nan", "1e400"]
    ),
    st.text(max_size=8),
    st.integers().map(str),
    st.floats().map(str),
)
COLUMNS = "sample block lon lat easting northing date cane node primary secondary nodes primary_dead part tissue phloem"
HEADERS = st.lists(st.sampled_from([*COLUMNS.split(), "Name", "time"]), min_size=1, max_size=7)
FUZZ = settings(max_examples=20)


@st.composite
def tables(draw: st.DrawFn) -> str:
    header = draw(HEADERS)
    rows = draw(st.lists(st.lists(CELLS, max_size=8), max_size=6))
    text = io.StringIO()
    csv.writer(text, delimiter=draw(st.sampled_from(",;\t"))).writerows([header, *rows])
    return text.getvalue()


def outcome(folder: Path) -> Vineyard | None:
    """Read a folder; None where it is refused with at least one problem; anything else raised fails the test."""
    try:
        return read_vineyard(folder)
    except InputError as error:
        found = error.problems
    assert found
    return None


@FUZZ
@given(samples=tables(), buds=tables(), wood=tables(), toml=st.sampled_from(["", 'crs = "EPSG:32618"']))
def test_random_tables(tmp_path_factory: pytest.TempPathFactory, samples: str, buds: str, wood: str, toml: str) -> None:
    """Random tables give a Vineyard or an InputError."""
    folder = write_vineyard(tmp_path_factory.mktemp("fuzz"), skip=("samples", "buds"))
    for name, text in (("samples.csv", samples), ("buds.csv", buds), ("wood.csv", wood), ("vinemap.toml", toml)):
        (folder / name).write_bytes(text.encode("utf-8", "replace"))
    outcome(folder)


@FUZZ
@given(table=tables())
def test_random_buds_of_known_samples(tmp_path_factory: pytest.TempPathFactory, table: str) -> None:
    """Random bud tables give a Vineyard or an InputError; what is read keeps to the contract."""
    folder = write_vineyard(tmp_path_factory.mktemp("fuzz"), skip=("buds",))
    (folder / "buds.csv").write_bytes(table.encode("utf-8", "replace"))
    vineyard = outcome(folder)
    if vineyard is not None:
        assert set(vineyard.nodes["primary"]) <= {"alive", "dead", "unread"}
        assert (vineyard.nodes["node"] >= 1).all()
        assert (vineyard.counts["primary_dead"] <= vineyard.counts["nodes"]).all()


COORDINATES = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-180, 180),
    st.sampled_from([-75.0, 43.34, 43.36, -74.99]),
)
RINGS = st.lists(st.lists(COORDINATES, min_size=1, max_size=3), max_size=6)
GEOMETRIES = st.one_of(
    st.none(),
    st.builds(lambda rings: {"type": "Polygon", "coordinates": rings}, st.lists(RINGS, max_size=2)),
    st.builds(lambda xy: {"type": "Point", "coordinates": xy}, st.lists(COORDINATES, max_size=3)),
    st.builds(
        lambda parts: {"type": "MultiPolygon", "coordinates": parts}, st.lists(st.lists(RINGS, max_size=2), max_size=2)
    ),
)


@FUZZ
@given(geometries=st.lists(GEOMETRIES, min_size=1, max_size=4), names=st.lists(CELLS, min_size=4, max_size=4))
@pytest.mark.filterwarnings("ignore")
def test_random_shapes(tmp_path_factory: pytest.TempPathFactory, geometries: list[object], names: list[str]) -> None:
    """Random outlines and points give a Vineyard or an InputError."""
    folder = write_vineyard(tmp_path_factory.mktemp("fuzz"))
    features = [
        {"type": "Feature", "properties": {"block": name, "sample": name}, "geometry": geometry}
        for name, geometry in zip(names, geometries, strict=False)
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (folder / "blocks.geojson").write_text(text)
    outcome(folder)
    write_vineyard(folder)
    (folder / "samples.csv").unlink()
    (folder / "samples.geojson").write_text(text)
    outcome(folder)


STARTS = [
    ("blocks.gpkg", b"SQLite format 3\x00"),
    ("blocks.shp", b"\x00\x00\x27\x0a"),
    ("blocks.fgb", b"fgb\x03fgb\x00"),
    ("blocks.kml", b"<?xml version='1.0'?><kml>"),
    ("blocks.geojson", b'{"type": "FeatureCollection", "features": ['),
    ("blocks.parquet", b"PAR1"),
    ("samples.gpx", b"<?xml version='1.0'?><gpx>"),
    ("samples.xlsx", b"PK\x03\x04"),
    ("buds.csv", b""),
    ("buds.xlsx", b"PK\x03\x04"),
    ("wood.csv", b"sample,tissue,phloem\n"),
    ("elevation.tif", b"II*\x00"),
]


@FUZZ
@given(start=st.sampled_from(STARTS), data=st.binary(max_size=400))
@pytest.mark.filterwarnings("ignore")
def test_random_bytes(tmp_path_factory: pytest.TempPathFactory, start: tuple[str, bytes], data: bytes) -> None:
    """Random bytes behind the right signature give a Vineyard or an InputError."""
    name, head = start
    stem = name.partition(".")[0]
    folder = write_vineyard(tmp_path_factory.mktemp("fuzz"), skip=(stem,))
    for companion in (".shx", ".dbf") if name.endswith(".shp") else ():
        (folder / f"{stem}{companion}").write_bytes(data)
    (folder / name).write_bytes(head + data)
    outcome(folder)


@FUZZ
@given(
    place=st.integers(0, 3000),
    value=st.integers(0, 255),
    name=st.sampled_from(["blocks.gpkg", "buds.xlsx", "elevation.tif"]),
)
@pytest.mark.filterwarnings("ignore")
def test_flipped_byte(tmp_path_factory: pytest.TempPathFactory, place: int, value: int, name: str) -> None:
    """One damaged byte of a sound file gives a Vineyard or an InputError."""
    folder = write_vineyard(tmp_path_factory.mktemp("fuzz"), skip=(name.partition(".")[0],))
    path = folder / name
    if name == "blocks.gpkg":
        blocks().to_file(path)
    elif name == "buds.xlsx":
        buds_table().to_excel(path, index=False)
    else:
        write_elevation(path)
    data = bytearray(path.read_bytes())
    data[place % len(data)] = value
    path.write_bytes(data)
    outcome(folder)


def test_feet_acres_and_pounds(tmp_path: Path) -> None:
    """Figures in a column of another unit are taken into metres, kilograms and tonnes a hectare, exactly.

    NIST SP 811 (2008), appendix B: a foot 0.3048 m, a pound 0.45359237 kg, an acre 4046.873 m² (of the survey foot;
    of the international foot 4046.856 m²), a short ton 907.1847 kg.
    """
    folder = write_vineyard(tmp_path)
    given_ = {"Row Spacing FT": ["9", "9,5", None], "vine_spacing_ft": 6.0, "pruning_weight_lb": [3, 1, 2]}
    frame = blocks(**given_, normal_yield_tons_acre=4.0)
    frame.to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    found = read_vineyard(folder).site.blocks
    assert found["row_spacing_m"].tolist()[:2] == pytest.approx([2.7432, 2.8956], rel=1e-12)
    assert np.isnan(found["row_spacing_m"].iloc[2])
    assert found["vine_spacing_m"].tolist() == pytest.approx([1.8288] * 3, rel=1e-12)
    assert found["pruning_weight_kg"].iloc[0] == pytest.approx(1.36077711, rel=1e-9)
    assert found["normal_yield_t_ha"].iloc[0] == pytest.approx(4 * 0.9071847 / 0.4046856, rel=1e-6)


def test_faults_of_figures_in_feet(tmp_path: Path) -> None:
    """A figure out of range is told in the unit of its column; two columns for one figure are refused."""
    folder = write_vineyard(tmp_path)
    frame = blocks(row_spacing_ft=[9, 90, "x"])
    frame.to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    assert problems(folder) == [
        "blocks.geojson:3: row_spacing_ft: '90' is out of range; give a figure in feet, 1.64 to 65.6",
        "blocks.geojson:4: row_spacing_ft: 'x' is not a number; give a figure in feet, 1.64 to 65.6 in digits alone",
    ]
    blocks(row_spacing_ft=9, row_spacing_m=2.7).to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    assert only_problem(folder).startswith(
        "blocks.geojson: row_spacing_m: 'row_spacing_m' and 'row_spacing_ft' are both"
    )


def test_the_settings_name_a_column_in_feet(tmp_path: Path) -> None:
    """The name in the other unit is a name of ours there too."""
    folder = write_vineyard(tmp_path)
    blocks(rows=10).to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    (folder / "vinemap.toml").write_text('[columns.blocks]\nrow_spacing_ft = "rows"\n', encoding="utf-8")
    assert read_vineyard(folder).site.blocks["row_spacing_m"].tolist() == pytest.approx([3.048] * 3, rel=1e-12)
