"""From tables and the grid to the crew sheets: one HTML file that prints a page a block."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.decisions.actions import NODES_TWICE, advice_key, number_sentences, twice_sentences
from vinemap.decisions.aftercare import care_sentences
from vinemap.decisions.checks import wood_sentences
from vinemap.decisions.zone_places import where_sentence
from vinemap.rules import Rules
from vinemap.sentences import Sentence, ruled
from vinemap.settings import Settings
from vinemap.sheet.sheet_words import Words
from vinemap.sheet.work_lines import WorkLine, work_lines
from vinemap.sheet.zone_map import BlockMap, block_maps
from vinemap.states import NUMBERED, Action, Evidence
from vinemap.web.templates import render

LANGUAGES = ("en", "es")

_CAUTIONS = ("tools", "gloves", "cold", "buds", "budbreak", "look_alike", "advice")
_FIGURES = ("nodes", "dead", "area", "vines")


@dataclass(frozen=True)
class ZoneLine:
    """A zone in its block's table: number, action as code and in words, where it lies, what was cut in it, figures."""

    number: int
    code: str
    action: str
    where: str
    cut: str
    figures: dict[str, str]


@dataclass(frozen=True)
class BlockPage:
    """A block's page, as plain text but for the map."""

    block: str
    facts: str
    action: str
    todo: str
    drawing: BlockMap
    zones: list[ZoneLine]
    watch: list[str]


@dataclass(frozen=True)
class CrewSheet:
    """The sheets of a vineyard in one language: what stands on every page, a page a block, the work; all plain text."""

    words: Words
    title: str
    made: str
    caption: str
    credit: str
    cautions: list[str]
    figures: tuple[str, ...]
    pages: list[BlockPage]
    work: list[WorkLine]
    terms: str

    def html(self, *, own_style: bool = False) -> str:
        """Return the sheets as one page of HTML that needs no network and runs no script.

        Parameters
        ----------
        own_style : bool
            Whether each drawing carries the style of drawings inside it.
        """
        return render("sheet/templates/sheet.html.j2", sheet=self, own_style=own_style)


def crew_sheet(
    *,
    blocks: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    terrain: xr.Dataset | None,
    settings: Settings,
    name: str,
    language: str,
    made: dt.date,
    spring: bool = False,
    credit: str = "",
    drawings: Sequence[BlockMap] | None = None,
    work: pd.DataFrame | None = None,
    canes: pd.DataFrame | None = None,
) -> CrewSheet:
    """Put together the crew sheets.

    Parameters
    ----------
    blocks : GeoDataFrame
        Rows of blocks.csv: block, variety, area_ha, vines, action, grade, own_rooted, hilled, trunks_hurt,
        target_nodes, nodes_to_keep and its interval, the nodes of pruning twice, extra_pct, map_injury_pct, geometry.
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`.
    terrain : Dataset (y, x) or None
        elevation_m beyond the blocks, north up, in their CRS, for the shading.
    settings : Settings
        Units, the date of the freeze, the rules.
    name : str
        Of the vineyard.
    language : str
        One of `LANGUAGES`.
    made : date
        Of the map.
    spring : bool
        Whether what grew decides: no nodes are counted out, and injury_pct of the zones is of nodes with no shoot.
    credit : str
        Whom the elevation grid names as its source, printed beside its shading.
    drawings : sequence of BlockMap, optional
        Of `block_maps`, where another language's sheets have them already: they hold no words.
    work, canes : DataFrame, optional
        Rows of worklist.csv and more_canes.csv: the work is then listed in its order, before the blocks.
    """
    words = Words(language, settings.units, spring=spring)
    maps = block_maps(blocks, zones, terrain, settings.units) if drawings is None else drawings
    shaded = any(drawing.hillshade is not None for drawing in maps)
    freeze = "" if settings.event_date is None else words("freeze", date=words.date(settings.event_date))
    pages = []
    of_block = dict(list(zones.groupby("block", sort=False)))
    for drawing, (_, block) in zip(maps, blocks.iterrows(), strict=True):
        here = of_block.get(block["block"], zones.iloc[:0])
        pages.append(_page(block, here, drawing, words, settings))
    return CrewSheet(
        words=words,
        title=words("title", name=name),
        made=words("made", name=name, freeze=freeze, date=words.date(made)),
        caption=words("caption_shaded" if shaded else "caption"),
        credit=words("heights", credit=credit) if credit and shaded else "",
        cautions=[words(f"caution.{key}") for key in _CAUTIONS],
        figures=_FIGURES[1:] if spring else _FIGURES,
        pages=pages,
        work=[] if work is None else work_lines(work, zones, canes, words, spring=spring),
        terms=_terms(words, settings),
    )


def _terms(words: Words, settings: Settings) -> str:
    """Say whose days the list of work counts, and what of it is assumed."""
    work, labour = settings.work, settings.actions.rules.work
    given = {"crew", "hours_a_day"} <= work.model_fields_set
    crew = words("work.hint" if given else "work.hint_assumed", crew=f"{work.crew}", hours=f"{work.hours_a_day:g}")
    sources = (ruled("work.source", labour.source), ruled("work.caution", labour.caution))
    said = (text.said(words.language) if isinstance(text, Sentence) else text for text in sources)
    return " ".join([crew, *(text if text.endswith(".") else f"{text}." for text in said)])


def write_sheet(sheet: CrewSheet, path: Path) -> None:
    """Write the crew sheets as an HTML file."""
    path.write_text(sheet.html(), encoding="utf-8")


def _page(
    block: pd.Series[Any], zones: gpd.GeoDataFrame, drawing: BlockMap, words: Words, settings: Settings
) -> BlockPage:
    variety = f"{block['variety']}, " if pd.notna(block["variety"]) else ""
    counted = pd.notna(block["vines"])
    facts = words(
        "facts" if counted else "facts_no_vines",
        variety=variety,
        area=words.area(block["area_ha"]),
        vines=words.number(block["vines"]) if counted else "",
    )
    return BlockPage(
        block=str(block["block"]),
        facts=facts,
        action=words("by_zone" if block["action"] == Action.BY_ZONE else f"action.{block['action']}"),
        todo=_todo(block, words, settings.actions.rules),
        drawing=drawing,
        zones=[_line(zone, words) for _, zone in zones.iterrows()],
        watch=_watch(block, zones, words, settings),
    )


def _todo(block: pd.Series[Any], words: Words, rules: Rules) -> str:
    """Say what the block's action means, with its nodes and their interval."""
    row = block.to_dict()
    numbers = number_sentences(row) if row["action"] in NUMBERED else twice_sentences(row, rules)
    said = [sentence.said(words.language) for sentence in numbers]
    return " ".join(said if row["action"] == Action.AS_USUAL else [words(advice_key(row)), *said])


def _line(zone: pd.Series[Any], words: Words) -> ZoneLine:
    cut = words("cut", nodes=words.number(zone["nodes"])) if zone["nodes"] else words("cut.none")
    figures = {
        "nodes": _nodes(zone, words),
        "dead": _injury(zone, words),
        "area": words.area(zone["area_ha"], short=True),
        "vines": words.number(zone["vines"]) if pd.notna(zone["vines"]) else "",
    }
    place = where_sentence(zone.to_dict(), words.units)
    where = "" if place is None else place.said(words.language)
    return ZoneLine(zone["zone"], zone["action"], words(f"action.{zone['action']}"), where, cut, figures)


def _injury(zone: pd.Series[Any], words: Words) -> str:
    if pd.isna(zone["injury_pct"]):
        return ""
    figure = f"{words.number(zone['injury_pct'])} %"
    return words.within(figure, zone["injury_low_pct"], zone["injury_high_pct"])


def _nodes(zone: pd.Series[Any], words: Words) -> str:
    if pd.notna(zone["nodes_to_keep"]):
        figure = words.number(zone["nodes_to_keep"])
        return words.within(figure, zone["nodes_to_keep_low"], zone["nodes_to_keep_high"])
    if zone["action"] == Action.KEEP_MORE:
        return words("nodes_extra", extra=words.number(zone["extra_pct"]))
    if pd.notna(zone.get("nodes_now_low")):
        low, high, after = (words.number(zone[name]) for name in NODES_TWICE)
        return words("zones.twice", low=low, high=high, after=after)
    return "" if zone["action"] in (Action.AS_USUAL, Action.NO_DATA) else words("nodes_all")


def _watch(block: pd.Series[Any], zones: gpd.GeoDataFrame, words: Words, settings: Settings) -> list[str]:
    """Say what to look out for in this block."""
    points = []
    if zones["nodes_to_keep"].notna().any():
        points.append(words("watch.count"))
    if block["trunks_hurt"] and zones["action"].isin(NUMBERED).any():
        points.insert(0, words("do.trunks_hurt"))
    unheard = zones["evidence"].ne(Evidence.ENOUGH) & zones["action"].ne(Action.NO_DATA)
    unsure = zones.loc[zones["sure_pct"].lt(settings.actions.rules.evidence.unsure_under_pct) | unheard, "zone"]
    if len(unsure):
        points.append(words("watch.unsure", zones=", ".join(map(str, unsure))))
    points.append(words("watch.wood"))
    rules = settings.actions.rules
    points += [sentence.said(words.language) for sentence in wood_sentences(block.to_dict(), rules)]
    care = care_sentences(block.to_dict(), {block["action"], *zones["action"]}, rules)
    points += [sentence.said(words.language) for sentence in care]
    hurt = zones["injury_pct"].max().round(1) > rules.wood.likely_over_pct
    if hurt and not any(sentence.key == "page.care.suckers" for sentence in care):
        points.append(words("watch.suckers"))
    return points
