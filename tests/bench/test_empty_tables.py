"""Tallies in the shapes that people use, and the empty tables for them."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from tests.builders import only_problem, problems, samples_table, write_vineyard
from vinemap.bench.empty_tables import write_templates
from vinemap.errors import InputError
from vinemap.reading.shoots import read_shoots
from vinemap.reading.vineyard import Vineyard, read_vineyard

SAMPLES = ("A1", "A2", "B1", "B2", "C1", "C2")
FILLED: dict[str, list[list[object]]] = {
    "buds_by_node": [
        [sample, "1", node, "dead" if node == 3 else "Green", "A", None] for sample in SAMPLES for node in (1, 2, 3)
    ],
    "buds_by_cane": [[sample, None, "AA-", "a", "da"] for sample in SAMPLES],
    "buds_by_count": [[sample, None, 3, 1, 0, None, 1] for sample in SAMPLES],
    "wood": [[sample, "trunk", "dead", None, "alive", 40, "Weakened", "late summer", "no"] for sample in SAMPLES],
}


@pytest.fixture
def templates(tmp_path: Path) -> Path:
    home = tmp_path / "templates"
    write_templates(home)
    return home


def fill(template: Path, target: Path, rows: list[list[object]], sheet: str | None = None) -> None:
    """Add rows under a template's header, as a crew would."""
    if template.suffix == ".csv":
        with template.open(newline="", encoding="utf-8") as stream:
            (header,) = csv.reader(stream)
        with target.open("w", newline="", encoding="utf-8") as stream:
            csv.writer(stream).writerows([header, *rows])
        return
    book = openpyxl.load_workbook(target if target.exists() else template)
    page = book[sheet or book.sheetnames[0]]
    for row in rows:
        page.append(row)
    book.save(target)


def write_buds(folder: Path, header: list[str], *rows: list[object]) -> Path:
    (folder / "buds.csv").unlink()
    book = openpyxl.Workbook()
    for row in (header, *rows):
        book.active.append(row)
    book.save(folder / "buds.xlsx")
    return folder


def states(vineyard: Vineyard) -> list[str]:
    return [
        "".join(state[0] for state in row) for row in vineyard.nodes[["primary", "secondary", "tertiary"]].to_numpy()
    ]


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_filled_shoots_templates_read_back(templates: Path, tmp_path: Path, ending: str) -> None:
    """The empty table of shoots, filled, is what `vinemap spring` reads."""
    path = tmp_path / f"shoots.{ending}"
    fill(templates / path.name, path, [["A1", 40, 30, 6, 2, 1, 1, "BBCH 11"], ["A2", 40, 0, None, None, 0, 1, None]])
    rows = read_shoots(path, set(SAMPLES))
    assert rows["shoots"].tolist() == [30, 0]
    assert rows.loc[0, ["primary_frozen", "stage"]].tolist() == [6, "BBCH 11"]


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
@pytest.mark.parametrize("shape", ["buds_by_node", "buds_by_cane", "buds_by_count"])
def test_filled_bud_templates_read_back(folder: Path, templates: Path, shape: str, ending: str) -> None:
    """Each shape of tally, filled, gives the same counts: one of three primaries dead in each sample."""
    (folder / "buds.csv").unlink()
    fill(templates / f"{shape}.{ending}", folder / f"buds.{ending}", FILLED[shape])
    vineyard = read_vineyard(folder)
    assert not any("buds" in warning for warning in vineyard.warnings)
    if shape == "buds_by_count":
        assert vineyard.counts["primary_dead"].tolist() == [1] * 6
        assert vineyard.counts["nodes"].tolist() == [3] * 6
        assert vineyard.counts["primary_dead_before"].tolist() == [1] * 6
    else:
        dead = vineyard.nodes["primary"].eq("dead").groupby(vineyard.nodes["sample"])
        assert dead.sum().to_dict() == dict.fromkeys(SAMPLES, 1)
        assert dead.size().to_dict() == dict.fromkeys(SAMPLES, 3)
        assert vineyard.nodes["node"].tolist() == [1, 2, 3] * 6


def test_filled_template_of_a_sheet_a_block(folder: Path, templates: Path) -> None:
    """Sheets, one a block, make one tally; a sheet left empty and the notes do not count."""
    (folder / "buds.csv").unlink()
    for title, names in (("block 1", ("A1", "A2", "B1")), ("block 2", ("B2", "C1", "C2"))):
        rows: list[list[object]] = [[name, 1, "D", "DAD"] for name in names]
        fill(templates / "buds_by_block.xlsx", folder / "buds.xlsx", rows, title)
    vineyard = read_vineyard(folder)
    assert vineyard.nodes["sample"].unique().tolist() == list(SAMPLES)
    assert states(vineyard) == ["duu", "dad"] * 6
    assert not any("buds" in warning for warning in vineyard.warnings)


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_filled_samples_and_wood_templates_read_back(folder: Path, templates: Path, ending: str) -> None:
    """The templates of samples and of wood checks, filled, read back."""
    (folder / "samples.csv").unlink()
    with (templates / "samples.csv").open(encoding="utf-8") as stream:
        header = stream.readline().strip().split(",")
    rows = [[row.get(name) for name in header] for row in samples_table().to_dict("records")]
    fill(templates / f"samples.{ending}", folder / f"samples.{ending}", rows)
    fill(templates / f"wood.{ending}", folder / f"wood.{ending}", FILLED["wood"])
    vineyard = read_vineyard(folder)
    assert vineyard.samples["block"].tolist() == ["Ash", "Ash", "Birch", "Birch", "Cedar", "Cedar"]
    assert vineyard.wood["phloem"].tolist() == ["dead"] * 6
    assert vineyard.wood["xylem"].tolist() == ["alive"] * 6
    assert set(vineyard.wood["grade"] + " " + vineyard.wood["visit"]) == {"weakened late_summer"}


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_filled_loggers_and_hardiness_templates_read_back(folder: Path, templates: Path, ending: str) -> None:
    """The templates of temperature loggers and of lethal temperatures, filled, read back."""
    points = samples_table()
    rows: list[list[object]] = [
        ["N1", *points.loc[0, ["lon", "lat"]], -21.5, 1.2],
        ["N2", *points.loc[3, ["lon", "lat"]], -19, None],
    ]
    fill(templates / f"loggers.{ending}", folder / f"loggers.{ending}", rows)
    fill(templates / f"hardiness.{ending}", folder / f"hardiness.{ending}", [[None, "vinifera", None, -20, -22.5, -25]])
    site = read_vineyard(folder).site
    assert site.loggers is not None
    assert site.loggers[["logger", "min_c", "height_m"]].to_numpy().tolist() == [["N1", -21.5, 1.2], ["N2", -19.0, 1.5]]
    assert site.hardiness is not None
    assert site.hardiness.loc[0, ["lt10_c", "lt50_c", "lt90_c"]].tolist() == [-20, -22.5, -25]


def test_templates_never_replace_a_filled_one(templates: Path) -> None:
    """Files that are there are named and left alone."""
    (templates / "buds_by_node.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"buds_by_node\.csv: is there already"):
        write_templates(templates)
    assert (templates / "buds_by_node.csv").read_text(encoding="utf-8") == "mine"


def test_every_template_is_named_with_its_use(tmp_path: Path) -> None:
    """A sentence a shape names its files and the name that the vineyard folder takes; each workbook has its notes."""
    report = write_templates(tmp_path / "new")
    files = sorted(path.name for path in (tmp_path / "new").iterdir())
    assert all(any(file in sentence for sentence in report) for file in files)
    for path in (tmp_path / "new").glob("*.xlsx"):
        book = openpyxl.load_workbook(path)
        assert book.sheetnames[-1] == "notes"
        assert book["notes"].max_row >= 3


def test_codes_of_a_row_a_cane(folder: Path) -> None:
    """Letters in any case, dashes, words and 1 or 0 are read; an empty cell is a node that was not cut."""
    row: list[object] = ["A1", 2, "aDu", " d - A ", "–", "Green", 0, None, "D/"]
    header = ["SAMPLE", "Cane", "node 1", "Node_2", "NODE3", "n4", "node 05", "node 6", "remark"]
    vineyard = read_vineyard(write_buds(folder, header, row))
    assert states(vineyard) == ["adu", "dua", "uuu", "auu", "duu"]
    assert vineyard.nodes["node"].tolist() == [1, 2, 3, 4, 5]
    assert vineyard.nodes["cane"].unique().tolist() == ["2"]
    assert "buds.xlsx: columns not used: 'remark'." in vineyard.warnings
    assert "buds.xlsx: 1 was read as alive and 0 as dead." in vineyard.warnings


def test_bare_numbers_as_headers(folder: Path) -> None:
    """Columns named 1, 2, 3 are nodes where a column of samples stands beside them."""
    vineyard = read_vineyard(write_buds(folder, ["sample", 1, 2, 3], ["A1", "A", "D", "A"]))  # type: ignore[list-item]
    assert vineyard.nodes["primary"].tolist() == ["alive", "dead", "alive"]


def test_faults_of_a_row_a_cane_are_named_by_their_cell(folder: Path) -> None:
    """A wrong code, a cane twice, a sample that is not known, a node twice: each with its row and column."""
    header = ["sample", "cane", "node 1", "node 2"]
    write_buds(folder, header, ["A1", 1, "AX", "A"], ["A1", 1, "D", "D"], ["Z9", 1, "A", "A"], [None, 1, "A", "A"])
    found = problems(folder)
    starts = [
        "buds.xlsx:2: node 1: 'AX' cannot be read as the buds of a node; write a letter each",
        "buds.xlsx:3: cane: cane '1' of sample 'A1' stands in row 2 already; ",
        "buds.xlsx:4: sample: sample 'Z9' is not in samples.csv; ",
        "buds.xlsx:5: sample: is empty; ",
    ]
    assert len(found) == len(starts)
    for start, fault in zip(starts, found, strict=True):
        assert fault.startswith(start)


def test_two_columns_of_one_node(folder: Path) -> None:
    """Two columns that both mean a node are named."""
    write_buds(folder, ["sample", "node 1", "Node 01"], ["A1", "A", "D"])
    assert only_problem(folder).startswith("buds.xlsx: Node 01: 'node 1' and 'Node 01' are both read as node 1; ")


def test_sheets_of_several_shapes(folder: Path) -> None:
    """Sheets may differ in shape; a node in two of them is named with both places; a sheet without buds is told."""
    (folder / "buds.csv").unlink()
    book = openpyxl.Workbook()
    for title, rows in {
        "Ash": [["sample", "cane", "node", "primary"], ["A1", 1, 1, "dead"], ["B1", 1, 1, "dead"]],
        "Birch": [["sample", "cane", "node 1", "node 2"], ["B1", 1, "A", "A"]],
        "Weather": [["day", "low"], ["22 Jan", -24]],
    }.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(folder / "buds.xlsx")
    assert only_problem(folder).startswith(
        "buds.xlsx[Birch]:2: node 1 of cane '1', sample 'B1', stands in buds.xlsx[Ash]:3 already; "
    )
    book["Birch"]["C2"] = None
    book.save(folder / "buds.xlsx")
    vineyard = read_vineyard(folder)
    assert len(vineyard.nodes) == 3
    assert "Passed over as holding no buds: buds.xlsx[Weather]." in vineyard.warnings


def test_sheets_of_nodes_and_of_counts_do_not_mix(folder: Path) -> None:
    """A workbook with both kinds is refused, since they cannot be added up."""
    (folder / "buds.csv").unlink()
    book = openpyxl.Workbook()
    book.active.append(["sample", "node", "primary"])
    book.active.append(["A1", 1, "dead"])
    sheet = book.create_sheet("counts")
    sheet.append(["sample", "nodes", "primary_dead"])
    sheet.append(["A2", 10, 4])
    book.save(folder / "buds.xlsx")
    assert only_problem(folder).startswith("buds.xlsx: has sheets of nodes and sheets of counts; ")


def test_wide_sheet_equals_the_rows_it_stands_for(folder: Path, tmp_path: Path) -> None:
    """The same buds written a row a node and a row a cane give the same table."""
    long = read_vineyard(folder).nodes
    letters = (
        long[["primary", "secondary", "tertiary"]]
        .map({"alive": "A", "dead": "D", "unread": "-"}.get)
        .agg("".join, axis=1)
    )
    wide = long.assign(code=letters).pivot_table(
        index=["sample", "cane"], columns="node", values="code", aggfunc="first"
    )
    other = write_vineyard(tmp_path, skip=("buds",))
    wide.rename(columns="node {}".format).reset_index().to_csv(other / "buds.csv", index=False)
    pd.testing.assert_frame_equal(read_vineyard(other).nodes, long)
