"""The Matérn correlations of smoothness 3/2 and 5/2, and how they change with their length scale.

Rasmussen & Williams 2006, eq. 4.17: (1 + √3 d/ℓ) exp(-√3 d/ℓ) and (1 + √5 d/ℓ + 5 d²/3ℓ²) exp(-√5 d/ℓ).
"""

from __future__ import annotations

import numpy as np

from vinemap.arrays import Array, cachefuls

_ROOT = np.sqrt(3.0)
_ROOT_5 = np.sqrt(5.0)


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


def matern52(distance: Array, length: float) -> Array:
    """Matérn correlation of smoothness 5/2, arguments as for `matern32`."""
    correlation = np.empty_like(distance)
    for rows in cachefuls(distance):
        part = np.multiply(distance[rows], _ROOT_5 / length, out=correlation[rows])
        decay = np.exp(-part)
        polynomial = part / 3
        polynomial += 1.0
        part *= polynomial
        part += 1.0
        part *= decay
    return correlation


def matern52_by_length(distance: Array, length: float) -> Array:
    """Return the derivative of `matern52` by log ℓ, shape (n, m): s² (1 + s) exp(-s) / 3 with s = √5 d/ℓ."""
    derivative = np.empty_like(distance)
    for rows in cachefuls(distance):
        part = np.multiply(distance[rows], _ROOT_5 / length, out=derivative[rows])
        decay = np.exp(-part)
        decay *= 1.0 + part
        part *= part
        part *= decay
        part /= 3
    return derivative


def matern(distance: Array, length: float, smoothness: float) -> Array:
    """Matérn correlation of smoothness `ROUGH` or `SMOOTH`."""
    return _CORRELATIONS[smoothness](distance, length)


def matern_by_length(distance: Array, length: float, smoothness: float) -> Array:
    """Return its derivative by log ℓ."""
    return _DERIVATIVES[smoothness](distance, length)


ROUGH, SMOOTH = 1.5, 2.5
_CORRELATIONS = {ROUGH: matern32, SMOOTH: matern52}
_DERIVATIVES = {ROUGH: matern32_by_length, SMOOTH: matern52_by_length}
