"""From people's own files to the tables of a vineyard folder: one pure function, run again with every answer."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import pandas as pd

from vinemap.characters import is_formula
from vinemap.columns import SHOOTS, WOOD
from vinemap.errors import Findings, Problem
from vinemap.intake.codes import is_code
from vinemap.intake.drawings import Outlines, outlines
from vinemap.intake.facts import Facts, block_facts, is_facts
from vinemap.intake.headings import Headed, find_tables, plain
from vinemap.intake.identities import Identity, identify
from vinemap.intake.lexicon import BUD_NAMES, fold, role_of, state_of, tokens
from vinemap.intake.meanings import PLACES, Meaning, understand_columns
from vinemap.intake.positions import Placed, joined_places, sample_places
from vinemap.intake.questions import Choice, Proposal, settled, unanswered
from vinemap.intake.row_lines import RowLines, of_rows, row_lines
from vinemap.intake.sources import Layer, open_sources
from vinemap.intake.surveys import as_table, read_survey
from vinemap.reading.schema import squeeze
from vinemap.reading.tabular import NOTES_SHEET, Sheet
from vinemap.sentences import Figure, Listed, Sentence

_BUDS = ("nodes", "canes", "runs", "counts")
_LETTER = re.compile(r" code \S{0,2}$")
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
    notes : tuple of Sentence
        What was passed over, repaired, assumed, entered twice.
    problems : tuple of Problem
        What has to be mended in the files, one a fault.
    """

    proposals: tuple[Proposal, ...]
    answers: Mapping[str, str]
    tables: dict[str, pd.DataFrame]
    grids: tuple[Path, ...]
    notes: tuple[Sentence, ...]
    problems: tuple[Problem, ...]

    @property
    def open(self) -> tuple[Proposal, ...]:
        """Proposals that are neither certain nor answered."""
        return unanswered(self.proposals, self.answers)

    @property
    def to_keep(self) -> dict[str, str]:
        """Answers by which next year's files of the same layout need no question: those given, and every letter's."""
        codes = (proposal for proposal in self.proposals if _LETTER.search(proposal.key))
        own = {proposal.key: settled(proposal, self.answers) for proposal in codes}
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
    >>> from pathlib import Path
    >>> from vinemap.intake.understand import understand
    >>> demo = Path("demo_blocks")
    >>> found = understand([demo / name for name in ("blocks.geojson", "samples.csv", "buds.csv")])
    >>> found.open, sorted(found.tables)
    ((), ['blocks', 'buds', 'samples'])
    """
    told = dict(answers or {})
    findings = Findings()
    sources = open_sources(files, findings)
    meanings, proposals = _tables(sources.sheets, told, findings)
    drawn = outlines([layer for layer in sources.layers if not of_rows(layer)], told)
    found: list[Outlines | Facts | Placed | RowLines] = [drawn]
    tables: dict[str, pd.DataFrame] = {}
    surveyed = [meaning for meaning in meanings if meaning.kind in _BUDS or (not meaning.kind and _places(meaning))]
    known = [] if drawn.blocks is None else list(drawn.blocks["block"])
    identities = dict(zip(map(id, surveyed), identify(surveyed, known, told, findings), strict=True))
    buds = [meaning for meaning in surveyed if meaning.kind in _BUDS]
    survey = read_survey([(meaning, identities[id(meaning)]) for meaning in buds], told, findings)
    proposals += survey.proposals
    if survey.units:
        tables["buds"] = as_table(survey, findings)
    for kind in ("wood", "shoots"):
        same = [meaning for meaning in meanings if meaning.kind == kind]
        tables |= _passed_on(kind, same, findings)
    cut = list(dict.fromkeys(unit.sample for unit in survey.units))
    if drawn.blocks is not None:
        sheets = [meaning.table for meaning in meanings if meaning not in surveyed and is_facts(meaning.table)]
        # A sheet says more of blocks than the layer that draws them.
        tables["blocks"] = _with_facts(drawn.blocks, [*sheets, *drawn.facts], told, found)
        lines = row_lines([layer for layer in sources.layers if of_rows(layer)], tables["blocks"], told)
        found.append(lines)
        tables |= {} if lines.rows is None else {"rows": lines.rows}
        named = [
            _of_samples(meaning, identities[id(meaning)]) for meaning in sorted(surveyed, key=_places, reverse=True)
        ]
        told_by: list[tuple[Headed | Layer, dict[str, int] | None]] = [(points, None) for points in drawn.points]
        told_by += named
        places = [
            sample_places(source, tables["blocks"], told, cut or None, drawn.crss, roles, lines.placed)
            for source, roles in told_by
        ]
        found += places
        tables["samples"] = joined_places(places, cut, findings)
    for one in found:
        proposals += one.proposals
        findings.warnings += one.notes
        findings.problems += one.findings.problems
        findings.warnings += one.findings.warnings
    for grid in sources.grids[1:]:
        said = Sentence("fault.second_grid", other=sources.grids[0].name)
        findings.problem(grid.name, None, "", said, Sentence("remedy.second_grid"))
    if not unanswered(tuple(proposals), told) and not findings.problems:
        findings.problems.extend(_missing(tables, cut))
    return Understanding(
        tuple(dict.fromkeys(proposals)),
        told,
        tables,
        tuple(sources.grids),
        tuple(dict.fromkeys([*sources.notes, *findings.warnings, *_formulas(tables)])),
        tuple(dict.fromkeys(findings.problems)),
    )


def _formulas(tables: Mapping[str, pd.DataFrame]) -> list[Sentence]:
    """Name what a spreadsheet would run of the CSV files."""
    texts = (text for table in tables.values() for column in table for text in table[column] if isinstance(text, str))
    run = dict.fromkeys(filter(is_formula, texts))
    return [Sentence("warning.formulas.merged", names=Listed(run))] if run else []


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
        used = [meaning for meaning in understood if meaning.kind or _places(meaning) or is_facts(meaning.table)]
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
        for meaning in used:
            if meaning.unused and (meaning.kind in _BUDS or not is_facts(meaning.table)):
                findings.warn(Sentence("warning.unused", file=meaning.table.source, columns=Listed(meaning.unused)))
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
    words = [plain(cell) for _, cells in sheet.rows for cell in cells if isinstance(cell, str)]
    codes = sum(len(word) == 1 and is_code(fold(word)) for word in words)
    headed = any(role_of(name) in ("nodes", "state", *BUD_NAMES) for table in left for name in table.names)
    said = sum(state_of(tokens(word)) is not None for word in words)
    if not headed and said < _SIGNS_OF_BUDS and 2 * codes < len(words):
        findings.warn(Sentence("import.note.aside", sheet=where))
        return []
    mark = left[0].layout if left else "no header"
    examples = tuple(" | ".join(map(plain, cells)) for _, cells in sheet.rows[:3])
    choices = (Choice("skip", Sentence("import.aside.skip")),)
    return [Proposal(f"{mark} aside", Sentence("import.aside", sheet=where), choices, None, False, examples)]


def _places(meaning: Meaning) -> bool:
    roles = set(meaning.roles.values())
    return bool(roles & PLACES) or {"row", "vine"} <= roles


def _passed_on(kind: str, meanings: Sequence[Meaning], findings: Findings) -> dict[str, pd.DataFrame]:
    """Return the tables of one kind as one, by vinemap's own columns; a table that lacks one is named."""
    layout = {"wood": WOOD, "shoots": SHOOTS}[kind]
    frames = []
    for table in (meaning.table for meaning in meanings):
        own = {squeeze(column.name): column.name for column in layout.columns}
        found = {own[squeeze(name)]: place for place, name in enumerate(table.names) if squeeze(name) in own}
        lacking = [column.name for column in layout.columns if column.required and column.name not in found]
        if lacking:
            said = Sentence(f"fault.lacks.{kind}", columns=Listed(lacking, most=None))
            findings.problem(table.source, table.header_row, "", said, Sentence("remedy.lacks"))
        frames.append(pd.DataFrame({name: table.column(place) for name, place in found.items()}))
    return {kind: pd.concat(frames, ignore_index=True)} if frames else {}


def _with_facts(
    blocks: gpd.GeoDataFrame,
    tables: Sequence[Headed],
    answers: Mapping[str, str],
    found: list[Outlines | Facts | Placed | RowLines],
) -> gpd.GeoDataFrame:
    for table in tables:
        facts = block_facts(table, blocks, answers)
        found.append(facts)
        blocks = facts.blocks
    return blocks


def _of_samples(meaning: Meaning, identities: Sequence[Identity | None]) -> tuple[Headed, dict[str, int]]:
    """Return what a table says of places, each sample by its name in the whole survey, and each role's column."""
    table = meaning.table
    kept = [place for place, role in meaning.roles.items() if role in PLACES or role in ("row", "vine", "date")]
    names = ("sample", "block", *(table.names[place] for place in kept))
    rows = [
        (number, [who.sample, who.block or None, *(cells[place] for place in kept)])
        for who, (number, cells) in zip(identities, table.rows, strict=True)
        if who is not None
    ]
    roles = {role: place for place, role in enumerate(("sample", "block", *(meaning.roles[place] for place in kept)))}
    return replace(table, names=names, rows=list(rows)), roles


def _missing(tables: Mapping[str, pd.DataFrame], cut: Sequence[str]) -> list[Problem]:
    """Name what no map can be made without, and samples of which nothing says where they are."""
    missing = [
        Problem(f"{stem}.*", None, "", Sentence(f"fault.import.no_{stem}"), Sentence(f"remedy.import.no_{stem}"))
        for stem in ("blocks", "buds")
        if stem not in tables
    ]
    samples = tables.get("samples")
    if missing or samples is None:
        return missing
    placed = samples[[name for name in ("lon", "block") if name in samples]].notna().any(axis=1)
    nowhere = [name for name in cut if name not in set(samples.loc[placed, "sample"])]
    if nowhere:
        counts = {"count": Figure(len(nowhere)), "all": Figure(len(cut))}
        said = Sentence("fault.import.nowhere", samples=Listed(nowhere), **counts)
        missing.append(Problem("samples.*", None, "", said, Sentence("remedy.import.nowhere")))
    return missing
