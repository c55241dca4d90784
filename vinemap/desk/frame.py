"""What every page of the desk stands in: words in the reader's language, the way through the work, the command."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse

from vinemap.desk.assets import assets
from vinemap.desk.jobs import Jobs
from vinemap.desk.vineyards import Place, Vineyards
from vinemap.sentences import Said, languages, said, section, unreviewed
from vinemap.web.embed import to_json
from vinemap.web.templates import render, trusted

LANGUAGE = "vinemap_language"
"""Name of the cookie that keeps the reader's language."""
STEPS = ("files", "places", "check", "plan", "map", "results", "spring")
"""Pages of a vineyard, in the order of the work."""


def language_of(request: Request) -> str:
    """Return the language that the reader chose, else the first of the browser's that there are words in."""
    chosen = request.cookies.get(LANGUAGE, "")
    wanted = [part.split(";")[0].strip()[:2].lower() for part in request.headers.get("accept-language", "").split(",")]
    return next((language for language in (chosen, *wanted) if language in languages()), "en")


def vineyards_of(request: Request) -> Vineyards:
    """Return what the desk holds."""
    held: Vineyards = request.app.state.vineyards
    return held


def jobs_of(request: Request) -> Jobs:
    """Return the desk's work."""
    jobs: Jobs = request.app.state.jobs
    return jobs


def address(place: str, *parts: str) -> str:
    """Return the path of a page of a vineyard."""
    return "/".join(["/vineyards", *(quote(part, safe="") for part in (place, *parts))])


def shell_command(*words: str | Path) -> str:
    """Return a call of the command line as a shell takes it."""
    return shlex.join(["vinemap", *map(str, words)])


def page(
    request: Request,
    template: str,
    place: Place | None = None,
    *,
    step: str = "",
    status: int = 200,
    command: str | None = None,
    data: Mapping[str, Any] | None = None,
    **values: Any,
) -> HTMLResponse:
    """Return a page of the desk.

    Parameters
    ----------
    request : Request
    template : str
        Name of the file in ``desk/templates`` without its endings.
    place : Place, optional
        The vineyard that the page is about.
    step : str
        Of `STEPS`, where the page is one of them.
    status : int
        Of HTTP.
    command : str, optional
        That does what the page does.
    data : mapping, optional
        What the page's script reads beside its words.
    **values
        For the template.
    """
    language = language_of(request)
    job = None if place is None else jobs_of(request).of(place.name)
    html = render(
        f"desk/templates/{template}.html.j2",
        language=language,
        languages={code: words["language"] for code, words in languages().items()},
        t=words_in(language),
        speak=speaker(language),
        place=place,
        step=step,
        steps=STEPS,
        address=address,
        busy=job if job is not None and job.state == "running" else None,
        here=request.url.path,
        command=command,
        unreviewed=said(language, "page.unreviewed") if language in unreviewed() else "",
        alone=vineyards_of(request).is_one,
        assets=assets().addresses,
        # No character that an HTML parser acts on is left in this JSON.
        data=trusted(to_json({"language": language, "texts": section("desk.script"), **(data or {})})),
        **values,
    )
    return HTMLResponse(html, status)


def words_in(language: str) -> Callable[..., str]:
    """Return the function by which templates say a sentence of the desk."""

    def t(key: str, **values: Any) -> str:
        return said(language, f"desk.{key}", **values)

    return t


def speaker(language: str) -> Callable[[object], str]:
    """Return the function by which templates say a sentence of the library, a term, or plain text."""

    def speak(value: object) -> str:
        if isinstance(value, Mapping):
            return str(value.get(language, value["en"]))
        return value.said(language) if isinstance(value, Said) else str(value)

    return speak
