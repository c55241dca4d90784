"""Dask sees to it that every vineyard is mapped once, on this machine's cores or on any cluster's.

What is here is only what Dask leaves to its user: how many vineyards are under way, and what to do when the scheduler
itself goes away.
"""

from __future__ import annotations

import asyncio
import logging
import math
import os
import secrets
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

from vinemap.errors import VinemapError
from vinemap.region.task import Outcome, Task, map_member
from vinemap.sentences import Figure, Sentence, everywhere
from vinemap.states import Mapped

_AHEAD = 3
"""Vineyards that wait at the scheduler for each one that is worked on: so many, whatever the region's size, are all
that scheduler and driver hold."""
_FEWEST_AHEAD = 8
_DEATHS = 5
"""Workers that a vineyard may outlive: past these it is taken for what kills them."""
PATIENCE_S = 300.0
"""Seconds to wait for a scheduler, and for it to have a worker."""
_LOOK_S, _PAUSE_S = 2.0, 0.1

_Opened = Callable[[], Any]
_CONFIG = {
    "distributed.scheduler.allowed-failures": _DEATHS,
    # A worker has one vineyard and no other waits with it: those that wait would be blamed for its death too.
    "distributed.scheduler.worker-saturation": 1.0,
    # After 15 s Dask would close a nanny whose worker is on its way again: on a busy machine that takes longer.
    "distributed.deploy.lost-worker-timeout": "1h",
    "distributed.admin.tick.limit": "1h",
}


@contextmanager
def cluster(scheduler: str | None, workers: int | None = None, patience_s: float = PATIENCE_S) -> Iterator[_Opened]:
    """Give what opens a client of a running scheduler, or of a cluster of processes on this machine.

    Parameters
    ----------
    scheduler : str or None
        Address (``tcp://host:8786``); None starts as many processes here as there are cores, which listen on the
        loopback alone, share the machine's memory, and are restarted past their part of it.
    workers : int, optional
        Processes to start here in place of one a core.
    patience_s : float
        Seconds to wait for a scheduler that does not answer.

    Raises
    ------
    VinemapError
        When Dask is not installed.
    """
    try:
        import dask  # noqa: PLC0415 - an extra
        from distributed import Client, LocalCluster  # noqa: PLC0415
    except ImportError as error:
        raise VinemapError(Sentence("fault.no_region")) from error
    # A lost worker or scheduler is expected here and told in our own words.
    for name in ("distributed", "tornado.application"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    with dask.config.set(_CONFIG):
        if scheduler is not None:
            yield lambda: Client(scheduler, timeout=patience_s, set_as_default=False)
            return
        # Where Ctrl-C ends this process, the one that minds its semaphores would have the last word about them.
        os.environ.setdefault("PYTHONWARNINGS", "ignore::UserWarning:multiprocessing.resource_tracker")
        local = LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",  # None would take a port of its own, on every interface
            silence_logs=logging.CRITICAL,
        )
        with local, _kept_full(local):
            yield lambda: Client(local, timeout=patience_s, set_as_default=False)


@contextmanager
def _kept_full(local: Any) -> Iterator[None]:
    """See to it that a cluster on this machine has all its workers until the end.

    A worker that dies is begun again by the nanny that minds it. Dask closes a nanny whose worker it misses for long,
    a nanny closes itself where its worker cannot be begun, and nothing takes its place: once all had gone so, a run
    would wait for ever.
    """
    from tornado.ioloop import PeriodicCallback  # noqa: PLC0415 - comes with distributed

    minded = PeriodicCallback(partial(_fill_up, local, len(local.worker_spec)), 1000 * _LOOK_S)
    local.loop.add_callback(minded.start)
    try:
        yield
    finally:
        local.loop.add_callback(minded.stop)


def _fill_up(local: Any, count: int) -> None:
    """Begin workers in the place of those that nothing begins again."""
    for name, nanny in local.workers.items():
        if nanny.status.name in ("closed", "failed"):
            local.worker_spec.pop(name, None)
    if local.workers.keys() != local.worker_spec.keys() or len(local.worker_spec) < count:
        local.scale(count)


def outcomes(
    tasks: Iterable[Task],
    opened: _Opened,
    work: Callable[[Task], Outcome] = map_member,
    patience_s: float = PATIENCE_S,
) -> Iterator[tuple[Task, Outcome]]:
    """Yield every task with its outcome, as they come, each once.

    Tasks whose worker died are given to another by Dask; those that were under way when the scheduler went away are
    given to the one that answers at its address afterwards.

    Parameters
    ----------
    tasks : iterable of Task
        Drawn as there is room for them.
    opened : callable
        Of `cluster`.
    work : callable
        What is done with each; it must be safe to do twice.
    patience_s : float
        Seconds to wait for a scheduler to have a worker.

    Raises
    ------
    VinemapError
        When no scheduler answers, or the one that does has no worker.
    """
    waiting, rest = deque[Task](), iter(tasks)
    while True:
        try:
            client = opened()
        except (OSError, TimeoutError) as error:
            reason = str(error) or type(error).__name__
            raise VinemapError(Sentence("fault.region.scheduler", reason=reason)) from error
        with client:
            if (yield from _through(client, waiting, rest, work, patience_s)):
                return


def _through(
    client: Any, waiting: deque[Task], rest: Iterator[Task], work: Callable[[Task], Outcome], patience_s: float
) -> Generator[tuple[Task, Outcome], None, bool]:
    """Yield outcomes until all are done, or the scheduler is lost: what was under way then waits again.

    Returns
    -------
    bool
        Whether all are done.
    """
    from distributed import as_completed  # noqa: PLC0415 - an extra

    under_way: dict[str, Task] = {}
    done = as_completed(loop=client.loop, with_results=False, raise_errors=False)
    drawn, room, looked = False, 0, -math.inf

    def fill() -> None:
        nonlocal drawn, room, looked
        if (now := time.monotonic()) - looked > _LOOK_S:
            room, looked = max(_FEWEST_AHEAD, _AHEAD * sum(client.nthreads().values())), now
        while len(under_way) < room and not drawn:
            task = waiting.popleft() if waiting else next(rest, None)
            if task is None:
                drawn = True
                return
            # A key of its own: a task that is asked for again is done again.
            key = f"{task.name}-{secrets.token_hex(8)}"
            under_way[key] = task
            done.add(client.submit(work, task, key=key))

    # A broken connection is an OSError, and what had been asked for over it counts as cancelled.
    with suppress(OSError, CancelledError, asyncio.CancelledError):
        fill()
        for future in _as_they_end(done, client, patience_s):
            if future.status not in ("finished", "error"):
                break
            outcome = _outcome(future)
            yield under_way.pop(future.key), outcome
            fill()
    waiting.extend(under_way.values())
    return drawn and not waiting


def _as_they_end(done: Any, client: Any, patience_s: float) -> Iterator[Any]:
    """Yield futures as they end; raise where there is nobody to end any."""
    seen = looked = time.monotonic()
    while not done.is_empty():
        if done.has_ready():
            yield next(done)
            seen = time.monotonic()
            continue
        # As it waits itself, but for who else is there.
        with done.thread_condition:
            done.thread_condition.wait(_PAUSE_S)
        now = time.monotonic()
        if now - looked < _LOOK_S:
            continue
        looked = now
        if client.nthreads():
            seen = now
        elif now - seen > patience_s:
            raise VinemapError(Sentence("fault.region.no_workers"))


def _outcome(future: Any) -> Outcome:
    if future.status == "finished":
        outcome: Outcome = future.result()
        return outcome
    error = future.exception()
    what = type(error).__name__
    if what == "KilledWorker":
        return Outcome(Mapped.FAILED, (everywhere(Sentence("fault.region.deaths", count=Figure(_DEATHS + 1))),))
    return Outcome(Mapped.FAILED, (everywhere(f"{what}: {error}"),))
