"""Files that a package carries: tables of words, one a language, and parts of pages; and what JSON can hold."""

from __future__ import annotations

import json
import math
from functools import cache
from importlib.resources import files
from numbers import Integral, Real
from pathlib import Path
from typing import Any


@cache
def asset(package: str, name: str) -> str:
    """Return a text file of a package, by its path inside it."""
    return files(package).joinpath(name).read_text(encoding="utf-8")


def finite(value: Any) -> Any:
    """Replace every number that JSON cannot hold (NaN, infinity) inside dicts and lists by None."""
    if isinstance(value, dict):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    if isinstance(value, Real) and not isinstance(value, Integral):  # NumPy's scalars too, without importing it
        return float(value) if math.isfinite(value) else None
    return value


def write_json(report: Any, path: Path) -> None:
    """Write a report as JSON; a number that is not finite becomes null."""
    path.write_text(json.dumps(finite(report), indent=2, ensure_ascii=False, default=str) + "\n", encoding="utf-8")
