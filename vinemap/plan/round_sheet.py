"""The printable sheet: cautions, the round on a map, the stops, how to collect, and labels for the bags."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import segno
from pyproj import CRS

from vinemap.arrays import Array
from vinemap.plan.overview import area, crossing, expected, height, rows_guessed, way, worth
from vinemap.plan.plan import Plan
from vinemap.plan.route import Paper, RouteMap, dot_size, route_map
from vinemap.plan.stops import place_of
from vinemap.reading.rows import compass_side
from vinemap.sentences import Figure, Sentence, said, section
from vinemap.web.templates import render, trusted

_WIDTH_MM, _HEIGHT_MM = 184.0, 150.0
_PART_MM, _PART_HIGH_MM = 90.0, 78.0
_CROWDED_MM = 2.0


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
    whole = _whole(plan)
    sheet = render(
        "plan/templates/sheet.html.j2",
        texts=section("plan"),
        said=said,
        language=plan.settings.language,
        name=plan.name,
        today=today.isoformat(),
        summary=_summary(plan),
        second=_second(plan),
        outlook=expected(plan),
        threshold=_percent(plan),
        whole=route_map(whole, plan.blocks, plan.points, plan.walk.path, plan.terrain),
        line_note=Sentence(
            "plan.map.note", line=Sentence("plan.map.ends" if plan.options.fences else "plan.map.straight")
        ),
        crossing=next(iter(crossing(plan)), None),
        heights=_heights(plan),
        parts=list(_parts(plan)) if dot_size(whole, plan.points) < _CROWDED_MM else [],
        stops=list(_stops(plan)),
        row_notes=list(_row_notes(plan)),
        nodes=plan.options.nodes_per_cane,
        sizes=[_size(row) for row in plan.sizes.to_dict("records")],
        size_note=_size_note(plan),
        worth=worth(plan),
        labels=[_label(*row) for row in plan.points[["sample", "block", "stop"]].itertuples(index=False)],
    )
    path.write_text(sheet, encoding="utf-8")


def _summary(plan: Plan) -> Sentence:
    """Say what the round is."""
    walk, points = plan.walk, plan.points
    hours, minutes = divmod(5 * round(walk.minutes / 5), 60)
    climb = Sentence("plan.sum.climb", climb=height(walk.climb_m, plan.settings)) if math.isfinite(walk.climb_m) else ""
    return Sentence(
        "plan.sum",
        stops=len(points),
        blocks=points["block"].nunique(),
        way=way(walk.metres, plan.settings),
        climb=climb,
        time=Sentence("plan.time", hours=hours, minutes=minutes),
        minutes=f"{plan.options.minutes_per_stop:g}",
    )


def _second(plan: Plan) -> Sentence | None:
    """Say what a second round gains; None in a first one."""
    if plan.gain is None:
        return None
    now, after = (area(value, plan.settings) for value in (plan.gain.misclassified_ha, plan.gain.after_ha))
    return Sentence("plan.second", now=now, after=after, threshold=_percent(plan))


def _heights(plan: Plan) -> Sentence | None:
    """Name whom the elevation grid credits."""
    credit = (plan.origin or {}).get("credit")
    return Sentence("plan.heights", credit=credit) if credit else None


def _percent(plan: Plan) -> str:
    return f"{100 * plan.settings.surface.threshold:.0f} %"


def _whole(plan: Plan) -> Paper:
    bounds = np.vstack([plan.blocks.total_bounds, plan.walk.path.bounds])
    return Paper.showing((*bounds[:, :2].min(axis=0), *bounds[:, 2:].max(axis=0)), _WIDTH_MM, _HEIGHT_MM)


def _parts(plan: Plan) -> Iterator[tuple[str, RouteMap]]:
    """Map each block that has stops on its own."""
    for shape, name in zip(plan.blocks.geometry, plan.blocks["block"], strict=True):
        if (plan.points["block"] == name).any():
            paper = Paper.showing(shape.bounds, _PART_MM, _PART_HIGH_MM)
            yield name, route_map(paper, plan.blocks, plan.points, plan.walk.path, plan.terrain, names=False)


def _stops(plan: Plan) -> Iterator[dict[str, Any]]:
    lonlat = plan.points.to_crs("EPSG:4326").geometry
    for point, lon, lat in zip(plan.points.to_dict("records"), lonlat.x, lonlat.y, strict=True):
        yield {
            "number": point["stop"],
            "sample": point["sample"],
            "block": point["block"],
            "place": place_of(point),
            "terrain": Sentence(f"plan.terrain.{point['terrain']}"),
            "probability": f"{point['probability_pct']:.0f} %" if "probability_pct" in point else "",
            "lat": f"{lat:.6f}",
            "lon": f"{lon:.6f}",
        }


def _row_notes(plan: Plan) -> Iterator[Sentence]:
    """Say how rows are counted, and where their direction is a guess."""
    used = set(plan.points["block"])
    yield from rows_guessed(plan)
    for name, frame in zip(plan.blocks["block"], plan.frames, strict=True):
        if frame is not None and name in used:
            yield Sentence(
                "plan.rows.counted" if frame.measured else "plan.rows.about",
                block=name,
                side=_side(-frame.across, frame.first, plan.crs),
                end=_side(-frame.along, frame.first, plan.crs),
            )


def _side(way: Array, place: Array, crs: CRS) -> Sentence:
    """Return the compass side that a way points to, in words."""
    return Sentence(f"plan.side.{compass_side(way, place, crs).lower()}")


def _size(row: dict[Any, Any]) -> dict[str, Any]:
    known = pd.notna(row["half_width_pct"])
    return {**row, "width": Sentence("plan.sizes.points", points=f"{row['half_width_pct']:.0f}") if known else None}


def _size_note(plan: Plan) -> Sentence:
    return Sentence(
        "plan.sizes.note.outlook" if plan.outlook else "plan.sizes.note",
        confidence=f"{100 * plan.options.confidence:g}",
        share=f"{100 * plan.options.share:.0f} %",
        rho=Figure(plan.rho, 2),
    )


def _label(sample: str, block: str, stop: int) -> dict[str, Any]:
    # Level M mends up to 15 % of a smudged label.
    code = segno.make(sample, error="m", micro=False).svg_inline(border=4, omitsize=True)
    return {"sample": sample, "block": block, "stop": stop, "code": trusted(code)}
