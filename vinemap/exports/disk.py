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
from vinemap.sentences import Sentence

_SPARE_BYTES = 1 << 18
# What each cause is called in the sentences, and what to do about it.
_CAUSES = {
    errno.ENOSPC: ("full", "full"),
    errno.EDQUOT: ("share", "share"),
    errno.EFBIG: ("large", "other_disk"),
    errno.EROFS: ("read_only", "other_disk"),
    errno.EACCES: ("denied", "denied"),
    errno.EPERM: ("denied", "denied"),
    errno.ENOTDIR: ("path_file", "folder"),
    errno.ENAMETOOLONG: ("long", "folder"),
    errno.EISDIR: ("folder", "folder"),
    errno.ELOOP: ("link", "folder"),
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
        cause, remedy = _CAUSES[number]
        fault = Sentence(f"fault.disk.{cause}")
        raise InputError([Problem(str(out), None, "", fault, Sentence(f"remedy.disk.{remedy}"))]) from error


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
