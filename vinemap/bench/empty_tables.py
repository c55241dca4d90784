"""Empty tables to fill in, one of each shape that vinemap reads, and settings."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import openpyxl
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from vinemap.columns import (
    BLOCKS,
    BUDS_BY_CANE,
    BUDS_BY_COUNT,
    BUDS_BY_NODE,
    HARDINESS,
    LOGGERS,
    PROTECTION,
    SAMPLES,
    SETTINGS_FILE,
    SHOOTS,
    WOOD,
    Column,
    Kind,
    Layout,
)
from vinemap.errors import InputError, Problem
from vinemap.exports.exchange import added
from vinemap.reading.tabular import NOTES_SHEET
from vinemap.sentences import Sentence
from vinemap.settings import empty_settings

_NODES = 15
_ROWS = 500
_HEAD = PatternFill("solid", fgColor="E4EDDB")
_STATES = "Buds: alive (green), dead (brown or black), unread or an empty cell where you could not tell."
_BEFORE = (
    "dead_before: a dry, old dead bud that had died before the freeze; it counts as dead, but not as the freeze's."
)
_BASE = "Nodes are counted from the base of the cane: 1 is next to the trunk."
_BASAL = (
    "noncount_alive, noncount_dead: basal buds, crowded at the very base, once a cane. They are no nodes: never node 1."
)
_CANE = "Leave cane empty where a sample is a single cane."
_CUT = "Cut away from the body, the other hand behind the blade; clean the blade between canes; wear eye protection."
_LETTERS = "Each node has one cell: a letter each for primary, secondary and tertiary, in this order."
_CODES = (
    "A alive, D dead, B dead before the freeze, - unread, small or capital. DA- : primary dead, secondary alive, "
    "tertiary unread. D : primary."
)
_EMPTY = "Leave the cell of a node empty that was not cut."
_WOOD = (
    "One row a slice: about 3 mm under the bark it shows the phloem, deeper the cambium and the xylem, which decide.",
    "browned_pct: how much of the ring of phloem is brown. Empty where you did not look.",
    "grade, of the trunk as a whole: dry (no sap, dead); dying_back (sap, but it will die to the ground); failing and "
    "weakened (much or some is brown: keep suckers); recovering (little is brown, it grows out); sound.",
    "visit: winter; after_sap_rise; late_summer. A row for each; the last one counts: some trunks collapse late.",
    "wedge: yes where the cut across shows a stained wedge. That is disease; cold browns lengthwise under the bark.",
)
_LOGGERS = (
    "One row a temperature logger: lon and lat in decimal degrees, and min_c, the lowest of the night in °C.",
    "In °F, call that column min_f. height_m: the sensor above the ground.",
    "Have you the readings themselves? Leave min_c empty and put each logger's file, called as the logger, into a "
    "folder loggers beside this table; its columns may be as the logger wrote them.",
)
_HARDINESS = (
    "One row a variety and day: the temperatures that kill a tenth, half and nine tenths of the primary buds, in °C.",
    "Take them from your extension service or adviser; in °F, call the columns lt10_f, lt50_f, lt90_f.",
    "Where there is none for a variety, give its species_group, or no row at all.",
)
_PROJECTED = ("easting", "northing")


@dataclass(frozen=True)
class _Shape:
    """A shape of table: its file's stem, what the vineyard folder calls it, columns, sheets and notes."""

    stem: str
    saved_as: str
    columns: tuple[Column, ...]
    notes: tuple[str, ...]
    sheets: tuple[str, ...] = ()

    @property
    def names(self) -> list[str]:
        """Names of the columns."""
        return [column.name for column in self.columns]


def _shapes() -> Iterator[_Shape]:
    facts = (
        "One row a block, named as its outline is: what it is planted with, and how.",
        "A map needs the outlines; `vinemap import OUTLINES blocks.csv -o FOLDER` puts these facts to them.",
        "first_vine_lon and first_vine_lat: where row 1 begins, by which samples known by row and vine are placed.",
    )
    yield _Shape("blocks", "blocks", BLOCKS.columns, facts)
    where = "One row a sample: lon and lat in decimal degrees (south and west are negative), or block, row and vine."
    yield _Shape(
        "samples",
        "samples",
        tuple(_without_projected(SAMPLES)),
        (where, "block is the block you meant; row and vine count from its first vine; date is year-month-day."),
    )
    yield _Shape(
        "buds_by_node", "buds", BUDS_BY_NODE.columns, ("One row a node.", _BASE, _BASAL, _CANE, _STATES, _BEFORE, _CUT)
    )
    notes = ("One row a cane.", _BASE, _BASAL, _CANE, _LETTERS, _CODES, _EMPTY, _CUT)
    yield _Shape("buds_by_cane", "buds", tuple(_wide()), notes)
    blocks = ("One sheet a block, named as you like; copy a sheet for a further block.", *notes)
    yield _Shape("buds_by_block", "buds", tuple(_wide()), blocks, ("block 1", "block 2", "block 3"))
    counts = ("One row a sample, or one for its basal and one for its apical nodes.", "nodes: how many were read.")
    yield _Shape("buds_by_count", "buds", BUDS_BY_COUNT.columns, (*counts, _CUT))
    shoots = (
        "After budbreak, one row a vine. nodes: left at pruning. shoots: of these, nodes on which a shoot grew.",
        "After a frost, primary_frozen and secondary_frozen: count the seconds again when they have had time to grow.",
        "suckers: shoots from the foot of the trunk or below the ground. stage: as BBCH 11 or E-L 7.",
        "Hold what vinemap makes of it against the advice of your local extension service.",
    )
    yield _Shape("shoots", "shoots", SHOOTS.columns, shoots)
    yield _Shape("loggers", "loggers", tuple(_without_projected(LOGGERS)), _LOGGERS)
    yield _Shape("hardiness", "hardiness", HARDINESS.columns, _HARDINESS)
    protection = (
        "One row a wind machine, heater, sprinkler, cover, hilled piece, hedge or wall, at its lon and lat.",
        "reach_m: metres from it within which it works. ran: whether it ran in the night of the freeze.",
        "Lines and polygons are drawn in a layer of shapes with the same columns instead.",
    )
    yield _Shape("protection", "protection", PROTECTION.columns, protection)
    yield _Shape("wood", "wood", WOOD.columns, (*_WOOD, _STATES.replace("Buds", "Tissue"), _CUT))


def _without_projected(layout: Layout) -> Iterator[Column]:
    """Yield the columns of a table of points but for those that want a CRS in the settings."""
    return (column for column in layout.columns if column.name not in _PROJECTED)


def _wide() -> Iterator[Column]:
    """Yield the columns of a row a cane, with a column for each of the first nodes."""
    for column in BUDS_BY_CANE.columns:
        if column.is_pattern:
            yield from (replace(column, name=column.name.format(number=node)) for node in range(1, _NODES + 1))
        else:
            yield column


def write_templates(folder: Path) -> list[str]:
    """Write an empty table of each shape, as a workbook with a sheet of notes and, where one sheet does, as CSV.

    Parameters
    ----------
    folder : Path
        Made when missing.

    Returns
    -------
    list of str
        A sentence a shape: the files, and the name under which the vineyard folder takes them.

    Raises
    ------
    InputError
        Where a file of one of these names is there already: it may have been filled in.
    """
    shapes = list(_shapes())
    files = {shape: _files(shape) for shape in shapes}
    there = [name for names in files.values() for name in names if (folder / name).exists()]
    if there:
        fault, remedy = Sentence("fault.there_filled"), Sentence("remedy.other_or_move")
        raise InputError([Problem(name, None, "", fault, remedy) for name in there])
    with added(folder) as stage:
        for shape, names in files.items():
            for name in names:
                (_write_workbook if name.endswith(".xlsx") else _write_csv)(shape, stage / name)
        if not (folder / SETTINGS_FILE).exists():
            (stage / SETTINGS_FILE).write_text(empty_settings(), encoding="utf-8")
    settings = f"{SETTINGS_FILE}: every setting with its meaning and default, none in force yet."
    return [
        f"{' and '.join(names)}: {shape.notes[0][:1].lower()}{shape.notes[0][1:]} Save as {shape.saved_as}.xlsx or "
        f"{shape.saved_as}.csv in the vineyard folder."
        for shape, names in files.items()
    ] + [settings]


def _files(shape: _Shape) -> list[str]:
    return [f"{shape.stem}.xlsx", *([] if shape.sheets else [f"{shape.stem}.csv"])]


def _write_csv(shape: _Shape, path: Path) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, lineterminator="\n").writerow(shape.names)


def _write_workbook(shape: _Shape, path: Path) -> None:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title in shape.sheets or (shape.saved_as,):
        _lay_out(book.create_sheet(title), shape.columns)
    notes = book.create_sheet(NOTES_SHEET)
    notes.column_dimensions["A"].width = 90
    for line in (
        *shape.notes,
        f"Save the file as {shape.saved_as}.xlsx in the vineyard folder. This sheet is not read.",
    ):
        notes.append([line])
        notes.cell(notes.max_row, 1).alignment = Alignment(wrap_text=True, vertical="top")
    book.save(path)


def _lay_out(sheet: Worksheet, columns: tuple[Column, ...]) -> None:
    """Write the header; names are text, so that no spreadsheet turns 3-4 into a date; words are chosen from a list."""
    sheet.append([column.name for column in columns])
    sheet.freeze_panes = "B2"
    for position, column in enumerate(columns, start=1):
        letter = get_column_letter(position)
        head = sheet.cell(1, position)
        head.font, head.fill = Font(bold=True), _HEAD
        sheet.column_dimensions[letter].width = max(9, len(column.name) + 3)
        if column.kind in (Kind.NAME, Kind.TEXT):
            sheet.column_dimensions[letter].number_format = "@"
        if column.words:
            allowed = DataValidation("list", formula1=f'"{",".join(column.words)}"', allow_blank=True)
            sheet.add_data_validation(allowed)
            allowed.add(f"{letter}2:{letter}{_ROWS}")
