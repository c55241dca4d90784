"""Draws by the local pivotal method: exact inclusion probabilities, fixed size, even spread."""

from __future__ import annotations

import numpy as np
from sklearn.cluster import KMeans

from vinemap.plan.pivotal import best_draw, evened, gap, local_pivotal


def test_every_unit_has_its_probability() -> None:
    """Over many draws each unit comes as often as its inclusion probability says, and each draw has their sum."""
    rng = np.random.default_rng(1)
    space, inclusion = rng.random((12, 2)), np.linspace(0.1, 0.9, 12)
    rounds = 4000
    counts = np.zeros(12)
    for _ in range(rounds):
        drawn = local_pivotal(space, inclusion, rng)
        assert len(drawn) == 6
        counts[drawn] += 1
    error = np.sqrt(inclusion * (1 - inclusion) / rounds)
    assert (np.abs(counts / rounds - inclusion) < 4 * error).all()


def test_sure_and_impossible_units() -> None:
    """A unit of probability 1 always comes, one of 0 never; a sum that is not whole is rounded either way."""
    rng = np.random.default_rng(2)
    space, inclusion = rng.random((6, 2)), np.array([1.0, 0.0, 0.5, 0.5, 0.25, 0.25])
    sizes = set()
    for _ in range(50):
        drawn = local_pivotal(space, inclusion, rng)
        assert 0 in drawn
        assert 1 not in drawn
        sizes.add(len(local_pivotal(space[:5], inclusion[:5], rng)))
    assert sizes == {2, 3}


def test_spread_is_more_even_than_luck() -> None:
    """On 400 units the Voronoi cells of the draws vary less than half as much as those of simple random ones.

    The measure of D. L. Stevens Jr & A. R. Olsen (J. Am. Stat. Assoc. 99 (2004) 262), by which Grafström, Lundström &
    Schelin (Biometrics 68 (2012) 514) compare designs.
    """
    rng = np.random.default_rng(3)
    space, inclusion = rng.random((400, 2)), np.full(400, 0.05)

    def imbalance(drawn: np.ndarray) -> float:
        away = ((space[:, None] - space[None, drawn]) ** 2).sum(axis=2)
        return float(np.var(np.bincount(away.argmin(axis=1), inclusion, len(drawn))))

    ours = np.mean([imbalance(local_pivotal(space, inclusion, rng)) for _ in range(20)])
    random = np.mean([imbalance(rng.choice(400, 20, replace=False)) for _ in range(20)])
    assert ours < random / 2


def test_evening_closes_gaps() -> None:
    """An evened draw has as many units, all different, and a gap near that of scikit-learn's k-means centres."""
    rng = np.random.default_rng(6)
    space, inclusion = rng.random((600, 2)), np.full(600, 1 / 40)
    drawn = local_pivotal(space, inclusion, rng)
    moved = evened(space, drawn)
    assert len(set(moved)) == len(moved) == len(drawn)
    assert gap(space, moved) < gap(space, drawn)
    best = KMeans(len(drawn), n_init=10, random_state=0).fit(space).inertia_
    assert gap(space, moved) < 1.15 * np.sqrt(best / 600)


def test_evening_keeps_a_draw_that_has_no_room() -> None:
    """Where every unit is drawn, or two would fall together, the draw stays as it is."""
    space = np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]])
    assert evened(space, np.array([0, 1, 2])).tolist() == [0, 1, 2]
    assert len(evened(np.zeros((5, 2)), np.array([1, 3]))) == 2


def test_the_best_draw_first_leaves_nothing_out() -> None:
    """A draw that covers what is required is kept before a more even one that does not."""
    rng = np.random.default_rng(4)
    space, inclusion = rng.random((60, 2)), np.full(60, 0.1)
    corner = space.sum(axis=1) < np.quantile(space.sum(axis=1), 0.05)
    drawn = best_draw(space, inclusion, 40, rng, lambda units: int(not corner[units].any()))
    assert corner[drawn].any()
