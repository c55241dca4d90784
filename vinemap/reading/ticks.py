"""What crews ticked on the page's work list and sent back: done.csv, a row a mark on a task, the later one standing."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
from pydantic import field_validator

from vinemap.columns import TICKS
from vinemap.errors import Findings
from vinemap.reading.cells import bad, show
from vinemap.reading.files import TABLES, find_file
from vinemap.reading.schema import Row, check_rows, match_columns, typed, with_columns
from vinemap.reading.tabular import Table, read_table
from vinemap.sentences import Sentence

MARKED = ["block", "zone", "task", "mark"]
"""What a mark is on: no two that stand have these alike."""


@with_columns(TICKS)
class TickRow(Row):
    """A row of done.*: a mark that was set on a task, or taken back."""

    @field_validator("time", check_fields=False)
    @classmethod
    def _with_its_zone(cls, time: str | None) -> str:
        try:
            given = dt.datetime.fromisoformat(time or "")
            # The ends of the calendar have no time of another zone.
            when = None if given.tzinfo is None else given.astimezone(dt.UTC)
        except (ValueError, OverflowError):
            when = None
        if when is None:
            what = Sentence("fault.tick.time", time=show(time)) if time else Sentence("fault.empty")
            raise bad(what, Sentence("remedy.tick.time"))
        return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def read_done(folder: Path, findings: Findings) -> pd.DataFrame:
    """Read the marks of a vineyard folder.

    Parameters
    ----------
    folder : Path
        May hold done.csv, .tsv or .xlsx.
    findings : Findings
        Gets every fault.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.TICKS`, the mark that stands of each task: see `standing`.
    """
    path = find_file(folder, "done", TABLES, None, findings)
    table = None if path is None else read_table(path, "done", findings)
    return _framed([]) if table is None else standing(read_ticks(table, findings))


def read_ticks(table: Table, findings: Findings) -> pd.DataFrame:
    """Read the marks of one table, every row of it.

    Parameters
    ----------
    table : Table
        With the columns of `vinemap.columns.TICKS`.
    findings : Findings
        Gets every fault.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.TICKS`; times in UTC, written alike, so that they sort as text.
    """
    checked = check_rows(table, TickRow, match_columns(table, TickRow, {}, findings), findings)
    return _framed([row for _, row in checked.good()])


def standing(ticks: pd.DataFrame) -> pd.DataFrame:
    """Return the last mark of each kind on each task, by time; of equal times the one that sets it."""
    ordered = ticks.sort_values(["time", "set"], kind="stable")
    last = ordered.drop_duplicates(MARKED, keep="last")
    return last.sort_index(ignore_index=True)


def _framed(rows: list[TickRow]) -> pd.DataFrame:
    table = pd.DataFrame({c.name: typed(c, [getattr(row, c.name) for row in rows]) for c in TICKS.columns})
    marked = pd.Series([bool(row.set) for row in rows], dtype=object)
    return table.assign(set=marked).astype({"zone": "Int64", "vines": "Float64"})
