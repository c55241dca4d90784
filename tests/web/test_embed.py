"""Tables and text as JSON inside a page."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.web.embed import columns, plain, to_json


@given(st.text())
def test_json_carries_any_text_and_no_markup(text: str) -> None:
    """Any text comes back unchanged, and the JSON holds no character that an HTML parser acts on."""
    written = to_json({"t": text})
    assert json.loads(written) == {"t": text}
    assert written.isascii()
    assert not set(written) & set("<>&")


def test_json_refuses_numbers_that_json_cannot_hold() -> None:
    """NaN must be turned into None on purpose, never slip through."""
    with pytest.raises(ValueError, match="Out of range"):
        to_json(float("nan"))


@pytest.mark.parametrize(
    ("cell", "value"),
    [(np.nan, None), (pd.NaT, None), (pd.NA, None), (None, None), (np.float64(12.3456), 12.35), (3.0, 3), (True, True),
     (np.int64(4), 4), (pd.Timestamp("2026-01-25 10:00"), "2026-01-25"), ("x", "x")],
)  # fmt: skip
def test_a_table_cell_becomes_a_json_value(cell: object, value: object) -> None:
    """Missing is None, floats keep two decimals, dates their day."""
    assert plain(cell) == value


def test_only_the_named_columns_that_are_there_go_out() -> None:
    """In the order asked for, as plain values; a column that the table lacks is left out."""
    frame = pd.DataFrame({"a": [1.234, np.nan], "b": ["x", None], "c": [1, 2]})
    assert columns(frame, ["b", "d", "a"]) == {"b": ["x", None], "a": [1.23, None]}
