"""The sheet's words, in every language at once; the reader's choice shows one of them."""

from __future__ import annotations

from html import escape
from typing import Any

from vinemap.texts import texts as texts_of


def texts() -> dict[str, dict[str, str]]:
    """Return each language's table, by its code."""
    return texts_of("vinemap.plan")


def said(language: str, key: str, **values: Any) -> str:
    """Return a text in one language, as plain text; a value that is a `Term` is said in that language."""
    filled = {
        name: said(language, value.key, **value.values) if isinstance(value, Term) else value
        for name, value in values.items()
    }
    return texts()[language][key].format(**filled)


class Term:
    """A word of the table that stands inside another text.

    Parameters
    ----------
    key : str
        Of the table.
    **values
        For its own places.
    """

    def __init__(self, key: str, **values: Any) -> None:
        self.key, self.values = key, values


def html(key: str, **values: Any) -> str:
    """Return a text in every language as HTML, each in an element of its own; the values are escaped."""
    return "".join(f'<span lang="{language}">{escape(said(language, key, **values))}</span>' for language in texts())


def svg(key: str, place: str, **values: Any) -> str:
    """Return a text in every language as SVG text elements with the attributes ``place``."""
    return "".join(
        f'<text lang="{language}" {place}>{escape(said(language, key, **values))}</text>' for language in texts()
    )
