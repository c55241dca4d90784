"""Damaged files of every format that is read: errors that are not our own, most memory, most CPU.

Run: nice python -m tests.benchmarks.damage [--files 2000] [--seed 0] [--keep FOLDER]
Each file is read in a process of its own, which is stopped past the bars. Where one breaks a bar, its folder is kept.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from rich.console import Console
from rich.table import Table

from tests.reading.mutations import READERS, damaged, write_every_format
from vinemap.errors import Findings

MOST_MB, MOST_CPU_S = 1000, 20
"""The bars: memory of the whole process, libraries included, and CPU time."""

_READ, _REFUSED, _FAILED = 0, 3, 4


@dataclass
class _Seen:
    """What was seen of one kind of file."""

    ends: Counter[str] = field(default_factory=Counter)
    most_mb: float = 0.0
    most_cpu_s: float = 0.0
    broken: list[str] = field(default_factory=list)


def _read(name: str, folder: Path) -> int:
    """Read a file; return how that ended."""
    findings = Findings()
    try:
        found = READERS[name](folder, findings)
    except Exception:
        traceback.print_exc()
        return _FAILED
    told = all(problem.file and problem.message and problem.remedy for problem in findings.problems)
    if not told or (found is None and not findings.problems):
        sys.stderr.write("neither a result nor a problem that says what to do\n")
        return _FAILED
    return _REFUSED if findings.problems else _READ


def _apart(name: str, folder: Path, log: Path) -> tuple[int, float, float]:
    """Read a file in a process of its own; return its status, its most memory in MB and its CPU time in s."""
    child = os.fork()
    if not child:
        with log.open("w") as stream:
            os.dup2(stream.fileno(), 2)
            resource.setrlimit(resource.RLIMIT_CPU, (2 * MOST_CPU_S, 2 * MOST_CPU_S))
            resource.setrlimit(resource.RLIMIT_AS, (6 * MOST_MB << 20, 6 * MOST_MB << 20))
            warnings.simplefilter("ignore")
            status = _read(name, folder)
            stream.flush()
            os._exit(status)
    _, status, used = os.wait4(child, 0)
    return status, used.ru_maxrss / 1000, used.ru_utime + used.ru_stime


def _attack(name: str, sound: Path, chance: Random, home: Path) -> tuple[str, float, float]:
    """Damage a file and have it read; leave the folder, with what was said, where that breaks a bar."""
    folder = home / "damaged"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(sound, folder)
    (folder / name).write_bytes(damaged((folder / name).read_bytes(), chance))
    status, megabytes, seconds = _apart(name, folder, home / "log")
    how = {_READ: "read", _REFUSED: "refused"}.get(os.waitstatus_to_exitcode(status), "error")
    if how == "error" or megabytes > MOST_MB or seconds > MOST_CPU_S:
        shutil.copy(home / "log", folder / "what happened.txt")
    return how, megabytes, seconds


def main(files: int, seed: int, keep: Path) -> None:
    """Print a table of what was seen, a row a kind of file; exit with 1 where a bar is broken."""
    seen: dict[str, _Seen] = {name: _Seen() for name in READERS}
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        # Another process writes the sound files: what forks below has no threads of GDAL's or Arrow's.
        (home / "sound").mkdir()
        if not (writer := os.fork()):
            write_every_format(home / "sound")
            os._exit(0)
        os.waitpid(writer, 0)
        sound = {name: home / "sound" / name.replace(".", "_").replace("/", "_") for name in READERS}
        for number in range(files):
            name = list(READERS)[number % len(READERS)]
            chance = Random(f"{seed} {number}")  # noqa: S311 - no secret
            how, megabytes, seconds = _attack(name, sound[name], chance, home)
            one = seen[name]
            one.ends[how] += 1
            one.most_mb, one.most_cpu_s = max(one.most_mb, megabytes), max(one.most_cpu_s, seconds)
            if (home / "damaged" / "what happened.txt").exists():
                kept = keep / f"{seed}-{number}"
                shutil.copytree(home / "damaged", kept, dirs_exist_ok=True)
                one.broken.append(str(kept))
    table = Table(
        "file", "read", "refused", "error", "most MB", "most CPU s", title=f"{files} damaged files, seed {seed}"
    )
    for name, one in seen.items():
        ends = (str(one.ends[how]) for how in ("read", "refused", "error"))
        table.add_row(name, *ends, f"{one.most_mb:.0f}", f"{one.most_cpu_s:.1f}")
    Console(width=120).print(table)
    broken = [folder for one in seen.values() for folder in one.broken]
    print(f"{len(broken)} broke a bar (an error not our own, {MOST_MB} MB, {MOST_CPU_S} s)", *broken, sep="\n")
    sys.exit(bool(broken))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir(), "vinemap-damage"))
    given = parser.parse_args()
    main(given.files, given.seed, given.keep)
