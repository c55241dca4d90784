"""Cells: names, numbers, dates and statuses as people write them."""

from __future__ import annotations

import contextlib
import datetime as dt
import math
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BeforeValidator, TypeAdapter, ValidationError
from pydantic_core import PydanticCustomError

from tests.builders import blocks
from vinemap.errors import Findings
from vinemap.reading import cells
from vinemap.reading.blocks import read_blocks
from vinemap.sentences import Sentence
from vinemap.settings import Settings


@pytest.mark.parametrize(
    ("cell", "name"),
    [
        ("007", "007"),
        (7, "7"),
        (7.0, "7"),
        (np.float64(7), "7"),
        (" North\u00a0 12 ", "North 12"),
        ("\ufeffA", "A"),
        ("Pen\u0303a", "Peña"),
        ("<b>&\"'{{ 1 }}", "<b>&\"'{{ 1 }}"),
        ("=A1", "=A1"),
    ],
)
def test_names(cell: object, name: str) -> None:
    """Names keep leading zeros and lose stray spaces; 7.0 of a workbook is 7; composed and decomposed letters agree."""
    assert cells.name(cell) == name


@pytest.mark.parametrize(
    "cell", [None, "", "  ", math.nan, pd.NaT, pd.NA, "#REF!", "a\x00b", "x" * 201, dt.datetime(2025, 3, 4)]
)
def test_names_refused(cell: object) -> None:
    """Empty cells, a spreadsheet's errors, control characters and names turned into dates are no names."""
    with pytest.raises(PydanticCustomError):
        cells.name(cell)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("2.5", 2.5),
        ("2,5", 2.5),
        ("1.234,5", 1234.5),
        ("1,234.5", 1234.5),
        ("1 234", 1234.0),
        ("1\u202f234,5", 1234.5),
        ("1'234.5", 1234.5),
        ("\u221277,25", -77.25),
        ("1e3", 1000.0),
        (".5", 0.5),
        (3, 3.0),
        (np.int64(3), 3.0),
        ("", None),
        (None, None),
    ],
)
def test_numbers(cell: object, value: float | None) -> None:
    """Decimal points and commas, grouped thousands and the minus sign of typesetters are read."""
    assert cells.number(cell) == value


@pytest.mark.parametrize(
    "cell", ["abc", "1.2.3.4,5,6", "2 m", "1 23", "nan", "inf", "1e999", "1_000", True, dt.date(2025, 1, 1)]
)
def test_numbers_refused(cell: object) -> None:
    """Words, units, infinities and dates are no numbers."""
    with pytest.raises(PydanticCustomError):
        cells.number(cell)


@pytest.mark.parametrize("cell", [-1, "-3", 2.5, "2,5", "1,234"])
def test_whole_numbers_refused(cell: object) -> None:
    """Negative counts and fractions are refused; so is 1,234, which a decimal comma makes a fraction."""
    with pytest.raises(PydanticCustomError):
        cells.whole(cell)


@pytest.mark.parametrize(
    ("words", "meaning"),
    [
        (["alive", "Green", " LIVE ", "a", "1", 1, 1.0, "TRUE", True], "alive"),
        (["dead", "Brown", "BLACK", "d", "0", 0, 0.0, "false", False], "dead"),
        (["", None, math.nan, " ", "unread", "Unread"], "unread"),
        (["dead_before", "Dead before", "old dead", "OLD", "b"], "dead_before"),
    ],
)
def test_statuses(words: list[object], meaning: str) -> None:
    """The words of the design are read without regard to case; an empty cell counts in no total."""
    assert {cells.status(word) for word in words} == {meaning}


@pytest.mark.parametrize("cell", ["?", "x", "-", "2", 0.5, "greenish", "no"])
def test_statuses_refused(cell: object) -> None:
    """Nothing else is guessed."""
    with pytest.raises(PydanticCustomError, match="neither alive nor dead nor unread"):
        cells.status(cell)


def test_wood_does_not_die_before() -> None:
    """Only a bud can have died before the freeze: a slice of wood is alive, dead or unread."""
    with pytest.raises(PydanticCustomError, match="'dead_before' is neither alive nor dead nor unread"):
        cells.status("dead_before", before=False)


def test_yes_and_no() -> None:
    """Yes and no are read in English and Spanish, as figures and as truth values."""
    assert all(cells.yes_no(word) is True for word in ("yes", "Sí", "si", "true", True, 1, "1", "Y"))
    assert all(cells.yes_no(word) is False for word in ("no", "No", "false", False, 0, "0", "N"))
    assert cells.yes_no("") is None
    with pytest.raises(PydanticCustomError):
        cells.yes_no("perhaps")


def date(cell: object, day_first: bool | None = None) -> Any:
    days = TypeAdapter(Annotated[Any, BeforeValidator(cells.day)])
    return days.validate_python(cell, context={"day_first": day_first})


@pytest.mark.parametrize(
    "cell",
    [
        # ISO 8601 calendar, basic, week and ordinal-free forms; the week date by the standard's own rule.
        "2025-01-22",
        "20250122",
        "2025-W04-3",
        "2025-01-22T23:10:00Z",
        "22.1.2025",
        "22/01/2025",
        "1/22/2025",
        "1/22/25",
        "22 Jan 2025",
        "January 22, 2025",
        "2025/01/22",
        dt.date(2025, 1, 22),
        dt.datetime(2025, 1, 22, 7, 30),
        pd.Timestamp("2025-01-22T10:00Z"),
    ],
)
def test_dates(cell: object) -> None:
    """ISO 8601 and other usual forms give the same day."""
    assert date(cell) == dt.date(2025, 1, 22)


def test_dates_that_their_figures_leave_open() -> None:
    """3/4/2025 is read as the context says, and refused where it says nothing."""
    assert date("3/4/2025", True) == dt.date(2025, 4, 3)
    assert date("3/4/2025", False) == dt.date(2025, 3, 4)
    for cell in ("3/4/2025", "31/2/2025", "0/0/2025", "yesterday", "1725-01-01", 45000, "9999999999999"):
        with pytest.raises(ValidationError):
            date(cell)


@given(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(), st.datetimes(), st.dates(), st.times())
)
def test_any_cell_has_a_meaning_or_a_remedy(cell: object) -> None:
    """No value of a spreadsheet raises anything but the error that carries a remedy."""
    for read in (cells.text, cells.name, cells.number, cells.whole, cells.status, cells.yes_no):
        with contextlib.suppress(PydanticCustomError):
            read(cell)
    with contextlib.suppress(ValidationError):
        assert date(cell) is None or date(cell).year >= 1900


@pytest.mark.parametrize(
    ("cell", "value"),
    [("8000", 8000), ("8000.0", 8000), (8000.0, 8000), ("8 000", 8000), ("1,234.0", 1234), ("0.000", 0)],
)
def test_whole_numbers_that_read_one_way(cell: object, value: int) -> None:
    """A workbook's own numbers, decimals of a whole number and thousands that read one way stay whole numbers."""
    assert cells.whole(cell) == value


@pytest.mark.parametrize("cell", ["8,000", "8.000", " 8,000 "])
def test_thousands_that_read_two_ways(cell: str) -> None:
    """A whole number whose mark may part thousands or decimals is refused, with how to write it."""
    with pytest.raises(PydanticCustomError) as caught:
        cells.whole(cell)
    assert caught.value.context == {
        "problem": f"{cell.strip()!r} can be read in two ways",
        "remedy": "write 8000, without a mark between the digits",
    }
    with pytest.raises(PydanticCustomError, match="two ways"):
        cells.whole("1,234,567", needed=True)


def test_a_fault_speaks_every_language(tmp_path: Path) -> None:
    """A figure out of its limits is told in Spanish too, what it ought to be included; the number stands as typed."""
    blocks(row_spacing_m=["99", "2.5", "2.5"]).to_crs(4326).to_file(tmp_path / "blocks.geojson", driver="GeoJSON")
    findings = Findings()
    read_blocks(tmp_path, Settings(), findings)
    (problem,) = findings.problems
    assert str(problem).endswith("'99' is out of range; give metres from row to row, 0.5 to 20")
    assert isinstance(problem.message, Sentence)
    assert isinstance(problem.remedy, Sentence)
    assert problem.message.said("es") == "'99' está fuera de los límites"
    assert problem.remedy.said("es") == "dé metros de hilera a hilera, de 0,5 a 20"
