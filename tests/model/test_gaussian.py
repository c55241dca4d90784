"""The spatial regression of a measured figure, against other libraries and by brute force."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.spatial.distance import cdist
from scipy.stats import multivariate_normal
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct, Matern

from vinemap.model.gaussian import GaussianField, Priors
from vinemap.model.matern import matern32


@pytest.fixture
def readings() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    xy = rng.uniform(0, 400, (9, 2))
    X = rng.standard_normal((9, 3))
    return xy, -18 + 1.2 * X[:, 1] + 0.3 * rng.standard_normal(9), X


def test_one_setting_is_gaussian_process_regression(readings: tuple[np.ndarray, ...]) -> None:
    """With one length, one field and no covariate it is scikit-learn's regression with the same kernel."""
    xy, y, _ = readings
    priors = Priors(intercept_sd=3.0, field_sd=(0.8,), length_m=(150.0,))
    field = GaussianField(priors).fit(xy, y, 0.4, np.empty((9, 0)))
    kernel = ConstantKernel(9.0) + ConstantKernel(0.64) * Matern(150.0, nu=1.5)
    theirs = GaussianProcessRegressor(kernel, alpha=0.16, optimizer=None).fit(xy, y - y.mean())
    places = np.random.default_rng(6).uniform(-50, 450, (40, 2))
    mean, sd = theirs.predict(places, return_std=True)
    ours, our_sd = field.predict(places, np.empty((40, 0)))
    np.testing.assert_allclose(ours, mean + y.mean(), rtol=0, atol=1e-8)
    np.testing.assert_allclose(our_sd, sd, rtol=1e-6)


def test_a_covariate_is_a_linear_kernel(readings: tuple[np.ndarray, ...]) -> None:
    """A coefficient with a normal prior is a dot product added to the kernel."""
    xy, y, X = readings
    priors = Priors(intercept_sd=3.0, coefficient_sd=1.5, field_sd=(1e-6,), length_m=(100.0,))
    field = GaussianField(priors)
    field._models = lambda: iter([((0, 1, 2), 0.0)])  # type: ignore[method-assign]
    field.fit(xy, y, 0.4, X)
    kernel = ConstantKernel(9.0) + ConstantKernel(2.25) * DotProduct(sigma_0=0.0)
    theirs = GaussianProcessRegressor(kernel, alpha=0.16, optimizer=None).fit(X, y - y.mean())
    there = np.random.default_rng(6).standard_normal((20, 3))
    mean, sd = theirs.predict(there, return_std=True)
    ours, our_sd = field.predict(np.zeros((20, 2)), there)
    np.testing.assert_allclose(ours, mean + y.mean(), rtol=0, atol=1e-6)
    np.testing.assert_allclose(our_sd, sd, rtol=1e-5)


def test_models_are_weighed_by_their_evidence(readings: tuple[np.ndarray, ...]) -> None:
    """Inclusion probabilities equal the sum over every model and setting, by scipy's normal density."""
    xy, y, X = readings
    field = GaussianField().fit(xy, y, 0.4, X)
    priors, total, used = field.priors, 0.0, np.zeros(3)
    for size in range(3):
        for columns in itertools.combinations(range(3), size):
            for sd, length in itertools.product(priors.field_sd, priors.length_m):
                chosen = X[:, list(columns)]
                K = priors.intercept_sd**2 + priors.coefficient_sd**2 * chosen @ chosen.T + 0.16 * np.eye(9)
                K = K + sd**2 * matern32(cdist(xy, xy), length)
                density = multivariate_normal(np.full(9, y.mean()), K).pdf(y) / math.comb(3, size)
                total += density
                used[list(columns)] += density
    np.testing.assert_allclose(field.inclusion_, used / total, atol=2e-2)
    assert field.inclusion_[1] > 0.9
    assert field.weights_.sum() == pytest.approx(1.0)


def test_the_quick_mean_and_a_contrast_agree_with_the_prediction(readings: tuple[np.ndarray, ...]) -> None:
    """The mean summed before the distances is the same; a contrast with one place is that place's prediction."""
    xy, y, X = readings
    field = GaussianField().fit(xy, y, np.linspace(0.3, 0.6, 9), X)
    rng = np.random.default_rng(7)
    places, there = rng.uniform(0, 400, (30, 2)), rng.standard_normal((30, 3))
    mean, sd = field.predict(places, there)
    np.testing.assert_allclose(field.mean(places, there), mean, atol=1e-8)
    one, one_sd, below = field.contrast(places[:1], there[:1], np.ones(1))
    assert (one, one_sd) == pytest.approx((mean[0], sd[0]))
    assert below == pytest.approx(1.0)
    by, _, less = field.contrast(places[:2], there[:2], np.array([1.0, -1.0]))
    assert by == pytest.approx(mean[0] - mean[1])
    swapped = field.contrast(places[:2], there[:2], np.array([-1.0, 1.0]))[2]
    assert less + swapped == pytest.approx(1.0)


def test_intervals_cover_what_the_priors_draw() -> None:
    """Of fields drawn from the priors, nine in ten lie within the 90 % interval."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(60):
        xy = rng.uniform(0, 500, (46, 2))
        X = rng.standard_normal((46, 4))
        K = rng.choice([0.2, 0.6, 1.5]) ** 2 * matern32(cdist(xy, xy), float(rng.choice([50.0, 120.0, 300.0])))
        figure = -15 + np.linalg.cholesky(K + 1e-9 * np.eye(46)) @ rng.standard_normal(46)
        figure = figure + rng.integers(2) * 1.5 * rng.standard_normal() * X[:, rng.integers(4)]
        field = GaussianField().fit(xy[:6], figure[:6] + 0.4 * rng.standard_normal(6), 0.4, X[:6])
        mean, sd = field.predict(xy[6:], X[6:])
        inside.append(np.mean(np.abs(mean - figure[6:]) <= 1.645 * sd))
    assert 0.84 < np.mean(inside) < 0.96
