"""The guide: chapters in Markdown, rendered into one HTML page that needs no network."""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from markdown_it import MarkdownIt

from vinemap.exports.exchange import replaced
from vinemap.guide.generated import (
    columns_tables,
    region_tables,
    rules_tables,
    settings_tables,
    terms_table,
    unreviewed_languages,
)
from vinemap.resources import asset
from vinemap.web.templates import render, trusted

CHAPTERS = (
    "first_map",
    "desk",
    "files",
    "map",
    "decides",
    "services",
    "columns",
    "settings",
    "method",
    "python",
    "translating",
    "changes",
)
"""In reading order: each is ``chapters/NAME.md``, and NAME is the anchor that the others link to."""

_GENERATED: dict[str, Callable[[], str]] = {
    "columns": columns_tables,
    "region": region_tables,
    "settings": settings_tables,
    "rules": rules_tables,
    "terms": terms_table,
    "unreviewed": unreviewed_languages,
}
_PLACE = re.compile(r"\[\[(\w+)\]\]")


class Chapter(NamedTuple):
    """A chapter of the guide.

    Attributes
    ----------
    name : str
        One of `CHAPTERS`.
    title : str
        Its first heading.
    markdown : str
        The whole of it, with the parts that are made from the code in their places.
    """

    name: str
    title: str
    markdown: str


def chapters() -> list[Chapter]:
    """Return the guide's chapters in reading order."""
    return [_chapter(name) for name in CHAPTERS]


def _chapter(name: str) -> Chapter:
    text = asset("vinemap.guide", f"chapters/{name}.md")
    markdown = _PLACE.sub(lambda place: _GENERATED[place.group(1)](), text)
    return Chapter(name, markdown.partition("\n")[0].removeprefix("# "), markdown)


def write_guide(path: Path) -> None:
    """Write the guide as one HTML page.

    Parameters
    ----------
    path : Path
        File to write; what stood there is replaced once the page is complete.
    """
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    parts = [(chapter.name, chapter.title, trusted(reader.render(chapter.markdown))) for chapter in chapters()]
    page = render("guide/templates/guide.html.j2", chapters=parts, version=version("vinemap"))
    with replaced(path, ">vinemap guide<") as draft:
        draft.write_text(page, encoding="utf-8")
