"""The spatial binomial regression: limits with known answers, averaging, prediction and draws."""

from __future__ import annotations

import gstools
import numpy as np
import pytest
import statsmodels.api as sm
from scipy.integrate import trapezoid
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize
from scipy.spatial.distance import cdist
from scipy.special import expit, logit
from scipy.stats import norm

import vinemap.model.strips
from vinemap.model.field import BinomialField
from vinemap.model.hyperparameters import Priors
from vinemap.model.many import ManyCounts
from vinemap.model.matern import matern32
from vinemap.model.prediction import logistic_normal_mean

SMALL = np.log([100.0, 1e-4, 1e-4])


def _survey(seed: int, n: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 400, (n, 2))
    X = np.column_stack([np.ones(n), rng.standard_normal(n)])
    read = rng.integers(10, 60, n).astype(float)
    z = X @ [-0.4, 0.8] + 0.9 * np.sin(xy[:, 0] / 70) + 0.3 * rng.standard_normal(n)
    return xy, rng.binomial(read.astype(int), expit(z)).astype(float), read, X


def test_without_a_field_it_is_a_binomial_regression() -> None:
    """With field and deviations at zero and flat priors, coefficients and errors are statsmodels' Binomial GLM."""
    xy, dead, read, X = _survey(1)
    peer = sm.GLM(np.column_stack([dead, read - dead]), X, family=sm.families.Binomial()).fit()
    field = BinomialField(theta=SMALL).fit(xy, dead, read, X, prior_sd=1e3)
    np.testing.assert_allclose(field.coef_, peer.params, atol=1e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(field.coef_cov_)), peer.bse, rtol=1e-3)


def test_a_prior_mean_is_the_prior_s() -> None:
    """Without a field, mean, evidence and odds of a coefficient with prior N(1.25, 0.3) are those of the integral.

    The integral over intercept and slope is summed over a fine grid; the Laplace approximation is within 1 % of it.
    """
    xy, dead, read, X = _survey(1, 25)
    sd, mean = np.array([2.0, 0.3]), np.array([0.0, 1.25])
    fit = {"prior_sd": sd, "prior_mean": mean}
    field = BinomialField(theta=SMALL).fit(xy, dead, read, X, **fit)
    intercept, slope = np.linspace(-1.5, 1.0, 401), np.linspace(0.2, 1.8, 401)
    logits = intercept[:, None, None] + slope[:, None] * X[:, 1]
    likelihood = (dead * np.log(expit(logits)) + (read - dead) * np.log(expit(-logits))).sum(axis=-1)
    prior = norm.logpdf(intercept, 0.0, 2.0)[:, None] + norm.logpdf(slope, 1.25, 0.3)
    weight = np.exp(likelihood + prior - (likelihood + prior).max())
    np.testing.assert_allclose(
        field.coef_,
        [(weight * intercept[:, None]).sum() / weight.sum(), (weight * slope).sum() / weight.sum()],
        atol=0.01,
    )
    alone = dead.sum() * np.log(expit(intercept)) + (read - dead).sum() * np.log(expit(-intercept))
    step = (intercept[1] - intercept[0]), (slope[1] - slope[0])
    with_slope = np.log(weight.sum() * step[0] * step[1]) + (likelihood + prior).max()
    without = np.log(np.exp(alone + norm.logpdf(intercept, 0.0, 2.0) - alone.max()).sum() * step[0])
    without += alone.max()
    counts = field.counts_
    found = counts.at(SMALL, sd**2).log_posterior - counts.at(SMALL, np.array([4.0, 0.0])).log_posterior
    assert found == pytest.approx(with_slope - without, abs=0.02)


@pytest.mark.parametrize("most_exact", [1000, 30], ids=["exact", "in strips"])
def test_a_prior_mean_is_an_offset(most_exact: int) -> None:
    """A coefficient of prior mean m is m and a deviation around 0: fits and draws are those with m x as offset."""
    xy, dead, read, X = _survey(3)
    theta, mean = np.log([80.0, 0.9, 0.3]), np.array([-0.2, 1.25])
    sd = np.array([2.0, 0.3])
    one = BinomialField(theta=theta, most_exact=most_exact).fit(xy, dead, read, X, prior_sd=sd, prior_mean=mean)
    other = BinomialField(theta=theta, most_exact=most_exact).fit(xy, dead, read, X, prior_sd=sd, offset=X @ mean)
    np.testing.assert_allclose(one.coef_, other.coef_ + mean, atol=1e-8)
    places = xy[:10] + 3.0
    found, wanted = one.predict(places, X[:10]), other.predict(places, X[:10], X[:10] @ mean)
    np.testing.assert_allclose(found.logit_mean, wanted.logit_mean, atol=1e-8)
    np.testing.assert_allclose(found.logit_sd, wanted.logit_sd, atol=1e-8)
    drawn, again = (
        field.draw((0.0, 0.0, 400.0, 400.0), 50, np.random.default_rng(0)).at(places, X[:10], offset)
        for field, offset in ((one, 0.0), (other, X[:10] @ mean))
    )
    np.testing.assert_allclose(drawn, again, atol=1e-8)


def test_star98_is_the_published_binomial_regression() -> None:
    """The coefficients of the open data set star98 (statsmodels, public domain) are those of its Binomial GLM."""
    data = sm.datasets.star98.load()
    X = sm.add_constant(data.exog[["LOWINC", "PERASIAN", "PERBLACK", "PERHISP", "PCTCHRT"]].to_numpy(float))
    above, below = data.endog.to_numpy(float).T
    X[:, 1:] = (X[:, 1:] - X[:, 1:].mean(axis=0)) / X[:, 1:].std(axis=0)
    peer = sm.GLM(np.column_stack([above, below]), X, family=sm.families.Binomial()).fit()
    places = np.column_stack([np.arange(len(X)) * 10.0, np.zeros(len(X))])
    field = BinomialField(theta=np.log([100.0, 1e-5, 1e-5])).fit(places, above, above + below, X, prior_sd=1e3)
    np.testing.assert_allclose(field.coef_, peer.params, atol=1e-4)


@pytest.mark.parametrize(("n", "most_exact"), [(40, 1000), (320, 100)], ids=["exact", "in strips"])
def test_with_very_many_trials_it_is_kriging(n: int, most_exact: int) -> None:
    """Where each row has 10,000 trials, mean and variance are gstools' simple kriging with known errors."""
    rng = np.random.default_rng(2)
    xy = rng.uniform(0, 300, (n, 2))
    read = np.full(n, 1e4)
    dead = np.round(read * expit(0.8 * np.sin(xy[:, 0] / 60)))
    field = BinomialField(theta=np.log([80.0, 1.1, 1e-6]), most_exact=most_exact)
    field.fit(xy, dead, read, prior_sd=0.0, offset=-0.2)
    points = rng.uniform(0, 300, (25, 2))
    predicted = field.predict(points, offset=-0.2)
    observed = logit(dead / read)
    # gstools' Matérn has sqrt(nu) where GPML has sqrt(2 nu).
    model = gstools.Matern(dim=2, var=1.21, len_scale=80 / np.sqrt(2), nu=1.5)
    errors = 1 / (read * expit(observed) * expit(-observed))
    peer = gstools.krige.Simple(model, xy.T, observed, mean=-0.2, cond_err=errors, exact=False)
    mean, variance = peer(points.T, return_var=True)
    np.testing.assert_allclose(predicted.logit_mean, mean, atol=2e-3)
    np.testing.assert_allclose(predicted.logit_sd, np.sqrt(variance), rtol=2e-3)


def test_lattice_prediction_agrees_with_the_exact_one() -> None:
    """Points read off a lattice get what each gets when worked out by itself, to 0.3 percentage points."""
    xy, dead, read, X = _survey(3)
    field = BinomialField().fit(xy, dead, read, X)
    x, y = np.meshgrid(np.arange(0, 400, 1.5), np.arange(0, 400, 1.5))
    points = np.column_stack([x.ravel(), y.ravel()])
    rows = np.column_stack([np.ones(len(points)), np.sin(points[:, 1] / 30)])
    many = field.predict(points, rows, moments=field.moments(points))
    few = np.random.default_rng(0).integers(0, len(points), 200)
    alone = field.predict(points[few], rows[few])
    for name in ("mean", "low", "high"):
        np.testing.assert_allclose(getattr(many, name)[few], getattr(alone, name), atol=3e-3)


def test_draws_have_the_predicted_moments() -> None:
    """Joint draws have the mean and sd that prediction gives, and the correlation of the exact posterior."""
    xy, dead, read, X = _survey(4)
    theta = np.log([90.0, 1.0, 0.3])
    field = BinomialField(theta=theta).fit(xy, dead, read, X)
    points = np.array([[100.0, 100.0], [130.0, 110.0], [300.0, 250.0]])
    rows = np.column_stack([np.ones(3), np.zeros(3)])
    drawn = logit(field.draw((0, 0, 400, 400), 2000, np.random.default_rng(5)).at(points, rows))
    predicted = field.predict(points, rows)
    np.testing.assert_allclose(drawn.mean(axis=1), predicted.logit_mean, atol=0.05)
    np.testing.assert_allclose(drawn.std(axis=1), predicted.logit_sd, rtol=0.05)
    K = matern32(cdist(xy, xy), 90.0) + 4 * X @ X.T + 0.09 * np.eye(len(xy))
    cross = matern32(cdist(xy, points), 90.0) + 4 * X @ rows.T
    prior = matern32(cdist(points, points), 90.0) + 4 * rows @ rows.T
    mode = field._components[0].mode.fit.mode
    weights = np.diag(1 / (read * expit(mode) * expit(-mode)))
    exact = prior - cross.T @ cho_solve(cho_factor(K + weights), cross)
    correlation = exact[0, 1] / np.sqrt(exact[0, 0] * exact[1, 1])
    assert np.corrcoef(drawn)[0, 1] == pytest.approx(correlation, abs=0.04)


def _large_survey() -> dict[str, np.ndarray]:
    """1,000 vines in 100 blocks of a large vineyard, both parts of the cane on every second one: 1,500 rows."""
    rng = np.random.default_rng(11)
    corner = 120.0 * np.column_stack([np.arange(100) % 12, np.arange(100) // 12])
    vines = np.repeat(corner, 10, axis=0) + rng.uniform(0, 100, (1000, 2))
    cluster = np.repeat(np.arange(1000), np.tile([2, 1], 500))
    apical = np.append(cluster[1:] == cluster[:-1], False).astype(float)
    xy, height = vines[cluster], rng.standard_normal(1000)[cluster]
    X = np.column_stack([np.ones(1500), apical, height, rng.standard_normal(1500)])
    read = rng.integers(5, 40, 1500).astype(float)
    z = X @ [-0.4, 0.3, 0.8, 0.0] + 0.9 * np.sin(xy[:, 0] / 150) * np.cos(xy[:, 1] / 110)
    z += 0.4 * rng.standard_normal(1000)[cluster]
    dead = rng.binomial(read.astype(int), expit(z)).astype(float)
    return {"xy": xy, "events": dead, "trials": read, "X": X, "cluster": cluster}


PRIOR_SD = np.array([2.0, 0.7, 1.0, 0.0])


@pytest.mark.parametrize("length", [50.0, 150.0, 600.0])
def test_many_rows_agree_with_the_exact_algebra(length: float) -> None:
    """In strips, means, quantiles, held-out rows and draws' averages are the exact ones to 0.3 percentage points."""
    survey, theta = _large_survey(), np.log([length, 1.0, 0.4])
    exact, many = (
        BinomialField(theta=theta, most_exact=most).fit(**survey, prior_sd=PRIOR_SD) for most in (2000, 1000)
    )
    assert isinstance(many.counts_, ManyCounts)
    assert many.log_evidence_ == pytest.approx(exact.log_evidence_, abs=0.1)
    np.testing.assert_allclose(many.coef_, exact.coef_, atol=2e-3)
    np.testing.assert_allclose(many.coef_cov_, exact.coef_cov_, atol=1e-3)
    rng = np.random.default_rng(1)
    points = rng.uniform(-20, (1460, 1100), (1500, 2))
    rows = np.column_stack([np.ones(1500), np.zeros(1500), rng.standard_normal((1500, 2))])
    one, other = (field.predict(points, rows) for field in (exact, many))
    patches = survey["cluster"] // 100
    pairs = [(one, other)]
    for folds in (survey["cluster"], patches):
        pairs.append((exact.predict_held_out(folds), many.predict_held_out(folds)))
    for one, other in pairs:
        for name in ("mean", "low", "high"):
            np.testing.assert_allclose(getattr(other, name), getattr(one, name), atol=3e-3)
    block = (points // 300).astype(int) @ [10, 1]
    averages = []
    for field in (exact, many):
        drawn = field.draw((-20, -20, 1460, 1100), 50, np.random.default_rng(5)).at(points, rows)
        averages.append([drawn[block == k].mean(axis=0) for k in np.unique(block)])
    np.testing.assert_allclose(averages[1], averages[0], atol=3e-3)


@pytest.mark.parametrize("length", [600.0, 1500.0])
def test_tight_patches_under_a_long_field_agree_too(length: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """32 patches of 40 vines within 30 m: means and quantiles are the exact ones to 0.3 percentage points.

    Three strips of several patches in depth hold it; strips of five places' depth were up to 3.5 points off.
    """
    monkeypatch.setattr(vinemap.model.strips, "_WIDEST", 600)
    rng = np.random.default_rng(3)
    xy = np.repeat(rng.uniform(0, (4000, 1500), (32, 2)), 40, axis=0) + rng.uniform(-15, 15, (1280, 2))
    X = np.column_stack([np.ones(1280), np.zeros(1280), rng.standard_normal((1280, 2))])
    read = rng.integers(5, 40, 1280).astype(float)
    z = X @ [-0.4, 0.3, 0.8, 0.0] + 0.9 * np.sin(xy[:, 0] / 500) * np.cos(xy[:, 1] / 400)
    dead = rng.binomial(read.astype(int), expit(z + 0.4 * rng.standard_normal(1280))).astype(float)
    survey = {"xy": xy, "events": dead, "trials": read, "X": X, "cluster": np.arange(1280)}
    exact, many = (
        BinomialField(theta=np.log([length, 1.0, 0.4]), most_exact=most).fit(**survey, prior_sd=PRIOR_SD)
        for most in (2000, 1000)
    )
    points = np.vstack([rng.uniform(0, (4000, 1500), (300, 2)), xy[::5] + rng.uniform(-20, 20, (256, 2))])
    rows = np.column_stack([np.ones(556), np.zeros(556), rng.standard_normal((556, 2))])
    one, other = (field.predict(points, rows) for field in (exact, many))
    for name in ("mean", "low", "high"):
        np.testing.assert_allclose(getattr(other, name), getattr(one, name), atol=3e-3)


def test_the_search_in_strips_finds_the_exact_mode() -> None:
    """Found in thin strips, the covariance parameters cost less than 0.05 of the exact log posterior at its mode."""
    survey = _large_survey()
    exact, many = (BinomialField(most_exact=most).fit(**survey, prior_sd=PRIOR_SD) for most in (2000, 1000))
    there = exact.counts_.at(many.theta_, PRIOR_SD**2).log_posterior
    assert there > exact.log_evidence_ - 0.05
    assert np.abs(many.theta_ - exact.theta_).max() < 0.1


def test_held_out_rows_are_predicted_as_by_a_refit() -> None:
    """Dividing out a patch's likelihood comes close to fitting without it at the same covariance parameters."""
    xy, dead, read, X = _survey(6)
    theta = np.log([90.0, 1.0, 0.3])
    field = BinomialField(theta=theta).fit(xy, dead, read, X)
    groups = (xy[:, 0] // 100).astype(int)
    held = field.predict_held_out(groups)
    for group in np.unique(groups):
        out = groups == group
        refit = BinomialField(theta=theta).fit(xy[~out], dead[~out], read[~out], X[~out])
        alone = refit.predict(xy[out], X[out])
        np.testing.assert_allclose(held.logit_mean[out], alone.logit_mean, atol=0.12)
        np.testing.assert_allclose(held.logit_sd[out], np.hypot(alone.logit_sd, 0.3), rtol=0.08)


def test_the_search_finds_the_mode() -> None:
    """SciPy's simplex search, which knows no gradient, finds no log posterior better by more than 0.02."""
    xy, dead, read, X = _survey(7)
    field = BinomialField(integrate=False).fit(xy, dead, read, X)

    def log_posterior(theta: np.ndarray) -> float:
        return field.counts_.at(theta, np.array([4.0, 4.0])).log_posterior

    best = minimize(lambda theta: -log_posterior(theta), field.theta_, method="Nelder-Mead")
    assert log_posterior(field.theta_) > -best.fun - 0.02
    assert np.abs(best.x - field.theta_).max() < 0.2


def test_integration_widens_the_credible_intervals() -> None:
    """Uncertain covariance parameters make credible intervals wider, never narrower on the whole."""
    xy, dead, read, X = _survey(8, n=15)
    point, whole = (BinomialField(integrate=choice).fit(xy, dead, read, X) for choice in (False, True))
    grid = np.random.default_rng(1).uniform(0, 400, (300, 2))
    rows = np.column_stack([np.ones(300), np.zeros(300)])
    assert whole.predict(grid, rows).logit_sd.mean() > point.predict(grid, rows).logit_sd.mean()


def test_models_are_weighed_by_evidence() -> None:
    """A covariate that drives the events is kept and one that does not is mostly dropped."""
    xy, dead, read, X = _survey(9)
    noise = np.random.default_rng(3).standard_normal(len(xy))
    optional = np.array([False, True, True])
    field = BinomialField().fit(
        xy, dead, read, np.column_stack([X, noise]), prior_sd=[2.0, 1.0, 1.0], optional=optional
    )
    kept, dropped = field.model_weights_ @ field.models_[:, 1:]
    assert kept > 0.99
    assert dropped < 0.5
    assert field.models_[:, 0].all()
    assert field.model_weights_.sum() == pytest.approx(1.0)


def test_two_rows_of_one_cluster_share_their_deviation() -> None:
    """Splitting a cluster's trials in two rows changes nothing when the rows are marked as one cluster."""
    xy, dead, read, X = _survey(10)
    theta = np.log([90.0, 0.8, 0.7])
    half = np.floor(dead / 2)
    whole = BinomialField(theta=theta).fit(xy, dead, read, X)
    split = BinomialField(theta=theta).fit(
        np.vstack([xy, xy]),
        np.r_[half, dead - half],
        np.r_[np.floor(read / 2), read - np.floor(read / 2)].clip(np.r_[half, dead - half]),
        np.vstack([X, X]),
        cluster=np.tile(np.arange(len(xy)), 2),
    )
    grid = np.random.default_rng(1).uniform(0, 400, (50, 2))
    rows = np.column_stack([np.ones(50), np.zeros(50)])
    np.testing.assert_allclose(split.predict(grid, rows).mean, whole.predict(grid, rows).mean, atol=0.01)


@pytest.mark.parametrize("seed", range(3))
def test_three_rows_give_wide_credible_intervals(seed: int) -> None:
    """With three rows the credible interval far from them spans most of what is possible."""
    xy, dead, read, X = _survey(seed, n=3)
    field = BinomialField().fit(xy, dead, read, X[:, :1])
    far = field.predict(np.array([[2000.0, 2000.0]]))
    assert far.high[0] - far.low[0] > 0.5
    assert 0 < far.low[0] < far.mean[0] < far.high[0] < 1


def test_prior_density_has_its_stated_tails() -> None:
    """The priors put 5 % on ranges and standard deviations beyond those stated (Fuglstad et al. 2019)."""
    priors = Priors()
    log_sd = np.linspace(-12, 4, 40_001)
    theta = np.column_stack([np.full_like(log_sd, 5.0), log_sd, np.zeros_like(log_sd)])
    density = np.exp([priors.log_density(row)[0] for row in theta])
    assert density[log_sd > np.log(priors.largest_field_sd)].sum() / density.sum() == pytest.approx(0.05, abs=2e-3)
    log_length = np.linspace(-2, 30, 40_001)
    theta = np.column_stack([log_length, np.zeros_like(log_length), np.zeros_like(log_length)])
    density = np.exp([priors.log_density(row)[0] for row in theta])
    short = 2 * np.exp(log_length) < priors.shortest_range_m
    assert density[short].sum() / density.sum() == pytest.approx(0.05, abs=2e-3)


def test_mean_of_a_logistic_normal() -> None:
    """The quadrature equals numerical integration to 2e-4 for standard deviations up to 2."""
    z = np.linspace(-40, 40, 400_001)
    for mean, sd in [(0.3, 0.5), (-2.0, 1.0), (1.5, 2.0)]:
        direct = trapezoid(expit(z) * norm.pdf(z, mean, sd), z)
        assert logistic_normal_mean(np.array([mean]), np.array([sd]))[0] == pytest.approx(direct, abs=2e-4)
