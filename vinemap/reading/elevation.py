"""The elevation grid: opened, checked, cut to what the vineyard needs."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from pyproj import CRS

from vinemap.arrays import Array
from vinemap.characters import for_xml
from vinemap.errors import Findings, RefusedError
from vinemap.reading.cells import show
from vinemap.reading.coverage import covers, fitting_crs, lattice, refuse_uncovered, values_at, window_around
from vinemap.reading.files import GRIDS, find_file
from vinemap.reading.geotiff import Grid, open_grid
from vinemap.sentences import Figure, Sentence, languages
from vinemap.settings import Settings
from vinemap.units import METRES_PER_FOOT, length_unit

# Dry land lies between about 430 m below and 8,850 m above the sea; common knowledge.
_LOWEST_M, _HIGHEST_M = -500.0, 9000.0
_MARGIN_M = 1000.0
_WITHOUT = "elevation"
_MOST_ZEROS = 0.05
# Vineyards steeper than 30 % are the few that the trade calls heroic (CERVIM, the centre for mountain viticulture), and
# the highest vineyard lies at 3,563 m (Guinness World Records 2018); both from memory.
_STEEP, _HIGHEST_VINEYARD_M = 0.30, 3600.0
# Heights of a phone or a handheld receiver are good to some 20 m, and above the ellipsoid by up to 100 m: as metres the
# grid has to be far off before it is asked about, and as feet it has to fit much better.
_FAR_OFF_M, _BETTER = 60.0, 3.0
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
SOURCE_TAG, FETCHED_TAG, CREDIT_TAG = "VINEMAP_ELEVATION_SOURCE", "VINEMAP_ELEVATION_FETCHED", "TIFFTAG_COPYRIGHT"
"""Tags by which a grid says where it comes from: a source's key, the day (ISO 8601), whom to credit (TIFF 6.0 §8)."""
_MOST_CREDIT = 400
# A hollow that takes a row of cells or two is not in a grid: from this cell on, hollows that matter are missing.
_COARSE_M = 20.0
STATED, CHOSEN, ASSUMED = "file", "settings", "assumed"
"""Where the unit of the heights comes from: ``unit_from`` of an elevation grid's attributes."""


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
        1 km around them; None where there is no file or it cannot be used. Of its attributes ``unit_from`` says where
        the unit of its heights comes from, ``cell_m`` how wide its cells are on the ground, and ``source``, ``fetched``
        and ``credit`` (each "" where unknown) where the grid comes from; `origin` puts them into words.
    """
    path = find_file(folder, "elevation", GRIDS, settings.files.elevation, findings)
    if path is None:
        return None
    # GDAL meets damaged grids with errors of many classes, so the net is wide here.
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _read(path, settings, blocks, findings)
    except RefusedError as refusal:
        findings.problem(path.name, None, "", refusal.message, refusal.remedy)
        return None
    except Exception:
        findings.problem(path.name, None, "", Sentence("fault.grid_damaged"), Sentence("remedy.export_grid"))
        return None


def _read(path: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings) -> xr.DataArray | None:
    with open_grid(path) as grid:
        crs = fitting_crs(grid, path, "heights", findings)
        if crs is None:
            return None
        window = None
        if blocks is not None and len(blocks):
            window = window_around(grid, crs, blocks, _MARGIN_M)
            if window is None:
                refuse_uncovered(path, _WITHOUT, findings)
                return None
        if grid.count > 1:
            findings.warn(Sentence("warning.bands", file=path.name, bands=grid.count))
        unit, unit_from = _height_unit(grid, path, settings, findings)
        if unit is None:
            return None
        elevation = grid.read(window)
        tags = grid.tags
    z = elevation.to_numpy()
    _take_impossible_out(z, unit, path, findings)
    z *= np.float32(unit)
    if not grid.gaps_declared:
        _warn_of_zeros(z, path, findings)
    elevation = elevation.rename("elevation").rio.write_crs(crs).rio.write_nodata(np.nan)
    if blocks is not None and len(blocks) and not covers(elevation, crs, blocks, path, _WITHOUT, findings):
        return None
    elevation.attrs |= {"unit_from": unit_from, "file": path.name, "cell_m": _cell_m(elevation, crs), **_said_by(tags)}
    findings.warnings.extend(_limits(elevation, settings))
    if unit_from == ASSUMED:
        _question(elevation, crs, blocks, path, findings)
    return elevation


def _said_by(tags: dict[str, str]) -> dict[str, str]:
    """Return what a grid's tags say of where it comes from, as text that is only text."""
    found = {
        "source": tags.get(SOURCE_TAG, ""),
        "fetched": tags.get(FETCHED_TAG, ""),
        "credit": tags.get(CREDIT_TAG, ""),
    }
    return {name: " ".join(for_xml(text).split())[:_MOST_CREDIT] for name, text in found.items()}


def _cell_m(elevation: xr.DataArray, crs: CRS) -> float:
    """Return the longer side of a cell on the ground, in metres."""
    across, down = (abs(float(step)) for step in elevation.rio.resolution())
    if crs.is_projected:
        return max(across, down) * crs.axis_info[0].unit_conversion_factor
    # A degree of the mean meridian: 10,001,966 m / 90 (WGS 84).
    degree, middle = 111_133.0, math.cos(math.radians(float(elevation.y.mean())))
    return max(across * middle, down) * degree


def _limits(elevation: xr.DataArray, settings: Settings) -> list[Sentence]:
    """Say what a grid cannot show: by where it comes from, and by its cell."""
    said = [caution] if (caution := _of_source(elevation, "caution")) is not None else []
    cell = elevation.attrs["cell_m"]
    if cell < _COARSE_M:
        return said
    per_metre, unit = length_unit(settings.units)
    widths = {"cell": Figure(cell * per_metre, 0, unit), "narrow": Figure(2 * cell * per_metre, 0, unit)}
    return [*said, Sentence("warning.coarse_elevation", **widths)]


def _of_source(elevation: xr.DataArray, what: str) -> Sentence | None:
    """Return what is known of a grid's source; None where it names none that is known."""
    key = f"elevation_source.{elevation.attrs['source']}.{what}"
    return Sentence(key) if key in languages()["en"] else None


def origin(elevation: xr.DataArray | None) -> dict[str, str | float] | None:
    """Return where a grid comes from, for run.json and for who prints what rests on it.

    Parameters
    ----------
    elevation : DataArray or None
        As `read_elevation` gives it.

    Returns
    -------
    dict or None
        ``file``, ``cell_m`` and, where the grid states them, ``source`` (its name), ``fetched`` (ISO 8601) and
        ``credit``, which goes wherever the heights are shown; None without a grid.
    """
    if elevation is None:
        return None
    stated = {name: str(elevation.attrs[name]) for name in ("source", "fetched", "credit") if elevation.attrs[name]}
    label = _of_source(elevation, "label")
    named = {} if label is None else {"source": str(label)}
    return {"file": str(elevation.attrs["file"]), "cell_m": round(elevation.attrs["cell_m"], 1), **stated, **named}


def _height_unit(grid: Grid, path: Path, settings: Settings, findings: Findings) -> tuple[float | None, str]:
    """Return the metres in the grid's unit of height, None where unknown, and where that comes from.

    The settings decide; else the grid's band or a vertical CRS; else metres are assumed.
    """
    stated, chosen = _UNITS.get("".join(filter(str.isalnum, grid.unit.casefold()))), settings.elevation_units
    if chosen is not None:
        name, metres = _UNITS[chosen]
        if stated is not None and stated[0].endswith(name) and grid.unit:
            return stated[1], STATED
        if grid.unit:
            own = Sentence(f"unit.{chosen}")
            findings.warn(Sentence("warning.heights.settings", file=path.name, stated=show(grid.unit), unit=own))
        return metres, CHOSEN
    if stated is None:
        findings.problem(
            path.name,
            None,
            "",
            Sentence("fault.heights_unit", unit=show(grid.unit)),
            Sentence("remedy.heights_unit"),
        )
        return None, ASSUMED
    name, metres = stated
    if metres != 1.0:
        findings.warn(Sentence("warning.heights", file=path.name, unit=Sentence(f"unit.{name.replace(' ', '_')}")))
    return metres, STATED if grid.unit else ASSUMED


def _question(
    elevation: xr.DataArray, crs: CRS, blocks: gpd.GeoDataFrame | None, path: Path, findings: Findings
) -> None:
    """Ask whether heights of no stated unit are feet: by the unit of the plane, and by what vineyards can be."""
    across = crs.axis_info[0]
    if crs.is_projected and across.unit_conversion_factor != 1.0:
        findings.warn(_asked("crs", path.name, crs=crs.name, unit=across.unit_name))
    if blocks is None or not len(blocks):
        return
    grade, height = _lie(elevation, crs, blocks)
    if height > _HIGHEST_VINEYARD_M:
        feet = Figure(METRES_PER_FOOT * height)
        findings.warn(_asked("high", path.name, height=Figure(height), feet=feet))
    elif grade > _STEEP:
        feet = Figure(100 * METRES_PER_FOOT * grade)
        findings.warn(_asked("steep", path.name, grade=Figure(100 * grade), feet=feet))


def _asked(why: str, file: str, **values: object) -> Sentence:
    return Sentence("warning.feet", why=Sentence(f"warning.feet.{why}", file=file, **values))


def _lie(elevation: xr.DataArray, crs: CRS, blocks: gpd.GeoDataFrame) -> tuple[float, float]:
    """Return the blocks' grade, of the plane that fits each best and averaged by area, and their median height."""
    grades, areas, heights = [], [], []
    for shape in blocks.geometry:
        xy = lattice(shape, max(1.0, math.sqrt(shape.area / 400)))
        z = values_at(elevation, crs, blocks.crs, xy)
        known = np.isfinite(z)
        heights.append(z[known])
        if known.sum() >= 10:
            plane = np.column_stack([np.ones(known.sum()), xy[known] - xy[known].mean(axis=0)])
            (_, east, north), *_ = np.linalg.lstsq(plane, z[known], rcond=None)
            grades.append(math.hypot(east, north))
            areas.append(shape.area)
    grade = float(np.average(grades, weights=areas)) if grades else 0.0
    return grade, float(np.median(np.concatenate(heights)))


def question_samples(elevation: xr.DataArray, samples: gpd.GeoDataFrame, findings: Findings) -> None:
    """Ask whether heights of no stated unit are feet, by the heights that the samples' own points carry.

    Parameters
    ----------
    elevation : DataArray
        As `read_elevation` gives it.
    samples : GeoDataFrame
        Points with ``height_m``, any CRS.
    findings : Findings
        Gets a warning where the grid as feet fits the samples, and as metres is far off.
    """
    if elevation.attrs["unit_from"] != ASSUMED:
        return
    samples = samples[samples.geometry.notna()]
    xy = np.column_stack([samples.geometry.x, samples.geometry.y])
    grid = values_at(elevation, CRS(elevation.rio.crs), CRS(samples.crs), xy)
    own = samples["height_m"].to_numpy(float)
    both = np.isfinite(grid) & np.isfinite(own)
    if both.sum() < 3:
        return
    as_metres, as_feet = (float(np.median(np.abs(unit * grid - own)[both])) for unit in (1.0, METRES_PER_FOOT))
    if as_metres > _FAR_OFF_M and as_metres > _BETTER * as_feet:
        middle = {"grid": np.median(grid[both]), "own": np.median(own[both])}
        figures = {name: Figure(float(value)) for name, value in middle.items()}
        feet = Figure(float(METRES_PER_FOOT * middle["grid"]))
        findings.warn(_asked("samples", str(elevation.attrs["file"]), **figures, feet=feet))


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
