"""Long work beside the server: a process each, followed by what it reports, and stopped as Ctrl-C would."""

from __future__ import annotations

import json
import re
import secrets
import subprocess
import sys
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vinemap.sentences import languages

RUNNING, DONE, WRONG, STOPPED, FAILED = "running", "done", "wrong", "stopped", "failed"

# What each work reports in its course, in order; what else it says stands between.
_STAGES = {
    "map": (
        "reading",
        "survival",
        "terrain",
        "injury surface",
        "block averages",
        "scores",
        "wood",
        "actions",
        "writing",
    ),
    "plan": ("reading", "terrain", "points", "worth", "walk", "writing"),
}
_STAGES["spring"] = (*_STAGES["map"][:6], *_STAGES["map"][3:])


_COUNTED = re.compile(r"(?:tile|vineyard) (\d+) of (\d+)")


@dataclass(frozen=True)
class Told:
    """A `vinemap.errors.Problem` that work reported, its sentences by language."""

    file: str
    row: int | None
    column: str
    message: dict[str, str]
    remedy: dict[str, str]


@dataclass
class Job:
    """Work that was begun.

    Attributes
    ----------
    key : str
        By which addresses name it.
    vineyard : str
        Of the region, which is all of them, "".
    work : str
        ``map``, ``plan``, ``spring``, ``elevation`` or ``region``.
    command : str
        That does the same.
    out : str
        Name of the folder that it writes.
    state : str
        `RUNNING`, `DONE`, `WRONG` (the input is), `STOPPED` or `FAILED`.
    stages : list of str
        Those that it has reported.
    problems : list of Told
        Where the input is wrong.
    said : list of dict
        What it found, each sentence by language.
    error : dict of str to str
        What went wrong otherwise, by language; empty where nothing did.
    """

    key: str
    vineyard: str
    work: str
    command: str
    out: str
    state: str = RUNNING
    stages: list[str] = field(default_factory=list)
    problems: list[Told] = field(default_factory=list)
    said: list[dict[str, str]] = field(default_factory=list)
    error: dict[str, str] = field(default_factory=dict)

    @property
    def share(self) -> float:
        """How much of its stages lies behind it, 0 to 1."""
        if self.state == DONE:
            return 1.0
        if self.work not in _STAGES:
            tiles = [found for stage in self.stages if (found := _COUNTED.search(stage)) is not None]
            return (int(tiles[-1][1]) - 0.5) / (int(tiles[-1][2]) + 0.5) if tiles else 0.0
        expected, passed = _STAGES[self.work], 0
        for stage in self.stages:
            # A stage may report more than once.
            if not (passed and stage.startswith(expected[passed - 1])):
                ahead = (place for place, name in enumerate(expected) if place >= passed and stage.startswith(name))
                passed = next(ahead, passed - 1) + 1
        return passed / (len(expected) + 1)


class Jobs:
    """Those of one desk; a vineyard has one at a time."""

    def __init__(self) -> None:
        self._jobs: dict[str, Job] = {}
        self._processes: dict[str, subprocess.Popen[str]] = {}
        self._stopped: set[str] = set()
        self._starting = threading.Lock()

    def find(self, key: str) -> Job | None:
        """Return a job by its key."""
        return self._jobs.get(key)

    def of(self, vineyard: str) -> Job | None:
        """Return the job of a vineyard that was begun last."""
        return next((job for job in reversed(self._jobs.values()) if job.vineyard == vineyard), None)

    def start(self, vineyard: str, work: str, command: str, out: Path, **arguments: Any) -> Job:
        """Begin work; return what the vineyard is busy with where it is busy already."""
        with self._starting:
            busy = self.of(vineyard)
            if busy is not None and busy.state == RUNNING:
                return busy
            job = Job(secrets.token_urlsafe(9), vineyard, work, command, out.name)
            process = subprocess.Popen(
                [sys.executable, "-m", "vinemap.desk.worker"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                # A Ctrl-C in the terminal is for the desk, which then stops its work itself.
                start_new_session=True,
            )
            self._jobs[job.key], self._processes[job.key] = job, process
        assert process.stdin is not None  # noqa: S101 - asked for above
        with suppress(BrokenPipeError):
            process.stdin.write(json.dumps({"work": work, "out": str(out), **arguments}) + "\n")
            process.stdin.flush()
        threading.Thread(target=self._follow, args=(job, process), daemon=True).start()
        return job

    def stop(self, job: Job) -> None:
        """Ask work to stop; what it was to write stays as it was."""
        self._stopped.add(job.key)
        process = self._processes.get(job.key)
        if process is not None and process.stdin is not None:
            with suppress(OSError):
                process.stdin.close()

    def close(self) -> None:
        """Stop all work and wait for its end."""
        for key, process in self._processes.items():
            if process.poll() is None:
                self.stop(self._jobs[key])
        for process in self._processes.values():
            process.wait()

    def _follow(self, job: Job, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None  # noqa: S101 - asked for at the start
        assert process.stderr is not None  # noqa: S101
        last_words: list[str] = []
        listening = threading.Thread(target=lambda: last_words.extend(process.stderr or ()), daemon=True)
        listening.start()
        written = False
        for line in process.stdout:
            report = json.loads(line)
            if "stage" in report:
                job.stages.append(report["stage"])
            job.problems += [Told(**problem) for problem in report.get("problems", ())]
            job.error = report.get("error", job.error)
            job.said = report.get("said", job.said)
            written = written or "written" in report
        process.wait()
        listening.join()
        if written:
            job.state = DONE
        elif job.problems:
            job.state = WRONG
        elif job.key in self._stopped:
            job.state = STOPPED
        else:
            job.error = job.error or dict.fromkeys(languages(), "".join(last_words[-1:]).strip())
            job.state = FAILED
