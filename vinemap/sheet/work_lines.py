"""The work in its order, as lines of a list that a crew carries: what, where, how long, and room for marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from vinemap.decisions.actions import task_sentence
from vinemap.decisions.work_words import at_words, days_words, takes_words
from vinemap.decisions.zone_places import where_sentence
from vinemap.sentences import Sentence
from vinemap.sheet.sheet_words import Words
from vinemap.states import MORE_CANES, Action


@dataclass(frozen=True)
class WorkLine:
    """A task: its place in the order, when it is due, what it is, where, how long it takes, what was marked of it."""

    number: int
    due: str
    code: str
    task: str
    at: str
    where: str
    takes: str
    days: str
    marked: str


def work_lines(
    work: pd.DataFrame, zones: pd.DataFrame, canes: pd.DataFrame | None, words: Words, *, spring: bool = False
) -> list[WorkLine]:
    """Return the lines of the list.

    Parameters
    ----------
    work : DataFrame
        Rows of worklist.csv.
    zones : DataFrame
        Rows of zones.csv.
    canes : DataFrame or None
        Rows of more_canes.csv.
    words : Words
    spring : bool
        Whether what grew decides.
    """
    by_number = {zone["zone"]: zone for zone in zones.drop(columns="geometry", errors="ignore").to_dict("records")}
    rows = work[work["task"] != Action.NO_DATA].to_dict("records")
    tasks = {number: task_sentence(zone, spring=spring).said(words.language) for number, zone in by_number.items()}
    return [_line(row, by_number.get(row["zone"]), tasks, canes, words) for row in rows]


def _line(
    row: dict[Any, Any],
    zone: dict[Any, Any] | None,
    tasks: dict[Any, str],
    canes: pd.DataFrame | None,
    words: Words,
) -> WorkLine:
    where = []
    if zone is not None:
        if row["task"] == zone["action"]:
            where.append(tasks[row["zone"]])
        place = where_sentence(zone, words.units)
        where += [] if place is None else [place.said(words.language)]
    if row["task"] == MORE_CANES and canes is not None:
        where.append(_places(canes[canes["zone"] == row["zone"]], words))
    return WorkLine(
        number=row["visit"],
        due=words(f"work.due.{row['when']}"),
        code=row["action"],
        task=words(f"action.{row['task']}"),
        at=_said(at_words(row), words),
        where=" ".join(where),
        takes=", ".join(_said(part, words) for part in takes_words(row)),
        days=_said(days_words(row) or "", words),
        marked=_marked(row, words),
    )


def _said(text: Sentence | str, words: Words) -> str:
    return text.said(words.language) if isinstance(text, Sentence) else text


def _places(canes: pd.DataFrame, words: Words) -> str:
    """Name the new samples, with row and vine where they are known."""
    names = []
    for cane in canes.to_dict("records"):
        key = "" if pd.isna(cane["row"]) else "canes.row" if pd.isna(cane["vine"]) else "canes.vine"
        counted = {name: f"{int(cane[name])}" for name in ("row", "vine") if pd.notna(cane[name])}
        names.append(words(key, sample=cane["sample"], **counted) if key else str(cane["sample"]))
    return words("canes.at", places=", ".join(names)) if names else ""


def _marked(row: dict[Any, Any], words: Words) -> str:
    """Say what phones sent of a task."""
    said = []
    for mark in ("done", "flagged"):
        if row.get(mark) is True:
            who, day = row[f"{mark}_by"], str(row[f"{mark}_at"])[:10]
            known = isinstance(who, str) and bool(who)
            said.append(words(f"work.by.{mark}", who=who, date=day) if known else words(f"work.on.{mark}", date=day))
    return ", ".join(said)
