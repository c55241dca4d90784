"""The search for covariates, against fitting every model there is."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from vinemap.model.field import BinomialField
from vinemap.model.hyperparameters import Counts, Priors
from vinemap.model.search import Candidates, gains, search


def _counts(seed: int, drive: tuple[float, ...], n: int = 50) -> Counts:
    """Counts on a field, driven by some of eight covariates that go together in pairs."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 400, (n, 2))
    Z = rng.standard_normal((n, 8))
    Z[:, 1::2] = 0.8 * Z[:, ::2] + 0.6 * Z[:, 1::2]
    logit = Z[:, : len(drive)] @ drive + 0.7 * np.sin(xy[:, 0] / 60) + 0.3 * rng.standard_normal(n)
    trials = rng.integers(10, 60, n)
    events = rng.binomial(trials, expit(logit))
    return Counts.of(xy, events, trials, np.column_stack([np.ones(n), Z]), 0.0, None, Priors())


def _candidates(most: int) -> Candidates:
    return Candidates(np.array([2.0] + [1.0] * 8), np.arange(9) > 0, most)


@pytest.mark.parametrize(("seed", "drive"), [(1, (0.9,)), (2, (0.5, 0.0, -0.6)), (3, ()), (4, (0.4, 0.4, 0.4, 0.4))])
def test_the_search_finds_what_enumeration_finds(seed: int, drive: tuple[float, ...]) -> None:
    """Of all 93 models of up to three of eight covariates it fits 25, and misses less than a tenth of the evidence."""
    counts, candidates = _counts(seed, drive), _candidates(3)
    found = search(counts, candidates)
    every = []
    for size in range(4):
        for chosen in itertools.combinations(range(1, 9), size):
            columns = candidates.base | set(chosen)
            every.append(counts.mode(candidates.variance(columns), candidates.log_prior(columns)).log_posterior)
    assert len(every) == 93
    assert len(found) == 25
    best = max(every)
    weight = np.exp(np.array(every) - best).sum()
    missed = 1 - np.exp(np.array([mode.log_posterior for mode in found]) - best).sum() / weight
    assert abs(missed) < 0.1
    assert max(mode.log_posterior for mode in found) == pytest.approx(best, abs=0.03)


def test_gains_are_those_of_fits_at_the_same_covariance() -> None:
    """What a column is said to add is what it adds when it is fitted at the covariance parameters of the model."""
    counts, candidates = _counts(2, (0.5, 0.0, -0.6)), _candidates(1)
    model = counts.mode(candidates.variance(candidates.base))
    said = gains(counts, model, candidates.sd)
    for column in range(1, 9):
        larger = counts.at(model.theta, candidates.variance(candidates.base | {column}))
        assert said[column] == pytest.approx(larger.log_posterior - model.log_posterior, rel=0.1, abs=0.2)


def test_gains_know_of_prior_means() -> None:
    """With a prior centred elsewhere, what a column is said to add is still what a fit with it adds."""
    means = np.array([0.0, 0.6, 0.0, -0.4, 0.0, 0.3, 0.0, 0.0, -0.8])
    counts, candidates = replace(_counts(2, (0.5, 0.0, -0.6)), prior_mean=means), _candidates(1)
    candidates = replace(candidates, sd=np.where(means == 0, candidates.sd, 0.3))
    model = counts.mode(candidates.variance(candidates.base))
    said = gains(counts, model, candidates.sd)
    for column in range(1, 9):
        larger = counts.at(model.theta, candidates.variance(candidates.base | {column}))
        assert said[column] == pytest.approx(larger.log_posterior - model.log_posterior, rel=0.1, abs=0.2)


def test_sources_do_not_crowd_each_other_out() -> None:
    """Seven columns of one source leave the one of another its even odds; sizes of each share a weight of one."""
    source = np.array([0] * 8 + [1])
    candidates = replace(_candidates(3), source=source)
    base = candidates.log_prior(candidates.base)
    assert candidates.log_prior(candidates.base | {8}) == base
    assert candidates.log_prior(candidates.base | {3}) == pytest.approx(base - np.log(7))
    assert candidates.log_prior(candidates.base | {3, 8}) == pytest.approx(base - np.log(7))


@pytest.mark.parametrize(("most", "largest"), [(0, {8}), (1, {1, 8})])
def test_what_is_free_takes_no_place(most: int, largest: set[int]) -> None:
    """With room for so many covariates, models have these and the free one, and never one more that is not free."""
    candidates = replace(_candidates(most), free=np.arange(9) == 8)
    found = [set(np.flatnonzero(mode.variance).tolist()) for mode in search(_counts(1, (0.9,)), candidates)]
    assert candidates.base | largest in found
    assert {0} in found
    assert max(len(columns - {0, 8}) for columns in found) == most


def test_every_size_has_the_same_prior_weight() -> None:
    """The models of one size share a weight of one (Scott & Berger 2010)."""
    candidates = _candidates(3)
    for size in range(4):
        shares = [
            np.exp(candidates.log_prior(candidates.base | set(chosen)))
            for chosen in itertools.combinations(range(1, 9), size)
        ]
        assert sum(shares) == pytest.approx(1.0)


def test_both_smoothnesses_are_weighed() -> None:
    """Few rows can hardly tell a field of smoothness 3/2 from one of 5/2, so that the average holds both."""
    counts = _counts(1, (0.9,))
    field = BinomialField().fit(counts.xy, counts.events, counts.trials, counts.X[:, :2])
    shares = {smoothness: 0.0 for smoothness in (1.5, 2.5)}
    for component in field._components:
        shares[component.mode.smoothness] += component.weight
    assert sum(shares.values()) == pytest.approx(1.0)
    assert min(shares.values()) > 0.1


def test_columns_that_no_model_has_are_nought() -> None:
    """Prediction takes rows of all covariates; what no model has changes nothing."""
    counts = _counts(1, (0.9,))
    optional = np.arange(9) > 0
    field = BinomialField().fit(counts.xy, counts.events, counts.trials, counts.X, optional=optional, most=1)
    without = ~field.models_.any(axis=0)
    assert without.any()
    assert np.all(field.coef_[without] == 0)
    assert np.all(field.coef_cov_[without] == 0)
    other = counts.X.copy()
    other[:, without] += 5.0
    np.testing.assert_array_equal(field.predict(counts.xy, counts.X).mean, field.predict(counts.xy, other).mean)
