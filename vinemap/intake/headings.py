"""Tables as they stand on people's sheets: under titles, over totals and notes, with headings of two rows."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256

from vinemap.intake.lexicon import (
    ALL,
    IDENTITIES,
    TOTALS,
    bud_of,
    fold,
    is_unit,
    node_number,
    role_of,
    state_of,
    strict_role,
    timeless,
    tokens,
)
from vinemap.intake.measures import lengths
from vinemap.intake.sums import add_up, figure, is_sum
from vinemap.reading.cells import blank
from vinemap.reading.tabular import Cells, Sheet
from vinemap.sentences import Listed, Sentence

Numbered = tuple[int, Cells]

_LOOKED_AT = 40
"""Filled rows among which a header is looked for."""
_MOST_NODES = 1000
_LONG = 24
"""Letters past which the only cell of a row is a remark and no name."""
_REMARK = re.compile(
    r"\s*(?:\*|#|note\b|notes\b|nota\b|notas\b|legend\b|key\b|codes?\b|source\b)|.*[=:.!]", re.IGNORECASE
)
_MARKS = frozenset(("x", "y", "n", "yes", "no", "si"))
_LABELLED = re.compile(r"\s*(?P<label>[^\W\d][^:#\d]*?)\s*[:#]\s*(?P<value>\S.*?)\s*")


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
    words : tuple of str
        What else is written on the sheet: titles above, remarks below.
    context : tuple of (str, str)
        What a title says of the whole table: role and value, such as ``block`` and the name after ``Block:``.
    hidden : bool
        Whether a spreadsheet keeps the sheet from view.
    merged : frozenset of (int, int)
        Row number and place of cells that a merged range filled.
    """

    file: str
    sheet: str | None
    header_row: int
    names: tuple[str, ...]
    rows: list[Numbered]
    words: tuple[str, ...] = ()
    context: tuple[tuple[str, str], ...] = ()
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
        return tuple(" | ".join(map(plain, cells)) for _, cells in self.rows[:count])


def layout_mark(names: Sequence[str]) -> str:
    """Return six figures that headings share with those of other years; columns of nodes count once."""
    said = {timeless(name) if node_number(name) is None else "node" for name in names if name}
    return sha256("|".join(sorted(said)).encode()).hexdigest()[:6]


def plain(cell: object) -> str:
    """Return a cell as its reader sees it."""
    if blank(cell):
        return ""
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return " ".join(str(cell).split())


def find_tables(sheet: Sheet) -> tuple[list[Headed], list[Sentence]]:
    """Find the tables of a sheet, side by side or one under another.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    tables : list of Headed
        None where no row heads one.
    notes : list of Sentence
        Rows that were passed over, and why.
    """
    tables: list[Headed] = []
    notes: list[Sentence] = []
    for part in _beside(sheet):
        rest: list[Numbered] = part.rows
        while rest:
            found = _first_table(part, rest)
            if found is None:
                break
            table, rest = found
            tables.append(_rows_alone(table, notes))
    if len(tables) > 1:
        rows = Listed(str(table.header_row) for table in tables)
        notes.append(Sentence("import.note.several_tables", sheet=tables[0].source, count=len(tables), rows=rows))
    if not tables:
        tables = _turned(sheet)
    words = dict.fromkeys(word for table in tables for word in table.words)
    return [replace(table, words=tuple(words)) for table in tables if table.rows], notes


def _turned(sheet: Sheet) -> list[Headed]:
    """Return the table of a sheet that has a column a cane and a row a node, turned to a row a cane."""
    for place, (number, cells) in enumerate(sheet.rows[:_LOOKED_AT]):
        first = next((k for k, cell in enumerate(cells) if not blank(cell)), None)
        below = sheet.rows[place + 1 :]
        if first is None or role_of(plain(cells[first])) != "node":
            continue
        nodes = [node_number(plain(row[first])) if first < len(row) else None for _, row in below]
        names = [(k, cell) for k, cell in enumerate(cells) if k > first and not blank(cell)]
        if len(nodes) < 3 or nodes != list(range(1, len(nodes) + 1)) or not names:
            continue
        rows = [(number, [name, *(row[k] if k < len(row) else None for _, row in below)]) for k, name in names]
        words, context = _titles(sheet.rows[:place])
        heads = ("sample", *(f"node {node}" for node in nodes))
        return [Headed(sheet.file, sheet.title, number, heads, list(rows), words, context, sheet.hidden)]
    return []


# Where tables begin and end.


def _beside(sheet: Sheet) -> Iterator[Sheet]:
    """Yield the sheet, or each of the tables that stand side by side in it, an empty column between them."""
    place = _header_place(sheet.rows)
    if place is None:
        return
    width = max(len(cells) for _, cells in sheet.rows)
    filled = [
        any(len(cells) > column and not blank(cells[column]) for _, cells in sheet.rows[place:])
        for column in range(width)
    ]
    starts = [column for column in range(width) if filled[column] and (column == 0 or not filled[column - 1])]
    ends = [next((k for k in range(start, width) if not filled[k]), width) for start in starts]
    heads = [sheet.rows[place][1][start:end] for start, end in zip(starts, ends, strict=True)]
    if len(starts) < 2 or not all(_roles(head) & IDENTITIES and len(_roles(head)) > 1 for head in heads):
        yield sheet
        return
    for start, end in zip(starts, ends, strict=True):
        rows: list[Numbered] = [
            (number, [None] * start + list(cells[start:end]))
            for number, cells in sheet.rows[place:]
            if not all(blank(cell) for cell in cells[start:end])
        ]
        yield replace(sheet, rows=[*sheet.rows[:place], *rows])


def _roles(cells: Cells) -> set[str]:
    """Return what the cells of a row say that columns are; a label with its colon says nothing of a column."""
    named = [cell for cell in cells if isinstance(cell, str) and not cell.rstrip().endswith(":")]
    roles = {role for cell in named if not _is_number(cell) and (role := role_of(cell)) is not None}
    return roles | _node_headings(cells)


def _is_number(cell: object) -> bool:
    if isinstance(cell, str):
        return cell.strip().isdecimal()
    return (
        isinstance(cell, int | float) and not isinstance(cell, bool) and cell == cell // 1 and abs(cell) < _MOST_NODES
    )


def _node_headings(cells: Cells) -> set[str]:
    """Return the nodes that a row of plain numbers heads: 1, 2, 3 and so on, at least three of them."""
    figures = (cell for cell in cells if _is_number(cell))
    numbers = [int(cell) if isinstance(cell, int | float) else int(str(cell).strip()[:3]) for cell in figures]
    others = [cell for cell in cells if isinstance(cell, str) and role_of(cell) in IDENTITIES]
    if others and len(numbers) >= 3 and numbers == list(range(1, len(numbers) + 1)):
        return {f"node {number}" for number in numbers}
    return set()


def _header_place(rows: Sequence[Numbered]) -> int | None:
    """Return the place of the row that names most columns; None where no row names two."""
    counts = [_heads(rows, place) for place in range(min(len(rows), _LOOKED_AT))]
    most = max(counts, default=0)
    return counts.index(most) if most > 1 else None


def _heads(rows: Sequence[Numbered], place: int) -> int:
    """Return how many cells of a row head a column; a word for a state does so over figures alone."""
    cells = rows[place][1]
    roles = _roles(cells)
    if len(roles) < 2:
        return 0
    below = [row for _, row in rows[place + 1 : place + 3]]
    count = len(_node_headings(cells))
    for column, cell in enumerate(cells):
        if not isinstance(cell, str) or _is_number(cell) or role_of(cell) not in roles:
            continue
        under = [row[column] for row in below if column < len(row) and not blank(row[column])]
        plain_state = {role_of(cell)} <= {"alive", "dead"}
        count += not plain_state or not under or any(_is_figure(one) or fold(one) in _MARKS for one in under)
    return count


def _is_figure(cell: object) -> bool:
    return figure(cell) is not None or any(letter.isdigit() for letter in str(cell))


def _first_table(sheet: Sheet, rows: list[Numbered]) -> tuple[Headed, list[Numbered]] | None:
    """Return the first table of some rows, and the rows from the next header on."""
    place = _header_place(rows)
    if place is None:
        return None
    first = place if not _groups(rows, place) else place - 1
    names, last = _joined(rows, first)
    while names and not names[-1]:
        names.pop()
    below = rows[last + 1 :]
    after = next((k for k, row in enumerate(below) if _heads_another(row, names)), len(below))
    own = [row for row in below[:after] if not _same_header(row[1], names)]
    heads = (*names, *_wider(own, names))
    body = [(number, _fitted(cells, len(heads))) for number, cells in own]
    words, context = _titles(rows[:first])
    table = Headed(sheet.file, sheet.title, rows[last][0], heads, body, words, context, sheet.hidden, sheet.merged)
    return table, below[after:]


def _wider(rows: list[Numbered], names: list[str]) -> list[str]:
    """Return an empty heading for every column past the header in which something stands."""
    width = max(
        (max((k + 1 for k, cell in enumerate(cells) if not blank(cell)), default=0) for _, cells in rows), default=0
    )
    return [""] * max(0, width - len(names))


def _fitted(cells: Cells, width: int) -> Cells:
    return [*cells[:width], *[None] * (width - len(cells))]


def _groups(rows: list[Numbered], place: int) -> bool:
    """Whether the row above a header groups its columns: a bud or a state over several of them."""
    return place > 0 and len(_distinct(_over(rows[place - 1][1], rows[place][1]))) > len(
        _distinct(_plain(rows[place][1]))
    )


def _joined(rows: list[Numbered], place: int) -> tuple[list[str], int]:
    """Return the headings that begin in a row, joined with those or the units of the next, and the last row's place."""
    names, last = _plain(rows[place][1]), place
    while last + 1 < len(rows) and last - place < 2:
        below = rows[last + 1][1]
        filled = [plain(cell) for cell in below if not blank(cell)]
        if not filled or not all(isinstance(cell, str) for cell in below if not blank(cell)):
            break
        if any(one.metres is not None for word in filled for one in lengths(word)):
            break  # 8 ft is a value, whatever stands beside it
        if all(is_unit(word) for word in filled):
            names = [f"{name} ({plain(unit)})" if not blank(unit) else name for name, unit in _pairs(names, below)]
        elif len(_distinct(over := _over(names, below))) > len(_distinct(names)):
            names = over
        else:
            break
        last += 1
    return names, last


def _pairs(names: Sequence[str], cells: Cells) -> Iterator[tuple[str, object]]:
    for place in range(max(len(names), len(cells))):
        yield names[place] if place < len(names) else "", cells[place] if place < len(cells) else None


def _plain(cells: Cells) -> list[str]:
    return [plain(cell) for cell in cells]


def _over(upper: Cells, lower: Cells) -> list[str]:
    """Return headings of two rows joined; a bud or a state stands over all columns up to the next one."""
    joined, group = [], ""
    for above, below in _pairs(_plain(upper), lower):
        words = tokens(above)
        if above:
            group = above if bud_of(words) or state_of(words) else ""
        name = plain(below)
        start = above or (group if name else "")
        joined.append(start if fold(start) == fold(name) else f"{start} {name}".strip())
    return joined


def _distinct(names: Sequence[str]) -> set[str]:
    return {role for name in names if (role := role_of(name)) is not None}


def _heads_another(row: Numbered, names: Sequence[str]) -> bool:
    """Whether a row further down heads a table of its own."""
    _, cells = row
    said = [cell for cell in cells if not blank(cell)]
    if _same_header(cells, names) or not said or not all(isinstance(cell, str) for cell in said):
        return False
    roles = [strict_role(str(cell)) for cell in said]
    known = {role for role in roles if role is not None}
    return len(known) > 1 and bool(known & IDENTITIES) and 2 * sum(role is not None for role in roles) > len(roles)


def _same_header(cells: Cells, names: Sequence[str]) -> bool:
    """Whether a row repeats the header, as a printed page after another does."""
    again = [fold(cell) for cell in _plain(cells) if cell]
    known = {fold(name) for name in names if name}
    return (
        len(again) > 1
        and all(any(word and word in name for name in known) for word in again)
        and len(known) - len(again) < 2
        and len(_roles(cells)) > 1
    )


def _titles(rows: list[Numbered]) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Return what stands above a header: its words, and what they say of the whole table."""
    words: list[str] = []
    context: dict[str, str] = {}
    for _, cells in rows:
        said = list(dict.fromkeys(plain(cell) for cell in cells if not blank(cell)))
        words.extend(said)
        for place, word in enumerate(said):
            match = _LABELLED.fullmatch(word)
            label, value = (match["label"], match["value"]) if match else (word.rstrip(" :"), "")
            if not value and word.rstrip().endswith(":") and place + 1 < len(said):
                value = said[place + 1]
            role = strict_role(label)
            if value and role is not None:
                context.setdefault(role, value)
    return tuple(words), tuple(context.items())


# Which rows of a table are its own.


def _rows_alone(table: Headed, notes: list[Sentence]) -> Headed:
    """Return a table without its totals and remarks; say which rows those are."""
    kept: list[Numbered] = []
    above: list[Cells] = []
    totals: list[int] = []
    remarks: list[Numbered] = []
    wrong: list[int] = []
    since = 0
    for number, cells in table.rows:
        said = _said(table, number, cells)
        if len(said) <= 1 and _is_remark(said, cells, table):
            remarks.append((number, cells))
            continue
        words = [cell for cell in cells if isinstance(cell, str) and (TOTALS | ALL).intersection(tokens(cell))]
        named = any(TOTALS.intersection(tokens(cell)) and not _is_name(cell) for cell in words)
        fits = add_up(above, since, cells, _numeric_places(table), fewest=1 if words else 2)
        sure = _is_unnumbered(table, cells, above) and is_sum(above, since, cells, _numeric_places(table))
        if named or sure or (fits and (words or not _has_name(table, cells))):
            totals.append(number)
            if named and fits is False:
                wrong.append(number)
            since = len(kept)
            continue
        kept.append((number, cells))
        above.append(cells)
    where = table.source
    if totals:
        notes.append(Sentence("import.note.totals", sheet=where, rows=Listed(map(str, totals))))
    if wrong:
        notes.append(Sentence("import.note.totals_wrong", sheet=where, rows=Listed(map(str, wrong))))
    if remarks:
        notes.append(Sentence("import.note.remarks", sheet=where, rows=Listed(str(number) for number, _ in remarks)))
    words = [plain(cell) for _, cells in remarks for cell in cells if not blank(cell)]
    return replace(table, rows=kept, words=(*table.words, *dict.fromkeys(words)))


def _said(table: Headed, number: int, cells: Cells) -> list[str]:
    """Return the cells of a row that hold anything of their own."""
    return [plain(cell) for place, cell in enumerate(cells) if not blank(cell) and (number, place) not in table.merged]


def _is_remark(said: list[str], cells: Cells, table: Headed) -> bool:
    """Whether a row's only words are a remark: long, marked as one, or beside all that names a sample."""
    if not said:
        return True
    word = said[0]
    places = [place for place, cell in enumerate(cells) if plain(cell) == word]
    beside = not any(role_of(table.names[place]) for place in places)
    return len(table.names) > 2 and (len(word) > _LONG or beside or _REMARK.match(word) is not None)


def _is_name(cell: str) -> bool:
    """Whether a cell with a word for totals is the name of something: it holds a figure, or many other words."""
    words = tokens(cell)
    return any(word.isdigit() for word in words) or sum(word not in TOTALS for word in words) > 3


def _numeric_places(table: Headed) -> list[int]:
    """Return the places of columns of figures that can be added up."""
    roles = [role_of(name) or "" for name in table.names]
    counts = [place for place, role in enumerate(roles) if role == "nodes" or role.endswith(("alive", "dead"))]
    # Shares of totals are means by weight; where there are counts, these tell.
    return counts or [place for place, role in enumerate(roles) if role.endswith("_pct")]


def _own_place(table: Headed) -> list[int]:
    """Return the place of the column that tells samples apart; none where there is none."""
    places = {role_of(name): place for place, name in reversed(list(enumerate(table.names)))}
    return [places[role] for role in ("sample", "vine", "name") if role in places][:1]


def _is_unnumbered(table: Headed, cells: Cells, above: Sequence[Cells]) -> bool:
    """Whether all samples above have figures in their names, and this row, such as one called Σ, has none."""

    def numbered(row: Cells) -> bool:
        return all(any(letter.isdigit() for letter in plain(row[place])) for place in own)

    own = _own_place(table)
    # From the last row up: a table of thousands is not gone through for each of its rows.
    return bool(own and above) and not numbered(cells) and all(map(numbered, reversed(above)))


def _has_name(table: Headed, cells: Cells) -> bool:
    """Whether a row names its sample: by the column that tells samples apart, where there is one."""
    places = {role_of(name): place for place, name in reversed(list(enumerate(table.names)))}
    own = _own_place(table)
    return any(not blank(cells[place]) for place in own or [places[role] for role in IDENTITIES if role in places])
