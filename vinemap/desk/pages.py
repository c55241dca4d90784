"""The pages of the desk: each looks, and changes nothing."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response

from vinemap.desk.assets import assets
from vinemap.desk.checking import checked
from vinemap.desk.drafts import DESK, LAYERS_DRAWN
from vinemap.desk.frame import address, jobs_of, language_of, page, shell_command, vineyards_of, words_in
from vinemap.desk.ledgers import BEGUN, Ledger, begun, ledgers
from vinemap.desk.runs import Run, change_by_block, new_folder, region_file, region_files, region_folder, runs
from vinemap.desk.safety import MOST_BYTES, TooLargeError, too_large
from vinemap.desk.shapes import drawn
from vinemap.desk.understood import all_files, as_they_are, standing, understood
from vinemap.desk.uploads import given_files
from vinemap.desk.vineyards import Place
from vinemap.errors import Findings, InputError, Problem
from vinemap.intake.opendata import wanted_elevation
from vinemap.region.members import Member, folders_in, read_region
from vinemap.sentences import Figure, Sentence, languages, said
from vinemap.settings import load_settings

_ROWS = 100
_EMPTY_ROWS = 12
# A page of a run keeps its own policy, and none of the desk's rights: its origin is its own, so that nothing in it,
# whatever names a survey brought in, can speak to the desk.
_SANDBOX = "sandbox allow-scripts allow-downloads allow-modals allow-popups"


def place_of(request: Request) -> Place:
    """Return the vineyard that an address names."""
    place = vineyards_of(request).find(request.path_params["vineyard"])
    if place is None:
        raise HTTPException(404)
    return place


async def home(request: Request) -> Response:
    """List the vineyards, or go to the only one."""
    held = vineyards_of(request)
    if held.is_one:
        return RedirectResponse(address(held.root.name), 303)
    listed = await run_in_threadpool(lambda: [_listed(name, folder) for name, folder in held.folders().items()])
    empty = not any(path.name != DESK for path in held.root.iterdir())
    return page(request, "home", vineyards=listed, root=str(held.root), may_be_here=empty, problems=[])


def _listed(name: str, folder: Path) -> dict[str, Any]:
    made = [run for run in runs(folder) if run.has_map]
    return {"name": name, "last": made[0].name[:10] if made else None}


async def vineyard(request: Request) -> Response:
    """Show where a vineyard's work stands, and what comes next."""
    place = place_of(request)
    found = await run_in_threadpool(runs, place.folder)
    return page(
        request,
        "vineyard",
        place,
        inputs=place.inputs,
        given=given_files(place.folder),
        maps=[run for run in found if run.has_map],
        unsaved=place.drafts.unsaved,
        shown=str(place.folder),
        command=shell_command("check", place.folder),
    )


async def files(request: Request) -> Response:
    """Take files in, and show what the folder holds."""
    place = place_of(request)
    given = given_files(place.folder)
    found = await run_in_threadpool(understood, place)
    return page(
        request,
        "files",
        place,
        step="files",
        given=[(path.name, Figure(path.stat().st_size / 1000, 1)) for path in given],
        inputs=place.inputs,
        most_mb=MOST_BYTES // 1_000_000,
        lacks_elevation=bool(place.inputs) and not any(name.startswith("elevation.") for name in place.inputs),
        understood=found,
        standing=standing,
        as_they_are=as_they_are(place),
        command=shell_command("import", *all_files(place), "-o", place.folder) if given else None,
        data={"most": MOST_BYTES},
    )


async def elevation(request: Request) -> Response:
    """Say what would be fetched from open data, and of whom; nothing is asked of the network by that."""
    place = place_of(request)
    job = jobs_of(request).of(place.name)
    wanted, problems = await run_in_threadpool(_wanted, place)
    return page(
        request,
        "elevation",
        place,
        step="files",
        job=job if job is not None and job.work == "elevation" else None,
        wanted=wanted,
        problems=problems,
        command=shell_command("elevation", place.folder),
    )


def _wanted(place: Place) -> tuple[list[Sentence], list[Problem]]:
    try:
        return wanted_elevation(place.folder).told(), []
    except InputError as error:
        return [], error.problems


async def check(request: Request) -> Response:
    """Show what the folder holds, and everything that is wrong with it, each fault with the way to its cell."""
    place = place_of(request)
    found = await run_in_threadpool(checked, place)
    tables, unread = await run_in_threadpool(ledgers, place.folder, place.drafts)
    return page(
        request,
        "check",
        place,
        step="check",
        checked=found,
        tables=list(tables.values()),
        problems=[(problem, _way_to(place, problem, tables)) for problem in dict.fromkeys([*found.problems, *unread])],
        unsaved=place.drafts.unsaved,
        command=shell_command("check", place.folder),
    )


def _way_to(place: Place, problem: Problem, tables: dict[str, Ledger]) -> str | None:
    """Return the address of the cell of a problem; None where it is in no table."""
    ledger = tables.get(problem.file)
    if ledger is None:
        return None
    there = address(place.name, "table", problem.file)
    if problem.row is None:
        return there
    column = ledger.columns.index(problem.column) if problem.column in ledger.columns else 0
    return f"{there}?{urlencode({'row': problem.row})}#cell-{problem.row}-{column}"


async def places(request: Request) -> Response:
    """Show the outlines and the points on a map, where they can be drawn and moved."""
    place = place_of(request)
    layers = await run_in_threadpool(lambda: [drawn(place.folder, layer, place.drafts) for layer in LAYERS_DRAWN])
    problems = [problem for layer in layers for problem in layer.problems]
    units = {"units": load_settings(place.folder, Findings()).units}
    return page(request, "places", place, step="places", unsaved=place.drafts.unsaved, problems=problems, data=units)


async def table(request: Request) -> Response:
    """Show a table whose cells can be typed over, each problem at its cell."""
    place, name = place_of(request), request.path_params["name"]
    tables, _ = await run_in_threadpool(ledgers, place.folder, place.drafts)
    ledger = tables.get(name) or (begun(name, place.drafts) if name in BEGUN else None)
    if ledger is None:
        raise HTTPException(404)
    found = await run_in_threadpool(checked, place)
    problems = [problem for problem in found.problems if problem.file == name]
    return page(
        request,
        "table",
        place,
        step="spring" if name in BEGUN else "check",
        ledger=ledger,
        unsaved=place.drafts.unsaved,
        command=shell_command("check", place.folder),
        **_shown_rows(ledger, problems, request),
    )


def _shown_rows(ledger: Ledger, problems: list[Problem], request: Request) -> dict[str, Any]:
    """Return the rows of one page of a table, with the problems of each cell."""
    numbers = list(ledger.rows)
    faulty = {problem.row for problem in problems}
    only = request.query_params.get("rows") == "faulty"
    if only:
        numbers = [number for number in numbers if number in faulty]
    wanted = _number(request.query_params.get("row"), 0)
    first = next((k for k, number in enumerate(numbers) if number >= wanted), max(0, len(numbers) - 1))
    start = first // _ROWS * _ROWS
    shown = numbers[start : start + _ROWS]
    last = max(ledger.rows, default=1)
    if not only and start + _ROWS >= len(numbers):
        shown = [*shown, *range(last + 1, last + 1 + (_EMPTY_ROWS if not ledger.rows else 3))]
    blank = [""] * len(ledger.columns)
    at: dict[tuple[int, int], list[Problem]] = {}
    for problem in problems:
        if problem.row is not None:
            column = ledger.columns.index(problem.column) if problem.column in ledger.columns else 0
            at.setdefault((problem.row, column), []).append(problem)
    return {
        "rows": [(number, ledger.rows.get(number, blank)) for number in shown],
        "at": at,
        "above": [problem for problem in problems if problem.row is None],
        "faulty": len(faulty - {None}),
        "only": only,
        "before": numbers[max(0, start - _ROWS)] if start else None,
        "after": numbers[start + _ROWS] if start + _ROWS < len(numbers) else None,
        "total": len(ledger.rows),
        "base": json.dumps({number: ledger.rows.get(number, blank) for number in shown}),
    }


def _number(text: str | None, otherwise: int) -> int:
    return int(text) if text is not None and text.isdecimal() and len(text) < 10 else otherwise


async def work(request: Request) -> Response:
    """Show a kind of work: begin it, follow it, and see how it ended."""
    place, kind = place_of(request), request.url.path.rpartition("/")[2]
    job = jobs_of(request).of(place.name)
    found = await run_in_threadpool(runs, place.folder)
    maps = [run for run in found if run.has_map]
    out = new_folder(place.folder, kind)
    return page(
        request,
        "work",
        place,
        step=kind,
        kind=kind,
        job=job if job is not None and job.work == kind else None,
        cut_off=job is None and place.drafts.began is not None and _is_cut_off(kind, place.drafts.began, found),
        maps=maps,
        inputs=place.inputs,
        unsaved=place.drafts.unsaved,
        shoots=next((name for name in place.inputs if name.rpartition(".")[0].casefold() == "shoots"), None),
        command=_command(kind, place, out),
    )


def _is_cut_off(kind: str, began: tuple[str, str], found: list[Run]) -> bool:
    """Whether work was begun before the desk was opened, and there is nothing of it."""
    return began[0] == kind and began[1] not in {run.name for run in found}


def _command(kind: str, place: Place, out: Path) -> str:
    counts = [place.folder / "shoots.csv"] if kind == "spring" else []
    return shell_command(kind, place.folder, *counts, "-o", out)


async def results(request: Request) -> Response:
    """List what was made, the latest first, and offer two maps for comparison."""
    place = place_of(request)
    found = await run_in_threadpool(runs, place.folder)
    maps = [run for run in found if run.has_map]
    return page(request, "results", place, step="results", runs=found, maps=maps, made=_made(request))


def _made(request: Request) -> Callable[[str], str]:
    """Return the function that says what a file of a run is for; nothing for most of them."""
    t = words_in(language_of(request))

    def made(way: str) -> str:
        stem = "navigation" if "/" in way else re.sub(r"_(en|es)$", "", way.partition(".")[0])
        return t(f"made.{stem}") if f"desk.made.{stem}" in languages()["en"] else ""

    return made


async def compare(request: Request) -> Response:
    """Show what changed of each block between two maps."""
    place = place_of(request)
    maps = {run.name: run for run in await run_in_threadpool(runs, place.folder) if run.has_map}
    then, now = (maps.get(request.query_params.get(name, "")) for name in ("then", "now"))
    if then is None or now is None:
        raise HTTPException(404)
    rows = await run_in_threadpool(change_by_block, then, now)
    shown = shell_command("map", place.folder, "--compare", then.folder)
    language = language_of(request)
    return page(
        request,
        "compare",
        place,
        step="results",
        then=then,
        now=now,
        rows=rows,
        interval=partial(_interval, language),
        points=partial(_points, language),
        action=partial(_action, language),
        command=shown,
    )


def _interval(language: str, mean: float | None, low: float | None, high: float | None) -> str:
    """Say a percentage with its interval; a dash where there is none."""
    if mean is None or low is None or high is None:
        return "–"
    mean_said, low_said, high_said = (Figure(value).said(language) for value in (mean, low, high))
    return f"{mean_said} % ({said(language, 'page.range', low=low_said, high=high_said)})"


def _points(language: str, change: float | None) -> str:
    if change is None:
        return "–"
    sign = "+" if round(change) > 0 else "−" if round(change) < 0 else ""
    return sign + Figure(abs(change)).said(language)


def _action(language: str, action: str | None) -> str:
    key = f"page.action.{action}"
    return said(language, key) if key in languages()["en"] else "–"


async def made_file(request: Request) -> Response:
    """Give a file of a run: pages to look at, all else to keep."""
    place = place_of(request)
    found = {run.name: run for run in await run_in_threadpool(runs, place.folder)}
    run: Run | None = found.get(request.path_params["run"])
    path = None if run is None else run.files.get(request.path_params["file"])
    if path is None:
        raise HTTPException(404)
    # A bench page keeps what is read under the address that it was opened by: that must be a file of its own.
    shown = path.suffix == ".html" and path.name != "bench.html"
    return FileResponse(path, headers={"Content-Security-Policy": _SANDBOX}, filename=None if shown else path.name)


async def region(request: Request) -> Response:
    """List the vineyards with what region.csv says of them; map them all together, and see what came of it."""
    root = vineyards_of(request).root
    members, warnings, problems = await run_in_threadpool(_region, root)
    return page(
        request,
        "region",
        job=jobs_of(request).of(""),
        members=members,
        warnings=warnings,
        problems=problems,
        made=region_files(root),
        command=shell_command("region", root, "-o", region_folder(root)),
    )


def _region(root: Path) -> tuple[list[Member], list[dict[str, str]], list[Problem]]:
    folders = folders_in(root)
    try:
        found = read_region(root, folders, root.name)
    except InputError as error:
        return [Member(name) for name, held in folders.items() if held], [], error.problems
    return found.members, [warning.everywhere() for warning in found.warnings], []


async def region_made(request: Request) -> Response:
    """Give a file of the region's outputs."""
    path = region_file(vineyards_of(request).root, request.path_params["file"])
    if path is None:
        raise HTTPException(404)
    shown = path.suffix == ".html" and path.name != "bench.html"
    return FileResponse(path, headers={"Content-Security-Policy": _SANDBOX}, filename=None if shown else path.name)


async def asset_file(request: Request) -> Response:
    """Give a script or a style of the desk."""
    found = assets().files.get(request.url.path)
    if found is None:
        raise HTTPException(404)
    return Response(found[0], media_type=found[1], headers={"Cache-Control": "max-age=31536000, immutable"})


async def missing(request: Request, error: Exception) -> Response:
    """Say that there is no such page, or what else the server refuses."""
    status = error.status_code if isinstance(error, HTTPException) else 500
    key = "missing" if status == 404 else "refused.other"
    return page(request, "trouble", status=status, key=key, problems=[])


async def too_much(_: Request, error: Exception) -> Response:
    """Say that more was sent than is taken."""
    return too_large(error.limit if isinstance(error, TooLargeError) else MOST_BYTES)


async def wrong(request: Request, error: Exception) -> Response:
    """Say what is wrong with what was given."""
    problems = error.problems if isinstance(error, InputError) else []
    return page(request, "trouble", status=409, key="wrong", problems=problems)
