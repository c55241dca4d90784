"""Marks that were sent back stand on their tasks; those of a map with other zones are told."""

from __future__ import annotations

import pandas as pd

from vinemap.decisions.ticked import with_ticks

WORK = pd.DataFrame(
    {
        "block": ["Ash", "Ash", "Ash", "Birch"],
        "zone": pd.array([1, 1, 2, None], dtype="Int64"),
        "task": ["more_canes", "keep_more", "keep_more", "check_wood"],
        "vines_to_work": [5.0, 800.0, 400.0, 3.0],
    }
)


def ticks(*rows: tuple[object, ...]) -> pd.DataFrame:
    """Rows of block, zone, task, mark, set, vines; all by AB at one time."""
    table = pd.DataFrame(rows, columns=["block", "zone", "task", "mark", "set", "vines"])
    return table.astype({"zone": "Int64"}).assign(initials="AB", time="2026-02-14T09:30:00.000Z")


def test_marks_stand_on_their_tasks() -> None:
    """By block, zone and task; a block's own task has no zone; a mark taken back is none."""
    work, told = with_ticks(
        WORK,
        ticks(
            ("Ash", 1, "keep_more", "done", True, 800),
            ("Ash", 1, "more_canes", "flagged", True, 5),
            ("Ash", 2, "keep_more", "done", False, 400),
            ("Birch", None, "check_wood", "done", True, None),
        ),
    )
    assert work["done"].tolist() == [None, True, None, True]
    assert work["flagged"].tolist() == [True, None, None, None]
    assert work["done_by"].tolist() == [None, "AB", None, "AB"]
    assert told == []


def test_marks_of_another_map_are_told() -> None:
    """No such zone, another task of it, or a zone with a tenth and more other vines: named, and on no task."""
    work, told = with_ticks(
        WORK,
        ticks(
            ("Ash", 3, "keep_more", "done", True, 900),
            ("Ash", 2, "as_usual", "flagged", True, 400),
            ("Ash", 1, "keep_more", "done", True, 600),
            ("Ash", 9, "keep_more", "done", False, 600),
        ),
    )
    assert work["done"].isna().all()
    assert [warning.key for warning in told] == ["warning.ticks.many"]
    assert told[0].startswith("done.csv has 3 marks")
    for words in ("zone 3 of Ash, Keep more nodes: done", "zone 2 of Ash, Prune as usual: flagged", "zone 1 of Ash"):
        assert words in told[0]


def test_a_few_vines_more_are_the_same_zone() -> None:
    """800 vines then and 850 now: the mark stays."""
    work, told = with_ticks(WORK, ticks(("Ash", 1, "keep_more", "done", True, 850)))
    assert work["done"].tolist()[1] is True
    assert told == []


def test_no_file() -> None:
    """Without marks the columns are there, and empty."""
    work, told = with_ticks(WORK, None)
    assert work[["done", "flagged", "done_by", "flagged_at"]].isna().all(axis=None)
    assert told == []
