"""What counts say without their priors: put together with a prior again, it gives the fit that had the prior."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.stats import expon, norm

from vinemap.model.field import BinomialField
from vinemap.model.hyperparameters import NormalPriors, Priors

THETA = np.log([60.0, 0.5, 0.4])


def _counts(rows: int = 50) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    xy, X = rng.uniform(0, 400, (rows, 2)), np.column_stack([np.ones(rows), rng.standard_normal((rows, 2))])
    read = rng.integers(8, 16, rows)
    return xy, rng.binomial(read, 1 / (1 + np.exp(-X @ [-0.5, 0.9, 0.0]))), read, X


@pytest.mark.parametrize("most_exact", [1000, 10])
def test_information_and_prior_make_the_posterior(most_exact: int) -> None:
    """At fixed covariance parameters, P + prior precision and p give the fitted coefficients and their covariance."""
    xy, dead, read, X = _counts()
    mean, sd = np.array([0.0, 0.4, -0.3]), np.array([2.0, 0.7, 0.5])
    field = BinomialField(theta=THETA, most_exact=most_exact).fit(xy, dead, read, X, prior_sd=sd, prior_mean=mean)
    found = field.information(np.array([False, True, True]))
    precision = found.precision + np.diag(sd[1:] ** -2)
    assert np.linalg.solve(precision, found.pull + mean[1:] / sd[1:] ** 2) == pytest.approx(field.coef_[1:], abs=2e-3)
    assert np.linalg.inv(precision) == pytest.approx(field.coef_cov_[1:, 1:], rel=0.02, abs=1e-4)


def test_the_prior_of_the_covariance_parameters_is_taken_out() -> None:
    """Put together with the prior again, the information has its mode where the fit has; it never says less than
    nothing."""
    xy, dead, read, X = _counts(90)
    priors = NormalPriors(mean=(4.0, -0.5, -0.8), sd=(0.8, 0.6, 0.7))
    field = BinomialField(priors).fit(xy, dead, read, X)
    found = field.information(np.array([False, True, True]))
    assert np.linalg.eigvalsh(found.theta_precision).min() > 0
    weight = np.array(priors.sd) ** -2.0
    mode = np.linalg.solve(found.theta_precision + np.diag(weight), found.theta_pull + weight * priors.mean)
    # The climb ends within a fifth of a posterior standard deviation of the mode.
    assert mode == pytest.approx(field.theta_, abs=0.05)
    assert np.any(np.abs(np.linalg.solve(found.theta_precision, found.theta_pull) - field.theta_) > 0.1)


def test_normal_priors_are_normal() -> None:
    """Log densities differ as SciPy's, and slope and curvature are theirs."""
    priors, theta = NormalPriors(mean=(4.0, -0.5, -1.0), sd=(0.5, 0.4, 0.9)), np.array([4.4, 0.1, -2.0])

    def density(at: np.ndarray) -> float:
        return float(norm(priors.mean, priors.sd).logpdf(at).sum())

    assert priors.log_density(theta)[0] - priors.log_density(THETA)[0] == pytest.approx(density(theta) - density(THETA))
    assert priors.log_density(theta)[1] == pytest.approx(approx_fprime(theta, density), rel=1e-4)
    assert priors.information(theta) == pytest.approx(np.array(priors.sd) ** -2.0)


def test_moments_of_the_weak_priors() -> None:
    """Means and variances of the logs are those of SciPy's exponential variables of the same tails."""
    priors = Priors(40.0, 3.0, 1.5)
    deviations = [expon(scale=-tail / np.log(0.05)).expect(np.log) for tail in (3.0, 1.5)]
    # The range is 2 ℓ, and its inverse is exponential.
    inverse = expon(scale=1 / (-np.log(0.05) * 40.0)).expect(np.log)
    assert priors.log_mean() == pytest.approx([-inverse - np.log(2), *deviations], abs=1e-5)
    assert priors.log_variance() == pytest.approx(expon().expect(lambda x: (np.log(x) + np.euler_gamma) ** 2), abs=1e-4)
