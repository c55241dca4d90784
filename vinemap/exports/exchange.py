"""Outputs that take the place of earlier ones all together or not at all, whatever stops the run.

Where the system can (Linux, macOS), the whole output folder is exchanged by one rename, so that it holds the old
outputs or the new ones at every moment. Where it cannot, or where the folder is not vinemap's alone, a mount point, or
the folder that the caller stands in, files are exchanged one by one under a journal, and the next run undoes what a
killed one left half done. Files that vinemap did not write are never removed.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from vinemap.characters import for_terminal
from vinemap.doors import barred
from vinemap.exports.disk import flush, flush_names, plain_causes, refuse_full
from vinemap.exports.lock import HIDDEN, LOCK, locked
from vinemap.exports.record import (
    MOST_BYTES,
    RUN_FILE,
    Record,
    digest,
    is_unchanged,
    places,
    refuse,
    refused,
    within,
    write_record,
)
from vinemap.interrupts import held, note_written, on_stop
from vinemap.reading.files import refuse_odd_name
from vinemap.sentences import Sentence

_NEW, _OLD, _JOURNAL, _DRAFT = "new", "old", "journal.json", "journal.draft"
_MOST_PAGE_BYTES = 100_000_000


@contextmanager
def claimed(out: Path, folder: Path) -> Iterator[Path]:
    """Hold an output folder for a run, and refuse at once what could not be written at the end; give its true path.

    What a killed run left behind is undone or cleaned away first.

    Parameters
    ----------
    out : Path
        Output folder; made when missing, and taken away again where nothing came into it.
    folder : Path
        Of the vineyard.

    Raises
    ------
    InputError
        When another run holds the folder, when it holds what is not this vineyard's outputs (`vinemap.exports.record`),
        or when it cannot be written to.
    """
    with _settled(out) as home:
        refuse(out, folder)
        yield home


@contextmanager
def staged(
    out: Path, folder: Path, command: str, report: Mapping[str, Any], to_fill: Iterable[str] = ()
) -> Iterator[Path]:
    """Give an empty folder whose files become the whole of a run's outputs when all went well.

    run.json is added to them. Files that an earlier run wrote and this one does not go away; what people put into the
    folder, or changed of what would go away, stays. After an error the folder is as it was.

    Parameters
    ----------
    out, folder
        As in `claimed`.
    command : str
        That writes, as run.json names it.
    report : dict
        Content of run.json; ``name`` is the vineyard's.
    to_fill : iterable of str
        Files that people fill in; once they have, no run replaces them.

    Raises
    ------
    InputError
        As `claimed`, and where a file of somebody else's stands in the place of an output.
    """
    with _settled(out) as home:
        earlier = refuse(out, folder, report["name"])
        with _stage(home, out, swap=_is_ours_alone(home, earlier)) as stage:
            yield stage
            write_record(stage, home, folder, command, report, to_fill)
            _exchange(home, stage, _replacing(home, stage, earlier), out)


@contextmanager
def added(folder: Path, replacing: Iterable[str] = ()) -> Iterator[Path]:
    """Give an empty folder whose files are moved beside those of another folder when all went well.

    Parameters
    ----------
    folder : Path
        Made when missing.
    replacing : iterable of str
        Names of files that may be replaced; any other that is there already is refused.

    Raises
    ------
    InputError
        Where a file is there already, when another run holds the folder, or when it cannot be written to.
    """
    with _settled(folder) as home, _stage(home, folder, swap=False) as stage:
        yield stage
        _exchange(home, stage, _changes(home, stage, dict.fromkeys(replacing, "")), folder)


@contextmanager
def replaced(page: Path, mark: str) -> Iterator[Path]:
    """Give the path of a page to write, which becomes ``page`` when all went well.

    Parameters
    ----------
    page : Path
        File; one that is there already is replaced where it holds the mark, else refused.
    mark : str
        By which an earlier page of this kind is known.
    """
    ours = barred(page, _MOST_PAGE_BYTES) is None and mark in page.read_text(encoding="utf-8", errors="replace")
    if os.path.lexists(page) and not ours:
        raise refused(page, Sentence("fault.out.no_page"))
    with added(page.absolute().parent, replacing=[page.name]) as stage:
        yield stage / page.name


def settle(out: Path) -> None:
    """Undo what a killed run left half exchanged in a folder that is about to be read."""
    if any((work / _JOURNAL).exists() for work in _workplaces(out.resolve())):
        with _settled(out):
            pass


@contextmanager
def _settled(out: Path) -> Iterator[Path]:
    """Hold a folder that is to be written to, with nothing in it of a run that was killed."""
    refuse_odd_name(out)
    with ExitStack() as stack:
        with plain_causes(out, (out.resolve(),)):
            home = stack.enter_context(locked(out))
            _settle(home)
            refuse_full(home / HIDDEN)
        yield home


# Where a run works before its outputs are in place.


def _beside(home: Path) -> Path:
    return home.parent / f".{home.name}{HIDDEN}"


def _workplaces(home: Path) -> tuple[Path, Path]:
    return _beside(home), home / HIDDEN


@contextmanager
def _stage(home: Path, out: Path, *, swap: bool) -> Iterator[Path]:
    """Give the empty folder that outputs are written to, and clear the place in the end.

    It lies beside the output folder where it can take its place as a whole, else inside.
    """

    def clear() -> None:
        _clear(home)

    with on_stop(clear):
        try:
            work = _beside(home) if swap and _can_swap(home) else home / HIDDEN
            for name in (_NEW, _OLD):
                (work / name).mkdir(exist_ok=True)
            with plain_causes(out, (home, work), probe=work / _OLD):
                yield work / _NEW
        finally:
            with held():
                clear()


def _clear(home: Path) -> None:
    """Remove what a run worked with, but for the lock, and but for what the next run has to undo."""
    for work in _workplaces(home):
        if work.is_symlink() or (work / _JOURNAL).exists():
            continue
        for name in (_NEW, _OLD):
            shutil.rmtree(work / name, ignore_errors=True)
        with suppress(OSError):
            (work / _DRAFT).unlink()
        if work == _beside(home):
            with suppress(OSError):
                work.rmdir()


def _is_ours_alone(home: Path, earlier: Record | None) -> bool:
    """Whether a folder is new or an earlier run's, and no folder in it is anybody else's."""
    if earlier is None:
        return {path.name for path in home.iterdir()} == {HIDDEN}
    ours = {home / HIDDEN, *(parent for place in earlier.files or () for parent in (home / place).parents)}
    return all(Path(here) in ours for here, _, _ in os.walk(home) if Path(here) != home)


def _can_swap(home: Path) -> bool:
    """Whether a folder made beside another can take its place by one rename and be like it; it stands ready then."""
    work = _beside(home)
    try:
        if sys.platform == "win32" or home == Path.cwd() or home in Path.cwd().parents or work.is_symlink():
            return False
        for name in (_NEW, _OLD):
            (work / name).mkdir(parents=True)
        # What people put into the folder is carried over by links, which do not reach across a mount point.
        os.link(home / HIDDEN / LOCK, work / _OLD / LOCK)
        _swap(work / _NEW, work / _OLD)
        (work / _NEW / LOCK).unlink()
        like, made = home.stat(), (work / _NEW).stat()
        if (like.st_uid, like.st_gid) != (made.st_uid, made.st_gid):
            os.chown(work / _NEW, like.st_uid, like.st_gid)
        shutil.copystat(home, work / _NEW)
    except OSError:
        shutil.rmtree(work, ignore_errors=True)
        return False
    return True


def _swap(one: Path, other: Path) -> None:
    """Let two folders take each other's place by one rename, where the system can."""
    libc = ctypes.CDLL(None, use_errno=True)
    names = os.fsencode(one), os.fsencode(other)
    try:
        if sys.platform == "darwin":
            failed = libc.renamex_np(*names, ctypes.c_uint(2))  # RENAME_SWAP
        else:
            here = ctypes.c_int(-100)  # AT_FDCWD
            failed = libc.renameat2(here, names[0], here, names[1], ctypes.c_uint(2))  # RENAME_EXCHANGE
    except AttributeError:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS)) from None
    if failed:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), str(other))


# What is exchanged, and the exchange.


@dataclass(frozen=True)
class _Changes:
    """What an exchange does to a folder: places of its files, with forward slashes.

    Attributes
    ----------
    new : dict of str to str
        That come in, with their SHA-256.
    gone : list of str
        That are replaced or removed.
    """

    new: dict[str, str]
    gone: list[str]


def _replacing(home: Path, stage: Path, earlier: Record | None) -> _Changes:
    """Return what replaces an earlier run's outputs."""
    if earlier is None:
        return _changes(home, stage, {})
    # An older version did not list what it wrote: what has the same name is its.
    ours = dict.fromkeys(places(stage), "") if earlier.files is None else earlier.files
    return _changes(home, stage, {**ours, RUN_FILE: ""})


def _changes(home: Path, stage: Path, ours: Mapping[str, str]) -> _Changes:
    """Return what is to be exchanged; refuse to replace any file but ours, and remove those of ours with their digest.

    Parameters
    ----------
    ours : mapping of str to str
        Place and SHA-256 of files that may be replaced, and removed where they are still so.
    """
    new = {place: digest(stage / place) for place in places(stage)}
    for place in new:
        if os.path.lexists(home / place) and not (place in ours and _is_plain_file(home / place)):
            raise refused(home / place, Sentence("fault.out.not_ours"))
        for parent in (home / place).parents:
            if parent.is_relative_to(home) and os.path.lexists(parent) and (parent.is_symlink() or not parent.is_dir()):
                raise refused(parent, Sentence("fault.out.no_folder"))
    there = [place for place in sorted(ours) if _is_plain_file(home / place)]
    return _Changes(new, [place for place in there if place in new or is_unchanged(home / place, ours[place])])


def _is_plain_file(path: Path) -> bool:
    # os.path says no where a name is too long for the system, at which pathlib raises.
    return os.path.isfile(path) and not os.path.islink(path)


def _exchange(home: Path, stage: Path, changes: _Changes, out: Path) -> None:
    """Put new files into place and old ones away, all or none; signals wait meanwhile."""
    work = stage.parent
    flush(stage)
    refuse_full(work / _OLD)
    with held():
        if work == home / HIDDEN or not _swapped(home, work, changes):
            _move(home, work, changes)
        note_written(for_terminal(str(out)))


def _swapped(home: Path, work: Path, changes: _Changes) -> bool:
    """Exchange the whole folder; return whether that could be done."""
    stage = work / _NEW
    try:
        _carry_over(home, stage, changes)
        _note(work, {"inode": stage.stat().st_ino, **asdict(changes)})
        _swap(stage, home)
    except OSError:
        (work / _JOURNAL).unlink(missing_ok=True)
        return False
    flush_names(home.parent)
    with suppress(OSError):  # the outputs are in place; what could not be brought over now, the next run brings
        _bring_over(stage, home, changes.gone)
        (work / _JOURNAL).unlink()
    return True


def _carry_over(home: Path, stage: Path, changes: _Changes) -> None:
    """Link what is not exchanged, the lock too, into the folder that is to take its place."""
    for place in places(home):
        if place not in changes.gone:
            (stage / place).parent.mkdir(parents=True, exist_ok=True)
            os.link(home / place, stage / place, follow_symlinks=False)


def _bring_over(old: Path, home: Path, gone: list[str]) -> None:
    """Move what came into the old folder, or changed there, after it was linked, into the one in its place."""
    for place in places(old):
        before, now = old / place, home / place
        if place in gone or place.startswith(f"{HIDDEN}/"):
            continue
        if not os.path.lexists(now) or before.lstat().st_mtime_ns > now.lstat().st_mtime_ns:
            now.parent.mkdir(parents=True, exist_ok=True)
            os.replace(before, now)


def _move(home: Path, work: Path, changes: _Changes) -> None:
    """Move old files aside and new ones in, one by one, and put all back when one cannot be moved."""
    _note(work, asdict(changes))
    try:
        for source, target, moved in ((home, work / _OLD, changes.gone), (work / _NEW, home, changes.new)):
            for place in moved:
                (target / place).parent.mkdir(parents=True, exist_ok=True)
                os.replace(source / place, target / place)
    except OSError:
        _move_back(home, work, changes)
        (work / _JOURNAL).unlink()
        raise
    for folder in {(home / place).parent for place in changes.new}:
        flush_names(folder)
    (work / _JOURNAL).unlink()
    _prune(home, changes.gone)


def _move_back(home: Path, work: Path, changes: _Changes) -> None:
    """Undo `_move` from wherever it stopped; what people changed since stays as it is."""
    for place, sha in changes.new.items():
        if not (work / _NEW / place).exists() and _is_plain_file(home / place) and is_unchanged(home / place, sha):
            (home / place).unlink()
    for place in changes.gone:
        if os.path.lexists(work / _OLD / place) and not os.path.lexists(home / place):
            (home / place).parent.mkdir(parents=True, exist_ok=True)
            os.replace(work / _OLD / place, home / place)
    _prune(home, changes.new)


def _settle(home: Path) -> None:
    """Finish or undo what a killed run left, and clear it away; the lock is held, so that it is nobody's now."""
    for work in _workplaces(home):
        if (found := _noted(work, home)) is not None:
            inode, changes = found
            with held():
                if inode is None:
                    _move_back(home, work, changes)
                elif home.stat().st_ino == inode:
                    _bring_over(work / _NEW, home, changes.gone)
                (work / _JOURNAL).unlink()
    _clear(home)


def _note(work: Path, journal: dict[str, Any]) -> None:
    """Write the journal of an exchange, whole or not at all."""
    draft = work / _DRAFT
    with draft.open("w", encoding="utf-8") as stream:
        json.dump(journal, stream)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(draft, work / _JOURNAL)
    flush_names(work)


def _noted(work: Path, home: Path) -> tuple[int | None, _Changes] | None:
    """Return the journal that a killed run left: the new folder's inode where it was to be swapped, and the changes."""
    if work.is_symlink() or not (work / _JOURNAL).is_file():
        return None
    if barred(work / _JOURNAL, MOST_BYTES) is not None:
        raise refused(work / _JOURNAL, Sentence("fault.out.not_made"))
    try:
        found = json.loads((work / _JOURNAL).read_text(encoding="utf-8"))
        changes = _Changes({str(place): str(sha) for place, sha in found["new"].items()}, list(map(str, found["gone"])))
        inode = None if found.get("inode") is None else int(found["inode"])
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as error:
        raise refused(work / _JOURNAL, Sentence("fault.out.not_made")) from error
    # The folder may be a stranger's: nothing outside it is touched.
    for place in (".", *changes.new, *changes.gone):
        if not all(within(folder, place) for folder in (home, work / _NEW, work / _OLD)):
            raise refused(work / _JOURNAL, Sentence("fault.out.leads_outside", place=repr(place)))
    return inode, changes


def _prune(home: Path, gone: Iterable[str]) -> None:
    """Remove the folders that the going of files left empty."""
    for folder in sorted({parent for place in gone for parent in Path(place).parents}, reverse=True):
        if folder.parts:
            with suppress(OSError):
                (home / folder).rmdir()
