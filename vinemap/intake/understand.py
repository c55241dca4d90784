"""From people's own files to the tables of a vineyard folder: one pure function, run again with every answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from vinemap.errors import Findings, Problem
from vinemap.intake.headings import Headed, find_tables, plain
from vinemap.intake.identities import Identity, identify
from vinemap.intake.lexicon import state_of, tokens
from vinemap.intake.meanings import PLACES, Meaning, understand_columns
from vinemap.intake.questions import Choice, Proposal, settled, unanswered
from vinemap.intake.sources import Layer, open_sources
from vinemap.intake.surveys import as_table, read_survey
from vinemap.reading.cells import blank
from vinemap.reading.tabular import NOTES_SHEET, Sheet
from vinemap.sentences import Sentence

_BUDS = ("nodes", "canes", "runs", "counts")
_PLACED = ("lon", "lat", "easting", "northing", "block", "row", "vine", "date")
_SIGNS_OF_BUDS = 3
"""Cells with a word for a live or dead bud from which a sheet that was not understood is not passed over unasked."""


@dataclass(frozen=True)
class Understanding:
    """What files were understood to hold.

    Attributes
    ----------
    proposals : tuple of Proposal
        All that was decided, certain ones too, in the order of files, sheets and columns.
    answers : mapping of str to str
        What was answered.
    tables : dict of str to DataFrame
        Tidy tables by the stem of their file: ``blocks`` (GeoDataFrame with a CRS), ``samples``, ``buds`` and others.
        Complete only when nothing is open and there are no problems.
    grids : tuple of Path
        Elevation grids, as they were given.
    settings : dict
        Keys of ``vinemap.toml`` that the files decide.
    notes : tuple of Sentence
        What was passed over, repaired, assumed, entered twice.
    problems : tuple of Problem
        What has to be mended in the files, one a fault.
    """

    proposals: tuple[Proposal, ...]
    answers: Mapping[str, str]
    tables: dict[str, pd.DataFrame]
    grids: tuple[Path, ...]
    settings: dict[str, Any]
    notes: tuple[Sentence, ...]
    problems: tuple[Problem, ...]

    @property
    def open(self) -> tuple[Proposal, ...]:
        """Proposals that are neither certain nor answered."""
        return unanswered(self.proposals, self.answers)

    @property
    def to_keep(self) -> dict[str, str]:
        """Answers by which next year's files of the same layout need no question: those given, and every code's."""
        own = {proposal.key: settled(proposal, self.answers) for proposal in self.proposals if " code " in proposal.key}
        kept = {key: value for key, value in own.items() if value is not None}
        return {**kept, **self.answers}


def understand(files: Sequence[Path], answers: Mapping[str, str] | None = None) -> Understanding:
    """Say what files hold; ask again with more answers until nothing is open.

    Parameters
    ----------
    files : sequence of Path
        Outlines, tables, workbooks, waypoints, an elevation grid: whatever people have of one vineyard.
    answers : mapping of str to str
        Key of a `Proposal` to the value of one of its choices.

    Returns
    -------
    Understanding
        Nothing is raised for what the files hold: faults are its ``problems``.

    Examples
    --------
    >>> found = understand([Path("outlines.kml"), Path("buds.xlsx")])
    >>> [proposal.about for proposal in found.open]
    []
    """
    told = dict(answers or {})
    findings = Findings()
    sources = open_sources(files, findings)
    meanings, proposals = _tables(sources.sheets, told, findings)
    tables: dict[str, pd.DataFrame] = {}
    blocks = _blocks(sources.layers)
    if blocks is not None:
        tables["blocks"] = blocks
    surveyed = [meaning for meaning in meanings if meaning.kind in _BUDS or _places(meaning)]
    identities = dict(zip(map(id, surveyed), identify(surveyed, told, findings), strict=True))
    buds = [meaning for meaning in surveyed if meaning.kind in _BUDS]
    survey = read_survey([(meaning, identities[id(meaning)]) for meaning in buds], told, findings)
    proposals += survey.proposals
    if survey.units:
        tables["buds"] = as_table(survey, findings)
    samples = _samples(surveyed, identities)
    if not samples.empty:
        tables["samples"] = samples
    if not unanswered(tuple(proposals), told) and not findings.problems:
        findings.problems.extend(_missing(tables))
    return Understanding(
        tuple(dict.fromkeys(proposals)),
        told,
        tables,
        tuple(sources.grids),
        {},
        tuple(dict.fromkeys([*sources.notes, *findings.warnings])),
        tuple(dict.fromkeys(findings.problems)),
    )


def _tables(
    sheets: Sequence[Sheet], answers: Mapping[str, str], findings: Findings
) -> tuple[list[Meaning], list[Proposal]]:
    """Return every table that is used, and the questions of their columns; say which sheets are left aside."""
    meanings: list[Meaning] = []
    proposals: list[Proposal] = []
    for sheet in sheets:
        tables, notes = find_tables(sheet)
        findings.warnings.extend(notes)
        understood = [understand_columns(table, answers) for table in tables]
        used = [meaning for meaning in understood if meaning.kind or _places(meaning) or _facts(meaning)]
        left = [meaning.table for meaning in understood if meaning not in used]
        if not used:
            proposals += _aside(sheet, left, findings)
            continue
        for table in left:
            findings.warn(Sentence("import.note.aside", sheet=table.source))
        hidden = _hidden(sheet, used)
        proposals += hidden
        if any(settled(proposal, answers) == "skip" for proposal in hidden):
            continue
        meanings += used
        proposals += [proposal for meaning in used for proposal in meaning.proposals]
    return meanings, proposals


def _hidden(sheet: Sheet, used: Sequence[Meaning]) -> list[Proposal]:
    """Return the question whether a hidden sheet counts."""
    if not sheet.hidden:
        return []
    table = used[0].table
    choices = tuple(Choice(value, Sentence(f"import.hidden.{value}")) for value in ("use", "skip"))
    about = Sentence("import.hidden", sheet=table.source)
    return [Proposal(f"{table.layout} hidden", about, choices, None, False, table.shown())]


def _aside(sheet: Sheet, left: Sequence[Headed], findings: Findings) -> list[Proposal]:
    """Say that a sheet is left aside; ask where it may hold buds all the same."""
    where = sheet.file if sheet.title is None else f"{sheet.file}[{sheet.title}]"
    if (sheet.title or "").strip().casefold() == NOTES_SHEET:
        return []
    findings.warn(Sentence("import.note.aside", sheet=where))
    words = [plain(cell) for _, cells in sheet.rows for cell in cells if isinstance(cell, str)]
    if sum(state_of(tokens(word)) is not None for word in words) < _SIGNS_OF_BUDS:
        return []
    mark = left[0].layout if left else "no header"
    examples = tuple(" | ".join(map(plain, cells)) for _, cells in sheet.rows[:3])
    choices = (Choice("skip", Sentence("import.aside.skip")),)
    return [Proposal(f"{mark} aside", Sentence("import.aside", sheet=where), choices, None, False, examples)]


def _places(meaning: Meaning) -> bool:
    roles = set(meaning.roles.values())
    return bool(roles & PLACES) or {"row", "vine"} <= roles


def _facts(meaning: Meaning) -> bool:
    return {"block", "fact"} <= set(meaning.roles.values())


def _blocks(layers: Sequence[Layer]) -> gpd.GeoDataFrame | None:
    for layer in layers:
        if layer.frame.geom_type.isin(("Polygon", "MultiPolygon")).all():
            return layer.frame
    return None


def _samples(surveyed: Sequence[Meaning], identities: Mapping[int, Sequence[Identity | None]]) -> pd.DataFrame:
    """Return where each sample is, as far as any table says."""
    rows: dict[str, dict[str, object]] = {}
    for meaning in sorted(surveyed, key=lambda its: not _places(its)):
        for who, (_, cells) in zip(identities[id(meaning)], meaning.table.rows, strict=True):
            if who is None:
                continue
            row = rows.setdefault(who.sample, {"sample": who.sample})
            said = {role: cells[place] for place, role in meaning.roles.items() if role in _PLACED}
            said |= {"block": who.block, "row": who.row, "vine": who.vine}
            for role, cell in said.items():
                if not blank(cell):
                    row.setdefault(role, cell)
    return pd.DataFrame(list(rows.values()))


def _missing(tables: Mapping[str, pd.DataFrame]) -> list[Problem]:
    """Name what no map can be made without, and buds whose sample has no place."""
    wanted = {
        "blocks": (
            "there are no outlines of blocks among the files",
            "add them, as KML, GeoJSON, GeoPackage or shapefile",
        ),
        "buds": ("no table among the files holds buds", "add the table of live and dead buds"),
    }
    return [Problem(f"{stem}.*", None, "", *said) for stem, said in wanted.items() if stem not in tables]
