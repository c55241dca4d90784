"""A table as a sheet of a workbook: headings with their notes, frozen, and text that stays text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from openpyxl.cell import Cell
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from vinemap.characters import for_xml

_NARROWEST, _WIDEST = 9, 60
_POINTS = 15
"""Height of a line of the usual type."""
_LINE = Side(style="thin", color="8A8577")
_HEAD = PatternFill("solid", fgColor="E9E4D4")
_NOTE_WIDTH, _NOTE_LINE, _NOTE_LETTERS = 320, 18, 44
"""Of a note, in pixels and letters a line."""
_TYPE = "Calibri"
LINK = Font(name=_TYPE, color="0B5394", underline="single")


@dataclass(frozen=True)
class Shown:
    """A column as a sheet shows it.

    Attributes
    ----------
    heading : str
    values : sequence
        Cell by cell; None and NaN are empty cells.
    note : str
        Shown beside the heading where somebody points at it; "" for none.
    number : str
        Format of its figures.
    own : mapping of int to str
        Formats of single cells, by their place.
    """

    heading: str
    values: Sequence[Any]
    note: str = ""
    number: str = "0"
    own: dict[int, str] | None = None


def put_table(
    sheet: Worksheet, columns: Iterable[Shown], *, row: int = 1, left: int = 1, sized: bool = True, total: bool = False
) -> int:
    """Write a table, its headings on ``row``, and return the row after it.

    Parameters
    ----------
    sheet : Worksheet
    columns : iterable of Shown
    row : int
        Of the headings, counted from 1.
    left : int
        Column of the first one.
    sized : bool
        Whether the sheet's columns take the width of what they hold.
    total : bool
        Whether the last row sums the others up.
    """
    after, lines = row + 1, 1
    for place, column in enumerate(columns, start=left):
        if sized:
            sheet.column_dimensions[get_column_letter(place)].width = _width(column)
        head = put(sheet, row, place, column.heading)
        head.font, head.fill, head.border = Font(name=_TYPE, bold=True), _HEAD, Border(bottom=_LINE)
        figures = not any(isinstance(value, str) for value in column.values)
        head.alignment = _text(vertical="bottom") if not figures else Alignment("right", "bottom", wrap_text=True)
        lines = max(lines, _lines(column.heading, sheet.column_dimensions[get_column_letter(place)].width - 2))
        if column.note:
            head.comment = _note(column.note)
        for at, value in enumerate(column.values, start=1):
            cell = put(sheet, row + at, place, value)
            cell.alignment = _text(vertical="top") if isinstance(cell.value, str) else Alignment("right", "top")
            if not isinstance(cell.value, str):
                cell.number_format = "yyyy-mm-dd" if cell.is_date else (column.own or {}).get(at - 1, column.number)
            if total and at == len(column.values):
                cell.font, cell.border = Font(name=_TYPE, bold=True), Border(top=_LINE)
            after = max(after, row + at + 1)
    sheet.row_dimensions[row].height = _POINTS * lines
    return after


def _text(vertical: str) -> Alignment:
    """Return how text stands in its cell: apart from the figures beside it."""
    return Alignment("left", vertical, wrap_text=True, indent=1)


def _lines(text: str, width: float) -> int:
    """Return how many lines a text takes where so many letters have room on one."""
    lines, used = 1, 0
    for word in text.split():
        fits = used + len(word) <= width
        lines, used = (lines, used + len(word) + 1) if fits or not used else (lines + 1, len(word) + 1)
    return lines


def freeze(sheet: Worksheet, columns: int, rows: int) -> None:
    """Let the headings on the first row and so many columns stand while the rest moves; filter ``rows`` by them."""
    sheet.freeze_panes = sheet.cell(2, columns + 1)
    sheet.auto_filter.ref = f"A1:{get_column_letter(sheet.max_column)}{rows + 1}"
    sheet.print_title_rows = "1:1"


def to_print(sheet: Worksheet) -> None:
    """Let a sheet print across, as wide as the paper, on as many pages as it takes."""
    sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def put(sheet: Worksheet, row: int, column: int, value: Any) -> Cell:
    """Write one cell. Text that begins like a formula stays text, and holds nothing that XML forbids."""
    cell: Cell = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = for_xml(value)
        cell.data_type = "s"
    elif value is not None and not pd.isna(value):
        cell.value = value.item() if isinstance(value, np.generic) else value
    return cell


def put_line(sheet: Worksheet, row: int, text: str, *, across: int, size: float = 11, bold: bool = False) -> Cell:
    """Write a line of text over so many columns, as high as it needs: no spreadsheet does that for merged cells."""
    cell = put(sheet, row, 1, text)
    sheet.merge_cells(start_row=row, start_column=1, end_row=row, end_column=across)
    cell.font, cell.alignment = Font(name=_TYPE, bold=bold, size=size), Alignment(wrap_text=True, vertical="top")
    width = sum(sheet.column_dimensions[get_column_letter(place)].width for place in range(1, across + 1))
    sheet.row_dimensions[row].height = _POINTS * size / 11 * _lines(text, width * 11 / size)
    return cell


def _note(text: str) -> Comment:
    """Return a note that is high enough for its text."""
    lines = sum(math.ceil(max(len(line), 1) / _NOTE_LETTERS) for line in text.split("\n"))
    return Comment(for_xml(text), "vinemap", height=_NOTE_LINE * (lines + 1), width=_NOTE_WIDTH)


def _width(column: Shown) -> float:
    """Return the width of a column: of its longest cell, or of the longest word of its heading."""
    words = max(map(len, column.heading.split()), default=0) + 4
    cells = max((len(_written(value, column.number)) for value in column.values), default=0) + 3
    own = max(map(len, (column.own or {}).values()), default=0)
    return min(max(_NARROWEST, len(column.heading) / 3.5, words, cells, own), _WIDEST)


def _written(value: Any, number: str) -> str:
    """Return about what a cell reads."""
    if isinstance(value, str):
        return value
    if value is None or pd.isna(value):
        return ""
    if not isinstance(value, (int, float, np.number)):
        return "2026-01-22"
    return f"{value:.{len(number.partition('.')[2])}f}" + " " * ("," in number)
