"""The columns of covariates: evidence beside terrain, standardised where it is known, told where data stand behind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.benchmarks.simulate import EAST, NORTH, Simulated, simulate
from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence, Measured
from vinemap.settings import Settings, Surface
from vinemap.surface.design import Design
from vinemap.surface.effects import effect_sentences
from vinemap.surface.fit import InjuryMap, injury_map
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid

NO_NODES = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])


def _map(case: Simulated, *evidence: Evidence) -> InjuryMap:
    tallies = tally(NO_NODES, case.counts, pd.Series(dtype=int))
    grid = block_grid(case.blocks, 20.0)
    return injury_map(case.samples, case.blocks, tallies, grid, None, Surface(cell_m=20.0), evidence=evidence)


def _truth(case: Simulated) -> Evidence:
    """Return what killed, as something that is known: the true log-odds."""

    def read(xy: Array, block: Array) -> Array:
        row, column = ((NORTH + 600 - xy[:, 1]) / 5).astype(int), ((xy[:, 0] - EAST) / 5).astype(int)
        share = case.truth[np.clip(row, 0, 119), np.clip(column, 0, 119)]
        return np.asarray(np.log(share / (1 - share)))

    return Evidence("layer.cold", "cold", read, "°C")


def _rmse(found: InjuryMap, case: Simulated) -> float:
    truth = case.truth.reshape(30, 4, 30, 4).mean(axis=(1, 3))
    return float(np.sqrt(np.mean((found.grid["primary_injury"].to_numpy() - truth) ** 2)))


def test_evidence_that_says_nothing_changes_no_digit() -> None:
    """What is unknown or the same everywhere leaves the map as it is, bit by bit, and is named."""
    case = simulate("few", 3)
    bare = _map(case)
    blank = Evidence("layer.blank", "blank", lambda xy, block: np.full(len(xy), np.nan))
    same = Evidence("layer.same", "same", lambda xy, block: np.full(len(xy), 7.0))
    found = _map(case, blank, same)
    np.testing.assert_array_equal(found.grid["primary_injury"], bare.grid["primary_injury"])
    pd.testing.assert_frame_equal(found.blocks, bare.blocks)
    assert [one["unknown"] for one in found.model["evidence"]] == [None, None]
    assert bare.model["evidence"] == []


def test_evidence_makes_the_map_better_and_is_told() -> None:
    """Who knows what killed maps it with at most half of the error, and is told so by the figures at both ends."""
    case = simulate("hollow", 5)
    bare, found = _map(case), _map(case, _truth(case))
    assert _rmse(found, case) < 0.5 * _rmse(bare, case)
    (one,) = [one for one in found.model["effects"] if one["of"] == "evidence"]
    assert one["told"]
    assert one["pct"] > one["other_pct"]
    assert found.model["covariates_weighed"]["layer.cold"] > 0.95
    said = [str(line) for line in effect_sentences(found.model, Settings())]
    assert any(line.startswith("Where cold is highest (") for line in said), said


def test_what_has_an_expected_effect_speaks_from_the_first_canes() -> None:
    """Six canes are too few for a covariate of which nothing is expected, not for one whose effect is."""
    case = simulate("hollow", 5)
    few = replace(case, samples=case.samples.iloc[:6])
    bare, vague = _map(few), _map(few, _truth(few))
    np.testing.assert_array_equal(vague.grid["primary_injury"], bare.grid["primary_injury"])
    found = _map(few, replace(_truth(few), mean=1.0, sd=0.3))
    assert found.model["covariates_weighed"]["layer.cold"] > 0.5
    assert _rmse(found, few) < 0.8 * _rmse(bare, few)


def test_unknown_places_count_as_average() -> None:
    """Half of the ground is unknown: the column is 0 there, standardised over the rest, and the share is told."""
    case = simulate("hollow", 5)
    truth = _truth(case)

    def west(xy: Array, block: Array) -> Array:
        return np.where(xy[:, 0] < EAST + 300, truth.read(xy, block), np.nan)

    grid = block_grid(case.blocks, 20.0)
    design = Design.over(case.blocks, grid, None, {}, [replace(truth, read=west)])
    xy = np.array([[EAST + 450.0, NORTH + 100.0], [EAST + 100.0, NORTH + 100.0]])
    rows, _ = design.rows(xy, np.array([2, 0]))
    assert rows[0, -1] == 0.0
    assert rows[1, -1] == pytest.approx((truth.read(xy[1:], xy)[0] - design.known[0].centre) / design.known[0].scale)
    assert design.known[0].unknown == pytest.approx(0.5)


def test_an_effect_without_samples_at_both_ends_is_not_told() -> None:
    """A prior alone makes no finding: with all samples on one side of what is known, no effect of it is told."""
    case = simulate("hollow", 5)
    corner = Evidence(
        "layer.corner", "corner", lambda xy, block: 1.0 * (xy[:, 0] > EAST + 580), ends=(1.0, 0.0), mean=5.0, sd=0.1
    )
    found = _map(case, replace(corner, optional=False))
    (one,) = [one for one in found.model["effects"] if one["of"] == "evidence"]
    assert one["sign_probability"] == 1.0
    assert not one["told"]
    assert (one["here"], one["there"], one["pct"]) == (pytest.approx(1.0), pytest.approx(0.0, abs=1e-9), None)


def test_a_prior_is_per_unit_of_the_figure() -> None:
    """N(1.25, 0.3) per degree, in a column scaled by 2 degrees, is N(2.5, 0.6); a mean wants its own sd."""
    case = simulate("few", 3)
    swing = Evidence("night", "night", lambda xy, block: np.where(xy[:, 0] < EAST + 300, 2.0, -2.0), mean=1.25, sd=0.3)
    design = Design.over(case.blocks, block_grid(case.blocks, 20.0), None, {}, [swing])
    assert design.prior_mean()[-1] == pytest.approx(2.5)
    assert design.prior_sd()[-1] == pytest.approx(0.6)
    with pytest.raises(ValueError, match="standard deviation"):
        Evidence("night", "night", swing.read, mean=1.25)


def test_odds_beforehand_reach_the_covariate_and_what_was_measured() -> None:
    """Evidence that is believed or doubted beforehand is, as a covariate and by its measurements; beside it none is."""
    case = simulate("hollow", 5)
    measured = Measured(np.array([[EAST + 50.0, NORTH + 50.0]]), np.array([-20.0]), np.array([0.4]))
    cold = replace(_truth(case), mean=1.0, sd=0.3, log_odds=-2.0, measured=measured)
    design = Design.over(case.blocks, block_grid(case.blocks, 20.0), None, {}, [cold, replace(_truth(case), name="x")])
    np.testing.assert_array_equal(design.log_odds()[design.first_known :], [-2.0, np.nan])
    readings = design.readings()
    assert readings is not None
    assert readings.log_odds == -2.0
