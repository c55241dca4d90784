"""Several people's files into one: of buds, of wood checks, or of marks on the work list."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from vinemap.characters import is_formula
from vinemap.columns import BUDS_BY_NODE, TICKS, WOOD, Layout
from vinemap.errors import Findings
from vinemap.exports.exchange import added
from vinemap.exports.formats import write_csv
from vinemap.reading.buds import read_bud_tables, read_wood_table
from vinemap.reading.cells import bare_name, show
from vinemap.reading.files import TABLES, usable
from vinemap.reading.schema import squeeze
from vinemap.reading.tabular import MOST_ROWS, Table, read_tables
from vinemap.reading.ticks import MARKED, read_ticks, standing
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.states import BUDS, NONCOUNT, State

_KEY = ["sample", "cane", "node"]
_MOST_NAMED = 200


def merge_tables(paths: Sequence[Path], out: Path | None = None) -> list[Sentence]:
    """Merge what the first file holds: wood checks by `merge_wood`, marks on tasks by `merge_ticks`, else buds.

    Without ``out`` it writes wood.csv, done.csv or buds.csv into the current folder.
    """
    first = next(iter(_tables(paths[0], "wood", Findings())), None)
    heads = set() if first is None else {squeeze(column) for column in first.columns}
    if {"tissue", "phloem"} <= heads:
        return merge_wood(paths, out or Path("wood.csv"))
    if {"task", "mark"} <= heads:
        return merge_ticks(paths, out or Path("done.csv"))
    return merge_buds(paths, out or Path("buds.csv"))


def merge_ticks(paths: Sequence[Path], out: Path) -> list[Sentence]:
    """Merge marks on tasks, as phones send them, into one done.csv: of one task the later mark of a kind stands.

    Parameters
    ----------
    paths : sequence of Path
        Tables with the columns of `vinemap.columns.TICKS`.
    out : Path
        As `merge_buds` has it.

    Returns
    -------
    list of Sentence
        What was read, marks that two files set otherwise, notes of the reading, what was written.

    Raises
    ------
    InputError
        With every fault of every file; nothing is written.
    """
    findings = Findings()
    parts = _each(paths, out, findings, _read_ticks)
    findings.refuse()
    ticks = pd.concat([part.assign(file=file) for file, part in parts.items()], ignore_index=True)
    merged = standing(ticks).sort_values("time", kind="stable", ignore_index=True)
    _write(merged[TICKS.names], out, TICKS)
    read = [
        Sentence("merged.ticks.read", file=file, marks=Sentence.counted("count.marks", len(part)))
        for file, part in parts.items()
        if len(part)
    ]
    written = Sentence("merged.ticks.written", file=out.name, marks=Sentence.counted("count.marks", len(merged)))
    return [*read, *_ticked_otherwise(ticks), *findings.warnings, *_formulas(merged), written]


def _read_ticks(path: Path, file: str, findings: Findings) -> pd.DataFrame:
    tables = _tables_as(path, file, "done", findings)
    none = pd.DataFrame(columns=TICKS.names)
    return pd.concat([read_ticks(table, findings) for table in tables]) if tables else none


def _ticked_otherwise(ticks: pd.DataFrame) -> list[Sentence]:
    """Name each mark that stands set in one file and taken back in another: the later one was kept."""
    ends = pd.concat([standing(own).assign(file=file) for file, own in ticks.groupby("file", sort=False)])
    told = []
    for _, same in ends.groupby(MARKED, sort=False, dropna=False):
        if same["set"].nunique() > 1:
            late = same.sort_values(["time", "set"], kind="stable").to_dict("records")
            told.append(_otherwise(late[-1], next(row for row in reversed(late) if row["set"] != late[-1]["set"])))
    return told


def _otherwise(kept: dict[Any, Any], other: dict[Any, Any]) -> Sentence:
    """Say which of two marks was kept."""
    where: Sentence | str = kept["block"]
    if pd.notna(kept["zone"]):
        where = Sentence("merged.ticks.zone", zone=int(kept["zone"]), block=kept["block"])
    said = [
        Sentence(
            f"merged.ticks.{'set' if row['set'] else 'unset'}",
            mark=Sentence(f"work.mark.{row['mark']}"),
            who=row["initials"] if isinstance(row["initials"], str) else row["file"],
            time=row["time"][:16].replace("T", " "),
        )
        for row in (kept, other)
    ]
    task = Sentence(f"page.action.{kept['task']}")
    return Sentence("merged.ticks.differs", where=where, task=task, kept=said[0], other=said[1])


def merge_buds(paths: Sequence[Path], out: Path) -> list[Sentence]:
    """Merge bud files into one that `vinemap map` reads.

    A node that two files hold alike is kept once, with the name of the first reader. One that a file reads where the
    other leaves it unread is taken from the file that reads it.

    Parameters
    ----------
    paths : sequence of Path
        Bud files of any shape that gives nodes (a row a node, or a row a cane), in any order.
    out : Path
        The file to write, a CSV with a row a node; it may be one of ``paths``.

    Returns
    -------
    list of Sentence
        What was read, double entries, notes of the reading, what was written.

    Raises
    ------
    InputError
        With every fault of every file, and each node that two files read otherwise, both rows named; nothing is
        written.
    """
    findings = Findings()
    parts = _each(paths, out, findings, _read_buds)
    columns = [*BUDS_BY_NODE.names, "file", "row", "source"]
    nodes = pd.concat(parts.values(), ignore_index=True) if parts else pd.DataFrame(columns=columns)
    _refuse_conflicts(nodes, findings)
    findings.refuse()
    merged = _merged(nodes)
    _write(merged, out, BUDS_BY_NODE)
    read = [
        Sentence("merged.read", file=file, nodes=Sentence.counted("count.nodes", len(part)))
        for file, part in parts.items()
    ]
    canes = merged[["sample", "cane"]].drop_duplicates()
    written = Sentence(
        "merged.written",
        file=out.name,
        nodes=Sentence.counted("count.nodes", len(merged)),
        canes=Sentence.counted("count.canes", len(canes)),
        samples=Sentence.counted("count.samples", canes["sample"].nunique()),
    )
    findings.warnings.extend(_formulas(merged))
    return [*read, *_double_entries(nodes), *_near_names(merged["sample"].unique()), *findings.warnings, written]


def merge_wood(paths: Sequence[Path], out: Path) -> list[Sentence]:
    """Merge tables of wood checks into one wood.csv.

    Several slices of one vine and tissue are several pieces, so that every row is kept.

    Parameters
    ----------
    paths : sequence of Path
        Tables with the columns of `vinemap.columns.WOOD`.
    out : Path
        As `merge_buds` has it.

    Returns
    -------
    list of Sentence
        What was read, samples that two files hold, notes of the reading, what was written.

    Raises
    ------
    InputError
        With every fault of every file; nothing is written.
    """
    findings = Findings()
    parts = _each(paths, out, findings, _read_wood)
    findings.refuse()
    merged = pd.concat(parts.values(), ignore_index=True)
    order = {sample: place for place, sample in enumerate(dict.fromkeys(merged["sample"]))}
    merged = merged.sort_values("sample", key=lambda sample: sample.map(order), kind="stable", ignore_index=True)
    _write(merged, out, WOOD)
    read = [
        Sentence("merged.wood.read", file=file, slices=Sentence.counted("count.slices", len(part)))
        for file, part in parts.items()
    ]
    slices, samples = len(merged), merged["sample"].nunique()
    written = Sentence(
        "merged.wood.written",
        file=out.name,
        slices=Sentence.counted("count.slices", slices),
        samples=Sentence.counted("count.samples", samples),
    )
    both = _sliced_twice(parts)
    return [*read, *both, *_near_names(merged["sample"].unique()), *findings.warnings, *_formulas(merged), written]


def _read_wood(path: Path, file: str, findings: Findings) -> pd.DataFrame:
    tables = _tables_as(path, file, "wood", findings)
    none = pd.DataFrame(columns=list(WOOD.names))
    return pd.concat([none, *(read_wood_table(table, {}, None, "", findings) for table in tables)])


def _sliced_twice(parts: dict[str, pd.DataFrame]) -> list[Sentence]:
    """Name the samples of which two files hold slices: where they are the same slices, they would count twice."""
    files: dict[str, list[str]] = {}
    for file, part in parts.items():
        for sample in part["sample"].unique():
            files.setdefault(sample, []).append(file)
    twice = [sample for sample, names in files.items() if len(names) > 1]
    return [Sentence("merged.wood.twice", samples=Listed(twice))] if twice else []


def _each(
    paths: Sequence[Path], out: Path, findings: Findings, read: Callable[[Path, str, Findings], pd.DataFrame]
) -> dict[str, pd.DataFrame]:
    """Read every file, under the name by which it is told apart from the others, and up to so many rows in all.

    ``read`` gets findings that are of its file alone.
    """
    _refuse_out(paths, out, findings)
    parts: dict[str, pd.DataFrame] = {}
    for path, file in zip(paths, _names(paths), strict=True):
        own = Findings()
        parts[file] = read(path, file, own)
        findings.problems += own.problems
        findings.warnings += own.warnings
        if sum(map(len, parts.values())) > MOST_ROWS:
            what = Sentence("fault.merge.nodes", most=Figure(MOST_ROWS))
            findings.problem(file, None, "", what, Sentence("remedy.merge.nodes"))
            findings.refuse()
    return parts


def _write(merged: pd.DataFrame, out: Path, columns: Layout) -> None:
    with added(out.absolute().parent, replacing=[out.name]) as stage:
        write_csv(merged, stage / out.name, columns)


def _refuse_out(paths: Sequence[Path], out: Path, findings: Findings) -> None:
    """Name what keeps the merged file from being written where it is wanted, and files that are given twice."""
    if out.suffix.lower() != ".csv":
        findings.problem(out.name, None, "", Sentence("fault.no_csv_name"), Sentence("remedy.no_csv_name"))
    _refuse_same_file(paths, findings)
    if out.exists() and out.resolve() not in {path.resolve() for path in paths}:
        fault, remedy = Sentence("fault.merge.not_one"), Sentence("remedy.merge.not_one")
        findings.problem(str(out), None, "", fault, remedy)


def _names(paths: Sequence[Path]) -> list[str]:
    """Return what each file is called in messages: its name, or its path where two files have one name."""
    names = [path.name for path in {path.resolve() for path in paths}]
    return [path.name if names.count(path.name) == 1 else str(path) for path in paths]


def _read_buds(path: Path, file: str, findings: Findings) -> pd.DataFrame:
    nodes, counts = read_bud_tables(_tables(path, "buds", findings), {}, None, "", findings)
    if len(counts):
        findings.problem(path.name, None, "", Sentence("fault.merge.counts"), Sentence("remedy.merge.counts"))
    findings.problems[:] = [replace(one, file=one.file.replace(path.name, file, 1)) for one in findings.problems]
    return nodes.assign(file=nodes["file"].str.replace(path.name, file, n=1, regex=False), source=file)


def _tables(path: Path, stem: str, findings: Findings) -> list[Table]:
    if not path.exists():
        findings.problem(path.name, None, "", Sentence("fault.no_such_file"), Sentence("remedy.correct_name"))
    elif usable(path, TABLES, findings):
        return read_tables(path, stem, findings)
    return []


def _tables_as(path: Path, file: str, stem: str, findings: Findings) -> list[Table]:
    """Return the tables of a file under the name by which it is told apart from others."""
    return [replace(table, file=table.file.replace(path.name, file, 1)) for table in _tables(path, stem, findings)]


def _refuse_same_file(paths: Sequence[Path], findings: Findings) -> None:
    known: set[Path] = set()
    for path in paths:
        if path.resolve() in known:
            findings.problem(path.name, None, "", Sentence("fault.merge.twice"), Sentence("remedy.merge.twice"))
        known.add(path.resolve())


def _refuse_conflicts(nodes: pd.DataFrame, findings: Findings) -> None:
    """Name each bud that a file reads otherwise than the first file that reads it."""
    long = nodes.melt([*_KEY, "file", "row"], list(BUDS), "bud", "state")
    _refuse_other_basal(nodes, findings)
    read = long[long["state"] != State.UNREAD]
    first = read.drop_duplicates([*_KEY, "bud"])
    pairs = first.merge(read, on=[*_KEY, "bud"], suffixes=("", "_2"))
    conflicts = pairs[pairs["state"] != pairs["state_2"]]
    for row in conflicts[:_MOST_NAMED].to_dict("records"):
        findings.problem(
            row["file_2"],
            int(row["row_2"]),
            row["bud"],
            Sentence(
                "fault.merge.state",
                state=row["state_2"],
                where=f"{row['file']}:{row['row']}",
                other=row["state"],
                node=str(row["node"]),
                cane=show(row["cane"]),
                sample=show(row["sample"]),
            ),
            Sentence("remedy.merge.state"),
        )
    if len(conflicts) > _MOST_NAMED:
        what = Sentence("fault.merge.more", count=Figure(len(conflicts) - _MOST_NAMED))
        findings.problem(str(conflicts["file_2"].iloc[0]), None, "", what, Sentence("remedy.merge.more"))


def _refuse_other_basal(nodes: pd.DataFrame, findings: Findings) -> None:
    """Name each cane to which two files give other basal buds."""
    for name in NONCOUNT:
        noted = nodes[nodes[name].notna()]
        first = noted.drop_duplicates(["sample", "cane"]).set_index(["sample", "cane"])
        for row in noted.to_dict("records"):
            there = first.loc[(row["sample"], row["cane"])]
            if there[name] != row[name]:
                findings.problem(
                    row["file"],
                    int(row["row"]),
                    name,
                    Sentence(
                        "fault.merge.basal",
                        many=Figure(row[name]),
                        where=f"{there['file']}:{there['row']}",
                        there=Figure(there[name]),
                        cane=show(row["cane"]),
                        sample=show(row["sample"]),
                    ),
                    Sentence("remedy.merge.basal"),
                )


def _merged(nodes: pd.DataFrame) -> pd.DataFrame:
    """Return each node once, each bud as the file that read it has it, in the order of samples, canes and nodes."""
    read = nodes.assign(**{bud: nodes[bud].where(nodes[bud] != State.UNREAD) for bud in BUDS})
    # Who found a node unread has not read it.
    read["reader"] = nodes["reader"].where(read[list(BUDS)].notna().any(axis=1))
    firsts = read.groupby(_KEY, sort=False)[[*BUDS, *NONCOUNT, "reader"]].first()
    once = firsts.fillna(dict.fromkeys(BUDS, State.UNREAD.value)).reset_index()
    order = {sample: place for place, sample in enumerate(dict.fromkeys(nodes["sample"]))}
    # Canes in the order in which they come up.
    canes = once.groupby(["sample", "cane"], sort=False).ngroup()
    placed = once.assign(_sample=once["sample"].map(order), _cane=canes).astype(dict.fromkeys(NONCOUNT, "Int64"))
    optional = (*NONCOUNT, "reader")
    columns = [name for name in BUDS_BY_NODE.names if name not in optional or placed[name].notna().any()]
    return placed.sort_values(["_sample", "_cane", "node"], kind="stable", ignore_index=True)[columns]


def _double_entries(nodes: pd.DataFrame) -> list[Sentence]:
    """Say which canes two files hold."""
    first = nodes.drop_duplicates(_KEY)[[*_KEY, "source"]]
    pairs = first.merge(nodes, on=_KEY, suffixes=("", "_2"))
    twice = pairs[pairs["source"] != pairs["source_2"]].groupby(["source", "source_2"], sort=False)
    return [
        Sentence(
            "merged.twice",
            one=one,
            other=other,
            nodes=Sentence.counted("count.nodes", len(held)),
            canes=Listed(
                Sentence("merged.cane", sample=sample, cane=cane)
                for sample, cane in held[["sample", "cane"]].drop_duplicates().to_numpy()
            ),
        )
        for (one, other), held in twice
    ]


def _near_names(samples: Iterable[str]) -> list[Sentence]:
    """Name samples whose names differ in capitals or spaces alone: one may be the other, misspelt."""
    alike: dict[str, list[str]] = {}
    for sample in samples:
        alike.setdefault(bare_name(sample), []).append(sample)
    return [
        Sentence("merged.alike", names=Listed(map(repr, names), together=True), count=len(names))
        for names in alike.values()
        if len(names) > 1
    ]


def _formulas(merged: pd.DataFrame) -> list[Sentence]:
    """Name what a spreadsheet would run of the file."""
    named = merged.filter(["sample", "cane", "reader", "block", "initials"]).fillna("")
    names = pd.unique(named.to_numpy().ravel())
    run = [name for name in names if is_formula(name)]
    return [Sentence("warning.formulas.merged", names=Listed(run))] if run else []
