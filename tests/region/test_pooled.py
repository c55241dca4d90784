"""Means of vineyards: variances as statsmodels has them, intervals that hold what they say."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.proportion import proportion_confint

from vinemap.region.pooled import pooled


@pytest.mark.parametrize("seed", range(5))
def test_variance_is_that_of_weighted_regression(seed: int) -> None:
    """Mean and variance between vineyards are those of a weighted mean with HC1 errors in statsmodels."""
    rng = np.random.default_rng(seed)
    share, weight = rng.beta(2, 3, 9), rng.lognormal(0, 1, 9)
    peer = sm.WLS(share, np.ones(9), weights=weight).fit(cov_type="HC1", use_t=True)
    found = pooled(share, weight)
    assert found.mean == pytest.approx(peer.params[0])
    assert found.mean * (1 - found.mean) / found.size == pytest.approx(peer.bse[0] ** 2)


def test_ends_are_a_score_interval() -> None:
    """With many vineyards that vary as single buds would, the ends are Wilson's, as statsmodels has them."""
    share = np.repeat([0.0, 1.0], [1400, 600])
    found = pooled(share, np.ones(2000)).interval(0.90)
    assert found == pytest.approx(proportion_confint(600, 2000, alpha=0.10, method="wilson"), abs=2e-4)


def test_probability_and_interval_agree() -> None:
    """Beyond each end of the interval of 90 % lie 5 %."""
    found = pooled([0.2, 0.5, 0.35, 0.6, 0.1], [1, 2, 1, 3, 1])
    low, high = found.interval(0.90)
    assert found.over(low) == pytest.approx(0.95)
    assert found.over(high) == pytest.approx(0.05)


def test_vineyards_that_are_alike_are_not_sure() -> None:
    """Three vineyards with every bud dead leave the mean open, and one vineyard has no interval."""
    low, high = pooled([1.0, 1.0, 1.0], [1, 2, 3]).interval(0.90)
    assert high == 1.0
    assert low < 0.5
    assert np.isnan(pooled([0.4], [2.0]).interval(0.90)).all()
    assert np.isnan(pooled([], []).mean)


def test_coverage_over_regions() -> None:
    """Intervals of 90 % hold the mean of the vineyards that could have been in 86 to 94 % of simulated regions."""
    rng = np.random.default_rng(7)
    for count in (5, 12, 40):
        held = 0
        for _ in range(800):
            middle = rng.uniform(0.15, 0.85)
            share = rng.beta(5 * middle, 5 * (1 - middle), count)
            counted = rng.binomial(60, share) / 60
            low, high = pooled(counted, rng.uniform(0.5, 2.0, count)).interval(0.90)
            held += low <= middle <= high
        assert 0.86 <= held / 800 <= 0.94, count
