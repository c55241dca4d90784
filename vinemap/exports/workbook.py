"""The work list as a spreadsheet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from openpyxl.worksheet.worksheet import Worksheet

from vinemap.characters import for_xml
from vinemap.columns import CURRENCY, WORK_LIST
from vinemap.decisions.worklist import totals
from vinemap.exports.formats import with_text
from vinemap.sentences import section
from vinemap.states import Action, Origin

_ASSUMED = '0 "(assumed)"'


def write_workbook(table: pd.DataFrame, path: Path, currency: str = "") -> None:
    """Write the work list as a spreadsheet (.xlsx) with a line of totals, and the cautions on a sheet of their own.

    Nodes to keep that rest on a normal year assumed from the vine spacing say so in their cells, and stay numbers.

    Parameters
    ----------
    table : DataFrame
        Of `work_list`.
    path : Path
        File to write.
    currency : str
        For the heading of the cost.
    """
    label = "Total, zones without figures left out" if table["action"].eq(Action.NO_DATA).any() else "Total"
    sums = pd.DataFrame([totals(table)]).assign(block=label)
    whole = pd.concat([table.astype(object), sums.astype(object)], ignore_index=True)[list(table)]
    layout = [WORK_LIST.find(str(name)) for name in whole]
    units = {column.name: currency for column in layout if column is not None and column.unit == CURRENCY}
    headed = whole.rename(columns={name: f"{name} ({unit})" for name, unit in units.items() if unit})
    shown = with_text(headed, for_xml)
    with pd.ExcelWriter(path, engine="openpyxl") as book:
        shown.to_excel(book, sheet_name="work", index=False, freeze_panes=(1, 3))
        sheet = book.sheets["work"]
        sheet.auto_filter.ref = f"A1:{sheet.cell(1, len(shown.columns)).column_letter}{len(table) + 1}"
        for column, (name, kind) in enumerate(zip(shown, layout, strict=True), start=1):
            cells = sheet.column_dimensions[sheet.cell(1, column).column_letter]
            cells.width = max(len(str(name)), *(len(_shown(value)) for value in shown[name])) + 2
            number = f"{0:.{0 if kind is None else kind.shown}f}"
            for (cell,) in sheet.iter_rows(min_col=column, max_col=column):
                if isinstance(cell.value, str):
                    cell.data_type = "s"  # a name or a heading that begins with = is no formula
                else:
                    cell.number_format = number
        _mark_assumed(sheet, table)
        sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.print_title_rows = "1:1"
        cautions = book.book.create_sheet("cautions")
        for key in ("tools", "cold", "buds", "budbreak", "look_alike", "advice"):
            cautions.append([section("page")["en"][f"caution.{key}"]])
        cautions.column_dimensions["A"].width = 120


def _mark_assumed(sheet: Worksheet, table: pd.DataFrame) -> None:
    """Let nodes to keep that were counted from an assumption read as assumed."""
    if not {"nodes_to_keep", "target_from"} <= set(table):
        return
    column = list(table).index("nodes_to_keep") + 1
    for row in np.flatnonzero(table["target_from"].eq(Origin.SPACING) & table["nodes_to_keep"].notna()):
        sheet.cell(int(row) + 2, column).number_format = _ASSUMED
    letter = sheet.cell(1, column).column_letter
    sheet.column_dimensions[letter].width = max(sheet.column_dimensions[letter].width, 18)


def _shown(value: object) -> str:
    return f"{value:.2f}" if isinstance(value, float) else str(value)
