"""Tables are found on people's sheets: under titles, over totals and remarks, side by side and one under another."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.sheets import dead, of_buds, table, workbook
from vinemap.errors import Findings
from vinemap.intake.headings import Headed, find_tables, layout_mark
from vinemap.reading.tabular import Sheet, read_sheets

HEAD = ("Vine", "Live", "Dead")


def _found(*rows: tuple[object, ...]) -> list[Headed]:
    filled = [(number, row) for number, row in enumerate(rows, start=1) if any(cell is not None for cell in row)]
    return find_tables(Sheet("a.xlsx", "Buds", filled))[0]


def test_a_title_and_labels_stand_above_the_header() -> None:
    """The row that names most columns is the header; a label above it goes for the whole table."""
    (found,) = _found(("Bud survey",), ("Block: Ash", None), ("Date:", "2026-01-20"), HEAD, ("A1", 8, 2))
    assert found.names == HEAD
    assert found.header_row == 4
    assert dict(found.context) == {"block": "Ash", "date": "2026-01-20"}
    assert [number for number, _ in found.rows] == [5]


def test_headings_of_two_rows_are_joined() -> None:
    """A bud over live and dead goes for both; a unit under a heading is a part of it."""
    two = (("Vine", "Primary", None, "Secondary", None), (None, "Live", "Dead", "Live", "Dead"), ("A1", 8, 2, 9, 1))
    assert _found(*two)[0].names == ("Vine", "Primary Live", "Primary Dead", "Secondary Live", "Secondary Dead")
    units = _found(("Sample", "Dead", "Buds"), ("", "%", "#"), ("A1", 20, 10))
    assert units[0].names == ("Sample", "Dead (%)", "Buds (#)")


@pytest.mark.parametrize(
    ("last", "kept"),
    [
        (("Total", 15, 5), 2),
        (("TOTALES", 15, 5), 2),
        (("Average", 7.5, 2.5), 2),
        ((None, 15, 5), 2),
        (("A3", 15, 5), 3),  # the name of a vine, though its figures add up
        (("Total Wine 3", 4, 4), 3),
        (("All of them", 15, 5), 2),
        (("Blk 1 total", 15, 5), 2),
        (("Cut by the whole crew on a cold day.", None, None), 2),
        (("* A2 was wet", None, None), 2),
    ],
)
def test_totals_and_remarks_are_no_samples(last: tuple[object, ...], kept: int) -> None:
    """They are known by their words, or, without a name, by adding up; a vine that adds up stays a vine."""
    (found,) = _found(HEAD, ("A1", 8, 2), ("A2", 7, 3), last)
    assert len(found.rows) == kept


def test_totals_that_do_not_add_up_are_named() -> None:
    """The rows count, and a note names the row of totals."""
    rows = [(1, HEAD), (2, ("A1", 8, 2)), (3, ("A2", 7, 3)), (4, ("Total", 14, 5))]
    notes = find_tables(Sheet("a.xlsx", "Buds", rows))[1]
    assert any(note.key == "import.note.totals_wrong" for note in notes)


def test_every_table_of_a_sheet_is_read() -> None:
    """Side by side, and one under another with a header of its own; a header that is repeated is no row."""
    beside = _found((*HEAD, None, *HEAD), ("A1", 8, 2, None, "A3", 7, 3))
    assert [[cells[-3:] for _, cells in found.rows] for found in beside] == [[["A1", 8, 2]], [["A3", 7, 3]]]
    under = _found(HEAD, ("A1", 8, 2), HEAD, ("A2", 7, 3), ("Block", "Variety", "Acres"), ("Ash", "Vidal", 2))
    assert [len(found.rows) for found in under] == [2, 1]


def test_a_layout_is_known_again_next_year() -> None:
    """The mark of a layout knows no year, no capitals and no number of node columns."""
    now = layout_mark(["Vine", "Dead 2026", "N1", "N2", "N3"])
    assert layout_mark(["vine", "dead 2027", *(f"N{node}" for node in range(1, 16))]) == now
    assert layout_mark(["Vine", "Live 2026", "N1", "N2", "N3"]) != now


def test_merged_cells_hidden_sheets_and_formulas(tmp_path: Path) -> None:
    """A merged name goes for all its rows; a hidden sheet with buds is asked; a formula without its value is named."""
    rows = [("Vine", "Cane", "Dead", "Buds"), ("A1", 1, 3, 10), (None, 2, 4, 10), ("A2", 1, "=1+1", 10)]
    file = workbook(tmp_path / "a.xlsx", hidden=["Old"], merged=["A2:A3"], Buds=rows[:3], Old=rows[:2])
    understood = of_buds(file)
    assert [proposal.key.partition(" ")[2] for proposal in understood.open] == ["hidden"]
    answers = {proposal.key: "skip" for proposal in understood.open}
    assert dead(of_buds(file, answers=answers)) == {"A1": (7, 20)}
    said = [str(problem) for problem in of_buds(workbook(tmp_path / "b.xlsx", Buds=rows)).problems]
    assert said[0].startswith("b.xlsx:4: C: the formula '=1+1' has no stored result")


def test_a_sheet_that_may_hold_buds_is_not_passed_over(tmp_path: Path) -> None:
    """A sheet without any header that can be read, but with words for buds, is a question; any other one a note."""
    words = [("east side", "dead"), ("the slope", "alive"), ("by the road", "brown")]
    understood = of_buds(workbook(tmp_path / "a.xlsx", Walk=words, Prices=[("twine", 12)]))
    assert [proposal.key for proposal in understood.open] == ["no header aside"]
    (note,) = [note for note in understood.notes if note.key == "import.note.aside"]
    assert note.values["sheet"] == "a.xlsx[Prices]"


def test_a_column_a_cane_is_turned(tmp_path: Path) -> None:
    """Nodes down and vines across are read as a row a cane."""
    rows = [("Node", "A1", "A2"), (1, "G", "B"), (2, "G", "B"), (3, "B", "B")]
    assert dead(of_buds(workbook(tmp_path / "a.xlsx", Buds=rows))) == {"A1": (1, 3), "A2": (3, 3)}


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-16"])
def test_text_tables_of_other_countries(tmp_path: Path, encoding: str) -> None:
    """Semicolons, decimal commas, a title above and any usual encoding make no difference."""
    rows = [["Poda año 2026"], ["Muestra", "% muertas", "Yemas"], ["Peñón 1", "37,5", 16], ["Peñón 2", "12,5", 16]]
    understood = of_buds(table(tmp_path / "yemas.csv", rows, mark=";", encoding=encoding))
    assert dead(understood) == {"Peñón 1": (6, 16), "Peñón 2": (2, 16)}


def test_a_row_of_facts_is_no_second_heading(tmp_path: Path) -> None:
    """A first row without a plain number, such as "8 pies" and "Norte-Sur", is a row of the table."""
    heads = ["Potrero", "Distancia entre hileras", "Distancia entre plantas", "Dirección de hileras", "Poda"]
    rows = [heads, ["Álamo", "8 pies", "4 pies", "Norte-Sur", "Pitones"], ["Noria", "8 pies", "4 pies", "N-S", "Guyot"]]
    (sheet,) = read_sheets(table(tmp_path / "datos.csv", rows, mark=";"), Findings())
    ((found,), _) = find_tables(sheet)
    assert found.names == tuple(heads)
    assert [number for number, _ in found.rows] == [2, 3]


@pytest.mark.parametrize("name", ["Σ", "General", "="])
def test_a_row_that_adds_up_and_has_no_number_is_no_sample(name: str) -> None:
    """Among samples that are numbered, the row that adds all columns up is their total, whatever it is called."""
    rows = [(1, 8, 2), (2, 7, 3), (3, 9, 4)]
    (found,) = _found(HEAD, *rows, (name, 24, 9))
    assert len(found.rows) == 3
    (found,) = _found(HEAD, *rows, (name, 24, 8))
    assert len(found.rows) == 4
    (found,) = _found(HEAD, *rows, (4, 24, 9))
    assert len(found.rows) == 4
