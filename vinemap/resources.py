"""Files that a package carries: tables of words, one a language, and parts of pages."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files


@cache
def asset(package: str, name: str) -> str:
    """Return a text file of a package, by its path inside it."""
    return files(package).joinpath(name).read_text(encoding="utf-8")


@cache
def texts(package: str) -> dict[str, dict[str, str]]:
    """Return a package's table of words in each language, by its code: one file ``texts/CODE.json`` a language."""
    names = sorted(entry.name for entry in files(package).joinpath("texts").iterdir() if entry.name.endswith(".json"))
    return {name.removesuffix(".json"): json.loads(asset(package, f"texts/{name}")) for name in names}
