"""Earlier freezes on the same ground as evidence: where it froze before, it may freeze again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from pyproj import CRS
from scipy.special import logit, ndtri

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence, Reader
from vinemap.evidence.gridded import metric, reader
from vinemap.sentences import Sentence
from vinemap.terrain.grid import cell_size
from vinemap.terrain.sparse import BlockCells

_TAIL = float(ndtri(0.95))
# Surfaces are written in single precision, and injury that is all but none or all has no log-odds.
_LEAST = 1e-4
# Two nights alike have a slope of 1. Those whose patterns are correlated by about 0.8 and differ in strength by a third
# have N(0.8, 0.3): judgement. Two with nothing in common are the model without this covariate, whose even prior odds
# stand for them; a wider prior that holds both, N(0.5, 0.5), did no better (tests/benchmarks/evidence.py).
_MEAN, _SD = 0.8, 0.3
# An earlier map has no cell whose centre lay outside the blocks: along their edges its outermost cells are read.
_EDGE = 1


@dataclass(frozen=True)
class Winter:
    """What an earlier run found of one freeze.

    Attributes
    ----------
    name : str
        By which readers know it: the date of the freeze, else the day of the run.
    surface : Dataset (y, x)
        ``primary_injury``, ``primary_low``, ``primary_high``: fractions, NaN outside blocks, with a CRS.
    """

    name: str
    surface: xr.Dataset


def log_odds(surface: xr.Dataset) -> tuple[xr.DataArray, xr.DataArray]:
    """Return mean and standard deviation of the log-odds behind a surface.

    The low and the high estimate are the 5 % and 95 % quantiles of a logistic-normal posterior, so that half of the sum
    and of the difference of their logits are its mean and 1.645 of its standard deviations.

    Parameters
    ----------
    surface : Dataset (y, x)
        ``primary_low`` and ``primary_high``.
    """
    low, high = (logit(surface[name].clip(_LEAST, 1 - _LEAST)) for name in ("primary_low", "primary_high"))
    crs = surface.rio.crs
    mean: xr.DataArray = ((low + high) / 2).rio.write_crs(crs)
    sd: xr.DataArray = ((high - low) / (2 * _TAIL)).rio.write_crs(crs)
    return mean, sd


def winter_evidence(
    winters: Sequence[Winter], crs: CRS, bounds: tuple[float, float, float, float], cell_m: float = 3.0
) -> Evidence:
    """Make earlier freezes one covariate of the surface.

    Parameters
    ----------
    winters : sequence of Winter
        At least one.
    crs : CRS
        Metric, of the vineyard.
    bounds : (left, bottom, right, top)
        Of the blocks, in ``crs``.
    cell_m : float
        As in `vinemap.evidence.gridded.layer_evidence`.

    Returns
    -------
    Evidence
        The mean of the freezes' log-odds, each less its own mean over the ground, where a freeze counts the more the
        surer its map is there. Its coefficient has the prior N(0.8, 0.3), in the models that
        hold it.

    Notes
    -----
    An earlier map is the posterior mean given that winter's canes, so that to take it as known leaves the coefficient
    unbiased, and what it does not know goes into the field (regression calibration: R. J. Carroll, D. Ruppert, L. A.
    Stefanski & C. M. Crainiceanu, Measurement Error in Nonlinear Models, 2006, chapter 4). How terrain worked then is
    in that surface already; the coefficients are not taken over as well, which would count the same canes twice.
    """
    readers = [_read(winter, crs, bounds, cell_m) for winter in winters]

    def read(xy: Array, block: Array) -> Array:
        total, weights = np.zeros(len(xy)), np.zeros(len(xy))
        for mean, weight in readers:
            values, shares = mean(xy, block), weight(xy, block)
            known = np.isfinite(values)
            total[known] += (shares * values)[known]
            weights[known] += shares[known]
        return np.divide(total, weights, out=np.full(len(xy), np.nan), where=weights > 0)

    return Evidence(
        name="winters",
        label=Sentence("evidence.winters"),
        read=read,
        said="page.evidence.winters",
        mean=_MEAN,
        sd=_SD,
    )


def mean_injury(winters: Sequence[Winter], grid: xr.Dataset) -> xr.DataArray:
    """Return the injury of primary buds in earlier freezes on the cells of a grid, on average, a fraction.

    Parameters
    ----------
    winters : sequence of Winter
        At least one.
    grid : Dataset
        As `vinemap.terrain.grid.block_grid` gives it.

    Returns
    -------
    DataArray (y, x)
        NaN outside blocks, and where no freeze was mapped.
    """
    cells, crs, bounds = BlockCells.of(grid), CRS(grid.rio.crs), grid.rio.bounds()
    places = cells.centres()
    surfaces = (metric(winter.surface["primary_injury"], crs, bounds, cell_size(grid)) for winter in winters)
    found = [reader(surface, _EDGE)(places, cells.block) for surface in surfaces]
    known = np.isfinite(found)
    total = np.where(known, found, 0.0).sum(axis=0)
    mean = np.divide(total, known.sum(axis=0), out=np.full(len(cells), np.nan), where=known.any(axis=0))
    return xr.DataArray(xr.Variable(*cells.layer(mean.astype(np.float32))), coords={"y": grid.y, "x": grid.x})


def _read(winter: Winter, crs: CRS, bounds: tuple[float, float, float, float], cell_m: float) -> tuple[Reader, Reader]:
    """Return what reads one freeze's log-odds, less their mean over the ground, and how far its map can be trusted.

    The trust is the share of the variance between places in what one place may be: var(m) / (var(m) + sd²).
    """
    mean, sd = log_odds(winter.surface)
    pattern = metric(mean - float(mean.mean()), crs, bounds, cell_m)
    spread = float(np.nanvar(mean.to_numpy()))
    trust = spread / (spread + sd**2 + _LEAST)
    weight = metric(trust.rio.write_crs(mean.rio.crs), crs, bounds, cell_m)
    return reader(pattern, _EDGE), reader(weight, _EDGE)
