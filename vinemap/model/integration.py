"""The covariance parameters integrated: a design of points around the modes of the models, each with its weight."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from vinemap.arrays import Array
from vinemap.model.hyperparameters import NEARLY_NORMAL, Counts, Mode

_INTEGRATED = 0.4


def weighted_design(counts: Counts, modes: list[Mode]) -> list[tuple[Mode, float]]:
    """Return modes and the points around them, each with its weight: a composite design, or its axial part alone.

    The models that hold two fifths of the weight are integrated; the others stand at their mode, for many models
    of little weight each tell more together than one of them integrated.
    """
    peak = max(mode.log_posterior for mode in modes)
    modes = sorted(modes, key=lambda mode: -mode.log_posterior)
    at_mode = np.exp([mode.log_posterior - peak for mode in modes])
    integrated = int(np.searchsorted(np.cumsum(at_mode), _INTEGRATED * at_mode.sum())) + 1
    weighted = [
        [(point, float(share * np.exp(point.log_posterior - peak))) for point, share in _around(counts, mode)]
        for mode in modes[:integrated]
    ]
    # A model's posterior has about as much mass, for its height, as those of the models that hold most of it.
    mass = sum(weight for points in weighted for _, weight in points) / at_mode[:integrated].sum()
    rest = zip(modes[integrated:], mass * at_mode[integrated:], strict=True)
    return [*itertools.chain(*weighted), *((mode, float(weight)) for mode, weight in rest)]


def _around(counts: Counts, mode: Mode) -> Iterator[tuple[Mode, float]]:
    """Yield the points of the design around one mode, each with the volume that it stands for."""
    yield mode, 1.0
    own = replace(counts, smoothness=mode.smoothness, slope=mode.slope)
    low, high = counts.limits().T
    stretch = 1.1
    radius = stretch * np.sqrt(3)
    # With this weight the design gives a normal posterior its total mass and its variance exactly.
    directions = _axial_directions() if len(counts) > NEARLY_NORMAL else _composite_directions()
    sphere = float(np.exp(radius**2 / 2) / (len(directions) * (stretch**2 - 1)))
    axes = own.axes(mode)
    for direction in directions:
        theta = np.clip(mode.theta + axes @ (radius * direction), low, high)
        yield own.at(theta, mode.variance, mode.log_prior, mode.fit), sphere


def _axial_directions() -> Array:
    """Return the 6 axial directions of a central composite design in three dimensions."""
    return np.vstack([np.eye(3), -np.eye(3)])


def _composite_directions() -> Array:
    """Return its 8 factorial directions too."""
    factorial = np.array(list(itertools.product((-1.0, 1.0), repeat=3))) / np.sqrt(3)
    return np.vstack([_axial_directions(), factorial])
