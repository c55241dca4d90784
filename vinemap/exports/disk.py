"""What the disk has taken, and why it takes no more, in plain words."""

from __future__ import annotations

import errno
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from vinemap.errors import InputError, Problem, VinemapError
from vinemap.exports.record import places

_SPARE_BYTES = 1 << 18
_ELSEWHERE = "or name another folder"
_CAUSES = {
    errno.ENOSPC: ("the disk is full", f"make room on it, {_ELSEWHERE}"),
    errno.EDQUOT: ("your share of the disk is full", f"make room in it, {_ELSEWHERE}"),
    errno.EFBIG: ("the disk takes no file so large", "name a folder on another disk"),
    errno.EROFS: ("the disk can be read but not written", "name a folder on another disk"),
    errno.EACCES: ("you may not write there", f"change its permissions, {_ELSEWHERE}"),
    errno.EPERM: ("you may not write there", f"change its permissions, {_ELSEWHERE}"),
    errno.ENOTDIR: ("part of its path is a file, not a folder", "name another folder"),
    errno.ENAMETOOLONG: ("the name is too long", "name another folder"),
    errno.EISDIR: ("it holds a folder in the place of a file of vinemap's", "name another folder"),
    errno.ELOOP: ("it holds a link in the place of a file of vinemap's", "name another folder"),
}
_FULL = (errno.ENOSPC, errno.EDQUOT)


def flush(folder: Path) -> None:
    """Have the disk take every file below a folder, so that a power cut afterwards finds them."""
    for place in places(folder):
        handle = os.open(folder / place, os.O_RDWR)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    for here, _, _ in os.walk(folder):
        flush_names(Path(here))


def flush_names(folder: Path) -> None:
    """Have the disk take the names in a folder, where the system lets folders be opened."""
    if sys.platform == "win32":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def refuse_full(folder: Path) -> None:
    """Raise OSError where no room is left on a disk: libraries do not all say that the end of a file was lost."""
    with tempfile.TemporaryFile(dir=folder) as stream:
        stream.write(os.urandom(_SPARE_BYTES))
        stream.flush()
        os.fsync(stream.fileno())


@contextmanager
def plain_causes(out: Path, folders: tuple[Path, ...], probe: Path | None = None) -> Iterator[None]:
    """Turn what hinders writing into an `InputError` in plain words; the folder's name stands whole before them.

    Parameters
    ----------
    out : Path
        Output folder as the user named it.
    folders : tuple of Path
        Where files are written: other files' errors are let through.
    probe : Path, optional
        Folder to try whether the disk is full, whatever a library makes of that.
    """
    try:
        yield
    except VinemapError:
        raise
    except Exception as error:
        number = _number(error, folders)
        if number is None and probe is not None:
            number = _fullness(probe)
        if number is None:
            raise
        raise InputError([Problem(str(out), None, "", *_CAUSES[number])]) from error


def _number(error: Exception, folders: tuple[Path, ...]) -> int | None:
    """Return the system's number of a cause that has plain words."""
    # On Windows the same numbers stand for a file that is open elsewhere, which the system's own words say.
    if not isinstance(error, OSError) or error.errno not in _CAUSES or getattr(error, "winerror", None) is not None:
        return None
    if error.errno in _FULL or error.filename is None:
        return error.errno
    return error.errno if any(Path(error.filename).is_relative_to(folder) for folder in folders) else None


def _fullness(folder: Path) -> int | None:
    try:
        refuse_full(folder)
    except OSError as error:
        return error.errno if error.errno in _FULL else None
    return None
