"""What a line of the work list says: where it is done, what it takes, and on which days."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from vinemap.sentences import Figure, Sentence
from vinemap.states import MORE_CANES, Action, Rate

_COUNTED = {MORE_CANES: "canes", str(Action.CHECK_WOOD): "checks"}


def at_words(row: Mapping[Any, Any]) -> Sentence | str:
    """Return the zone and block of a line, a row of worklist.csv; the block's name where it is meant as a whole."""
    if pd.isna(row["zone"]):
        return str(row["block"])
    return Sentence("page.work.at", zone=Figure(row["zone"]), block=row["block"])


def takes_words(row: Mapping[Any, Any]) -> list[Sentence]:
    """Say how many vines a line takes, and how many hours; what is not known is left out."""
    said = []
    if pd.notna(row["vines_to_work"]) and row["task"] != Action.NO_DATA:
        said.append(Sentence.counted(f"page.work.{_COUNTED.get(row['task'], 'vines')}", row["vines_to_work"]))
    if pd.notna(row["hours"]) and row["hours"]:
        key = "hours_assumed" if Rate.ASSUMED in (row["hours_from"], row["days_from"]) else "hours"
        said.append(Sentence(f"page.work.{key}", hours=Figure(row["hours"], 1 if row["hours"] < 10 else 0)))
    return said


def days_words(row: Mapping[Any, Any]) -> Sentence | None:
    """Say on which of the crew's days a line is done; None where that is not known."""
    if pd.isna(row["day_from"]):
        return None
    ends = {"from": Figure(row["day_from"]), "to": Figure(row["day_to"])}
    return Sentence("page.work.day" if row["day_from"] == row["day_to"] else "page.work.days", **ends)
