"""Cross-validation of the surface at its edges."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.model.field import BinomialField
from vinemap.surface.diagnostics import cross_validate
from vinemap.surface.observations import Observations


@pytest.mark.filterwarnings("error")
def test_samples_on_one_point_are_scored() -> None:
    """Three samples on one point, two parts of the cane each, are left out one by one, with no warning."""
    xy, sample, apical = np.full((6, 2), 50.0), np.repeat(np.arange(3), 2), np.tile([0.0, 1.0], 3)
    observed = Observations(xy, np.zeros(6, int), sample, apical, np.array([3.0, 5, 2, 6, 4, 4]), np.full(6, 10.0))
    field = BinomialField().fit(xy, observed.dead, observed.read, np.column_stack([np.ones(6), apical]), cluster=sample)
    scores = cross_validate(field, observed)
    assert scores["blocked"] == scores["leave_one_out"]
    assert all(np.isfinite(value) for value in scores["blocked"].values())
