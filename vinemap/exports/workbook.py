"""The workbook: an overview in each language and unit system, and one sheet a question."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.hyperlink import Hyperlink
from openpyxl.worksheet.worksheet import Worksheet

from vinemap.columns import CURRENCY, WORK_LIST, WORKBOOK, Column, Kind, heading_key, note_keys
from vinemap.decisions.evidence import differs_sentence
from vinemap.decisions.worklist import by_action, terms, totals
from vinemap.exports.spreadsheet import LINK, Shown, freeze, put_line, put_table, to_print
from vinemap.exports.summary import likely, verdict
from vinemap.sentences import Figure, Said, Sentence, languages, seasonal
from vinemap.settings import Settings
from vinemap.states import Action, Evidence, Origin
from vinemap.units import area_unit

_STANDING = {"blocks": 1, "work": 3, "rows": 2, "cut": 1, "sure": 1, "crop": 1, "wood": 1}
"""Columns that stand while the others move."""
_WIDTHS = (7, 24, 24, 11, 11, 11, 16, 32, 13)
"""Of the columns of an overview."""


@dataclass(frozen=True)
class Words:
    """A language and a unit system.

    Attributes
    ----------
    language : str
        Code.
    units : str
        'metric' or 'us'.
    """

    language: str
    units: str

    def __call__(self, key: str, **values: Any) -> str:
        """Return a sentence in the language."""
        return Sentence(key, **values).said(self.language)

    def said(self, text: Any) -> Any:
        """Return a sentence in the language, and what is none as it is."""
        return text.said(self.language) if isinstance(text, Said) else text

    @property
    def area(self) -> tuple[float, str]:
        """What a hectare is in the unit of area, and its name."""
        return area_unit(self.units)

    @property
    def unit(self) -> str:
        """Short name of the unit of area."""
        return self(f"page.units.{self.units}.short")


@dataclass(frozen=True)
class Content:
    """What the workbook is made of.

    Attributes
    ----------
    blocks, zones, samples, work, rows : DataFrame
        Rows of blocks.csv, zones.csv, samples.csv, worklist.csv and rows.csv.
    run : mapping
        What run.json says: name, event_date, made, scores, crop_loss (None after budbreak).
    settings : Settings
    """

    blocks: pd.DataFrame
    zones: pd.DataFrame
    samples: pd.DataFrame
    work: pd.DataFrame
    rows: pd.DataFrame
    run: Mapping[str, Any]
    settings: Settings

    @property
    def spring(self) -> bool:
        """Whether shoots were counted, so that what grew decides."""
        return "spring" in self.run

    @property
    def decisive(self) -> str:
        """Stem of the columns that rank blocks."""
        return "map_no_live_bud" if self.spring else "map_injury"

    @property
    def ranked(self) -> pd.DataFrame:
        """The blocks, the worst first."""
        plain = pd.DataFrame(self.blocks.drop(columns="geometry", errors="ignore"))
        return plain.sort_values(f"{self.decisive}_pct", ascending=False, na_position="last", kind="stable")


def write_workbook(path: Path, content: Content) -> None:
    """Write the workbook (.xlsx): the run's own language and units first, the cautions on a sheet of their own.

    Nodes to keep that rest on a normal year assumed from the vine spacing say so in their cells, and stay numbers.

    Parameters
    ----------
    path : Path
        File to write.
    content : Content
    """
    own, *others = _spoken(content.settings)
    book = Workbook()
    book.remove(book.active)
    # Sheets stand in the order in which they are made, and an overview names all of them.
    overviews = {own: _overview_sheet(book, own)}
    questions = {name: _question_sheet(book, name, table, content, own) for name, table in _questions(content)}
    questions["cautions"] = _cautions_sheet(book, content, own)
    overviews |= {words: _overview_sheet(book, words) for words in others}
    for words, sheet in overviews.items():
        _fill_overview(sheet, content, words, questions, overviews)
    book.save(path)


def _spoken(settings: Settings) -> list[Words]:
    """Return every language with every unit system, the settings' own first and their language before the others."""
    own = Words(settings.language, settings.units)
    every = [Words(language, units) for language in languages() for units in ("metric", "us")]
    return sorted(every, key=lambda words: (words.language != own.language, words.units != own.units))


def _questions(content: Content) -> Iterator[tuple[str, pd.DataFrame]]:
    """Yield what each sheet shows, where there is something to show."""
    yield "blocks", content.ranked
    yield "work", _with_totals(content.work)
    if len(content.rows):
        yield "rows", content.rows
    yield "cut", pd.DataFrame(content.samples.drop(columns="geometry", errors="ignore"))
    yield "sure", content.ranked
    if content.run["crop_loss"] is not None:
        yield "crop", _named(pd.DataFrame(content.run["crop_loss"]))
    looked_at = content.ranked["trunk_hurt_read"].fillna(0) > 0
    if looked_at.any():
        yield "wood", content.ranked[looked_at]


def _named(losses: pd.DataFrame) -> pd.DataFrame:
    """Return losses with a name for every row, and with no probability that passes for a certainty."""
    unknown = Sentence("report.unknown_variety")
    names = [
        Sentence("report.whole") if whole else name or unknown
        for whole, name in zip(losses["whole"], losses["variety"], strict=True)
    ]
    over = [None if pd.isna(pct) else likely(pct) for pct in losses["over_pct"]]
    # As objects: a column of text would keep the English of a sentence alone.
    return losses.assign(variety=pd.Series(names, dtype=object), over_pct=pd.Series(over, dtype=object))


def _question_sheet(book: Workbook, name: str, table: pd.DataFrame, content: Content, words: Words) -> Worksheet:
    sheet = book.create_sheet(words(f"workbook.sheet.{name}"))
    columns = [*_columns(name, table, content, words), *([_advice(table, words)] if name == "sure" else [])]
    filled = [column for column in columns if any(value not in (None, "") for value in column.values)]
    put_table(sheet, filled, total=name in ("work", "crop"))
    freeze(sheet, _STANDING[name], len(content.work) if name == "work" else len(table))
    to_print(sheet)
    return sheet


def _advice(blocks: pd.DataFrame, words: Words) -> Shown:
    """Return what would make each block's figures surer, and where what was cut and the map lie far apart."""
    said = []
    for row in blocks.to_dict("records"):
        short = [] if row["evidence"] == Evidence.ENOUGH else [Sentence(f"evidence.{row['evidence']}.block")]
        apart = differs_sentence(row)
        said.append(" ".join(words.said(text) for text in (*short, *([] if apart is None else [apart]))))
    return Shown(words("workbook.head.advice"), said)


def _with_totals(work: pd.DataFrame) -> pd.DataFrame:
    """Return the work list with a line of totals."""
    known = "total.without" if work["task"].eq(Action.NO_DATA).any() else "total"
    label = pd.Series([Sentence(f"workbook.{known}")], dtype=object)
    sums = pd.DataFrame([totals(work)]).assign(block=label)
    return pd.concat([work.astype(object), sums.astype(object)], ignore_index=True)[list(work)]


def _columns(sheet: str, table: pd.DataFrame, content: Content, words: Words) -> Iterator[Shown]:
    """Yield the columns of a sheet that the table has; ends of an interval are named by what they are ends of."""
    layout, names = WORKBOOK[sheet]
    keys, middle = note_keys(), ""
    for written in (name for wanted in names for name in _matching(table, wanted)):
        column = layout.find(written)
        assert column is not None  # noqa: S101 - WORKBOOK names columns of the layout alone
        end = next((side for side in ("low", "high") if f"_{side}" in written), "")
        if end:
            heading = words(f"workbook.{end}", of=middle)
        else:
            heading = middle = _heading(column, written, content, words)
        size, _ = words.area if column.unit == "ha" else (1.0, "")
        cells = [_cell(column, value, size, words) for value in table[written]]
        unit = "" if any(isinstance(cell, str) for cell in cells) else _unit(column, content, words)
        yield Shown(
            f"{heading} ({unit})" if unit else heading,
            cells,
            _note(column, written, keys[sheet, column.name], layout.files, words),
            _number(column),
            _assumed(table, words) if written == "nodes_to_keep" else None,
        )


def _number(column: Column) -> str:
    """Return the format of a column's figures: counts and money with a mark between thousands, years without."""
    whole = "#,##0" if column.unit else "0"
    return f"{whole}.{'0' * column.shown}" if column.shown else whole


def _note(column: Column, written: str, key: str, files: str, words: Words) -> str:
    """Return what the data dictionary says of a column, and where it stands in the files."""
    values = {"meaning": Sentence(key), "file": files.partition(";")[0], "column": written}
    figure = column.unit not in ("", CURRENCY)
    said = words("workbook.note.unit", **values, unit=column.unit) if figure else words("workbook.note", **values)
    source = [words("workbook.note.source", source=column.source)] if column.source else []
    return "\n".join((said[0].upper() + said[1:], *source))


def _matching(table: pd.DataFrame, wanted: str) -> list[str]:
    """Return the columns of a table that a name of a layout stands for."""
    if "{" not in wanted:
        return [wanted] if wanted in table else []
    return [str(name) for name in table if (found := WORK_LIST.find(str(name))) is not None and found.name == wanted]


def _heading(column: Column, written: str, content: Content, words: Words) -> str:
    """Return a column's heading, without its unit."""
    key, values = seasonal(heading_key(column.name), spring=content.spring), dict[str, Any]()
    if column.is_pattern:
        values = {"material": written.removesuffix("_pieces").replace("_", " ")}
    elif column.name == "over_pct":
        values = {"limit": Figure(content.settings.report.crop_loss_over_pct)}
    return words(key, **values)


def _unit(column: Column, content: Content, words: Words) -> str:
    """Return what stands behind a heading: percent, the unit of area, or the settings' currency."""
    return {"%": "%", "ha": words.unit, CURRENCY: terms(content.settings).currency}.get(column.unit, "")


def _cell(column: Column, value: Any, size: float, words: Words) -> Any:
    """Return a value as a cell holds it: states in words, areas in the unit."""
    if isinstance(value, Said):
        return value.said(words.language)
    if value is None or pd.isna(value) or value == "":
        return None
    if column.kind is Kind.DATE:
        return pd.Timestamp(value).to_pydatetime()
    if column.words:
        return words(word_key(column.name, str(value)))
    return value * size if size != 1 else value


def word_key(column: str, word: str) -> str:
    """Return the key of what a state is called."""
    if column in ("action", "task"):
        return f"page.action.{word}"
    if column == "when":
        return f"work.when.{word}"
    if column == "evidence" and word != Evidence.ENOUGH:
        return f"evidence.{word}"
    return f"workbook.word.{word}"


def _assumed(table: pd.DataFrame, words: Words) -> dict[int, str]:
    """Return formats by which nodes to keep that were counted from an assumption read as assumed."""
    if "target_from" not in table:
        return {}
    guessed = table["target_from"].eq(Origin.SPACING) & table["nodes_to_keep"].notna()
    assumed = words("workbook.assumed")
    return {int(place): f'0 "({assumed})"' for place in np.flatnonzero(guessed)}


def _overview_sheet(book: Workbook, words: Words) -> Worksheet:
    sheet = book.create_sheet(f"{words('workbook.sheet.overview')} ({words.unit})")
    for place, width in enumerate(_WIDTHS, start=1):
        sheet.column_dimensions[get_column_letter(place)].width = width
    return sheet


def _fill_overview(
    sheet: Worksheet,
    content: Content,
    words: Words,
    questions: dict[str, Worksheet],
    overviews: dict[Words, Worksheet],
) -> None:
    """Say what a manager asks first, and where the rest stands."""
    across, run = len(_WIDTHS), content.run

    def key(name: str) -> str:
        return seasonal(f"page.{name}", spring=content.spring)

    put_line(sheet, 1, words(key("head.page"), name=run["name"]), across=across, size=18, bold=True)
    event = run["event_date"]
    froze = words(key("head.no_event")) if event is None else words(key("head.event"), date=str(event))
    made = words("page.head.made", date=run["made"][:10])
    put_line(sheet, 2, f"{froze}; {made}. {words(f'page.units.{words.units}')}.", across=across)
    row = 3
    for text in _first(content):
        put_line(sheet, row, words.said(text), across=across, bold=row == 3)
        row += 1
    row = _headed(sheet, row + 1, words("page.still.task"), _tasks(content, words), left=2)
    row = _headed(sheet, row + 1, words("page.blocks.title"), _ranking(content, words))
    row = _title(sheet, row + 1, words("workbook.sheets"))
    for name, other in questions.items():
        row = _link(sheet, row, other, words(f"workbook.about.{name}"))
    for spoken, other in overviews.items():
        if spoken != words:
            language = spoken("page.language.name")
            row = _link(sheet, row, other, f"{language}. {spoken(f'page.units.{spoken.units}')}.")
    row = _title(sheet, row + 1, words("page.cautions.title"))
    for caution in _cautions(content):
        put_line(sheet, row, words.said(caution), across=across)
        row += 1
    to_print(sheet)


def _first(content: Content) -> Iterator[Any]:
    """Yield what to know first, none of it in a unit of area."""
    losses = content.run["crop_loss"]
    whole = None if losses is None else next(row for row in losses if row["whole"])
    if whole is not None and not pd.isna(whole["loss_pct"]):
        ends = {name: Figure(whole[f"loss_{name}_pct"], 0, "%") for name in ("low", "high")}
        yield Sentence("page.head.loss", loss=Figure(whole["loss_pct"], 0, "%"), range=Sentence("page.range", **ends))
    if content.spring:
        yield from content.run["spring"]["findings"]
    else:
        yield from verdict(content.run["scores"])


def _tasks(content: Content, words: Words) -> Iterator[Shown]:
    """Yield the table of what there is to do."""
    work, (size, _) = by_action(content.zones), words.area
    yield Shown(words("page.still.task"), [words(f"page.action.{action}") for action in work["action"]])
    yield Shown(words("page.still.zones"), work["zones"].tolist())
    yield Shown(f"{words('page.sheet.area')} ({words.unit})", [size * area for area in work["area_ha"]], number="0.0")
    yield Shown(words("page.sheet.vines"), work["vines"].tolist(), number="#,##0")


def _ranking(content: Content, words: Words) -> Iterator[Shown]:
    """Yield the table of blocks, the worst first."""
    table, (size, _), stem = content.ranked, words.area, content.decisive
    ends = (
        ("map_no_live_bud_low_pct", "map_no_live_bud_high_pct") if content.spring else ("map_low_pct", "map_high_pct")
    )
    yield Shown(words("page.sheet.rank"), list(range(1, len(table) + 1)))
    yield Shown(words("page.sheet.block"), table["block"].tolist())
    yield Shown(words("page.sheet.variety"), table["variety"].tolist())
    yield Shown(f"{words('page.sheet.area')} ({words.unit})", (size * table["area_ha"]).tolist(), number="0.0")
    yield Shown(words("page.sheet.vines"), table["vines"].tolist(), number="#,##0")
    dead = words(seasonal("page.sheet.injury", spring=content.spring))
    yield Shown(f"{dead} (%)", table[f"{stem}_pct"].tolist())
    # Too few shoots counted to map them: no interval, and no column for it.
    known = table.reindex(columns=list(ends))
    ranges = [
        "" if pd.isna(low) or pd.isna(high) else words("page.range", low=Figure(low), high=Figure(high))
        for low, high in zip(*(known[end] for end in ends), strict=True)
    ]
    yield Shown(f"{words('page.sheet.range')} (%)", ranges)
    yield Shown(words("page.sheet.action"), [words(f"page.action.{action}") for action in table["action"]])
    keep = table["nodes_to_keep"].tolist()
    yield Shown(words("page.sheet.nodes"), keep, own=_assumed(table, words))


def _title(sheet: Worksheet, row: int, text: str) -> int:
    put_line(sheet, row, text, across=len(_WIDTHS), size=13, bold=True)
    return row + 1


def _headed(sheet: Worksheet, row: int, title: str, columns: Iterator[Shown], left: int = 1) -> int:
    """Write a table under a title; return the row after it."""
    return put_table(sheet, columns, row=_title(sheet, row, title), left=left, sized=False)


def _link(sheet: Worksheet, row: int, other: Worksheet, text: str) -> int:
    """Write a line that leads to another sheet; return the row after it."""
    cell = put_line(sheet, row, f"{other.title}: {text}", across=len(_WIDTHS))
    cell.hyperlink = Hyperlink(ref=cell.coordinate, location=f"'{other.title}'!A1")
    cell.font = LINK
    return row + 1


def _cautions(content: Content) -> list[Sentence]:
    keys = (f"page.caution.{name}" for name in ("tools", "cold", "buds", "budbreak", "look_alike", "advice"))
    return [Sentence(seasonal(key, spring=content.spring)) for key in keys]


def _cautions_sheet(book: Workbook, content: Content, words: Words) -> Worksheet:
    sheet = book.create_sheet(words("workbook.sheet.cautions"))
    sheet.column_dimensions["A"].width = 120
    for row, caution in enumerate(_cautions(content), start=1):
        put_line(sheet, row, words.said(caution), across=1)
    to_print(sheet)
    return sheet
