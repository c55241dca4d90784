"""From a vineyard folder to the plan and its files."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from pyproj import Transformer

from vinemap.arrays import Array
from vinemap.bench.bench_page import write_bench
from vinemap.errors import InputError, Problem
from vinemap.evidence.gathered import gathered
from vinemap.evidence.temperature import night_of
from vinemap.exports.earlier import kept_outputs, read_earlier
from vinemap.exports.exchange import claimed, staged
from vinemap.plan.options import PlanOptions
from vinemap.plan.outlook import outlook_of, plain_grid
from vinemap.plan.outputs import write_files
from vinemap.plan.plan import Plan
from vinemap.plan.points import spread_points
from vinemap.plan.round_sheet import write_sheet
from vinemap.plan.second import fit_posterior, next_points
from vinemap.plan.sizes import block_sizes
from vinemap.plan.stops import as_stops, line_on
from vinemap.plan.survey import Survey, read_survey
from vinemap.plan.walk import plan_walk
from vinemap.plan.worth import worth_after, worth_before
from vinemap.reading.elevation import origin
from vinemap.reading.frames import block_frames
from vinemap.reading.vineyard import Site, Vineyard
from vinemap.sentences import Figure, Sentence, said
from vinemap.surface.design import most_covariates
from vinemap.surface.observations import FEWEST_SAMPLES
from vinemap.surface.undecided import Posterior
from vinemap.terrain.layers import terrain_layers

_FARTHEST_M = 20_000.0


def make_plan(
    folder: Path,
    out: Path,
    options: PlanOptions | None = None,
    *,
    first: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Plan:
    """Plan where to collect canes and write the sheet, the points and the page for the bench.

    Files: plan.html, plan.gpx, plan.kml, plan.geojson, samples.csv, buds.csv, bench.html, run.json.

    Parameters
    ----------
    folder : Path
        Of the vineyard: blocks, and elevation where there is one. Where it holds samples and buds too, they are the
        first survey, and the plan is the second round.
    out : Path
        Folder for the files, all or nothing; samples.csv there is a template for the new samples alone.
    options : PlanOptions, optional
        The defaults where not given.
    first : bool
        Plan a first round even where there is a survey.
    progress : callable
        Called with words for what is being done.

    Returns
    -------
    Plan
        What was planned; `vinemap.plan.overview.sentences` says it.

    Raises
    ------
    InputError
        When the folder cannot be used as it stands, when samples.csv or buds.csv in ``out`` has been filled in, or when
        ``out`` is otherwise not this vineyard's to fill (`vinemap.exports.record`).
    """
    options = PlanOptions() if options is None else options
    with claimed(out, folder):
        plan = plan_round(folder, options, first=first, progress=progress)
        progress("writing")
        with staged(out, folder, "plan", _report(plan), to_fill=("samples.csv", "buds.csv")) as stage:
            _fill(stage, plan)
    return plan


def _fill(stage: Path, plan: Plan) -> None:
    """Write every file of a plan into a folder."""
    language = plan.settings.language
    words = [line_on(stop, language) for stop in plan.points.to_dict("records")]
    name, care = said(language, "plan.map"), said(language, "plan.gpx.care")
    write_files(plan.points, plan.walk.path, words, name, care, stage, quoted=plan.settings.quote_formulas)
    write_sheet(plan, stage / "plan.html", dt.date.today())
    write_bench(
        stage / "bench.html",
        samples=plan.points[["sample", "block", "nodes"]],
        name=plan.name,
        language=language,
        confidence=plan.settings.survival.confidence,
        rho=plan.rho,
        surveyed=plan.rho_from == "survey",
    )


def _report(plan: Plan) -> dict[str, Any]:
    """Return what run.json says of a plan."""
    return {
        "made": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "name": plan.name,
        "crs": plan.crs.to_string(),
        "options": asdict(plan.options),
        "rho": plan.rho,
        "rho_from": plan.rho_from,
        "canes": len(plan.points),
        "worth": None if plan.worth is None else asdict(plan.worth),
        "elevation_source": plan.origin,
        "warnings": list(plan.warnings),
    }


def plan_round(
    folder: Path,
    options: PlanOptions,
    *,
    first: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> Plan:
    """Plan a round; parameters and errors are those of `make_plan`."""
    progress("reading")
    survey = read_survey(folder, first=first)
    site = survey.site
    progress("terrain")
    terrain = (
        None if site.elevation is None else terrain_layers(site.elevation, site.crs, tuple(site.blocks.total_bounds))
    )
    directions, frames = block_frames(site.blocks, site.rows)
    progress("points")
    rho = survey.correlation.rho if survey.correlation.known else options.rho
    gain, outlook, worth, used = None, None, None, set[str]()
    if survey.vineyard is None:
        outlook = outlook_of(site, terrain)
        sizes = block_sizes(survey.table, options, rho, shares=None if outlook is None else outlook.shares())
        rng = np.random.default_rng(options.seed)
        table = spread_points(site.blocks, sizes["canes"].tolist(), terrain, frames, options.edge_m, rng, outlook)
    else:
        posterior = _posterior(survey, survey.vineyard, options, terrain)
        gain = next_points(posterior, site.blocks, terrain, frames, options.edge_m, options.points)
        table, used = gain.points, set(survey.vineyard.samples["sample"])
        chosen = np.bincount(table["block_row"], minlength=len(site.blocks)).tolist()
        sizes = block_sizes(survey.table, options, rho, chosen)
    progress("worth")
    chosen_at, nodes = table[["x", "y"]].to_numpy(), options.nodes_per_cane
    if survey.vineyard is None:
        worth = worth_before(site, terrain, outlook, chosen_at, options.share, nodes, options.seed)
    elif most_covariates(int(survey.table["samples"].sum())):
        worth = worth_after(site, posterior, chosen_at, options.seed)
    progress("walk")
    walk = plan_walk(
        site.blocks,
        directions,
        table["block_row"].to_numpy(),
        table[["x", "y"]].to_numpy(),
        terrain,
        options.minutes_per_stop,
        _start(site, options),
        fences=options.fences,
    )
    ordered: pd.DataFrame = table.iloc[walk.order].reset_index(drop=True)
    return Plan(
        name=site.name,
        settings=site.settings,
        options=options,
        crs=site.crs,
        blocks=site.blocks,
        points=as_stops(site.blocks, ordered, frames, terrain, options.nodes_per_cane, used),
        sizes=sizes,
        rho=rho,
        rho_from="survey" if survey.correlation.known else "assumed",
        walk=walk,
        directions=directions,
        frames=frames,
        terrain=terrain,
        gain=gain,
        outlook=outlook,
        worth=worth,
        origin=origin(site.elevation),
        warnings=(site if survey.vineyard is None else survey.vineyard).warnings,
    )


def _start(site: Site, options: PlanOptions) -> Array | None:
    """Return where the walk starts, in the metric CRS."""
    if options.start is None:
        return None
    start = np.array(Transformer.from_crs("EPSG:4326", site.crs, always_xy=True).transform(*options.start))
    away = float(shapely.distance(shapely.Point(start), shapely.box(*site.blocks.total_bounds)))
    if not away <= _FARTHEST_M:
        lon, lat = (f"{degrees:g}" for degrees in options.start)
        what = Sentence("fault.start_far", lon=lon, lat=lat)
        raise InputError([Problem("start", None, "", what, Sentence("remedy.start_far"))])
    return start


def _posterior(survey: Survey, vineyard: Vineyard, options: PlanOptions, terrain: xr.Dataset | None) -> Posterior:
    """Return what a first survey leaves open."""
    cut = int(survey.table["samples"].sum())
    if cut < FEWEST_SAMPLES:
        what = Sentence("fault.second_round", count=Figure(cut), least=Figure(FEWEST_SAMPLES))
        raise InputError([Problem("samples", None, "", what, Sentence("remedy.second_round"))])
    site, nodes = vineyard.site, options.nodes_per_cane
    winters = [read_earlier(out, site.blocks).winter for out in kept_outputs(site.folder, site.settings)]
    night = night_of(site.loggers, plain_grid(site), terrain)
    known = gathered(site, night, winters)
    return fit_posterior(vineyard.samples, site.blocks, survey.tallies, terrain, site.settings, nodes, known)
