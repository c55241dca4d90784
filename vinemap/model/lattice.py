"""A regular lattice of points that carries smooth functions of position."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.fft import fft2, next_fast_len
from scipy.ndimage import map_coordinates

from vinemap.arrays import Array

_MOST_POINTS = 1e6
_PADDING = 3


@dataclass(frozen=True)
class Lattice:
    """Points ``left + i step, bottom + j step``; values are arrays (ny, nx) or flat in that order."""

    left: float
    bottom: float
    step: float
    ny: int
    nx: int

    @classmethod
    def over(cls, xy: Array, step: float, most: float = _MOST_POINTS) -> Lattice:
        """Cover points (m, 2) with a margin, with a wider step where the lattice would pass ``most`` points."""
        low, high = xy.min(axis=0), xy.max(axis=0)
        width, height = high - low
        step = max(step, float(np.sqrt(width * height / most)), float(max(width, height) / most))
        nx, ny = (int(np.ceil(side / step)) + 1 + 2 * _PADDING for side in (width, height))
        return cls(float(low[0]) - _PADDING * step, float(low[1]) - _PADDING * step, step, ny, nx)

    @property
    def size(self) -> int:
        """Number of points."""
        return self.ny * self.nx

    def points(self) -> Array:
        """Return the points, shape (ny nx, 2)."""
        x = self.left + self.step * np.arange(self.nx)
        y = self.bottom + self.step * np.arange(self.ny)
        return np.column_stack([np.tile(x, self.ny), np.repeat(y, self.nx)])

    def _position(self, xy: Array) -> Array:
        return np.asarray((xy - (self.left, self.bottom)) / self.step)

    def spline(self, values: Array, xy: Array) -> Array:
        """Interpolate by a cubic spline: values (ny nx,) at the lattice to points (m, 2)."""
        column, row = self._position(xy).T
        return np.asarray(map_coordinates(values.reshape(self.ny, self.nx), [row, column], order=3, mode="mirror"))

    def cubic(self, xy: Array) -> sp.csr_array:
        """Return the matrix (m, ny nx) of cubic convolution to points (m, 2) that the lattice covers.

        References
        ----------
        R. G. Keys, "Cubic convolution interpolation for digital image processing", IEEE Trans. Acoust. Speech Signal
        Process. 29 (1981) 1153, with a = -1/2.
        """
        position = self._position(xy)
        base = np.floor(position).astype(np.int64)
        across, up = (_keys(part) for part in (position - base).T)
        weights = (up[:, :, None] * across[:, None, :]).reshape(len(xy), 16)
        steps = np.arange(-1, 3)
        columns = ((base[:, 1:] + steps) * self.nx)[:, :, None] + (base[:, :1] + steps)[:, None, :]
        pointer = 16 * np.arange(len(xy) + 1)
        return sp.csr_array((weights.ravel(), columns.ravel(), pointer), shape=(len(xy), self.size))

    def spacing_on_torus(self, margin: float) -> Array:
        """Distances (rows, columns) from a corner of a torus that holds the lattice and ``margin`` metres beyond."""
        sides = []
        for count in (self.ny, self.nx):
            length = next_fast_len(count + int(np.ceil(margin / self.step)))
            index = np.arange(length)
            sides.append(self.step * np.minimum(index, length - index))
        return np.hypot(sides[0][:, None], sides[1][None, :])

    def stationary(self, covariance: Array, draws: int, rng: np.random.Generator) -> Array:
        """Draw a stationary Gaussian field by circulant embedding.

        Parameters
        ----------
        covariance : array
            At the distances that `spacing_on_torus` gives.
        draws : int
            How many.
        rng : numpy.random.Generator

        Returns
        -------
        array (ny nx, draws)

        References
        ----------
        C. R. Dietrich & G. N. Newsam, SIAM J. Sci. Comput. 18 (1997) 1088. Negative eigenvalues, which vanish as the
        torus outgrows the range, are set to zero.
        """
        spectrum = np.sqrt(np.maximum(fft2(covariance).real, 0.0) / covariance.size)
        fields = np.empty((self.size, draws))
        for first in range(0, draws, 2):
            noise = rng.standard_normal(spectrum.shape) + 1j * rng.standard_normal(spectrum.shape)
            # Real and imaginary part of one transform are two independent fields.
            pair = fft2(spectrum * noise)[: self.ny, : self.nx].ravel()
            fields[:, first] = pair.real
            if first + 1 < draws:
                fields[:, first + 1] = pair.imag
        return fields


def _keys(fraction: Array) -> Array:
    """Weights (m, 4) of the four lattice points around a position, by its fraction of a step past the second."""
    t = fraction[:, None]
    first = ((-0.5 * t + 1) * t - 0.5) * t
    second = (1.5 * t - 2.5) * t * t + 1
    third = ((-1.5 * t + 2) * t + 0.5) * t
    return np.hstack([first, second, third, 1 - first - second - third])
