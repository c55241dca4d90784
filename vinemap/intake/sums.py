"""Rows that add up, or average, the rows above them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pydantic_core import PydanticCustomError

from vinemap.reading.cells import number
from vinemap.reading.tabular import Cells

_ROUNDED = 0.051
"""How far a mean that was written with a decimal may lie from the rows' own; a percentage by more than its unit."""


def add_up(above: Sequence[Cells], since: int, cells: Cells, places: Sequence[int], *, fewest: int = 2) -> bool | None:
    """Whether the figures of a row are sums or means of the rows above, of all or of those since the last such row.

    Parameters
    ----------
    above : sequence of cells
        Rows of the table so far.
    since : int
        How many of them stand above the last row of totals.
    cells : cells
        The row in question.
    places : sequence of int
        Columns of figures.
    fewest : int
        Rows that make a sum.

    Returns
    -------
    bool or None
        None where the row, or what stands above it, has no figures to hold it against.
    """
    found = [(figure(cells[place]), place) for place in places]
    given = [(value, place) for value, place in found if value is not None]
    if not given or len(above) < fewest:
        return None
    return any(
        all(_fits(value, rows, place) for value, place in given)
        for rows in (above, above[since:])
        if len(rows) >= fewest
    )


def is_sum(above: Sequence[Cells], since: int, cells: Cells, places: Sequence[int]) -> bool:
    """Whether a row adds the rows above up in two columns or more, of three rows or more.

    Hardly a sample does so by chance. The arguments are those of `add_up`.
    """
    given = [(value, place) for place in places if (value := figure(cells[place])) is not None]
    if sum(value > 0 for value, _ in given) < 2:
        return False
    return any(
        len(rows) >= 3
        and all(math.isclose(value, math.fsum(figure(row[place]) or 0 for row in rows)) for value, place in given)
        for rows in (above, above[since:])
    )


def figure(cell: object) -> float | None:
    """Return a cell's figure; None where it holds none."""
    try:
        return number(cell.strip().removesuffix("%") if isinstance(cell, str) else cell)
    except PydanticCustomError:
        return None


def _fits(value: float, rows: Sequence[Cells], place: int) -> bool:
    figures = [known for row in rows if (known := figure(row[place])) is not None]
    if not figures:
        return False
    total = math.fsum(figures)
    return math.isclose(value, total, abs_tol=1e-9) or abs(value - total / len(figures)) <= _ROUNDED
