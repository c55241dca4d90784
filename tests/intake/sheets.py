"""What the tests of tables share: files from rows, and what is understood of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import openpyxl

from vinemap.intake.understand import Understanding, understand

Rows = Sequence[Sequence[object]]


def workbook(path: Path, hidden: Sequence[str] = (), merged: Sequence[str] = (), **sheets: Rows) -> Path:
    """Write a workbook with a sheet for each keyword."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
        for cells in merged:
            sheet.merge_cells(cells)
        if title in hidden:
            sheet.sheet_state = "hidden"
    book.save(path)
    return path


def table(path: Path, rows: Rows, mark: str = ",", encoding: str = "utf-8") -> Path:
    """Write a text table."""
    path.write_bytes("".join(mark.join(map(str, row)) + "\r\n" for row in rows).encode(encoding))
    return path


def of_buds(*files: Path, answers: Mapping[str, str] | None = None) -> Understanding:
    """Understand files of which some things a vineyard needs are missing."""
    return understand(files, answers)


def dead(understood: Understanding) -> dict[str, tuple[int, int]]:
    """Return dead primaries and nodes of each sample."""
    buds = understood.tables["buds"]
    if "primary_dead" in buds:
        sums = buds.groupby("sample")[["primary_dead", "nodes"]].sum()
        return {name: (int(row["primary_dead"]), int(row["nodes"])) for name, row in sums.iterrows()}
    read = buds[buds["primary"] != "unread"]
    gone = read["primary"].isin(("dead", "dead_before")).groupby(read["sample"])
    return {name: (int(gone.sum()[name]), int(gone.count()[name])) for name in gone.sum().index}
