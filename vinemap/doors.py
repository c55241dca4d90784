"""Which files a run may open: plain ones of a bounded size, in the folder that it was given."""

from __future__ import annotations

import stat
from pathlib import Path


def barred(path: Path, most_bytes: int | None = None, *, within: Path | None = None) -> tuple[str, str] | None:
    """Say why a file is not opened; nothing of it is read for that.

    Parameters
    ----------
    path : Path
    most_bytes : int, optional
        Size past which no file of its kind is opened.
    within : Path, optional
        Folder that the file must lie in once all symbolic links are followed: what a folder from somebody else points
        to elsewhere is not theirs to give.

    Returns
    -------
    (str, str) or None
        What is wrong and what to do, as phrases for a `vinemap.errors.Problem`; None where it may be opened.
    """
    try:
        if within is not None and not path.resolve().is_relative_to(within.resolve()):
            return "leads out of the vineyard's folder", "copy the file itself into the folder"
        found = path.stat()
    # Links that lead in a circle raise RuntimeError before Python 3.13, a NUL in the name ValueError.
    except (OSError, RuntimeError, ValueError) as error:
        return unreadable(error)
    if stat.S_ISDIR(found.st_mode):
        return "is a folder, not a file", "rename the folder"
    if not stat.S_ISREG(found.st_mode):
        return "is a pipe or a device, not a file", "put the file itself in its place"
    if most_bytes is not None and found.st_size > most_bytes:
        return (
            f"holds {megabytes(found.st_size)}, and at most {megabytes(most_bytes)} are read",
            "keep only what belongs to this vineyard, or split the vineyard into folders",
        )
    return None


def megabytes(size: int) -> str:
    """Return a size in bytes as words: whole megabytes from ten on."""
    return f"{size / 1e6:,.{0 if size >= 1e7 else 1}f} MB"


def unreadable(error: Exception) -> tuple[str, str]:
    """Say, as `barred` does, why the system gives no file."""
    reason = getattr(error, "strerror", None) or "its name leads nowhere"
    return f"cannot be read ({reason})", "close it in other programs and check its permissions"
