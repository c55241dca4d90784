"""Open elevation data on this machine: tiles of the sources' own layout, and a server that gives them in parts."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from rasterio.windows import Window

Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]
Handler = BaseHTTPRequestHandler
Answer = Callable[[Handler, bytes, tuple[int, int] | None], None]


def slope(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Heights that differ from cell to cell, so that a shift by one cell shows."""
    return (300 + 4000 * (lon % 1) + 7000 * (lat % 1) + 3 * np.sin(20_000 * lon) + 2 * np.cos(30_000 * lat)).astype(
        "float32"
    )


def write_tile(
    path: Path,
    west: int,
    south: int,
    near: tuple[float, float],
    *,
    surface: Surface = slope,
    columns: int = 3600,
    rows: int = 3600,
    rim: float = 0.5,
    crs: str = "EPSG:4326",
    nodata: float | None = None,
    reach: float = 0.05,
) -> Path:
    """Write a tile of a square degree, with heights near a place alone: what is not written takes no room.

    ``rim`` is how many cells the tile reaches past its square degree to the north and the west, which is half a cell of
    the Copernicus tiles, whose grid is moved by that against the degrees. With a rim of whole cells it reaches past it
    on every side, as those of the USGS do by six.
    """
    wide, high = 1 / columns, 1 / rows
    more = int(2 * rim) if rim >= 1 else 0
    transform = Affine(wide, 0, west - rim * wide, 0, -high, south + 1 + rim * high)
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path, "w", driver="GTiff", dtype="float32", count=1, width=columns + more, height=rows + more, crs=crs,
        transform=transform, nodata=nodata, tiled=True, blockxsize=256, blockysize=256, compress="deflate",
        predictor=3, sparse_ok=True,
    ) as grid:  # fmt: skip
        left, top = ~transform * (near[0] - reach, near[1] + reach)
        right, bottom = ~transform * (near[0] + reach, near[1] - reach)
        x0, x1 = max(0, int(left)), min(grid.width, int(right) + 1)
        y0, y1 = max(0, int(top)), min(grid.height, int(bottom) + 1)
        x, y = transform * np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5)
        grid.write(surface(x, y), 1, window=Window(x0, y0, x1 - x0, y1 - y0))
    return path


class TileServer:
    """A server of a folder's files, in parts, that writes down what it is asked.

    Attributes
    ----------
    url : str
    asked : list of (str, (int, int) or None)
        Path and bytes of each request.
    answers : dict of str to callable
        What answers in the place of the file, by path, "" for all of them.
    waiting : threading.Event
        For answers that are to wait until the test has seen enough.
    """

    def __init__(self, root: Path) -> None:
        self.asked: list[tuple[str, tuple[int, int] | None]] = []
        self.answers: dict[str, Answer] = {}
        self.waiting = threading.Event()
        server = self

        class _Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                wanted = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
                part = (int(wanted[1]), int(wanted[2]) + 1) if wanted else None
                server.asked.append((self.path, part))
                file = root / self.path.lstrip("/")
                data = file.read_bytes() if file.is_file() else b""
                self.close_connection = True
                if (answer := server.answers.get(self.path, server.answers.get(""))) is not None:
                    answer(self, data, part)
                elif not file.is_file():
                    reply(self, 404, b"no such file")
                else:
                    in_parts(self, data, part)

            def log_message(self, *words: object) -> None:
                """Say nothing."""

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
        self.url = f"http://127.0.0.1:{self._http.server_port}"

    def paths(self) -> set[str]:
        """Return what was asked for so far."""
        return {path for path, _ in self.asked}


@contextmanager
def serving(root: Path) -> Iterator[TileServer]:
    """Run a server over a folder."""
    server = TileServer(root)
    thread = threading.Thread(target=server._http.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.waiting.set()
        server._http.shutdown()
        server._http.server_close()
        thread.join()


def reply(handler: Handler, status: int, data: bytes, **headers: str) -> None:
    """Answer with a status, headers (underscores stand for hyphens) and a body."""
    handler.send_response(status)
    for name, value in {"Content_Length": str(len(data)), **headers}.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.end_headers()
    handler.wfile.write(data)


def in_parts(handler: Handler, data: bytes, part: tuple[int, int] | None) -> None:
    """Answer as a server of ranges does."""
    if part is None:
        return reply(handler, 200, data)
    start, stop = part[0], min(part[1], len(data))
    return reply(handler, 206, data[start:stop], Content_Range=f"bytes {start}-{stop - 1}/{len(data)}")


def whole(handler: Handler, data: bytes, part: tuple[int, int] | None) -> None:
    """Answer as a server that knows no ranges does."""
    reply(handler, 200, data)
