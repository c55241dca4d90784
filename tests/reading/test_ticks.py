"""Marks on tasks: read as phones send them, the later one standing, every fault named."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tests.builders import only_problem
from vinemap.errors import Findings
from vinemap.reading.ticks import read_done
from vinemap.reading.vineyard import read_vineyard

HEAD = "block,zone,task,mark,set,initials,time,vines\n"


def read(folder: Path, rows: str) -> pd.DataFrame:
    (folder / "done.csv").write_text(HEAD + rows, encoding="utf-8")
    findings = Findings()
    ticks = read_done(folder, findings)
    assert findings.problems == []
    return ticks


def test_the_later_mark_of_a_kind_stands(tmp_path: Path) -> None:
    """Done, taken back and done again by another; a flag beside it stays; times of other zones are put in order."""
    ticks = read(
        tmp_path,
        "Ash,1,keep_more,done,yes,AB,2026-02-14T09:30:00Z,800\n"
        "Ash,1,keep_more,flagged,yes,AB,2026-02-14T09:00:00Z,800\n"
        "Ash,1,keep_more,done,no,AB,2026-02-14T04:45:00-05:00,800\n"
        "Ash,1,keep_more,done,yes,CD,2026-02-14T11:00:00+01:00,800\n"
        "Ash,,check_wood,done,yes,,2026-02-14T09:30:00Z,\n",
    )
    assert ticks["mark"].tolist() == ["flagged", "done", "done"]
    assert ticks["set"].tolist() == [True, True, True]
    assert ticks["initials"].fillna("").tolist() == ["AB", "CD", ""]
    assert ticks["time"].tolist()[1] == "2026-02-14T10:00:00.000Z"
    assert pd.isna(ticks["zone"].iloc[2])


def test_no_file_no_marks(tmp_path: Path) -> None:
    """A folder without the file has no marks, in the same columns."""
    findings = Findings()
    ticks = read_done(tmp_path, findings)
    assert (len(ticks), list(ticks)) == (0, HEAD.strip().split(","))


@pytest.mark.parametrize(
    ("row", "where", "what"),
    [
        ("Ash,1,prune,done,yes,AB,2026-02-14T09:30:00Z,8", ":2: task:", "keep_more"),
        ("Ash,1,keep_more,ready,yes,AB,2026-02-14T09:30:00Z,8", ":2: mark:", "done"),
        ("Ash,1,keep_more,done,yes,AB,14.2.2026 9:30,8", ":2: time:", "2026-02-14T09:30:00Z"),
        ("Ash,1,keep_more,done,yes,AB,2026-02-14T09:30:00,8", ":2: time:", "no time with its zone"),
        ("Ash,1,keep_more,done,yes,AB,0001-01-01T00:00:00+14:00,8", ":2: time:", "no time with its zone"),
        ("Ash,1,keep_more,done,perhaps,AB,2026-02-14T09:30:00Z,8", ":2: set:", "yes"),
        (",1,keep_more,done,yes,AB,2026-02-14T09:30:00Z,8", ":2: block:", "is empty"),
    ],
)
def test_faults_are_named(folder: Path, row: str, where: str, what: str) -> None:
    """A word that is none, a time without its zone, no block: file, row, column and what to write."""
    (folder / "done.csv").write_text(f"{HEAD}{row}\n", encoding="utf-8")
    problem = only_problem(folder)
    assert problem.startswith(f"done.csv{where}")
    assert what in problem


def test_a_vineyard_carries_its_marks(folder: Path) -> None:
    """The file is read with the folder, and is no table that nothing reads."""
    (folder / "done.csv").write_text(f"{HEAD}A,1,keep_more,done,yes,AB,2026-02-14T09:30:00Z,8\n", encoding="utf-8")
    vineyard = read_vineyard(folder)
    assert vineyard.done is not None
    assert vineyard.done["task"].tolist() == ["keep_more"]
    assert not any(warning.key == "warning.aside" for warning in vineyard.warnings)
