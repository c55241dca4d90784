"""Points of a lattice inside a shape: those that a lattice over its bounds would give, at a bounded cost."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon, box

from vinemap.plan.places import candidates
from vinemap.reading.inside import lattice_inside


@pytest.mark.parametrize(
    "shape",
    [
        box(500_000, 0, 500_100, 40),
        Polygon([(0, 0), (300, 0), (300, 20), (20, 20), (20, 300), (0, 300)]),
        LineString([(0, 0), (400, 390)]).buffer(3),
        shapely.MultiPolygon([box(0, 0, 10, 10), box(200, 180, 230, 260)]),
    ],
)
def test_the_same_points_as_over_all_of_the_bounds(shape: shapely.Geometry) -> None:
    """Every point of the lattice that shapely says is inside is found, and no other."""
    left, bottom, right, top = shape.bounds
    across, up = (np.arange(np.ceil(side / 1.25)) for side in (right - left, top - bottom))
    xy = np.stack(np.meshgrid(left + 1.25 * (across + 0.3), bottom + 1.25 * (up + 0.6)), axis=-1).reshape(-1, 2)
    wanted = xy[shapely.contains_xy(shape, *xy.T)]
    found = lattice_inside(shape, 1.25, (0.3, 0.6))
    np.testing.assert_allclose(found[np.lexsort(found.T)], wanted[np.lexsort(wanted.T)])


def test_a_thin_block_of_a_hundred_kilometres() -> None:
    """Its bounds would hold 5 billion points a metre apart; its own ground gives some thousands, all along it."""
    shape = LineString([(0, 0), (70_000, 70_000)]).buffer(1)
    xy = lattice_inside(shape, 1.0)
    assert 1000 < len(xy) < 1_000_000
    assert np.ptp(xy, axis=0) == pytest.approx([70_000, 70_000], rel=0.01)


def test_ground_in_which_a_lattice_finds_no_hold() -> None:
    """Places to collect are found on a thread of ground folded over a county."""
    thread = LineString([(50.0 * k, 100_000.0 * (k % 2)) for k in range(200)]).buffer(0.1)
    xy = candidates(thread, 50, np.random.default_rng(1))
    assert len(xy) >= 25
    assert shapely.dwithin(shapely.points(xy), thread, 0.01).all()
