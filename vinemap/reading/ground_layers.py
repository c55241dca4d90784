"""Grids of layers/: whatever else is known of the ground, checked as the elevation grid is."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr

from vinemap.arrays import Array
from vinemap.characters import for_xml
from vinemap.columns import SETTINGS_FILE
from vinemap.errors import Findings, RefusedError
from vinemap.reading.coverage import covers, fitting_crs, refuse_uncovered, window_around
from vinemap.reading.files import GRIDS, advice, usable
from vinemap.reading.geotiff import MOST_CELLS, Grid, open_grid
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Layer, Settings

FOLDER = "layers"
"""Folder of a vineyard that holds them."""

MOST_LAYERS = 12
"""More are not read: each is one more thing that luck may find to go with injury."""

# Enough for interpolation at the blocks' edge, in any usual cell.
_MARGIN_M = 50.0
# Numbers that programs write into gaps without saying so; common practice. The last is the least of single precision.
_GAPS = (-9999.0, -32768.0, -99999.0, float(np.finfo(np.float32).min))
# No figure of the ground is as large, in any unit.
_HUGE = 1e15
# So few whole figures, one after the other, are more often numbers of kinds than amounts.
_MOST_KINDS = 12


@dataclass(frozen=True)
class GroundLayer:
    """A grid that may explain injury.

    Attributes
    ----------
    key : str
        By which the settings call it: its file's name without the ending.
    label, unit : str
        What readers call it, and the unit of its figures.
    file : str
        Its file, from the vineyard's folder.
    values : DataArray (y, x)
        float32, NaN where unknown, north up, in its own CRS and resolution, cut to the blocks and 50 m around.
    """

    key: str
    label: str
    unit: str
    file: str
    values: xr.DataArray


def read_ground_layers(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> tuple[GroundLayer, ...]:
    """Read and check every grid of layers/.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    settings : Settings
        ``layers`` gives grids their names and units.
    blocks : GeoDataFrame or None
        In the metric CRS; None where they could not be read, and nothing is read then.
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    tuple of GroundLayer
        Those that can be used, by their keys.
    """
    paths = _paths(folder, findings)
    named = dict(_named(paths, settings, findings))
    if len(paths) > MOST_LAYERS:
        what = Sentence("fault.many.grids", count=Figure(len(paths)), most=Figure(MOST_LAYERS))
        findings.problem(f"{FOLDER}/", None, "", what, Sentence("remedy.layers.many"))
        return ()
    if blocks is None or blocks.empty:
        return ()
    found = []
    for key, path in sorted(named.items()):
        # All of them together take no more memory than one grid may.
        values = _checked(path, folder, blocks, MOST_CELLS // len(named), findings)
        if values is not None:
            own = settings.layers.get(key, Layer())
            label = own.label or " ".join(for_xml(key).replace("_", " ").split())
            found.append(GroundLayer(key, label, own.unit, _place(path), values))
    return tuple(found)


def layer_files(folder: Path) -> list[Path]:
    """Return the grids in a vineyard's layers/ by their endings; none where there is no such folder."""
    inside = _inside(folder)
    if inside.is_symlink() or not inside.is_dir():
        return []
    return sorted(path for path in inside.iterdir() if path.suffix.lower() in GRIDS)


def _inside(folder: Path) -> Path:
    """Return the place of layers/, its name in whatever capitals."""
    alike = sorted(path for path in folder.iterdir() if path.name.casefold() == FOLDER)
    return alike[0] if alike else folder / FOLDER


def _place(path: Path) -> str:
    return f"{path.parent.name}/{path.name}"


def _paths(folder: Path, findings: Findings) -> list[Path]:
    """Return the grids, and name what stands beside them in a format that is not read."""
    inside = _inside(folder)
    if inside.is_symlink() or (inside.exists() and not inside.is_dir()):
        none = Sentence("fault.layers.no_folder")
        findings.problem(f"{FOLDER}/", None, "", none, Sentence("remedy.layers.no_folder"))
        return []
    if inside.is_dir():
        for path in sorted(inside.iterdir()):
            if path.suffix.lower() in (".asc", ".img", ".vrt"):
                what = Sentence("fault.grids.not_read", ending=path.suffix)
                findings.problem(_place(path), None, "", what, advice(path.suffix))
    return layer_files(folder)


def _named(paths: list[Path], settings: Settings, findings: Findings) -> Iterator[tuple[str, Path]]:
    """Yield each grid with its key; name keys of the settings without a grid, and keys that two grids share."""
    files = {path.name: path for path in paths}
    none, listed = Sentence("remedy.layers.none", folder=FOLDER), Listed(files, most=None)
    remedy = Sentence("remedy.layers.listed", names=listed) if files else none
    chosen: dict[str, Path] = {}
    for key, own in settings.layers.items():
        alike = [path for path in paths if (path.name == own.file if own.file else path.stem == key)]
        if not alike:
            what = Sentence("fault.layers.none", name=repr(own.file or key), folder=FOLDER)
            findings.problem(SETTINGS_FILE, None, f"layers.{key}", what, remedy)
        chosen |= dict.fromkeys([key] if alike else [], alike[0] if alike else Path())
    taken = set(chosen.values())
    yield from chosen.items()
    for path in paths:
        if path in taken:
            continue
        if path.stem in chosen:
            what = Sentence("fault.layers.same", other=_place(chosen[path.stem]))
            findings.problem(_place(path), None, "", what, Sentence("remedy.name_each.grid"))
            continue
        chosen[path.stem] = path
        yield path.stem, path


def _checked(
    path: Path, folder: Path, blocks: gpd.GeoDataFrame, most_cells: int, findings: Findings
) -> xr.DataArray | None:
    """Read one grid; None, with a problem, where it cannot be used."""
    inner = Findings()
    values = None
    if usable(path, GRIDS, inner, within=folder):
        # GDAL meets damaged grids with errors of many classes, so the net is wide here.
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                values = _read(path, blocks, most_cells, inner)
        except RefusedError as refusal:
            inner.problem(path.name, None, "", refusal.message, refusal.remedy)
        except Exception:
            inner.problem(path.name, None, "", Sentence("fault.grid_damaged"), Sentence("remedy.export_grid"))
    for problem in inner.problems:
        findings.problem(_place(path), problem.row, problem.column, problem.message, problem.remedy)
    findings.warnings.extend(inner.warnings)
    return values


def _read(path: Path, blocks: gpd.GeoDataFrame, most_cells: int, findings: Findings) -> xr.DataArray | None:
    with open_grid(path) as grid:
        crs = fitting_crs(grid, path, "figures", findings)
        window = None if crs is None else window_around(grid, crs, blocks, _MARGIN_M)
        if crs is None:
            return None
        if window is None:
            refuse_uncovered(path, "layer", findings)
            return None
        if grid.count > 1:
            findings.warn(Sentence("warning.layer.bands", file=_place(path), bands=grid.count))
        values = grid.read(window, most_cells=most_cells).rename("value").rio.write_crs(crs).rio.write_nodata(np.nan)
        _take_gaps_out(values.to_numpy(), grid, path, findings)
    inner = Findings()
    if not covers(values, crs, blocks, path, "layer", inner):
        refuse_uncovered(path, "layer", findings)
        return None
    findings.warnings.extend(Sentence(one.key, **{**one.values, "file": _place(path)}) for one in inner.warnings)
    _say_what_it_holds(values.to_numpy(), path, findings)
    return values


def _say_what_it_holds(values: Array, path: Path, findings: Findings) -> None:
    """Name a grid of one figure, and one of a few whole figures in a row, which may be numbers of kinds."""
    figures = np.unique(values[np.isfinite(values)])
    if len(figures) == 1:
        findings.warn(Sentence("warning.layer.constant", file=_place(path), value=f"{figures[0]:g}"))
    elif 2 < len(figures) <= _MOST_KINDS and (figures == np.arange(len(figures)) + np.round(figures[0])).all():
        ends = {"low": f"{figures[0]:g}", "high": f"{figures[-1]:g}"}
        findings.warn(Sentence("warning.layer.kinds", file=_place(path), **ends))


def _take_gaps_out(values: Array, grid: Grid, path: Path, findings: Findings) -> None:
    """Take what is no number as unknown, in place, and usual marks of gaps where the grid declares none."""
    values[~np.isfinite(values)] = np.nan
    if grid.gaps_declared:
        return
    huge = values[np.abs(values) >= _HUGE]
    for mark in (*_GAPS, *np.unique(huge[~np.isin(huge, np.array(_GAPS, np.float32))])):
        marked = values == np.float32(mark)
        if marked.any():
            counts = {"wrong": Figure(marked.sum()), "all": Figure(values.size), "value": f"{mark:g}"}
            findings.warn(Sentence("warning.layer.gaps", file=_place(path), **counts))
            values[marked] = np.nan
