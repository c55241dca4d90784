"""The desk as an ASGI application: which address leads to what."""

from __future__ import annotations

from collections.abc import Callable

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import Route

from vinemap.desk import drawn, pages, posts
from vinemap.desk.jobs import Jobs
from vinemap.desk.safety import Guard, TooLargeError
from vinemap.desk.vineyards import Vineyards
from vinemap.errors import InputError

_PLACE = "/vineyards/{vineyard}"
_WORK = ("map", "plan", "spring")


def desk_app(vineyards: Vineyards, jobs: Jobs, port: int, token: str, leave: Callable[[], None]) -> Guard:
    """Return the application behind its guard.

    Parameters
    ----------
    vineyards : Vineyards
    jobs : Jobs
    port : int
        That it is served on.
    token : str
        Of the address that is opened.
    leave : callable
        Closes the desk once the last page is sent.
    """
    app = Starlette(
        routes=_routes(),
        exception_handlers={
            HTTPException: pages.missing,
            InputError: pages.wrong,
            OSError: pages.wrong,
            TooLargeError: pages.too_much,
        },
    )
    app.state.vineyards, app.state.jobs, app.state.leave = vineyards, jobs, leave
    return Guard(app, port, token, lambda path: path.endswith("/files"))


def _routes() -> list[Route]:
    looks = [Route("/", pages.home), Route("/assets/{digest}/{name}", pages.asset_file)]
    looks += [
        Route(f"{_PLACE}{way}", look)
        for way, look in (
            ("", pages.vineyard),
            ("/files", pages.files),
            ("/elevation", pages.elevation),
            ("/check", pages.check),
            ("/places", pages.places),
            ("/table/{name}", pages.table),
            *((f"/{work}", pages.work) for work in _WORK),
            ("/results", pages.results),
            ("/compare", pages.compare),
            ("/results/{run}/{file:path}", pages.made_file),
            ("/job", posts.job_now),
            ("/places.json", drawn.places),
            ("/faults.json", drawn.faults),
        )
    ]
    looks += [
        Route("/region", pages.region),
        Route("/region/job", posts.region_now),
        Route("/region/made/{file:path}", pages.region_made),
    ]
    acts = [
        Route("/region", posts.begin_region, methods=["POST"]),
        Route("/region/stop", posts.stop_region, methods=["POST"]),
        Route("/vineyards", posts.begin, methods=["POST"]),
        Route("/language", posts.language, methods=["POST"]),
        Route("/close", posts.close, methods=["POST"]),
    ]
    acts += [
        Route(f"{_PLACE}{way}", act, methods=["POST"])
        for way, act in (
            ("/files", posts.give),
            ("/files/take-back", posts.take_away),
            ("/files/answers", posts.answer),
            ("/files/put", posts.put),
            ("/cell", posts.cell),
            ("/table/{name}", posts.cells),
            ("/outdated/{name}", posts.outdated),
            ("/save", posts.save_changes),
            *((f"/{work}", posts.begin_work) for work in _WORK),
            ("/elevation", posts.fetch),
            ("/stop", posts.stop_work),
        )
    ]
    return [*looks, *acts, Route(f"{_PLACE}/places/{{layer}}/{{id}}", drawn.change, methods=["PUT", "DELETE"])]
