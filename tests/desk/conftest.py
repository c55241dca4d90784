"""Fixtures for the desk: an application behind its guard, and a browser that has its key."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from threading import Event

import pytest
from starlette.testclient import TestClient

from vinemap.desk.app import desk_app
from vinemap.desk.jobs import RUNNING, Job, Jobs
from vinemap.desk.vineyards import Vineyards

PORT, TOKEN = 8765, "let-me-in"
ORIGIN = f"http://127.0.0.1:{PORT}"


class Desk:
    """A desk without a socket: what its pages send and get."""

    def __init__(self, root: Path) -> None:
        self.vineyards, self.jobs, self.closed = Vineyards(root), Jobs(), []
        self.app = desk_app(self.vineyards, self.jobs, PORT, TOKEN, lambda: self.closed.append(True))

    def client(self, *, with_key: bool = True) -> TestClient:
        """Return a browser; with the key where it was opened by the desk's address."""
        client = TestClient(self.app, base_url=ORIGIN, headers={"Origin": ORIGIN})
        if with_key:
            assert client.get(f"/open/{TOKEN}").status_code == 200
        return client

    def close(self) -> None:
        """Let go of the folder."""
        self.jobs.close()
        self.vineyards.close()


@pytest.fixture
def desk(folder: Path) -> Iterator[Desk]:
    """The desk of a faultless vineyard."""
    opened = Desk(folder)
    yield opened
    opened.close()


@pytest.fixture
def client(desk: Desk) -> TestClient:
    """A browser that has its key."""
    return desk.client()


def ended(desk: Desk) -> Job:
    """Return the vineyard's job once it no longer runs."""
    job = desk.jobs.of("vineyard")
    assert job is not None
    while job.state == RUNNING:
        Event().wait(0.02)
    return job
