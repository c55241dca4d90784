"""How many canes and nodes: against Cochran's and Kish's formulas, statsmodels, and simulated blocks."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from statsmodels.stats.proportion import samplesize_confint_proportion

from vinemap.plan.options import PlanOptions
from vinemap.plan.sizes import block_sizes, canes_needed, half_width_of, simple_size


@pytest.mark.parametrize(("half_width", "confidence", "share"), [(0.1, 0.9, 0.5), (0.08, 0.95, 0.3), (0.03, 0.8, 0.9)])
def test_simple_size_equals_statsmodels(half_width: float, confidence: float, share: float) -> None:
    """Independent nodes needed equal statsmodels' size for a normal interval of a proportion."""
    theirs = samplesize_confint_proportion(share, half_width, alpha=1 - confidence, method="normal")
    assert simple_size(half_width, confidence, share) == pytest.approx(theirs)


@pytest.mark.parametrize(("buds", "points"), [(50, 12), (100, 8)])
def test_the_usual_50_to_100_buds_are_8_to_12_points(buds: int, points: int) -> None:
    """50 to 100 buds a block give ±12 to ±8.

    That is at 90 % and at half the buds dead, with every bud for itself; the number is that of Cornell
    Cooperative Extension, Northern New York grape update, 28 Feb 2014.
    """
    half = half_width_of(buds, 1, 0.0, 0.9, 0.5)
    assert round(100 * half) == points
    assert simple_size(half, 0.9) == pytest.approx(buds)


def test_cochrans_island() -> None:
    """400 people needed from many become 356 of 3,200 (W. G. Cochran 1977, section 4.4; from memory)."""
    assert round(canes_needed(400, 1, 1.0, 3200)) == 356


def test_kishs_design_effect() -> None:
    """With vines without number, canes carry the simple size times 1 + (m - 1) rho (L. Kish 1965)."""
    assert 8 * canes_needed(68, 8, 0.15) == pytest.approx(68 * (1 + 7 * 0.15))


def test_a_small_block_needs_fewer_and_never_more_than_it_has() -> None:
    """The finite number of vines lowers the need; all vines of a tiny block are the most there is to take."""
    needs = [canes_needed(200, 10, 0.5, vines) for vines in (math.inf, 500, 100, 20)]
    assert needs == sorted(needs, reverse=True)
    table = pd.DataFrame({"block": ["a", "b"], "vines": [3, 4000], "samples": [0, 0], "nodes": [0, 0]})
    assert block_sizes(table, PlanOptions(), 0.1)["canes"].tolist() == [3, 13]


def test_wide_precision_still_takes_ten_canes() -> None:
    """However few buds would do, a block gives at least 10 canes, evenly over it (Bavarian State Institute LWG)."""
    table = pd.DataFrame({"block": ["a"], "vines": [pd.NA], "samples": [0], "nodes": [0]})
    sizes = block_sizes(table, PlanOptions(half_width=0.3), 0.1)
    assert sizes["canes"].tolist() == [10]
    assert sizes["nodes"].tolist() == [100]
    assert sizes["half_width_pct"].iloc[0] < 30


def test_a_second_round_adds_to_the_first() -> None:
    """Canes cut before count towards the half-width; a block with none and none to come has no half-width."""
    table = pd.DataFrame({"block": ["a", "b"], "vines": [pd.NA, pd.NA], "samples": [10, 0], "nodes": [100, 0]})
    sizes = block_sizes(table, PlanOptions(), 0.2, [6, 0])
    assert sizes["half_width_pct"].iloc[0] == pytest.approx(100 * half_width_of(16, 10, 0.2, 0.9, 0.5))
    assert np.isnan(sizes["half_width_pct"].iloc[1])


@given(st.floats(5, 500), st.integers(1, 15), st.floats(0.0, 1.0), st.one_of(st.just(math.inf), st.integers(2, 10_000)))
def test_half_width_is_the_inverse(simple: float, nodes: int, rho: float, vines: float) -> None:
    """So many canes as are needed give the half-width that was asked for."""
    wanted = norm.ppf(0.95) * math.sqrt(0.25 / simple)
    canes = canes_needed(simple, nodes, rho, vines)
    assert half_width_of(canes, nodes, rho, 0.9, 0.5, vines) == pytest.approx(wanted, rel=1e-6)


def test_simulated_blocks_spread_as_the_formula_says() -> None:
    """Estimates from canes of 60 vines without replacement spread about the block's own share as predicted."""
    rng = np.random.default_rng(3)
    vines, canes, nodes, rho, rounds = 60, 15, 10, 0.2, 4000
    off = np.empty(rounds)
    for k in range(rounds):
        # Beta with mean one half and intraclass correlation rho.
        own = rng.beta(0.5 * (1 / rho - 1), 0.5 * (1 / rho - 1), vines)
        taken = rng.choice(vines, canes, replace=False)
        off[k] = rng.binomial(nodes, own[taken]).mean() / nodes - own.mean()
    predicted = half_width_of(canes, nodes, rho, 0.9, 0.5, vines) / norm.ppf(0.95)
    assert off.std() == pytest.approx(predicted, rel=0.05)
