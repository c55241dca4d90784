"""The page's outer shell: folium's map and figure, without a single link to a network, under a strict policy."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import folium
from branca.element import Element, Figure
from xstatic.pkg import leaflet

from vinemap.resources import asset
from vinemap.web.modules import joined
from vinemap.web.policy import policy

_PAGE, _WEB = "vinemap.page", "vinemap.web"

_STYLES = ("page.css", "panel.css", "map.css", "phone.css", "print.css")
_HOST = re.compile(r"(\{s\}\.|\*\.)?[a-z0-9-]+(\.[a-z0-9-]+)+(:\d+)?", re.IGNORECASE)
_VIEWPORT = re.compile(r'<meta name="viewport"[^>]*>')
_DATA_MARK = '<script type="application/json" id="vinemap-data">'


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


class _Verbatim(Element):
    """Text that goes into the figure as it is, never read as a template."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def render(self, **_: object) -> str:
        return self._text


def page(data: str, online: OnlineBasemap | None = None) -> str:
    """Assemble the page around its data.

    Parameters
    ----------
    data : str
        JSON, escaped as `vinemap.web.embed.to_json` does; put in after all templates have been rendered.
    online : OnlineBasemap or None
        Widens the policy's ``img-src`` by this one host.
    """
    before, after = asset(_PAGE, "page.html").split("<!-- map -->\n")
    figure = _figure()
    figure.html.add_child(_Verbatim(before), name="before", index=0)
    figure.html.add_child(_Verbatim(after), name="after")
    figure.script.add_child(
        _Verbatim(f"</script>\n{_DATA_MARK}</script>\n<script>{joined('page/script/app.js')}"), name="own"
    )
    html = _VIEWPORT.sub('<meta name="viewport" content="width=device-width, initial-scale=1">', figure.render())
    html = html.replace("<html>", '<html lang="en">', 1)
    allowed = policy(html, images=online.source if online else None)
    html = html.replace("<head>", f'<head>\n<meta charset="utf-8">\n{allowed}', 1)
    return html.replace(_DATA_MARK, _DATA_MARK + data, 1)


def _figure() -> Figure:
    """Folium's map in its figure, Leaflet from the installed package in place of every link."""
    area = folium.Map(
        location=[0, 0],
        zoom_start=2,
        tiles=None,
        zoom_control=False,
        attribution_control=False,
        zoom_snap=0.25,
        zoom_delta=1,
        max_zoom=22,
    )
    area._id = "vineyard"  # otherwise random: the same input shall give the same file
    area.default_js = []
    area.default_css = []
    figure = Figure(title="vinemap")
    area.add_to(figure)
    library = Path(leaflet.BASE_DIR)
    code = (library / "leaflet.js").read_text(encoding="utf-8").replace("//# sourceMappingURL=leaflet.js.map", "")
    # The rules that name image files serve controls that this page does not use.
    rules = re.sub(r"[^{}]*\{[^{}]*url\([^{}]*\}", "", (library / "leaflet.css").read_text(encoding="utf-8"))
    figure.header.add_child(_Verbatim(f"<style>{rules}</style>\n<script>{code}</script>"), name="leaflet", index=0)
    area.render()  # type: ignore[no-untyped-call]
    shared = [asset(_WEB, f"style/{name}") for name in ("tokens.css", "screen.css")]
    own = "\n".join([*shared, *(asset(_PAGE, f"style/{name}") for name in _STYLES)])
    figure.header.add_child(_Verbatim(f"<style>{own}</style>"), name="own_style")
    return figure
