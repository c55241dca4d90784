"""What a package carries, and values that JSON can hold."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from vinemap.resources import finite, write_json


def test_what_json_cannot_hold_becomes_none() -> None:
    """NaN and infinity of Python and NumPy, however deep; whole numbers, truth values and text stay as they are."""
    given = {"a": [np.nan, np.float64(1.5), np.float32(np.inf), -math.inf], 2: ({"b": np.float32(0.5)}, True, 3, "nan")}
    assert finite(given) == {"a": [None, 1.5, None, None], "2": [{"b": 0.5}, True, 3, "nan"]}
    assert type(finite(np.float32(0.5))) is float
    assert finite(True) is True


def test_json_has_no_nan(tmp_path: Path) -> None:
    """A figure that is not there is null, which every JSON reader takes (RFC 8259)."""
    write_json({"a": float("nan"), "b": [1.5, float("inf")], "c": {"d": np.float64(2)}}, tmp_path / "r.json")
    found = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"), parse_constant=pytest.fail)
    assert found == {"a": None, "b": [1.5, None], "c": {"d": 2.0}}
