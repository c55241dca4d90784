"""The lock on an output folder: one run at a time, and whoever comes second is told who holds it."""

from __future__ import annotations

import datetime as dt
import errno
import json
import os
import platform
import shlex
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from vinemap.doors import barred
from vinemap.errors import BusyError, InputError, Problem
from vinemap.interrupts import held, on_stop
from vinemap.sentences import Sentence

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

# A folder of ours inside the output folder, there only while a run lasts, and the lock in it, which says who holds it.
HIDDEN, LOCK = ".vinemap", "lock"
# Windows lets nobody read what is locked; this byte lies far behind the words.
_LOCKED_BYTE = 1 << 30
_TAKEN = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
_NO_LOCKS = (errno.ENOSYS, errno.ENOLCK, errno.EOPNOTSUPP)
_TRIES, _PAUSE_S = 20, 0.05
_MOST_BYTES = 100_000

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
    BusyError
        When another run holds it: process, machine, start and command are named.
    """
    home = out.resolve()
    if _held.get(home) == threading.get_ident():
        yield home
        return
    made = [folder for folder in (home, *home.parents) if not folder.exists()]
    handles: list[int] = []

    def release() -> None:
        for handle in handles:
            _held.pop(home, None)
            # Removed while it is held, so that whoever opened it before finds that it is gone; Windows removes what is
            # closed, and what nobody else has opened.
            with suppress(OSError):
                (home / HIDDEN / LOCK).unlink()
            os.close(handle)
            if sys.platform == "win32":
                with suppress(OSError):
                    (home / HIDDEN / LOCK).unlink()
        handles.clear()
        for folder in (home / HIDDEN, *made):
            with suppress(OSError):
                folder.rmdir()

    with on_stop(release):
        try:
            with held():
                home.mkdir(parents=True, exist_ok=True)
                handles.append(_taken(home, out))
                _held[home] = threading.get_ident()
            yield home
        finally:
            with held():
                release()


def _taken(home: Path, out: Path) -> int:
    """Lock, and return the open file; a run that is just ending is waited for."""
    path = home / HIDDEN / LOCK
    for _ in range(_TRIES):
        _make_hidden(home, out)
        with suppress(FileNotFoundError):  # the run that held it has just tidied up
            handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
            try:
                if _locks(handle) and os.path.samestat(os.fstat(handle), path.stat()):
                    _introduce(handle)
                    return handle
            except BaseException:
                os.close(handle)
                raise
            os.close(handle)
        time.sleep(_PAUSE_S)
    what = Sentence("fault.out.busy", holder=_holder(path))
    raise BusyError([Problem(str(out), None, "", what, Sentence("remedy.out.busy"))])


def _locks(handle: int) -> bool:
    """Whether the lock was free and is now ours."""
    try:
        if sys.platform == "win32":
            os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _NO_LOCKS:
            return True  # a disk without locks: two runs at once are still not mixed where folders are swapped
        if error.errno in _TAKEN:
            return False
        raise
    return True


def _make_hidden(home: Path, out: Path) -> None:
    """Make the folder of the lock; a link in its place would lead elsewhere."""
    if (home / HIDDEN).is_symlink():
        fault, remedy = Sentence("fault.out.link"), Sentence("remedy.remove")
        raise InputError([Problem(str(out / HIDDEN), None, "", fault, remedy)])
    (home / HIDDEN).mkdir(exist_ok=True)


def _introduce(handle: int) -> None:
    """Leave word of who holds the lock."""
    holder = {
        "process": os.getpid(),
        "machine": platform.node(),
        "since": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "command": shlex.join(["vinemap", *sys.argv[1:]]),
    }
    with suppress(OSError):
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, json.dumps(holder).encode())


def _holder(path: Path) -> Sentence | str:
    if barred(path, _MOST_BYTES) is not None:
        return ""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        said = {name: str(found[name]) for name in ("process", "machine", "since", "command")}
        return Sentence("fault.out.holder", **said)
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return ""
