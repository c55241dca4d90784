"""One vineyard of a region, mapped where it is asked for: what a worker does, and the record that it leaves."""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from vinemap.characters import compare_as_ascii
from vinemap.doors import barred
from vinemap.region.addresses import below, brought, is_address, last_name, place_on_disk, sent, text_at
from vinemap.states import Mapped

RECORDS = ".records"
"""Folder in ``private/`` of what is kept of each vineyard, by which a run goes on where another stopped."""
LESSONS = "lessons"
"""Folder in `RECORDS` of what each vineyard teaches the others."""

_BUSY_TRIES, _BUSY_PAUSE_S = 300, 2.0


@dataclass(frozen=True)
class Task:
    """A vineyard to map; small, for it travels.

    Attributes
    ----------
    folder : str
        Its path or address.
    private : str
        Path or address of the folder that holds every vineyard's outputs.
    pdf : bool
        Write PDF too.
    prior : str
        What the others teach it, as `vinemap.evidence.region_prior.RegionPrior.to_json` writes it; "" for nothing.
    """

    folder: str
    private: str
    pdf: bool = False
    prior: str = ""

    @property
    def name(self) -> str:
        """Name of the vineyard's folder, and of that of its outputs."""
        return last_name(self.folder)


@dataclass(frozen=True)
class Outcome:
    """How a vineyard fared.

    Attributes
    ----------
    state : Mapped
    problems : tuple of dict of str to str
        What was wrong, a line each, by language.
    figures : dict or None
        Of `vinemap.region.figures.vineyard_figures`, or of `vinemap.surface.lesson.Lesson`; None where it was not
        mapped.
    """

    state: Mapped
    problems: tuple[dict[str, str], ...] = ()
    figures: dict[str, Any] | None = None


def map_member(task: Task) -> Outcome:
    """Map a vineyard exactly as ``vinemap map`` does, unless an earlier run of this version did from the same files.

    Nothing that is wrong with one vineyard is raised: it is told. The outputs come into place all together
    (`vinemap.exports.exchange`), and the record after them, so that what a worker that dies leaves behind is the former
    outputs or whole new ones.

    Parameters
    ----------
    task : Task
    """
    return _outcome(task, _mapped)


def teach_member(task: Task) -> Outcome:
    """Take what a vineyard teaches the others, unless an earlier run of this version did from the same files.

    Nothing is written but its record, and nothing that is wrong is raised, as in `map_member`.
    """
    return _outcome(task, _taught)


def _outcome(task: Task, work: Callable[[Task], Outcome]) -> Outcome:
    # A worker's own process has to do what the command line does before GDAL is loaded.
    compare_as_ascii()
    from vinemap.errors import InputError, VinemapError  # noqa: PLC0415
    from vinemap.sentences import everywhere  # noqa: PLC0415

    try:
        return work(task)
    except InputError as error:
        return Outcome(Mapped.WRONG, tuple(everywhere(problem.sentence) for problem in error.problems))
    except VinemapError as error:
        return Outcome(Mapped.FAILED, (everywhere(error.sentence),))
    except OSError as error:
        return Outcome(Mapped.FAILED, (everywhere(f"{error.filename or task.name}: {error.strerror or error}"),))
    except Exception as error:
        return Outcome(Mapped.FAILED, (everywhere(f"{type(error).__name__}: {error}"),))


def _taught(task: Task) -> Outcome:
    from vinemap.pipeline.teaching import lesson_of  # noqa: PLC0415

    with ExitStack() as stack:
        folder = stack.enter_context(brought(task.folder))
        mark, place = fingerprint(folder, pdf=False), below(task.private, RECORDS, LESSONS, f"{task.name}.json")
        earlier = _earlier(place, mark, "")
        if earlier is not None:
            return Outcome(Mapped.UNCHANGED, (), earlier)
        figures = lesson_of(folder).to_json()
        _keep({"mark": mark, "run": _sha(""), "figures": figures}, place)
        return Outcome(Mapped.MAPPED, (), figures)


def _mapped(task: Task) -> Outcome:
    from vinemap.exports.record import RUN_FILE  # noqa: PLC0415

    with ExitStack() as stack:
        folder = stack.enter_context(brought(task.folder))
        mark = fingerprint(folder, pdf=task.pdf, prior=task.prior)
        record_place = below(task.private, RECORDS, f"{task.name}.json")
        out = below(task.private, task.name)
        earlier = _earlier(record_place, mark, text_at(below(out, RUN_FILE)))
        if earlier is not None:
            return Outcome(Mapped.UNCHANGED, (), earlier)
        local = (
            Path(stack.enter_context(TemporaryDirectory(prefix="vinemap-")), task.name)
            if is_address(out)
            else Path(out)
        )
        figures = _run(folder, local, task)
        if is_address(out):
            sent(local, out, _former(text_at(below(out, RUN_FILE))), RUN_FILE)
        run = (local / RUN_FILE).read_text(encoding="utf-8")
        _keep({"mark": mark, "run": _sha(run), "figures": figures}, record_place)
        return Outcome(Mapped.MAPPED, (), figures)


def _run(folder: Path, out: Path, task: Task) -> dict[str, Any]:
    """Map, and wait where a worker that lost its scheduler is still at the same vineyard."""
    from vinemap.errors import BusyError  # noqa: PLC0415
    from vinemap.evidence.region_prior import RegionPrior  # noqa: PLC0415
    from vinemap.exports.exchange import claimed  # noqa: PLC0415
    from vinemap.pipeline.mapping import make_map  # noqa: PLC0415
    from vinemap.pipeline.writing import write_map  # noqa: PLC0415
    from vinemap.region.figures import vineyard_figures  # noqa: PLC0415

    prior = RegionPrior.model_validate_json(task.prior) if task.prior else None
    known = place_on_disk(task.folder)
    for left in reversed(range(_BUSY_TRIES)):
        try:
            with claimed(out, known):
                run = make_map(folder, prior=prior)
                write_map(run, out, pdf=task.pdf, folder=known)
            return vineyard_figures(run)
        except BusyError:
            if not left:
                raise
            time.sleep(_BUSY_PAUSE_S)
    raise AssertionError("unreachable")


def fingerprint(folder: Path, *, pdf: bool, prior: str = "") -> str:
    """Return the SHA-256 of every file of a vineyard's folder by its name, of the version, and of what is asked for.

    Hidden files, outputs below the folder, and what leads out of it are passed over.
    """
    from vinemap.exports.record import RUN_FILE  # noqa: PLC0415

    whole = hashlib.sha256(json.dumps([version("vinemap"), pdf, prior]).encode())
    for here, folders, files in os.walk(folder):
        if RUN_FILE in files:
            folders.clear()
            continue
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(files):
            path = Path(here, name)
            if name.startswith(".") or barred(path, within=folder) is not None:
                continue
            whole.update(json.dumps(path.relative_to(folder).as_posix()).encode())
            with path.open("rb") as stream:
                whole.update(hashlib.file_digest(stream, "sha256").digest())
    return whole.hexdigest()


def _earlier(place: str, mark: str, run: str | None) -> dict[str, Any] | None:
    """Return the figures of an earlier run of the same files whose outputs still stand."""
    try:
        found = json.loads(text_at(place) or "null")
        same = run is not None and found["mark"] == mark and found["run"] == _sha(run)
        return dict(found["figures"]) if same else None
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


def _former(run: str | None) -> set[str]:
    """Return the files that an earlier run wrote, by its run.json."""
    try:
        return set(map(str, json.loads(run or "{}").get("files") or ()))
    except (ValueError, TypeError, AttributeError, RecursionError):
        return set()


def _keep(record: Mapping[str, Any], place: str) -> None:
    """Write a record whole or not at all."""
    text = json.dumps(record, ensure_ascii=False)
    with TemporaryDirectory(prefix="vinemap-") as home:
        if is_address(place):
            local, (above, _, name) = Path(home), place.rpartition("/")
            (local / name).write_text(text, encoding="utf-8")
            sent(local, above, set(), name)
            return
    path = Path(place)
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_suffix(f".{os.getpid()}.draft")
    draft.write_text(text, encoding="utf-8")
    draft.replace(path)


def _sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
