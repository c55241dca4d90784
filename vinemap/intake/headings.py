"""Tables as they stand on people's sheets: under titles, over totals and notes, with headings of two rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256

from vinemap.intake.lexicon import role_of, timeless
from vinemap.reading.cells import blank
from vinemap.reading.tabular import Cells, Sheet

_LOOKED_AT = 40
"""Filled rows among which a header is looked for."""


@dataclass(frozen=True)
class Headed:
    """A table with its header found.

    Attributes
    ----------
    file : str
        Name of the file.
    sheet : str or None
        Title of the sheet; None for a text table.
    header_row : int
        Row of the header, as a spreadsheet numbers it; the last of them where there are two.
    names : tuple of str
        Headings without outer spaces; "" where a column has none.
    rows : list of (int, sequence)
        Row as a spreadsheet numbers it, and as many cells as there are names.
    titles : tuple of str
        What stands above the header.
    hidden : bool
        Whether a spreadsheet keeps the sheet from view.
    merged : frozenset of (int, int)
        Row number and place of cells that a merged range filled.
    """

    file: str
    sheet: str | None
    header_row: int
    names: tuple[str, ...]
    rows: list[tuple[int, Cells]]
    titles: tuple[str, ...] = ()
    hidden: bool = False
    merged: frozenset[tuple[int, int]] = frozenset()

    @property
    def source(self) -> str:
        """File and, in a workbook, sheet, as messages name them: ``name.xlsx[sheet]``."""
        return self.file if self.sheet is None else f"{self.file}[{self.sheet}]"

    @property
    def layout(self) -> str:
        """A mark that all tables of the same headings share, whatever their file, sheet or year is called."""
        return layout_mark(self.names)

    def column(self, place: int) -> list[object]:
        """Return the cells of a column."""
        return [cells[place] for _, cells in self.rows]

    def shown(self, count: int = 3) -> tuple[str, ...]:
        """Return the first rows as the file has them."""
        return tuple(" | ".join("" if blank(cell) else plain(cell) for cell in cells) for _, cells in self.rows[:count])


def layout_mark(names: Sequence[str]) -> str:
    """Return six figures that headings share with those of other years; columns of nodes count once."""
    said = {timeless(name) if not (role_of(name) or "").startswith("node ") else "node" for name in names if name}
    return sha256("|".join(sorted(said)).encode()).hexdigest()[:6]


def plain(cell: object) -> str:
    """Return a cell as its reader sees it."""
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return "" if cell is None else " ".join(str(cell).split())


def find_tables(sheet: Sheet) -> list[Headed]:
    """Return the tables of a sheet; none where no row heads one.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    list of Headed
    """
    best = max(range(min(len(sheet.rows), _LOOKED_AT)), key=lambda place: (_heads(sheet.rows[place][1]), -place))
    if _heads(sheet.rows[best][1]) < 2:
        return []
    number, cells = sheet.rows[best]
    names = [plain(cell) for cell in cells]
    while names and not names[-1]:
        names.pop()
    width = len(names)
    rows: list[tuple[int, Cells]] = [
        (row, [*cells[:width], *[None] * (width - len(cells))]) for row, cells in sheet.rows[best + 1 :]
    ]
    titles = tuple(plain(cell) for _, cells in sheet.rows[:best] for cell in cells if not blank(cell))
    return [Headed(sheet.file, sheet.title, number, tuple(names), rows, titles, sheet.hidden, sheet.merged)]


def _heads(cells: Cells) -> int:
    """Return how many cells of a row say what a column is."""
    return sum(role_of(plain(cell)) is not None for cell in cells if not blank(cell) and isinstance(cell, str))
