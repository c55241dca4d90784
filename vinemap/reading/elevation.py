"""The elevation grid: opened, checked, cut to what the vineyard needs."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import shapely
import xarray as xr
from pyproj import CRS, Transformer
from rasterio.windows import Window

from vinemap.arrays import Array
from vinemap.errors import Findings, RefusedError
from vinemap.reading.cells import show
from vinemap.reading.crs import misplaced
from vinemap.reading.files import GRIDS, find_file
from vinemap.reading.geotiff import Grid, open_grid
from vinemap.reading.inside import lattice_inside
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.units import METRES_PER_FOOT

# Dry land lies between about 430 m below and 8,850 m above the sea; common knowledge.
_LOWEST_M, _HIGHEST_M = -500.0, 9000.0
_MARGIN_M = 1000.0
_MOST_ZEROS = 0.05
# Metres in a unit of height, by its name without capitals, spaces and marks: the international foot (1959 agreement),
# the US survey foot (1200 / 3937 m, NIST SP 811), and the parts of a metre.
_UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("", "unknown", "m", "meter", "meters", "metre", "metres"), ("metres", 1.0)),
    **dict.fromkeys(
        ("ft", "foot", "feet", "intft", "internationalfoot", "internationalfeet", "footinternational"),
        ("feet", METRES_PER_FOOT),
    ),
    **dict.fromkeys(
        (
            *("ussurveyfoot", "ussurveyfeet", "surveyfoot", "surveyfeet", "sfoot", "sft", "usfoot", "usfeet", "usft"),
            *("footus", "feetus", "ftus", "footussurvey", "feetussurvey", "ftussurvey"),
        ),
        ("US survey feet", 1200 / 3937),
    ),
    **dict.fromkeys(("dm", "decimeter", "decimeters", "decimetre", "decimetres"), ("decimetres", 0.1)),
    **dict.fromkeys(("cm", "centimeter", "centimeters", "centimetre", "centimetres"), ("centimetres", 0.01)),
}
_POINTS = 100_000


def read_elevation(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> xr.DataArray | None:
    """Read and check elevation.tif.

    Parameters
    ----------
    folder : Path
    settings : Settings
    blocks : GeoDataFrame or None
        In the metric CRS; None where they could not be read, and the grid is checked alone.
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    DataArray (y, x) or None
        float32 metres, NaN where unknown, north up, in the grid's own CRS and resolution, cut to the blocks and
        1 km around them; None where there is no file or it cannot be used.
    """
    path = find_file(folder, "elevation", GRIDS, settings.files.elevation, findings)
    if path is None:
        return None
    # GDAL meets damaged grids with errors of many classes, so the net is wide here.
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _read(path, blocks, findings)
    except RefusedError as refusal:
        findings.problem(path.name, None, "", refusal.message, refusal.remedy)
        return None
    except Exception:
        findings.problem(path.name, None, "", "the grid is damaged", "export it again as a GeoTIFF")
        return None


def _read(path: Path, blocks: gpd.GeoDataFrame | None, findings: Findings) -> xr.DataArray | None:
    with open_grid(path) as grid:
        crs = _fitting_crs(grid, path, findings)
        if crs is None:
            return None
        window = None
        if blocks is not None and len(blocks):
            window = _window(grid, crs, blocks)
            if window is None:
                _refuse_uncovered(path, findings)
                return None
        if grid.count > 1:
            findings.warn(Sentence("warning.bands", file=path.name, bands=grid.count))
        unit = _height_unit(grid, crs, path, findings)
        if unit is None:
            return None
        elevation = grid.read(window)
    z = elevation.to_numpy()
    _take_impossible_out(z, unit, path, findings)
    z *= np.float32(unit)
    if not grid.gaps_declared:
        _warn_of_zeros(z, path, findings)
    elevation = elevation.rename("elevation").rio.write_crs(crs).rio.write_nodata(np.nan)
    if blocks is not None and len(blocks) and not _covers(elevation, crs, blocks, path, findings):
        return None
    return elevation


def _fitting_crs(grid: Grid, path: Path, findings: Findings) -> CRS | None:
    """Return the grid's CRS; None, with a problem, where it has none of use or holds no heights north up."""
    fault = None
    if grid.crs is None or not (grid.crs.is_geographic or grid.crs.is_projected):
        fault = "the grid states no CRS, so that it has no place", "save it with the CRS it was made in"
    elif misplaced(grid.crs) is not None:
        fault = misplaced(grid.crs)
    elif np.issubdtype(grid.dtype, np.complexfloating):
        fault = "the grid holds no heights", "export the heights as a GeoTIFF"
    elif grid.transform.b or grid.transform.d or not grid.transform.a or not grid.transform.e:
        fault = "the grid is turned against its axes", "warp it so that north is up"
    if fault is not None:
        findings.problem(path.name, None, "", *fault)
    return grid.crs if fault is None else None


def _window(grid: Grid, crs: CRS, blocks: gpd.GeoDataFrame) -> Window | None:
    """Return the part of the grid that holds the blocks and the ground around, None where they do not meet."""
    around = shapely.box(*blocks.total_bounds).buffer(_MARGIN_M, join_style="mitre")
    corners = gpd.GeoSeries([shapely.segmentize(around, _MARGIN_M)], crs=blocks.crs).to_crs(crs)
    xy = shapely.get_coordinates(corners.to_numpy())
    xy = xy[np.isfinite(xy).all(axis=1)]
    if not len(xy):
        return None
    column, row = ~grid.transform * xy.T
    left, right = max(0, math.floor(column.min())), min(grid.width, math.ceil(column.max()))
    top, bottom = max(0, math.floor(row.min())), min(grid.height, math.ceil(row.max()))
    return Window(left, top, right - left, bottom - top) if right > left and bottom > top else None


def _height_unit(grid: Grid, crs: CRS, path: Path, findings: Findings) -> float | None:
    """Return the metres in the grid's unit of height, as its band or a vertical CRS states it; None where unknown."""
    stated = grid.unit
    unit = _UNITS.get("".join(letter for letter in stated.casefold() if letter.isalnum()))
    if unit is None:
        findings.problem(
            path.name,
            None,
            "",
            f"states its heights in {show(stated)}, a unit that is not known here",
            "save the grid in metres, or state m, ft or US survey foot as the unit of its band",
        )
        return None
    name, metres = unit
    across = crs.axis_info[0]
    if metres != 1.0:
        findings.warn(Sentence("warning.heights", file=path.name, unit=Sentence(f"unit.{name.replace(' ', '_')}")))
    elif not stated and crs.is_projected and across.unit_conversion_factor != 1.0:
        findings.warn(Sentence("warning.height_unit", file=path.name, crs=crs.name, unit=across.unit_name))
    return metres


def _warn_of_zeros(z: Array, path: Path, findings: Findings) -> None:
    """Say so where many heights are 0 and no value is declared for gaps: 0 may stand for them."""
    known = np.isfinite(z)
    zeros = int((z == 0).sum())
    if _MOST_ZEROS * known.sum() < zeros < known.sum():
        findings.warn(Sentence("warning.zeros", file=path.name, share=Figure(100 * zeros / known.sum())))


def _take_impossible_out(z: Array, unit: float, path: Path, findings: Findings) -> None:
    """Take heights that no land has as unknown, in place: grids often mark gaps by a number and do not say so."""
    with np.errstate(invalid="ignore"):
        wrong = (z < _LOWEST_M / unit) | (z > _HIGHEST_M / unit)
    wrong &= np.isfinite(z)
    if wrong.any():
        counts = {"wrong": Figure(wrong.sum()), "all": Figure(z.size), "height": f"{z[wrong][0]:g}"}
        findings.warn(Sentence("warning.no_land", file=path.name, **counts))
    z[wrong | ~np.isfinite(z)] = np.nan


def _covers(elevation: xr.DataArray, crs: CRS, blocks: gpd.GeoDataFrame, path: Path, findings: Findings) -> bool:
    """Say how much of the blocks the grid leaves out; whether it covers any of them."""
    known = _known_share(elevation, crs, blocks)
    areas = blocks.geometry.area.to_numpy()
    total = float((known * areas).sum() / areas.sum())
    if total == 0:
        _refuse_uncovered(path, findings)
        return False
    if total < 0.9995:
        short = [
            Sentence("warning.uncovered.block", block=name, share=Figure(100 * (1 - share)))
            for name, share in zip(blocks["block"], known, strict=True)
            if share < 0.995
        ]
        missing = {"file": path.name, "share": Figure(float(f"{100 * (1 - total):.2g}"), None)}
        findings.warn(
            Sentence("warning.uncovered.blocks", blocks=Listed(short), **missing)
            if short
            else Sentence("warning.uncovered", **missing)
        )
    return True


def _refuse_uncovered(path: Path, findings: Findings) -> None:
    findings.problem(
        path.name,
        None,
        "",
        "the grid covers none of the blocks (100 % is missing)",
        "export a grid of the vineyard's ground, or take the file out of the folder to map without elevation",
    )


def _known_share(elevation: xr.DataArray, crs: CRS, blocks: gpd.GeoDataFrame) -> Array:
    """Share of each block's ground where the grid holds a height, from a lattice of points, shape (n,)."""
    shapes = blocks.geometry.to_numpy()
    step = max(1.0, math.sqrt(float(blocks.geometry.area.sum()) / _POINTS))
    points = [_lattice(shape, step) for shape in shapes]
    owner = np.repeat(np.arange(len(shapes)), [len(xy) for xy in points])
    xy = np.concatenate(points)
    to_grid = Transformer.from_crs(blocks.crs, crs, always_xy=True)
    column = _index(elevation.x.to_numpy(), to_grid.transform(*xy.T)[0])
    row = _index(elevation.y.to_numpy(), to_grid.transform(*xy.T)[1])
    inside = (column >= 0) & (row >= 0)
    known = np.zeros(len(xy))
    known[inside] = np.isfinite(elevation.to_numpy()[row[inside], column[inside]])
    return np.bincount(owner, known, len(shapes)) / np.bincount(owner, minlength=len(shapes))


def _lattice(shape: shapely.Geometry, step: float) -> Array:
    """Points inside a shape, ``step`` metres apart, at least one; shape (m, 2)."""
    xy = lattice_inside(shape, step)
    return xy if len(xy) else np.array(shape.representative_point().coords)


def _index(centres: Array, values: Array) -> Array:
    """Return the cell of each value on an axis of evenly spaced centres, -1 outside."""
    step = centres[1] - centres[0] if len(centres) > 1 else 1.0
    with np.errstate(invalid="ignore"):
        place = np.floor((values - centres[0]) / step + 0.5)
        return np.where((place >= 0) & (place < len(centres)), place, -1).astype(np.int64)
