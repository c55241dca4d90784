"""Ctrl-C and its like: held while outputs are exchanged, and at any moment answered in one plain line that is true."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.builders import write_vineyard
from tests.forks import command
from vinemap.exports.record import digest, places
from vinemap.interrupts import held
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.plan.run import make_plan

ROOT = Path(__file__).parents[1]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")

# Sends this process a signal when it first imports a module (an audit event of PEP 578).
AT = """
import os, signal, sys
module, name, *sys.argv[1:] = sys.argv[1:]
sent = []

def watch(now, about):
    if now == "import" and not sent and about[0] == module:
        sent.append(now)
        os.kill(os.getpid(), getattr(signal, name))

sys.addaudithook(watch)
from vinemap.__main__ import main
main()
"""


def whole(out: Path) -> bool:
    """Whether a folder shows just what its run.json lists, as it lists it."""
    listed = json.loads((out / "run.json").read_text(encoding="utf-8"))["files"]
    shown = [place for place in places(out) if place != "run.json" and not place.startswith(".")]
    return {place: digest(out / place) for place in shown} == listed


def test_signals_wait_for_the_end_of_the_block() -> None:
    """A Ctrl-C within the block is a KeyboardInterrupt after it; Python's own handlers are back afterwards."""
    done: list[str] = []

    def work() -> None:
        with held():
            signal.raise_signal(signal.SIGINT)
            done.append("to the end")

    with pytest.raises(KeyboardInterrupt):
        work()
    assert done == ["to the end"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_a_signal_that_is_ignored_stays_ignored(monkeypatch) -> None:
    """What the caller's shell has switched off, as nohup does, is not switched on."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with held():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_other_threads_hold_nothing() -> None:
    """Handlers run in the main thread alone: a block in another one changes none."""
    seen: list[object] = []

    def work() -> None:
        with held():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [signal.default_int_handler]


@pytest.mark.parametrize(
    ("module", "number"),
    [("click", "SIGINT"), ("numpy", "SIGINT"), ("pandas", "SIGTERM"), ("shapely", "SIGINT"), ("rasterio", "SIGINT")],
)
def test_stopped_while_it_loads(tmp_path: Path, module: str, number: str) -> None:
    """Libraries turn an interrupt of their import into errors of their own; here it ends in the one line."""
    call = [sys.executable, "-c", AT, module, number, "check", str(tmp_path)]
    done = subprocess.run(call, capture_output=True, text=True, check=False, cwd=ROOT)
    assert (done.returncode, done.stderr) == (1, "Stopped; nothing was written.\n")


@pytest.fixture(scope="module")
def mapped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A vineyard and the outputs of a map and of a plan."""
    home = tmp_path_factory.mktemp("mapped")
    (home / "vineyard").mkdir()
    write_vineyard(home / "vineyard")
    write_map(make_map(home / "vineyard"), home / "map")
    make_plan(home / "vineyard", home / "plan", first=True)
    return home / "vineyard", home


@pytest.mark.parametrize(
    ("name", "event", "words", "number"),
    [
        ("map", "open", "buds.csv", "SIGTERM"),
        ("map", "open", "worklist.xlsx", "SIGINT"),
        ("map", "open", "run.json", "SIGKILL"),
        ("plan", "open", "plan.html", "SIGINT"),
        ("plan", "open", "buds.csv", "SIGKILL"),
        ("plan", "ctypes.dlsym", "renameat2", "SIGTERM"),
    ],
)
def test_real_runs_stopped_leave_the_old_outputs_or_the_new(
    mapped: tuple[Path, Path], tmp_path: Path, name: str, event: str, words: str, number: str
) -> None:
    """While reading, writing and exchanging, killed or asked to stop: whole outputs, and the line says which."""
    vineyard, home = mapped
    out = home / name
    before = digest(out / "run.json")
    more = ("--first",) if name == "plan" else ()
    at = (event, words, getattr(signal, number))
    run = command(tmp_path / "told", name, str(vineyard), *more, "-o", str(out), at=at)
    run.join()
    code, told = run.exitcode, (tmp_path / "told").read_text(encoding="utf-8")
    assert whole(out)
    old = digest(out / "run.json") == before
    if number == "SIGKILL":
        assert (code, told, old) == (-signal.SIGKILL, "", True)
    else:
        assert code == 1
        assert told == ("Stopped; nothing was written.\n" if old else f"Stopped; {out} had been written, whole.\n")
        assert [path.name for path in (*home.iterdir(), *out.iterdir()) if path.name.startswith(".")] == []


# Sends this process a signal while Python shuts down: once its handlers are gone, the globals go.
AT_THE_END = """
import os, signal, sys
name, *sys.argv[1:] = sys.argv[1:]

class Last:
    def __del__(self, kill=os.kill, pid=os.getpid(), number=getattr(signal, name)):
        kill(pid, number)

last = Last()
from vinemap.__main__ import main
main()
"""


@pytest.mark.parametrize(
    ("number", "faulty"), [("SIGINT", False), ("SIGTERM", False), ("SIGHUP", False), ("SIGINT", True)]
)
def test_a_signal_at_the_very_end_changes_nothing(tmp_path: Path, number: str, faulty: bool) -> None:
    """A run that has said everything ends with its own lines and its own exit code."""
    write_vineyard(tmp_path, skip=("buds",) if faulty else ())
    call = [sys.executable, "-c", AT_THE_END, number, "check", str(tmp_path)]
    done = subprocess.run(call, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == (2 if faulty else 0)
    said = done.stderr if faulty else done.stdout
    assert said.endswith("1 to mend; nothing was written.\n" if faulty else "ready to map.\n")
    assert (done.stdout if faulty else done.stderr) == ""


def test_two_runs_at_once(mapped: tuple[Path, Path], tmp_path: Path) -> None:
    """Of two runs into one folder one is refused, in words that name the other, or both write one after the other."""
    vineyard, home = mapped
    runs = [command(tmp_path / str(k), "map", str(vineyard), "-o", str(home / "map")) for k in range(2)]
    for run in runs:
        run.join()
    told = [(tmp_path / str(k)).read_text(encoding="utf-8") for k in range(2)]
    assert whole(home / "map")
    codes = sorted(run.exitcode or 0 for run in runs)
    assert codes in ([0, 0], [0, 2])
    if codes == [0, 2]:
        first, second = sorted(runs, key=lambda run: run.exitcode or 0)
        assert f"is being written by another run (process {first.pid} on " in told[runs.index(second)]
        assert told[runs.index(second)].endswith("1 to mend; nothing was written.\n")
    assert sorted(os.listdir(home)) == ["map", "plan", "vineyard"]
