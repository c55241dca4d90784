"""Killed at any moment, the desk has lost nothing that it said was kept."""

from __future__ import annotations

import os
import random
import signal
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from threading import Thread

import httpx
import pandas as pd
import pytest

from tests.forks import forking
from vinemap.desk.drafts import Drafts
from vinemap.desk.ledgers import ledgers
from vinemap.desk.serve import serve

HERE = "/vineyards/vineyard"
MOMENTS = 20


def _serve(folder: str, ready: Connection) -> None:
    serve(Path(folder), ready.send)


class _Typist:
    """Types one cell after another, and remembers what was acknowledged."""

    def __init__(self, columns: int, rows: int) -> None:
        self.kept: dict[tuple[int, int], str] = {}
        self.sent = 0
        self._shape = rows, columns

    def type_into(self, client: httpx.Client) -> None:
        rows, columns = self._shape
        place = 2 + self.sent % rows, 1 + self.sent // rows % (columns - 1)
        value = f"typed {self.sent}"
        self.sent += 1
        asked = {"file": "samples.csv", "row": place[0], "column": place[1], "value": value}
        answer = client.post(f"{HERE}/cell", json=asked | {"was": self.kept.get(place, "")})
        if answer.status_code == 409:
            # The file has something there, or a kill came between the disk and the answer: the new one is to stand.
            answer = client.post(f"{HERE}/cell", json=asked | {"was": answer.json()["there"]})
        assert answer.status_code == 200
        self.kept[place] = value


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="the system has no SIGKILL")
def test_killed_at_twenty_moments_nothing_kept_is_lost(folder: Path) -> None:
    """SIGKILL between and amid requests, the desk opened anew each time: every acknowledged cell is there."""
    columns = pd.read_csv(folder / "samples.csv").shape[1]
    before = (folder / "samples.csv").read_bytes()
    typist, chance = _Typist(columns, 6), random.Random(20)  # noqa: S311 - no secret
    context = forking()
    for _ in range(MOMENTS):
        there, here = context.Pipe()
        process = context.Process(target=_serve, args=(str(folder), here))
        process.start()
        assert there.poll(120)
        address = there.recv()
        base = address.split("/open/")[0]
        with httpx.Client(base_url=base, headers={"Origin": base}, timeout=60) as client:
            client.get(address)
            for _ in range(chance.randrange(3)):
                typist.type_into(client)
            hurried = Thread(target=_until_cut_off, args=(typist, client))
            hurried.start()
            process.join(chance.random() / 50)
            os.kill(process.pid or 0, signal.SIGKILL)
            hurried.join()
        process.join()
    found = Drafts(folder).cells["samples.csv"]
    assert typist.kept
    lost = {place: value for place, value in typist.kept.items() if not _as_late(found.get(place), value)}
    assert lost == {}
    tables, problems = ledgers(folder, Drafts(folder))
    assert not problems
    assert tables["samples.csv"].rows[2][0] == "A1"
    assert (folder / "samples.csv").read_bytes() == before


def _until_cut_off(typist: _Typist, client: httpx.Client) -> None:
    with suppress(httpx.TransportError):
        while True:
            typist.type_into(client)


def _as_late(found: str | None, kept: str) -> bool:
    """Whether what was found is what was kept, or what was sent to the same cell after it."""
    return found is not None and int(found.split()[-1]) >= int(kept.rsplit(maxsplit=1)[-1])
