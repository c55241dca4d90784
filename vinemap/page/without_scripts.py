"""What the page shows where scripts are off, as in mail and previews of files: a still map and the tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.decisions.actions import task_sentence
from vinemap.sentences import Figure, Said, Sentence
from vinemap.settings import Settings
from vinemap.web.still import still_map
from vinemap.web.templates import render


def without_scripts(
    blocks: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    surface: xr.Dataset,
    settings: Settings,
    name: str,
    *,
    spring: bool,
) -> str:
    """Return, as markup, a still map with the tables of blocks and zones, in the language of the settings.

    Parameters
    ----------
    blocks, zones : GeoDataFrame
        Columns of blocks.csv and zones.csv, in the CRS of the surface.
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
        t=lambda key: Sentence(f"page.{key}").said(settings.language),
    )


def _said(cells: tuple[Any, ...], language: str) -> list[str]:
    return [cell.said(language) if isinstance(cell, Said) else str(cell) for cell in cells]


def _dead(row: Mapping[Any, Any]) -> Sentence | str:
    if pd.isna(row["map_injury_pct"]):
        return ""
    ends = {"value": "map_injury_pct", "low": "map_low_pct", "high": "map_high_pct"}
    return Sentence("report.within", **{name: Figure(row[column]) for name, column in ends.items()})
