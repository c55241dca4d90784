"""Dask sees to it that every vineyard is mapped once, on this machine's cores or on any cluster's.

What is here is only what Dask leaves to its user: how many vineyards are under way, and what to do when the scheduler
itself goes away.
"""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from typing import Any

from vinemap.errors import VinemapError
from vinemap.region.task import Outcome, Task, map_member
from vinemap.sentences import Sentence
from vinemap.states import Mapped

_AHEAD = 3
"""Vineyards that wait at the scheduler for each one that is worked on: so many, whatever the region's size, are all
that scheduler and driver hold."""
_FEWEST_AHEAD = 8
_DEATHS = 5
"""Workers that a vineyard may outlive: past these it is taken for what kills them."""

_Opened = Callable[[], Any]


@contextmanager
def cluster(scheduler: str | None, workers: int | None = None, patience_s: float = 300.0) -> Iterator[_Opened]:
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
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    config = {"distributed.scheduler.allowed-failures": _DEATHS, "distributed.admin.tick.limit": "1h"}
    with dask.config.set(config):
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
        with local:
            yield lambda: Client(local, timeout=patience_s, set_as_default=False)


def outcomes(
    tasks: Iterable[Task], opened: _Opened, work: Callable[[Task], Outcome] = map_member
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

    Raises
    ------
    VinemapError
        When no scheduler answers.
    """
    waiting, rest = deque[Task](), iter(tasks)
    while True:
        try:
            client = opened()
        except (OSError, TimeoutError) as error:
            reason = str(error) or type(error).__name__
            raise VinemapError(Sentence("fault.region.scheduler", reason=reason)) from error
        with client:
            if (yield from _through(client, waiting, rest, work)):
                return


def _through(
    client: Any, waiting: deque[Task], rest: Iterator[Task], work: Callable[[Task], Outcome]
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
    drawn = False

    def fill() -> None:
        nonlocal drawn
        room = max(_FEWEST_AHEAD, _AHEAD * sum(client.nthreads().values()))
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
        for future in done:
            if future.status not in ("finished", "error"):
                break
            outcome = _outcome(future)
            yield under_way.pop(future.key), outcome
            fill()
    waiting.extend(under_way.values())
    return drawn and not waiting


def _outcome(future: Any) -> Outcome:
    if future.status == "finished":
        outcome: Outcome = future.result()
        return outcome
    error = future.exception()
    what = type(error).__name__
    if what == "KilledWorker":
        words = f"{_DEATHS + 1} workers died of it, for want of memory, it seems; map it alone, on a larger machine"
        return Outcome(Mapped.FAILED, (words,))
    return Outcome(Mapped.FAILED, (f"{what}: {error}",))
