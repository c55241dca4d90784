"""Tables that are typed over: the file comes back with those cells changed, and nothing else."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pytest

from vinemap.desk.drafts import Drafts
from vinemap.desk.ledgers import Ledger, ledgers, remade

TEXT = 'sample;cane;primary\r\n"A;1";1;alive\r\n\r\nÑ 2;1;dead'


def _ledger(folder: Path, name: str) -> Ledger:
    tables, problems = ledgers(folder, Drafts(folder))
    assert not problems
    return tables[name]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_text_table_keeps_all_else(tmp_path: Path, encoding: str) -> None:
    """Separator, line ends, encoding, blank rows, quotation marks and lines that nobody touched: byte by byte."""
    path = tmp_path / "buds.csv"
    path.write_bytes(TEXT.encode(encoding))
    ledger = _ledger(tmp_path, "buds.csv")
    assert ledger.columns == ("sample", "cane", "primary")
    assert ledger.rows == {2: ["A;1", "1", "alive"], 4: ["Ñ 2", "1", "dead"]}
    changed = remade(path, ledger, {(4, 2): "unread", (6, 0): "new", (6, 2): "a;b"})
    wanted = TEXT.replace("dead", "unread") + '\r\n\r\nnew;;"a;b"\r\n'
    assert changed == wanted.encode(encoding)
    path.write_bytes(changed)
    assert _ledger(tmp_path, "buds.csv").rows[6] == ["new", "", "a;b"]


def test_a_letter_that_the_encoding_lacks_makes_it_utf8(tmp_path: Path) -> None:
    """Nothing that was typed is lost to an old encoding."""
    path = tmp_path / "buds.csv"
    path.write_bytes(TEXT.encode("cp1252"))
    changed = remade(path, _ledger(tmp_path, "buds.csv"), {(2, 0): "葡萄"})
    assert changed.decode("utf-8-sig") == TEXT.replace('"A;1"', "葡萄")


@pytest.mark.parametrize("first", ["", "sep=;\r\n"])
def test_a_line_that_names_the_separator_stays(tmp_path: Path, first: str) -> None:
    """Rows are numbered as problems number them, below it."""
    path = tmp_path / "buds.csv"
    path.write_bytes((first + TEXT).encode())
    changed = remade(path, _ledger(tmp_path, "buds.csv"), {(2, 1): "7"})
    assert changed.decode() == first + TEXT.replace(";1;alive", ";7;alive")


def test_a_workbook_keeps_its_sheets_formulas_and_looks(tmp_path: Path) -> None:
    """Read back by openpyxl: figures are figures, text like a formula is text, other cells are as they were."""
    path = tmp_path / "buds.xlsx"
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Canes"
    sheet.append(["sample", "nodes", "primary_dead"])
    sheet.append(["A1", 10, 3])
    sheet.append(["A2", 10, 4])
    sheet["A2"].font = openpyxl.styles.Font(bold=True)
    other = book.create_sheet("notes")
    other["A1"] = "=1+1"
    book.save(path)
    ledger = _ledger(tmp_path, "buds.xlsx")
    assert ledger.rows == {2: ["A1", "10", "3"], 3: ["A2", "10", "4"]}
    changed = openpyxl.load_workbook(io.BytesIO(remade(path, ledger, {(3, 2): "5", (2, 0): "=2+2", (4, 0): "A3"})))
    assert [[cell.value for cell in row] for row in changed["Canes"].iter_rows(max_col=3)] == [
        ["sample", "nodes", "primary_dead"], ["=2+2", 10, 3], ["A2", 10, 5], ["A3", None, None],
    ]  # fmt: skip
    assert changed["Canes"]["A2"].data_type == "s"
    assert changed["Canes"]["A2"].font.bold
    assert changed["notes"]["A1"].value == "=1+1"


def test_a_table_that_is_begun_on_the_desk(tmp_path: Path) -> None:
    """Shoots have no file yet: what was typed becomes one, with the header of the empty table."""
    drafts = Drafts(tmp_path)
    drafts.change_cell("shoots.csv", (2, 0), "A1")
    drafts.change_cell("shoots.csv", (2, 1), "12")
    tables, _ = ledgers(tmp_path, drafts)
    made = remade(tmp_path / "shoots.csv", tables["shoots.csv"], drafts.cells["shoots.csv"]).decode()
    assert made.splitlines()[0].startswith("sample,nodes,shoots,")
    assert made.splitlines()[1].startswith("A1,12,,")
