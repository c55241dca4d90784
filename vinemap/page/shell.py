"""The page around its data: folium's map, Leaflet, style and scripts, without a single link to a network."""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import urlsplit

import folium
from branca.element import Figure

from vinemap.resources import asset
from vinemap.web.leaflet import leaflet_parts
from vinemap.web.modules import joined
from vinemap.web.page import one_file, texts_of
from vinemap.web.templates import trusted

_PAGE, _WEB = "vinemap.page", "vinemap.web"

_STYLES = ("page.css", "panel.css", "map.css", "phone.css", "print.css")
# Until it has run, the style shows what stands there for readers without scripts, and nothing else.
_SCRIPTED = 'document.documentElement.className = "scripted";'
_HOST = re.compile(r"(\{s\}\.|\*\.)?[a-z0-9-]+(\.[a-z0-9-]+)+(:\d+)?", re.IGNORECASE)


@dataclass(frozen=True)
class OnlineBasemap:
    """A tile service that the reader may switch on under the map; nothing is asked of it before.

    Attributes
    ----------
    url : str
        ``https`` address of the tiles with ``{z}``, ``{x}`` and ``{y}`` (``{s}`` for a sub-domain).
    attribution : str
        Whom to credit; shown as text.
    most_zoom : int
        Greatest zoom that the service carries.

    Raises
    ------
    ValueError
        When the address is not an ``https`` one with the three placeholders.
    """

    url: str
    attribution: str
    most_zoom: int = 19

    def __post_init__(self) -> None:
        parts = urlsplit(self.url)
        wanted = all(mark in self.url for mark in ("{z}", "{x}", "{y}"))
        if parts.scheme != "https" or not wanted or not _HOST.fullmatch(parts.netloc):
            message = f"{self.url!r} is no https tile address with {{z}}, {{x}} and {{y}}"
            raise ValueError(message)

    @property
    def source(self) -> str:
        """The host as a content security policy names it."""
        return "https://" + urlsplit(self.url).netloc.replace("{s}", "*")


def page(data: object, still: str, online: OnlineBasemap | None = None) -> str:
    """Assemble the page around its data.

    Parameters
    ----------
    data : object
        What the page's scripts read, as JSON holds it.
    still : str
        Markup, of `render`: what stands there where scripts are off.
    online : OnlineBasemap or None
        Widens the policy's ``img-src`` by this one host.
    """
    skeleton = _skeleton()
    shared = [asset(_WEB, f"style/{name}") for name in ("tokens.css", "screen.css")]
    own = [asset(_PAGE, f"style/{name}") for name in _STYLES]
    return one_file(
        "page/templates/map.html.j2",
        styles=[*skeleton.styles, "\n".join([*shared, *own])],
        scripts=[_SCRIPTED, *skeleton.scripts, joined("page/script/app.js")],
        data=data,
        data_id="vinemap-data",
        images=online.source if online else None,
        still=still,
        map=trusted(skeleton.element),
        leaflet_licence=asset(_PAGE, "leaflet_licence.txt").strip(),
    )


@dataclass(frozen=True)
class _Skeleton:
    """Leaflet and folium's map: what goes into ``style`` and ``script`` elements, and the map's own element."""

    styles: list[str]
    scripts: list[str]
    element: str


def _skeleton() -> _Skeleton:
    """Return folium's map, Leaflet from the installed package in place of every link."""
    area = folium.Map(
        location=[0, 0],
        zoom_start=2,
        tiles=None,
        zoom_control=False,
        attribution_control=False,
        zoom_snap=0.25,
        zoom_delta=1,
    )
    area._id = "vineyard"  # otherwise random: the same input shall give the same file
    area.default_js = []
    area.default_css = []
    figure = Figure()
    area.add_to(figure)
    area.render()  # type: ignore[no-untyped-call]
    # What else folium puts into the head forbids zooming by hand, and our own page has the rest.
    head = figure.header.render()
    rules, code = leaflet_parts()
    return _Skeleton(
        styles=[rules, *texts_of("style", head)],
        scripts=[code, *texts_of("script", head), figure.script.render()],
        element=figure.html.render().strip(),
    )
