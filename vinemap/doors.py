"""Which files a run may open: plain ones of a bounded size, in the folder that it was given."""

from __future__ import annotations

import stat
from pathlib import Path

from vinemap.sentences import Figure, Sentence


def barred(
    path: Path, most_bytes: int | None = None, *, within: Path | None = None
) -> tuple[Sentence, Sentence] | None:
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
    (Sentence, Sentence) or None
        What is wrong and what to do, as phrases for a `vinemap.errors.Problem`; None where it may be opened.
    """
    try:
        if within is not None and not path.resolve().is_relative_to(within.resolve()):
            return Sentence("fault.outside"), Sentence("remedy.copy_in")
        found = path.stat()
    # Links that lead in a circle raise RuntimeError before Python 3.13, a NUL in the name ValueError.
    except (OSError, RuntimeError, ValueError) as error:
        return unreadable(error)
    if stat.S_ISDIR(found.st_mode):
        return Sentence("fault.a_folder"), Sentence("remedy.rename_folder")
    if not stat.S_ISREG(found.st_mode):
        return Sentence("fault.no_plain_file"), Sentence("remedy.put_file")
    if most_bytes is not None and found.st_size > most_bytes:
        sizes = {"size": megabytes(found.st_size), "most": megabytes(most_bytes)}
        return Sentence("fault.too_large", **sizes), Sentence("remedy.only_ours_or_split")
    return None


def megabytes(size: int) -> Figure:
    """Return a size in bytes as it is said: whole megabytes from ten on."""
    return Figure(size / 1e6, 0 if size >= 1e7 else 1, "MB")


def unreadable(error: Exception) -> tuple[Sentence, Sentence]:
    """Say, as `barred` does, why the system gives no file."""
    reason = getattr(error, "strerror", None) or Sentence("fault.leads_nowhere")
    return Sentence("fault.unreadable", reason=reason), Sentence("remedy.free_file")
