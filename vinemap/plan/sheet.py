"""The printable sheet: cautions, the round on a map, the stops, how to collect, and labels for the bags."""

from __future__ import annotations

import datetime as dt
import math
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd
import segno
from pyproj import CRS, Transformer

from vinemap.arrays import Array
from vinemap.plan.drawing import Paper, dot_size, route_map
from vinemap.plan.plan import Plan
from vinemap.plan.stops import place_of
from vinemap.plan.told import area, height, legs_of, way
from vinemap.plan.words import Figure, Term, html, texts
from vinemap.resources import asset

_WIDTH_MM, _HEIGHT_MM = 184.0, 150.0
_PART_MM, _PART_HIGH_MM = 90.0, 78.0
_CROWDED_MM = 2.0
_SIDES = ("n", "ne", "e", "se", "s", "sw", "w", "nw")
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def write_sheet(plan: Plan, path: Path, today: dt.date) -> None:
    """Write plan.html: one file with no script and no link, in every language, that opens in the settings' one.

    Parameters
    ----------
    plan : Plan
        What to show.
    path : Path
        File to write.
    today : date
        To print on it.
    """
    style = asset("vinemap.plan", "style/sheet.css")
    language = plan.settings.language
    parts = [
        f'<!doctype html><html lang="{language}"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(plan.name)}: plan</title><style>{_language_rules()}{style}</style></head><body>",
        _switch(language),
        "<main>",
        _head(plan, today),
        _listed("care", ("blade", "tools", "eyes", "ice", "cold", "alone"), "care"),
        _maps(plan),
        _stops(plan),
        _listed(
            "how",
            ("cane", "kind", "whole", "bag", "cool", "wait", "halves", "enter", "source"),
            "how",
            plan.options.nodes_per_cane,
        ),
        _sizes(plan),
        _labels(plan),
        "</main></body></html>",
    ]
    path.write_text("".join(parts), encoding="utf-8")


def _language_rules() -> str:
    """Hide the languages that are not chosen; the choice is a radio button before the page."""
    return "".join(f'#lang-{code}:checked~main [lang="{code}"]{{display:revert!important}}' for code in texts())


def _switch(language: str) -> str:
    boxes = "".join(
        f'<input type="radio" name="lang" id="lang-{code}"{" checked" if code == language else ""}>'
        f'<label for="lang-{code}">{escape(table["language"])}</label>'
        for code, table in texts().items()
    )
    return boxes


def _head(plan: Plan, today: dt.date) -> str:
    walk, points = plan.walk, plan.points
    hours, minutes = divmod(5 * round(walk.minutes / 5), 60)
    climb = Term("sum.climb", climb=height(walk.climb_m, plan.settings)) if math.isfinite(walk.climb_m) else ""
    text = html(
        "sum",
        stops=len(points),
        blocks=points["block"].nunique(),
        way=way(walk.metres, plan.settings),
        climb=climb,
        time=Term("time", hours=hours, minutes=minutes),
        minutes=f"{plan.options.minutes_per_stop:g}",
    )
    title = "title" if plan.gain is None else "title.second"
    second = ""
    if plan.gain is not None:
        now, after = (area(value, plan.settings) for value in (plan.gain.misjudged_ha, plan.gain.after_ha))
        second = f"<p>{html('second', now=now, after=after, threshold=_percent(plan))}</p>"
    made = html("made", name=plan.name, date=today.isoformat())
    return f'<header><h1>{html(title)}</h1><p class="made">{made}</p><p>{text}</p>{second}</header>'


def _percent(plan: Plan) -> str:
    return f"{100 * plan.settings.surface.threshold:.0f} %"


def _listed(head: str, keys: tuple[str, ...], kind: str, nodes: int = 0) -> str:
    items = "".join(f"<li>{html(f'{head}.{key}', nodes=nodes)}</li>" for key in keys)
    return f'<section class="{kind}"><h2>{html(head)}</h2><ul>{items}</ul></section>'


def _maps(plan: Plan) -> str:
    bounds = np.vstack([plan.blocks.total_bounds, plan.walk.path.bounds])
    whole = Paper.showing((*bounds[:, :2].min(axis=0), *bounds[:, 2:].max(axis=0)), _WIDTH_MM, _HEIGHT_MM)
    drawn = route_map(whole, plan.blocks, plan.points, plan.walk.path, plan.land)
    page = f'<section class="round"><h2>{html("map")}</h2>{drawn}<p class="note">{_line_notes(plan)}</p></section>'
    if dot_size(whole, plan.points) >= _CROWDED_MM:
        return page
    parts = []
    for shape, name in zip(plan.blocks.geometry, plan.blocks["block"], strict=True):
        if (plan.points["block"] == name).any():
            paper = Paper.showing(shape.bounds, _PART_MM, _PART_HIGH_MM)
            figure = route_map(paper, plan.blocks, plan.points, plan.walk.path, plan.land, names=False)
            parts.append(f"<figure>{figure}<figcaption>{escape(name)}</figcaption></figure>")
    return f'{page}<section class="parts">{"".join(parts)}</section>'


def _line_notes(plan: Plan) -> str:
    """Say what the line is, and where it cannot be walked as drawn."""
    notes = [html("map.note", line=Term("map.ends" if plan.options.fences else "map.straight"))]
    if plan.walk.crossing:
        notes.append(f"<b>{html('map.crossing', legs=legs_of(plan))}</b>")
    return " ".join(notes)


def _stops(plan: Plan) -> str:
    second = plan.gain is not None
    heads = ["stop", "sample", "block", "place", "ground", *(["chance"] if second else []), "lonlat", "done"]
    head = "".join(f"<th>{html(f'list.{name}', threshold=_percent(plan))}</th>" for name in heads)
    lonlat = plan.points.to_crs("EPSG:4326").geometry
    rows = []
    for point, x, y in zip(plan.points.to_dict("records"), lonlat.x, lonlat.y, strict=True):
        cells = [
            str(point["stop"]),
            f"<b>{escape(point['sample'])}</b>",
            f"<bdi>{escape(point['block'])}</bdi>",
            "" if (place := place_of(point)) is None else html(place.key, **place.values),
            html(f"ground.{point['ground']}"),
            *([f"{point['chance_pct']:.0f} %"] if second else []),
            f'<span class="figure">{y:.6f},</span> <span class="figure">{x:.6f}</span>',
            '<span class="box"></span>',
        ]
        rows.append("<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>")
    return (
        f'<section class="stops"><h2>{html("list")}</h2><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>{_row_notes(plan)}</section>"
    )


def _row_notes(plan: Plan) -> str:
    """Say how rows are counted, and where their direction is a guess."""
    notes = []
    used = set(plan.points["block"])
    guessed = [
        name
        for name, direction in zip(plan.blocks["block"], plan.directions, strict=True)
        if not direction.given and name in used
    ]
    if guessed:
        notes.append(html("rows.guessed", blocks=", ".join(guessed)))
    for name, frame in zip(plan.blocks["block"], plan.frames, strict=True):
        if frame is not None and name in used:
            key = "rows.counted" if frame.measured else "rows.about"
            sides = {
                "side": _side(-frame.across, frame.first, plan.crs),
                "end": _side(-frame.along, frame.first, plan.crs),
            }
            notes.append(html(key, block=name, **sides))
    return "".join(f'<p class="note">{note}</p>' for note in notes)


def _side(way: Array, place: Array, crs: CRS) -> Term:
    """Return the compass side that a way points to, by true north."""
    to_lonlat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    (lon, lat), (far_lon, far_lat) = (to_lonlat.transform(*spot) for spot in (place, place + 100 * way))
    east, north = (far_lon - lon) * math.cos(math.radians(lat)), far_lat - lat
    return Term(f"side.{_SIDES[round(math.degrees(math.atan2(east, north)) / 45) % 8]}")


def _sizes(plan: Plan) -> str:
    table = plan.sizes
    heads = ["block", *(["had"] if plan.gain is not None else []), "canes", "nodes", "width"]
    head = "".join(f"<th>{html(f'sizes.{name}')}</th>" for name in heads)
    rows = []
    for size in table.to_dict("records"):
        width = "" if pd.isna(size["half_width_pct"]) else html("sizes.points", points=f"{size['half_width_pct']:.0f}")
        had = [str(size["had"])] if plan.gain is not None else []
        cells = [f"<bdi>{escape(size['block'])}</bdi>", *had, str(size["canes"]), str(size["nodes"]), width]
        rows.append("<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>")
    note = html(
        "sizes.note",
        confidence=f"{100 * plan.options.confidence:g}",
        share=f"{100 * plan.options.share:.0f} %",
        rho=Figure(plan.rho, 2),
    )
    return (
        f'<section class="sizes"><h2>{html("sizes")}</h2><table><thead><tr>{head}</tr></thead>'
        f'<tbody>{"".join(rows)}</tbody></table><p class="note">{note}</p></section>'
    )


def _labels(plan: Plan) -> str:
    labels = "".join(_label(*row) for row in plan.points[["sample", "block", "stop"]].itertuples(index=False))
    return (
        f'<section class="labels"><h2>{html("labels")}</h2><p class="note">{html("labels.note")}</p>'
        f'<div class="grid">{labels}</div></section>'
    )


def _label(sample: str, block: str, stop: int) -> str:
    name = escape(sample)
    # Level M mends up to 15 % of a smudged label.
    code = segno.make(sample, error="m", micro=False).svg_inline(border=4, omitsize=True)
    strips = "".join(f"<span><b>{name}</b> {html(f'label.{half}')}</span>" for half in ("basal", "apical"))
    return (
        f'<div class="label"><div class="code">{code}</div><div class="what"><b class="big">{name}</b>'
        f"<bdi>{escape(block)}</bdi><span>{html('label.stop', stop=stop)}</span>"
        f'<span class="day">{html("label.day")}</span></div><div class="strips">{strips}</div></div>'
    )
