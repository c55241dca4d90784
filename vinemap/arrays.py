"""The one array type of the numerical modules."""

from __future__ import annotations

from typing import Any

import numpy.typing as npt

# Floats but for indices and masks; shapes stand in the docstrings, where a type cannot say them.
Array = npt.NDArray[Any]
