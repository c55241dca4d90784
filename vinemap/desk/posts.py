"""What forms of the desk set off; each answers with the page to see next."""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from vinemap.desk.drafts import LAYERS_DRAWN, MOST_PLACES, sheet_of
from vinemap.desk.frame import LANGUAGE, address, jobs_of, language_of, page, shell_command, vineyards_of, words_in
from vinemap.desk.jobs import Job
from vinemap.desk.ledgers import BEGUN, MOST_LETTERS, Ledger, begun, ledgers
from vinemap.desk.pages import place_of
from vinemap.desk.runs import new_folder, region_folder, runs
from vinemap.desk.saving import save
from vinemap.desk.understood import take_in, take_in_as_they_are, understood
from vinemap.desk.uploads import keep, take_back
from vinemap.desk.vineyards import Place
from vinemap.intake.elevation_tiles import elevation_sources
from vinemap.intake.questions import settled
from vinemap.sentences import Figure, languages

_MOST_FIELDS = 20_000
_CHUNK = 1 << 20
# How far the fetching of elevation says that it is.
_TILE = re.compile(r"(.*), tile (\d+) of (\d+)(?:: ([\d.]+) MB)?")


def _see(*parts: str) -> Response:
    return RedirectResponse(address(*parts), 303)


async def _form(request: Request) -> FormData:
    return await request.form(max_files=200, max_fields=_MOST_FIELDS, max_part_size=2_000_000)


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


async def begin(request: Request) -> Response:
    """Begin a vineyard."""
    form, held = await _form(request), vineyards_of(request)
    name = await run_in_threadpool(held.add, _text(form, "name"), here=_text(form, "here") == "yes")
    return _see(name, "files")


async def language(request: Request) -> Response:
    """Change the language, and go back to the page."""
    form = await _form(request)
    back = _text(form, "back")
    answer = RedirectResponse(back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/", 303)
    if (chosen := _text(form, "language")) in languages():
        answer.set_cookie(LANGUAGE, chosen, max_age=31_536_000, httponly=True, samesite="strict", path="/")
    return answer


async def give(request: Request) -> Response:
    """Keep files that are given."""
    place = place_of(request)
    async with request.form(max_files=200, max_fields=20) as form:
        for part in form.getlist("files"):
            if isinstance(part, UploadFile) and part.filename:
                await keep(place.folder, part.filename, _chunks(part))
    return _see(place.name, "files")


async def _chunks(part: UploadFile) -> AsyncIterator[bytes]:
    while chunk := await part.read(_CHUNK):
        yield chunk


async def take_away(request: Request) -> Response:
    """Take a given file back."""
    place, form = place_of(request), await _form(request)
    take_back(place.folder, _text(form, "name"))
    return _see(place.name, "files")


async def answer(request: Request) -> Response:
    """Keep answers to what the files that were given may mean."""
    place, form = place_of(request), await _form(request)
    found = await run_in_threadpool(understood, place)
    if found is None:
        return _see(place.name, "files")
    for number, proposal in enumerate(found.proposals):
        value = _text(form, f"answer-{number}")
        same = _text(form, f"key-{number}") == proposal.key
        if same and proposal.means(value) is not None and settled(proposal, found.answers) != value:
            await run_in_threadpool(place.drafts.answer, proposal.key, value)
    return _see(place.name, "files")


async def put(request: Request) -> Response:
    """Put the given files into the vineyard's folder, as they were understood or as they are."""
    place, form = place_of(request), await _form(request)
    await run_in_threadpool(take_in_as_they_are if _text(form, "as") == "they are" else take_in, place)
    return _see(place.name, "check")


async def cell(request: Request) -> Response:
    """Keep what was typed into a cell, unless another tab typed there since."""
    place = place_of(request)
    try:
        asked = await request.json()
        name, row, column = str(asked["file"]), int(asked["row"]), int(asked["column"])
        was, value = str(asked["was"]), str(asked["value"])
    except (ValueError, TypeError, KeyError):
        raise HTTPException(400) from None
    ledger = await run_in_threadpool(_ledger, place, name)
    if not (2 <= row < MOST_PLACES[0] and 0 <= column < len(ledger.columns)) or len(value) > MOST_LETTERS:
        raise HTTPException(400)
    if ledger.outdated:
        raise HTTPException(423)
    there = ledger.rows.get(row, [""] * len(ledger.columns))[column]
    if there not in (was, value):
        return JSONResponse({"there": there}, 409)
    if there != value:
        await run_in_threadpool(place.drafts.change_cell, name, (row, column), value)
    return JSONResponse({"kept": value})


def _ledger(place: Place, name: str) -> Ledger:
    tables, _ = ledgers(place.folder, place.drafts, sheet_of(name)[0])
    found = tables.get(name) or (begun(name, place.drafts) if name in BEGUN else None)
    if found is None:
        raise HTTPException(404)
    return found


async def cells(request: Request) -> Response:
    """Keep what a page of a table holds, where no script did cell by cell."""
    place, name = place_of(request), request.path_params["name"]
    form = await _form(request)
    try:
        base = {int(row): list(map(str, cells)) for row, cells in json.loads(_text(form, "base")).items()}
    except (ValueError, TypeError, AttributeError):
        raise HTTPException(400) from None
    ledger = await run_in_threadpool(_ledger, place, name)
    if ledger.outdated:
        raise HTTPException(423)
    for row, was in base.items():
        for column, old in enumerate(was[: len(ledger.columns)]):
            value = _text(form, f"cell-{row}-{column}")[:MOST_LETTERS]
            if f"cell-{row}-{column}" in form and value != old and row >= 2:
                await run_in_threadpool(place.drafts.change_cell, name, (row, column), value)
    return RedirectResponse(f"{address(place.name, 'table', name)}?row={min(base, default=2)}", 303)


async def outdated(request: Request) -> Response:
    """Take what was typed over an earlier state of a file for right all the same, or give it up."""
    place, name = place_of(request), request.path_params["name"]
    form = await _form(request)
    what = place.drafts.rebase if _text(form, "fits") == "yes" else place.drafts.settle
    await run_in_threadpool(what, name)
    return _see(place.name, "places") if name in LAYERS_DRAWN else _see(place.name, "table", name)


async def save_changes(request: Request) -> Response:
    """Put all changes into the vineyard's files."""
    place = place_of(request)
    await run_in_threadpool(save, place)
    return _see(place.name, "check")


async def begin_work(request: Request) -> Response:
    """Begin to map, to plan or to hold shoots against the map."""
    place, form = place_of(request), await _form(request)
    kind = request.url.path.rpartition("/")[2]
    if place.drafts.unsaved:
        await run_in_threadpool(save, place)
    out = new_folder(place.folder, kind)
    arguments, said = _arguments(kind, place, form)
    shown = shell_command(kind, place.folder, *said, "-o", out)
    await run_in_threadpool(jobs_of(request).start, place.name, kind, shown, out, folder=str(place.folder), **arguments)
    await run_in_threadpool(place.drafts.note, "began", work=kind, out=out.name)
    return _see(place.name, kind)


def _arguments(kind: str, place: Place, form: FormData) -> tuple[dict[str, Any], list[str | Path]]:
    """Return what the library is called with, and the words of the command that say the same."""
    if kind == "map":
        maps = {run.name: run.folder for run in runs(place.folder) if run.has_map}
        arguments: dict[str, Any] = {}
        said: list[str | Path] = []
        if (earlier := maps.get(_text(form, "compare"))) is not None:
            arguments, said = {"earlier": str(earlier)}, ["--compare", earlier]
        if (freeze := maps.get(_text(form, "after"))) is not None:
            arguments, said = {**arguments, "after": [str(freeze)]}, [*said, "--after", freeze]
        return arguments, said
    if kind == "spring":
        shoots = next((name for name in place.inputs if name.rpartition(".")[0].casefold() == "shoots"), "shoots.csv")
        return {"counts": str(place.folder / shoots)}, [place.folder / shoots]
    first = _text(form, "first") == "yes"
    return {"first": first}, ["--first"] if first else []


async def fetch(request: Request) -> Response:
    """Begin to fetch elevation, now that somebody who read what is fetched said so."""
    place = place_of(request)
    shown = shell_command("elevation", place.folder, "--yes")
    await run_in_threadpool(
        jobs_of(request).start, place.name, "elevation", shown, place.folder, folder=str(place.folder)
    )
    return _see(place.name, "elevation")


async def stop_work(request: Request) -> Response:
    """Stop what a vineyard is busy with."""
    place = place_of(request)
    job = jobs_of(request).of(place.name)
    if job is not None:
        await run_in_threadpool(jobs_of(request).stop, job)
        await run_in_threadpool(place.drafts.note, "began", work=job.work, out="")
        return _see(place.name, job.work)
    return _see(place.name)


async def begin_region(request: Request) -> Response:
    """Begin to map all vineyards together."""
    root = vineyards_of(request).root
    out = region_folder(root)
    shown = shell_command("region", root, "-o", out)
    await run_in_threadpool(jobs_of(request).start, "", "region", shown, out, folder=str(root))
    return RedirectResponse("/region", 303)


async def stop_region(request: Request) -> Response:
    """Stop it: what was mapped stays, and the next run goes on from there."""
    job = jobs_of(request).of("")
    if job is not None:
        await run_in_threadpool(jobs_of(request).stop, job)
    return RedirectResponse("/region", 303)


async def region_now(request: Request) -> Response:
    """Say how far the region is."""
    return _how_far(jobs_of(request).of(""), request)


async def job_now(request: Request) -> Response:
    """Say how far a vineyard's work is."""
    return _how_far(jobs_of(request).of(place_of(request).name), request)


def _how_far(job: Job | None, request: Request) -> Response:
    if job is None:
        raise HTTPException(404)
    return JSONResponse({"key": job.key, "state": job.state, "share": job.share, "stage": _stage(job, request)})


def _stage(job: Job, request: Request) -> str:
    """Say in the reader's language what is being done."""
    tile = _TILE.fullmatch(job.stages[-1]) if job.work == "elevation" and job.stages else None
    if tile is not None:
        named = (source.said for source in elevation_sources().values() if source.label == tile[1])
        came = Figure(float(tile[4] or 0), 1)
        said = words_in(language_of(request))
        return said("stage.tile", source=next(named, tile[1]), place=tile[2], count=tile[3], came=came)
    if job.work == "region" and job.stages:
        done, _, rest = job.stages[-1].removeprefix("vineyard ").partition(" of ")
        return words_in(language_of(request))("stage.vineyards", done=done, all=rest.partition(":")[0])
    stage = job.stages[-1].split(":")[0].replace(" ", "_") if job.stages else "starting"
    known = f"desk.stage.{stage}" in languages()["en"]
    return words_in(language_of(request))(f"stage.{stage}" if known else "stage.other")


async def close(request: Request) -> Response:
    """Close the desk."""
    answer = page(request, "closed")
    request.app.state.leave()
    return answer
