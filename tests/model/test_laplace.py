"""The Laplace approximation against reference libraries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.spatial.distance import cdist
from scipy.special import expit
from sklearn.gaussian_process import GaussianProcessClassifier
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

from vinemap.model.covariances import Dense
from vinemap.model.hyperparameters import Counts, Priors
from vinemap.model.laplace import Laplace, expected_information, laplace, log_marginal_gradient
from vinemap.model.many import ManyCounts
from vinemap.model.matern import matern32, matern32_by_length

DATA = Path(__file__).parents[1] / "data"


def _case(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    xy = rng.uniform(0, 500, (n, 2))
    read = rng.integers(1, 40, n).astype(float)
    dead = rng.binomial(read.astype(int), expit(np.sin(xy[:, 0] / 80) - 0.3)).astype(float)
    return xy, dead, read


@pytest.mark.parametrize("length", [20.0, 90.0, 400.0])
def test_binary_data_match_scikit_learn(length: float) -> None:
    """At a fixed kernel and one trial a point, mode and marginal likelihood are scikit-learn's (GPML algorithm 3.1)."""
    rng = np.random.default_rng(4)
    xy = rng.uniform(0, 500, (80, 2))
    dead = (rng.random(80) < expit(xy[:, 0] / 100 - 2.5)).astype(float)
    kernel = ConstantKernel(2.25) * Matern(length, nu=1.5)
    peer = GaussianProcessClassifier(kernel, optimizer=None).fit(xy, dead)
    fit = laplace(Dense(2.25 * matern32(cdist(xy, xy), length)), dead, np.ones(80))
    np.testing.assert_allclose(expit(fit.mode), peer.base_estimator_.pi_, atol=1e-6)
    assert fit.log_marginal == pytest.approx(peer.log_marginal_likelihood_value_, abs=1e-6)


def _exponential(distance: np.ndarray, length: float) -> np.ndarray:
    return np.exp(-distance / length)


@pytest.mark.parametrize(
    ("name", "correlation", "expected"),
    [
        ("exponential", _exponential, (-214.0025914, -1.3988597, -1.9799632, -6.8306533, 1.8609850)),
        # glmmTMB writes Matérn 3/2 as (1 + d/φ) exp(-d/φ): φ is our length over √3.
        ("matern32", matern32, (-214.0769787, -1.402027571, -2.688123059 + np.log(3) / 2, -6.8363636, 1.8656388)),
    ],
)
def test_spatial_binomial_fit_matches_glmmtmb(
    name: str, correlation: Callable[[np.ndarray, float], np.ndarray], expected: tuple[float, ...]
) -> None:
    """The maximum likelihood fit of the North Carolina data is that of the R package glmmTMB 1.1.5 (tests/data)."""
    data = pd.read_csv(DATA / "nc_sids.csv")
    k, n = data["k"].to_numpy(float), data["n"].to_numpy(float)
    X = np.column_stack([np.ones(len(data)), data["nw"]])
    distance = cdist(data[["x", "y"]], data[["x", "y"]])

    def fit(parameters: np.ndarray) -> Laplace:
        log_sd, log_length, *coef = parameters
        K = Dense(np.exp(2 * log_sd) * correlation(distance, np.exp(log_length)))
        return laplace(K, k, n, X @ np.array(coef))

    best = minimize(lambda p: -fit(p).log_marginal, [-1.0, -1.5, -6.5, 1.0], method="BFGS", options={"gtol": 1e-6})
    log_likelihood_there, *parameters = expected
    assert -best.fun == pytest.approx(log_likelihood_there, abs=1e-6)
    np.testing.assert_allclose(best.x[2:], parameters[2:], atol=1e-4)
    np.testing.assert_allclose(best.x[:2], parameters[:2], atol=2e-3)
    there = fit(np.array(parameters))
    assert there.log_marginal == pytest.approx(log_likelihood_there, abs=1e-6)
    np.testing.assert_allclose(there.mode, pd.read_csv(DATA / f"nc_sids_{name}.csv")["eta"], atol=1e-5)


def test_gradient_is_that_of_the_marginal_likelihood() -> None:
    """The analytic gradient equals central differences, for dense and for diagonal derivatives."""
    xy, dead, read = _case(np.random.default_rng(1), 60)
    distance = cdist(xy, xy)

    def covariance(theta: np.ndarray) -> Dense:
        length, sd, cluster = np.exp(theta)
        return Dense(sd**2 * matern32(distance, length) + cluster**2 * np.eye(60))

    theta = np.log([90.0, 1.2, 0.4])
    derivatives = [
        1.44 * matern32_by_length(distance, 90.0),
        2 * 1.44 * matern32(distance, 90.0),
        np.full(60, 2 * 0.16),
    ]
    K = covariance(theta)
    gradient = log_marginal_gradient(laplace(K, dead, read), derivatives)
    for j, step in enumerate(1e-4 * np.eye(3)):
        ahead, behind = (laplace(covariance(theta + side * step), dead, read).log_marginal for side in (1, -1))
        assert gradient[j] == pytest.approx((ahead - behind) / 2e-4, rel=1e-5)


def test_information_is_half_the_trace_of_the_textbook() -> None:
    """With signs whose outer products average to the identity it is exact (Mardia & Marshall 1984, from memory)."""
    xy, dead, read = _case(np.random.default_rng(6), 40)
    distance = cdist(xy, xy)
    fit = laplace(Dense(matern32(distance, 90.0) + 0.1 * np.eye(40)), dead, read)
    by_length, by_cluster = matern32_by_length(distance, 90.0), np.full(40, 0.2)
    found = expected_information(fit, [by_length, by_cluster], np.sqrt(40) * np.eye(40))
    R = np.linalg.inv(matern32(distance, 90.0) + 0.1 * np.eye(40) + np.diag(1 / fit.curvature))
    moved = [R @ by_length, R @ np.diag(by_cluster)]
    np.testing.assert_allclose(found, [[0.5 * np.trace(a @ b) for b in moved] for a in moved], rtol=1e-8)
    signs = np.random.default_rng(7).choice([-1.0, 1.0], (40, 2000))
    np.testing.assert_allclose(expected_information(fit, [by_length, by_cluster], signs), found, rtol=0.1)


def test_a_fit_nearby_changes_the_way_not_the_end() -> None:
    """Started from a fit at another covariance, Newton's method ends where it ends by itself."""
    xy, dead, read = _case(np.random.default_rng(8), 50)
    distance = cdist(xy, xy)
    near = laplace(Dense(4 * matern32(distance, 200.0) + 0.3 * np.eye(50)), dead, read, -0.4)
    K = Dense(0.5 * matern32(distance, 60.0) + 0.1 * np.eye(50))
    alone, helped = laplace(K, dead, read, -0.4), laplace(K, dead, read, -0.4, near)
    assert helped.log_marginal == pytest.approx(alone.log_marginal, abs=1e-7)
    np.testing.assert_allclose(helped.mode, alone.mode, atol=1e-6)


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_all_alive_or_all_dead_has_a_finite_mode(share: float) -> None:
    """No logit is infinite where every trial is an event, or none is, even under a very wide prior."""
    xy, _, read = _case(np.random.default_rng(2), 40)
    K = 1e4 * matern32(cdist(xy, xy), 100.0) + np.eye(40)
    fit = laplace(Dense(K), share * read, read)
    assert np.isfinite(fit.mode).all()
    assert np.isfinite(fit.log_marginal)
    np.testing.assert_allclose(K @ fit.weight, fit.mode, rtol=1e-6)


def test_unread_rows_change_nothing() -> None:
    """A row with no trial leaves the likelihood and the other rows' modes as they were."""
    xy, dead, read = _case(np.random.default_rng(3), 30)
    K = 2 * matern32(cdist(xy, xy), 120.0) + 0.1 * np.eye(30)
    read[20:], dead[20:] = 0.0, 0.0
    whole, part = laplace(Dense(K), dead, read), laplace(Dense(K[:20, :20]), dead[:20], read[:20])
    assert whole.log_marginal == pytest.approx(part.log_marginal, abs=1e-8)
    np.testing.assert_allclose(whole.mode[:20], part.mode, atol=1e-6)


def test_algebra_in_strips_is_the_dense_one() -> None:
    """A covariance in strips has the mode, the marginal likelihood and the solves of the same matrix written out."""
    rng = np.random.default_rng(5)
    xy, dead, read = _case(rng, 450)
    read[:20], dead[:20] = 0.0, 0.0
    # Two rows in every third cluster, and two clusters on every fifth place.
    cluster = np.unique(np.where(np.arange(450) % 3 == 1, np.arange(450) - 1, np.arange(450)), return_inverse=True)[1]
    xy = xy[np.unique(cluster, return_index=True)[1]]
    xy[::5] = xy[1::5][: len(xy[::5])]
    counts = Counts.of(xy[cluster], dead, read, rng.standard_normal((450, 3)), 0.2, cluster, Priors())
    many = replace(ManyCounts.all_of(counts), depth=2.0)
    strips = many.covariance(np.log([90.0, 1.1, 0.4]), np.array([2.0, 1.0, 0.0]))
    assert len(strips.chain.strips) > 2
    full = laplace(Dense(np.array([strips @ unit for unit in np.eye(450)])), dead, read, 0.2)
    fit = laplace(strips, dead, read, 0.2)
    np.testing.assert_allclose(fit.mode, full.mode, atol=1e-6)
    assert fit.log_marginal == pytest.approx(full.log_marginal, abs=1e-6)
    vector, noise = rng.standard_normal((450, 1)), rng.standard_normal((450, 1))
    np.testing.assert_allclose(fit.factor.solve(vector[:, 0]), full.factor.solve(vector[:, 0]), atol=1e-5)
    np.testing.assert_allclose(fit.factor.solve_noisy(vector, noise), full.factor.solve_noisy(vector, noise), atol=1e-5)
    rows = np.array([5, 40, 41, 44, 300])
    inner = full.K.K[:, rows]
    posterior = full.K.K[np.ix_(rows, rows)] - inner.T @ full.factor.solve(inner)
    np.testing.assert_allclose(fit.factor.row_covariance(rows), posterior, atol=1e-5)


def test_rows_of_one_cluster_stand_on_one_place() -> None:
    """A cluster spread over places, which strips cannot carry, is refused."""
    xy, dead, read = _case(np.random.default_rng(6), 30)
    counts = Counts.of(xy, dead, read, None, 0.0, np.arange(30) // 2, Priors())
    with pytest.raises(ValueError, match="on one place"):
        ManyCounts.all_of(counts).at(np.log([90.0, 1.0, 0.3]), np.ones(1))
