"""Tables as the files hold them: text with any usual separator and encoding, workbooks; cells not yet understood."""

from __future__ import annotations

import csv
import re
import warnings
import zipfile
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import openpyxl

from vinemap.arrays import Array
from vinemap.characters import from_spreadsheet
from vinemap.doors import megabytes
from vinemap.errors import Findings, Problem, RefusedError
from vinemap.reading.cells import blank
from vinemap.sentences import Figure, Listed, Sentence

Cells = Sequence[object]

NOTES_SHEET = "notes"
"""Title of the sheet of a workbook that is for its readers and never holds a table."""

"""What to do about a file that holds too much."""

MOST_ROWS = 200_000
"""Rows past which a table or a layer is refused: more nodes than ten thousand long canes have."""

MOST_CELLS = 6_000_000
"""Cells past which a table or a layer is refused, empty ones among them."""

# A cell of a workbook takes many times as long as one of text, and twice that where there are formulas.
_MOST_WORKBOOK_CELLS = 1_000_000
_MOST_COLUMNS = 2000
# A text that a workbook holds once may stand in any number of its cells.
_MOST_LETTERS = 50_000_000
_MOST_UNPACKED_BYTES = 200_000_000
_MOST_PART_BYTES = 5_000_000
_TYPES = "[Content_Types].xml"
# The byte-order marks of UTF-16, whose text is half NULs.
_WIDE = (b"\xff\xfe", b"\xfe\xff")
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_SEPARATORS = ("\t", ";", "|", ",")
_FEW = 5
"""Rows of one fault that are still named each by itself."""
_FORMULA = re.compile(rb"<f[ >/]")
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell [^>]*?ref=\"([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})\"")
_LINES_LOOKED_AT = 200


@dataclass(frozen=True)
class Table:
    """Rows of a file before anything is understood.

    Attributes
    ----------
    file : str
        Name of the file.
    columns : tuple of str
        As the file spells them, without outer spaces.
    rows : list of sequences
        Cells, as many as there are columns; rows with nothing in them are left out.
    numbers : list of int
        The row that a spreadsheet gives each of ``rows``; the header is row 1 where nothing stands above it.
    geometry : GeoSeries or None
        Geometries of ``rows`` in the file's CRS (None where the file states none); None for plain tables.
    heights : array (rows,) or None
        Heights that the points themselves carry, in metres, NaN where one carries none.
    """

    file: str
    columns: tuple[str, ...]
    rows: list[Cells]
    numbers: list[int]
    geometry: gpd.GeoSeries | None = None
    heights: Array | None = None


@dataclass(frozen=True)
class Sheet:
    """A text table, or a sheet of a workbook, of which not even the header is known yet.

    Attributes
    ----------
    file : str
        Name of the file.
    title : str or None
        Of the sheet; None for a text table.
    rows : list of (int, sequence)
        Row as a spreadsheet numbers it, and its cells; rows with nothing in them are left out. A cell of a merged range
        holds what its first cell does.
    hidden : bool
        Whether a spreadsheet keeps it from view.
    merged : frozenset of (int, int)
        Row number and place of the cells that a merged range filled.
    """

    file: str
    title: str | None
    rows: list[tuple[int, Cells]]
    hidden: bool = False
    merged: frozenset[tuple[int, int]] = frozenset()


@contextmanager
def folded(findings: Findings, among: int, what: str = "rows") -> Iterator[None]:
    """Of the problems found inside, let the first stand, with a count, for a fault that half the rows or more share.

    Parameters
    ----------
    findings : Findings
        Problems of one file, column and remedy are one fault.
    among : int
        How many rows were looked at.
    what : str
        What ``among`` counts.
    """
    start = len(findings.problems)
    yield
    found = findings.problems[start:]
    faults: dict[tuple[str, str, str], list[Problem]] = {}
    for problem in found:
        if problem.row is not None:
            faults.setdefault((problem.file, problem.column, problem.remedy), []).append(problem)
    kept: dict[Problem, None] = {}
    for problem in found:
        alike = faults.get((problem.file, problem.column, problem.remedy), [])
        if problem.row is None or len(alike) <= _FEW or len(alike) < among / 2:
            kept[problem] = None
        else:
            counts = {"count": str(len(alike)), "all": str(among), "what": Sentence(f"fault.of.{what}")}
            more = Sentence("fault.folded", first=alike[0].message, **counts)
            kept[replace(alike[0], message=more)] = None
    findings.problems[start:] = kept


def read_table(path: Path, stem: str, findings: Findings) -> Table | None:
    """Read a text table or a workbook.

    Parameters
    ----------
    path : Path
        A file ending in .csv, .tsv or .xlsx.
    stem : str
        Name of the sheet to prefer in a workbook of several.
    findings : Findings
        Gets what is wrong.

    Returns
    -------
    Table or None
        None where the file as a whole cannot be read.
    """
    if path.suffix.lower() != ".xlsx":
        records = _text(path, findings)
        return None if records is None else _table(path.name, records, findings)
    sheets = _workbook(path, stem, findings)
    if len(sheets) > 1:
        several = Sentence("fault.sheets", sheets=Listed(sheets, most=None))
        findings.problem(path.name, None, "", several, Sentence("remedy.sheets", stem=stem))
        return None
    return next((_table(path.name, records, findings) for records in sheets.values()), None)


def read_tables(path: Path, stem: str, findings: Findings) -> list[Table]:
    """Read a text table, or the sheets of a workbook that may hold several tables of one kind.

    Parameters
    ----------
    path, stem, findings
        As `read_table` has them.

    Returns
    -------
    list of Table
        Of a workbook: the sheet called ``stem`` alone where there is one, else every sheet with rows; ``file`` is then
        ``name.xlsx[sheet]``.
    """
    if path.suffix.lower() != ".xlsx":
        tables = [read_table(path, stem, findings)]
    else:
        sheets = _workbook(path, stem, findings)
        filled = {title: records for title, records in sheets.items() if len(records) > 1}
        read = filled or dict(list(sheets.items())[:1])
        names = {title: f"{path.name}[{title}]" if len(read) > 1 else path.name for title in read}
        tables = [_table(names[title], records, findings) for title, records in read.items()]
    return [table for table in tables if table is not None]


def read_sheets(path: Path, findings: Findings) -> list[Sheet]:
    """Read a text table, or every sheet of a workbook, hidden ones too, as they stand.

    Parameters
    ----------
    path : Path
        A file that `vinemap.reading.files.usable` lets through, ending in .csv, .tsv or .xlsx.
    findings : Findings
        Gets what is wrong.

    Returns
    -------
    list of Sheet
        Those with anything in them; none where the file cannot be read.
    """
    if path.suffix.lower() != ".xlsx":
        records = _text(path, findings, below_titles=True)
        return [Sheet(path.name, None, records)] if records else []
    with _sound_workbook(path, findings) as refused:
        _refuse_swollen(path)
        sheets = [sheet for sheet in _every_sheet(path) if sheet.rows]
        for sheet in sheets:
            _unsaved_formulas(path, str(sheet.title), dict(sheet.rows), findings)
    return [] if refused else sheets


def as_table(sheet: Sheet, findings: Findings) -> Table | None:
    """Take the first row of a sheet for its header; None, and a problem, where that cannot be."""
    return _table(sheet.file, sheet.rows, findings)


class _Filled:
    """Yields the rows that hold anything, and counts them over all the tables of a file."""

    def __init__(self, most_cells: int) -> None:
        self._most_cells = most_cells
        self._rows = self._cells = self._letters = 0

    def of(self, rows: Iterable[Cells]) -> Iterator[tuple[int, Cells]]:
        """Yield the rows of one table, numbered from 1; raise `RefusedError` past what a vineyard fills."""
        # The header is no row.
        self._rows -= 1
        for number, row in enumerate(rows, start=1):
            self._cells += 1 + len(row)
            if self._cells > self._most_cells:
                raise too_many_cells(self._most_cells)
            self._letters += sum(len(cell) for cell in row if isinstance(cell, str))
            if self._letters > _MOST_LETTERS:
                raise RefusedError(
                    Sentence("fault.many_letters", most=Figure(_MOST_LETTERS)), Sentence("remedy.only_ours")
                )
            if all(blank(cell) for cell in row):
                continue
            self._rows += 1
            if self._rows > MOST_ROWS:
                raise too_many_rows()
            yield number, row


def too_many_cells(most: int) -> RefusedError:
    """Make the error of a file of more cells than are read."""
    remedy = Sentence("remedy.only_ours" if most == MOST_CELLS else "remedy.only_ours_or_csv")
    return RefusedError(Sentence("fault.many_cells", most=Figure(most)), remedy)


def too_many_rows() -> RefusedError:
    """Make the error of a file of more rows than `MOST_ROWS`."""
    return RefusedError(Sentence("fault.many_rows", most=Figure(MOST_ROWS)), Sentence("remedy.only_ours"))


def _table(file: str, filled: list[tuple[int, Cells]], findings: Findings) -> Table | None:
    if not filled:
        findings.problem(file, None, "", Sentence("fault.no_rows"), Sentence("remedy.no_rows"))
        return None
    header = ["" if cell is None else str(cell).strip() for cell in filled[0][1]]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    if width > _MOST_COLUMNS:
        what = Sentence("fault.many_columns.table", count=Figure(width), most=Figure(_MOST_COLUMNS))
        findings.problem(file, None, "", what, Sentence("remedy.fewer_columns.table"))
        return None
    fitting = [(number, cells) for number, cells in filled[1:] if all(blank(cell) for cell in cells[width:])]
    if len(filled) == 1:
        findings.problem(file, None, "", Sentence("fault.header_alone"), Sentence("remedy.header_alone"))
        return None
    if not _header_fits(file, filled, len(fitting), width, findings):
        return None
    rows: list[Cells] = [[*cells[:width], *[None] * (width - len(cells))] for _, cells in fitting]
    return Table(file, tuple(header), rows, [number for number, _ in fitting])


def _header_fits(file: str, filled: list[tuple[int, Cells]], fitting: int, width: int, findings: Findings) -> bool:
    """Name the rows longer than the header; False where most are, so that the header itself is in doubt."""
    long = [(number, cells) for number, cells in filled[1:] if any(not blank(cell) for cell in cells[width:])]
    workbook = ".xlsx" in file.casefold()
    if len(long) > max(_FEW, fitting):
        findings.problem(
            file,
            filled[0][0],
            "",
            Sentence.counted(
                "fault.long_rows", width, long=Figure(len(long)), all=Figure(len(filled) - 1), row=str(long[0][0])
            ),
            Sentence("remedy.titles" if workbook else "remedy.marks_or_titles"),
        )
        return False
    for number, cells in long:
        findings.problem(
            file,
            number,
            "",
            Sentence("fault.long_row", count=Figure(len(cells)), width=Figure(width)),
            Sentence("remedy.long_row" if workbook else "remedy.long_row.marks"),
        )
    return True


def _text(path: Path, findings: Findings, *, below_titles: bool = False) -> list[tuple[int, Cells]] | None:
    data = path.read_bytes()
    text = decode(data)
    if text is None and b"\x00" in data and not data.startswith(_WIDE):
        findings.problem(path.name, nul_line(data), "", Sentence("fault.nul"), Sentence("remedy.utf8"))
        return None
    if text is None:
        findings.problem(path.name, None, "", Sentence("fault.no_text"), Sentence("remedy.as_utf8"))
        return None
    first, _, rest = text.partition("\n")
    separator = None
    # Spreadsheets write, and swallow, a first line that names the separator.
    if re.fullmatch(r"\"?sep=.\"?\r?", first, re.IGNORECASE):
        separator, text = first.strip().strip('"')[-1], rest
    separator = separator or (_common_separator(text) if below_titles else _separator(text))
    reader = csv.reader(_lines(text), delimiter=separator, strict=True)
    records: list[tuple[int, Cells]] = []
    number = 0
    # Few words fill most cells: each is kept once.
    known: dict[str, str] = {}

    def counted() -> Iterator[Cells]:
        nonlocal number
        for number, row in enumerate(reader, start=1):  # noqa: B007 - the number is for the fault below
            # Text is read as it was before vinemap, or a spreadsheet's owner, quoted it.
            yield [known.setdefault(cell, cell) for cell in map(from_spreadsheet, row)]

    try:
        # A row is in memory before it can be counted.
        if text.count(separator) + text.count("\n") > MOST_CELLS:
            raise too_many_cells(MOST_CELLS)
        records.extend(_Filled(MOST_CELLS).of(counted()))
    except RefusedError as refusal:
        findings.problem(path.name, None, "", refusal.message, refusal.remedy)
        return None
    except csv.Error:
        findings.problem(
            path.name,
            number + 1,
            "",
            Sentence("fault.quotes"),
            Sentence("remedy.quotes"),
        )
        return None
    return records


def _lines(text: str) -> Iterator[str]:
    """Yield lines with their ends, whichever they are: io.StringIO would take four bytes a letter for that."""
    return (line[0] for line in _LINE.finditer(text))


def nul_line(data: bytes) -> int:
    """Return the line of the first NUL, a byte that no text has; 1 where there is none."""
    return data.count(b"\n", 0, max(0, data.find(b"\x00"))) + 1


def decode(data: bytes) -> str | None:
    """Turn bytes into text: by their byte-order mark, else UTF-8, else Windows-1252.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    str or None
        None where no usual encoding fits.
    """
    encodings = ("utf-16",) if data.startswith(_WIDE) else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return None if "\x00" in text else text
    return None


def _separator(text: str) -> str:
    """Return the separator that cuts the header into most cells."""
    header = next((line for line in _lines(text) if line.strip()), "").strip("\r\n")
    return max(_SEPARATORS, key=lambda mark: _width(header, mark))


def _common_separator(text: str) -> str:
    """Return the separator that cuts most lines into the same number of cells, whatever stands above the header."""
    lines = [line.strip("\r\n") for line in islice(_lines(text), _LINES_LOOKED_AT) if line.strip()]

    def alike(mark: str) -> int:
        widths = Counter(width for line in lines if (width := _width(line, mark)) > 1)
        return max(widths.values(), default=0)

    return max(_SEPARATORS, key=alike)


def _width(line: str, mark: str) -> int:
    try:
        return len(next(csv.reader([line], delimiter=mark), []))
    except csv.Error:
        return 0


def _workbook(path: Path, stem: str, findings: Findings) -> dict[str, list[tuple[int, Cells]]]:
    """Return the sheets to read, by title; none where the workbook cannot be read."""
    with _sound_workbook(path, findings) as refused:
        _refuse_swollen(path)
        sheets = _sheets(path, stem, findings)
    return {} if refused else sheets


@contextmanager
def _sound_workbook(path: Path, findings: Findings) -> Iterator[list[None]]:
    """Name what keeps a workbook from being read inside; the list given is empty where nothing did."""
    refused: list[None] = []
    # openpyxl meets damaged files with errors of any class, so the net is wide here and only here.
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield refused
    except RefusedError as refusal:
        refused.append(None)
        findings.problem(path.name, None, "", refusal.message, refusal.remedy)
    except Exception:
        refused.append(None)
        findings.problem(path.name, None, "", Sentence("fault.workbook"), Sentence("remedy.workbook"))


def _refuse_swollen(path: Path) -> None:
    """Refuse a workbook whose parts are far larger than they are packed: zipfile unpacks no more than they state.

    openpyxl reads the sheets of tables row by row, and every other part of XML whole, at twenty times its size.
    """
    with zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        size = sum(part.file_size for part in parts)
        if size > _MOST_UNPACKED_BYTES:
            sizes = {"size": megabytes(size), "most": megabytes(_MOST_UNPACKED_BYTES)}
            raise RefusedError(Sentence("fault.unpacks", **sizes), Sentence("remedy.only_ours"))
        large = {part.filename for part in parts if part.file_size > _MOST_PART_BYTES}
        if not large:
            return
        names = {part.filename for part in parts} - large
        types = archive.read(_TYPES) if _TYPES in names else b""
        links = [archive.read(name) for name in names if name.endswith(".rels")]
    # Nothing but a sheet may be large, and no sheet that is a chart: it would be read whole.
    root = ElementTree.fromstring(types)  # noqa: S314 - expat's own bounds keep entities in check
    kinds = {part.get("PartName", "").lstrip("/"): part.get("ContentType", "") for part in root}
    for name in large:
        kind = kinds.get(name, "")
        picture = name.startswith("xl/media/") and not kind
        if not picture and not (kind.endswith(".worksheet+xml") and not any(b"chartsheet" in link for link in links)):
            raise RefusedError(Sentence("fault.large_part", name=name), Sentence("remedy.table_alone"))


def _every_sheet(path: Path) -> Iterator[Sheet]:
    counted = _Filled(_MOST_WORKBOOK_CELLS)
    with closing(openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)) as book:
        for sheet in book.worksheets:
            # The size that a workbook states of a sheet is often wrong.
            sheet.reset_dimensions()
            rows = list(counted.of(sheet.iter_rows(values_only=True)))
            with zipfile.ZipFile(path) as archive:
                ranges = _MERGED.findall(archive.read(sheet._worksheet_path))
            rows, merged = _with_merged(rows, ranges)
            yield Sheet(path.name, sheet.title, rows, sheet.sheet_state != "visible", merged)


def _with_merged(
    rows: list[tuple[int, Cells]], ranges: list[bytes]
) -> tuple[list[tuple[int, Cells]], frozenset[tuple[int, int]]]:
    """Give every empty cell of a merged range what its first cell holds; return the rows, and which were given so."""
    numbers = [number for number, _ in rows]
    cells = [list(row) for _, row in rows]
    filled: set[tuple[int, int]] = set()
    looked_at = 0
    for written in ranges:
        left, top, right, bottom = openpyxl.utils.range_boundaries(written.decode("ascii"))
        first, last = bisect_left(numbers, top), bisect_right(numbers, bottom)
        if first == last or numbers[first] != top or left > len(cells[first]) or blank(cells[first][left - 1]):
            continue
        value = cells[first][left - 1]
        looked_at += sum(1 + min(right, len(row)) for row in cells[first:last])
        if looked_at > MOST_CELLS:
            raise too_many_cells(MOST_CELLS)
        for number, row in zip(numbers[first:last], cells[first:last], strict=True):
            for place in range(left - 1, min(right, len(row))):
                if blank(row[place]):
                    row[place] = value
                    filled.add((number, place))
    return list(zip(numbers, cells, strict=True)), frozenset(filled)


def _sheets(path: Path, stem: str, findings: Findings) -> dict[str, list[tuple[int, Cells]]]:
    with closing(openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)) as book:
        for sheet in book.worksheets:
            # The size that a workbook states of a sheet is often wrong.
            sheet.reset_dimensions()
        counted = _Filled(_MOST_WORKBOOK_CELLS)
        sheets = {sheet.title: list(counted.of(sheet.iter_rows(values_only=True))) for sheet in book.worksheets}
    filled = [title for title, rows in sheets.items() if rows]
    fitting = [title for title in filled if title.strip().casefold() == stem]
    tables = [title for title in filled if title.strip().casefold() != NOTES_SHEET]
    chosen = fitting if len(fitting) == 1 else tables or filled or list(sheets)[:1]
    aside = [title for title in tables if title not in chosen]
    if aside:
        findings.warn(Sentence("warning.aside.sheets", file=path.name, sheet=chosen[0], sheets=Listed(aside)))
    for title in chosen:
        _unsaved_formulas(path, title, dict(sheets[title]), findings)
    return {title: sheets[title] for title in chosen}


def _unsaved_formulas(path: Path, title: str, rows: dict[int, Cells], findings: Findings) -> None:
    """Name formulas whose result the file does not hold: they would read as empty cells."""
    with zipfile.ZipFile(path) as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
        if not any(_FORMULA.search(archive.read(name)) for name in sheets):
            return
    book = openpyxl.load_workbook(path, read_only=True, keep_links=False)
    try:
        book[title].reset_dimensions()
        for number, formulas in _Filled(_MOST_WORKBOOK_CELLS).of(book[title].iter_rows(values_only=True)):
            values = dict(enumerate(rows.get(number, ())))
            for position, formula in enumerate(formulas):
                if isinstance(formula, str) and formula.startswith("=") and blank(values.get(position)):
                    findings.problem(
                        path.name,
                        number,
                        openpyxl.utils.get_column_letter(position + 1),
                        Sentence("fault.formula", formula=repr(formula[:60])),
                        Sentence("remedy.formula"),
                    )
    finally:
        book.close()
