"""Who may talk to the desk: the browser that was opened with its token, and pages that came from it, alone.

Bound to the loopback, it is still in reach of every page that the same browser shows. A page of another site can send
requests to 127.0.0.1, and one whose name is pointed there after it was loaded (DNS rebinding) can read the answers too.
Therefore every request must name this host, carry the cookie that only the token's address gives, and, where it changes
anything, come from a page of the desk.

References
----------
RFC 6265bis, SameSite cookies; W3C, Fetch Metadata Request Headers; W3C, Content Security Policy Level 3; RFC 6454, the
Origin header.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vinemap.sentences import languages, said

MOST_BYTES = 300_000_000
"""Most that is taken at once where files are given to the desk."""
_MOST_FORM_BYTES = 4_000_000
_DRAINED = 4
"""How many times the most bytes are read and thrown away, so that a browser hears why."""
_ENTRY = "/open/"
_SAFE_METHODS = ("GET", "HEAD")
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not no-referrer: under that, browsers send forms with the origin "null".
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class TooLargeError(Exception):
    """More was sent than is taken: so many bytes."""

    def __init__(self, limit: int) -> None:
        super().__init__(limit)
        self.limit = limit


class Guard:
    """ASGI middleware that lets nobody through but the browser that was opened with the token.

    Parameters
    ----------
    app : ASGI application
    port : int
        That the desk listens on.
    token : str
        Stands in the address that is opened.
    takes_files : callable
        Whether a path takes files, which may be large.
    """

    def __init__(self, app: ASGIApp, port: int, token: str, takes_files: Callable[[str], bool]) -> None:
        self._app, self._token, self._takes_files = app, token, takes_files
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        # Cookies do not tell ports apart: each desk has a name of its own.
        self._cookie = f"vinemap_desk_{port}"
        self._session = secrets.token_urlsafe(32)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        limit = MOST_BYTES if self._takes_files(scope["path"]) else _MOST_FORM_BYTES
        answer = self._answer(scope, headers, host)
        guarded = _Bounded(receive, limit)
        sending = _with_headers(send, host)
        if answer is None and _stated_length(headers) > limit:
            await guarded.drain()
            answer = too_large(limit)
        if answer is not None:
            await answer(scope, receive, sending)
            return
        await self._app(scope, guarded, sending)

    def _answer(self, scope: Scope, headers: Headers, host: str) -> Response | None:
        """Return the answer to a request that goes no further; None where it may."""
        if headers.getlist("host") != [host] or host not in self._hosts:
            return _refused(421, "desk.refused.host")
        if not _is_from_here(headers, host, changes=scope["method"] not in _SAFE_METHODS):
            return _refused(403, "desk.refused.origin")
        if scope["path"].startswith(_ENTRY) and scope["method"] in _SAFE_METHODS:
            return self._entered(scope["path"].removeprefix(_ENTRY))
        if not self._known(headers):
            return _refused(403, "desk.refused.token")
        return None

    def _entered(self, token: str) -> Response:
        if not secrets.compare_digest(token.encode(), self._token.encode()):
            return _refused(403, "desk.refused.token")
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(self._cookie, self._session, httponly=True, samesite="strict", path="/")
        return answer

    def _known(self, headers: Headers) -> bool:
        cookies: SimpleCookie = SimpleCookie()
        for line in headers.getlist("cookie"):
            try:
                cookies.load(line)
            except CookieError:
                return False
        found = cookies.get(self._cookie)
        return found is not None and secrets.compare_digest(found.value.encode(), self._session.encode())


def _is_from_here(headers: Headers, host: str, *, changes: bool) -> bool:
    """Whether a request comes from a page of the desk or from nowhere; what changes anything must say where from."""
    origins = headers.getlist("origin")
    if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        return False
    return origins == [f"http://{host}"] or (not origins and not changes)


class _Bounded:
    """Receives a request's body, and no more of it than is taken."""

    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive, self._limit, self._taken, self._ended = receive, limit, 0, False

    async def __call__(self) -> Message:
        message = await self._receive()
        if message["type"] == "http.request":
            self._taken += len(message.get("body", b""))
            self._ended = not message.get("more_body", False)
            if self._taken > self._limit:
                await self.drain()
                raise TooLargeError(self._limit)
        else:
            self._ended = True
        return message

    async def drain(self) -> None:
        """Read on and throw away, within bounds: whoever still sends does not hear an answer."""
        while not self._ended and self._taken <= _DRAINED * self._limit:
            message = await self._receive()
            self._taken += len(message.get("body", b""))
            self._ended = message["type"] != "http.request" or not message.get("more_body", False)


def page_policy(host: str) -> str:
    """Return the content security policy of the desk's pages: scripts and styles are files of our own alone."""
    own = f"http://{host}/assets/"
    return (
        f"default-src 'none'; script-src {own}; style-src {own}; img-src 'self' data: blob:; connect-src 'self'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )


def _with_headers(send: Send, host: str) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Content-Security-Policy", page_policy(host))
        await send(message)

    return sending


def _stated_length(headers: Headers) -> int:
    try:
        return int(headers.get("content-length", "0"))
    except ValueError:
        return 0


def _refused(status: int, key: str) -> Response:
    """Say in every language why there is no answer."""
    return PlainTextResponse("\n\n".join(said(language, key) for language in languages()), status)


def too_large(limit: int) -> Response:
    """Return the answer to more than is taken, in every language."""
    megabytes = f"{limit // 1_000_000}"
    lines = (said(language, "desk.refused.size", most=megabytes) for language in languages())
    return PlainTextResponse("\n\n".join(lines), 413)
