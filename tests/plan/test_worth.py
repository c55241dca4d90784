"""What more would be worth: against the arcsine law, against brute force, and never less than nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from tests.builders import write_elevation, write_vineyard
from vinemap.plan.options import PlanOptions
from vinemap.plan.overview import worth
from vinemap.plan.run import plan_round
from vinemap.plan.worth import Belief, Gain, Worth, rightly_judged, worth_before
from vinemap.reading.vineyard import read_site
from vinemap.terrain.layers import terrain_layers


def test_two_places_by_hand() -> None:
    """Of two places at even odds, a cane at the first: orthant probabilities of the bivariate normal give each share.

    W. F. Sheppard, Phil. Trans. R. Soc. A 192 (1899) 101 (from memory): two normal figures of correlation r have one
    sign with probability 1/2 + arcsin(r) / π. Truth and updated mean have r² = variance taken away / variance.
    """
    covariance = np.array([[1.0, 0.6], [0.6, 1.0]])
    belief = Belief(np.zeros(2), covariance)
    at, noise = np.array([0]), np.array([0.5])
    pull = belief.pull(at, noise)
    assert pull[:, 0] == pytest.approx([1 / 1.5, 0.6 / 1.5])
    assert np.diag(covariance - pull @ covariance[at]) == pytest.approx([1 - 1 / 1.5, 1 - 0.36 / 1.5])
    right = 0.5 + np.arcsin(np.sqrt([1 / 1.5, 0.36 / 1.5])) / np.pi
    assert rightly_judged(belief, belief, at, noise, 0.0) == pytest.approx(right, abs=1e-12)
    sure = rightly_judged(belief, belief, at[:0], noise[:0], 1.0)
    assert sure == pytest.approx(norm.cdf([1.0, 1.0])), "with nothing read the mean alone is right as often as that"


def test_the_expected_share_is_what_brute_force_finds() -> None:
    """Half a million truths, read and judged: the share that is judged rightly is the formula's, with any mean."""
    rng = np.random.default_rng(3)
    spread = rng.standard_normal((4, 4))
    covariance = spread @ spread.T
    belief = Belief(np.array([0.4, -1.2, 0.0, 2.5]), covariance)
    at, noise = np.array([1, 3]), np.array([0.7, 1.3])
    # Read by one who takes the places for independent, too.
    for judge in (belief, Belief(belief.mean, np.diag(np.diag(covariance)))):
        pull = judge.pull(at, noise)
        truth = belief.mean + rng.standard_normal((500_000, 4)) @ np.linalg.cholesky(covariance).T
        read = truth[:, at] + np.sqrt(noise) * rng.standard_normal((500_000, 2))
        updated = belief.mean + (read - belief.mean[at]) @ pull.T
        counted = ((updated > 0.3) == (truth > 0.3)).mean(axis=0)
        assert rightly_judged(judge, belief, at, noise, 0.3) == pytest.approx(counted, abs=0.003)


def gains(found: Worth) -> dict[str, Gain]:
    return {one.of: one for one in found.gains}


@pytest.fixture
def bare(folder: Path) -> Path:
    """Three blocks before their survey, without a grid of heights."""
    for name in ("samples.csv", "buds.csv"):
        (folder / name).unlink()
    return folder


def test_more_is_never_worth_less_than_nothing(bare: Path) -> None:
    """Few canes leave more to gain than many; each addition's expectation is above 0 and within its bounds."""
    site = read_site(bare)
    shapes = site.blocks.geometry
    points = [shapes.sample_points(count, rng=1).explode().get_coordinates().to_numpy() for count in (2, 15)]
    few, many = (gains(worth_before(site, None, None, xy, 0.5, 10, 1)) for xy in points)
    assert few["canes"].gain_ha > many["canes"].gain_ha > 0
    for found in (few, many):
        assert set(found) == {"canes", "loggers", "heights"}
        assert found["loggers"].count == 3
        for one in found.values():
            assert one.gain_ha > -0.01
            assert one.low_ha < one.high_ha
            assert one.low_ha <= one.gain_ha <= one.high_ha


def test_a_grid_that_is_there_is_worth_nothing_more(bare: Path) -> None:
    """With heights, they are no addition, and the share judged rightly is a share."""
    write_elevation(bare / "elevation.tif")
    site = read_site(bare)
    assert site.elevation is not None
    terrain = terrain_layers(site.elevation, site.crs, tuple(site.blocks.total_bounds))
    points = site.blocks.representative_point().get_coordinates().to_numpy()
    found = worth_before(site, terrain, None, points, 0.5, 10, 1)
    assert set(gains(found)) == {"canes", "loggers"}
    assert 0.5 < found.right < 1.0


def test_the_plan_says_it_and_on_what_it_rests(bare: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A first plan tells of canes, loggers, heights, and that the model alone is behind it; six samples are too few."""
    said = [str(line) for line in worth(plan_round(bare, PlanOptions(half_width=0.3, least_canes=3)))]
    assert any(line.startswith("10 canes more are worth ") for line in said)
    assert any(line.startswith("3 temperature loggers more, had they hung that night, ") for line in said)
    assert any("`vinemap elevation`" in line for line in said)
    assert said[-1].startswith("These figures rest on the model alone")
    surveyed = write_vineyard(tmp_path_factory.mktemp("surveyed"))
    again = plan_round(surveyed, PlanOptions(points=1))
    assert again.worth is None
    assert [str(line) for line in worth(again)] == ["Too few canes are cut to tell what more would be worth."]
