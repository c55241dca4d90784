"""The second round: beliefs updated as a Gaussian process is, and points where the decision is open."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, ndtr
from shapely import box
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF

from vinemap.plan.second import fit_posterior, next_points
from vinemap.settings import Settings
from vinemap.surface.undecided import Posterior
from vinemap.survival.tally import tally

EAST, NORTH = 500_000.0, 4_700_000.0
CRS = "EPSG:32618"


def posterior_on(side: int, noise: float = 0.2) -> Posterior:
    """A posterior on a square grid of 300 m whose mean crosses the threshold along the line x = 150."""
    steps = (np.arange(side) + 0.5) * 300 / side
    xy = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    covariance = 0.8 * RBF(60.0)(xy) + 1e-9 * np.eye(len(xy))
    return Posterior(
        xy + np.array([EAST, NORTH]), np.zeros(len(xy), int), (xy[:, 0] - 150) / 60, covariance, noise, 0.0
    )


def test_one_more_cane_narrows_the_belief_as_kriging_does() -> None:
    """The covariance after three canes equals that of scikit-learn's Gaussian process given noisy values there."""
    posterior = posterior_on(8)
    places = [3, 20, 50]
    now = posterior
    for place in places:
        now = now.seen(place)
    process = GaussianProcessRegressor(0.8**0.5 * RBF(60.0) * 0.8**0.5, alpha=posterior.noise, optimizer=None)
    xy = posterior.xy - (EAST, NORTH)
    process.fit(xy[places], np.zeros(3))
    _, theirs = process.predict(xy, return_cov=True)
    assert now.covariance == pytest.approx(theirs, abs=1e-6)


def test_points_lie_where_the_decision_is_open() -> None:
    """The new points lie along the line where injury crosses the threshold, not at the sure ends."""
    posterior = posterior_on(15)
    blocks = gpd.GeoDataFrame({"block": ["a"]}, geometry=[box(EAST, NORTH, EAST + 300, NORTH + 300)], crs=CRS)
    found = next_points(posterior, blocks, None, [None], 8.0, 6)
    assert (np.abs(found.points["x"] - EAST - 150) < 45).all()
    assert np.ptp(found.points["y"]) > 150
    assert found.points["probability_pct"].between(15, 85).all()
    assert found.after_ha < found.misclassified_ha < 9.0


def test_the_expected_gain_is_what_simulated_canes_bring() -> None:
    """Truths drawn from the posterior, which canes read there update: ground misclassified falls as predicted."""
    posterior = posterior_on(12)
    blocks = gpd.GeoDataFrame({"block": ["a"]}, geometry=[box(EAST, NORTH, EAST + 300, NORTH + 300)], crs=CRS)
    found = next_points(posterior, blocks, None, [None], 8.0, 5)
    at = [int(np.hypot(*(posterior.xy - place).T).argmin()) for place in found.points[["x", "y"]].to_numpy()]
    rng = np.random.default_rng(2)
    truths = rng.multivariate_normal(posterior.mean, posterior.covariance, 4000)
    read = truths[:, at] + rng.normal(0, np.sqrt(posterior.noise), (4000, len(at)))
    gain = np.linalg.solve(
        posterior.covariance[np.ix_(at, at)] + posterior.noise * np.eye(len(at)), posterior.covariance[at]
    ).T
    updated = posterior.mean + (read - posterior.mean[at]) @ gain.T
    before = 9 * np.mean((truths > 0) != (posterior.mean > 0))
    after = 9 * np.mean((truths > 0) != (updated > 0))
    assert found.misclassified_ha == pytest.approx(before, rel=0.05)
    assert found.after_ha == pytest.approx(after, rel=0.05)


def test_as_many_points_as_halve_the_risk_or_forty() -> None:
    """With no number given, points stop when the misclassified ground is halved."""
    posterior = posterior_on(10, noise=0.01)
    blocks = gpd.GeoDataFrame({"block": ["a"]}, geometry=[box(EAST, NORTH, EAST + 300, NORTH + 300)], crs=CRS)
    found = next_points(posterior, blocks, None, [None], 8.0, None)
    assert len(found.points) < 40
    assert found.after_ha <= found.misclassified_ha / 2
    one_fewer = next_points(posterior, blocks, None, [None], 8.0, len(found.points) - 1)
    assert one_fewer.after_ha > found.misclassified_ha / 2


def test_a_survey_gives_the_posterior() -> None:
    """From 30 samples along a gradient the posterior rises with it, is surer near samples, and knows both sides."""
    rng = np.random.default_rng(4)
    xy = rng.uniform(10, 190, (30, 2))
    dead = rng.binomial(20, expit((xy[:, 0] - 100) / 30))
    names = [f"s{k}" for k in range(30)]
    shape = box(EAST, NORTH, EAST + 200, NORTH + 200)
    blocks = gpd.GeoDataFrame({"block": ["a"], "variety": ["v"]}, geometry=[shape], crs=CRS)
    points = gpd.points_from_xy(EAST + xy[:, 0], NORTH + xy[:, 1])
    samples = gpd.GeoDataFrame({"sample": names, "block": "a"}, geometry=points, crs=CRS)
    counts = pd.DataFrame({"sample": names, "part": "all", "nodes": 20, "primary_dead": dead})
    counts = counts.assign(secondary_dead=np.nan, tertiary_dead=np.nan)
    nodes = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])
    tallies = tally(nodes, counts, pd.Series(dtype=int))
    posterior = fit_posterior(samples, blocks, tallies, None, Settings(), 10)
    east = posterior.xy[:, 0] - EAST
    assert np.corrcoef(east, posterior.mean)[0, 1] > 0.9
    assert posterior.probability[east < 40].mean() < 0.1
    assert posterior.probability[east > 160].mean() > 0.9
    assert posterior.noise > 1 / (0.25 * 10) * 0.9
    sd = np.sqrt(np.diag(posterior.covariance))
    assert posterior.probability == pytest.approx(ndtr(posterior.mean / sd))
    eigenvalues = np.linalg.eigvalsh(posterior.covariance)
    assert eigenvalues[0] > -0.01 * eigenvalues[-1]
