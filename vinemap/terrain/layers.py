"""Terrain as cold air sees it: height above low ground, level ground, place on the slope, exposure, slope, aspect."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.transform import Affine
from rasterio.warp import transform_bounds
from scipy.ndimage import distance_transform_edt, gaussian_filter, minimum_filter, sobel

from vinemap.arrays import Array

_FLOW_SCALE_M = 10.0
# Between centres farther apart than this a surface of flat facets keeps its creases through the smoothing.
_COARSE_M = 1.5 * _FLOW_SCALE_M
_CELL_M = 5.0
_BEYOND_M = 500.0
_MOST_CELLS = 4_000_000


@dataclass(frozen=True)
class Covariate:
    """A terrain statistic that may explain injury.

    Attributes
    ----------
    name : str
        Layer of the terrain grid; ``page.covariate.NAME`` of the word lists says its two ends to readers.
    step : float
        Its sign leads to the end that is named first: the lowest, the steepest, the most northern ground.
    around_m : float
        How far around a place it looks, metres; 0 for what is of the place alone.
    family : str
        Statistics of one family measure the same thing, and their effect is told as one; the name's own by default.
    shown : str
        Layer by which readers know it, in a unit that they know; the statistic itself by default.
        ``page.readout.LAYER`` is what it is called under the pointer.
    """

    name: str
    step: float
    around_m: float = 0.0
    family: str = ""
    shown: str = ""


_NEAR_M, _FAR_M = 150.0, 400.0
_LOW = "low_ground"
_LOW_WITHIN_M = {
    "height_above_100_m": 100.0,
    "height_above_low_m": _NEAR_M,
    "height_above_250_m": 250.0,
    "height_above_325_m": 325.0,
    "height_above_basin_m": _FAR_M,
    "height_above_550_m": 550.0,
}
_POOLS = {
    "pool_100": ("height_above_100_m", 4.0),
    "pool": ("height_above_low_m", 4.0),
    "pool_325": ("height_above_325_m", 8.0),
    "pool_550": ("height_above_550_m", 8.0),
}
_BROAD_M = 100.0
_DRAINS = 0.03
# Of so little relief nothing is made.
_LEVEL_M = 0.5

COVARIATES = (
    *(Covariate(name, -1.0, within, _LOW) for name, within in _LOW_WITHIN_M.items()),
    *(Covariate(name, 1.0, _LOW_WITHIN_M[height], _LOW, height) for name, (height, _) in _POOLS.items()),
    Covariate("elevation_m", -1.0, 0.0, _LOW),
    Covariate("rise_m", -1.0, _NEAR_M, _LOW),
    Covariate("slope_deg", 1.0),
    Covariate("northness", 1.0),
    Covariate("eastness", 1.0),
    Covariate("flat", 1.0, _BROAD_M, "", "slope_around_deg"),
    Covariate("exposure_m", 1.0, _FAR_M),
    Covariate("off_mid_slope", 1.0, _FAR_M),
)


def terrain_layers(elevation: xr.DataArray, crs: CRS, bounds: tuple[float, float, float, float]) -> xr.Dataset:
    """Terrain layers on a metric grid, read well beyond the blocks so that their edge is no wall for cold air.

    Parameters
    ----------
    elevation : DataArray (y, x)
        Metres, NaN where unknown, with a CRS; any CRS and resolution.
    crs : CRS
        Metric CRS of the result.
    bounds : (left, bottom, right, top)
        Of the blocks, in ``crs``; ground up to 500 m beyond is used where the grid holds it.

    Returns
    -------
    Dataset (y, x)
        The layers named in `COVARIATES`, north up, in a cell of 5 m, wider past 4 million cells. Cells wider than 15 m
        are read by cubic convolution (Keys 1981), whose slopes have no stairs, others linearly. The ground is smoothed
        over 10 m before all but ``elevation_m``: cold air flows over furrows and single stones. Nobody knows beforehand
        over how much ground cold air collects, so that there are heights above the low ground within six distances;
        the pools are exp(-h / 4 m) and exp(-h / 8 m) of them, for cold that fills a hollow to a depth and has no hold
        above it. Slope is in degrees from the horizontal; northness and eastness are the components of the unit
        normal, so that flat ground has no aspect. ``flat`` is exp(-s / 3 %) of the mean slope within about 100 m
        (``slope_around_deg``), for broad level ground, off which cold air drains slowly wherever it lies.
        ``exposure_m`` is the height above the mean ground within 400 m, for nights with wind; ``off_mid_slope`` is 0
        half way up a slope and 1 at its foot and its crest, for a warm belt between them.

    References
    ----------
    R. G. Keys, IEEE Trans. Acoust. Speech Signal Process. 29 (1981) 1153: cubic convolution is of third order, and its
    first derivative is continuous. Fox & Steinbrenner, LVWO Weinsberg 2002: injury fell with nearly every metre
    upwards, and was worst in lakes of cold air, at the foot of slopes and on broad flat plateaus. R. L. Snyder & J. P.
    de Melo-Abreu, Frost Protection, FAO 2005: the warm belt; in windy nights the sign turns, and exposed upper slopes
    are the coldest.

    Examples
    --------
    >>> from vinemap.terrain.layers import terrain_layers
    >>> site = vinemap.read("demo_blocks").site
    >>> layers = terrain_layers(site.elevation, site.crs, tuple(site.blocks.total_bounds))
    >>> bool(layers["elevation_m"].min() > 200), "slope_deg" in layers
    (True, True)
    """
    ground = _metric(elevation, crs, bounds)
    cell = float(ground.rio.resolution()[0])
    known = np.isfinite(ground.to_numpy())
    z = filled(ground.to_numpy().astype(np.float64))
    data = {name: (("y", "x"), layer.astype(np.float32)) for name, layer in _statistics(z, cell)}
    data["known"] = (("y", "x"), known)
    grid: xr.Dataset = xr.Dataset(data, coords={"y": ground.y, "x": ground.x}).rio.write_crs(crs)
    return grid


def known_at(terrain: xr.Dataset, xy: Array) -> Array:
    """Return whether the elevation grid has a height at points (n, 2); beyond its edge and in its gaps it has none."""
    column, row = np.floor(~terrain.rio.transform() * xy.T)
    known = terrain["known"].to_numpy()
    inside = (row >= 0) & (row < known.shape[0]) & (column >= 0) & (column < known.shape[1])
    found = np.zeros(len(xy), bool)
    found[inside] = known[row[inside].astype(int), column[inside].astype(int)]
    return found


def _statistics(z: Array, cell: float) -> Iterator[tuple[str, Array]]:
    """Yield each layer by name, one at a time: of a large vineyard all together would take much memory."""
    yield "elevation_m", z
    smooth = gaussian_filter(z, _FLOW_SCALE_M / cell, mode="nearest")
    for name, within in _LOW_WITHIN_M.items():
        low = height_above_low(smooth, cell, within)
        yield name, low
        for pool, (height, depth) in _POOLS.items():
            if height == name:
                yield pool, np.exp(-low / depth)
        if within == _FAR_M:
            yield "off_mid_slope", off_mid_slope(low, height_above_low(-smooth, cell, within))
    for name, within in (("rise_m", _NEAR_M), ("exposure_m", _FAR_M)):
        yield name, smooth - gaussian_filter(smooth, within / 2 / cell, mode="nearest")
    across, up = gradient(smooth, cell)
    steepness = np.hypot(across, up)
    yield "slope_deg", np.degrees(np.arctan(steepness))
    yield "northness", -up / np.sqrt(1 + steepness**2)
    yield "eastness", -across / np.sqrt(1 + steepness**2)
    around = gaussian_filter(steepness, _BROAD_M / 2 / cell, mode="nearest")
    yield "slope_around_deg", np.degrees(np.arctan(around))
    yield "flat", np.exp(-around / _DRAINS)


def _metric(elevation: xr.DataArray, crs: CRS, bounds: tuple[float, float, float, float]) -> xr.DataArray:
    """Bring the elevation grid to a metric CRS, over the blocks and the ground around them."""
    left, bottom, right, top = transform_bounds(crs, elevation.rio.crs, *_widened(bounds, _BEYOND_M))
    near = elevation.rio.write_nodata(np.nan).rio.clip_box(left, bottom, right, top)
    own = transform_bounds(elevation.rio.crs, crs, *near.rio.bounds())
    wanted = _widened(bounds, _BEYOND_M)
    left, right = max(own[0], wanted[0]), min(own[2], wanted[2])
    bottom, top = max(own[1], wanted[1]), min(own[3], wanted[3])
    cell = max(_CELL_M, float(np.sqrt((right - left) * (top - bottom) / _MOST_CELLS)))
    shape = max(2, round((top - bottom) / cell)), max(2, round((right - left) / cell))
    transform = Affine(cell, 0, left, 0, -cell, top)
    finer = abs(near.rio.resolution()[0]) < cell and near.rio.crs == crs
    apart = float(np.sqrt((own[2] - own[0]) * (own[3] - own[1]) / near.size))
    between = Resampling.cubic if apart > _COARSE_M else Resampling.bilinear
    resampling = Resampling.average if finer else between
    ground: xr.DataArray = near.rio.reproject(crs, shape=shape, transform=transform, resampling=resampling)
    return ground


def _widened(bounds: tuple[float, float, float, float], by: float) -> tuple[float, float, float, float]:
    left, bottom, right, top = bounds
    return left - by, bottom - by, right + by, top + by


def filled(z: Array) -> Array:
    """Give cells without a value that of the nearest cell, so that filters see no cliff at the grid's edge."""
    unknown = np.isnan(z)
    nearest = distance_transform_edt(unknown, return_distances=False, return_indices=True)
    return np.asarray(z[tuple(nearest)])


def gradient(z: Array, cell: float) -> tuple[Array, Array]:
    """Slope components towards east and north of a north-up grid, in metres per metre.

    References
    ----------
    B. K. P. Horn, "Hill shading and the reflectance map", Proc. IEEE 69 (1981) 14: third-order differences with
    weights 1, 2, 1 over the eight neighbours.
    """
    across = sobel(z, axis=1, mode="nearest") / (8 * cell)
    down = sobel(z, axis=0, mode="nearest") / (8 * cell)
    return across, -down


def height_above_low(z: Array, cell: float, radius: float) -> Array:
    """Height above the lowest ground within a radius, in metres.

    Cold air runs down and stays where the ground around is no lower. The low ground is the moving minimum over a
    square, smoothed by half the radius so that the figure has no jump where the lowest cell leaves it; it never lies
    above the ground itself.

    Parameters
    ----------
    z : array (ny, nx)
        Elevation in metres.
    cell : float
        Side of a cell in metres.
    radius : float
        Half the side of the square, in metres.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.terrain.layers import height_above_low
    >>> valley = np.abs(np.arange(-50.0, 51.0)) * np.ones((101, 1))  # rises by 1 m a cell on either side
    >>> height_above_low(valley, cell=1.0, radius=50.0)[50, [50, 75]].round(1).tolist()
    [0.0, 25.0]
    """
    cells = max(1, round(radius / cell))
    lowest = minimum_filter(z, size=2 * cells + 1, mode="nearest")
    low = gaussian_filter(lowest, cells / 2, mode="nearest")
    return np.asarray(z - np.minimum(low, z))


def off_mid_slope(above_low: Array, below_high: Array) -> Array:
    """Distance from the middle of the slope: 0 half way up and on level ground, towards 1 at the foot and the crest.

    Parameters
    ----------
    above_low, below_high : array
        Metres above the low ground and below the high ground around.
    """
    return np.asarray(np.abs(above_low - below_high) / (above_low + below_high + _LEVEL_M))
