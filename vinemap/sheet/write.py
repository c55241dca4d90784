"""From tables and the grid to the crew sheets: one HTML file that prints a page a block."""

from __future__ import annotations

import datetime as dt
from html import escape
from pathlib import Path
from string import Template
from typing import Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.decisions.actions import AS_USUAL, KEEP_MORE, LOOK_AGAIN, NO_DATA, REPLANT, RETRAIN
from vinemap.resources import asset, texts
from vinemap.settings import Settings
from vinemap.sheet.ground import Shade, block_map
from vinemap.units import area_unit

_SHEET = "vinemap.sheet"

LANGUAGES = ("en", "es")

_CAUTIONS = ("tools", "gloves", "cold", "buds", "budbreak", "look_alike", "advice")
_UNSURE_PCT = 70.0
_COLUMNS = ("zone", "action", "nodes", "dead", "area", "vines", "done")
_FIGURES = frozenset(("nodes", "dead", "area", "vines"))


def write_sheet(
    path: Path,
    *,
    blocks: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    ground: xr.Dataset | None,
    settings: Settings,
    name: str,
    language: str,
    made: dt.date,
) -> None:
    """Write the crew sheets.

    Parameters
    ----------
    path : Path
        HTML file to write; needs no network.
    blocks : GeoDataFrame
        Rows of blocks.csv: block, variety, area_ha, vines, action, trunks_hurt, target_nodes, nodes_to_keep and its
        bounds, extra_pct, map_injury_pct, geometry.
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`.
    ground : Dataset (y, x) or None
        elevation_m beyond the blocks, north up, in their CRS, for the shading.
    settings : Settings
        Units, the date of the freeze, the rules.
    name : str
        Of the vineyard.
    language : str
        One of `LANGUAGES`.
    made : date
        Of the map.

    Notes
    -----
    Names from the input are escaped; no script runs in the file.
    """
    words = _Words(language, settings.units)
    shade = Shade.of(ground)
    date = words.date(made)
    freeze = "" if settings.event_date is None else words("freeze", date=words.date(settings.event_date))
    head = escape(words("made", name=name, freeze=freeze, date=date))
    pages = []
    for place, (_, block) in enumerate(blocks.iterrows()):
        here = zones[zones["block"] == block["block"]]
        others = blocks.geometry.drop(blocks.index[place])
        drawing = block_map(block["geometry"], here, others, shade, settings.units, escape(words("north")))
        pages.append(
            _template("block.html").substitute(
                **_block_words(block, here, words, settings),
                map=drawing,
                made=head,
                caption=escape(words("caption" if shade is None else "caption_shaded")),
            )
        )
    style = asset(_SHEET, "sheet.css") + asset(_SHEET, "drawing.css")
    title = escape(words("title", name=name))
    whole = _template("sheet.html").substitute(language=language, title=title, style=style, pages="\n".join(pages))
    path.write_text(whole, encoding="utf-8")


class _Words:
    """The words and numbers of one language, as plain text: escape before they go into the page."""

    def __init__(self, language: str, units: str) -> None:
        # What to do is said in the page's own words.
        self._texts = texts("vinemap.page")[language] | texts(_SHEET)[language]
        self._units, self._language = units, language

    def __call__(self, key: str, **values: object) -> str:
        return self._texts[key].format(**values)

    def number(self, value: float, decimals: int = 0) -> str:
        """Return a number with the language's decimal sign."""
        text = f"{value:.{decimals}f}"
        return text.replace(".", ",") if self._language == "es" else text

    def within(self, figure: str, low: float, high: float) -> str:
        """Return a figure with its bounds, where it has any; the upper one may be missing."""
        if pd.isna(low) or low == high:
            return figure
        key = "range.or_more" if pd.isna(high) else "range"
        return f"{figure} ({self(key, low=self.number(low), high=self.number(high))})"

    def area(self, hectares: float) -> str:
        per_hectare, unit = area_unit(self._units)
        return self(f"unit.{unit}", value=self.number(hectares * per_hectare, 2))

    def date(self, day: dt.date) -> str:
        """Return a date that cannot be misread: year, month, day (ISO 8601)."""
        return day.isoformat()


def _block_words(block: pd.Series[Any], zones: gpd.GeoDataFrame, words: _Words, settings: Settings) -> dict[str, str]:
    """Return everything on a block's page but its map, escaped."""
    variety = f"{block['variety']}, " if pd.notna(block["variety"]) else ""
    counted = pd.notna(block["vines"])
    facts = words(
        "facts" if counted else "facts_no_vines",
        variety=variety,
        area=words.area(block["area_ha"]),
        vines=words.number(block["vines"]) if counted else "",
    )
    # A block's average beside zones that say otherwise would be two orders at once.
    by_zone = len(zones[["action", "nodes_to_keep"]].drop_duplicates()) > 1
    cautions = [words(f"caution.{key}") for key in _CAUTIONS]
    cells = (
        f'<th class="figure">{escape(words(key))}</th>' if key in _FIGURES else _th(words(key)) for key in _COLUMNS
    )
    return {
        "block": escape(str(block["block"])),
        "facts": escape(facts),
        "action": escape(words("by_zone" if by_zone else f"action.{block['action']}")),
        "todo": escape(words("by_zone_text") if by_zone else _todo(block, words)),
        "head": "".join(cells),
        "rows": "\n".join(_row(zone, words) for _, zone in zones.iterrows()),
        "watch_title": escape(words("watch")),
        "watch": _items(_watch(block, zones, words, settings)),
        "cautions_title": escape(words("cautions.title")),
        "cautions": _items(cautions),
        "notes_title": escape(words("notes")),
        "notes_fields": escape(words("notes_fields")),
    }


def _todo(block: pd.Series[Any], words: _Words) -> str:
    """Say what the block's action means, with its nodes and their bounds."""
    sentences = [words(f"do.{block['action']}")]
    if block["action"] in (AS_USUAL, KEEP_MORE):
        if pd.notna(block["nodes_to_keep"]):
            keep, usual = words.number(block["nodes_to_keep"]), words.number(block["target_nodes"])
            low, high = block["nodes_to_keep_low"], block["nodes_to_keep_high"]
            sentences.append(words("do.nodes", keep=keep, usual=usual))
            if pd.isna(high):
                sentences.append(words("do.nodes_or_more", low=words.number(low)))
            elif low < high:
                sentences.append(words("do.nodes_bounds", low=words.number(low), high=words.number(high)))
        elif block["action"] == KEEP_MORE:
            sentences.append(words("do.extra", extra=f"{words.number(block['extra_pct'])} %"))
    return " ".join(sentences)


def _row(zone: pd.Series[Any], words: _Words) -> str:
    swatch = f'<svg viewBox="0 0 10 7"><rect class="zone {zone["action"]}" width="10" height="7"/></svg>'
    figures = [
        _nodes(zone, words),
        _injury(zone, words),
        words.area(zone["area_ha"]),
        words.number(zone["vines"]) if pd.notna(zone["vines"]) else "",
    ]
    cells = "".join(f'<td class="figure">{escape(figure)}</td>' for figure in figures)
    name = escape(words(f"action.{zone['action']}"))
    ends = f'<th scope="row">{zone["zone"]}</th>', '<td><span class="tick"></span></td>'
    return f"<tr>{ends[0]}<td>{swatch} {name}</td>{cells}{ends[1]}</tr>"


def _injury(zone: pd.Series[Any], words: _Words) -> str:
    if pd.isna(zone["injury_pct"]):
        return ""
    figure = f"{words.number(zone['injury_pct'])} %"
    return words.within(figure, zone["injury_low_pct"], zone["injury_high_pct"])


def _nodes(zone: pd.Series[Any], words: _Words) -> str:
    if pd.notna(zone["nodes_to_keep"]):
        figure = words.number(zone["nodes_to_keep"])
        return words.within(figure, zone["nodes_to_keep_low"], zone["nodes_to_keep_high"])
    if zone["action"] == KEEP_MORE:
        return words("nodes_extra", extra=words.number(zone["extra_pct"]))
    return "" if zone["action"] in (AS_USUAL, NO_DATA) else words("nodes_all")


def _watch(block: pd.Series[Any], zones: gpd.GeoDataFrame, words: _Words, settings: Settings) -> list[str]:
    """Say what to look out for in this block."""
    points = []
    if zones["nodes_to_keep"].notna().any():
        points.append(words("watch.count"))
    if block["trunks_hurt"] and zones["action"].isin((AS_USUAL, KEEP_MORE)).any():
        points.insert(0, words("do.trunks_hurt"))
    unsure = zones.loc[zones["sure_pct"] < _UNSURE_PCT, "zone"]
    if len(unsure):
        points.append(words("watch.unsure", zones=", ".join(map(str, unsure))))
    points.append(words("watch.wood"))
    hurt = zones["injury_pct"].max() > settings.actions.rules.wood.likely_over_pct
    if hurt or block["action"] in (LOOK_AGAIN, RETRAIN, REPLANT):
        points.append(words("watch.suckers"))
    return points


def _items(sentences: list[str]) -> str:
    return "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)


def _th(text: str) -> str:
    return f"<th>{escape(text)}</th>"


def _template(name: str) -> Template:
    return Template(asset(_SHEET, name))
