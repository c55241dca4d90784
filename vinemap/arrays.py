"""The one array type of the numerical modules, and how they go through large ones."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy.typing as npt

# Floats but for indices and masks; shapes stand in the docstrings, where a type cannot say them.
Array = npt.NDArray[Any]

_CACHEFUL = 16_384


def cachefuls(array: Array) -> Iterator[slice]:
    """Yield slices of rows that fit a processor's cache: several steps on each beat one step after another on all."""
    rows = max(1, _CACHEFUL // max(1, array[:1].size))
    for first in range(0, len(array), rows):
        yield slice(first, first + rows)
