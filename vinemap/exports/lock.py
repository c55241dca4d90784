"""The lock on an output folder: one run at a time, and whoever comes second is told who holds it."""

from __future__ import annotations

import datetime as dt
import json
import os
import platform
import shlex
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from vinemap.errors import InputError, Problem
from vinemap.interrupts import held, on_stop

# A folder of ours inside the output folder, there only while a run lasts.
HIDDEN = ".vinemap"
LOCK, _HOLDER = "lock", "holder.json"
_PATIENCE_S = 1.0
_TRIES = 20

_held: dict[Path, int] = {}


@contextmanager
def locked(out: Path) -> Iterator[Path]:
    """Hold an output folder; give its true path.

    The operating system frees the lock of a process that dies, so that none is ever stale. Within a thread the lock may
    be taken again.

    Parameters
    ----------
    out : Path
        Made when missing, and taken away again where nothing came into it.

    Raises
    ------
    InputError
        When another run holds it: process, machine, start and command are named.
    """
    home = out.resolve()
    if _held.get(home) == threading.get_ident():
        yield home
        return
    made = [folder for folder in (home, *home.parents) if not folder.exists()]
    lock = FileLock(home / HIDDEN / LOCK, thread_local=False)

    def release() -> None:
        _held.pop(home, None)
        if lock.is_locked:
            # Removed while it is held: whoever waits for this very file finds it gone, and makes a new one.
            for name in (_HOLDER, LOCK):
                with suppress(OSError):
                    (home / HIDDEN / name).unlink()
            lock.release()
        for folder in (home / HIDDEN, *made):
            with suppress(OSError):
                folder.rmdir()

    with on_stop(release):
        try:
            with held():
                home.mkdir(parents=True, exist_ok=True)
                _acquire(lock, home, out)
                _held[home] = threading.get_ident()
            yield home
        finally:
            with held():
                release()


def _acquire(lock: FileLock, home: Path, out: Path) -> None:
    for _ in range(_TRIES):
        _make_hidden(home, out)
        try:
            lock.acquire(timeout=_PATIENCE_S)
        except Timeout as error:
            what, remedy = f"is being written by another run{_holder(home)}", "wait for its end, or use another folder"
            raise InputError([Problem(str(out), None, "", what, remedy)]) from error
        except FileNotFoundError:
            continue  # the run that held it has just tidied up
        return _introduce(home)
    raise TimeoutError(f"{out}: no lock could be made")


def _make_hidden(home: Path, out: Path) -> None:
    """Make the folder of the lock; a link in its place would lead elsewhere."""
    if (home / HIDDEN).is_symlink():
        raise InputError([Problem(str(out / HIDDEN), None, "", "is a link, not a folder of vinemap's", "remove it")])
    (home / HIDDEN).mkdir(exist_ok=True)


def _introduce(home: Path) -> None:
    """Leave word of who holds the lock."""
    holder = {
        "process": os.getpid(),
        "machine": platform.node(),
        "since": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "command": shlex.join(["vinemap", *sys.argv[1:]]),
    }
    (home / HIDDEN / _HOLDER).write_text(json.dumps(holder), encoding="utf-8")


def _holder(home: Path) -> str:
    try:
        found = json.loads((home / HIDDEN / _HOLDER).read_text(encoding="utf-8"))
        return f" (process {found['process']} on {found['machine']}, since {found['since']}: {found['command']})"
    except (OSError, ValueError, TypeError, KeyError):
        return ""
