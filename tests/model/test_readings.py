"""Readings that see the field of the counts, against Gaussian-process regression and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.spatial.distance import cdist
from scipy.special import expit
from scipy.stats import multivariate_normal
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

from vinemap.model.covariances import Dense
from vinemap.model.field import BinomialField
from vinemap.model.gaussian import GaussianField
from vinemap.model.hyperparameters import Counts, Priors
from vinemap.model.laplace import laplace, log_marginal_gradient
from vinemap.model.matern import matern32
from vinemap.model.readings import LEVEL_SD, Readings

THETA = np.log([90.0, 1.2, 0.3])


def _case(slope_sd: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray, Readings]:
    """Return 40 places with counts, 6 readings that fall by 1 as the log-odds rise by 1.25, and these readings."""
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 400, (46, 2))
    truth = 1.2 * np.sin(xy[:, 0] / 70)
    read = np.full(40, 20.0)
    dead = rng.binomial(20, expit(truth[:40] - 0.4)).astype(float)
    error = rng.uniform(0.3, 0.6, 6)
    values = -21 - truth[40:] / 1.25 + error * rng.standard_normal(6)
    return xy[:40], dead, read, Readings(xy[40:], np.zeros((6, 1)), values, error, -1.25, slope_sd)


def _told(field: BinomialField) -> float:
    """Return the probability that the readings see what the counts see."""
    return float(field.model_weights_[field.slopes_ != 0].sum())


def test_readings_alone_are_gaussian_process_regression() -> None:
    """Where no bud was read, mode, spread and evidence are scikit-learn's regression on the scaled readings."""
    xy, _, _, readings = _case()
    reading, precision = readings.scaled(-1.25)
    K = 1.44 * matern32(cdist(readings.xy, readings.xy), 90.0)
    none = np.zeros(6)
    fit = laplace(Dense(K), none, none, reading=reading, precision=precision)
    peer = GaussianProcessRegressor(ConstantKernel(1.44) * Matern(90.0, nu=1.5), alpha=1 / precision, optimizer=None)
    peer.fit(readings.xy, reading)
    np.testing.assert_allclose(fit.mode, peer.predict(readings.xy), atol=1e-8)
    assert fit.log_marginal == pytest.approx(peer.log_marginal_likelihood_value_, abs=1e-8)
    cross = 1.44 * matern32(cdist(readings.xy, xy), 90.0)
    whitened = fit.factor.whiten(cross)
    np.testing.assert_allclose(1.44 - (whitened**2).sum(axis=0), peer.predict(xy, return_std=True)[1] ** 2, atol=1e-8)


def test_counts_and_readings_together_are_regression_on_both() -> None:
    """With very many buds a count is a reading of its log-odds, and the surface is kriging from all of them.

    C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eq. 2.25 and 2.26.
    """
    xy, dead, _, readings = _case()
    share, read = np.clip(dead / 20, 0.05, 0.95), 20_000.0
    field = BinomialField(theta=THETA).fit(xy, share * read, np.full(40, read), prior_sd=2.0, readings=readings)
    assert _told(field) > 0.5
    logits, noise = np.log(share / (1 - share)), 1 / (read * share * (1 - share)) + 0.09
    reading, precision = readings.scaled(-1.25)
    places = np.vstack([xy, readings.xy])
    K = 1.44 * matern32(cdist(places, places), 90.0) + np.diag(np.append(noise, 1 / precision))
    K[:40, :40] += 4.0
    K[40:, 40:] += (LEVEL_SD * 1.25) ** 2
    there = np.random.default_rng(1).uniform(0, 400, (25, 2))
    cross = 1.44 * matern32(cdist(there, places), 90.0) + np.append(np.full(40, 4.0), np.zeros(6))
    found = field.predict(there)
    np.testing.assert_allclose(found.logit_mean, cross @ np.linalg.solve(K, np.append(logits, reading)), atol=2e-3)
    variance = 5.44 - np.einsum("ij,ij->i", cross, np.linalg.solve(K, cross.T).T)
    np.testing.assert_allclose(found.logit_sd, np.sqrt(variance), rtol=2e-3)


def test_the_gradient_with_readings_is_that_of_the_marginal_likelihood() -> None:
    """Differences of the log marginal likelihood by the covariance parameters agree with its gradient."""
    xy, dead, read, readings = _case()
    counts = replace(Counts.of(xy, dead, read, None, 0.0, None, Priors(), readings=readings), slope=-1.25)
    variance = np.array([4.0])
    fit = counts.at(THETA, variance).fit
    numeric = approx_fprime(THETA, lambda theta: counts.at(theta, variance).fit.log_marginal, 1e-5)
    np.testing.assert_allclose(log_marginal_gradient(fit, counts._derivatives(THETA)), numeric, atol=2e-3)


@pytest.mark.parametrize("prior", [1.0, 10 / 3, 0.02])
def test_whether_readings_tell_is_their_density_given_the_counts_against_apart(prior: float) -> None:
    """The odds are those beforehand, times the readings' density given the counts against that by themselves."""
    xy, dead, read, readings = _case()
    readings = replace(readings, log_odds=np.log(prior))
    field = BinomialField(theta=THETA).fit(xy, dead, read, readings=readings)
    apart = GaussianField(replace(GaussianField().priors, coefficient_sd=1 / 1.25))
    apart.fit(readings.xy, readings.values, readings.error_sd, np.empty((6, 0)))
    alone = BinomialField(theta=THETA).fit(xy, dead, read)
    K = 1.44 * matern32(cdist(readings.xy, readings.xy), 90.0)
    given = alone._components[0]
    cross = 1.44 * matern32(cdist(xy, readings.xy), 90.0)
    whitened = given.mode.fit.factor.whiten(cross)
    mean, covariance = cross.T @ given.mode.fit.weight, K - whitened.T @ whitened + (LEVEL_SD * 1.25) ** 2
    values, precision = readings.scaled(-1.25)
    density = multivariate_normal(mean, covariance + np.diag(1 / precision)).pdf(values) * 1.25**6
    odds = prior * density / np.exp(apart.log_evidence_)
    # The normal that stands for the counts moves a little with the readings.
    assert _told(field) == pytest.approx(odds / (1 + odds), abs=0.02)


def test_slopes_have_the_moments_of_their_logarithm() -> None:
    """Three slopes stand for a log-normal: its median is the expected one, its relative spread the stated one."""
    slopes = _case(0.3)[3].slopes
    shares, logs = np.array(list(slopes.values())), np.log(np.array(list(slopes)) / -1.25)
    assert shares.sum() == pytest.approx(1.0)
    assert shares @ logs == pytest.approx(0.0, abs=1e-12)
    assert shares @ logs**2 == pytest.approx(np.log1p((0.3 / 1.25) ** 2))
    assert shares @ logs**4 == pytest.approx(3 * np.log1p((0.3 / 1.25) ** 2) ** 2)


def test_the_evidence_of_readings_is_the_normal_density() -> None:
    """Summed over sizes and lengths of the field in equal shares, it is the density of the readings."""
    _, _, _, readings = _case()
    field = GaussianField().fit(readings.xy, readings.values, readings.error_sd, np.empty((6, 0)))
    priors, total = field.priors, 0.0
    for sd in priors.field_sd:
        for length in priors.length_m:
            K = sd**2 * matern32(cdist(readings.xy, readings.xy), length) + priors.intercept_sd**2
            K += np.diag(readings.error_sd**2)
            total += multivariate_normal(np.full(6, readings.values.mean()), K).pdf(readings.values) / 9
    assert field.log_evidence_ == pytest.approx(np.log(total), abs=1e-8)


def test_readings_far_away_change_nothing() -> None:
    """At 100 km, with known covariance parameters, the surface and its draws' spread are those without readings."""
    xy, dead, read, readings = _case()
    far = replace(readings, xy=readings.xy + 1e5)
    with_them, without = (BinomialField(theta=THETA).fit(xy, dead, read, readings=one) for one in (far, None))
    for one, other in zip(vars(with_them.predict(xy)).values(), vars(without.predict(xy)).values(), strict=True):
        np.testing.assert_allclose(one, other, atol=1e-6)


def test_what_readings_of_another_world_say_is_left_aside() -> None:
    """Readings that rise where injury rises, against their slope, tell nothing, and the map is that without them."""
    xy, dead, read, readings = _case(0.3)
    turned = replace(readings, values=-readings.values)
    with_them, without = (BinomialField().fit(xy, dead, read, readings=one) for one in (turned, None))
    assert _told(with_them) < 0.05
    assert _told(BinomialField().fit(xy, dead, read, readings=readings)) > 0.8
    np.testing.assert_allclose(with_them.predict(xy).mean, without.predict(xy).mean, atol=0.02)


def test_draws_and_held_out_rows_are_of_the_posterior_with_readings() -> None:
    """Draws have the predicted moments; holding out as many rows as were counted needs no row of the readings."""
    xy, dead, read, readings = _case(0.3)
    field = BinomialField().fit(xy[:12], dead[:12], read[:12], readings=readings)
    there = np.vstack([readings.xy, xy[20:26]])
    draws = field.draw((0, 0, 400, 400), 4000, np.random.default_rng(2))
    found = field.predict(there)
    logits = np.log(draws.at(there) / (1 - draws.at(there)))
    np.testing.assert_allclose(logits.mean(axis=1), found.logit_mean, atol=0.1)
    np.testing.assert_allclose(logits.std(axis=1), found.logit_sd, rtol=0.1)
    assert np.mean(draws.slopes != 0) == pytest.approx(_told(field), abs=0.1)
    assert len(field.predict_held_out(np.arange(12)).mean) == 12


def test_what_counts_alone_say_has_no_reading_in_it() -> None:
    """The information of a fit with readings is that of the counts at its parameters."""
    xy, dead, read, readings = _case()
    asked = np.array([True])
    one, other = (
        BinomialField(theta=THETA).fit(xy, dead, read, readings=some).information(asked) for some in (readings, None)
    )
    np.testing.assert_allclose(one.precision, other.precision, rtol=1e-6)
    np.testing.assert_allclose(one.pull, other.pull, rtol=1e-6)
    np.testing.assert_allclose(one.theta_pull, other.theta_pull, rtol=1e-4)


def test_more_rows_than_exact_algebra_carries_leave_readings_out() -> None:
    """Beyond ``most_exact`` rows the field is that without them, to the last bit."""
    xy, dead, read, readings = _case()
    with_them, without = (
        BinomialField(theta=THETA, most_exact=30).fit(xy, dead, read, readings=one) for one in (readings, None)
    )
    assert _told(with_them) == 0.0
    np.testing.assert_array_equal(with_them.predict(xy).mean, without.predict(xy).mean)


def test_a_column_made_from_the_readings_is_in_no_model_that_sees_them() -> None:
    """Such a model counts as having the column, but has no coefficient of it: it is 0 in every one of its draws."""
    xy, dead, read, readings = _case(0.3)
    surface = GaussianField().fit(readings.xy, readings.values, readings.error_sd, np.empty((6, 0)))
    X = np.column_stack([np.ones(40), surface.mean(xy, np.empty((40, 0))) + 21])
    made = replace(readings, X=np.zeros((6, 2)), column=1)
    prior = {
        "prior_sd": np.array([2.0, 0.3]),
        "prior_mean": np.array([0.0, -1.25]),
        "optional": np.array([False, True]),
    }
    field = BinomialField().fit(xy, dead, read, X, **prior, readings=made)
    assert field.models_[field.slopes_ != 0, 1].all()
    assert 0.05 < _told(field) < 0.95
    assert field.models_[field.slopes_ == 0, 1].any()
    draws = field.draw((0, 0, 400, 400), 200, np.random.default_rng(1))
    assert (draws.coefs[1, draws.slopes != 0] == 0.0).all()
    assert (draws.coefs[1, draws.slopes == 0] != 0.0).any()
