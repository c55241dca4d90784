"""Stop an exchange of outputs at each of its steps, one forked process a step, and report what stands then.

Run as ``python -m tests.exports.kills FOLDER HOW SIGNAL``: HOW is ``swap`` (the whole folder by one rename) or ``move``
(file by file, as from within the folder), SIGNAL the name of one. A step is a change to files that Python's audit
events (PEP 578) tell of, or the look-up of the one rename. Prints a JSON list with an entry a step.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path

from vinemap.exports.exchange import settle, staged
from vinemap.exports.record import places
from vinemap.interrupts import stop_cleanly

_STEPS = frozenset(("os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "shutil.rmtree", "ctypes.dlsym"))
_OLD = {"map.html": "old", "gone.csv": "old", "sheets/a.html": "old"}
_NEW = {"map.html": "new", "sheets/b.html": "new", "more/c.csv": "new"}
_MINE = {"notes.txt": "mine", "sheets/mine.txt": "mine"}


def _write(out: Path, files: dict[str, str]) -> None:
    with staged(out, out.parent / "vineyard", "map", {"name": "Quarry Lane"}) as stage:
        for place, text in files.items():
            (stage / place).parent.mkdir(exist_ok=True)
            (stage / place).write_text(text, encoding="utf-8")


def _state(out: Path) -> str:
    """Say whether a folder holds the whole of the old or of the new outputs, each with what is mine."""
    found = {place: (out / place).read_text(encoding="utf-8") for place in places(out) if place[0] != "."}
    listed = json.loads(found.pop("run.json", '{"files": []}'))["files"]
    for name, files in (("old", _OLD), ("new", _NEW)):
        if found == {**files, **_MINE} and set(listed) == set(files):
            return name
    return f"mixed: {found}"


def _forked(work: Callable[[], None]) -> int:
    """Do something in a process of its own; return how that ended."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    try:
        work()
    except BaseException:
        traceback.print_exc()
        os._exit(3)
    os._exit(0)


def _stopped(step: int, number: int, out: Path, how: str) -> None:
    """Write the new outputs, with a signal at a step."""
    os.dup2(os.open(out.parent / "told", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    if how == "move":
        os.chdir(out)
    stop_cleanly()
    left = [step]

    def count(event: str, _: object) -> None:
        left[0] -= event in _STEPS
        if left[0] == 0:
            left[0] = -1
            os.kill(os.getpid(), number)

    sys.addaudithook(count)
    _write(out, _NEW)


def main() -> None:
    first, how, number = Path(sys.argv[1]) / "first", sys.argv[2], getattr(signal, sys.argv[3])
    first.mkdir()
    _forked(lambda: _write(first / "out", _OLD))
    for place, text in _MINE.items():
        (first / "out" / place).write_text(text, encoding="utf-8")
    entries, step, code = [], 0, -1
    while code != 0:
        step += 1
        home = first.with_name(f"step{step}")
        shutil.copytree(first, home)
        out = home / "out"
        code = _forked(lambda step=step, out=out: _stopped(step, number, out, how))  # type: ignore[misc]
        entry = {"code": code, "at_once": _state(out), "told": (home / "told").read_text(encoding="utf-8")}
        if number == signal.SIGKILL:
            settled = _forked(lambda out=out: settle(out))  # type: ignore[misc]
            entry["settled"] = _state(out)
            entry["next_codes"] = [settled, _forked(lambda out=out: _write(out, _OLD))]  # type: ignore[misc]
            entry["next"] = _state(out)
        entry["left"] = sorted(path.name for path in (*home.iterdir(), *out.iterdir()) if path.name[0] == ".")
        entries.append(entry)
    print(json.dumps(entries))


if __name__ == "__main__":
    main()
