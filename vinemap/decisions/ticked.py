"""What was ticked, put to the tasks of the work list; what fits none of them is told."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from vinemap.sentences import Listed, Sentence
from vinemap.states import MARKS

_SAME_VINES = 0.1


def with_ticks(work: pd.DataFrame, ticks: pd.DataFrame | None) -> tuple[pd.DataFrame, list[Sentence]]:
    """Join the marks to the work list.

    Parameters
    ----------
    work : DataFrame
        Of `vinemap.decisions.worklist.work_list`.
    ticks : DataFrame or None
        Of `vinemap.reading.ticks.read_done`.

    Returns
    -------
    work : DataFrame
        With done, flagged ('yes' or missing), done_by, done_at, flagged_by and flagged_at.
    warnings : list of Sentence
        That names the marks which are on no task here: the map was made again with other zones, or none of that task.

    Notes
    -----
    A mark is on the task of its block, zone and task. Zones are numbered anew in each map, so that one whose vines
    differ by more than a tenth from those that were marked is another zone.
    """
    marks = pd.DataFrame() if ticks is None else ticks
    place = {_key(row): k for k, row in enumerate(work.to_dict("records"))}
    names = [f"{mark}{end}" for mark in MARKS for end in ("", "_by", "_at")]
    columns: dict[str, list[Any]] = {name: [None] * len(work) for name in names}
    strays: list[Sentence] = []
    for tick in marks.to_dict("records"):
        at = place.get(_key(tick))
        if at is None or not _same(tick["vines"], work["vines_to_work"].iloc[at]):
            strays.extend(_stray(tick))
        elif tick["set"]:
            mark = tick["mark"]
            columns[mark][at], columns[f"{mark}_by"][at], columns[f"{mark}_at"][at] = (
                True,
                tick["initials"],
                tick["time"],
            )
    told = [Sentence.counted("warning.ticks", len(strays), ticks=Listed(strays, between="; "))] if strays else []
    return work.assign(**{name: pd.Series(values, work.index, object) for name, values in columns.items()}), told


def _key(row: dict[Any, Any]) -> tuple[str, int | None, str]:
    return row["block"], None if pd.isna(row["zone"]) else int(row["zone"]), row["task"]


def _same(then: Any, now: Any) -> bool:
    """Whether a task has about the vines that it had; so far as both are known."""
    if pd.isna(then) or pd.isna(now):
        return True
    return bool(abs(float(then) - float(now)) <= np.ceil(_SAME_VINES * max(then, now)))


def _stray(tick: dict[Any, Any]) -> list[Sentence]:
    """Say what was marked on a task that is not there; nothing of a mark that was taken back."""
    if not tick["set"]:
        return []
    task = Sentence(f"page.action.{tick['task']}")
    mark = Sentence(f"work.mark.{tick['mark']}")
    values = {"block": tick["block"], "task": task, "mark": mark}
    if pd.isna(tick["zone"]):
        return [Sentence("work.stray.block", **values)]
    return [Sentence("work.stray", zone=int(tick["zone"]), **values)]
