"""history.html: where it freezes again and again, block by block, and what that means for replanting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vinemap.characters import is_formula
from vinemap.columns import HISTORY_CSV, HISTORY_ROWS_CSV
from vinemap.errors import InputError, Problem
from vinemap.exports.earlier import EarlierRun, read_earlier, refuse_twice
from vinemap.exports.exchange import staged
from vinemap.exports.formats import write_csv
from vinemap.history.recurrence import FEW_WINTERS, History, recurrence
from vinemap.sentences import Figure, Listed, Said, Sentence
from vinemap.units import area_unit
from vinemap.web.still import StillMap, still_map
from vinemap.web.templates import render

PAGE = "history.html"
# A block stands out where this many times as much of it was hit each time as chance alone would hit.
_STANDS_OUT = 2.0
_MEANS = ("why", "air", "hardier", "crop", "wait")
_CAUTIONS = ("maps", "wood", "advice")
_SOURCES = ("site", "practice")


@dataclass(frozen=True)
class HistoryPage:
    """What the page shows, in one language; calling it says a sentence of ``history``."""

    language: str
    name: str
    facts: list[Sentence]
    findings: list[Sentence]
    drawing: StillMap
    rows: list[list[Any]]
    means: list[Sentence]
    cautions: list[Sentence]
    sources: list[Sentence]

    def said(self, text: Any) -> str:
        """Return a sentence, a figure or plain text in the page's language."""
        return text.said(self.language) if isinstance(text, Said) else str(text)

    def __call__(self, key: str, **values: Any) -> str:
        """Return the sentence of a key in the page's language."""
        return Sentence(f"history.{key}", **values).said(self.language)


def read_history(outs: Sequence[Path]) -> tuple[list[EarlierRun], History]:
    """Read the runs of several freezes on the same ground.

    Parameters
    ----------
    outs : sequence of Path
        Their output folders.

    Raises
    ------
    InputError
        With fewer than two, one that holds no run or one of other ground, and two of the same freeze or canes.
    """
    if len(outs) < 2:
        what, remedy = Sentence("fault.history.one"), Sentence("remedy.history.one")
        raise InputError([Problem(str(outs[0]) if outs else "RUN", None, "", what, remedy)])
    runs = [read_earlier(outs[0])]
    runs += [read_earlier(out, runs[0].blocks) for out in outs[1:]]
    refuse_twice(runs)
    return runs, recurrence(runs)


def history_sentences(history: History) -> list[Sentence]:
    """Say which blocks stand out, or that none does, and how little few winters say."""
    rows = history.blocks.drop(columns="geometry").to_dict("records")
    limit = 100 * _STANDS_OUT * history.by_chance
    worst = [row for row in rows if row["worst_third_each_pct"] >= limit]
    chance = Figure(100 * history.by_chance, 0 if history.by_chance >= 0.02 else 1, "%")
    said = [
        Sentence(
            "history.block",
            block=row["block"],
            share=Figure(row["worst_third_each_pct"], 0, "%"),
            chance=chance,
            half=Figure(row["half_dead_winters"]),
            sure=Figure(row["half_dead_sure_winters"]),
            winters=Figure(row["winters"]),
        )
        for row in worst
    ]
    few = [Sentence("history.few", count=Figure(len(history.winters)))] if len(history.winters) < FEW_WINTERS else []
    return [*(said or [Sentence("history.none", chance=chance)]), *few]


def history_notes(history: History) -> list[Sentence]:
    """Say which names a spreadsheet would run: history.csv has them with an apostrophe before them."""
    names = [name for name in history.blocks["block"] if is_formula(str(name))]
    return [Sentence("warning.formulas.quoted", names=Listed(names))] if names else []


def history_page(run: EarlierRun, history: History) -> HistoryPage:
    """Put the page together in the language and the units of the last run."""
    surface = history.grid.rename(worst_third_each="primary_injury")
    per_hectare, unit = area_unit(run.units)
    heads = [Sentence(f"history.head.{name}") for name in ("number", "block", "area", "each", "half", "sure", "crop")]
    rows: list[list[Any]] = [heads]
    for number, row in enumerate(history.blocks.drop(columns="geometry").to_dict("records"), start=1):
        share = row["worst_third_each_pct"]
        rows.append(
            [
                str(number),
                row["block"],
                Figure(row["area_ha"] * per_hectare, 1, unit),
                "" if pd.isna(share) else Figure(share, 0, "%"),
                Sentence("history.of", count=Figure(row["half_dead_winters"]), winters=Figure(row["winters"])),
                Sentence("history.of", count=Figure(row["half_dead_sure_winters"]), winters=Figure(row["winters"])),
                ""
                if pd.isna(row["half_crop_winters"])
                else Sentence("history.of", count=Figure(row["half_crop_winters"]), winters=Figure(row["winters"])),
            ]
        )
    return HistoryPage(
        language=run.language,
        name=run.name,
        facts=[Sentence("history.rests", count=Figure(len(history.winters)), winters=Listed(history.winters))],
        findings=history_sentences(history),
        drawing=still_map(history.blocks, None, surface, run.units),
        rows=rows,
        means=[Sentence(f"history.means.{part}") for part in _MEANS],
        cautions=[Sentence(f"history.caution.{part}") for part in _CAUTIONS],
        sources=[Sentence(f"history.source.{part}") for part in _SOURCES],
    )


def write_history(runs: Sequence[EarlierRun], history: History, out: Path) -> list[Path]:
    """Write history.html, history.csv, history_rows.csv where rows can be counted, and history.tif, all or nothing.

    Parameters
    ----------
    runs, history
        Of `read_history`.
    out : Path
        Folder; it may be none of the runs' own.

    Returns
    -------
    list of Path
        What was written, the page first.
    """
    last = next(run for run in reversed(runs) if run.winter.name == history.winters[-1])
    for run in runs:
        if run.out.resolve() == out.resolve():
            what, remedy = Sentence("fault.history.rests"), Sentence("remedy.elsewhere")
            raise InputError([Problem(str(out), None, "", what, remedy)])
    report = {"name": last.name, "winters": history.winters, "by_chance": history.by_chance}
    report |= {"findings": history_sentences(history), "warnings": history_notes(history)}
    with staged(out, last.out, "history", report) as stage:
        page = history_page(last, history)
        (stage / PAGE).write_text(render("history/templates/history.html.j2", page=page), encoding="utf-8")
        write_csv(history.blocks, stage / "history.csv", HISTORY_CSV, quoted=True)
        if len(history.rows):
            write_csv(history.rows, stage / "history_rows.csv", HISTORY_ROWS_CSV, quoted=True)
        grid = history.grid["worst_third_each"].load().astype(np.float32).rio.write_crs(history.blocks.crs)
        grid.rio.write_nodata(np.nan).rio.to_raster(stage / "history.tif", driver="COG", compress="DEFLATE")
        names = sorted((file.name for file in stage.iterdir()), key=lambda name: (name != PAGE, name))
    return [out / name for name in names]
