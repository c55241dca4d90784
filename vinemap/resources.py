"""Files that a package carries: tables of words, one a language, and parts of pages; and values that JSON can hold."""

from __future__ import annotations

import json
import math
from functools import cache
from importlib.resources import files
from numbers import Integral, Real
from typing import Any


@cache
def asset(package: str, name: str) -> str:
    """Return a text file of a package, by its path inside it."""
    return files(package).joinpath(name).read_text(encoding="utf-8")


@cache
def texts(package: str) -> dict[str, dict[str, str]]:
    """Return a package's table of words in each language, by its code: one file ``texts/CODE.json`` a language."""
    names = sorted(entry.name for entry in files(package).joinpath("texts").iterdir() if entry.name.endswith(".json"))
    return {name.removesuffix(".json"): json.loads(asset(package, f"texts/{name}")) for name in names}


def finite(value: Any) -> Any:
    """Replace every number that JSON cannot hold (NaN, infinity) inside dicts and lists by None."""
    if isinstance(value, dict):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    if isinstance(value, Real) and not isinstance(value, Integral):  # NumPy's scalars too, without importing it
        return float(value) if math.isfinite(value) else None
    return value
