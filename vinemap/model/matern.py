"""The Matérn correlation of smoothness 3/2, and how it changes with its length scale.

Rasmussen & Williams 2006, eq. 4.17: (1 + √3 d/ℓ) exp(-√3 d/ℓ).
"""

from __future__ import annotations

import numpy as np

from vinemap.arrays import Array, cachefuls

_ROOT = np.sqrt(3.0)


def matern32(distance: Array, length: float) -> Array:
    """Matérn correlation of smoothness 3/2.

    Parameters
    ----------
    distance : array (n, m)
        Distances in metres.
    length : float
        Length scale ℓ in metres.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.model.matern import matern32
    >>> matern32(np.array([[0.0, 100.0]]), length=100.0).round(4).tolist()
    [[1.0, 0.4834]]
    """
    correlation = np.empty_like(distance)
    for rows in cachefuls(distance):
        part = np.multiply(distance[rows], -_ROOT / length, out=correlation[rows])
        decay = np.exp(part)
        np.subtract(1.0, part, out=part)
        part *= decay
    return correlation


def matern32_by_length(distance: Array, length: float) -> Array:
    """Return the derivative of `matern32` by log ℓ, shape (n, m): 3 (d/ℓ)² exp(-√3 d/ℓ)."""
    derivative = np.empty_like(distance)
    for rows in cachefuls(distance):
        part = np.multiply(distance[rows], -_ROOT / length, out=derivative[rows])
        decay = np.exp(part)
        part *= part
        part *= decay
    return derivative
