"""The outputs of a run, written all or none."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

import geopandas as gpd
import xarray as xr

from vinemap.columns import (
    BLOCKS_CSV,
    MORE_CANES_CSV,
    ROWS_CSV,
    SAMPLES_CSV,
    SPRING_CALIBRATION,
    SPRING_RAZOR,
    SPRING_SAMPLES,
    WORK_LIST,
    ZONES_CSV,
)
from vinemap.decisions.regrowth import by_what_decides
from vinemap.decisions.spring import SpringCheck
from vinemap.decisions.vine_rows import row_ends
from vinemap.exports.earlier import read_earlier
from vinemap.exports.exchange import staged
from vinemap.exports.formats import write_csv, write_geopackage, write_injury
from vinemap.exports.navigation import write_navigation
from vinemap.exports.record import RUN_FILE
from vinemap.exports.styles import map_styles, write_injury_styles, write_styles
from vinemap.exports.summary import verdict
from vinemap.exports.workbook import Content, write_workbook
from vinemap.page.map_page import write_page
from vinemap.page.shell import OnlineBasemap
from vinemap.pipeline.map_run import MapRun, Progress, quiet
from vinemap.reading.frames import known_rows
from vinemap.report.report import map_report
from vinemap.settings import Settings
from vinemap.sheet.crew import LANGUAGES, crew_sheet, write_sheet
from vinemap.sheet.zone_map import block_maps
from vinemap.web.pdf import write_pdf

_LAYOUTS = {"blocks": BLOCKS_CSV, "samples": SAMPLES_CSV, "zones": ZONES_CSV, "worklist": WORK_LIST}


def write_map(
    run: MapRun,
    out: str | os.PathLike[str],
    earlier: str | os.PathLike[str] | None = None,
    progress: Progress = quiet,
    *,
    pdf: bool = False,
    folder: Path | None = None,
) -> list[Path]:
    """Write the outputs of a run, all or nothing.

    Parameters
    ----------
    run : MapRun
        What was found.
    out : Path
        Folder; what an earlier run wrote there is replaced once all is written, and what people put there stays.
    earlier : Path, optional
        Output folder of an earlier run, for a layer that shows the change.
    progress : callable
        Called with words for what is being done.
    pdf : bool
        Write the crew sheets as PDF too.
    folder : Path, optional
        The vineyard's, where what was read is a passing copy of it.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    InputError
        When ``earlier`` is no output folder, or ``out`` is not this vineyard's to fill (`vinemap.exports.record`).
    VinemapError
        When PDF is asked for and cannot be made here.

    Examples
    --------
    >>> import tempfile
    >>> run = vinemap.make_map("demo_blocks")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     vinemap.write_map(run, folder)[0].name
    'map.html'
    """
    progress("writing")
    out = Path(out)
    with staged(out, folder or run.vineyard.site.folder, "map", run.report) as stage:
        _fill(stage, run, None if earlier is None else Path(earlier), pdf=pdf)
        names = _page_first(stage)
    return [out / name for name in names]


def write_spring(check: SpringCheck, run: MapRun, out: Path, progress: Progress = quiet) -> list[Path]:
    """Write the corrected map, how the first one did (spring_samples.csv, spring_calibration.csv), and the razor.

    Parameters
    ----------
    check, run
        Of `check_spring`.
    out : Path
        Folder, as in `write_map`.
    progress : callable
        Called with words for what is being done.

    Returns
    -------
    list of Path
        What was written, the page first.
    """
    progress("writing")
    with staged(out, run.vineyard.site.folder, "spring", run.report) as stage:
        _fill(stage, run)
        quoted = run.vineyard.site.settings.quote_formulas
        write_csv(check.samples, stage / "spring_samples.csv", SPRING_SAMPLES, quoted=quoted)
        write_csv(check.calibration, stage / "spring_calibration.csv", SPRING_CALIBRATION)
        if check.razor is not None:
            write_csv(check.razor, stage / "spring_razor.csv", SPRING_RAZOR, quoted=quoted)
        names = _page_first(stage)
    return [out / name for name in names]


def _fill(stage: Path, run: MapRun, earlier: Path | None = None, *, pdf: bool = False) -> None:
    """Write every output of a run into a folder."""
    blocks_then, surface_then = (None, None) if earlier is None else _earlier(run, earlier)
    settings, frames = run.vineyard.site.settings, known_rows(run.vineyard.site.blocks, run.vineyard.site.rows)
    write_page(
        stage / "map.html",
        blocks=run.blocks,
        samples=run.samples,
        nodes=run.vineyard.nodes,
        zones=run.zones,
        surface=run.surface,
        report=run.report,
        settings=settings,
        work=run.work,
        canes=run.canes,
        compare=blocks_then,
        compare_surface=surface_then,
        terrain=run.terrain,
        protection=run.vineyard.site.protection,
        rows=frames,
        online=_online(settings),
    )
    _write_sheets(run, stage, pdf=pdf)
    layers = {"blocks": run.blocks, "samples": run.samples, "zones": run.zones}
    for name, table in {**layers, "worklist": run.work}.items():
        write_csv(table, stage / f"{name}.csv", _LAYOUTS[name], quoted=settings.quote_formulas)
    if run.report["crop_loss"] is not None:
        _write_report(run, stage, pdf=pdf)
    if len(run.rows):
        write_csv(run.rows, stage / "rows.csv", ROWS_CSV, quoted=settings.quote_formulas)
    if run.canes is not None and len(run.canes):
        write_csv(run.canes, stage / "more_canes.csv", MORE_CANES_CSV, quoted=settings.quote_formulas)
    write_workbook(stage / "worklist.xlsx", _content(run))
    write_geopackage(layers, stage / "vineyard.gpkg")
    write_styles(map_styles(settings.language, run.zones["action"]), stage / "vineyard.gpkg")
    write_injury(run.surface, stage / "injury.tif")
    write_injury_styles(stage / "injury.tif")
    (stage / "navigation").mkdir()
    ends = row_ends(run.rows, frames)
    write_navigation(run.zones, stage / "navigation", settings.language, spring="spring" in run.report, ends=ends)


def _content(run: MapRun) -> Content:
    """Return what the workbook is made of."""
    zones = by_what_decides(run.zones, spring="spring" in run.report)
    return Content(run.blocks, zones, run.samples, run.work, run.rows, run.report, run.vineyard.site.settings)


def _earlier(run: MapRun, out: Path) -> tuple[gpd.GeoDataFrame, xr.Dataset]:
    """Read back an earlier run, which must lie on the same ground."""
    earlier = read_earlier(out, run.blocks)
    return earlier.blocks, earlier.winter.surface


def _page_first(stage: Path) -> list[str]:
    names = {RUN_FILE, *(file.name for file in stage.iterdir())}
    return sorted(names, key=lambda name: (name != "map.html", name))


def _write_sheets(run: MapRun, stage: Path, *, pdf: bool) -> None:
    """Write the crew sheets in every language."""
    spring, units = "spring" in run.report, run.vineyard.site.settings.units
    zones = by_what_decides(run.zones, spring=spring)
    drawings = block_maps(run.blocks, zones, run.terrain, units)
    for language in LANGUAGES:
        sheet = crew_sheet(
            blocks=run.blocks,
            zones=zones,
            terrain=run.terrain,
            drawings=drawings,
            credit=(run.report["elevation_source"] or {}).get("credit", ""),
            settings=run.vineyard.site.settings,
            name=run.vineyard.site.name,
            language=language,
            made=dt.date.fromisoformat(run.report["made"][:10]),
            spring=spring,
            work=run.work,
            canes=run.canes,
        )
        path = stage / f"crew_sheet_{language}.html"
        write_sheet(sheet, path)
        if pdf:
            write_pdf(sheet.html(own_style=True), path.with_suffix(".pdf"))


def _write_report(run: MapRun, stage: Path, *, pdf: bool) -> None:
    """Write the report in the vineyard's language."""
    said = {**run.report, "held_out": verdict(run.report["scores"])}
    settings = run.vineyard.site.settings
    report = map_report(blocks=run.blocks, samples=run.samples, surface=run.surface, run=said, settings=settings)
    path = stage / "report.html"
    path.write_text(report.html(), encoding="utf-8")
    if pdf:
        write_pdf(report.html(), path.with_suffix(".pdf"))


def _online(settings: Settings) -> OnlineBasemap | None:
    page = settings.page
    return OnlineBasemap(page.online_tiles, page.online_credit, page.online_zoom) if page.online_tiles else None
