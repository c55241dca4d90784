"""The desk's scripts and style, each one file under an address that changes with its content."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache

from vinemap.resources import asset
from vinemap.web.leaflet import leaflet_parts
from vinemap.web.modules import joined

_TYPES = {"js": "text/javascript", "css": "text/css"}


@dataclass(frozen=True)
class Assets:
    """What pages load.

    Attributes
    ----------
    files : dict of str to (bytes, str)
        Content and media type by address.
    addresses : dict of str to str
        Address of ``desk.js``, ``desk.css``, ``leaflet.js`` and ``leaflet.css``.
    """

    files: dict[str, tuple[bytes, str]]
    addresses: dict[str, str]


@cache
def assets() -> Assets:
    """Return the files of the desk's pages."""
    style = [asset("vinemap.web", f"style/{name}") for name in ("tokens.css", "screen.css")]
    own = [asset("vinemap.desk", f"style/{name}") for name in ("desk.css", "steps.css", "tables.css", "places.css")]
    rules, code = leaflet_parts()
    texts = {
        "desk.js": joined("desk/script/app.js"),
        "desk.css": "\n".join([*style, *own]),
        "leaflet.js": code,
        "leaflet.css": rules,
    }
    files, addresses = {}, {}
    for name, text in texts.items():
        content = text.encode()
        addresses[name] = f"/assets/{hashlib.sha256(content).hexdigest()[:16]}/{name}"
        files[addresses[name]] = content, _TYPES[name.rpartition(".")[2]]
    return Assets(files, addresses)
