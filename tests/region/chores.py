"""What a worker of a test's cluster does in the place of a map, cheap and held by files; and waiting for it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

from vinemap.region.task import Outcome, Task
from vinemap.states import Mapped

PATIENCE_S = 240.0


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for something that another process does, and say so where it does not."""
    last = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < last, what
        time.sleep(0.02)


def chore(task: Task) -> Outcome:
    """Note the process that does it, wait while a file ``hold`` stands, and say the task's name back."""
    home = Path(task.private)
    with (home / f"{task.name}.begun").open("a", encoding="utf-8") as notes:
        notes.write(f"{os.getpid()}\n")
    while (home / f"{task.name}.hold").exists():
        time.sleep(0.02)
    return Outcome(Mapped.MAPPED, ({"en": task.name},))
