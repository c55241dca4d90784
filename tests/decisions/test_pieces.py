"""Pieces of a block: what a small one is joined to, and where the block's outline cuts."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from shapely.geometry import Polygon, box

from vinemap.decisions.pieces import borders, outlines, piece_sizes, widest_neighbour

METRES = Affine(1, 0, 0, 0, -1, 20)
"""Cells of 1 m, 20 of them from south to north."""


def neighbours(label: np.ndarray) -> list[int]:
    """The piece that each piece would be joined to."""
    return widest_neighbour(*borders(label), piece_sizes(label, np.ones(label.shape, bool))).tolist()


def test_the_longest_border_comes_before_the_size() -> None:
    """Piece 2 has 6 m of border with the small piece 1, and 2 m with the much larger piece 0: it belongs to 1."""
    label = np.zeros((20, 20), np.int32)
    label[8:12, 10:14] = 1
    label[9:11, 10:12] = 2
    assert neighbours(label)[2] == 1
    assert neighbours(label.max() - label)[0] == 1  # however they are numbered


@pytest.mark.parametrize("larger", [0, 2])
def test_of_equal_borders_the_larger_neighbour_takes_a_piece(larger: int) -> None:
    """A strip between two pieces, as long on either side, goes to the larger one, however they are numbered."""
    label = np.where(np.arange(20) < 11, larger, 2 - larger).astype(np.int32) * np.ones((20, 1), np.int32)
    label[:, 11] = 1
    assert neighbours(label)[1] == larger


def cut_off(area: float) -> Polygon:
    """A block of 20 m by 20 m with a slot around a part of so many square metres in the west half, open to the east."""
    slot = box(9 - area, 15, 10, 18).difference(box(10 - area, 16, 10, 17))
    return box(0, 0, 20, 20).difference(slot)


@pytest.mark.parametrize(("area", "owner"), [(3.9, 1), (4.0, 0)])
def test_the_outline_s_slivers_go_to_their_neighbour(area: float, owner: int) -> None:
    """What the outline cuts off its piece goes to the piece beside it where it is under four cells."""
    label = np.where(np.arange(20) < 10, 0, 1).astype(np.int32) * np.ones((20, 1), np.int32)
    block = cut_off(area)
    ground = outlines(label, METRES, block)
    moved = area if owner == 1 else 0.0
    assert ground[1].area == pytest.approx(200 + moved, abs=1e-9)
    assert ground[0].area == pytest.approx(block.area - 200 - moved, abs=1e-9)


def test_a_piece_that_is_all_sliver_stays_its_own() -> None:
    """A piece of three cells is not given away by the outline: nothing else of it is left."""
    label = np.zeros((20, 20), np.int32)
    label[5, 5:8] = 1
    assert outlines(label, METRES, box(0, 0, 20, 20))[1].area > 0


def test_a_sliver_goes_where_its_border_is_longest() -> None:
    """Two cells cut off in the corner of two other pieces: 2 m of border with one, 1 m with the other."""
    label = np.zeros((20, 20), np.int32)
    label[:, 10:] = 1
    label[:5, :] = 2  # y from 15 m up
    slot = box(7, 13, 10, 14).union(box(7, 13, 8, 15))  # leaves x 8 to 10, y 14 to 15, to the west piece
    ground = outlines(label, METRES, box(0, 0, 20, 20).difference(slot))
    assert ground[2].area == pytest.approx(100 + 2, abs=1e-9)
    assert ground[1].area == pytest.approx(150, abs=1e-9)
