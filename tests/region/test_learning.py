"""Vineyards teach each other: as far as they agree, none itself, and nobody is told of anybody."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from statsmodels.stats.meta_analysis import combine_effects

from vinemap.errors import InputError
from vinemap.evidence.region_prior import RegionPrior, read_prior
from vinemap.model.hyperparameters import Priors
from vinemap.region.learning import Teacher, _covariance, _over_models, _Terrain, learnt_from, prior_of
from vinemap.settings import RegionSettings
from vinemap.surface.lesson import Lesson

LOW, NORTH = "height_above_low_m", "northness"


def teacher(
    number: int, low: float | None, *, sd: float = 0.05, varieties: tuple[str, ...] = (), effect: float = 0.0
) -> Teacher:
    """A vineyard that knows its effect per metre to a standard deviation, and its varieties' to 0.1; or nothing."""
    size = len(varieties) + 2
    precision, pull = np.zeros((size, size)), np.zeros(size)
    precision[range(len(varieties)), range(len(varieties))] = 100.0
    pull[: len(varieties)] = 100.0 * effect
    if low is not None:
        precision[-2, -2], pull[-2] = sd**-2, low / sd**2
        precision[-1, -1] = 100.0
    lesson = Lesson([LOW, NORTH], np.array([4.0, 0.1]), list(varieties), precision, pull, np.eye(3), np.zeros(3))
    return Teacher(f"grower {number}", lesson)


def region(count: int, spread: float = 0.03, **more: object) -> dict[str, Teacher]:
    """Vineyards whose injury falls by 0.2 logits a metre, give or take."""
    low = np.random.default_rng(1).normal(-0.2, spread, count)
    return {f"v{k}": teacher(k, value, **more) for k, value in enumerate(low)}


def test_averages_over_models_are_those_of_the_densities() -> None:
    """Over all sets of two of three statistics, by multivariate normal densities of SciPy."""
    rng = np.random.default_rng(5)
    root = rng.standard_normal((4, 3, 3))
    L, e = root @ np.swapaxes(root, 1, 2) + 0.5 * np.eye(3), rng.standard_normal((4, 3)) * 2
    terrain = _Terrain(np.array([0.5, -0.2, 0.0]), np.array([0.3, 1.0, 0.6]), np.array([0.4, 0.1, 0.2]))
    weight, mean, square = _over_models(L, e, terrain)
    for k in range(4):
        estimate, error = np.linalg.solve(L[k], e[k]), np.linalg.inv(L[k])
        shares, means, squares = [], [], []
        for chosen in (set(c) for size in range(3) for c in itertools.combinations(range(3), size)):
            held = np.array([j in chosen for j in range(3)])
            prior, spread = terrain.mean * held, np.diag(terrain.variance * held)
            odds = np.prod(np.where(held, terrain.probability, 1 - terrain.probability))
            shares.append(odds * multivariate_normal(prior, spread + error).pdf(estimate))
            gain = spread @ np.linalg.inv(spread + error)
            means.append(prior + gain @ (estimate - prior))
            squares.append(spread - gain @ spread + np.outer(means[-1], means[-1]))
            means[-1] = np.append(means[-1], held)
        found = np.average(means, axis=0, weights=shares)
        assert mean[k] == pytest.approx(found[:3])
        assert weight[k] == pytest.approx(found[3:])
        assert square[k] == pytest.approx(np.average(squares, axis=0, weights=shares))


def test_spreads_are_those_of_a_random_effects_meta_analysis() -> None:
    """Of 300 vineyards, mean and spread are statsmodels' iterated estimates (Paule & Mandel 1982)."""
    rng = np.random.default_rng(2)
    error, usual = rng.uniform(0.2, 0.6, (300, 3)), Priors().log_mean()
    seen = usual + rng.normal(0, 0.5, (300, 3)) + error * rng.standard_normal((300, 3))
    lessons = [
        Lesson([], np.empty(0), [], np.empty((0, 0)), np.empty(0), np.diag(w), w * y)
        for w, y in zip(error**-2.0, seen, strict=True)
    ]
    found = _covariance(lessons)
    for k, one in enumerate((found.log_length_m, found.log_field_sd, found.log_vine_sd)):
        peer = combine_effects(seen[:, k], error[:, k] ** 2, method_re="iterated")
        assert one.mean == pytest.approx(peer.mean_effect_re, abs=0.02)
        assert one.sd == pytest.approx(np.sqrt(peer.tau2), rel=0.1)


def test_vineyards_that_agree_teach_more_than_those_that_do_not() -> None:
    """The effect's mean is theirs; its spread is near theirs where they agree, and wide where they do not."""
    agreed, apart = (prior_of(list(region(30, spread).values())).terrain[LOW] for spread in (0.02, 0.3))
    assert agreed.mean == pytest.approx(-0.2, abs=0.02)
    assert agreed.probability > 0.8
    assert agreed.sd < 0.1
    assert apart.sd == pytest.approx(0.3, rel=0.25)


def test_nothing_is_learnt_from_those_that_know_nothing() -> None:
    """Means stay where a vineyard alone begins, at one a standard deviation of the ground; six that agree teach less
    than thirty."""
    prior = prior_of([teacher(k, None, varieties=("Riesling",)) for k in range(12)])
    assert prior.terrain[LOW].mean == 0.0
    assert prior.terrain[LOW].probability < 0.15
    assert prior.terrain[LOW].sd == pytest.approx(1 / 4.0, rel=0.05)
    few, many = (prior_of(list(region(count).values())).terrain[LOW] for count in (6, 30))
    assert few.sd > 1.5 * many.sd
    assert prior_of(list(region(4).values())) is None


def test_no_vineyard_teaches_itself() -> None:
    """What each borrows is the same whatever its own canes say, and not what all teach."""
    teachers = region(23, varieties=("Riesling",))
    learnt = learnt_from(teachers, RegionSettings())
    other = learnt_from(teachers | {"v3": teacher(3, 5.0, varieties=("Riesling",), effect=4.0)}, RegionSettings())
    assert learnt.text_for("v3") == other.text_for("v3") != ""
    assert learnt.text_for("v4") != other.text_for("v4")
    assert learnt.text_for("v3") != learnt.whole.to_json() == learnt.text_for("one that did not teach")
    assert learnt.each["v3"].vineyards < 23


def test_nobody_is_told_of_anybody() -> None:
    """A variety of two growers is in no prior; where all vineyards are two growers', no file is for everybody."""
    teachers = region(12, varieties=("Riesling",))
    rare = {f"r{k}": teacher(k % 2, -0.2, varieties=("Norton",)) for k in range(6)}
    learnt = learnt_from(teachers | rare, RegionSettings())
    assert set(learnt.shown.varieties) == {"Riesling"}
    assert all("Norton" not in learnt.text_for(name) and "grower" not in learnt.text_for(name) for name in teachers)
    assert set(json.loads(learnt.shown.to_json())) == {
        *("format", "version", "vineyards", "terrain", "varieties", "covariance")
    }
    assert learnt_from(rare, RegionSettings()).shown is None


def test_a_file_that_is_no_prior_is_refused(tmp_path: Path) -> None:
    """Another version, a spread of nought, an unknown statistic, no JSON: each is named with what to do."""
    path, whole = tmp_path / "prior.json", prior_of(list(region(8).values()))
    path.write_text(whole.to_json(), encoding="utf-8")
    assert read_prior(path) == RegionPrior.model_validate_json(whole.to_json())
    given = json.loads(whole.to_json())
    low = given["terrain"].pop(LOW)
    for wrong, where in (
        (given | {"version": 2}, "version"),
        (given | {"terrain": {LOW: low | {"sd": 0}}}, f"terrain.{LOW}.sd"),
        (given | {"terrain": {"moonlight": low}}, "moonlight"),
        ([], ""),
    ):
        path.write_text(json.dumps(wrong), encoding="utf-8")
        with pytest.raises(InputError, match=r"vinemap region") as error:
            read_prior(path)
        assert where in str(error.value)
    with pytest.raises(InputError, match="cannot be read"):
        read_prior(tmp_path / "none.json")
