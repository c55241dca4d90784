"""What the razor showed: bud rows, node by node or counted, and wood checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from vinemap.columns import BUDS_BY_COUNT, BUDS_BY_NODE, WOOD, Layout
from vinemap.errors import Findings
from vinemap.guesses import Guesses
from vinemap.reading.cells import bare_name, show, text
from vinemap.reading.files import TABLES, find_file
from vinemap.reading.schema import (
    Checked,
    CountRow,
    Model,
    NodeRow,
    Row,
    WoodRow,
    check_rows,
    match_columns,
    names_of,
    squeeze,
    typed,
)
from vinemap.reading.tabular import Table, folded, read_table, read_tables
from vinemap.reading.wide import is_wide, unfold
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.states import BUDS, NONCOUNT, Part, State

_CANE = ["sample", "cane"]
# Nodes left out on a cane past which the next number is questioned; common practice cuts every node.
_WIDE_GAP = 10
_MOST_NAMED = 5
_TISSUES = ("phloem", "cambium", "xylem")


def read_buds(
    folder: Path, settings: Settings, known: set[str] | None, samples_file: str, findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read and check buds.*: a row a node, a row a cane with a column a node, or a row of counts.

    Parameters
    ----------
    folder : Path
    settings : Settings
    known : set of str or None
        Samples that the samples' file names; None where it could not be read, and nothing is held against it.
    samples_file : str
        Its name.
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    nodes, counts : DataFrame
        Columns of `BUDS_BY_NODE` and of `BUDS_BY_COUNT`; one of the two is empty.
    """
    path = find_file(folder, "buds", TABLES, settings.files.buds, findings)
    tables = [] if path is None else read_tables(path, "buds", findings)
    nodes, counts = read_bud_tables(tables, settings.columns.buds, known, samples_file, findings, section="buds")
    return nodes[BUDS_BY_NODE.names], counts


def read_bud_tables(
    tables: list[Table],
    mapping: Mapping[str, str],
    known: set[str] | None,
    samples_file: str,
    findings: Findings,
    section: str | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Check the tables of one file.

    Parameters
    ----------
    tables : list of Table
        From `vinemap.reading.tabular.read_tables`.
    mapping : mapping
        Field to column name, from the settings.
    known, samples_file, findings
        As `read_buds` has them.
    section : str, optional
        As `vinemap.reading.schema.check_rows` has it.

    Returns
    -------
    nodes, counts : DataFrame
        Columns of `BUDS_BY_NODE` with ``file`` and ``row``, and of `BUDS_BY_COUNT`; one of the two is empty.
    """
    by_node: list[pd.DataFrame] = []
    by_count: list[Checked[CountRow]] = []
    for table in _with_buds(tables, mapping, findings, section):
        if _has(table, mapping, "primary_dead"):
            columns = match_columns(table, CountRow, mapping, findings)
            by_count.append(check_rows(table, CountRow, columns, findings, section=section))
            _refuse_unknown(by_count[-1], known, samples_file, findings)
        else:
            by_node.append(_read_nodes(table, mapping, known, samples_file, findings, section))
    if by_node and by_count:
        findings.problem(
            tables[0].file.split("[")[0],
            None,
            "",
            Sentence("fault.nodes_and_counts"),
            Sentence("remedy.nodes_and_counts"),
        )
        by_count = []
    nodes = pd.concat(by_node, ignore_index=True) if by_node else _frame([], BUDS_BY_NODE).assign(file="", row=0)
    if len(by_node) > 1:
        _refuse_repeats_between(nodes, findings)
    return nodes, _all_counts(by_count, findings)


def _with_buds(tables: list[Table], mapping: Mapping[str, str], findings: Findings, section: str | None) -> list[Table]:
    """Return the tables that hold buds in one of the three ways; name the others."""
    found, others = [], []
    for table in tables:
        nodes, counts = _has(table, mapping, "primary"), _has(table, mapping, "primary_dead")
        if nodes and counts:
            findings.problem(
                table.file,
                None,
                "",
                Sentence("fault.primary_both"),
                Sentence("remedy.primary_both"),
            )
        elif nodes or counts or is_wide(table, mapping):
            found.append(table)
        else:
            others.append(table)
    if others and (len(tables) > len(others)):
        findings.warn(Sentence("warning.no_buds_in", tables=Listed(table.file for table in others)))
    elif others:
        findings.problem(
            others[0].file,
            None,
            "",
            Sentence("fault.no_buds_here"),
            Sentence(
                "remedy.no_buds_here",
                named="" if section is None else Sentence("remedy.name_columns", section=section),
                columns=Listed(filter(None, others[0].columns), most=None),
                title=Sentence("remedy.title_above") if ".xlsx" in others[0].file.casefold() else "",
            ),
        )
    return found


def _has(table: Table, mapping: Mapping[str, str], field: str) -> bool:
    return squeeze(mapping.get(field, field)) in {squeeze(column) for column in table.columns}


def _read_nodes(
    table: Table,
    mapping: Mapping[str, str],
    known: set[str] | None,
    samples_file: str,
    findings: Findings,
    section: str | None,
) -> pd.DataFrame:
    if not _has(table, mapping, "primary"):
        table, mapping = unfold(table, mapping, findings, section), {}
    columns = match_columns(table, NodeRow, mapping, findings)
    checked = check_rows(table, NodeRow, columns, findings, section=section)
    _refuse_unknown(checked, known, samples_file, findings)
    with folded(findings, len(checked.rows)):
        _refuse_repeats_within(checked, findings)
        _refuse_other_basal(checked, findings)
    _warn_of_codes(checked, BUDS, findings)
    nodes = _numbered(checked, findings)
    _warn_of_gaps(table.file, nodes, findings)
    unread = (nodes[list(BUDS)] == State.UNREAD).all(axis=1)
    if unread.any():
        findings.warn(Sentence("warning.unread", file=table.file, unread=Figure(unread.sum()), all=Figure(len(nodes))))
    return nodes.assign(file=table.file, row=[table.numbers[place] for place, _ in checked.good()])


def _warn_of_gaps(file: str, nodes: pd.DataFrame, findings: Findings) -> None:
    """Question nodes whose number lies far beyond the one before on their cane, as 151 typed for 15 does."""
    ordered = nodes[[*_CANE, "node"]].sort_values([*_CANE, "node"], kind="stable")
    before = ordered.groupby(_CANE, sort=False)["node"].shift()
    far = ordered.assign(before=before)[ordered["node"] - before > np.maximum(_WIDE_GAP, before)]
    if len(far):
        each = [
            Sentence("warning.gaps.node", sample=sample, cane=cane, node=Figure(node), before=Figure(last))
            for sample, cane, node, last in far[:_MOST_NAMED].itertuples(index=False, name=None)
        ]
        findings.warn(Sentence.counted("warning.gaps", len(far), file=file, nodes=Listed(each)))


def _all_counts(tables: list[Checked[CountRow]], findings: Findings) -> pd.DataFrame:
    parts: dict[str, set[bool]] = {}
    with folded(findings, sum(len(checked.rows) for checked in tables)):
        _refuse_repeated_counts(tables, findings)
    for checked in tables:
        for place, row in checked.good():
            kinds = parts.setdefault(row.sample, set())
            kinds.add(row.part == Part.ALL)
            if len(kinds) == 2:
                findings.problem(
                    checked.table.file,
                    checked.table.numbers[place],
                    checked.column("part"),
                    Sentence("fault.parts_and_all", sample=show(row.sample)),
                    Sentence("remedy.parts_and_all"),
                )
                parts[row.sample] = {row.part == Part.ALL}
    return _frame([row for checked in tables for _, row in checked.good()], BUDS_BY_COUNT)


def _refuse_repeated_counts(tables: list[Checked[CountRow]], findings: Findings) -> None:
    """Name each row of counts whose sample and part stand in an earlier row, as a table pasted twice has them."""
    first: dict[tuple[str, str], tuple[str, int]] = {}
    for checked in tables:
        file = checked.table.file
        for place, row in checked.good():
            number = checked.table.numbers[place]
            there, earlier = first.setdefault((row.sample, row.part), (file, number))
            if (there, earlier) == (file, number):
                continue
            here = Sentence("fault.where.row", row=str(earlier))
            known = {"sample": show(row.sample), "where": here if there == file else f"{there}:{earlier}"}
            whole = row.part == Part.ALL
            fault = (
                Sentence("fault.counts_twice", **known)
                if whole
                else Sentence("fault.counts_twice.part", part=row.part, **known)
            )
            findings.problem(file, number, checked.column("sample"), fault, Sentence("remedy.counts_twice"))


def _refuse_repeats_between(nodes: pd.DataFrame, findings: Findings) -> None:
    """Name each node that stands in another sheet already."""
    first = nodes.groupby(["sample", "cane", "node"], sort=False)[["file", "row"]].transform("first")
    for place in np.flatnonzero(nodes["file"] != first["file"]):
        again, there = nodes.iloc[place], first.iloc[place]
        findings.problem(
            again["file"],
            int(again["row"]),
            "",
            Sentence(
                "fault.node_elsewhere",
                node=str(again["node"]),
                cane=show(again["cane"]),
                sample=show(again["sample"]),
                where=f"{there['file']}:{there['row']}",
            ),
            Sentence("remedy.node_elsewhere"),
        )


def read_wood(
    folder: Path, settings: Settings, known: set[str] | None, samples_file: str, findings: Findings
) -> pd.DataFrame:
    """Read and check wood.*; the arguments are those of `read_buds`.

    Returns
    -------
    DataFrame
        Columns of `WOOD`; empty where there is no such file.
    """
    path = find_file(folder, "wood", TABLES, settings.files.wood, findings)
    table = None if path is None else read_table(path, "wood", findings)
    if table is None:
        return _frame([], WOOD)
    return read_wood_table(table, settings.columns.wood, known, samples_file, findings, section="wood")


def read_wood_table(
    table: Table,
    mapping: Mapping[str, str],
    known: set[str] | None,
    samples_file: str,
    findings: Findings,
    section: str | None = None,
) -> pd.DataFrame:
    """Check a table of wood checks, as `read_wood` returns it; the arguments are those of `read_bud_tables`."""
    columns = match_columns(table, WoodRow, mapping, findings)
    checked = check_rows(table, WoodRow, columns, findings, section=section)
    _refuse_unknown(checked, known, samples_file, findings)
    _warn_of_codes(checked, _TISSUES, findings)
    return _frame([row for _, row in checked.good()], WOOD)


def _frame(rows: Sequence[Row], layout: Layout) -> pd.DataFrame:
    return pd.DataFrame({c.name: typed(c, [getattr(row, c.name) for row in rows]) for c in layout.columns})


def _numbered(checked: Checked[NodeRow], findings: Findings) -> pd.DataFrame:
    """Return the nodes, numbered in file order on canes for which the file gives no numbers at all."""
    good = checked.good()
    nodes = _frame([row for _, row in good], BUDS_BY_NODE)
    given = nodes["node"].notna()
    cane = nodes.groupby(["sample", "cane"], sort=False)
    some = given.groupby([nodes["sample"], nodes["cane"]]).transform("any").astype(bool)
    for place in np.flatnonzero(~given & some):
        findings.problem(
            checked.table.file,
            checked.table.numbers[good[place][0]],
            checked.column("node"),
            Sentence("fault.node_empty"),
            Sentence("remedy.node_empty"),
        )
    counted = cane.cumcount() + 1
    nodes["node"] = nodes["node"].where(given, counted).astype(np.int64)
    without = int((~given & ~some).sum())
    if without:
        counts = {"without": Figure(without), "all": Figure(len(nodes))}
        findings.warn(Sentence("warning.numbered", file=checked.table.file, **counts))
    return nodes


def _refuse_repeats_within(checked: Checked[NodeRow], findings: Findings) -> None:
    first: dict[tuple[str, str, int], int] = {}
    no_cane = "" if "cane" in checked.columns else Sentence("remedy.no_cane")
    for place, row in checked.good():
        if row.node is None:
            continue
        number = checked.table.numbers[place]
        earlier = first.setdefault((row.sample, row.cane, row.node), number)
        if earlier != number:
            findings.problem(
                checked.table.file,
                number,
                checked.column("node"),
                Sentence(
                    "fault.node_twice",
                    node=str(row.node),
                    cane=show(row.cane),
                    sample=show(row.sample),
                    row=str(earlier),
                ),
                Sentence("remedy.node_twice", no_cane=no_cane),
            )


def _refuse_other_basal(checked: Checked[NodeRow], findings: Findings) -> None:
    """Name each row that gives a cane other basal buds than an earlier one; they are counted once a cane."""
    first: dict[tuple[str, str, str], tuple[int, int]] = {}
    for place, row in checked.good():
        for name in NONCOUNT:
            many: int | None = getattr(row, name)
            if many is None:
                continue
            number = checked.table.numbers[place]
            there, earlier = first.setdefault((row.sample, row.cane, name), (many, number))
            if there != many:
                findings.problem(
                    checked.table.file,
                    number,
                    checked.column(name),
                    Sentence(
                        "fault.basal",
                        many=Figure(many),
                        row=str(earlier),
                        there=Figure(there),
                        cane=show(row.cane),
                        sample=show(row.sample),
                    ),
                    Sentence("remedy.basal"),
                )


def _refuse_unknown(checked: Checked[Model], known: set[str] | None, samples_file: str, findings: Findings) -> None:
    """Name each sample that the samples' file does not hold, once, with the first of its rows."""
    if known is None or "sample" not in checked.columns:
        return
    rows: dict[str, list[int]] = {}
    for number, name in zip(checked.table.numbers, names_of(checked, "sample"), strict=True):
        if name is not None and name not in known and number not in rows.setdefault(name, []):
            rows[name].append(number)
    given = {name for name in names_of(checked, "sample") if name is not None}
    # The same but for case and leading zeros, or nearly the same letters.
    bare = {_bare(other): other for other in sorted(known)} if rows else {}
    guesses = Guesses(sorted(known), 0.8)
    with folded(findings, len(given), "samples"):
        for name, numbers in rows.items():
            more = Sentence("fault.rows_more", count=str(len(numbers))) if len(numbers) > 1 else ""
            near = bare.get(_bare(name)) or guesses.of(name)
            meant = Sentence("fault.meant", near=show(near)) if near else ""
            findings.problem(
                checked.table.file,
                numbers[0],
                checked.column("sample"),
                Sentence("fault.no_sample", sample=show(name), file=samples_file, more=more, meant=meant),
                Sentence("remedy.no_sample", file=samples_file),
            )


def _bare(name: str) -> str:
    return bare_name(name).lstrip("0")


def _warn_of_codes(checked: Checked[Model], fields: tuple[str, ...], findings: Findings) -> None:
    """Say how 1 and 0 were read: some crews write 1 for a dead bud."""
    used = [field for field in fields if field in checked.columns]
    codes = {text(checked.cell(place, field)) for place, _ in checked.good() for field in used}
    if codes & {"1", "0"}:
        findings.warn(Sentence("warning.one_alive", file=checked.table.file))
