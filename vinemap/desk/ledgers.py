"""Tables as the desk shows and changes them: a file's cells, those that were typed over, and the file made anew."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import openpyxl

from vinemap.columns import SHOOTS
from vinemap.desk.drafts import Drafts, Place, sheet_of
from vinemap.errors import Findings, Problem
from vinemap.reading.files import TABLES, usable
from vinemap.reading.tabular import NOTES_SHEET, Table, decode, read_tables

_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_SEPARATOR_LINE = re.compile(r"\"?sep=.\"?\r?\n", re.IGNORECASE)
_SEPARATORS = ",;\t|"
_NUMBER = re.compile(r"[+-]?[0-9]{1,15}([.][0-9]{1,12})?")
_HEADER_ROW = 1
MOST_LETTERS = 2_000
"""Letters that a cell may be given."""

SAMPLES_BEGUN = "samples.csv"
# Columns of the tables that may be begun at the desk, by the names of their files.
BEGUN = {
    SAMPLES_BEGUN: ("sample", "lon", "lat", "block", "date"),
    "shoots.csv": tuple(SHOOTS.names),
}


@dataclass(frozen=True)
class Ledger:
    """A table with the cells that were typed over it.

    Attributes
    ----------
    name : str
        Of the file; of a workbook of several sheets ``name.xlsx[sheet]``, as problems call it.
    columns : tuple of str
        As the file spells them.
    rows : dict of int to list of str
        By the row that a spreadsheet numbers; as many cells as there are columns.
    changed : frozenset of Place
        Cells that are not yet in the file.
    outdated : dict of Place to str
        What was typed over an earlier state of the file, which another program has changed since: it stands aside.
    """

    name: str
    columns: tuple[str, ...]
    rows: dict[int, list[str]]
    changed: frozenset[Place]
    outdated: dict[Place, str] = field(default_factory=dict)


def ledgers(folder: Path, drafts: Drafts, only: str | None = None) -> tuple[dict[str, Ledger], list[Problem]]:
    """Return the tables of a vineyard's folder by their names, and what hinders reading others.

    Parameters
    ----------
    folder : Path
    drafts : Drafts
        What was typed over their cells.
    only : str, optional
        Name of one file, where no other is asked for.
    """
    findings = Findings()
    found: dict[str, Ledger] = {}
    for path in sorted(path for path in folder.iterdir() if only in (None, path.name)):
        if (
            path.suffix.lower() in TABLES
            and not path.name.startswith(".")
            and usable(path, TABLES, findings, within=folder)
        ):
            for table in read_tables(path, path.stem.casefold(), findings):
                found[table.file] = _ledger(table.file, table.columns, _rows(table), drafts)
    for name in BEGUN:
        if name not in found and drafts.cells.get(name) and not (folder / name).exists():
            found[name] = begun(name, drafts)
    return found, findings.problems


def begun(name: str, drafts: Drafts) -> Ledger:
    """Return a table that is begun at the desk, with what was typed into it."""
    return _ledger(name, BEGUN[name], {}, drafts)


def _rows(table: Table) -> dict[int, list[str]]:
    return {number: [as_text(cell) for cell in cells] for number, cells in zip(table.numbers, table.rows, strict=True)}


def _ledger(name: str, columns: tuple[str, ...], rows: dict[int, list[str]], drafts: Drafts) -> Ledger:
    if drafts.is_outdated(name):
        return Ledger(name, columns, rows, frozenset(), dict(drafts.cells.get(name, {})))
    typed = {place: value for place, value in drafts.cells.get(name, {}).items() if place[1] < len(columns)}
    for (row, column), value in typed.items():
        rows.setdefault(row, [""] * len(columns))[column] = value
    return Ledger(name, columns, dict(sorted(rows.items())), frozenset(typed))


def as_text(cell: object) -> str:
    """Return a cell as a person would type it."""
    match cell:
        case None:
            return ""
        case bool():
            return "yes" if cell else "no"
        case float() if cell.is_integer():
            return str(int(cell))
        case dt.datetime() if cell.time() == dt.time():
            return cell.date().isoformat()
        case dt.date():
            return cell.isoformat()
    return str(cell)


def remade(path: Path, ledger: Ledger, cells: Mapping[Place, str]) -> bytes:
    """Return a file as it is once the cells that were typed stand in it; all else stays as it was.

    Parameters
    ----------
    path : Path
        Of the file; it may be missing where the table is begun at the desk.
    ledger : Ledger
        Of the file, or of one of its sheets.
    cells : mapping of Place to str
    """
    if not path.exists():
        return _written(ledger.columns, cells)
    if path.suffix.lower() == ".xlsx":
        return _workbook(path, ledger.name, cells)
    return _text(path.read_bytes(), ledger.columns, cells)


def _written(columns: tuple[str, ...], cells: Mapping[Place, str]) -> bytes:
    """Return a table that has only what was typed, as CSV in UTF-8."""
    rows: dict[int, list[str]] = {}
    for (row, column), value in cells.items():
        rows.setdefault(row, [""] * len(columns))[column] = value
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(columns)
    writer.writerows(rows[number] for number in sorted(rows) if any(rows[number]))
    return stream.getvalue().encode()


def _text(data: bytes, columns: tuple[str, ...], cells: Mapping[Place, str]) -> bytes:
    """Return a text table with changed cells: lines that have none stay as they are, byte by byte."""
    text = decode(data) or ""
    body = text[found.end() :] if (found := _SEPARATOR_LINE.match(text)) else text
    lines = _LINE.findall(body)
    separator = _separator(lines, columns)
    end = next((line[len(line.rstrip("\r\n")) :] for line in lines if line.rstrip("\r\n") != line), "\r\n")
    reader = csv.reader(iter(lines), delimiter=separator)
    by_row: dict[int, dict[int, str]] = {}
    for (row, column), value in cells.items():
        by_row.setdefault(row, {})[column] = value
    out, before, number = [text[: len(text) - len(body)]], 0, 0
    for number, record in enumerate(reader, start=1):
        raw = "".join(lines[before : reader.line_num])
        before = reader.line_num
        out.append(_record(record, by_row.pop(number), separator, end) if number in by_row else raw)
    if by_row and out[-1] and not out[-1].endswith(("\r", "\n")):
        out.append(end)
    for row in sorted(by_row):
        out += [end] * max(0, row - number - 1) + [_record([], by_row[row], separator, end)]
        number = max(row, number + 1)
    return _encoded("".join(out), data)


def _separator(lines: list[str], columns: tuple[str, ...]) -> str:
    """Return the separator by which the header has the columns that were read of it."""
    header = next((line for line in lines if line.strip()), "").strip("\r\n")

    def fits(mark: str) -> bool:
        found = [cell.strip() for cell in next(csv.reader([header], delimiter=mark), [])]
        return tuple(found[: len(columns)]) == columns

    return next(filter(fits, _SEPARATORS), ",")


def _record(cells: list[str], changed: Mapping[int, str], separator: str, end: str) -> str:
    width = max([len(cells), *(column + 1 for column in changed)])
    full = [*cells, *[""] * (width - len(cells))]
    for column, value in changed.items():
        full[column] = value
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=separator, lineterminator=end).writerow(full)
    return stream.getvalue()


def _encoded(text: str, data: bytes) -> bytes:
    """Return text in the encoding of the bytes that it came from, or where that lacks a letter in UTF-8."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return text.encode("utf-16")
    if data.startswith(b"\xef\xbb\xbf"):
        return text.encode("utf-8-sig")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        try:
            return text.encode("cp1252")
        except UnicodeEncodeError:
            return text.encode("utf-8-sig")
    return text.encode("utf-8")


def _workbook(path: Path, name: str, cells: Mapping[Place, str]) -> bytes:
    book = openpyxl.load_workbook(path)
    sheet = book[sheet_of(name)[1] or _only_sheet(book, path.stem.casefold())]
    for (row, column), value in cells.items():
        cell = sheet.cell(row, column + 1)
        if _NUMBER.fullmatch(value):
            cell.value = float(value) if "." in value else int(value)
        else:
            cell.value = value or None
            if value:
                cell.data_type = "s"  # what begins with = is what was typed, not a formula
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _only_sheet(book: openpyxl.Workbook, stem: str) -> str:
    """Return the title of the sheet that is read where the file's name alone stands for it."""
    filled = [sheet.title for sheet in book.worksheets if sheet.max_row > _HEADER_ROW]
    called = [title for title in filled if title.strip().casefold() == stem]
    tables = [title for title in filled if title.strip().casefold() != NOTES_SHEET]
    return (called or tables or filled or [book.worksheets[0].title])[0]
