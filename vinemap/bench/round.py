"""The samples that a bench page is made for."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from vinemap.errors import Findings, InputError
from vinemap.reading.files import TABLES, usable
from vinemap.reading.schema import SampleRow, check_rows, match_columns
from vinemap.reading.tabular import read_table
from vinemap.sentences import Sentence


def read_bench_samples(path: Path) -> pd.DataFrame:
    """Read the samples of a plan or of a vineyard folder.

    Parameters
    ----------
    path : Path
        CSV or xlsx with the column sample, and block where known.

    Returns
    -------
    DataFrame
        sample, block (None where not given), in file order.

    Raises
    ------
    InputError
        With everything that is wrong with the table.
    """
    findings = Findings()
    if not path.exists():
        findings.problem(str(path), None, "", Sentence("fault.no_such_file"), Sentence("remedy.correct_name"))
    table = read_table(path, "samples", findings) if path.exists() and usable(path, TABLES, findings) else None
    if table is None:
        raise InputError(findings.problems)
    checked = check_rows(table, SampleRow, match_columns(table, SampleRow, {}, findings), findings)
    findings.refuse()
    rows = [(row.sample, row.block) for _, row in checked.good()]
    return pd.DataFrame(rows, columns=["sample", "block"], dtype=object)
