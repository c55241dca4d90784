"""The lattice that carries smooth fields."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from vinemap.model.lattice import Lattice
from vinemap.model.matern import matern32


def _points(seed: int, n: int = 200) -> np.ndarray:
    return np.random.default_rng(seed).uniform((100, 2000), (400, 2500), (n, 2))


def _smooth(xy: np.ndarray) -> np.ndarray:
    return np.sin(xy[:, 0] / 60) * np.cos(xy[:, 1] / 80)


def test_points_cover_what_they_are_laid_over() -> None:
    """Every point lies well inside the lattice, whose points stand one step apart."""
    xy = _points(0)
    lattice = Lattice.over(xy, 10.0)
    points = lattice.points()
    assert (points.min(axis=0) < xy.min(axis=0) - 20).all()
    assert (points.max(axis=0) > xy.max(axis=0) + 20).all()
    assert len(points) == lattice.size
    assert points[1, 0] - points[0, 0] == pytest.approx(10.0)


@pytest.mark.parametrize("most", [200, 5_000])
def test_a_lattice_keeps_to_its_size(most: int) -> None:
    """A step that would take too many points is widened."""
    lattice = Lattice.over(_points(0), 0.5, most)
    assert (lattice.nx - 8) * (lattice.ny - 8) <= most


def test_spline_and_cubic_convolution_follow_a_smooth_function() -> None:
    """Both ways of reading between points give a smooth function to a thousandth, as scipy's own interpolator does."""
    xy = _points(1)
    lattice = Lattice.over(xy, 8.0)
    values = _smooth(lattice.points())
    x = lattice.left + lattice.step * np.arange(lattice.nx)
    y = lattice.bottom + lattice.step * np.arange(lattice.ny)
    peer = RegularGridInterpolator((y, x), values.reshape(lattice.ny, lattice.nx), method="cubic")(xy[:, ::-1])
    np.testing.assert_allclose(lattice.spline(values, xy), peer, atol=3e-4)
    np.testing.assert_allclose(lattice.spline(values, xy), _smooth(xy), atol=3e-4)
    np.testing.assert_allclose(lattice.cubic(xy) @ values, _smooth(xy), atol=1e-3)


def test_cubic_convolution_is_exact_at_the_points() -> None:
    """At a lattice point the weights pick that point's own value."""
    lattice = Lattice.over(_points(2), 20.0)
    inner = lattice.points().reshape(lattice.ny, lattice.nx, 2)[2:-2, 2:-2].reshape(-1, 2)
    weights = lattice.cubic(inner)
    np.testing.assert_allclose(weights.max(axis=1).toarray().ravel(), 1.0, atol=1e-9)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)


def test_drawn_fields_have_the_stated_covariance() -> None:
    """Over many draws, variance and correlation at several lags are those of the Matérn covariance."""
    lattice = Lattice.over(np.array([[0.0, 0.0], [200.0, 150.0]]), 10.0)
    covariance = 1.7 * matern32(lattice.spacing_on_torus(4 * 50.0), 50.0)
    fields = lattice.stationary(covariance, 3001, np.random.default_rng(3)).reshape(lattice.ny, lattice.nx, -1)
    assert fields.mean() == pytest.approx(0, abs=0.05)
    for lag in (0, 2, 5, 10):
        product = (fields[:, lag:] * fields[:, : lattice.nx - lag]).mean()
        assert product == pytest.approx(1.7 * float(matern32(np.array([10.0 * lag]), 50.0)[0]), abs=0.06)
