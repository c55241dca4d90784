"""Serve the desk on this computer alone, until it is closed."""

from __future__ import annotations

import secrets
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import uvicorn

from vinemap.desk.app import desk_app
from vinemap.desk.jobs import Jobs
from vinemap.desk.vineyards import Vineyards

_LOOPBACK = "127.0.0.1"
_LINGER_S = 2


class _Server(uvicorn.Server):
    """Ends at a signal as at the page's own button: what was typed is kept, and work that is under way is stopped."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take signals that ask to stop for the wish to close the desk."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
        numbers = [number for name in names if (number := getattr(signal, name, None)) is not None]
        before = {number: signal.signal(number, self._leave) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _leave(self, _: int, __: FrameType | None) -> None:
        self.should_exit = True


def serve(root: Path, opened: Callable[[str], None], *, port: int = 0) -> None:
    """Serve the desk of a folder, and return once it is closed.

    Parameters
    ----------
    root : Path
        A vineyard's folder, or one that holds vineyards; made when missing.
    opened : callable
        Called with the address to open, which holds the token, as soon as it answers.
    port : int
        0 takes one that is free.

    Raises
    ------
    InputError
        When another desk holds the folder.
    OSError
        When the port is not free.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.bind((_LOOPBACK, port))
        listening.listen()
        vineyards, jobs = Vineyards(root), Jobs()
        try:
            _serve(vineyards, jobs, listening, opened)
        finally:
            jobs.close()
            vineyards.close()


def _serve(vineyards: Vineyards, jobs: Jobs, listening: socket.socket, opened: Callable[[str], None]) -> None:
    port, token = listening.getsockname()[1], secrets.token_urlsafe(24)

    def leave() -> None:
        server.should_exit = True

    config = uvicorn.Config(
        desk_app(vineyards, jobs, port, token, leave),
        http="h11",
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=_LINGER_S,
    )
    server = _Server(config)
    # The socket listens already: a browser that comes before the first turn of the loop is answered by it.
    opened(f"http://{_LOOPBACK}:{port}/open/{token}")
    server.run(sockets=[listening])
