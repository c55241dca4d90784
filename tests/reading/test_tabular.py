"""Text tables and workbooks: whatever a spreadsheet saves is read; what cannot be read is named."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.errors import Findings
from vinemap.reading import tabular
from vinemap.reading.files import TABLES, content, find_file
from vinemap.reading.tabular import Table, decode, read_table, read_tables


def read(path: Path, stem: str = "buds") -> tuple[Table | None, list[str]]:
    findings = Findings()
    table = read_table(path, stem, findings)
    return table, [str(problem) for problem in findings.problems]


def text_table(folder: Path, data: str | bytes) -> tuple[Table | None, list[str]]:
    path = folder / "buds.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read(path)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_separators_line_ends_and_encodings(tmp_path: Path, mark: str, end: str, encoding: str) -> None:
    """Any usual separator, line end and encoding gives the same table."""
    lines = [["sample", "note"], ["Peña 1", "été"], ["B", "ß"]]
    data = end.join(mark.join(cells) for cells in lines) + end
    table, faults = text_table(tmp_path, data.encode(encoding))
    assert not faults
    assert table is not None
    assert table.columns == ("sample", "note")
    assert [list(row) for row in table.rows] == lines[1:]
    assert table.numbers == [2, 3]


def test_rows_are_numbered_as_a_spreadsheet_does(tmp_path: Path) -> None:
    """Blank lines count, a cell of two lines is one row, and a line that names the separator does not count."""
    table, faults = text_table(tmp_path, 'sep=;\n\na;b\n1;"two\nlines"\n;;\n \n2;x\n')
    assert not faults
    assert table is not None
    assert table.numbers == [3, 6]
    assert list(table.rows[0]) == ["1", "two\nlines"]


def test_decimal_commas_between_semicolons(tmp_path: Path) -> None:
    """A decimal comma does not make a comma the separator."""
    table, _ = text_table(tmp_path, "sample;lon;lat\nA;7,55;47,1\n")
    assert table is not None
    assert list(table.rows[0]) == ["A", "7,55", "47,1"]


def test_short_rows_are_filled_and_long_ones_named(tmp_path: Path) -> None:
    """Cells beyond the header are a problem, as an unquoted decimal comma makes them; missing ones are empty."""
    table, faults = text_table(tmp_path, "a,b,c\n1\n1,2,3,\n1,2,5,7\n")
    assert table is not None
    assert [list(row) for row in table.rows] == [["1", None, None], ["1", "2", "3"]]
    assert len(faults) == 1
    assert faults[0].startswith("buds.csv:4: the row has 4 cells, the header has 3; ")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ('a,b\n1,"open\n2,3\n', "buds.csv:2: a quotation mark is opened and not closed"),
        ("a,b\n" + "x" * 200_000 + ",1\n", "buds.csv:2: a quotation mark is opened and not closed, or a cell is far"),
        (" \n\n", "buds.csv: holds no rows"),
        ("a,b\n\n", "buds.csv: holds a header and no rows"),
        (b"a,b\n\x81,\xff\n", "buds.csv: is not readable as text"),
        (b"\xff\xfea\x00,\x00b\x00", "buds.csv: holds a header and no rows"),
        (b"\xff\xfea\x00,", "buds.csv: is not readable as text"),
    ],
)
def test_unusable_text_is_named(tmp_path: Path, data: str | bytes, words: str) -> None:
    """Nothing swallows rows in silence: an open quotation mark, an empty table and odd bytes are problems."""
    _, faults = text_table(tmp_path, data)
    assert len(faults) == 1
    assert faults[0].startswith(words)


@given(st.binary(max_size=300))
def test_decode_never_fails(data: bytes) -> None:
    """Random bytes are text or None."""
    text = decode(data)
    assert text is None or "\x00" not in text


def workbook(path: Path, sheets: dict[str, list[list[object]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_workbook_cells_keep_their_kind(tmp_path: Path) -> None:
    """Numbers, dates and text of a workbook arrive as such, with blank rows counted."""
    day = dt.datetime(2025, 1, 23)
    path = workbook(tmp_path / "buds.xlsx", {"Sheet1": [["sample", "n"], [7, day], [], ["007", 2.5]]})
    table, faults = read(path)
    assert not faults
    assert table is not None
    assert [list(row) for row in table.rows] == [[7, day], ["007", 2.5]]
    assert table.numbers == [2, 4]


def test_workbook_of_several_sheets(tmp_path: Path) -> None:
    """The sheet called as the file's job is read; empty sheets do not count; else the sheets are named."""
    rows: list[list[object]] = [["sample"], ["A"]]
    table, _ = read(workbook(tmp_path / "buds.xlsx", {"Notes": [["x"], ["y"]], "Buds": rows}))
    assert table is not None
    assert table.columns == ("sample",)
    table, _ = read(workbook(tmp_path / "buds.xlsx", {"One": rows, "Two": []}))
    assert table is not None
    _, faults = read(workbook(tmp_path / "buds.xlsx", {"One": rows, "Two": rows}))
    assert faults == ["buds.xlsx: has several sheets: One, Two; name the one to read 'buds'"]


def test_formulas_without_a_result_are_named(tmp_path: Path) -> None:
    """A formula that was never computed would read as an empty cell, and is named instead."""
    path = workbook(tmp_path / "buds.xlsx", {"buds": [["sample", "dead"], ["A", "=1+1"]]})
    _, faults = read(path)
    assert len(faults) == 1
    assert faults[0].startswith("buds.xlsx:2: B: the formula '=1+1' has no stored result; ")


def test_damaged_workbook_is_named(tmp_path: Path) -> None:
    """A zip archive that is no workbook is a problem."""
    path = tmp_path / "buds.xlsx"
    path.write_bytes(b"PK\x03\x04" + b"junk" * 50)
    assert read(path)[1] == ["buds.xlsx: the workbook is damaged; open it in a spreadsheet and save it again"]


@pytest.mark.parametrize(
    ("last", "said"),
    [
        ([" "], None),
        (["D"], "buds: holds more than 3 rows; keep only what belongs to this vineyard"),
        ([" "] * 40, "buds: holds more than 40 cells, empty ones among them; keep only what belongs to this vineyard"),
    ],
)
def test_more_rows_or_cells_than_a_vineyard_fills(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, last: list[object], said: str | None
) -> None:
    """Rows that hold anything count up to the limit, the header apart; empty cells count as cells."""
    monkeypatch.setattr(tabular, "MOST_ROWS", 3)
    monkeypatch.setattr(tabular, "MOST_CELLS", 40)
    monkeypatch.setattr(tabular, "_MOST_WORKBOOK_CELLS", 40)
    rows: list[list[object]] = [["sample", "dead"], ["A"], [" "], ["B"], ["C"], last]
    _, in_text = text_table(tmp_path, "\n".join(",".join(map(str, row)) for row in rows))
    _, in_workbook = read(workbook(tmp_path / "buds.xlsx", {"buds": rows}))
    for faults, ending in ((in_text, "csv"), (in_workbook, "xlsx")):
        assert faults == ([] if said is None else [said.replace("buds", f"buds.{ending}", 1)])


def test_more_columns_than_a_table_has(tmp_path: Path) -> None:
    """A header of thousands of cells is no header, and names are not held against ours one by one."""
    header = ",".join(f"c{k}" for k in range(2001))
    assert text_table(tmp_path, f"{header}\n1\n")[1] == [
        "buds.csv: has 2,001 columns, and at most 2,000 are read; save the table with the columns that are needed"
    ]


def test_a_workbook_holds_fewer_cells_than_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A workbook of more cells than are read in seconds is refused, and the way out is named."""
    monkeypatch.setattr(tabular, "_MOST_WORKBOOK_CELLS", 5)
    rows: list[list[object]] = [["sample", "dead"], ["A", "1"]]
    assert text_table(tmp_path, "sample,dead\nA,1\n")[1] == []
    assert read(workbook(tmp_path / "buds.xlsx", {"buds": rows}))[1] == [
        "buds.xlsx: holds more than 5 cells, empty ones among them; keep only what belongs to this vineyard, or save "
        "the table as .csv, of which more is read"
    ]


def test_a_workbook_that_unpacks_to_far_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part of any name counts, before it is unpacked."""
    path = workbook(tmp_path / "buds.xlsx", {"buds": [["sample"], ["A"]]})
    monkeypatch.setattr(tabular, "_MOST_UNPACKED_BYTES", 1_000_000)
    assert read(path)[1] == []
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet2.dat", bytes(1_000_000))
    assert path.stat().st_size < 20_000
    assert read(path)[1] == [
        "buds.xlsx: unpacks to 1.0 MB, and at most 1.0 MB are read; keep only what belongs to this vineyard"
    ]


def _repacked(path: Path, changed: dict[str, bytes]) -> Path:
    """A workbook with some of its parts replaced."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()} | changed
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path


@pytest.mark.parametrize("name", ["xl/styles.xml", "xl/sharedStrings.xml", "xl/worksheets/unlisted.xml"])
def test_a_part_that_would_be_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Only the sheets themselves may be large: any other part is refused before it is unpacked."""
    monkeypatch.setattr(tabular, "_MOST_PART_BYTES", 100_000)
    path = workbook(tmp_path / "buds.xlsx", {"buds": [["sample"], *([f"A{k}"] for k in range(4000))]})
    with zipfile.ZipFile(path) as archive:
        assert archive.getinfo("xl/worksheets/sheet1.xml").file_size > 100_000
    assert read(path)[1] == []
    (fault,) = read(_repacked(path, {name: bytes(100_001)}))[1]
    assert fault.startswith(f"buds.xlsx: its part {name} is far larger than that of a table; ")


def test_a_large_sheet_that_is_a_chart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A large part is no sheet of a table where the workbook links a chart."""
    path = workbook(tmp_path / "buds.xlsx", {"buds": [["sample"], *([f"A{k}"] for k in range(4000))]})
    with zipfile.ZipFile(path) as archive:
        links = archive.read("xl/_rels/workbook.xml.rels")
    monkeypatch.setattr(tabular, "_MOST_PART_BYTES", 100_000)
    (fault,) = read(_repacked(path, {"xl/_rels/workbook.xml.rels": links.replace(b'/worksheet"', b'/chartsheet"')}))[1]
    assert fault.startswith("buds.xlsx: its part xl/worksheets/sheet1.xml is far larger")


def test_rows_count_over_all_sheets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many sheets hold no more than one."""
    monkeypatch.setattr(tabular, "MOST_ROWS", 4)
    rows: list[list[object]] = [["sample"], ["A"], ["B"]]
    findings = Findings()
    assert len(read_tables(workbook(tmp_path / "buds.xlsx", {"1": rows, "2": rows}), "buds", findings)) == 2
    assert findings.problems == []
    assert read_tables(workbook(tmp_path / "buds.xlsx", {"1": rows, "2": rows, "3": rows}), "buds", findings) == []
    assert str(findings.problems[0]).startswith("buds.xlsx: holds more than 4 rows")


def test_a_line_of_separators_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A row of too many cells is refused before it is one."""
    monkeypatch.setattr(tabular, "MOST_CELLS", 50)
    reader, widest = tabular.csv.reader, []

    def watched(lines: Iterable[str], **form: Any) -> Iterator[list[str]]:
        for row in reader(lines, **form):
            widest.append(len(row))
            yield row

    monkeypatch.setattr(tabular.csv, "reader", watched)
    assert text_table(tmp_path, "sample,dead\n" + "," * 60)[1][0].startswith("buds.csv: holds more than 50 cells")
    assert max(widest) == 2


def found(folder: Path, named: str | None = None) -> tuple[Path | None, list[str]]:
    findings = Findings()
    path = find_file(folder, "buds", TABLES, named, findings)
    return path, [str(problem) for problem in findings.problems]


def test_files_are_found_by_their_stem(tmp_path: Path) -> None:
    """Case does not matter; lock files, backups and other endings are passed over."""
    for name in ("Buds.CSV", "~$buds.xlsx", "buds.csv.bak", "buds.qgz", "buds_old.csv"):
        (tmp_path / name).write_text("sample\nA\n")
    assert found(tmp_path) == (tmp_path / "Buds.CSV", [])


def test_two_files_of_one_stem_are_both_named(tmp_path: Path) -> None:
    """Two files for one job are a problem that names both; the settings decide between them."""
    (tmp_path / "buds.csv").write_text("sample\nA\n")
    workbook(tmp_path / "buds.xlsx", {"a": [["sample"], ["A"]]})
    path, (fault,) = found(tmp_path)
    assert path is None
    assert fault.startswith("buds.csv: buds.csv and buds.xlsx both hold buds; keep one")
    assert found(tmp_path, "buds.xlsx") == (tmp_path / "buds.xlsx", [])


def test_missing_and_misnamed_files(tmp_path: Path) -> None:
    """A missing file, one in another format and one that the settings name in vain say what to do."""
    assert found(tmp_path)[1] == ["buds.*: the file is missing; add what was cut as buds.csv (or .tsv, .xlsx)"]
    assert "there is no file 'cuts.csv'" in found(tmp_path, "cuts.csv")[1][0]
    assert "there is no file" in found(tmp_path, "a\x00b.csv")[1][0]
    (tmp_path / "buds.ods").write_bytes(b"PK\x03\x04")
    assert found(tmp_path)[1] == [
        "buds.ods: files ending in .ods are not read; open it in a spreadsheet and save it as .xlsx or .csv"
    ]
    assert "has an ending that is not read as buds" in found(tmp_path, "buds.ods")[1][0]


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    """A folder, an empty file and a dangling link of that name are problems."""
    path = tmp_path / "buds.csv"
    path.mkdir()
    assert found(tmp_path)[1] == ["buds.csv: is a folder, not a file; rename the folder"]
    path.rmdir()
    path.touch()
    assert found(tmp_path)[1] == ["buds.csv: is empty (0 bytes); save or copy it again"]
    path.unlink()
    path.symlink_to(tmp_path / "gone")
    assert "cannot be read (No such file or directory)" in found(tmp_path)[1][0]


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        (
            "buds.csv",
            b"PK\x03\x04rest",
            "is a zip archive or an Excel workbook by its content, though its ending says .csv",
        ),
        ("buds.csv", b"SQLite format 3\x00", "is a GeoPackage"),
        ("buds.csv", b"<!DOCTYPE html><html>", "is a web page by its content"),
        ("buds.csv", b"%PDF-1.7", "is a PDF document"),
        ("buds.csv", b"a,b\n\x00\x01", "is binary data"),
        ("buds.csv", b'{"type": "FeatureCollection"}', "is a JSON file"),
        ("buds.xlsx", b"sample,primary\n", "is plain text by its content, though its ending says .xlsx"),
        ("buds.xlsx", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "is an old Excel workbook (.xls)"),
    ],
)
def test_a_file_that_is_not_what_its_ending_says(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    """The first bytes give a file away."""
    (tmp_path / name).write_bytes(data)
    (fault,) = found(tmp_path)[1]
    assert fault.startswith(f"{name}: {words}")


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        # File signatures from the formats' own specifications: OGC GeoPackage 1.3 §1.1.1.1.1 (from memory) "SQLite
        # format 3\0"; ESRI Shapefile Technical Description 1998, file code 9994; TIFF 6.0 §2 "II*\0" and "MM\0*".
        (b"SQLite format 3\x00....", "sqlite"),
        ((9994).to_bytes(4, "big"), "shp"),
        (b"II" + (42).to_bytes(2, "little"), "tiff"),
        (b"MM" + (42).to_bytes(2, "big"), "tiff"),
        (b"\xef\xbb\xbf  <?xml version='1.0'?>", "xml"),
        (b"\n[1, 2]", "json"),
        (b"", "text"),
    ],
)
def test_content(head: bytes, kind: str) -> None:
    """Signatures of the formats' specifications are told apart."""
    assert content(head) == kind
