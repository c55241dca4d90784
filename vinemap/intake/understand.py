"""From people's own files to the tables of a vineyard folder: one pure function, run again with every answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from vinemap.errors import Findings, Problem
from vinemap.intake.headings import Headed, find_tables
from vinemap.intake.lexicon import role_of
from vinemap.intake.questions import Proposal, unanswered
from vinemap.intake.sources import Layer, open_sources
from vinemap.sentences import Sentence


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
        Tidy tables by the stem of their file: ``blocks`` and ``samples`` (GeoDataFrames with a CRS), ``buds`` and
        others. Complete only when nothing is open and there are no problems.
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
    answers = dict(answers or {})
    findings = Findings()
    sources = open_sources(files, findings)
    headed = [table for sheet in sources.sheets for table in find_tables(sheet)]
    tables: dict[str, pd.DataFrame] = {}
    blocks = _blocks(sources.layers)
    if blocks is not None:
        tables["blocks"] = blocks
    proposals: list[Proposal] = []
    for table in headed:
        stem = _stem(table)
        if stem is not None:
            tables[stem] = pd.DataFrame([list(cells) for _, cells in table.rows], columns=list(table.names))
    if (missing := _missing(tables)) and not findings.problems:
        findings.problems.extend(missing)
    return Understanding(
        tuple(proposals),
        answers,
        tables,
        tuple(sources.grids),
        {},
        _once_each([*sources.notes, *findings.warnings]),
        tuple(dict.fromkeys(findings.problems)),
    )


def _blocks(layers: list[Layer]) -> gpd.GeoDataFrame | None:
    for layer in layers:
        if layer.frame.geom_type.isin(("Polygon", "MultiPolygon")).all():
            return layer.frame
    return None


def _stem(table: Headed) -> str | None:
    roles = {role_of(name) for name in table.names}
    if "sample" in roles and {"primary", "primary_dead"} & roles:
        return "buds"
    return "samples" if "sample" in roles and {"lon", "lat"} <= roles else None


def _missing(tables: Mapping[str, pd.DataFrame]) -> list[Problem]:
    return []


def _once_each(notes: list[Sentence]) -> tuple[Sentence, ...]:
    return tuple(dict.fromkeys(notes))
