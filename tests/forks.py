"""Processes that begin with the libraries loaded: to load them takes longer than most of what is tested in them."""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from multiprocessing.forkserver import ensure_running
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import TYPE_CHECKING

from vinemap.__main__ import main

if TYPE_CHECKING:
    from multiprocessing.context import ForkServerContext  # which Windows lacks


_METHOD = "distributed.worker.multiprocessing-method"


def forking() -> ForkServerContext:
    """Return the context that forks each process from one that has loaded what maps, plans and serves."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["tests.forks", "vinemap.desk.serve", "vinemap.pipeline.writing", "vinemap.plan.run"]
    )
    return context


@contextmanager
def forked_workers() -> Iterator[None]:
    """Let Dask fork the workers of a cluster on this machine likewise, in the place of new ones that load all again."""
    import dask  # noqa: PLC0415 - for regions alone, as pytest is for what is not forked
    import pytest  # noqa: PLC0415
    from distributed import utils  # noqa: PLC0415 - whose settings must stand before one of them is set for a while

    forking()
    ensure_running()
    with pytest.MonkeyPatch.context() as patch, dask.config.set({_METHOD: "forkserver"}):
        # Or Dask has its own libraries loaded there, and looks for all that it may work with.
        patch.setattr(utils, "_forkserver_preload_set", True)
        yield


def command(
    told: Path, *arguments: str, at: tuple[str, str, int] | None = None, printed: Connection | None = None
) -> BaseProcess:
    """Start the command line in a process of its own; what it complains of goes to a file.

    With ``at`` it gets a signal at an audit event (PEP 578) one of whose first arguments ends with the words given.
    What it prints goes to the end of a pipe that is given, or nowhere.
    """
    process = forking().Process(target=_command, args=(str(told), arguments, at, printed))
    process.start()
    return process


def _command(
    told: str, arguments: tuple[str, ...], at: tuple[str, str, int] | None, printed: Connection | None
) -> None:
    for stream, path in ((1, os.devnull), (2, told)):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), stream)
    if printed is not None:
        os.dup2(printed.fileno(), 1)
        printed.close()
        # The stream that is there was made for a file, and would seek.
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    if at is not None:
        _signal_at(*at)
    sys.argv = ["vinemap", *arguments]
    main()


def _signal_at(event: str, words: str, number: int) -> None:
    sent: list[str] = []

    def watch(now: str, about: tuple[object, ...]) -> None:
        if now == event and not sent and any(str(part).endswith(words) for part in about[:2]):
            sent.append(now)
            os.kill(os.getpid(), number)

    sys.addaudithook(watch)
