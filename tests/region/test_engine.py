"""Every vineyard once, whatever dies: a real scheduler and workers, started as processes."""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from types import SimpleNamespace

import pytest
from distributed.scheduler import KilledWorker

from tests.region.chores import PATIENCE_S, chore, until
from vinemap.errors import VinemapError
from vinemap.region.engine import _CONFIG, _outcome, cluster, outcomes
from vinemap.region.task import Task
from vinemap.states import Mapped

ROOT = Path(__file__).parents[2]


@contextmanager
def _process(*arguments: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-m", *arguments],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__DEATH_TIMEOUT": "120"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


def _scheduler(port: int) -> tuple[str, ...]:
    return ("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")


def _free_port() -> int:
    """Find a port where nobody listens, below those that any process's outgoing connections take meanwhile."""
    for port in random.sample(range(20_000, 32_000), 100):
        with socket.socket() as place, suppress(OSError):
            place.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port is free")


def _worker(port: int) -> tuple[str, ...]:
    # Of two threads: what is held in one keeps nothing else from being begun, in whatever order it is asked for again.
    where = f"tcp://127.0.0.1:{port}"
    return ("distributed.cli.dask_worker", where, "--nthreads", "2", "--no-dashboard", "--host", "127.0.0.1")


def test_every_task_once_though_a_worker_and_the_scheduler_die(tmp_path: Path) -> None:
    """A worker is killed over one task, then the scheduler over another and started again: each task comes once."""
    tasks = [Task(f"/v/t{number}", str(tmp_path)) for number in range(12)]
    for name in ("t0", "t9"):
        (tmp_path / f"{name}.hold").touch()
    port = _free_port()

    def begun(name: str) -> list[int]:
        notes = tmp_path / f"{name}.begun"
        return [int(line) for line in notes.read_text(encoding="utf-8").splitlines()] if notes.exists() else []

    def trouble() -> None:
        try:
            in_turn()
        except BaseException:
            first.kill()  # so that nothing is waited for any longer
            raise

    def in_turn() -> None:
        until(lambda: len(begun("t0")) == 1, "the first task was not begun")
        os.kill(begun("t0")[0], signal.SIGKILL)
        until(lambda: len(begun("t0")) == 2, "the task of the killed worker was not begun again")
        (tmp_path / "t0.hold").unlink()
        until(lambda: len(begun("t9")) > 0, "the task before the stop was not begun")
        first.kill()
        first.wait()
        stack.enter_context(_process(*_scheduler(port)))
        (tmp_path / "t9.hold").unlink()
        # The worker of old may have gone with its scheduler, as it would where nobody restarts workers.
        stack.enter_context(_process(*_worker(port)))

    with ExitStack() as stack:
        first = stack.enter_context(_process(*_scheduler(port)))
        stack.enter_context(_process(*_worker(port)))
        troubled = threading.Thread(target=trouble)
        troubled.start()
        with cluster(f"tcp://127.0.0.1:{port}", patience_s=PATIENCE_S) as opened:
            found = [(task.name, outcome.problems) for task, outcome in outcomes(tasks, opened, chore)]
        troubled.join()
    assert sorted(found) == sorted((task.name, ({"en": task.name},)) for task in tasks)
    # Once more, where the scheduler died before it had handed on what the second worker said.
    assert len(begun("t0")) in (2, 3)


def test_a_worker_that_is_given_up_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one worker is killed, and Dask gives up whoever minds it before it can begin again: another does the task."""
    monkeypatch.setitem(_CONFIG, "distributed.deploy.lost-worker-timeout", "1ms")
    (tmp_path / "t0.hold").touch()
    notes = tmp_path / "t0.begun"
    with cluster(None, 1) as opened:
        with opened() as client:
            local = client.cluster
        (nanny,) = local.workers.values()

        def trouble() -> None:
            until(lambda: notes.exists() and notes.read_text(encoding="utf-8") != "", "the task was not begun")
            os.kill(nanny.pid, signal.SIGKILL)
            (tmp_path / "t0.hold").unlink()

        troubled = threading.Thread(target=trouble)
        troubled.start()
        found = [task.name for task, _ in outcomes([Task("/v/t0", str(tmp_path))], opened, chore)]
        troubled.join()
        assert nanny not in local.workers.values()
    assert found == ["t0"]


def test_no_scheduler_is_said_plainly() -> None:
    """Where nothing answers at the address, the error says so and what to do."""
    with (
        cluster(f"tcp://127.0.0.1:{_free_port()}", patience_s=0.1) as opened,
        pytest.raises(VinemapError, match=r"does not answer.*what was mapped stays"),
    ):
        list(outcomes([Task("/v/a", "/v")], opened, chore))


def test_a_scheduler_without_workers_is_said_plainly() -> None:
    """Where nobody works, the run does not wait for ever, and says what to start."""
    port = _free_port()
    with (
        _process(*_scheduler(port)),
        cluster(f"tcp://127.0.0.1:{port}", patience_s=PATIENCE_S) as opened,
        pytest.raises(VinemapError, match=r"has no workers.*what was mapped stays"),
    ):
        list(outcomes([Task("/v/a", "/v")], opened, chore, patience_s=0.0))


def test_a_worker_loads_gdal_only_with_its_tasks() -> None:
    """What a task's arrival loads compares no letters: in Turkish, GDAL would refuse options of its own before it."""
    code = "import sys, vinemap.region.engine; print(*{'rasterio', 'pyogrio', 'geopandas'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_what_kills_its_workers_is_said_in_every_language() -> None:
    """Dask gives a task up that several workers died of: that is said plainly; any other fault by its own name."""
    killed = SimpleNamespace(status="error", exception=lambda: KilledWorker("t", None, 5))
    outcome = _outcome(killed)
    assert outcome.state == Mapped.FAILED
    (words,) = outcome.problems
    assert words["en"].startswith("6 workers died of it")
    assert words["es"].startswith("6 trabajadores murieron")
    other = _outcome(SimpleNamespace(status="error", exception=lambda: MemoryError("no more")))
    assert other.problems == ({"en": "MemoryError: no more"},)
