"""Buds written a row a cane: columns node 1, node 2 … from the base, each cell up to three letters.

A cell gives primary, secondary and tertiary bud in this order: ``A`` alive, ``D`` dead, ``B`` dead before the freeze,
``-`` (or ``U``) unread, so that ``DA-`` is a dead primary, a live secondary and a tertiary that was not read. Letters
at the end may be left out: ``D`` alone says that the primary is dead. Any word that a row a node takes for the primary
(green, brown, 1 …) stands for it here too. Capitals do not matter. An empty cell is a node that was not cut.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from pydantic_core import PydanticCustomError

from vinemap.errors import Findings
from vinemap.reading.cells import bad, show, status, text
from vinemap.reading.schema import CaneRow, Checked, check_rows, match_columns, squeeze
from vinemap.reading.tabular import MOST_ROWS, Cells, Table, folded
from vinemap.sentences import Figure, Sentence
from vinemap.states import BUDS, NONCOUNT, State

_LETTERS = {
    "a": State.ALIVE.value,
    "d": State.DEAD.value,
    "b": State.DEAD_BEFORE.value,
    **dict.fromkeys(("-", "–", "−", "u"), State.UNREAD.value),
}
_LONG = ("sample", "cane", "node", *BUDS, *NONCOUNT, "reader")
_NODE = re.compile(r"(node|n)?0*([1-9][0-9]{0,2})(\.0)?")


def node_columns(table: Table) -> dict[int, int]:
    """Return the columns of nodes: their place in the rows, and the node's number."""
    found = {place: _NODE.fullmatch(squeeze(column)) for place, column in enumerate(table.columns)}
    return {place: int(match[2]) for place, match in found.items() if match}


def is_wide(table: Table, mapping: Mapping[str, str]) -> bool:
    """Whether a table has a column a node; bare numbers count only beside a column of samples."""
    columns = [squeeze(column) for column in table.columns]
    named = any(columns[place].startswith("n") for place in node_columns(table))
    return named or (bool(node_columns(table)) and squeeze(mapping.get("sample", "sample")) in columns)


def unfold(table: Table, mapping: Mapping[str, str], findings: Findings, section: str | None = None) -> Table:
    """Turn a row a cane into a row a node.

    Parameters
    ----------
    table : Table
        With a column a node.
    mapping : mapping
        Field to column name, from the settings, for sample and cane.
    findings : Findings
        Gets a problem for each cell that cannot be read and each cane that stands twice.
    section : str, optional
        As `vinemap.reading.schema.check_rows` has it.

    Returns
    -------
    Table
        Columns sample, cane, node, primary, secondary, tertiary, noncount_alive, noncount_dead, reader; ``numbers`` are
        those of the canes' rows.
    """
    nodes = _once(table, findings)
    inside = node_columns(table)
    rest = [place for place in range(len(table.columns)) if place not in inside]
    bare = Table(
        table.file,
        tuple(table.columns[place] for place in rest),
        [[row[place] for place in rest] for row in table.rows],
        table.numbers,
    )
    canes_mapping = {field: name for field, name in mapping.items() if field in CaneRow.model_fields}
    columns = match_columns(bare, CaneRow, canes_mapping, findings)
    checked = check_rows(bare, CaneRow, columns, findings, section=section)
    with folded(findings, len(table.rows)):
        again = _repeated_canes(checked, findings)
    rows: list[Cells] = []
    numbers: list[int] = []
    ordered = sorted(nodes.items())
    with folded(findings, len(table.rows)):
        for position, cane in checked.good():
            if position in again:
                continue
            if len(rows) > MOST_ROWS:
                more = Sentence("fault.many.nodes", most=Figure(MOST_ROWS))
                findings.problem(table.file, None, "", more, Sentence("remedy.only_ours"))
                break
            beside = [getattr(cane, name) for name in NONCOUNT]
            for node, place in ordered:
                states = _read(table, position, place, findings)
                if states is not None:
                    rows.append([cane.sample, cane.cane, node, *states, *beside, cane.reader])
                    numbers.append(table.numbers[position])
    return Table(table.file, _LONG, rows, numbers)


def _once(table: Table, findings: Findings) -> dict[int, int]:
    """Return the place of each node's column, by the node's number; name columns of a node that has one already."""
    first: dict[int, int] = {}
    for place, node in node_columns(table).items():
        if first.setdefault(node, place) != place:
            earlier = table.columns[first[node]]
            findings.problem(
                table.file,
                None,
                table.columns[place],
                Sentence("fault.both_node", first=repr(earlier), second=repr(table.columns[place]), node=str(node)),
                Sentence("remedy.both_node"),
            )
    return first


def _repeated_canes(checked: Checked[CaneRow], findings: Findings) -> set[int]:
    """Name each row whose cane stands in an earlier row already, and return their places."""
    first: dict[tuple[str, str], int] = {}
    again = set()
    for position, row in checked.good():
        number = checked.table.numbers[position]
        earlier = first.setdefault((row.sample, row.cane), number)
        if earlier != number:
            again.add(position)
            findings.problem(
                checked.table.file,
                number,
                checked.column("cane"),
                Sentence("fault.cane_twice", cane=show(row.cane), sample=show(row.sample), row=str(earlier)),
                Sentence("remedy.cane_twice"),
            )
    return again


def _read(table: Table, position: int, place: int, findings: Findings) -> tuple[str, str, str] | None:
    """Return the three buds of a cell; None where it is empty or, with a problem, where it cannot be read."""
    try:
        words = text(table.rows[position][place])
        return None if words is None else _states(words)
    except PydanticCustomError as fault:
        context = fault.context or {}
        findings.problem(
            table.file, table.numbers[position], table.columns[place], context["problem"], context["remedy"]
        )
        return None


def _states(words: str) -> tuple[str, str, str]:
    letters = words.casefold().replace(" ", "")
    if 1 <= len(letters) <= 3 and all(letter in _LETTERS for letter in letters):
        primary, secondary, tertiary = ([_LETTERS[letter] for letter in letters] + [State.UNREAD.value] * 2)[:3]
        return primary, secondary, tertiary
    try:
        status(words)
    except PydanticCustomError as fault:
        raise bad(Sentence("fault.node_letters", cell=show(words)), Sentence("remedy.node_letters")) from fault
    return words, State.UNREAD.value, State.UNREAD.value
