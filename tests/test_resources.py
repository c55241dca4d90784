"""What a package carries, and values that JSON can hold."""

from __future__ import annotations

import math

import numpy as np

from vinemap.resources import finite


def test_what_json_cannot_hold_becomes_none() -> None:
    """NaN and infinity of Python and NumPy, however deep; whole numbers, truth values and text stay as they are."""
    given = {"a": [np.nan, np.float64(1.5), np.float32(np.inf), -math.inf], 2: ({"b": np.float32(0.5)}, True, 3, "nan")}
    assert finite(given) == {"a": [None, 1.5, None, None], "2": [{"b": 0.5}, True, 3, "nan"]}
    assert type(finite(np.float32(0.5))) is float
    assert finite(True) is True
