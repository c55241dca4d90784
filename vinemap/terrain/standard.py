"""Terrain statistics as covariates on one scale: which of them vary over a vineyard, and by how much."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import xarray as xr

from vinemap.arrays import Array
from vinemap.terrain.grid import read_layers
from vinemap.terrain.layers import COVARIATES, Covariate

# As far apart as two heights of level ground may be, each 0.1 m off: 1.96 √2 × 0.1 m. A root mean square of 0.1 m is
# what the USGS Lidar Base Specification asks of quality level 2 (from memory).
LEAST_RELIEF_M = 0.3


class Standard(NamedTuple):
    """What standardises terrain statistics over a vineyard's ground.

    Attributes
    ----------
    covariates : tuple of Covariate
        Those that vary; none where heights differ by less than `LEAST_RELIEF_M`.
    centre, scale : array
        Mean and standard deviation of each.
    relief_m : float
        From the lowest to the highest ground.
    """

    covariates: tuple[Covariate, ...]
    centre: Array
    scale: Array
    relief_m: float


def standard_over(terrain: xr.Dataset, xy: Array) -> Standard:
    """Return what standardises the layers of `vinemap.terrain.layers.terrain_layers` over places (m, 2)."""
    values = read_layers(terrain, [covariate.name for covariate in COVARIATES], xy)
    relief = float(np.ptp(read_layers(terrain, ["elevation_m"], xy)))
    sd = values.std(axis=0)
    varies = (sd > 1e-6) & (relief >= LEAST_RELIEF_M)
    return Standard(tuple(itertools.compress(COVARIATES, varies)), values.mean(axis=0)[varies], sd[varies], relief)
