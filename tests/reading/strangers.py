"""What tests of files from strangers share: a server that counts, and the state of a folder."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# In a process of its own: GDAL waits for an answer with Python's lock held.
_SERVER = """
import http.server, sys
class Counter(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        with open(sys.argv[1], "a") as log:
            log.write(self.path + "\\n")
        self.send_response(404)
        self.end_headers()
    do_HEAD = do_POST = do_GET
    def log_message(self, *words): pass
server = http.server.HTTPServer(("127.0.0.1", 0), Counter)
print(server.server_port, flush=True)
server.serve_forever()
"""


class Counter:
    """A server on this machine that knows who asked it for what."""

    def __init__(self, log: Path, port: int) -> None:
        self._log = log
        self.url = f"http://127.0.0.1:{port}"

    def asked(self) -> list[str]:
        """Return the paths asked for so far."""
        return self._log.read_text().split() if self._log.exists() else []


@contextmanager
def counting(log: Path) -> Iterator[Counter]:
    """Run a server that writes each request down."""
    with subprocess.Popen([sys.executable, "-c", _SERVER, str(log)], stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            yield Counter(log, int(server.stdout.readline()))
        finally:
            server.kill()


def state(folder: Path) -> dict[str, tuple[int, int]]:
    """Return the size and the time of change of everything in a folder."""
    found = ((path, path.lstat()) for path in sorted(folder.rglob("*")))
    return {str(path.relative_to(folder)): (entry.st_size, entry.st_mtime_ns) for path, entry in found}
