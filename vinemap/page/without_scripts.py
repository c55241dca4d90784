"""What the page shows where scripts are off, as in mail and previews of files: a still map and the tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby
from operator import itemgetter
from typing import Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.decisions.actions import task_sentence
from vinemap.decisions.work_words import at_words, days_words, takes_words
from vinemap.sentences import Figure, Listed, Said, Sentence
from vinemap.settings import Settings
from vinemap.web.still import still_map
from vinemap.web.templates import render


def without_scripts(
    blocks: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    work: pd.DataFrame | None,
    surface: xr.Dataset,
    settings: Settings,
    name: str,
    *,
    spring: bool,
) -> str:
    """Return, as markup, a still map with the tables of blocks, zones and work, in the language of the settings.

    Parameters
    ----------
    blocks, zones : GeoDataFrame
        Columns of blocks.csv and zones.csv, in the CRS of the surface.
    work : DataFrame or None
        Columns of worklist.csv.
    surface : Dataset (y, x)
        Has ``primary_injury``.
    settings : Settings
        Language and units.
    name : str
        Of the vineyard.
    spring : bool
        Whether what grew decides.
    """
    ranked = blocks.sort_values("map_injury_pct", ascending=False, na_position="last")
    rows = [
        (number, row["block"], _dead(row), Sentence(f"page.action.{row['action']}"))
        for number, row in enumerate(ranked.drop(columns="geometry").to_dict("records"), start=1)
    ]
    works = [
        (
            row["zone"],
            row["block"],
            "" if pd.isna(row["vines"]) else Figure(row["vines"]),
            task_sentence(row, spring=spring),
        )
        for row in zones.drop(columns="geometry").to_dict("records")
    ]
    return render(
        "page/templates/without_scripts.html.j2",
        language=settings.language,
        name=name,
        drawing=still_map(ranked, None, surface, settings.units),
        blocks=[_said(row, settings.language) for row in rows],
        zones=[_said(row, settings.language) for row in works],
        work=[] if work is None else list(_due(work, settings.language)),
        t=lambda key: Sentence(f"page.{key}").said(settings.language),
    )


def _due(work: pd.DataFrame, language: str) -> Iterator[tuple[str, list[list[str]]]]:
    """Yield each season in its turn with its lines: number, task, where, what it takes."""
    for when, lines in groupby(work.to_dict("records"), itemgetter("when")):
        rows = [
            (Figure(line["visit"]), Sentence(f"page.action.{line['task']}"), at_words(line), _takes(line))
            for line in lines
        ]
        yield Sentence(f"page.work.due.{when}").said(language), [_said(row, language) for row in rows]


def _takes(line: Mapping[Any, Any]) -> Listed:
    days = days_words(line)
    return Listed([*takes_words(line), *([] if days is None else [days])], between=" · ")


def _said(cells: tuple[Any, ...], language: str) -> list[str]:
    return [cell.said(language) if isinstance(cell, Said) else str(cell) for cell in cells]


def _dead(row: Mapping[Any, Any]) -> Sentence | str:
    if pd.isna(row["map_injury_pct"]):
        return ""
    ends = {"value": "map_injury_pct", "low": "map_low_pct", "high": "map_high_pct"}
    return Sentence("report.within", **{name: Figure(row[column]) for name, column in ends.items()})
