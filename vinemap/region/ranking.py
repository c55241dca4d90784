"""The adviser's own list of a region's vineyards: the worst first, and where more canes are worth most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd

from vinemap.columns import VINEYARDS
from vinemap.region.members import Member, Region
from vinemap.region.task import Outcome
from vinemap.sentences import Figure, Said, Sentence
from vinemap.states import Mapped
from vinemap.units import area_unit
from vinemap.web.templates import render

MOST_ROWS = 2000
"""Vineyards that the page lists of those that were mapped, and of those that were not: a browser shows so many well."""


def vineyards_table(members: Sequence[Member], outcomes: Mapping[str, Outcome]) -> pd.DataFrame:
    """Return the rows of private/vineyards.csv.

    Parameters
    ----------
    members : sequence of Member
    outcomes : mapping of str to Outcome
        By the name of the folder; one for every member.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.VINEYARDS`, the most injured first, those that were not mapped last.
    """
    table = pd.DataFrame([_row(member, outcomes[member.folder]) for member in members], columns=VINEYARDS.names)
    area = pd.Series([_widest_ha(outcomes[folder]) for folder in table["folder"]], table.index, dtype="Float64")
    worth = table["narrower_points"].astype("Float64") * area
    table["more_canes"] = worth.rank(method="first", ascending=False).astype("Int64")
    order = np.lexsort((table["folder"], -table["injury_pct"].astype("Float64").fillna(-1.0).to_numpy(np.float64)))
    return table.iloc[order].reset_index(drop=True)


def _widest_ha(outcome: Outcome) -> float | None:
    widest = None if outcome.figures is None else outcome.figures["widest"]
    return None if widest is None else widest["area_ha"]


def _row(member: Member, outcome: Outcome) -> dict[str, Any]:
    row: dict[str, Any] = {
        "folder": member.folder,
        "district": member.district,
        "grower": member.grower,
        "share": "yes" if member.share else "no",
        "state": str(outcome.state),
        "message": " | ".join(problem["en"] for problem in outcome.problems),
    }
    if outcome.figures is None:
        return row
    whole, widest = outcome.figures["whole"], outcome.figures["widest"] or {}
    injury = whole["injury_pct"]
    return row | {
        **{name: whole[name] for name in ("samples", "canes", "buds", "area_ha", "injury_pct")},
        "survival_pct": None if injury is None else 100 - injury,
        **{f"crop_{name}": whole[name] for name in ("loss_pct", "loss_low_pct", "loss_high_pct")},
        "warnings": len(outcome.figures["warnings"]),
        "widest_block": widest.get("block"),
        "narrower_points": widest.get("narrower_points"),
    }


def index_page(region: Region, table: pd.DataFrame, outcomes: Mapping[str, Outcome]) -> str:
    """Return the page for the adviser alone: every vineyard with its map, its warnings and its place in both rankings.

    Parameters
    ----------
    region : Region
    table : DataFrame
        Of `vineyards_table`.
    outcomes : mapping of str to Outcome
    """
    language, units = region.settings.language, region.settings.units
    per_hectare, unit = area_unit(units)
    rows = []
    shown = _listed(table)
    for row in shown.to_dict("records"):
        outcome = outcomes[row["folder"]]
        mapped = outcome.figures is not None
        said_of = outcome.problems if outcome.figures is None else outcome.figures["warnings"]
        rows.append(
            {
                **row,
                "mapped": mapped,
                "link": quote(row["folder"]),
                "injury": _figure(row["injury_pct"]),
                "loss": _within(row),
                "area": ""
                if not mapped
                else Sentence(f"page.unit.{unit}", value=Figure(row["area_ha"] * per_hectare, 1)),
                "told": [text.get(language, text["en"]) for text in said_of],
                "more": "" if pd.isna(row["more_canes"]) else Figure(row["more_canes"]),
                "where": _worth(row),
            }
        )
    faults = int(table["state"].isin([Mapped.WRONG, Mapped.FAILED]).sum())
    listed, all_of_them = Figure(len(shown)), Figure(len(table))

    def said(text: Any) -> str:
        return text.said(language) if isinstance(text, Said) else str(text)

    return render(
        "region/templates/index.html.j2",
        rows=rows,
        region=region,
        said=said,
        language=language,
        faults=Sentence.counted("region.faults", faults) if faults else "",
        left="" if len(shown) == len(table) else Sentence("region.index.left", listed=listed, all=all_of_them),
        word=lambda key, **values: Sentence(f"region.{key}", **values).said(language),
    )


def _listed(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that the page has room for: the most injured, and those that were not mapped."""
    mapped = table["state"].isin([Mapped.MAPPED, Mapped.UNCHANGED])
    return pd.concat([table[mapped].head(MOST_ROWS), table[~mapped].head(MOST_ROWS)])


def _figure(value: Any) -> Any:
    return "" if value is None or pd.isna(value) else Figure(value, 0, "%")


def _within(row: Mapping[Any, Any]) -> Any:
    value, low, high = (row[f"crop_loss{end}_pct"] for end in ("", "_low", "_high"))
    if pd.isna(value) or pd.isna(low):
        return _figure(value)
    return Sentence("report.within", value=Figure(value), low=Figure(low), high=Figure(high))


def _worth(row: Mapping[Any, Any]) -> Any:
    if pd.isna(row["narrower_points"]):
        return ""
    return Sentence("region.narrower", block=row["widest_block"], points=Figure(row["narrower_points"], 1))
