"""What run.json and the page say of a run: how it was made, what was found, what to be wary of."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

import geopandas as gpd
import pandas as pd

from vinemap.columns import ZONES_CSV
from vinemap.decisions.evidence import differs_sentence
from vinemap.decisions.worklist import by_action
from vinemap.evidence.temperature import FEWEST_LOGGERS, NightTemperature, night_sentences
from vinemap.exports.earlier import EarlierRun
from vinemap.exports.record import digest
from vinemap.exports.summary import verdict
from vinemap.reading.elevation import origin
from vinemap.reading.files import inputs_in
from vinemap.reading.loggers import logger_files
from vinemap.reading.vineyard import Vineyard
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.surface.fit import InjuryMap
from vinemap.terrain.grid import cell_size

_LIBRARIES = ("folium", "geopandas", "numpy", "pandas", "pyproj", "rasterio", "scipy", "shapely", "xarray")


def run_report(
    vineyard: Vineyard,
    injury: InjuryMap,
    zones: pd.DataFrame,
    warnings: list[Sentence],
    losses: list[dict[Any, Any]] | None,
) -> dict[str, Any]:
    """Return what run.json says of a run: versions, inputs and their hashes, settings, model, scores, warnings."""
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


def _summed(work: pd.DataFrame) -> list[dict[str, Any]]:
    """Return sums by action as JSON holds them: missing vines as null."""
    rounded = ZONES_CSV.rounded(work).astype({"vines": "Int64"}).astype(object)
    return [
        {str(name): value for name, value in row.items()} for row in rounded.replace({pd.NA: None}).to_dict("records")
    ]


def night_report(night: NightTemperature | None, settings: Settings) -> dict[str, Any]:
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


def earlier_report(earlier: Sequence[EarlierRun]) -> dict[str, Any]:
    """Return which freezes the map comes after, where it does."""
    return {"after": [run.winter.name for run in earlier]} if earlier else {}


def surface_warnings(vineyard: Vineyard, injury: InjuryMap) -> list[Sentence]:
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
        if one["name"].startswith("layer."):
            # Named with its file where it was read.
            continue
        if one["unknown"] is None:
            yield Sentence("warning.evidence.silent", name=one["label"])
        elif (share := Figure(100 * one["unknown"], 0, "%")).value >= 0.5:
            yield Sentence("warning.evidence.unknown", name=one["label"], share=share)


def posts_warnings(blocks: gpd.GeoDataFrame, rows: pd.DataFrame, post_space_m: float) -> list[Sentence]:
    """Say in which blocks borders follow posts that nobody has counted."""
    unknown = blocks.loc[blocks["vines_between_posts"].isna(), "block"]
    zones = rows.groupby("block")["zone"].nunique()
    names = [name for name in unknown if zones.get(name, 0) > 1]
    if not names or not post_space_m:
        return []
    return [Sentence("warning.posts", blocks=Listed(names), space=Figure(post_space_m, None))]


def apart_warnings(blocks: pd.DataFrame) -> list[Sentence]:
    """Say of which blocks what was cut and what the map has lie far apart, and why."""
    rows = blocks.drop(columns="geometry").to_dict("records")
    said = [(row["block"], differs_sentence(row)) for row in rows]
    return [Sentence("warning.differs", block=block, differs=why) for block, why in said if why is not None]
