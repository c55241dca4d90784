"""From a vineyard folder to the finished map: the only module that knows every stage."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap import exports, survival
from vinemap.actions import decide
from vinemap.errors import InputError, Problem, TooFewSamplesError
from vinemap.grid import block_grid, cell_size
from vinemap.page import OnlineGround, write_page
from vinemap.settings import Settings
from vinemap.surface import InjuryMap, injury_map
from vinemap.terrain import terrain
from vinemap.vineyard import Vineyard, read_vineyard
from vinemap.words import findings, verdict
from vinemap.zones import action_zones

_LIBRARIES = ("folium", "geopandas", "numpy", "pandas", "pyproj", "rasterio", "scipy", "shapely", "xarray")


@dataclass(frozen=True)
class MapRun:
    """Everything that one run found.

    Attributes
    ----------
    vineyard : Vineyard
        What was read.
    blocks, samples, zones : GeoDataFrame
        The rows of blocks.csv, samples.csv and zones.csv with their geometry.
    surface : Dataset
        The injury grid.
    land : Dataset or None
        The terrain grid; None without an elevation grid.
    report : dict
        The content of run.json.
    findings : list of str
        What to know first, in plain sentences.
    """

    vineyard: Vineyard
    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    surface: xr.Dataset
    land: xr.Dataset | None
    report: dict[str, Any]
    findings: list[str]


def make_map(folder: Path, progress: Callable[[str], None] = lambda _: None) -> MapRun:
    """Read a vineyard folder and find out what died, where, and what to do.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    progress : callable
        Told in words what is being done.

    Raises
    ------
    InputError
        When the folder cannot be used as it stands, or has fewer than 3 samples in its blocks.
    """
    progress("reading")
    vineyard = read_vineyard(folder)
    settings, blocks, samples = vineyard.settings, vineyard.blocks, vineyard.samples
    progress("survival")
    tallies = survival.tally(vineyard.nodes, vineyard.counts, survival.pruning_reach(samples, blocks, settings))
    confidence = settings.survival.confidence
    sample_rows = _with_geometry(survival.sample_table(samples, tallies, confidence), samples)
    block_rows = survival.block_table(blocks, samples, tallies, confidence)
    progress("terrain")
    grid = block_grid(blocks, settings.surface.cell_m, settings.surface.max_cells)
    land = None
    if vineyard.elevation is not None:
        land = terrain(vineyard.elevation, vineyard.crs, tuple(blocks.total_bounds))
    try:
        injury = injury_map(samples, blocks, tallies, grid, land, settings.surface, progress)
    except TooFewSamplesError as error:
        raise InputError([Problem("samples", None, "", str(error), "cut more canes, then map again")]) from error
    progress("actions")
    block_rows = _with_geometry(block_rows.join(injury.blocks), blocks)
    decided = decide(block_rows, settings)
    block_rows[decided.columns] = decided
    zones = action_zones(injury.grid, block_rows, settings)
    warnings = [*vineyard.warnings, *_surface_warnings(vineyard, injury)]
    report = _report(vineyard, injury, warnings)
    words = findings(block_rows, injury, settings)
    return MapRun(vineyard, block_rows, sample_rows, zones, injury.grid, land, report, words)


def write_map(
    run: MapRun, out: Path, earlier: Path | None = None, progress: Callable[[str], None] = lambda _: None
) -> list[Path]:
    """Write the outputs of a run, all or nothing.

    Parameters
    ----------
    run : MapRun
        What was found.
    out : Path
        Folder; files of an earlier run in it are replaced once all are written.
    earlier : Path, optional
        Output folder of an earlier run, for a layer that shows the change.
    progress : callable
        Told in words what is being done.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    InputError
        When ``earlier`` is no output folder.
    """
    progress("writing")
    blocks_then, surface_then = (None, None) if earlier is None else exports.read_run(earlier)
    with exports.staged(out) as stage:
        write_page(
            stage / "map.html",
            blocks=run.blocks,
            samples=run.samples,
            nodes=run.vineyard.nodes,
            zones=run.zones,
            surface=run.surface,
            report=run.report,
            settings=run.vineyard.settings,
            compare=blocks_then,
            compare_surface=surface_then,
            ground=run.land,
            online=_online(run.vineyard.settings),
        )
        exports.write_csv(run.blocks, stage / "blocks.csv")
        exports.write_csv(run.samples, stage / "samples.csv")
        exports.write_csv(run.zones, stage / "zones.csv")
        layers = {"blocks": run.blocks, "samples": run.samples, "zones": run.zones}
        exports.write_geopackage(layers, stage / "vineyard.gpkg")
        exports.write_injury(run.surface, stage / "injury.tif")
        exports.write_json(run.report, stage / "run.json")
        names = sorted((file.name for file in stage.iterdir()), key=lambda name: (name != "map.html", name))
    return [out / name for name in names]


def _online(settings: Settings) -> OnlineGround | None:
    page = settings.page
    return OnlineGround(page.online_tiles, page.online_credit, page.online_zoom) if page.online_tiles else None


def _with_geometry(table: pd.DataFrame, source: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(table, geometry=source.geometry.to_numpy(), crs=source.crs)


def _surface_warnings(vineyard: Vineyard, injury: InjuryMap) -> list[str]:
    """Say what the map cannot do."""
    warnings = []
    wanted, cell = vineyard.settings.surface.cell_m, cell_size(injury.grid)
    if cell > wanted * 1.001:
        warnings.append(
            f"The grid's cells were widened from {wanted:g} m to {cell:.1f} m to keep their number in bounds."
        )
    if vineyard.elevation is None:
        warnings.append(
            "There is no elevation grid: the map uses position and variety alone, not low spots and slopes."
        )
    if not injury.scores["better_than_block_means"]:
        warnings.append(verdict(injury.scores))
    return warnings


def _report(vineyard: Vineyard, injury: InjuryMap, warnings: list[str]) -> dict[str, Any]:
    settings = vineyard.settings
    mean, low, high = injury.area_over_ha
    return {
        "vinemap": version("vinemap"),
        "made": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in _LIBRARIES},
        "name": vineyard.name,
        "event_date": settings.event_date,
        "crs": vineyard.crs.to_string(),
        "cell_m": cell_size(injury.grid),
        "elevation": vineyard.elevation is not None,
        "threshold": settings.surface.threshold,
        "area_over_threshold_ha": {"mean": mean, "low": low, "high": high},
        "settings": settings.model_dump(mode="json"),
        "model": injury.model,
        "scores": {**injury.scores, "text": verdict(injury.scores)},
        "warnings": warnings,
    }
