"""Sentences in every language: one file of words a language, one key a sentence.

A language is a file ``texts/CODE.json``: keys, dotted and the same in every file, to text with places in braces. One
more key, ``reviewed``, says whether a native reader who knows the trade has read it. ``texts/terms.toml`` is the
word list.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from vinemap.characters import isolated
from vinemap.columns import meanings
from vinemap.resources import asset

_OWN = "en"
"""The language of tables, files and of every `Sentence` as text."""

_BESIDE = {
    "rules.toml": "rule",
    "varieties.toml": "rule.varieties",
    "intake/elevation_sources.toml": "elevation_source",
}
"""Data files that carry words, and what their keys begin with."""


_REVIEWED = "reviewed"


@cache
def _files() -> dict[str, dict[str, Any]]:
    """Return what each language's file holds, by its code."""
    found = sorted(files("vinemap").joinpath("texts").iterdir(), key=lambda entry: entry.name)
    return {
        entry.name.removesuffix(".json"): json.loads(entry.read_text(encoding="utf-8"))
        for entry in found
        if entry.name.endswith(".json")
    }


def unreviewed() -> list[str]:
    """Return the codes of the languages that no native reader has read yet."""
    return [code for code, words in _files().items() if words[_REVIEWED] is not True]


@dataclass(frozen=True)
class Term:
    """A word of the trade.

    Attributes
    ----------
    means : str
        In English.
    says : dict of str to list of str
        Its forms in each language, the one to use first.
    """

    means: str
    says: dict[str, list[str]]


@cache
def terms() -> list[Term]:
    """Return the word list for translators."""
    listed = tomllib.loads(asset("vinemap", "texts/terms.toml"))["term"]
    return [Term(term.pop("means"), term) for term in listed]


@cache
def languages() -> dict[str, dict[str, str]]:
    """Return every language's words, by its code."""
    tables = {code: {key: text for key, text in words.items() if key != _REVIEWED} for code, words in _files().items()}
    # The English of a rule's label, source and caution stands beside its numbers, and nowhere else.
    for name, key in _BESIDE.items():
        tables[_OWN] |= dict(_of_rules(tomllib.loads(asset("vinemap", name)), key))
    # So does the English of what a column holds, in the table of columns.
    tables[_OWN] |= meanings()
    return tables


def _of_rules(table: Mapping[str, Any], key: str) -> Iterator[tuple[str, str]]:
    """Yield the sentences of a table of rules, by their keys."""
    for name, value in table.items():
        if isinstance(value, Mapping):
            yield from _of_rules(value, f"{key}.{name}")
        elif name in ("label", "source", "caution"):
            yield f"{key}.{name}", str(value)


def ruled(key: str, text: str) -> Sentence | str:
    """Return what ``rules.toml`` or ``varieties.toml`` says, in every language; a vineyard's own text stays as it is.

    Parameters
    ----------
    key : str
        Of the rules: ``pruning.stepped.source``.
    text : str
        What the settings have there.
    """
    sentence = Sentence(f"rule.{key}")
    return sentence if sentence == text else text


def seasonal(key: str, *, spring: bool) -> str:
    """Return a key, or after budbreak the key of what is said in its place, where that is another thing.

    ``page.do.no_data`` has its counterpart in ``page.spring.do.no_data``.
    """
    name, _, rest = key.partition(".")
    after = f"{name}.spring.{rest}"
    return after if spring and after in languages()[_OWN] else key


@cache
def section(name: str) -> dict[str, dict[str, str]]:
    """Return the words of one section in each language, their keys without its name: what a page carries."""
    start = f"{name}."
    return {
        language: {key.removeprefix(start): text for key, text in words.items() if key.startswith(start)}
        for language, words in languages().items()
    }


def said(language: str, key: str, **values: Any) -> str:
    """Return a sentence in one language, as plain text; in English where the language has none.

    Parameters
    ----------
    language : str
        Code of a language that has a file.
    key : str
        Of the sentence.
    **values
        For its places; what is `Said` is said in the same language.
    """
    filled = {name: value.said(language) if isinstance(value, Said) else value for name, value in values.items()}
    filled = {name: isolated(value) if isinstance(value, str) else value for name, value in filled.items()}
    words = languages()[language]
    return (words[key] if key in words else languages()[_OWN][key]).format(**filled)


class Sentence(str):
    """A sentence, or a term that stands inside one: as text it is English, and `said` gives any language.

    Parameters
    ----------
    key : str
        Of the sentence.
    **values
        For its places; another `Sentence`, a `Figure` or `Listed` is said in the language of the whole.

    Examples
    --------
    >>> from vinemap.sentences import Figure, Sentence
    >>> Sentence("warning.cells", wanted=Figure(3), cell=Figure(4.25, 1)).said("es")
    'Las celdas de la malla se ampliaron de 3 m a 4,2 m para limitar su número.'
    """

    key: str
    values: dict[str, Any]

    def __new__(cls, key: str, **values: Any) -> Sentence:
        """Say it in English."""
        sentence = super().__new__(cls, said(_OWN, key, **values))
        sentence.key, sentence.values = key, values
        return sentence

    @classmethod
    def counted(cls, key: str, count: int, **values: Any) -> Sentence:
        """Take ``key.one`` for a count of 1, else ``key.many``; ``count`` is among the values."""
        return cls(f"{key}.{'one' if count == 1 else 'many'}", count=Figure(count), **values)

    def said(self, language: str) -> str:
        """Return it in one language."""
        return said(language, self.key, **self.values)

    def everywhere(self) -> dict[str, str]:
        """Return it in each language, by its code."""
        return {language: self.said(language) for language in languages()}

    def __getnewargs_ex__(self) -> tuple[tuple[str], dict[str, Any]]:
        """Let copies and pickles keep what it is made of."""
        return (self.key,), self.values


def everywhere(text: str) -> dict[str, str]:
    """Return a text in each language, by its code; one that is no `Sentence`, as an earlier run left it, is English."""
    return text.everywhere() if isinstance(text, Sentence) else {_OWN: text}


class Figure:
    """A figure that stands inside a sentence, with the marks of the sentence's language.

    Parameters
    ----------
    value : float
        To be shown.
    decimals : int or None
        Digits after the mark; None shows six figures at the most, and none that say nothing.
    unit : str
        Written after it, where there is one.
    """

    def __init__(self, value: float, decimals: int | None = 0, unit: str = "") -> None:
        self.value, self.decimals, self.unit = value, decimals, unit

    def said(self, language: str) -> str:
        """Return it in one language."""
        words = languages()[language]
        marks = str.maketrans({",": words["figure.thousands"], ".": words["figure.decimal"]})
        digits = f"{self.value:,.6g}" if self.decimals is None else f"{self.value:,.{self.decimals}f}"
        return f"{digits.translate(marks)} {self.unit}".rstrip()

    def __str__(self) -> str:
        """Return it in English."""
        return self.said(_OWN)


class Listed:
    """Names, or sentences without a stop, that stand inside a sentence.

    Parameters
    ----------
    names : iterable
        In their order.
    together : bool
        Whether they make one whole: "a, b and c" in place of "a, b, c".
    between : str
        What parts them.
    most : int or None
        Names shown, of which those past it are counted; all of them where None.
    """

    def __init__(
        self, names: Iterable[object], *, together: bool = False, between: str = ", ", most: int | None = 12
    ) -> None:
        self.names, self.together, self.between, self.most = list(names), together, between, most

    def said(self, language: str) -> str:
        """Return them in one language."""
        shown = [name.said(language) if isinstance(name, Said) else str(name) for name in self.names[: self.most]]
        if self.most is not None and len(self.names) > self.most:
            more = Figure(len(self.names) - self.most)
            return said(language, "list.more", shown=self.between.join(shown), more=more)
        if self.together and len(shown) > 1:
            return said(language, "list.and", shown=self.between.join(shown[:-1]), last=shown[-1])
        return self.between.join(shown)

    def __str__(self) -> str:
        """Return them in English."""
        return self.said(_OWN)


Said = Sentence | Figure | Listed
"""What can be said in any language."""
