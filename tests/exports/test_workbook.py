"""The workbook opens as a spreadsheet: overviews in every language and unit system, and a sheet a question."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from tests.builders import write_vineyard
from vinemap.columns import WORKBOOK, heading_key, note_keys
from vinemap.exports.workbook import Content, word_key, write_workbook
from vinemap.pipeline.mapping import make_map
from vinemap.sentences import languages
from vinemap.settings import Settings

ACRE_HA = 0.40468564224
"""Of the international acre, 4046.8564224 m2: international yard and pound agreement of 1959 (from memory)."""


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> Content:
    """What a small vineyard's run gives the workbook."""
    run = make_map(write_vineyard(tmp_path_factory.mktemp("vineyard")))
    return Content(run.blocks, run.zones, run.samples, run.work, run.rows, run.report, run.vineyard.site.settings)


def _written(content: Content, path: Path, **settings: Any) -> openpyxl.Workbook:
    write_workbook(path, replace(content, settings=Settings(**settings)))
    return openpyxl.load_workbook(path)


def _texts(sheet: Worksheet) -> list[str]:
    return [str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value is not None]


def _column(sheet: Worksheet, heading: str, head: int = 1) -> list[Any]:
    """Return the cells under a heading."""
    place = [cell.value for cell in sheet[head]].index(heading) + 1
    return [sheet.cell(row, place).value for row in range(head + 1, sheet.max_row + 1)]


def test_the_own_language_and_units_stand_first(content: Content, tmp_path: Path) -> None:
    """Spanish and acres are asked for: their overview is first; each other one is there, with areas in its own unit."""
    book = _written(content, tmp_path / "worklist.xlsx", language="es", units="us")
    assert book.sheetnames[0] == "Resumen (ac)"
    assert set(book.sheetnames[-3:]) == {"Resumen (ha)", "Overview (ha)", "Overview (ac)"}
    assert "Qué hacer" in book.sheetnames
    areas = {}
    for name in ("Resumen (ac)", "Overview (ha)"):
        sheet = book[name]
        head = next(cell.row for cell in sheet["A"] if cell.value in ("No.", "N.º"))
        first = [cell.value for cell in sheet[head + 1]]
        assert first[0] == 1
        areas[name] = (first[1], first[3])
    worst = content.blocks.nlargest(1, "map_injury_pct").iloc[0]
    assert areas["Overview (ha)"] == (worst["block"], pytest.approx(worst["area_ha"]))
    assert areas["Resumen (ac)"][1] == pytest.approx(worst["area_ha"] / ACRE_HA)
    assert any("cortan a las personas" in text for text in _texts(book["Resumen (ac)"]))
    assert any("hands behind the blade" in text for text in _texts(book["Overview (ac)"]))
    assert _column(book["Peores cuarteles"], "Superficie (ac)")[0] == pytest.approx(worst["area_ha"] / ACRE_HA)


def test_every_question_has_a_sheet_with_frozen_headings_and_notes(content: Content, tmp_path: Path) -> None:
    """Headings stand while the rest moves; each has the data dictionary's line, and the column's name in the files."""
    book = _written(content, tmp_path / "worklist.xlsx")
    names = ["Overview (ha)", "Worst blocks", "What to do", "What was cut", "How sure", "Crop lost", "Cautions"]
    assert book.sheetnames[: len(names)] == names
    for name in names[1:-1]:
        sheet = book[name]
        assert sheet.freeze_panes is not None, name
        assert str(sheet.freeze_panes)[1:] == "2", name
        headings = [cell.value for cell in sheet[1]]
        assert len(set(headings)) == len(headings), name
        for cell in sheet[1]:
            assert cell.comment is not None or cell.value == "What would help", (name, cell.value)
    note = next(cell.comment.text for cell in book["Worst blocks"][1] if cell.value == "Primaries dead, by the map (%)")
    assert note.startswith("Primary buds dead over the whole block, by the map.\nIn blocks.csv: map_injury_pct, in %")
    links = {cell.hyperlink.location for row in book["Overview (ha)"].iter_rows() for cell in row if cell.hyperlink}
    assert {link.partition("!")[0].strip("'") for link in links} == set(book.sheetnames) - {"Overview (ha)"}


def test_states_are_words(content: Content, tmp_path: Path) -> None:
    """No cell shows a state as the files spell it."""
    book = _written(content, tmp_path / "worklist.xlsx", language="es")
    cells = {text for sheet in book for text in _texts(sheet)}
    assert not cells & {"keep_more", "prune_long_wait", "as_usual", "few samples", "no sample", "spacing", "given"}
    assert languages()["es"]["page.action.as_usual"] in cells or languages()["es"]["page.action.keep_more"] in cells


@pytest.mark.parametrize("sheet", WORKBOOK)
def test_every_column_of_the_workbook_speaks_every_language(sheet: str) -> None:
    """Each column has a heading and a note, each of its words a text: in English, which all languages follow."""
    layout, names = WORKBOOK[sheet]
    for name in names:
        column = next(column for column in layout.columns if column.name == name)
        end = any(f"_{side}" in name for side in ("low", "high"))
        keys = [note_keys()[sheet, name], *([] if end else [heading_key(name)])]
        for key in (*keys, *(word_key(name, word) for word in column.words)):
            assert key in languages()["en"], key


def test_a_spreadsheet_program_opens_it(content: Content, tmp_path: Path) -> None:
    """LibreOffice Calc reads every sheet and writes the same figures; without it only openpyxl has read them back."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("no LibreOffice on this machine")
    write_workbook(tmp_path / "worklist.xlsx", content)
    home = f"-env:UserInstallation={(tmp_path / 'home').as_uri()}"
    out = tmp_path / "opened"
    command = [
        program,
        home,
        "--headless",
        "--convert-to",
        "xlsx",
        "--outdir",
        str(out),
        str(tmp_path / "worklist.xlsx"),
    ]
    subprocess.run(command, check=True, capture_output=True)
    before, after = (openpyxl.load_workbook(folder / "worklist.xlsx") for folder in (tmp_path, out))
    assert after.sheetnames == before.sheetnames
    for sheet in before:
        for row in sheet.iter_rows():
            for cell in row:
                value = after[sheet.title][cell.coordinate].value
                assert value == (pytest.approx(cell.value) if isinstance(cell.value, float) else cell.value)
    notes = [cell.comment for cell in after["Worst blocks"][1]]
    assert all(note is not None for note in notes)


def test_spreadsheet(content: Content, tmp_path: Path) -> None:
    """The xlsx opens with a frozen heading, a total that adds up, names that stay text, and cautions behind it."""
    path = tmp_path / "worklist.xlsx"
    table = pd.DataFrame(
        {
            "visit": [1, 2, 3],
            "zone": [2, 1, 3],
            "block": ["=1+1", "A", "B"],
            "task": ["retrain", "keep_more", "no_data"],
            "area_ha": [1.0, 1.5, 0.5],
            "vines": pd.array([1000, 1500, 500], dtype="Int64"),
            "nodes_to_keep": [np.nan, 54.0, np.nan],
            "vines_to_work": [800.0, 1500.0, 0.0],
            "hours": [80.0, 93.75, np.nan],
            "crew_days": [2.5, 2.9, np.nan],
            "stakes_pieces": [800.0, 0.0, 0.0],
            "cost": [2800.0, 1875.0, 0.0],
        }
    )
    book = _written(replace(content, work=table), path, work={"currency": "$"})
    sheet = book["What to do"]
    assert "hands behind the blade" in book["Cautions"]["A1"].value
    head = [cell.value for cell in sheet[1]]
    assert sheet.freeze_panes == "D2"
    assert sheet.max_row == 5
    assert sheet.cell(5, head.index("Cost ($)") + 1).value == pytest.approx(2800 + 1875)
    assert sheet.cell(5, head.index("Hours of work") + 1).value == pytest.approx(80 + 93.75)
    names = [sheet.cell(row, head.index("Block") + 1) for row in range(2, 6)]
    assert all(cell.data_type == "s" for cell in names)
    assert names[-1].value == "Total, zones without figures left out"
    formats = {name: sheet.cell(2, place).number_format for place, name in enumerate(head, start=1)}
    assert formats["Area (ha)"] == formats["Cost ($)"] == "#,##0.00"
    assert (formats["Hours of work"], formats["Vines"], formats["stakes, pieces"]) == ("#,##0.0", "#,##0", "#,##0")


def test_what_strangers_wrote_stays_text(content: Content, tmp_path: Path) -> None:
    """Headings and cells that begin like a formula are text, and a character that XML forbids crashes nothing."""
    path = tmp_path / "worklist.xlsx"
    table = pd.DataFrame(
        {
            "visit": [1],
            "task": ["retrain"],
            "zone": [1],
            "block": ["=HYPERLINK(0)\x0b"],
            "area_ha": [1.0],
            "vines": [1],
            "vines_to_work": [1.0],
            "hours": [1.0],
            "crew_days": [1.0],
            "=cmd|\x01_pieces": [1.0],
            "cost": [1.0],
        }
    )
    sheet = _written(replace(content, work=table), path, work={"currency": "\x07$"})["What to do"]
    assert [cell.value for cell in sheet[1]][-2:] == ["=cmd|\ufffd, pieces", "Cost (\ufffd$)"]
    assert sheet["D2"].value == "=HYPERLINK(0)\ufffd"
    assert {cell.data_type for cell in sheet[1]} | {sheet["D2"].data_type} == {"s"}


def test_nodes_that_rest_on_an_assumption_say_so(content: Content, tmp_path: Path) -> None:
    """Of three zones one rests on nodes guessed from the spacing: its cell reads "54 (assumed)", and is a number."""
    path = tmp_path / "worklist.xlsx"
    table = pd.DataFrame(
        {
            "visit": [1, 2, 3],
            "zone": [1, 2, 3],
            "block": ["A", "B", "C"],
            "task": ["keep_more", "keep_more", "prune_long_wait"],
            "area_ha": 1.0,
            "vines": 100,
            "nodes_to_keep": [54.0, 60.0, np.nan],
            "target_from": ["spacing", "given", "spacing"],
            "vines_to_work": 100.0,
            "hours": 1.0,
            "crew_days": 1.0,
            "cost": 1.0,
        }
    )
    sheet = _written(replace(content, work=table), path)["What to do"]
    column = [cell.value for cell in sheet[1]].index("Nodes to keep on a vine") + 1
    cells = [sheet.cell(row, column) for row in (2, 3, 4)]
    assert [cell.value for cell in cells] == [54, 60, None]
    assert ["assumed" in cell.number_format for cell in cells] == [True, False, False]
