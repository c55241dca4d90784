"""The Matérn correlations against scikit-learn's."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.gaussian_process.kernels import Matern

from vinemap.model.matern import ROUGH, SMOOTH, matern, matern_by_length


@pytest.mark.parametrize("smoothness", [ROUGH, SMOOTH])
def test_correlation_and_its_derivative(smoothness: float) -> None:
    """The correlation is scikit-learn's, and its derivative by the log length is that of central differences."""
    places = np.linspace(0, 900, 40)[:, None]
    distance = np.abs(places - places.T)
    np.testing.assert_allclose(matern(distance, 120.0, smoothness), Matern(120.0, nu=smoothness)(places), atol=1e-12)
    ahead, behind = (matern(distance, 120.0 * np.exp(side * 1e-5), smoothness) for side in (1, -1))
    np.testing.assert_allclose(matern_by_length(distance, 120.0, smoothness), (ahead - behind) / 2e-5, atol=1e-8)
