"""What a worker of a test's cluster does in the place of a map: cheap, and told by files when to go on."""

from __future__ import annotations

import os
import time
from pathlib import Path

from vinemap.region.task import Outcome, Task
from vinemap.states import Mapped


def chore(task: Task) -> Outcome:
    """Note the process that does it, wait while a file ``hold`` stands, and say the task's name back."""
    home = Path(task.private)
    with (home / f"{task.name}.begun").open("a", encoding="utf-8") as notes:
        notes.write(f"{os.getpid()}\n")
    while (home / f"{task.name}.hold").exists():
        time.sleep(0.02)
    return Outcome(Mapped.MAPPED, (task.name,))
