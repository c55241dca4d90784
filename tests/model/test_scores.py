"""Scores of held-out rows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import betabinom, binom
from sklearn.metrics import brier_score_loss

from vinemap.model.scores import _binomial_cdf, brier_score, held_out_means, score, spatial_folds


def test_without_deviations_the_log_score_is_binomial() -> None:
    """With no deviation the log score is the mean log probability of scipy's binomial distribution."""
    dead, read, logit = np.array([3.0, 0, 20]), np.array([10.0, 12, 20]), np.array([-1.0, -3, 2])
    found = score(dead, read, logit, np.full(3, 1e-9))
    assert found.log_score == pytest.approx(binom.logpmf(dead, read, expit(logit)).mean(), abs=1e-6)


def test_the_cumulative_probability_is_binomial() -> None:
    """Below none, at none, within, at all and above all: scipy.stats' binomial distribution to the last digits."""
    dead, read, probability = np.meshgrid(np.arange(-1.0, 14), np.array([1.0, 7, 12]), np.array([1e-9, 0.2, 0.99]))
    expected = binom.cdf(dead, read, probability)
    np.testing.assert_allclose(_binomial_cdf(dead, read, probability), expected, rtol=0, atol=1e-12)


def test_log_score_is_that_of_a_count_distribution() -> None:
    """Probabilities of all counts of a row add up to one whatever the deviation."""
    counts = np.arange(31.0)
    each = [score(np.array([c]), np.array([30.0]), np.array([0.4]), np.array([1.3])).log_score for c in counts]
    assert np.exp(each).sum() == pytest.approx(1.0, abs=1e-6)


def test_brier_is_scikit_learns_trial_by_trial() -> None:
    """Counts give the Brier score that scikit-learn gives on single trials."""
    dead, read, probability = np.array([2.0, 5]), np.array([4.0, 6]), np.array([0.3, 0.9])
    trials = np.r_[1, 1, 0, 0, 1, 1, 1, 1, 1, 0]
    assert brier_score(dead, read, probability) == pytest.approx(
        brier_score_loss(trials, np.repeat(probability, [4, 6]))
    )


def test_coverage_is_nominal_when_the_model_is_right() -> None:
    """Counts drawn from the very distribution predicted fall inside 90 % intervals 90 times of 100."""
    rng = np.random.default_rng(0)
    mean, sd = rng.normal(0, 1, 4000), np.full(4000, 0.7)
    read = rng.integers(5, 60, 4000).astype(float)
    dead = rng.binomial(read.astype(int), expit(rng.normal(mean, sd))).astype(float)
    assert score(dead, read, mean, sd).coverage_90 == pytest.approx(0.9, abs=0.012)


def test_coverage_falls_when_clusters_are_denied() -> None:
    """Counts that vary more than predicted fall outside more often."""
    rng = np.random.default_rng(1)
    read = np.full(2000, 40.0)
    dead = betabinom.rvs(40, 2, 2, size=2000, random_state=rng).astype(float)
    assert score(dead, read, np.zeros(2000), np.full(2000, 0.1)).coverage_90 < 0.6


def test_held_out_means_never_see_their_own_fold() -> None:
    """Changing a fold's own counts leaves its held-out means as they were."""
    read = np.full(6, 10.0)
    block, groups = np.array([0, 0, 0, 1, 1, 1]), np.array([0, 1, 2, 3, 4, 5])
    dead = np.array([1.0, 2, 3, 8, 9, 10])
    before = held_out_means(dead, read, block, groups)
    dead[0] = 10
    after = held_out_means(dead, read, block, groups)
    assert after[0] == before[0]
    assert (after[1:3] > before[1:3]).all()


def test_held_out_mean_by_hand() -> None:
    """Two others of the group with 2 and 3 events of 10, drawn to the overall mean by one row's weight."""
    found = held_out_means(np.array([9.0, 2, 3, 8]), np.full(4, 10.0), np.array([0, 0, 0, 1]), np.arange(4))
    overall = (2 + 3 + 8) / 30
    assert found[0] == pytest.approx((2 + 3 + 10 * overall) / 30)


def test_patches_are_compact() -> None:
    """Points of one patch lie nearer each other than points of different patches do."""
    xy = np.random.default_rng(2).uniform(0, 500, (80, 2))
    patch = spatial_folds(xy, 8)
    centre = np.array([xy[patch == p].mean(axis=0) for p in np.unique(patch)])
    own = np.linalg.norm(xy - centre[np.searchsorted(np.unique(patch), patch)], axis=1)
    assert own.mean() < 120
    assert 2 <= len(np.unique(patch)) <= 8


@pytest.mark.filterwarnings("error")
def test_no_more_patches_than_places() -> None:
    """Samples on one point, or on two, make no more patches than there are places, and no warning."""
    assert len(np.unique(spatial_folds(np.zeros((4, 2)), 3))) == 1
    assert len(np.unique(spatial_folds(np.array([[0.0, 0], [0, 0], [50, 0], [50, 0]]), 3))) == 2
