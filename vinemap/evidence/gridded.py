"""Grids of layers/ as evidence: brought to the vineyard's CRS, and read where they are known."""

from __future__ import annotations

import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.transform import Affine
from scipy.ndimage import binary_dilation

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence, Reader
from vinemap.reading.ground_layers import GroundLayer
from vinemap.terrain.grid import read_layers
from vinemap.terrain.layers import filled, known_at

_MOST_CELLS = 4_000_000
# Ground around the blocks that interpolation at their edge may look at, in cells of the grid or of the surface.
_AROUND = 3
_FIGURES = 3
_MOST_DECIMALS = 4


def layer_evidence(
    layer: GroundLayer, crs: CRS, bounds: tuple[float, float, float, float], cell_m: float = 3.0
) -> Evidence:
    """Make a grid a covariate of the surface.

    Parameters
    ----------
    layer : GroundLayer
        As `vinemap.reading.ground_layers.read_ground_layers` gives it.
    crs : CRS
        Metric, of the vineyard.
    bounds : (left, bottom, right, top)
        Of the blocks, in ``crs``.
    cell_m : float
        Cells finer than this are averaged to it: rows and the ground between them are one to the surface.

    Returns
    -------
    Evidence
        Its highest twentieth of the ground is told against its lowest; between centres it is read by bilinear
        interpolation, and it is unknown in its gaps and beyond its edge.

    Examples
    --------
    >>> from vinemap.evidence.gridded import layer_evidence
    >>> from vinemap.reading.ground_layers import GroundLayer
    >>> site = vinemap.read("demo_blocks").site
    >>> heights = GroundLayer("height", "height", "m", "layers/height.tif", site.elevation)
    >>> layer_evidence(heights, site.crs, tuple(site.blocks.total_bounds)).name
    'layer.height'
    """
    grid = metric(layer.values, crs, bounds, cell_m)
    return Evidence(
        name=f"layer.{layer.key}",
        label=layer.label,
        read=reader(grid),
        unit=layer.unit,
        decimals=_decimals(grid.to_numpy()),
    )


def reader(grid: xr.DataArray, beyond: int = 0) -> Reader:
    """Return what reads a grid in the vineyard's CRS at places, NaN where it is unknown.

    The cells ``beyond`` what is known, so many deep, are read as their nearest neighbours.
    """
    values = grid.to_numpy()
    known = np.isfinite(values)
    if not known.any():
        return lambda xy, block: np.full(len(xy), np.nan)
    if beyond:
        known = binary_dilation(known, iterations=beyond)
    layers = {"value": (("y", "x"), filled(values)), "known": (("y", "x"), known)}
    dataset: xr.Dataset = xr.Dataset(layers, coords={"y": grid.y, "x": grid.x}).rio.write_crs(grid.rio.crs)

    def read(xy: Array, block: Array) -> Array:
        return np.where(known_at(dataset, xy), read_layers(dataset, ["value"], xy)[:, 0], np.nan)

    return read


def metric(values: xr.DataArray, crs: CRS, bounds: tuple[float, float, float, float], cell_m: float) -> xr.DataArray:
    """Bring a grid to the vineyard's CRS over the blocks, in its own cells or the wider ones of the surface."""
    own = values.rio.transform_bounds(crs)
    step = float(np.sqrt((own[2] - own[0]) * (own[3] - own[1]) / values.size))
    cell = max(step, cell_m)
    left, bottom, right, top = bounds
    cell = max(cell, float(np.sqrt((right - left) * (top - bottom) / _MOST_CELLS)))
    left, top = left - _AROUND * cell, top + _AROUND * cell
    shape = (int(np.ceil((top - bottom) / cell)) + _AROUND, int(np.ceil((right - left) / cell)) + _AROUND)
    resampling = Resampling.average if cell > 1.5 * step else Resampling.bilinear
    transform = Affine(cell, 0, left, 0, -cell, top)
    grid: xr.DataArray = values.rio.write_nodata(np.nan).rio.reproject(
        crs, shape=shape, transform=transform, resampling=resampling, nodata=np.nan
    )
    return grid


def _decimals(values: Array) -> int:
    """Return so many decimals that the spread of a figure has about three digits."""
    spread = float(np.nanstd(values)) if np.isfinite(values).any() else 0.0
    if not spread:
        return 0
    return int(np.clip(_FIGURES - 2 - np.floor(np.log10(spread)), 0, _MOST_DECIMALS))
