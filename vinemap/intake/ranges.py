"""Parts of files over HTTP: the one module that opens a connection, and only to the host that it is given.

urllib carries it: proxies and certificates are those of the system and of the environment, as everywhere, and no
library is needed for a handful of requests. GDAL's own network file systems stay shut, so that what is asked of whom is
decided here: no other host, no other scheme, a bound on bytes and on time.
"""

from __future__ import annotations

import http.client
import re
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass
from email.message import Message
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any
from urllib import error, parse, request

from vinemap.errors import FetchError
from vinemap.sentences import Figure, Sentence

HEAD_BYTES = 65_536
"""Read of every file first: the head of a cloud-optimised GeoTIFF lies in it."""

_PIECE = 65_536
_TRIES = 3
_GONE = (404, 410)
_BUSY = (429, 500, 502, 503, 504)
_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+)")


@dataclass(frozen=True)
class Limits:
    """What a fetch may take before it is given up.

    Attributes
    ----------
    silence_s : float
        Seconds without a byte.
    total_s : float
        Seconds for everything together.
    total_bytes : int
        Bytes of everything together.
    whole_bytes : int
        Of a file that the server does not give in parts.
    """

    silence_s: float = 30.0
    total_s: float = 1200.0
    total_bytes: int = 300_000_000
    whole_bytes: int = 80_000_000


class NoSuchFileError(FetchError):
    """The host has no such file."""


class _TryAgainError(Exception):
    """A fault that may be gone at the next try."""

    def __init__(self, fault: Sentence) -> None:
        super().__init__(fault)
        self.fault = fault


class _SameHost(request.HTTPRedirectHandler):
    """Follows a redirect to the same host by the same scheme, and no other."""

    def redirect_request(
        self, req: request.Request, fp: IO[bytes], code: int, msg: str, headers: http.client.HTTPMessage, newurl: str
    ) -> request.Request | None:
        if origin_of(newurl) != origin_of(req.full_url):
            what = Sentence("fault.fetch.sends_on", host=parse.urlsplit(newurl).netloc[:100])
            raise FetchError(origin_of(req.full_url), what, Sentence("remedy.fetch.by_hand"))
        return super().redirect_request(req, fp, code, msg, headers, newurl)


def origin_of(address: str) -> str:
    """Return scheme, host and port of an address.

    Raises
    ------
    FetchError
        Where it is no address of HTTP or HTTPS, or carries a name and a password.
    """
    # An address may hold a password: it is not repeated.
    unsaid, remedy = Sentence("fault.fetch.the_address"), Sentence("remedy.fetch.address")
    try:
        parts = parse.urlsplit(address)
        port = parts.port or {"http": 80, "https": 443}[parts.scheme]
    except (ValueError, KeyError):
        raise FetchError(unsaid, Sentence("fault.fetch.no_http"), remedy) from None
    if not parts.hostname or parts.username is not None:
        raise FetchError(unsaid, Sentence("fault.fetch.password"), remedy)
    return f"{parts.scheme}://{parts.hostname}:{port}"


class Asker:
    """Asks one host for parts of files.

    Parameters
    ----------
    address : str
        Of the host, with whatever comes before the paths.
    limits : Limits
    progress : callable
        Called with the bytes that came so far.
    clock : callable
        Seconds, from any start.

    Raises
    ------
    FetchError
        As `origin_of`.
    """

    def __init__(
        self,
        address: str,
        limits: Limits,
        progress: Callable[[int], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        origin_of(address)
        self._address, self._limits, self._progress, self._clock = address.rstrip("/"), limits, progress, clock
        self._host = parse.urlsplit(address).netloc
        self._opener = request.OpenerDirector()
        for handler in (
            request.ProxyHandler(),
            request.HTTPHandler(),
            request.HTTPSHandler(),
            request.HTTPDefaultErrorHandler(),
            _SameHost(),
            request.HTTPErrorProcessor(),
        ):
            self._opener.add_handler(handler)
        self._end = clock() + limits.total_s
        self.came = 0
        """Bytes that came so far."""

    def part(self, path: str, start: int, stop: int) -> tuple[bytes, int | None]:
        """Return a part of a file and the size of the whole; the whole file, and None, where no parts are given.

        Parameters
        ----------
        path : str
            Of the file, at the host.
        start, stop : int
            First byte, and the one after the last; past the end, what is there.

        Raises
        ------
        NoSuchFileError
            Where the host has no such file.
        FetchError
            Where it cannot be had, or more is sent than was asked for, or something else.
        """
        fault = Sentence("fault.fetch.none")
        for _ in range(_TRIES):
            try:
                return self._once(f"{self._address}/{parse.quote(path)}", start, stop)
            except _TryAgainError as again:
                fault = again.fault
        raise FetchError(self._host, fault, Sentence("remedy.fetch.later"))

    def _once(self, url: str, start: int, stop: int) -> tuple[bytes, int | None]:
        headers = {"Range": f"bytes={start}-{stop - 1}", "User-Agent": f"vinemap/{version('vinemap')}"}
        asked = request.Request(url, headers=headers)  # noqa: S310 - `origin_of` lets HTTP and HTTPS through alone
        try:
            with self._opener.open(asked, timeout=self._limits.silence_s) as answer:
                if answer.status == http.client.PARTIAL_CONTENT:
                    return self._partial(answer, start, stop)
                return self._whole(answer), None
        except error.HTTPError as refusal:
            raise self._refused(refusal) from None
        except error.URLError as failure:
            raise self._unreachable(failure.reason) from None
        except (http.client.HTTPException, OSError) as failure:
            raise self._unreachable(failure) from None

    def _partial(self, answer: Any, start: int, stop: int) -> tuple[bytes, int]:
        stated = _RANGE.fullmatch(answer.headers.get("Content-Range", "").strip())
        first, last, size = map(int, stated.groups()) if stated else (-1, -1, 0)
        if not (first == start and last == min(stop, size) - 1 >= first):
            raise FetchError(self._host, Sentence("fault.fetch.other_part"), Sentence("remedy.fetch.by_hand"))
        return self._body(answer, last + 1 - first, last + 1 - first), size

    def _whole(self, answer: Any) -> bytes:
        length = _length(answer.headers)
        most = self._limits.whole_bytes
        if length is not None and length > most:
            what = Sentence("fault.fetch.no_parts", size=Figure(length / 1e6))
            raise FetchError(self._host, what, Sentence("remedy.fetch.by_hand"))
        return self._body(answer, length, most)

    def _body(self, answer: Any, length: int | None, most: int) -> bytes:
        """Read an answer of a length, or of any up to a bound."""
        parts, came = [], 0
        if length is not None and _length(answer.headers) not in (None, length):
            raise FetchError(self._host, Sentence("fault.fetch.length"), Sentence("remedy.fetch.by_hand"))
        while chunk := answer.read1(min(_PIECE, most + 1 - came)):
            parts.append(chunk)
            came += len(chunk)
            self.came += len(chunk)
            self._progress(self.came)
            if came > most or self.came > self._limits.total_bytes:
                raise FetchError(self._host, Sentence("fault.fetch.too_much"), Sentence("remedy.fetch.by_hand"))
            if self._clock() > self._end:
                slow = Sentence("fault.fetch.slow", minutes=Figure(self._limits.total_s / 60, None))
                raise FetchError(self._host, slow, Sentence("remedy.fetch.later"))
        if length is not None and came < length:
            raise _TryAgainError(Sentence("fault.fetch.broke_off", came=Figure(came), length=Figure(length)))
        return b"".join(parts)

    def _refused(self, refusal: error.HTTPError) -> Exception:
        refusal.close()
        if refusal.code in _GONE:
            return NoSuchFileError(self._host, Sentence("fault.fetch.none"), Sentence("remedy.fetch.by_hand"))
        what = Sentence("fault.fetch.answered", code=str(refusal.code), reason=str(refusal.reason)[:200])
        return (
            _TryAgainError(what)
            if refusal.code in _BUSY
            else FetchError(self._host, what, Sentence("remedy.fetch.by_hand"))
        )

    def _unreachable(self, failure: object) -> Exception:
        if isinstance(failure, TimeoutError):
            silent = Sentence("fault.fetch.silent", seconds=Figure(self._limits.silence_s, None))
            return FetchError(self._host, silent, Sentence("remedy.fetch.later"))
        if isinstance(failure, ssl.SSLCertVerificationError):
            what = Sentence("fault.fetch.certificate", reason=failure.verify_message)
            return FetchError(self._host, what, Sentence("remedy.fetch.certificate"))
        return _TryAgainError(Sentence("fault.fetch.unreachable", reason=str(failure)[:300]))


def _length(headers: Message) -> int | None:
    stated = headers.get("Content-Length", "").strip()
    return int(stated) if stated.isdecimal() else None


class RemoteFile:
    """A file at a host, read in parts; what was read is kept.

    Parameters
    ----------
    asker : Asker
    path : str
        At the host.

    Attributes
    ----------
    head : bytes
        How it begins.
    size : int
        Of the whole, bytes.
    whole : bool
        Whether the host gave it as a whole.

    Raises
    ------
    FetchError
        As `Asker.part`.
    """

    def __init__(self, asker: Asker, path: str) -> None:
        self._asker, self._path = asker, path
        self.head, size = asker.part(path, 0, HEAD_BYTES)
        self.whole = size is None
        self.size = len(self.head) if size is None else size
        starts = range(0, len(self.head), _PIECE)
        self._pieces = {start // _PIECE: self.head[start : start + _PIECE] for start in starts}

    def read(self, start: int, stop: int) -> bytes:
        """Return the bytes from one place to another, as far as there are any."""
        start, stop = max(0, start), min(self.size, stop)
        if start >= stop:
            return b""
        first, last = start // _PIECE, (stop - 1) // _PIECE
        self._fetch([number for number in range(first, last + 1) if number not in self._pieces])
        held = b"".join(self._pieces[number] for number in range(first, last + 1))
        return held[start - first * _PIECE : stop - first * _PIECE]

    def save(self, path: Path) -> None:
        """Write what was read, each part at its place, with holes between."""
        with path.open("wb") as file:
            file.truncate(self.size)
            for number, data in self._pieces.items():
                file.seek(number * _PIECE)
                file.write(data)

    def _fetch(self, missing: list[int]) -> None:
        """Fetch pieces, each run of them by one request."""
        while missing:
            run = [number for place, number in enumerate(missing) if number == missing[0] + place]
            missing = missing[len(run) :]
            start, stop = run[0] * _PIECE, min(self.size, (run[-1] + 1) * _PIECE)
            data, size = self._asker.part(self._path, start, stop)
            if size != self.size:
                raise FetchError(self._path, Sentence("fault.fetch.changed"), Sentence("remedy.fetch.later"))
            for number in run:
                self._pieces[number] = data[number * _PIECE - start : (number + 1) * _PIECE - start]
