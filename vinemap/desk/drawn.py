"""What the map of outlines and points asks of the desk, and sends it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from vinemap.desk.checking import checked
from vinemap.desk.drafts import LAYERS_DRAWN, NAME, Entry
from vinemap.desk.frame import language_of, speaker
from vinemap.desk.ledgers import begun, ledgers
from vinemap.desk.pages import place_of
from vinemap.desk.shapes import Drawn, drawn, point_cells, revision, sound
from vinemap.desk.vineyards import Place
from vinemap.reading.files import TABLES


async def places(request: Request) -> Response:
    """Give both layers: ``{"blocks": {"type": "FeatureCollection", "names": …, "features": […]}, "samples": …}``.

    Every feature has its id, and in ``revision`` what a change of it has to name; ``none`` is what a new one has to.
    ``names`` are the file's own by those of `vinemap.columns`.
    """
    place = place_of(request)
    layers = await run_in_threadpool(lambda: {name: drawn(place.folder, name, place.drafts) for name in LAYERS_DRAWN})
    return JSONResponse({name: _collection(layer, speaker(language_of(request))) for name, layer in layers.items()})


async def faults(request: Request) -> Response:
    """Give what is wrong with outlines and points, as they stand: ``{"blocks": {id: [text, …]}, "samples": …}``."""
    place = place_of(request)
    return JSONResponse(await run_in_threadpool(_faults, place, speaker(language_of(request))))


def _faults(place: Place, speak: Callable[[object], str]) -> dict[str, dict[str, list[str]]]:
    found: dict[str, dict[str, list[str]]] = {name: {} for name in LAYERS_DRAWN}
    problems = checked(place).problems
    for name in LAYERS_DRAWN:
        layer = drawn(place.folder, name, place.drafts)
        # A layer that was drawn over is checked as the file that it will be, whose rows are the features in turn.
        anew = bool(place.drafts.features.get(name))
        ids = {str(row): one for row, one in enumerate(layer.features, start=2)} if anew else {}
        files = {f"{name}.geojson", "" if layer.path is None else layer.path.name}
        for problem in problems:
            if problem.file in files and problem.row is not None:
                one = ids.get(str(problem.row), str(problem.row))
                found[name].setdefault(one, []).append(f"{speak(problem.message)}; {speak(problem.remedy)}")
    return found


def _collection(layer: Drawn, speak: Callable[[object], str]) -> dict[str, Any]:
    features = [{**one, "id": name, "revision": revision(one)} for name, one in layer.features.items()]
    problems = [
        dataclasses.asdict(problem) | {"message": speak(problem.message), "remedy": speak(problem.remedy)}
        for problem in layer.problems
    ]
    head = {"type": "FeatureCollection", "names": layer.names, "none": revision(None)}
    return {**head, "features": features, "problems": problems}


async def change(request: Request) -> Response:
    """Keep a feature as it was drawn (PUT, ``{"feature": …, "revision": …}``), or take it out (DELETE).

    Answers with its id and its new revision; 409 with the feature as it is now where another page changed it since, 422
    where the table that a point belongs into has no columns for its place.
    """
    place, layer, name = place_of(request), request.path_params["layer"], request.path_params["id"]
    if layer not in LAYERS_DRAWN or not NAME.fullmatch(name):
        raise HTTPException(404)
    try:
        asked = await request.json()
        seen = str(asked["revision"])
        feature = None if request.method == "DELETE" else sound(layer, asked["feature"])
    except (ValueError, TypeError, KeyError):
        raise HTTPException(400) from None
    if feature is None and request.method == "PUT":
        raise HTTPException(400)
    return await run_in_threadpool(_changed, place, layer, name, seen, feature)


def _changed(place: Place, layer: str, name: str, seen: str, feature: Entry | None) -> Response:
    there = drawn(place.folder, layer, place.drafts)
    now = there.features.get(name)
    if seen != revision(now):
        return JSONResponse({"there": now, "revision": revision(now)}, 409)
    if feature is not None:
        feature["id"] = name
    if layer == "samples" and (there.path is None or there.path.suffix.lower() in TABLES):
        name = _change_row(place, there, name, feature)
    else:
        place.drafts.change_feature(layer, name, feature)
    return JSONResponse({"id": name, "revision": revision(drawn(place.folder, layer, place.drafts).features.get(name))})


def _change_row(place: Place, layer: Drawn, name: str, feature: Entry | None) -> str:
    """Change the row of a sample's table; return the row's number, which is the feature's id from now on."""
    file = "samples.csv" if layer.path is None else layer.path.name
    tables, _ = ledgers(place.folder, place.drafts)
    ledger = tables.get(file) or begun(file, place.drafts)
    if layer.names["lon"] not in ledger.columns or layer.names["lat"] not in ledger.columns:
        raise HTTPException(422)
    row = int(name) if name in layer.features else max(ledger.rows, default=1) + 1
    if feature is None:
        cells = {(row, column): "" for column in range(len(ledger.columns))}
    else:
        layer.features[name] = feature
        cells = point_cells(layer, ledger.columns, name, row)
    for at, value in cells.items():
        if ledger.rows.get(row, [""] * len(ledger.columns))[at[1]] != value:
            place.drafts.change_cell(file, at, value)
    return str(row)
