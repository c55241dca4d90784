"""Cross-validation of the surface at its edges."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.gaussian_process.kernels import Matern

from vinemap.model.field import BinomialField
from vinemap.surface.design import Design
from vinemap.surface.diagnostics import cross_validate, describe
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


def test_range_is_where_the_correlation_is_small() -> None:
    """run.json's ``range_m`` is √(8ν) / κ, where little correlation is left: 0.14 for the smoothness ν = 3/2.

    F. Lindgren, H. Rue & J. Lindström, J. R. Stat. Soc. B 73 (2011) 423, section 2; the correlation is scikit-learn's.
    """
    rng = np.random.default_rng(5)
    xy, dead = rng.uniform(0, 300, (16, 2)), rng.integers(1, 9, 16).astype(float)
    observed = Observations(xy, np.zeros(16, int), np.arange(16), np.zeros(16), dead, np.full(16, 10.0))
    field = BinomialField().fit(xy, dead, observed.read, np.column_stack([np.ones(16), np.zeros(16)]))
    design = Design([], np.full(1, -1), np.zeros(1), (), np.empty(0), np.empty(0), None)
    found = describe(field, design, observed)
    length, sd = np.exp(field.theta_[0]), field.theta_sd_[0]
    assert found["range_m"] == pytest.approx(np.sqrt(8 * 1.5) / (np.sqrt(3) / length))
    assert Matern(length, nu=1.5)([[0.0]], [[found["range_m"]]])[0, 0] == pytest.approx(0.1397, abs=1e-4)
    assert found["range_high_m"] / found["range_m"] == pytest.approx(np.exp(1.6449 * sd), rel=1e-3)
    assert found["range_m"] / found["range_low_m"] == pytest.approx(np.exp(1.6449 * sd), rel=1e-3)
