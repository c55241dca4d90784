"""Earlier freezes as evidence: log-odds out of their intervals, the surer map counting more, unknown ground left so."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import xarray as xr
from scipy.special import expit, logit
from scipy.stats import norm

from tests.builders import CRS, EAST, NORTH
from vinemap.evidence.winters import Winter, log_odds, mean_injury, winter_evidence

BOUNDS = (EAST, NORTH, EAST + 200.0, NORTH + 100.0)
NONE = np.zeros(0, int)
WEST, MIDDLE, OUTSIDE = [EAST + 20, NORTH + 50], [EAST + 100, NORTH + 50], [EAST + 500, NORTH + 50]


def _winter(mean: np.ndarray, sd: np.ndarray) -> Winter:
    """Return a surface over the ground in cells of 10 m whose log-odds have these moments, a value a column."""
    tail = norm.ppf(0.95)
    shares = {"injury": expit(mean), "low": expit(mean - tail * sd), "high": expit(mean + tail * sd)}
    grids = {f"primary_{name}": (("y", "x"), np.tile(row, (10, 1)).astype("float32")) for name, row in shares.items()}
    x, y = EAST + 10 * (np.arange(20) + 0.5), NORTH + 100 - 10 * (np.arange(10) + 0.5)
    return Winter("2024-01-20", xr.Dataset(grids, coords={"y": y, "x": x}).rio.write_crs(CRS))


def test_log_odds_come_out_of_the_interval() -> None:
    """What went in as mean and standard deviation comes back out of the 5 % and 95 % quantiles."""
    mean, sd = np.linspace(-3, 3, 20), np.linspace(0.2, 1.0, 20)
    found = log_odds(_winter(mean, sd).surface)
    np.testing.assert_allclose(found[0][0], mean, atol=1e-3)
    np.testing.assert_allclose(found[1][0], sd, atol=1e-3)


def test_one_freeze_is_its_log_odds_less_their_mean() -> None:
    """Two units higher on the east than on the west stay two units, whatever the level of that night."""
    mean = np.repeat([-1.0, 1.0], 10) + 0.7
    evidence = winter_evidence([_winter(mean, np.full(20, 0.3))], pyproj.CRS(CRS), BOUNDS, 10.0)
    east = [EAST + 180, NORTH + 50]
    found = evidence.read(np.array([WEST, east, OUTSIDE]), NONE)
    np.testing.assert_allclose(found[:2], [-1.0, 1.0], atol=1e-3)
    assert np.isnan(found[2])
    assert (evidence.mean, evidence.sd) == (0.8, 0.3)


def test_the_surer_map_counts_more() -> None:
    """By hand at the west end: +1 with trust 1/(1 + 0.25) and -1 with trust 1/(1 + 4) give (0.8 - 0.2) / 1."""
    cold = np.repeat([1.0, -1.0], 10)
    sure, vague = _winter(cold, np.full(20, 0.5)), _winter(-cold, np.full(20, 2.0))
    evidence = winter_evidence([sure, vague], pyproj.CRS(CRS), BOUNDS, 10.0)
    assert evidence.read(np.array([WEST]), NONE)[0] == pytest.approx(0.6, abs=1e-3)


def test_ground_that_one_freeze_knows_is_known() -> None:
    """Where one of two runs has no map, the other speaks alone."""
    cold = np.repeat([1.0, -1.0], 10)
    half = _winter(np.where(np.arange(20) < 10, np.nan, -cold), np.full(20, 0.5))
    evidence = winter_evidence([_winter(cold, np.full(20, 0.5)), half], pyproj.CRS(CRS), BOUNDS, 10.0)
    assert evidence.read(np.array([WEST]), NONE)[0] == pytest.approx(1.0, abs=1e-3)


def test_the_edge_of_a_block_is_known_one_cell_beyond_the_earlier_map() -> None:
    """An earlier map has no cell whose centre lies outside the blocks: one cell on it speaks, two cells on not."""
    cold = np.where(np.arange(20) < 15, np.repeat([1.0, -1.0], 10), np.nan)  # its last cell ends at 150 m
    evidence = winter_evidence([_winter(cold, np.full(20, 0.5))], pyproj.CRS(CRS), BOUNDS, 10.0)
    found = evidence.read(np.array([[EAST + east, NORTH + 50] for east in (148, 155, 165)]), NONE)
    assert found[1] == pytest.approx(found[0])
    assert np.isnan(found[2])


def test_the_mean_of_earlier_freezes_is_over_those_that_know_the_ground() -> None:
    """By hand: 20 and 60 % are 40 % in the west; one run alone knows the east; outside blocks there is nothing."""
    west, both = (
        np.where(np.arange(20) < 10, value, rest) for value, rest in ((logit(0.2), np.nan), (logit(0.6), 0.0))
    )
    winters = [_winter(west, np.full(20, 0.5)), _winter(both, np.full(20, 0.5))]
    index = np.where(np.arange(10)[:, None] < 2, -1, np.zeros((10, 20), int))
    grid = winters[0].surface.assign(block_index=(("y", "x"), index))
    found = mean_injury(winters, grid)
    assert np.isnan(found[:2]).all()
    np.testing.assert_allclose(found[2:, 1:8], 0.4, atol=1e-6)
    np.testing.assert_allclose(found[2:, 13:19], 0.5, atol=1e-6)
