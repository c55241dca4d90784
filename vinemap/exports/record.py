"""run.json: what a run wrote, of which vineyard, so that the next run replaces that and nothing else."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from vinemap.doors import barred
from vinemap.errors import InputError, Problem
from vinemap.reading.files import inputs_in
from vinemap.resources import write_json
from vinemap.sentences import Listed, Sentence

RUN_FILE = "run.json"
MOST_BYTES = 10_000_000
"""Size past which a record of ours, here and of an exchange, is none: it is read whole."""

# Past any output: a file so large, which may be a hole alone, is nobody's but the user's, and is not read through.
_MOST_OUTPUT_BYTES = 4_000_000_000


@dataclass(frozen=True)
class Record:
    """What run.json says of an earlier run.

    Attributes
    ----------
    name : str
        Of the vineyard.
    folder : str or None
        Of the vineyard, as the way to it from the output folder; None where an older version did not say.
    files : dict of str to str, or None
        Place of each file that the run wrote, but for run.json, and its SHA-256; None where an older version did not
        say.
    to_fill : tuple of str
        Those of them that people fill in.
    """

    name: str
    folder: str | None
    files: dict[str, str] | None
    to_fill: tuple[str, ...]


def write_record(
    stage: Path, out: Path, folder: Path, command: str, report: Mapping[str, Any], to_fill: Iterable[str]
) -> None:
    """Write run.json beside the files of a run: the report, the command, the way to the vineyard, files and digests."""
    files = {place: digest(stage / place) for place in places(stage)}
    own = {"vinemap": version("vinemap"), "command": command, "folder": way(out, folder)}
    write_json({**own, **report, "to_fill": list(to_fill), "files": files}, stage / RUN_FILE)


def read_record(out: Path) -> Record | None:
    """Return what an earlier run wrote into a folder; None where it holds no run.json.

    Raises
    ------
    InputError
        When run.json is not one of vinemap's.
    """
    path = out / RUN_FILE
    if not os.path.lexists(path):
        return None
    if barred(path, MOST_BYTES) is not None:
        raise refused(path, Sentence("fault.out.would_replace"))
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        name, folder, files = str(found["name"]), found.get("folder"), found.get("files")
        _ = found["vinemap"]
        listed = (
            None if files is None else {str(place): str(sha) for place, sha in files.items() if within(out, str(place))}
        )
        to_fill = tuple(str(place) for place in found.get("to_fill", ()) if within(out, str(place)))
        return Record(name, folder if folder is None else str(folder), listed, to_fill)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise refused(path, Sentence("fault.out.would_replace")) from error


def refuse(out: Path, folder: Path, name: str | None = None) -> Record | None:
    """Refuse an output folder that holds what is not vinemap's to replace; return what an earlier run wrote.

    Parameters
    ----------
    out : Path
        Output folder; it may be missing.
    folder : Path
        Of the vineyard.
    name : str, optional
        Of the vineyard, where it is known by now.

    Raises
    ------
    InputError
        For the vineyard's own folder, one that holds inputs but no run.json, one of another vineyard, and one with
        tables that have been filled in.
    """
    if out.resolve() == folder.resolve():
        raise refused(out, Sentence("fault.out.own_folder"))
    if out.exists() and not out.is_dir():
        raise refused(out, Sentence("fault.out.a_file"))
    earlier = read_record(out)
    if earlier is None:
        if held := inputs_in(out):
            raise refused(out, Sentence("fault.out.inputs", names=Listed(held, together=True, most=None)))
        return None
    here = way(out, folder)
    if earlier.folder != here if earlier.folder is not None else name not in (None, earlier.name):
        other = repr(earlier.name)
        raise refused(
            out,
            Sentence("fault.out.other", name=other)
            if earlier.folder is None
            else Sentence("fault.out.other_from", name=other, there=earlier.folder, here=here),
        )
    filled = [place for place in earlier.to_fill if _is_changed(out, place, earlier)]
    if filled:
        raise InputError(
            Problem(str(out / place), None, "", Sentence("fault.out.filled"), Sentence("remedy.move_or_elsewhere"))
            for place in filled
        )
    return earlier


def _is_changed(out: Path, place: str, earlier: Record) -> bool:
    """Whether a file is there and other than the earlier run wrote it."""
    return os.path.isfile(out / place) and not is_unchanged(out / place, (earlier.files or {}).get(place))


def is_unchanged(path: Path, sha: str | None) -> bool:
    """Whether a file is still as it was written, with this SHA-256."""
    return path.stat().st_size <= _MOST_OUTPUT_BYTES and digest(path) == sha


def way(out: Path, folder: Path) -> str:
    """Return the way from an output folder to a vineyard's: it holds when both are moved together."""
    try:
        return Path(os.path.relpath(folder.resolve(), out.resolve())).as_posix()
    except ValueError:  # on another drive
        return folder.resolve().as_posix()


def places(folder: Path) -> list[str]:
    """Return every file below a folder by the way to it, with forward slashes; links count, to folders too."""
    found = (
        Path(here, name)
        for here, folders, files in os.walk(folder)
        for name in (*files, *(name for name in folders if Path(here, name).is_symlink()))
    )
    return sorted(path.relative_to(folder).as_posix() for path in found)


def within(folder: Path, place: str) -> bool:
    """Return whether a place that a file names lies below a folder, whatever the system and through no link."""
    paths = (PurePosixPath(place), PureWindowsPath(place))
    if not place or any(path.anchor or path.drive or ".." in path.parts for path in paths):
        return False
    return not any(path.is_symlink() for path in (folder, *(folder / place).parents) if path.is_relative_to(folder))


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def refused(path: Path, what: Sentence) -> InputError:
    """Return the refusal of a place to write to."""
    return InputError([Problem(str(path), None, "", what, Sentence("remedy.elsewhere"))])
