"""Shoots counted after budbreak: nodes left at pruning, how many of them bear a shoot, and what frost took of those."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
from pydantic import ValidationInfo, field_validator

from vinemap.columns import SHOOTS
from vinemap.errors import Findings, InputError
from vinemap.reading.cells import bad, show
from vinemap.reading.files import TABLES, usable
from vinemap.reading.schema import Row, check_rows, match_columns, names_of, typed, with_columns
from vinemap.reading.tabular import read_table
from vinemap.sentences import Figure, Sentence

_STAGE = re.compile(r"(?P<scale>BBCH|(?:modified )?E[- ]?L)[- :.]?(?P<number>[0-9]{1,2})", re.IGNORECASE)
_MOST_STAGE = {"BBCH": 99, "E-L": 47}


@with_columns(SHOOTS)
class ShootRow(Row):
    """A row of spring counts: nodes left at pruning, how many of them bear a shoot, and what froze since."""

    @field_validator("shoots", check_fields=False)
    @classmethod
    def _no_more_than_nodes(cls, shoots: int, info: ValidationInfo) -> int:
        nodes = info.data.get("nodes")
        if nodes is not None and shoots > nodes:
            fault = Sentence("fault.shoots_over", shoots=Figure(shoots), nodes=Figure(nodes))
            raise bad(fault, Sentence("remedy.shoots_over"))
        return shoots

    @field_validator("primary_frozen", check_fields=False)
    @classmethod
    def _no_more_than_shoots(cls, frozen: int | None, info: ValidationInfo) -> int | None:
        shoots = info.data.get("shoots")
        if frozen is not None and shoots is not None and frozen > shoots:
            fault = Sentence("fault.frozen_over", frozen=Figure(frozen), shoots=Figure(shoots))
            raise bad(fault, Sentence("remedy.frozen_over"))
        return frozen

    @field_validator("secondary_frozen", check_fields=False)
    @classmethod
    def _no_more_than_primaries(cls, frozen: int | None, info: ValidationInfo) -> int | None:
        first = info.data.get("primary_frozen")
        if frozen is not None and first is None and "primary_frozen" in info.data:
            raise bad(Sentence("fault.secondary_alone"), Sentence("remedy.secondary_alone"))
        if frozen is not None and first is not None and frozen > first:
            fault = Sentence("fault.secondary_more", secondary=Figure(frozen), primary=Figure(first))
            raise bad(fault, Sentence("remedy.secondary_more"))
        return frozen

    @field_validator("stage", check_fields=False)
    @classmethod
    def _on_a_scale(cls, stage: str | None) -> str | None:
        if stage is None:
            return None
        match = _STAGE.fullmatch(stage)
        scale = "" if match is None else "BBCH" if match["scale"].upper() == "BBCH" else "E-L"
        if match is None or int(match["number"]) > _MOST_STAGE[scale] or (scale == "E-L" and int(match["number"]) < 1):
            raise bad(
                Sentence("fault.stage", cell=show(stage)),
                Sentence("remedy.stage"),
            )
        return f"{scale} {int(match['number'])}"


def read_shoots(path: Path, known: set[str]) -> pd.DataFrame:
    """Read a table of spring counts.

    Parameters
    ----------
    path : Path
        CSV or xlsx with the columns of `vinemap.columns.SHOOTS`; sample, nodes and shoots must be there.
    known : set of str
        Samples of the vineyard.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.SHOOTS`, a row as the file has it; NaN (stage: None) where nothing is given.
        `vinemap.survival.growth.growth` adds rows of one sample up.

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
            unknown = Sentence("fault.shoots.no_sample", sample=repr(name))
            findings.problem(table.file, number, checked.column("sample"), unknown, Sentence("remedy.correct"))
    findings.refuse()
    rows = [row for _, row in checked.good()]
    return pd.DataFrame({c.name: typed(c, [getattr(row, c.name) for row in rows]) for c in SHOOTS.columns})
