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

HEAD_BYTES = 65_536
"""Read of every file first: the head of a cloud-optimised GeoTIFF lies in it."""

_PIECE = 65_536
_TRIES = 3
_GONE = (404, 410)
_BUSY = (429, 500, 502, 503, 504)
_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+)")
# An address may hold a password: it is not repeated.
_ADDRESS = "the address"
_LATER = "try again later; nothing was written"
_OTHERS = "fetch the grid by hand, save it as elevation.tif, or give the address of a mirror with --source-url"


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


class _SameHost(request.HTTPRedirectHandler):
    """Follows a redirect to the same host by the same scheme, and no other."""

    def redirect_request(
        self, req: request.Request, fp: IO[bytes], code: int, msg: str, headers: http.client.HTTPMessage, newurl: str
    ) -> request.Request | None:
        if origin_of(newurl) != origin_of(req.full_url):
            what = f"sends the request on to another host, {parse.urlsplit(newurl).netloc[:100]}, which is not asked"
            raise FetchError(origin_of(req.full_url), what, _OTHERS)
        return super().redirect_request(req, fp, code, msg, headers, newurl)


def origin_of(address: str) -> str:
    """Return scheme, host and port of an address.

    Raises
    ------
    FetchError
        Where it is no address of HTTP or HTTPS, or carries a name and a password.
    """
    remedy = "give an address such as https://host/path"
    try:
        parts = parse.urlsplit(address)
        port = parts.port or {"http": 80, "https": 443}[parts.scheme]
    except (ValueError, KeyError):
        raise FetchError(_ADDRESS, "is none of HTTP or HTTPS", remedy) from None
    if not parts.hostname or parts.username is not None:
        raise FetchError(_ADDRESS, "is not that of a host alone, without a name and a password", remedy)
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
        fault = ""
        for _ in range(_TRIES):
            try:
                return self._once(f"{self._address}/{parse.quote(path)}", start, stop)
            except _TryAgainError as again:
                fault = str(again)
        raise FetchError(self._host, fault, _LATER)

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
            raise FetchError(self._host, "sent another part of a file than was asked for", _OTHERS)
        return self._body(answer, last + 1 - first, last + 1 - first), size

    def _whole(self, answer: Any) -> bytes:
        length = _length(answer.headers)
        most = self._limits.whole_bytes
        if length is not None and length > most:
            what = f"gives no parts of files, and the whole file of {length / 1e6:,.0f} MB is more than is read"
            raise FetchError(self._host, what, _OTHERS)
        return self._body(answer, length, most)

    def _body(self, answer: Any, length: int | None, most: int) -> bytes:
        """Read an answer of a length, or of any up to a bound."""
        parts, came = [], 0
        if length is not None and _length(answer.headers) not in (None, length):
            raise FetchError(self._host, "states a length that is not that of the part", _OTHERS)
        while chunk := answer.read1(min(_PIECE, most + 1 - came)):
            parts.append(chunk)
            came += len(chunk)
            self.came += len(chunk)
            self._progress(self.came)
            if came > most or self.came > self._limits.total_bytes:
                raise FetchError(self._host, "sends more than was asked for", _OTHERS)
            if self._clock() > self._end:
                raise FetchError(self._host, f"took more than {self._limits.total_s / 60:g} minutes", _LATER)
        if length is not None and came < length:
            raise _TryAgainError(f"broke off after {came:,} of {length:,} bytes")
        return b"".join(parts)

    def _refused(self, refusal: error.HTTPError) -> Exception:
        refusal.close()
        if refusal.code in _GONE:
            return NoSuchFileError(self._host, "has no such file", _OTHERS)
        what = f"answered {refusal.code} {refusal.reason}"[:200]
        return _TryAgainError(what) if refusal.code in _BUSY else FetchError(self._host, what, _OTHERS)

    def _unreachable(self, failure: object) -> Exception:
        if isinstance(failure, TimeoutError):
            return FetchError(self._host, f"sent nothing for {self._limits.silence_s:g} seconds", _LATER)
        if isinstance(failure, ssl.SSLCertVerificationError):
            what = f"has a certificate that is not trusted ({failure.verify_message})"
            return FetchError(
                self._host, what, "see that the date of this computer is right, and ask who runs the network"
            )
        return _TryAgainError(f"cannot be reached, or broke off ({failure})"[:300])


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
                raise FetchError(self._path, "changed while it was read", _LATER)
            for number in run:
                self._pieces[number] = data[number * _PIECE - start : (number + 1) * _PIECE - start]
