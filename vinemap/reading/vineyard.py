"""A vineyard folder, read, checked and joined: the tables that everything else starts from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS

from vinemap.characters import for_xml, is_formula
from vinemap.columns import BLOCKS, SAMPLES, SETTINGS_FILE
from vinemap.errors import Findings, InputError, Problem
from vinemap.guesses import Guesses
from vinemap.reading.blocks import read_blocks, repair, warn_of_overlaps
from vinemap.reading.buds import read_buds, read_wood
from vinemap.reading.elevation import ASSUMED, question_samples, read_elevation
from vinemap.reading.files import TABLES
from vinemap.reading.ground_layers import GroundLayer, read_ground_layers
from vinemap.reading.hardiness import HardinessRow, read_hardiness
from vinemap.reading.join import join
from vinemap.reading.loggers import LoggerRow, ReadingRow, read_loggers
from vinemap.reading.metric import metric_crs, refuse_strays
from vinemap.reading.protection import read_protection
from vinemap.reading.row_layer import read_rows, with_row_facts
from vinemap.reading.samples import read_samples, refuse_mistaken_axes, refuse_placeless
from vinemap.reading.schema import BlockRow, CountRow, LineRow, NodeRow, ProtectionRow, Row, SampleRow, WoodRow, typed
from vinemap.reading.species import ask_for_groups
from vinemap.reading.ticks import read_done
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings, load_settings
from vinemap.states import State
from vinemap.units import area_unit, length_unit, temperature

BLOCK_COLUMNS = (*BLOCKS.names, "geometry", "area_ha")
SAMPLE_COLUMNS = (
    *("sample", "block", "stated_block", "stated_row", "stated_vine", "distance_m"),
    *(column.name for column in SAMPLES.columns if column.carried and column.name != "sample"),
    "geometry",
)

_READ = ("samples", "buds_by_", "buds.", "wood", "shoots", "logger", "hardiness", "protection", "rows", "done.")
"""How tables begin that some command reads, or that `vinemap template` wrote."""

_MODELS: dict[str, tuple[type[Row], ...]] = {
    "blocks": (BlockRow,),
    "rows": (LineRow,),
    "samples": (SampleRow,),
    "buds": (NodeRow, CountRow),
    "wood": (WoodRow,),
    "loggers": (LoggerRow, ReadingRow),
    "hardiness": (HardinessRow,),
    "protection": (ProtectionRow,),
}


@dataclass(frozen=True)
class Site:
    """The ground of a vineyard, before anything is collected.

    Attributes
    ----------
    folder : Path
    name : str
        From the settings, else the folder's.
    settings : Settings
    crs : CRS
        Projected, in metres.
    warnings : tuple of Sentence
        Plain sentences: what of these files was left out, repaired or assumed.
    blocks : GeoDataFrame
        A row a block in file order: the columns of `vinemap.columns.BLOCKS` (figures as float, NaN where unknown; words
        None where unknown, but for pruning, which the settings fill), geometry (valid Polygon or MultiPolygon), area_ha
        (float).
    elevation : DataArray (y, x) or None
        float32 metres, NaN where unknown, in its own CRS and resolution; None where there is no grid.
    layers : tuple of GroundLayer
        What else is known of the ground, from layers/.
    loggers : GeoDataFrame or None
        Temperature loggers of the night, as `vinemap.reading.loggers.read_loggers` gives them.
    hardiness : DataFrame or None
        Lethal temperatures, by `vinemap.columns.HARDINESS`.
    rows : GeoDataFrame or None
        Vine rows that were drawn, of `vinemap.reading.row_layer.read_rows`; None where there are none.
    protection : GeoDataFrame or None
        What stood against the frost, as `vinemap.reading.protection.read_protection` gives it.
    """

    folder: Path
    name: str
    settings: Settings
    crs: CRS
    warnings: tuple[Sentence, ...]
    blocks: gpd.GeoDataFrame
    elevation: xr.DataArray | None
    layers: tuple[GroundLayer, ...] = ()
    loggers: gpd.GeoDataFrame | None = None
    hardiness: pd.DataFrame | None = None
    rows: gpd.GeoDataFrame | None = None
    protection: gpd.GeoDataFrame | None = None


@dataclass(frozen=True)
class Vineyard:
    """What reading and joining give; all tables in the metric CRS of the site.

    Attributes
    ----------
    site : Site
        Blocks, elevation, settings.
    samples : GeoDataFrame
        A row a sample: sample (str, unique), block (str, or None where it lies in none), stated_block (str or None),
        stated_row and stated_vine (float, NaN where the file states none), distance_m (float, 0 inside the block), what
        else `vinemap.columns.SAMPLES` carries on (date: datetime64, NaT where unknown), geometry (Point; missing, and
        distance_m NaN, where the block is all that is known of a place).
    nodes : DataFrame
        A row a node cut, by `vinemap.columns.BUDS_BY_NODE`; no rows where the file holds counts.
    counts : DataFrame
        A row of counts, by `vinemap.columns.BUDS_BY_COUNT`: nodes and primary_dead int, the others float, NaN where not
        given; no rows where the file holds nodes.
    wood : DataFrame
        A row a slice, by `vinemap.columns.WOOD`.
    warnings : tuple of Sentence
        Plain sentences: what was left out, repaired or assumed, the site's own included.
    done : DataFrame or None
        Marks on tasks that crews sent back, as `vinemap.reading.ticks.read_done` gives them.
    """

    site: Site
    samples: gpd.GeoDataFrame
    nodes: pd.DataFrame
    counts: pd.DataFrame
    wood: pd.DataFrame
    warnings: tuple[Sentence, ...]
    done: pd.DataFrame | None = None


def read_vineyard(folder: str | os.PathLike[str]) -> Vineyard:
    """Read, check and join the files of a vineyard folder.

    Parameters
    ----------
    folder : path
        Holds blocks, samples and buds, and may hold rows, elevation, wood, loggers, hardiness and vinemap.toml.

    Returns
    -------
    Vineyard

    Raises
    ------
    InputError
        With every problem of every file.

    Examples
    --------
    >>> vineyard = vinemap.read("demo_blocks")
    >>> len(vineyard.samples), vineyard.site.crs.to_string()
    (76, 'EPSG:32618')
    """
    findings = Findings()
    folder, settings = _opened(folder, findings)
    blocks = _metric_blocks(folder, settings, findings)
    # A block that was refused may have had the variety.
    if blocks is not None and not findings.problems:
        _refuse_unknown_varieties(blocks, settings, findings)
    blocks, rows = _with_rows(folder, settings, blocks, findings)
    elevation = read_elevation(folder, settings, blocks, findings)
    known = _read_known(folder, settings, blocks, findings)
    site_warnings = findings.warnings.copy()
    samples, names, samples_file = read_samples(folder, settings, blocks, rows, findings)
    nodes, counts = read_buds(folder, settings, names, samples_file, findings)
    wood = read_wood(folder, settings, names, samples_file, findings)
    done = read_done(folder, findings)
    if blocks is not None and samples is not None:
        samples = _joined(samples, blocks, settings, findings)
    if findings.problems or blocks is None or samples is None:
        raise InputError(_in_order(findings.problems))
    if elevation is not None:
        question_samples(elevation, samples, findings)
    _warn_of_gaps(blocks, samples, nodes, counts, findings)
    _warn_of_others(folder, settings, findings)
    ask_for_groups(blocks, nodes, counts, settings.actions.rules, findings)
    _warn_of_formulas([blocks[list(BLOCK_COLUMNS)], samples[list(SAMPLE_COLUMNS)]], settings, findings)
    return Vineyard(
        site=_site(folder, settings, blocks, elevation, rows, known, site_warnings),
        samples=samples[list(SAMPLE_COLUMNS)],
        nodes=nodes,
        counts=counts,
        wood=wood,
        warnings=_once_each(findings.warnings),
        done=done,
    )


def read_site(folder: str | os.PathLike[str], *, with_elevation: bool = True) -> Site:
    """Read and check the blocks, the elevation and the settings of a vineyard folder.

    Parameters
    ----------
    folder : path
        Holds blocks, and may hold rows, elevation, loggers, hardiness and vinemap.toml; other files are not looked at.
    with_elevation : bool
        Whether the elevation is read.

    Returns
    -------
    Site

    Raises
    ------
    InputError
        With every problem of these files.
    """
    findings = Findings()
    folder, settings = _opened(folder, findings)
    blocks = _metric_blocks(folder, settings, findings)
    blocks, rows = _with_rows(folder, settings, blocks, findings)
    elevation = read_elevation(folder, settings, blocks, findings) if with_elevation else None
    known = _read_known(folder, settings, blocks, findings)
    if findings.problems or blocks is None:
        raise InputError(_in_order(findings.problems))
    _warn_of_formulas([blocks[list(BLOCK_COLUMNS)]], settings, findings)
    return _site(folder, settings, blocks, elevation, rows, known, findings.warnings)


class _Known(TypedDict):
    """What else is known of the ground and of the night, by the names of a `Site`."""

    layers: tuple[GroundLayer, ...]
    protection: gpd.GeoDataFrame | None
    loggers: gpd.GeoDataFrame | None
    hardiness: pd.DataFrame | None


def _read_known(folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings) -> _Known:
    return {
        "layers": read_ground_layers(folder, settings, blocks, findings),
        "protection": read_protection(folder, settings, blocks, findings),
        "loggers": read_loggers(folder, settings, blocks, findings),
        "hardiness": read_hardiness(folder, settings, blocks, findings),
    }


def _site(
    folder: Path,
    settings: Settings,
    blocks: gpd.GeoDataFrame,
    elevation: xr.DataArray | None,
    rows: gpd.GeoDataFrame | None,
    known: _Known,
    warnings: list[Sentence],
) -> Site:
    return Site(
        folder=folder,
        name=settings.name or " ".join(for_xml(folder.resolve().name).split()),
        settings=settings,
        crs=CRS(blocks.crs),
        warnings=_once_each(warnings),
        blocks=blocks[list(BLOCK_COLUMNS)],
        elevation=elevation,
        rows=rows,
        **known,
    )


def _with_rows(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> tuple[gpd.GeoDataFrame | None, gpd.GeoDataFrame | None]:
    """Return the blocks with what drawn rows say of them, and these rows."""
    rows = read_rows(folder, settings, blocks, findings)
    if blocks is None or rows is None or findings.problems:
        return blocks, rows
    blocks = with_row_facts(blocks, rows)
    unknown = rows["block"].isin(blocks.loc[blocks["vine_spacing_m"].isna(), "block"]) & rows["vines"].isna()
    names = rows.loc[unknown, "block"].unique().tolist()
    if names:
        findings.warn(Sentence("warning.rows.no_vines", block=Listed(names)))
    return blocks, rows


def _once_each(warnings: list[Sentence]) -> tuple[Sentence, ...]:
    return tuple(dict.fromkeys(warnings))


def _opened(folder: str | os.PathLike[str], findings: Findings) -> tuple[Path, Settings]:
    """Return the folder and its settings, whose own problems go to the findings."""
    # Absolute, since libraries take what stands before a colon at the start of a path for a kind of archive.
    folder = Path(folder).absolute()
    if not folder.is_dir():
        none = Sentence("fault.no_folder")
        raise InputError([Problem(str(folder), None, "", none, Sentence("remedy.no_folder"))])
    settings = load_settings(folder, findings)
    _refuse_unknown_columns(settings, findings)
    return folder, settings


def _in_order(problems: list[Problem]) -> list[Problem]:
    """Return the problems file by file, as the files were read, and each file's by its rows."""
    files = list(dict.fromkeys(problem.file for problem in problems))
    return sorted(problems, key=lambda problem: (files.index(problem.file), problem.row or 0))


def _refuse_unknown_columns(settings: Settings, findings: Findings) -> None:
    """Name keys of [columns.…] that are no column of ours."""
    for stem, models in _MODELS.items():
        ours = list(dict.fromkeys(field for model in models for field in model.model_fields))
        ours += [unit.name for model in models for column in model.layout.columns for unit in column.in_units]
        guesses = Guesses(ours, 0.0)
        for key in getattr(settings.columns, stem):
            if key not in ours:
                near, names = guesses.of(key), Listed(ours, most=None)
                findings.problem(
                    SETTINGS_FILE,
                    None,
                    f"columns.{stem}.{key}",
                    Sentence("fault.no_column_of", column=repr(key), stem=stem),
                    Sentence("remedy.no_column_of.near", near=near, names=names)
                    if near
                    else Sentence("remedy.no_column_of", names=names),
                )


def _metric_blocks(folder: Path, settings: Settings, findings: Findings) -> gpd.GeoDataFrame | None:
    """Return the blocks of the contract, with ``file`` and ``row`` besides; None where there are none."""
    blocks = read_blocks(folder, settings, findings)
    if blocks is not None:
        blocks = refuse_strays(blocks, findings)
    if blocks is None or blocks.empty:
        return None
    crs = metric_crs(blocks, settings, findings)
    if crs is None:
        return None
    blocks = repair(blocks.to_crs(crs), findings)
    if blocks.empty:
        return None
    warn_of_overlaps(blocks, findings)
    columns = {column.name: typed(column, blocks[column.name].tolist()) for column in BLOCKS.columns}
    pruning = columns["pruning"].fillna(settings.default_pruning).astype(str)
    return blocks.assign(**{**columns, "pruning": pruning, "area_ha": blocks.geometry.area / 1e4})


def _refuse_unknown_varieties(blocks: gpd.GeoDataFrame, settings: Settings, findings: Findings) -> None:
    """Name keys of [surface.hardiness] that are no variety of the blocks, letter for letter."""
    varieties = blocks["variety"].dropna().unique().tolist()
    guesses = Guesses(varieties, 0.0)
    for name in settings.surface.hardiness:
        if name not in varieties:
            near = guesses.of(name)
            findings.problem(
                SETTINGS_FILE,
                None,
                "surface.hardiness",
                Sentence("fault.no_variety", variety=repr(name)),
                Sentence("remedy.no_variety.near", near=repr(near)) if near else Sentence("remedy.no_variety"),
            )


def _joined(
    samples: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, settings: Settings, findings: Findings
) -> gpd.GeoDataFrame | None:
    """Return the samples in the metric CRS with their blocks; None where a block's own problem leaves that open."""
    alone = samples[samples.geometry.isna()].to_crs(blocks.crs)
    alone = alone.assign(block=alone["stated_block"], distance_m=np.nan)
    if len(alone) == len(samples):
        return alone
    placed = refuse_mistaken_axes(samples.dropna(subset="geometry").reset_index(drop=True), blocks, findings)
    placed = refuse_placeless(placed.to_crs(blocks.crs), findings)
    if placed.empty or any(problem.file == blocks["file"].iloc[0] for problem in findings.problems):
        return None
    placed = join(placed, blocks, settings.gps_tolerance_m, findings)
    if alone.empty:
        return placed
    return gpd.GeoDataFrame(pd.concat([placed, alone]), crs=blocks.crs).sort_values("row", ignore_index=True)


def _warn_of_gaps(
    blocks: gpd.GeoDataFrame,
    samples: gpd.GeoDataFrame,
    nodes: pd.DataFrame,
    counts: pd.DataFrame,
    findings: Findings,
) -> None:
    """Name blocks without a sample and samples without a bud."""
    empty = [name for name in blocks["block"] if name not in set(samples["block"])]
    if empty:
        findings.warn(Sentence.counted("warning.no_sample", len(empty), blocks=Listed(empty)))
    cut = set(nodes["sample"]) | set(counts["sample"])
    uncut = [name for name in samples["sample"] if name not in cut]
    if uncut:
        findings.warn(Sentence.counted("warning.no_buds", len(uncut), samples=Listed(uncut)))


def _warn_of_others(folder: Path, settings: Settings, findings: Findings) -> None:
    """Name tables of the folder that nothing reads: one of them may hold buds."""
    named = {Path(name).name for name in settings.files.model_dump().values() if name is not None}
    others = sorted(
        path.name
        for path in folder.iterdir()
        if path.suffix.lower() in TABLES
        and path.name not in named
        and not path.name.casefold().startswith(_READ)
        and not path.name.startswith((".", "~"))
    )
    if others:
        findings.warn(Sentence("warning.aside", tables=Listed(others)))


def _warn_of_formulas(tables: list[gpd.GeoDataFrame], settings: Settings, findings: Findings) -> None:
    """Name what a spreadsheet would run of the text that goes into CSV files: names, and the settings' materials."""
    texts = [text for table in tables for column in table for text in table[column] if isinstance(text, str)]
    materials = [name for pieces in settings.work.materials.values() for name in pieces]
    run = dict.fromkeys(filter(is_formula, [*texts, *materials]))
    if run:
        key = "warning.formulas.quoted" if settings.quote_formulas else "warning.formulas"
        findings.warn(Sentence(key, names=Listed(run)))


def summary(vineyard: Vineyard) -> list[Sentence]:
    """Say in plain sentences what a vineyard folder holds.

    Parameters
    ----------
    vineyard : Vineyard

    Returns
    -------
    list of Sentence
        Blocks and their ground, samples, buds, elevation, wood, other layers, loggers and protection where there are
        any; in acres, feet and degrees Fahrenheit where the settings say ``us``.
    """
    return [
        _ground(vineyard.site),
        _samples(vineyard.samples),
        _buds(vineyard),
        _elevation(vineyard.site),
        _wood(vineyard),
        *_layers(vineyard.site),
        *_loggers(vineyard.site),
        *_protection(vineyard.site),
    ]


_ASIDE = ("warning.no_buds", "warning.aside", "warning.no_loggers_in")
"""Keys of the warnings that something given is not in the map."""


def verdict(vineyard: Vineyard) -> Sentence:
    """Say whether all that a vineyard folder holds goes into the map."""
    aside = any(warning.key.startswith(_ASIDE) for warning in vineyard.warnings)
    return Sentence("console.incomplete" if aside else "console.ready")


def _ground(site: Site) -> Sentence:
    per_hectare, unit = area_unit(site.settings.units)
    area = Figure(float(site.blocks["area_ha"].sum()) * per_hectare, 1, unit)
    return Sentence(
        "folder.blocks", name=site.name, blocks=Sentence.counted("count.blocks", len(site.blocks)), area=area
    )


def _samples(samples: gpd.GeoDataFrame) -> Sentence:
    count, joined = Sentence.counted("count.samples", len(samples)), int(samples["block"].notna().sum())
    if joined == len(samples):
        return Sentence("folder.samples.all", samples=count)
    return Sentence("folder.samples", samples=count, joined=Figure(joined))


def _buds(vineyard: Vineyard) -> Sentence:
    nodes, counts = vineyard.nodes, vineyard.counts
    if len(nodes):
        canes = len(nodes[["sample", "cane"]].drop_duplicates())
        unread = int((nodes["primary"] == State.UNREAD).sum())
        return Sentence(
            "folder.nodes",
            nodes=Sentence.counted("count.nodes", len(nodes)),
            canes=Sentence.counted("count.canes", canes),
            read=Figure(len(nodes) - unread),
            unread=Figure(unread),
        )
    return Sentence(
        "folder.counts",
        nodes=Sentence.counted("count.nodes", int(counts["nodes"].sum())),
        rows=Sentence.counted("count.rows", len(counts)),
    )


def _elevation(site: Site) -> Sentence:
    if site.elevation is None:
        return Sentence("folder.elevation.none")
    per_metre, unit = length_unit(site.settings.units)
    heights = site.elevation.to_numpy() * per_metre
    step = abs(float(site.elevation.rio.resolution()[0]))
    crs = CRS(site.elevation.rio.crs)
    if crs.is_projected:
        metres = crs.axis_info[0].unit_conversion_factor
        cell: Figure | Sentence = Figure(_three_figures(step * metres * per_metre), None, unit)
    else:
        cell = Sentence("folder.elevation.arc_seconds", cell=Figure(_three_figures(step * 3600), None))
    low, high = Figure(float(np.nanmin(heights))), Figure(float(np.nanmax(heights)), 0, unit)
    key = "folder.elevation.assumed" if site.elevation.attrs["unit_from"] == ASSUMED else "folder.elevation"
    return Sentence(key, cell=cell, low=low, high=high)


def _layers(site: Site) -> list[Sentence]:
    if not site.layers:
        return []
    return [Sentence("folder.layers", layers=Listed(layer.label for layer in site.layers))]


def _protection(site: Site) -> list[Sentence]:
    if site.protection is None:
        return []
    ran = Figure(int(site.protection["ran"].eq(True).sum()))
    return [Sentence("folder.protection", count=Figure(len(site.protection)), ran=ran)]


def _three_figures(value: float) -> float:
    return float(f"{value:.3g}")


def _wood(vineyard: Vineyard) -> Sentence:
    if vineyard.wood.empty:
        return Sentence("folder.wood.none")
    return Sentence(
        "folder.wood",
        checks=Sentence.counted("count.wood_checks", len(vineyard.wood)),
        samples=Sentence.counted("count.samples", vineyard.wood["sample"].nunique()),
    )


def _loggers(site: Site) -> list[Sentence]:
    if site.loggers is None:
        return []
    (low, _), (high, unit) = (
        temperature(site.loggers["min_c"].agg(end), site.settings.units) for end in ("min", "max")
    )
    count = Sentence.counted("count.loggers", len(site.loggers))
    return [Sentence("folder.loggers", loggers=count, low=Figure(low, 1), high=Figure(high, 1, unit))]
