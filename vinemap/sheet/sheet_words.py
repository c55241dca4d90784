"""The words and numbers of a crew sheet, in one language and one system of units."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from vinemap.characters import isolated
from vinemap.sentences import section
from vinemap.units import area_unit


class Words:
    """The words and numbers of one language, as plain text."""

    def __init__(self, language: str, units: str, *, spring: bool = False) -> None:
        # What to do is said in the page's own words.
        self._texts = section("page")[language] | section("sheet")[language]
        if spring:
            after = {key: text for key, text in self._texts.items() if key.startswith("spring.")}
            self._texts |= {key.removeprefix("spring."): text for key, text in after.items()}
        self.units, self.language = units, language

    def __call__(self, key: str, **values: str) -> str:
        """Return a text of the table with its blanks filled."""
        return self._texts[key].format(**{name: isolated(value) for name, value in values.items()})

    def number(self, value: float, decimals: int = 0) -> str:
        """Return a number with the language's decimal sign."""
        text = f"{value:.{decimals}f}"
        return text.replace(".", ",") if self.language == "es" else text

    def within(self, figure: str, low: float, high: float) -> str:
        """Return a figure with its interval, where it has any; the high end may be missing."""
        if pd.isna(low) or low == high:
            return figure
        key = "range.or_more" if pd.isna(high) else "range"
        return f"{figure} ({self(key, low=self.number(low), high=self.number(high))})"

    def area(self, hectares: float, *, short: bool = False) -> str:
        """Return an area in the vineyard's units, their name short where there is little room."""
        per_hectare, unit = area_unit(self.units)
        return self(f"unit.{'ac' if short and unit == 'acres' else unit}", value=self.number(hectares * per_hectare, 2))

    def date(self, day: dt.date) -> str:
        """Return a date that cannot be misread: year, month, day (ISO 8601)."""
        return day.isoformat()
