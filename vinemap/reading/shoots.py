"""Shoots counted after budbreak: a table of nodes left at pruning and how many of them bear a shoot."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from pydantic import ValidationInfo, field_validator

from vinemap.columns import SHOOTS
from vinemap.errors import Findings, InputError
from vinemap.reading.cells import bad
from vinemap.reading.files import TABLES, usable
from vinemap.reading.schema import Row, check_rows, match_columns, names_of, with_columns
from vinemap.reading.tabular import read_table


@with_columns(SHOOTS)
class ShootRow(Row):
    """A row of spring counts: nodes left at pruning, and how many of them bear a shoot."""

    @field_validator("shoots", check_fields=False)
    @classmethod
    def _no_more_than_nodes(cls, shoots: int, info: ValidationInfo) -> int:
        nodes = info.data.get("nodes")
        if nodes is not None and shoots > nodes:
            raise bad(
                f"{shoots} nodes with a shoot of {nodes} nodes",
                "count each node once, however many shoots it bears, and leave shoots from old wood out",
            )
        return shoots


def read_shoots(path: Path, known: set[str]) -> pd.DataFrame:
    """Read a table of spring counts.

    Parameters
    ----------
    path : Path
        CSV or xlsx with the columns sample, nodes and shoots (nodes with at least one shoot).
    known : set of str
        Samples of the vineyard.

    Returns
    -------
    DataFrame
        sample, nodes, shoots; rows of one sample are added up.

    Raises
    ------
    InputError
        With every cell that cannot be used and every sample that is not known.
    """
    findings = Findings()
    table = read_table(path, path.stem, findings) if usable(path, TABLES, findings) else None
    if table is None:
        raise InputError(findings.problems)
    checked = check_rows(table, ShootRow, match_columns(table, ShootRow, {}, findings), findings)
    for name, number in zip(names_of(checked, "sample"), table.numbers, strict=True):
        if name is not None and name not in known:
            findings.problem(
                table.file, number, checked.column("sample"), f"{name!r} is no sample of the vineyard", "correct it"
            )
    if findings.problems:
        raise InputError(findings.problems)
    rows = pd.DataFrame([vars(row) for _, row in checked.good()], columns=SHOOTS.names)
    return rows.groupby("sample", sort=False, as_index=False).sum()
