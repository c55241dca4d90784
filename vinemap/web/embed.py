"""Tables as plain JSON values, and JSON that no HTML parser can mistake for markup."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

_ESCAPES = str.maketrans({"<": "\\u003c", ">": "\\u003e", "&": "\\u0026"})


def to_json(value: object) -> str:
    r"""Write a value as ASCII JSON that is safe inside a ``script`` element.

    Every character beyond ASCII is escaped by the encoder (so U+2028, U+2029 and right-to-left marks too), and ``<``,
    ``>`` and ``&`` become ``\u003c``, ``\u003e`` and ``\u0026``: no text can end the element or start markup.
    """
    return json.dumps(value, allow_nan=False, separators=(",", ":"), default=_plain).translate(_ESCAPES)


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, (dt.date, dt.datetime)):
        return value.isoformat()
    message = f"cannot write {type(value).__name__} into the page"
    raise TypeError(message)


def plain(value: Any) -> Any:
    """Give one table cell as a JSON value: missing becomes None, numbers keep two decimals, dates their day."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (dt.date, pd.Timestamp)):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        rounded = round(value, 2)
        return None if not np.isfinite(value) else int(rounded) if rounded.is_integer() else rounded
    return value if isinstance(value, (bool, int)) else str(value)


def columns(frame: pd.DataFrame, names: Iterable[str]) -> dict[str, list[Any]]:
    """Give those of the named columns that the table has, as lists of JSON values."""
    return {name: [plain(value) for value in frame[name].tolist()] for name in names if name in frame}
