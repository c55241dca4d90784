"""Lethal temperatures of the buds, by variety or group and day, as the adviser's own service gives them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
from pydantic import ValidationInfo, field_validator

from vinemap.columns import HARDINESS
from vinemap.errors import Findings
from vinemap.guesses import Guesses
from vinemap.reading.cells import bad, bare_name, show
from vinemap.reading.files import TABLES, find_file
from vinemap.reading.schema import Row, check_rows, match_columns, typed, with_columns
from vinemap.reading.tabular import read_table
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings


@with_columns(HARDINESS)
class HardinessRow(Row):
    """A row of hardiness.*: what kills a tenth, half and nine tenths of the buds of a variety or a group on a day."""

    @field_validator("lt50_c", check_fields=False)
    @classmethod
    def _colder_than_the_tenth(cls, half: float | None, info: ValidationInfo) -> float:
        tenth = info.data.get("lt10_c")
        if half is None:
            raise bad(Sentence("fault.empty"), Sentence("remedy.lt50"))
        if tenth is not None and half >= tenth:
            figures = {"half": Figure(half, None), "tenth": Figure(tenth, None)}
            raise bad(Sentence("fault.lt50", **figures), Sentence("remedy.lt50.colder"))
        return half

    @field_validator("lt90_c", check_fields=False)
    @classmethod
    def _colder_than_half(cls, most: float | None, info: ValidationInfo) -> float | None:
        half = info.data.get("lt50_c")
        if most is not None and half is not None and most >= half:
            figures = {"most": Figure(most, None), "half": Figure(half, None)}
            raise bad(Sentence("fault.lt90", **figures), Sentence("remedy.lt90"))
        return most


def read_hardiness(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> pd.DataFrame | None:
    """Read and check hardiness.*.

    Parameters
    ----------
    folder : Path
    settings : Settings
    blocks : GeoDataFrame or None
        Whose varieties are held against those of the table.
    findings : Findings
        Gets problems, and a warning for varieties that no block has.

    Returns
    -------
    DataFrame or None
        The columns of `vinemap.columns.HARDINESS` (°C, NaN where not given); None where there is no such table.
    """
    path = find_file(folder, "hardiness", TABLES, settings.files.hardiness, findings)
    table = None if path is None else read_table(path, "hardiness", findings)
    if table is None:
        return None
    columns = match_columns(table, HardinessRow, settings.columns.hardiness, findings)
    checked = check_rows(
        table, HardinessRow, columns, findings, {"day_first": settings.units != "us"}, section="hardiness"
    )
    first: dict[tuple[str, str, object], int] = {}
    for place, row in checked.good():
        number = table.numbers[place]
        if row.variety is None and row.species_group is None:
            findings.problem(table.file, number, "variety", Sentence("fault.empty"), Sentence("remedy.variety"))
        same = first.setdefault((bare_name(row.variety or ""), row.species_group or "", row.date), number)
        if same != number:
            what = Sentence("fault.variety_day", row=str(same))
            findings.problem(table.file, number, checked.column("variety"), what, Sentence("remedy.keep_one"))
    rows = [row for _, row in checked.good()]
    _warn_of_strangers([row.variety for row in rows if row.variety], blocks, table.file, findings)
    return pd.DataFrame({c.name: typed(c, [getattr(row, c.name) for row in rows]) for c in HARDINESS.columns})


def _warn_of_strangers(varieties: list[str], blocks: gpd.GeoDataFrame | None, file: str, findings: Findings) -> None:
    """Name varieties that no block has, where one may be meant; a service's table may list many more than are here."""
    if blocks is None:
        return
    known = {bare_name(name): name for name in blocks["variety"].dropna()}
    guesses = Guesses(known.values(), 0.75)
    strange = {name: guesses.of(name) for name in dict.fromkeys(varieties) if bare_name(name) not in known}
    meant = [Sentence("warning.unused.meant", column=show(name), near=near) for name, near in strange.items() if near]
    if meant:
        findings.warn(Sentence("warning.hardiness.strange", file=file, varieties=Listed(meant)))
