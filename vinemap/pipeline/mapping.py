"""From a vineyard folder to what died, where, and what to do: the only module that knows every stage."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import geopandas as gpd
import pandas as pd
import xarray as xr

from vinemap.columns import BLOCKS, BLOCKS_CSV, SAMPLES_CSV, ZONES_CSV
from vinemap.decisions.actions import decide
from vinemap.decisions.by_zone import settled
from vinemap.decisions.checks import check_table
from vinemap.decisions.crop_loss import crop_losses
from vinemap.decisions.evidence import block_evidence, cut_canes, zone_evidence
from vinemap.decisions.more_canes import more_canes
from vinemap.decisions.regrowth import SPRING, by_what_decides, decide_spring, resting_on_shoots
from vinemap.decisions.season import WINTER
from vinemap.decisions.ticked import with_ticks
from vinemap.decisions.vine_rows import sample_vines, with_rows, zone_rows
from vinemap.decisions.worklist import work_list
from vinemap.decisions.zone_places import with_places
from vinemap.decisions.zones import action_zones
from vinemap.evidence.covariate import Evidence
from vinemap.evidence.gathered import gathered
from vinemap.evidence.region_prior import RegionPrior, read_prior
from vinemap.evidence.temperature import NightTemperature, night_of, night_sentences
from vinemap.evidence.winters import mean_injury
from vinemap.exports.earlier import CUT, EarlierRun, kept_outputs, read_earlier, refuse_twice
from vinemap.exports.record import digest
from vinemap.exports.summary import findings, spring_summary, work_found
from vinemap.pipeline.fit_to_map import named, tallied
from vinemap.pipeline.map_run import MapRun, Progress, quiet
from vinemap.pipeline.run_report import (
    apart_warnings,
    earlier_report,
    night_report,
    posts_warnings,
    run_report,
    surface_warnings,
)
from vinemap.reading.files import inputs_in
from vinemap.reading.frames import known_rows
from vinemap.reading.vineyard import Vineyard, read_vineyard
from vinemap.settings import Settings
from vinemap.states import Bud
from vinemap.surface.draws import block_intervals, share_too_few
from vinemap.surface.fit import InjuryMap, injury_map
from vinemap.surface.trunks import wood_layers
from vinemap.survival.before import dead_before, net_table
from vinemap.survival.growth import block_growth
from vinemap.survival.tables import block_table, sample_table
from vinemap.survival.wood import wood_table
from vinemap.terrain.grid import block_grid
from vinemap.terrain.layers import terrain_layers
from vinemap.varieties import usual_name


def make_map(
    vineyard: Vineyard | str | os.PathLike[str],
    progress: Progress = quiet,
    after: Sequence[str | os.PathLike[str]] = (),
    prior: RegionPrior | str | os.PathLike[str] | None = None,
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
    prior : RegionPrior or path, optional
        What other vineyards of the same night have taught: ``prior.json`` of a region.

    Raises
    ------
    InputError
        When the folder cannot be used as it stands, or has fewer than 3 samples in its blocks; when a folder of
        ``after`` holds no run of this ground, or one of this freeze; when ``prior`` is no region's.

    Examples
    --------
    >>> run = vinemap.make_map("demo_blocks")
    >>> run.blocks.nlargest(1, "map_injury_pct")[["block", "action"]].to_dict("records")
    [{'block': 'Dipper', 'action': 'work_by_zone'}]
    """
    if prior is not None and not isinstance(prior, RegionPrior):
        prior = read_prior(prior)
    if not isinstance(vineyard, Vineyard):
        progress("reading")
        vineyard = read_vineyard(vineyard)
    progress("survival")
    tallies, earlier = tallied(vineyard), before(vineyard, after)
    progress("terrain")
    return mapped(vineyard, tallies, ground_of(vineyard, earlier), progress, earlier=earlier, prior=prior)


def before(vineyard: Vineyard, after: Sequence[str | os.PathLike[str]] = ()) -> list[EarlierRun]:
    """Read earlier runs back, those of the settings first, each of another freeze than the others and this one."""
    site = vineyard.site
    named = [*kept_outputs(site.folder, site.settings), *map(Path, after)]
    runs = [read_earlier(out, site.blocks) for out in named]
    date = vineyard.site.settings.event_date
    folder = vineyard.site.folder
    cut = {name: digest(folder / name) for name in inputs_in(folder) if name.startswith(CUT)}
    refuse_twice(runs, cut, None if date is None else date.isoformat())
    return runs


class Ground(NamedTuple):
    """The cells of a vineyard, its terrain, the temperatures of the night, and what else is known of it."""

    grid: xr.Dataset
    terrain: xr.Dataset | None
    night: NightTemperature | None
    known: tuple[Evidence, ...]


def ground_of(vineyard: Vineyard, earlier: Sequence[EarlierRun] = ()) -> Ground:
    """Return what is known of a vineyard's ground beside its samples."""
    site = vineyard.site
    grid = block_grid(site.blocks, site.settings.surface.cell_m, site.settings.surface.max_cells)
    terrain = None
    if site.elevation is not None:
        terrain = terrain_layers(site.elevation, site.crs, tuple(site.blocks.total_bounds))
    night = night_of(site.loggers, grid, terrain)
    return Ground(grid, terrain, night, gathered(site, night, [run.winter for run in earlier]))


def usual_varieties(vineyard: Vineyard) -> dict[str, str]:
    """Return the usual names of a vineyard's varieties by its own."""
    blocks = vineyard.site.blocks
    kinds = vineyard.site.settings.actions.rules.varieties.kinds(blocks)
    given = zip(blocks["variety"], kinds, strict=True)
    return {str(name): usual_name(str(name), kin) for name, kin in given if not pd.isna(name)}


def injury_of(
    vineyard: Vineyard,
    tallies: pd.DataFrame,
    ground: Ground,
    progress: Progress,
    grown: pd.DataFrame | None = None,
    prior: RegionPrior | None = None,
) -> InjuryMap:
    """Fit the injury surface to counts, and name the samples' file where they are too few."""
    site = vineyard.site
    borrowed = None if prior is None else prior.named(usual_varieties(vineyard))
    with named(vineyard):
        return injury_map(
            vineyard.samples,
            site.blocks,
            tallies,
            ground.grid,
            ground.terrain,
            site.settings.surface,
            progress,
            _others(grown),
            ground.known,
            borrowed,
        )


def _others(grown: pd.DataFrame | None) -> tuple[Bud, ...]:
    """Return the tissues whose averages need intervals beside the primary buds'."""
    return () if grown is None else (Bud.NO_LIVE_BUD, Bud.FROZEN)


def mapped(
    vineyard: Vineyard,
    tallies: pd.DataFrame,
    ground: Ground,
    progress: Progress,
    grown: pd.DataFrame | None = None,
    earlier: Sequence[EarlierRun] = (),
    prior: RegionPrior | None = None,
) -> MapRun:
    """From counts to actions: by the buds that were cut or, where shoots were counted, by what grew."""
    settings, blocks, samples = vineyard.site.settings, vineyard.site.blocks, vineyard.samples
    frames = known_rows(blocks, vineyard.site.rows)
    grid, terrain, night, known = ground
    injury = injury_of(vineyard, tallies, ground, progress, grown, prior)
    progress("wood")
    trunks = wood_layers(vineyard.wood, samples, blocks, grid, terrain, settings.surface, grown, known)
    surface = injury.grid.merge(trunks)
    if night is not None:
        surface = surface.assign(night.layers(grid))
    if earlier:
        surface = surface.assign(earlier_injury=mean_injury([run.winter for run in earlier], grid))
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
    warnings = [*vineyard.warnings, *surface_warnings(vineyard, injury), *apart_warnings(block_rows)]
    warnings += posts_warnings(blocks, rows, settings.actions.post_space_m)
    # After budbreak what grew decides, and the razor's crop is out of date.
    losses = None if spring else crop_losses(injury.shares, block_rows, settings).to_dict("records")
    work = work_list(by_what_decides(zones, spring=spring), block_rows, settings)
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
        run_report(vineyard, injury, zones, warnings, losses) | night_report(night, settings) | earlier_report(earlier),
        [*found, *work_found(work, settings), *([] if night is None or spring else night_sentences(night, settings))],
    )


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


def _with_geometry(table: pd.DataFrame, source: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(table, geometry=source.geometry.to_numpy(), crs=source.crs)
