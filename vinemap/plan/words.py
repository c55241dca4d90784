"""The sheet's words, in every language at once; the reader's choice shows one of them."""

from __future__ import annotations

from typing import Any

from vinemap.resources import texts as texts_of


def texts() -> dict[str, dict[str, str]]:
    """Return each language's table, by its code."""
    return texts_of("vinemap.plan")


def said(language: str, key: str, **values: Any) -> str:
    """Return a text in one language, as plain text; a `Term` or `Figure` among the values is said in it too."""
    filled = {
        name: value.said(language) if isinstance(value, Term | Figure) else value for name, value in values.items()
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

    def said(self, language: str) -> str:
        """Return it in one language."""
        return said(language, self.key, **self.values)


class Figure:
    """A figure that stands inside a text, with the decimal mark of the text's language.

    Parameters
    ----------
    value : float
        To be shown.
    decimals : int
        Digits after the mark.
    unit : str
        Written after it, where there is one.
    """

    def __init__(self, value: float, decimals: int = 0, unit: str = "") -> None:
        self.value, self.decimals, self.unit = value, decimals, unit

    def said(self, language: str) -> str:
        """Return it in one language."""
        digits = f"{self.value:.{self.decimals}f}".replace(".", texts()[language]["decimal"])
        return f"{digits} {self.unit}".rstrip()

    def __str__(self) -> str:
        """Return it in English, as `vinemap.plan.sentences` speaks."""
        return self.said("en")
