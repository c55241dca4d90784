"""The report of a map: losses with their intervals, what they rest on, and what programmes ask."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.decisions.actions import printed
from vinemap.decisions.evidence import cut_sentence
from vinemap.exports.summary import likely
from vinemap.sentences import Figure, Said, Sentence
from vinemap.settings import Settings
from vinemap.units import area_unit
from vinemap.web.still import StillMap, still_map
from vinemap.web.templates import render

_MOST_ROWS = 14
_MAP_MM = (30, 66)
"""Least and greatest height of the map."""
_LINE_MM, _USUAL_LINES = 5, 8


@dataclass(frozen=True)
class Report:
    """What the report shows, in one language; `said` says a text of it.

    Attributes
    ----------
    language : str
    name : str
        Of the vineyard.
    facts : list of (Sentence, Sentence or str)
        What stands under the title: a label and what it says.
    loss : list of Sentence
        The whole vineyard's crop, in a few lines, the first of them the figure itself.
    drawing : StillMap
    varieties, injury, crops, trunks : list of list
        Rows of the tables, cell by cell; the first row of each holds the headings.
    wood, method, deadlines, cautions, warnings : list of Sentence or str
    versions : list of (str, str)
        Program and libraries.
    inputs : list of (str, str)
        Files that were read, with their SHA-256.
    """

    language: str
    name: str
    facts: list[tuple[Sentence, Sentence | str]]
    loss: list[Sentence]
    drawing: StillMap
    varieties: list[list[Any]]
    injury: list[list[Any]]
    crops: list[list[Any]]
    wood: list[Sentence]
    trunks: list[list[Any]]
    method: list[Sentence]
    deadlines: list[Sentence]
    cautions: list[Sentence]
    warnings: list[Sentence]
    versions: list[tuple[str, str]]
    inputs: list[tuple[str, str]]

    @property
    def varieties_at_first(self) -> list[list[Any]]:
        """The table of varieties as the first page has it: the whole vineyard alone where there are too many."""
        return self.varieties if len(self.varieties) <= _MOST_ROWS else [self.varieties[0], self.varieties[-1]]

    @property
    def map_height_mm(self) -> int:
        """Height of the map by which the first page holds the rest too, on A4 and Letter alike."""
        lines = len(self.varieties_at_first) + len(self.deadlines)
        return max(_MAP_MM[0], _MAP_MM[1] - _LINE_MM * max(lines - _USUAL_LINES, 0))

    def said(self, text: Any) -> str:
        """Return a sentence, a figure or plain text in the report's language."""
        return text.said(self.language) if isinstance(text, Said) else str(text)

    def __call__(self, key: str, **values: Any) -> str:
        """Return the sentence of a key in the report's language."""
        return Sentence(f"report.{key}", **values).said(self.language)

    def html(self) -> str:
        """Return the report as one page of HTML that needs no network and runs no script."""
        return render("report/templates/report.html.j2", report=self)


def map_report(
    *,
    blocks: gpd.GeoDataFrame,
    samples: gpd.GeoDataFrame,
    surface: xr.Dataset,
    run: Mapping[str, Any],
    settings: Settings,
) -> Report:
    """Put together the report of a map made before budbreak.

    Parameters
    ----------
    blocks, samples : GeoDataFrame
        Rows of blocks.csv and samples.csv, in the CRS of the surface.
    surface : Dataset (y, x)
        Has ``primary_injury``.
    run : mapping
        What run.json says: name, made, vinemap, python, libraries, scores, warnings, inputs, crop_loss.
    settings : Settings
    """
    ranked = blocks.sort_values("map_injury_pct", ascending=False, na_position="last")
    losses, trunks = run["crop_loss"], _trunks(ranked, settings)
    return Report(
        language=settings.language,
        name=run["name"],
        facts=_facts(blocks, samples, run, settings),
        loss=loss_sentences(losses, settings),
        drawing=still_map(ranked, samples, surface, settings.units),
        varieties=_varieties(losses, settings),
        injury=_injury(ranked, settings),
        crops=_crops(ranked),
        wood=_wood(trunks, settings),
        trunks=trunks,
        method=[*(Sentence(f"report.method.{part}") for part in _METHOD), *run["held_out"]],
        deadlines=_deadlines(settings),
        cautions=[Sentence(f"report.caution.{part}") for part in _CAUTIONS],
        warnings=list(run["warnings"]),
        versions=[("vinemap", run["vinemap"]), ("Python", run["python"]), *run["libraries"].items()],
        inputs=list(run["inputs"].items()),
    )


_METHOD = ("cut", "counts", "surface", "crop")
_CAUTIONS = ("figures", "office", "vines", "buds", "advice")


def loss_sentences(losses: Iterable[Mapping[Any, Any]], settings: Settings) -> list[Sentence]:
    """Say how much of the whole vineyard's crop is lost, how blocks count in it, and what is left out.

    Parameters
    ----------
    losses : iterable of mapping
        Rows of `vinemap.decisions.crop_loss.crop_losses`.
    settings : Settings
    """
    whole = next(row for row in losses if row["whole"])
    if pd.isna(whole["loss_pct"]):
        return [Sentence("report.loss.unknown")]
    ends = {name: Figure(whole[f"loss{end}_pct"]) for name, end in (("loss", ""), ("low", "_low"), ("high", "_high"))}
    said = [Sentence("report.loss", **ends), Sentence(f"report.loss.{'by_yield' if whole['by_yield'] else 'by_area'}")]
    rest = whole["area_ha"] - whole["counted_ha"]
    if printed(rest) > 0:
        said.append(Sentence("report.loss.left_out", area=_area(rest, settings)))
    return said


def _facts(
    blocks: pd.DataFrame, samples: pd.DataFrame, run: Mapping[str, Any], settings: Settings
) -> list[tuple[Sentence, Sentence | str]]:
    own, cut = settings.report, _days(samples)
    sums = {"samples": int(blocks["samples"].sum()), "nodes": int(blocks["nodes"].sum())}
    canes = blocks["canes"].sum() if blocks["canes"].notna().all() else pd.NA
    ground: dict[str, Sentence | Figure] = {
        "blocks": Sentence.counted("count.blocks", len(blocks)),
        "area": _area(blocks["area_ha"].sum(), settings),
    }
    if blocks["vines"].notna().all():
        ground["vines"] = Figure(blocks["vines"].sum())
    facts: dict[str, Sentence | str] = {
        "ground": Sentence("report.ground.vines" if "vines" in ground else "report.ground", **ground),
        "freeze": _day(settings.event_date),
        "cut": " – ".join(dict.fromkeys(day.isoformat() for day in cut)) or Sentence("report.not_given"),
        "cut_by": own.cut_by or Sentence("report.not_given"),
        "rests": cut_sentence(sums | {"canes": canes}),
        "made": Sentence("report.made", date=run["made"][:10], version=run["vinemap"]),
    }
    if own.prepared_for:
        facts["prepared_for"] = own.prepared_for
    return [(Sentence(f"report.fact.{name}"), said) for name, said in facts.items()]


def _days(samples: pd.DataFrame) -> list[dt.date]:
    """Return the first and the last day of the samples; none where no sample has one."""
    days = sorted(pd.to_datetime(samples["date"]).dropna().dt.date) if "date" in samples else []
    return [days[0], days[-1]] if days else []


def _day(day: dt.date | None) -> Sentence | str:
    return Sentence("report.not_given") if day is None else day.isoformat()


def _heads(*names: str, **values: Any) -> list[Any]:
    return [Sentence(f"report.head.{name}", **values) for name in names]


def _varieties(losses: Iterable[Mapping[Any, Any]], settings: Settings) -> list[list[Any]]:
    limit = Figure(settings.report.crop_loss_over_pct)
    rows = [[*_heads("variety", "area", "vines", "loss"), Sentence("report.head.over", limit=limit)]]
    for row in losses:
        name = Sentence("report.whole") if row["whole"] else row["variety"] or Sentence("report.unknown_variety")
        over = "" if pd.isna(row["over_pct"]) else likely(row["over_pct"])
        rows.append(
            [name, _area(row["area_ha"], settings, short=True), _number(row["vines"]), _within(row, "loss"), over]
        )
    return rows


def _injury(blocks: pd.DataFrame, settings: Settings) -> list[list[Any]]:
    heads = _heads("number", "block", "variety", "area", "vines", "rests", "map", "cut", "secondary", "no_live_bud")
    rows = [heads]
    for number, row in enumerate(blocks.to_dict("records"), start=1):
        rows.append(
            [
                str(number),
                row["block"],
                "" if pd.isna(row["variety"]) else row["variety"],
                _area(row["area_ha"], settings, short=True),
                _number(row["vines"]),
                cut_sentence(row),
                _within(row, "map", "map_injury_pct"),
                _within(row, "injury"),
                _within(row, "secondary"),
                _within(row, "no_live_bud"),
            ]
        )
    return rows


def _crops(blocks: pd.DataFrame) -> list[list[Any]]:
    rows = [_heads("number", "block", "task", "keep", "before", "after")]
    for number, row in enumerate(blocks.to_dict("records"), start=1):
        action, keep = Sentence(f"page.action.{row['action']}"), row["nodes_to_keep"]
        crops = [_within(row, f"crop_{when}") for when in ("before", "after")]
        rows.append([str(number), row["block"], action, "" if pd.isna(keep) else Figure(keep), *crops])
    return rows


def _within(row: Mapping[Any, Any], stem: str, middle: str = "") -> Any:
    """Return a percentage with its interval; nothing where it is not known."""
    value, low, high = row[middle or f"{stem}_pct"], row[f"{stem}_low_pct"], row[f"{stem}_high_pct"]
    if pd.isna(value):
        return ""
    if pd.isna(low) or pd.isna(high):
        return Figure(value, 0, "%")
    # A crop's low end stands first, whichever end of the injury it goes with.
    low, high = sorted((low, high))
    return Sentence("report.within", value=Figure(value), low=Figure(low), high=Figure(high))


def _wood(trunks: list[list[Any]], settings: Settings) -> list[Sentence]:
    """Say how many blocks lie above the limit, with the trunks that were found dead."""
    usual, limit = settings.report.normal_mortality_pct, settings.report.stand_loss_over_pct
    found = [row[-1].key for row in trunks[1:]]
    if not found:
        return [Sentence("report.wood.none")]
    known = {"limit": Figure(limit)} | ({} if usual is None else {"usual": Figure(usual)})
    counts = {held: Figure(found.count(f"report.wood.{held}")) for held in ("above", "below", "unclear")}
    return [
        Sentence("report.wood.limit.unknown" if usual is None else "report.wood.limit", **known),
        Sentence("report.wood.counts", **counts),
    ]


def _trunks(blocks: pd.DataFrame, settings: Settings) -> list[list[Any]]:
    """Hold the dead trunks of each block whose trunks were looked at against the limit."""
    past = settings.report.stand_loss_over_pct + (settings.report.normal_mortality_pct or 0.0)
    rows = [_heads("number", "block", "looked_at", "dead_trunks", "dead_share", "against")]
    for number, row in enumerate(blocks.to_dict("records"), start=1):
        if pd.isna(row["trunk_dead_read"]) or not row["trunk_dead_read"]:
            continue
        low, high = printed(row["trunk_dead_low_pct"]), printed(row["trunk_dead_high_pct"])
        held = "above" if low > past else "below" if high <= past else "unclear"
        counts = [Figure(row[f"trunk_dead_{count}"]) for count in ("read", "vines")]
        against = Sentence(f"report.wood.{held}")
        rows.append([str(number), row["block"], *counts, _within(row, "trunk_dead"), against])
    return rows


def _deadlines(settings: Settings) -> list[Sentence]:
    days = sorted(settings.report.deadlines.items(), key=lambda item: item[1])
    given = [Sentence("report.deadline", what=what, day=day.isoformat()) for what, day in days]
    return [*given, Sentence("report.deadline.ask")]


def _area(hectares: float, settings: Settings, *, short: bool = False) -> Sentence:
    per_hectare, unit = area_unit(settings.units)
    return Sentence(f"page.unit.{'ac' if short and unit == 'acres' else unit}", value=Figure(hectares * per_hectare, 1))


def _number(value: float) -> Any:
    return "" if pd.isna(value) else Figure(value)
