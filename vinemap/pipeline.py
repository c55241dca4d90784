"""From a vineyard folder to the finished map: the only module that knows every stage."""

from __future__ import annotations

import datetime as dt
import os
import platform
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.columns import (
    BLOCKS,
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
from vinemap.decisions.actions import decide
from vinemap.decisions.by_zone import settled
from vinemap.decisions.checks import check_table
from vinemap.decisions.crop_loss import crop_losses
from vinemap.decisions.evidence import block_evidence, cut_canes, differs_sentence, zone_evidence
from vinemap.decisions.more_canes import more_canes
from vinemap.decisions.regrowth import SPRING, decide_spring, resting_on_shoots
from vinemap.decisions.season import WINTER
from vinemap.decisions.spring import SpringCheck, check_forecast, corrected, spring_findings
from vinemap.decisions.ticked import with_ticks
from vinemap.decisions.vine_rows import row_ends, sample_vines, with_rows, zone_rows
from vinemap.decisions.worklist import by_action, work_list
from vinemap.decisions.zone_places import with_places
from vinemap.decisions.zones import action_zones
from vinemap.errors import InputError, Problem, TooFewSamplesError
from vinemap.evidence.covariate import Evidence
from vinemap.evidence.gridded import layer_evidence
from vinemap.evidence.protected import protection_evidence
from vinemap.evidence.temperature import FEWEST_LOGGERS, NightTemperature, night_of, night_sentences
from vinemap.evidence.winters import winter_evidence
from vinemap.exports.earlier import CUT, EarlierRun, read_earlier, refuse_twice
from vinemap.exports.exchange import staged
from vinemap.exports.formats import write_csv, write_geopackage, write_injury
from vinemap.exports.navigation import write_navigation
from vinemap.exports.picture import plot_map
from vinemap.exports.record import RUN_FILE, digest
from vinemap.exports.styles import map_styles, write_injury_styles, write_styles
from vinemap.exports.summary import findings, spring_summary, verdict, work_found
from vinemap.exports.workbook import Content, write_workbook
from vinemap.guesses import Guesses
from vinemap.page.map_page import write_page
from vinemap.page.shell import OnlineBasemap
from vinemap.reading.elevation import origin
from vinemap.reading.files import inputs_in
from vinemap.reading.frames import known_rows
from vinemap.reading.loggers import logger_files
from vinemap.reading.shoots import read_shoots
from vinemap.reading.vineyard import Vineyard, read_vineyard
from vinemap.report.report import map_report
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.sheet.crew import LANGUAGES, crew_sheet, write_sheet
from vinemap.sheet.zone_map import block_maps
from vinemap.states import Bud
from vinemap.surface.draws import block_intervals, share_too_few
from vinemap.surface.fit import InjuryMap, injury_map, refuse_too_few
from vinemap.surface.observations import Observations
from vinemap.surface.trunks import wood_layers
from vinemap.survival.before import dead_before, net_table
from vinemap.survival.growth import block_growth, growth
from vinemap.survival.razor import razor_table
from vinemap.survival.tables import block_table, sample_table
from vinemap.survival.tally import kept_nodes, tally
from vinemap.survival.wood import wood_table
from vinemap.terrain.grid import block_grid, cell_size
from vinemap.terrain.layers import terrain_layers
from vinemap.web.pdf import write_pdf

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Progress = Callable[[str], None]

_LAYOUTS = {"blocks": BLOCKS_CSV, "samples": SAMPLES_CSV, "zones": ZONES_CSV, "worklist": WORK_LIST}
_LIBRARIES = ("folium", "geopandas", "numpy", "pandas", "pyproj", "rasterio", "scipy", "shapely", "xarray")


def _quiet(_: str) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class MapRun:
    """Everything that one run found.

    Attributes
    ----------
    vineyard : Vineyard
        What was read.
    tallies : DataFrame
        Buds dead and read, by sample, part and tissue.
    blocks, samples, zones : GeoDataFrame
        The rows of blocks.csv, samples.csv and zones.csv with their geometry.
    work : DataFrame
        The rows of worklist.csv.
    rows : DataFrame
        The rows of rows.csv; none where no block's vine rows are measured.
    canes : GeoDataFrame or None
        The rows of more_canes.csv with their places; None after budbreak.
    surface : Dataset
        The injury grid.
    terrain : Dataset or None
        The terrain grid; None without an elevation grid.
    report : dict
        The content of run.json.
    findings : list of Sentence
        What to know first, in plain sentences.
    """

    vineyard: Vineyard
    tallies: pd.DataFrame
    blocks: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    work: pd.DataFrame
    rows: pd.DataFrame
    canes: gpd.GeoDataFrame | None
    surface: xr.Dataset
    terrain: xr.Dataset | None
    report: dict[str, Any]
    findings: list[Sentence]

    def block(self, name: str) -> pd.Series[Any]:
        """Return the row of one block; raise `InputError`, with the nearest name, where there is none."""
        return block_named(self.blocks, name)

    def zones_of(self, name: str) -> pd.DataFrame:
        """Return the rows of one block's zones, the worst first."""
        here = self.zones["block"] == name
        return pd.DataFrame(self.zones.drop(columns="geometry"))[here]

    def plot(self, layer: str = "primary_injury", ax: Axes | None = None) -> Axes:
        """Draw a layer of the surface with the blocks and the samples; see `vinemap.exports.picture.plot_map`."""
        return plot_map(self.surface, self.blocks, self.samples, layer, ax)


def block_named(blocks: gpd.GeoDataFrame, name: str) -> pd.Series[Any]:
    """Return the row of one block, as `MapRun.block` does, of any table of blocks."""
    names = blocks["block"].tolist()
    if name not in names:
        near = Guesses(names, 0.0).of(name)
        remedy = f"did you mean {near!r}?" if near else "give the name of a block"
        raise InputError([Problem("blocks", None, "block", f"there is no block {name!r}", remedy)])
    return pd.Series(blocks.drop(columns="geometry").iloc[names.index(name)])


def make_map(
    vineyard: Vineyard | str | os.PathLike[str],
    progress: Progress = _quiet,
    after: Sequence[str | os.PathLike[str]] = (),
) -> MapRun:
    """Find out what died, where, and what to do.

    Parameters
    ----------
    vineyard : Vineyard or path
        As `vinemap.read` gives it, or the folder to read.
    progress : callable
        Called with words for what is being done.
    after : sequence of path
        Output folders of earlier runs on the same ground, each of another freeze: where it froze then is weighed as
        terrain is.

    Raises
    ------
    InputError
        When the folder cannot be used as it stands, or has fewer than 3 samples in its blocks; when a folder of
        ``after`` holds no run of this ground, or one of this freeze.

    Examples
    --------
    >>> run = vinemap.make_map("demo_blocks")
    >>> run.blocks.nlargest(1, "map_injury_pct")[["block", "action"]].to_dict("records")
    [{'block': 'Dipper', 'action': 'work_by_zone'}]
    """
    if not isinstance(vineyard, Vineyard):
        progress("reading")
        vineyard = read_vineyard(vineyard)
    progress("survival")
    return _mapped(vineyard, _tallied(vineyard), progress, earlier=_before(vineyard, after))


def _before(vineyard: Vineyard, after: Sequence[str | os.PathLike[str]]) -> list[EarlierRun]:
    """Read earlier runs back, each of another freeze than the others and this one."""
    runs = [read_earlier(Path(out), vineyard.site.blocks) for out in after]
    date = vineyard.site.settings.event_date
    folder = vineyard.site.folder
    cut = {name: digest(folder / name) for name in inputs_in(folder) if name.startswith(CUT)}
    refuse_twice(runs, cut, None if date is None else date.isoformat())
    return runs


def check_folder(folder: str | os.PathLike[str]) -> Vineyard:
    """Read a vineyard folder, and make sure that it can be mapped.

    Parameters
    ----------
    folder : Path
        Of the vineyard.

    Raises
    ------
    InputError
        As `make_map` would.
    """
    vineyard = read_vineyard(folder)
    with _named(vineyard):
        refuse_too_few(Observations.of(vineyard.samples, vineyard.site.blocks, _tallied(vineyard), Bud.PRIMARY))
    return vineyard


def _tallied(vineyard: Vineyard) -> pd.DataFrame:
    kept = kept_nodes(vineyard.samples, vineyard.site.blocks, vineyard.site.settings)
    return tally(vineyard.nodes, vineyard.counts, kept)


@contextmanager
def _named(vineyard: Vineyard) -> Iterator[None]:
    """Turn too few samples into a problem of the samples' file."""
    try:
        yield
    except TooFewSamplesError as error:
        remedy, alone = "cut more canes, then map again", int(vineyard.samples.geometry.isna().sum())
        if alone:
            known = f"{alone} sample{' is' if alone == 1 else 's are'} known by the block alone"
            remedy = f"{known}: give each a point, or its row and vine, then map again"
        raise InputError([Problem("samples", None, "", str(error), remedy)]) from error


def check_spring(folder: Path, counts: Path, progress: Progress = _quiet) -> tuple[SpringCheck, MapRun]:
    """Hold shoots counted after budbreak against the map, and map again with them.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    counts : Path
        Table of shoots, as `vinemap.columns.SHOOTS` has it.
    progress : callable
        Called with words for what is being done.

    Returns
    -------
    check : SpringCheck
        How the map did.
    run : MapRun
        The map with what grew in the place of what the razor said of whole nodes.

    Raises
    ------
    InputError
        When the folder or the table cannot be used.
    """
    first = make_map(folder, progress)
    vineyard = first.vineyard
    shoots = read_shoots(counts, set(vineyard.samples["sample"]))
    grown = growth(shoots, vineyard.site.settings.actions.rules.spring.fewest_nodes)
    settings, samples = vineyard.site.settings, vineyard.samples
    confidence, kept = settings.survival.confidence, kept_nodes(samples, vineyard.site.blocks, settings)
    razor = razor_table(vineyard.nodes, vineyard.counts, kept, grown, confidence)
    check = check_forecast(grown, samples, first.surface, confidence, razor)
    run = _mapped(vineyard, corrected(first.tallies, grown), progress, grown)
    return check, replace(run, report=run.report | {"spring": _spring_report(check, run)})


def _spring_report(check: SpringCheck, run: MapRun) -> dict[str, Any]:
    """Return what run.json and the page say of the shoots."""
    settings = run.vineyard.site.settings
    return {
        "samples": len(check.grown),
        "nodes": int(check.grown["nodes"].sum()),
        "blind": int(check.grown["blind"].sum()),
        "findings": [_rests(check, run), *spring_findings(check, settings)],
        "razor": [] if check.razor is None else check.razor.to_dict("records"),
        "razor_published_pct": settings.actions.rules.razor.agreement_pct,
    }


def _rests(check: SpringCheck, run: MapRun) -> Sentence:
    """Say what the map rests on, and what is not said any more."""
    if f"{Bud.NO_LIVE_BUD}_injury" not in run.surface:
        return Sentence("spring.unchanged")
    counted = check.grown[check.grown["nodes"] > 0]
    nodes = Figure(counted["nodes"].sum())
    samples = Sentence.counted("count.samples", len(counted))
    rest = len(run.vineyard.samples) - len(counted)
    if not rest:
        return Sentence("spring.rests.all", nodes=nodes, counted=samples)
    return Sentence("spring.rests", nodes=nodes, counted=samples, rest=Sentence.counted("count.samples", rest))


def _by_what_decides(zones: gpd.GeoDataFrame, *, spring: bool) -> gpd.GeoDataFrame:
    """Return zones whose injury is that of the figure that decides: in spring, of nodes with no shoot."""
    if not spring:
        return zones
    return zones.assign(**{f"injury{end}_pct": zones[f"no_live_bud{end}_pct"] for end in ("", "_low", "_high")})


def _mapped(
    vineyard: Vineyard,
    tallies: pd.DataFrame,
    progress: Progress,
    grown: pd.DataFrame | None = None,
    earlier: Sequence[EarlierRun] = (),
) -> MapRun:
    """From counts to actions: by the buds that were cut or, where shoots were counted, by what grew."""
    settings, blocks, samples = vineyard.site.settings, vineyard.site.blocks, vineyard.samples
    frames = known_rows(blocks, vineyard.site.rows)
    progress("terrain")
    grid = block_grid(blocks, settings.surface.cell_m, settings.surface.max_cells)
    terrain = None
    if vineyard.site.elevation is not None:
        terrain = terrain_layers(vineyard.site.elevation, vineyard.site.crs, tuple(blocks.total_bounds))
    night = night_of(vineyard.site.loggers, grid, terrain)
    known = _evidence(vineyard, night, earlier)
    with _named(vineyard):
        injury = injury_map(samples, blocks, tallies, grid, terrain, settings.surface, progress, _others(grown), known)
    progress("wood")
    trunks = wood_layers(vineyard.wood, samples, blocks, grid, terrain, settings.surface, grown, known)
    surface = injury.grid.merge(trunks)
    if night is not None:
        surface = surface.assign(night.layers(grid))
    progress("actions")
    spring = grown is not None
    if spring:
        surface = resting_on_shoots(surface, settings)
    cut = sample_table(samples, tallies, settings.survival.confidence)
    cut = cut.assign(canes=cut_canes(samples, vineyard.nodes)).drop(columns=["stated_row", "stated_vine"])
    cut = cut.join(sample_vines(frames, samples))
    sample_rows = _with_geometry(SAMPLES_CSV.arranged(cut), samples)
    by_mean = _block_rows(vineyard, tallies, injury, grown)
    evidence = block_evidence(by_mean, sample_rows, surface, terrain, settings.actions.rules)
    by_mean = by_mean.assign(**{str(name): evidence[name] for name in evidence})
    joint = injury.others.get(Bud.NO_LIVE_BUD) if spring else injury.joint
    averages = None if joint is None else joint.credible_interval
    zones = action_zones(surface, by_mean, settings, averages, SPRING if spring else WINTER, frames)
    zones = _with_net(zone_evidence(zones, by_mean, sample_rows, settings.actions.rules), by_mean)
    canes = None
    if not spring:
        # After budbreak what grew is counted, and no cane is cut.
        sd = injury.model["between_vine_sd"]
        zones, canes = more_canes(zones, by_mean, frames, samples, injury.joint, sd, settings)
    rows = zone_rows(frames, zones)
    zones = ZONES_CSV.arranged(with_places(with_rows(zones, rows), blocks))
    block_rows = settled(by_mean, zones, settings, spring=spring)
    warnings = [*vineyard.warnings, *_surface_warnings(vineyard, injury), *_apart(block_rows)]
    warnings += _posts_assumed(blocks, rows, settings.actions.post_space_m)
    # After budbreak what grew decides, and the razor's crop is out of date.
    losses = None if spring else crop_losses(injury.shares, block_rows, settings).to_dict("records")
    work = work_list(_by_what_decides(zones, spring=spring), block_rows, settings)
    work, strays = with_ticks(work, vineyard.done)
    warnings += strays
    found = spring_summary(block_rows, zones, settings) if spring else findings(block_rows, zones, injury, settings)
    return MapRun(
        vineyard,
        tallies,
        block_rows,
        sample_rows,
        zones,
        work,
        rows,
        canes,
        surface,
        terrain,
        _report(vineyard, injury, zones, warnings, losses) | _of_night(night, settings) | _told(earlier),
        [*found, *work_found(work, settings), *([] if night is None or spring else night_sentences(night, settings))],
    )


def _evidence(
    vineyard: Vineyard, night: NightTemperature | None, earlier: Sequence[EarlierRun]
) -> tuple[Evidence, ...]:
    """Return what else than terrain is known of a vineyard's ground; each source of evidence adds its own here."""
    site = vineyard.site
    ground = site.crs, tuple(site.blocks.total_bounds), site.settings.surface.cell_m
    hardiness = site.settings.actions.rules.hardiness
    layers = tuple(layer_evidence(layer, *ground) for layer in site.layers)
    protection = () if site.protection is None else protection_evidence(site.protection)
    cold = () if night is None else (night.evidence(hardiness.slope, hardiness.slope_sd),)
    winters = (winter_evidence([run.winter for run in earlier], *ground),) if earlier else ()
    return (*layers, *protection, *cold, *winters)


def _of_night(night: NightTemperature | None, settings: Settings) -> dict[str, Any]:
    """Return what run.json and the page say of the temperatures of the night."""
    if night is None:
        return {}
    loggers = night.loggers.to_crs(4326)
    places = zip(loggers.geometry.x.round(7), loggers.geometry.y.round(7), strict=True)
    rows = loggers[["logger", "min_c", "height_m"]].to_dict("records")
    lie = night.lie
    return {
        "night": {
            "loggers": [{**row, "lon": lon, "lat": lat} for row, (lon, lat) in zip(rows, places, strict=True)],
            "lie": None if lie is None else {**asdict(lie), "said": lie.key},
            "findings": night_sentences(night, settings),
        }
    }


def _told(earlier: Sequence[EarlierRun]) -> dict[str, Any]:
    """Return which freezes the map comes after, where it does."""
    return {"after": [run.winter.name for run in earlier]} if earlier else {}


def _others(grown: pd.DataFrame | None) -> tuple[Bud, ...]:
    """Return the tissues whose averages need intervals beside the primary buds'."""
    return () if grown is None else (Bud.NO_LIVE_BUD, Bud.FROZEN)


def _block_rows(
    vineyard: Vineyard, tallies: pd.DataFrame, injury: InjuryMap, grown: pd.DataFrame | None
) -> gpd.GeoDataFrame:
    """Join what was cut, what the map says, the wood and the action by its mean of every block."""
    settings, blocks, samples = vineyard.site.settings, vineyard.site.blocks, vineyard.samples
    confidence = settings.survival.confidence
    rows = block_table(blocks, samples, tallies, confidence).join(injury.blocks)
    rows = rows.join(dead_before(blocks, samples, tallies, settings))
    rows = rows.join(net_table(rows[["map_injury_pct", "map_low_pct", "map_high_pct"]], rows))
    given = [name for name in BLOCKS.names if name not in rows]
    rows = rows.join(blocks[given]).join(wood_table(vineyard.wood, samples, blocks, confidence, grown))
    if grown is not None:
        rows = rows.assign(**_of_spring(injury, settings)).join(block_growth(grown, samples, blocks))
    decided = decide(rows, settings) if grown is None else decide_spring(rows, settings)
    rows[decided.columns] = decided
    rows = rows.join(check_table(rows, settings, spring=grown is not None))
    return _with_geometry(BLOCKS_CSV.arranged(rows), blocks)


def _with_net(zones: gpd.GeoDataFrame, blocks: pd.DataFrame) -> gpd.GeoDataFrame:
    """Join what the freeze itself killed of each zone, by what was dead before it in the block."""
    before = blocks.set_index("block").loc[zones["block"]]
    net = net_table(zones[["injury_pct", "injury_low_pct", "injury_high_pct"]], before)
    return ZONES_CSV.arranged(zones.join(net))


def _of_spring(injury: InjuryMap, settings: Settings) -> dict[str, pd.Series[float]]:
    """Return what the map says of nodes with no shoot and of frozen shoots in every block, with its intervals."""
    found: dict[str, pd.Series[float]] = {}
    for tissue, joint in injury.others.items():
        table = block_intervals(joint, injury.grid, tissue)
        found |= {str(name): table[name] for name in table}
    return found | {"too_few_pct": share_too_few(resting_on_shoots(injury.grid, settings))}


def write_map(
    run: MapRun,
    out: str | os.PathLike[str],
    earlier: str | os.PathLike[str] | None = None,
    progress: Progress = _quiet,
    *,
    pdf: bool = False,
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
    with staged(out, run.vineyard.site.folder, "map", run.report) as stage:
        _fill(stage, run, None if earlier is None else Path(earlier), pdf=pdf)
        names = _page_first(stage)
    return [out / name for name in names]


def write_spring(check: SpringCheck, run: MapRun, out: Path, progress: Progress = _quiet) -> list[Path]:
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
    zones = _by_what_decides(run.zones, spring="spring" in run.report)
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
    zones = _by_what_decides(run.zones, spring=spring)
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


def _summed(work: pd.DataFrame) -> list[dict[str, Any]]:
    """Return sums by action as JSON holds them: missing vines as null."""
    rounded = ZONES_CSV.rounded(work).astype({"vines": "Int64"}).astype(object)
    return [
        {str(name): value for name, value in row.items()} for row in rounded.replace({pd.NA: None}).to_dict("records")
    ]


def _online(settings: Settings) -> OnlineBasemap | None:
    page = settings.page
    return OnlineBasemap(page.online_tiles, page.online_credit, page.online_zoom) if page.online_tiles else None


def _with_geometry(table: pd.DataFrame, source: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(table, geometry=source.geometry.to_numpy(), crs=source.crs)


def _surface_warnings(vineyard: Vineyard, injury: InjuryMap) -> list[Sentence]:
    """Say what the map cannot do."""
    warnings = []
    wanted, cell = vineyard.site.settings.surface.cell_m, cell_size(injury.grid)
    if cell > wanted * 1.001:
        filled = float(vineyard.site.blocks.area.sum()) / wanted**2 > vineyard.site.settings.surface.max_cells
        key = "warning.cells" if filled else "warning.cells.scattered"
        warnings.append(Sentence(key, wanted=Figure(wanted, None), cell=Figure(cell, 1)))
    if vineyard.site.elevation is None:
        warnings.append(Sentence("warning.no_elevation"))
    warnings.extend(_evidence_warnings(injury.model["evidence"]))
    loggers = vineyard.site.loggers
    if loggers is not None and len(loggers) < FEWEST_LOGGERS:
        warnings.append(Sentence.counted("warning.logger.few", len(loggers), least=FEWEST_LOGGERS))
    if not injury.scores["better_than_block_means"]:
        warnings.extend(verdict(injury.scores))
    return warnings


def _evidence_warnings(known: list[dict[str, Any]]) -> Iterator[Sentence]:
    """Say what evidence does not reach all ground, or tells nothing."""
    for one in known:
        if one["unknown"] is None:
            yield Sentence("warning.evidence.silent", name=one["label"])
        elif (share := Figure(100 * one["unknown"], 0, "%")).value >= 0.5:
            yield Sentence("warning.evidence.unknown", name=one["label"], share=share)


def _posts_assumed(blocks: gpd.GeoDataFrame, rows: pd.DataFrame, post_space_m: float) -> list[Sentence]:
    """Say in which blocks borders follow posts that nobody has counted."""
    unknown = blocks.loc[blocks["vines_between_posts"].isna(), "block"]
    zones = rows.groupby("block")["zone"].nunique()
    names = [name for name in unknown if zones.get(name, 0) > 1]
    if not names or not post_space_m:
        return []
    return [Sentence("warning.posts", blocks=Listed(names), space=Figure(post_space_m, None))]


def _apart(blocks: pd.DataFrame) -> list[Sentence]:
    """Say of which blocks what was cut and what the map has lie far apart, and why."""
    rows = blocks.drop(columns="geometry").to_dict("records")
    said = [(row["block"], differs_sentence(row)) for row in rows]
    return [Sentence("warning.differs", block=block, differs=why) for block, why in said if why is not None]


def _report(
    vineyard: Vineyard,
    injury: InjuryMap,
    zones: pd.DataFrame,
    warnings: list[Sentence],
    losses: list[dict[Any, Any]] | None,
) -> dict[str, Any]:
    settings, folder = vineyard.site.settings, vineyard.site.folder
    mean, low, high = injury.area_over_ha
    return {
        "vinemap": version("vinemap"),
        "made": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in _LIBRARIES},
        "name": vineyard.site.name,
        "event_date": settings.event_date,
        "crs": vineyard.site.crs.to_string(),
        "cell_m": cell_size(injury.grid),
        "elevation": vineyard.site.elevation is not None,
        "elevation_source": origin(vineyard.site.elevation),
        "threshold": settings.surface.threshold,
        "area_over_threshold_ha": {"mean": mean, "low": low, "high": high},
        "work": _summed(by_action(zones)),
        "settings": settings.model_dump(mode="json", by_alias=True),
        "model": injury.model,
        "scores": {**injury.scores, "text": " ".join(verdict(injury.scores))},
        "warnings": warnings,
        "crop_loss": losses,
        "inputs": {
            name: digest(folder / name)
            for name in [
                *inputs_in(folder),
                *logger_files(folder),
                *(layer.file for layer in vineyard.site.layers),
            ]
        },
    }
