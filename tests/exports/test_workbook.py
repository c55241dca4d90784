"""The work list opens as a spreadsheet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from vinemap.exports.workbook import write_workbook


def test_spreadsheet(tmp_path: Path) -> None:
    """The xlsx opens with a frozen heading, a total that adds up, names that stay text, and cautions behind it."""
    path = tmp_path / "worklist.xlsx"
    table = pd.DataFrame(
        {
            "visit": [1, 2, 3],
            "zone": [2, 1, 3],
            "block": ["=1+1", "A", "B"],
            "action": ["retrain", "keep_more", "no_data"],
            "area_ha": [1.0, 1.5, 0.5],
            "vines": pd.array([1000, 1500, 500], dtype="Int64"),
            "nodes_to_keep": [np.nan, 54.0, np.nan],
            "vines_to_work": [800.0, 1500.0, 0.0],
            "hours": [80.0, 93.75, np.nan],
            "stakes_pieces": [800.0, 0.0, 0.0],
            "cost": [2800.0, 1875.0, 0.0],
        }
    )
    write_workbook(table, path, currency="$")
    book = openpyxl.load_workbook(path)
    sheet = book.active
    assert "hands behind the blade" in book["cautions"]["A1"].value
    head = [cell.value for cell in sheet[1]]
    assert sheet.freeze_panes == "D2"
    assert sheet.max_row == 5
    assert sheet.cell(5, head.index("cost ($)") + 1).value == pytest.approx(2800 + 1875)
    assert sheet.cell(5, head.index("hours") + 1).value == pytest.approx(80 + 93.75)
    names = [sheet.cell(row, head.index("block") + 1) for row in range(2, 6)]
    assert all(cell.data_type == "s" for cell in names)
    assert names[-1].value == "Total, zones without figures left out"
    formats = {name: sheet.cell(2, place).number_format for place, name in enumerate(head, start=1)}
    assert formats["area_ha"] == formats["cost ($)"] == "0.00"
    assert (formats["hours"], formats["vines"], formats["stakes_pieces"]) == ("0.0", "0", "0")


def test_what_strangers_wrote_stays_text(tmp_path: Path) -> None:
    """Headings and cells that begin like a formula are text, and a character that XML forbids crashes nothing."""
    path = tmp_path / "worklist.xlsx"
    table = pd.DataFrame(
        {
            "visit": [1],
            "block": ["=HYPERLINK(0)\x0b"],
            "action": ["retrain"],
            "area_ha": [1.0],
            "vines": [1],
            "vines_to_work": [1.0],
            "hours": [1.0],
            "=cmd|\x01_pieces": [1.0],
            "cost": [1.0],
        }
    )
    write_workbook(table, path, currency="\x07$")
    sheet = openpyxl.load_workbook(path)["work"]
    assert [cell.value for cell in sheet[1]][-2:] == ["=cmd|\ufffd_pieces", "cost (\ufffd$)"]
    assert sheet["B2"].value == "=HYPERLINK(0)\ufffd"
    assert {cell.data_type for cell in sheet[1]} | {sheet["B2"].data_type} == {"s"}


def test_nodes_that_rest_on_an_assumption_say_so(tmp_path: Path) -> None:
    """Of three zones one rests on nodes guessed from the spacing: its cell reads "54 (assumed)", and is a number."""
    path = tmp_path / "worklist.xlsx"
    table = pd.DataFrame(
        {
            "visit": [1, 2, 3],
            "block": ["A", "B", "C"],
            "action": ["keep_more", "keep_more", "prune_long_wait"],
            "area_ha": 1.0,
            "vines": 100,
            "nodes_to_keep": [54.0, 60.0, np.nan],
            "target_from": ["spacing", "given", "spacing"],
            "vines_to_work": 100.0,
            "hours": 1.0,
            "cost": 1.0,
        }
    )
    write_workbook(table, path)
    sheet = openpyxl.load_workbook(path)["work"]
    column = [cell.value for cell in sheet[1]].index("nodes_to_keep") + 1
    cells = [sheet.cell(row, column) for row in (2, 3, 4)]
    assert [cell.value for cell in cells] == [54, 60, None]
    assert ["assumed" in cell.number_format for cell in cells] == [True, False, False]
