"""From tables and grids to map.html."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from rasterio.enums import Resampling

from vinemap.arrays import Array
from vinemap.columns import BLOCKS_CSV, MORE_CANES_CSV, SAMPLES_CSV, WORK_LIST, ZONES_CSV
from vinemap.decisions.actions import advice_key
from vinemap.decisions.aftercare import care_sentences
from vinemap.decisions.checks import wood_sentences
from vinemap.decisions.worklist import terms
from vinemap.exports.colours import ACTION_COLOURS, ramps
from vinemap.page.grids import CHANGE, MASK, PERCENT, Frame, Scale, encoded
from vinemap.page.outlines import label_points, outlines, places
from vinemap.page.shell import OnlineBasemap, page
from vinemap.page.terrain import embedded_terrain
from vinemap.page.vine_lines import vine_lines
from vinemap.page.without_scripts import without_scripts
from vinemap.reading.rows import RowFrame
from vinemap.resources import finite
from vinemap.rules import Rules
from vinemap.sentences import Sentence, everywhere, ruled, section, unreviewed
from vinemap.settings import Settings
from vinemap.states import BUDS, MAPPED
from vinemap.terrain.grid import coarsened
from vinemap.web.embed import columns

_PAGE = "vinemap.page"
_TOLD = (
    "vinemap", "made", "name", "event_date", "model", "scores", "crop_loss", "area_over_threshold_ha",
    "elevation_source", "after",
)  # fmt: skip
_NIGHT_STEP_C, _LEAST_SPAN_C = 0.05, 0.5


def write_page(
    path: Path,
    *,
    blocks: gpd.GeoDataFrame,
    samples: gpd.GeoDataFrame,
    nodes: pd.DataFrame,
    zones: gpd.GeoDataFrame,
    surface: xr.Dataset,
    report: dict[str, Any],
    settings: Settings,
    work: pd.DataFrame | None = None,
    canes: gpd.GeoDataFrame | None = None,
    compare: gpd.GeoDataFrame | None = None,
    compare_surface: xr.Dataset | None = None,
    terrain: xr.Dataset | None = None,
    protection: gpd.GeoDataFrame | None = None,
    rows: Mapping[str, RowFrame] = MappingProxyType({}),
    online: OnlineBasemap | None = None,
) -> None:
    """Write the map page: one HTML file with the map, the tables and the words, that asks no network for anything.

    Parameters
    ----------
    path : Path
        File to write.
    blocks : GeoDataFrame
        Columns of blocks.csv, metric CRS.
    samples : GeoDataFrame
        Columns of samples.csv, metric CRS.
    nodes : DataFrame
        A row a node cut: sample, cane, node, primary, secondary, tertiary; empty where the buds came as counts.
    zones : GeoDataFrame
        Columns of zones.csv, metric CRS; may be empty.
    surface : Dataset (y, x)
        The injury grid with its layers, north up, metric CRS.
    report : dict
        Content of run.json.
    settings : Settings
        Units, language, threshold, the pruning rule, the crew.
    work : DataFrame, optional
        Columns of worklist.csv with the marks that were sent back; the page then lists the work.
    canes : GeoDataFrame, optional
        Columns of more_canes.csv, with their places.
    compare : GeoDataFrame, optional
        An earlier run's blocks, matched by ``block``: the page gains a layer that shows the change.
    compare_surface : Dataset (y, x), optional
        The earlier run's grid with ``primary_injury``: the change is then shown cell by cell.
    terrain : Dataset (y, x), optional
        ``elevation_m`` and the terrain statistics, beyond the blocks for the hill shading; ``surface`` by default.
    protection : GeoDataFrame, optional
        What stood against the frost, as `vinemap.reading.protection.read_protection` gives it.
    rows : mapping, optional
        Of `vinemap.reading.frames.known_rows`: vine rows by block, which the readout names.
    online : OnlineBasemap, optional
        A tile service that the reader may switch on.
    """
    facts = blocks.drop(columns="geometry").to_dict("records")
    care = [_cared(row, zones, settings.actions.rules) for row in facts]
    # Many blocks have the same few sentences, which stand once.
    cared = dict.fromkeys(one for here in care for one in here)
    change, earlier = _change(blocks, surface, compare, compare_surface)
    data = {
        "report": _told(report),
        "settings": {
            "units": settings.units,
            "language": settings.language,
            "threshold": settings.surface.threshold,
            "confidence": settings.survival.confidence,
            "kept_nodes": settings.survival.kept_nodes,
            "unsure_under": settings.actions.rules.evidence.unsure_under_pct,
            "most_sure": settings.actions.rules.evidence.most_sure_pct,
            "rule": settings.actions.rule,
            "blind_limits": [
                settings.actions.rules.spring.some_blind_over_pct,
                settings.actions.rules.spring.most_blind_over_pct,
            ],
            "razor": {
                "agreement_pct": settings.actions.rules.razor.agreement_pct,
                "source": everywhere(ruled("razor.source", settings.actions.rules.razor.source)),
            },
            "rule_source": getattr(settings.actions.rules.pruning, settings.actions.rule).source,
        },
        "blocks": {
            **columns(blocks, BLOCKS_CSV.on_page),
            "earlier_pct": earlier,
            "advice": [advice_key(row) for row in facts],
            "care": [[list(cared).index(one) for one in here] for here in care],
            "wood_asks": [
                [everywhere(text) for text in wood_sentences(row, settings.actions.rules, spring="spring" in report)]
                for row in facts
            ],
            "outline": outlines(blocks.to_crs(4326).geometry),
            "label": label_points(blocks.geometry),
        },
        "zones": {
            **columns(zones, ZONES_CSV.on_page),
            "block": _rows_of(zones["block"], blocks) if len(zones) else [],
            "outline": outlines(zones.to_crs(4326).geometry) if len(zones) else [],
            "label": label_points(zones.geometry) if len(zones) else [],
        },
        "rows": vine_lines(rows, blocks),
        "samples": {
            **columns(samples, SAMPLES_CSV.on_page),
            # On the page, the row of a table is its place.
            **columns(samples.rename(columns={"row": "vine_row"}), ["vine_row"]),
            "block": _rows_of(samples["block"], blocks),
            "place": places(samples.to_crs(4326).geometry),
            "canes": _canes(nodes, samples),
        },
        "protection": _reaches(protection),
        "work": {} if work is None else _jobs(work, blocks),
        "work_terms": _work_terms(settings),
        "canes": {} if canes is None else _placed(canes),
        "surface": _embedded(surface, change),
        "night": _night(surface, report),
        "terrain": embedded_terrain(surface if terrain is None else terrain, report.get("model", {})),
        "care": [one.everywhere() for one in cared],
        "action_colours": ACTION_COLOURS,
        "ramps": ramps(),
        "texts": _texts(),
        "unreviewed": unreviewed(),
        "online": {"url": online.url, "attribution": online.attribution, "zoom": online.most_zoom} if online else None,
    }
    still = without_scripts(blocks, zones, work, surface, settings, report.get("name", ""), spring="spring" in report)
    path.write_text(page(data, still, online), encoding="utf-8")


def _jobs(work: pd.DataFrame, blocks: gpd.GeoDataFrame) -> dict[str, Any]:
    return {**columns(work, WORK_LIST.on_page), "block_row": _rows_of(work["block"], blocks)}


def _placed(canes: gpd.GeoDataFrame) -> dict[str, Any]:
    return {**columns(canes, MORE_CANES_CSV.on_page), "place": places(canes.to_crs(4326).geometry)}


def _work_terms(settings: Settings) -> dict[str, Any]:
    """Return what the list of work goes by, with the source of what is assumed."""
    work, labour = settings.work, settings.actions.rules.work
    return {
        "crew": work.crew,
        "hours_a_day": work.hours_a_day,
        "assumed": not {"crew", "hours_a_day"} <= work.model_fields_set,
        "currency": terms(settings).currency,
        "source": everywhere(ruled("work.source", labour.source)),
        "caution": everywhere(ruled("work.caution", labour.caution)),
    }


def _told(report: dict[str, Any]) -> dict[str, Any]:
    """Return what the page tells of run.json, its sentences in every language."""
    kept = {key: report[key] for key in _TOLD if key in report}
    found = {
        key: report[key] | {"findings": [everywhere(text) for text in report[key]["findings"]]}
        for key in ("spring", "night")
        if key in report
    }
    told: dict[str, Any] = finite(kept | {"warnings": [everywhere(text) for text in report["warnings"]]} | found)
    return told


def _texts() -> dict[str, dict[str, str]]:
    """Return the page's words in each language, with those that it shares with the tables: counts and what was cut."""
    shared = {f"{name}.": section(name) for name in ("count", "evidence", "rows", "place", "plan.side")}
    return {
        language: {start + key: text for start, words in shared.items() for key, text in words[language].items()} | own
        for language, own in section("page").items()
    }


def _cared(block: dict[Any, Any], zones: pd.DataFrame, rules: Rules) -> list[Sentence]:
    """Return how the vines of a block are brought through, by what is done in it and in its zones."""
    actions = {block["action"], *zones.loc[zones["block"] == block["block"], "action"]}
    return care_sentences(block, actions, rules)


def _reaches(protection: gpd.GeoDataFrame | None) -> dict[str, Any]:
    """Return the ground within the reach of what stood against the frost; a line or point without one is not drawn."""
    if protection is None:
        return {"ran": [], "outline": []}
    ground = protection.geometry.buffer(protection["reach_m"].fillna(0.0))
    drawn = ~ground.is_empty
    return {"ran": protection.loc[drawn, "ran"].eq(True).tolist(), "outline": outlines(ground[drawn].to_crs(4326))}


def _rows_of(names: pd.Series[str], blocks: gpd.GeoDataFrame) -> list[int]:
    """Row of each named block, -1 where there is none."""
    return [int(row) for row in pd.Index(blocks["block"]).get_indexer(pd.Index(names))]


def _embedded(surface: xr.Dataset, change: Array | None) -> dict[str, Any]:
    frame = Frame.of(surface)
    layers = {
        name: encoded(coarsened(surface[name], frame.factor), PERCENT)
        for name in [f"{t}_{part}" for t in MAPPED for part in ("injury", "low", "high")]
        + ["prob_over_threshold", "earlier_injury"]
        if name in surface
    }
    for name in ("night_c", "night_low_c", "night_high_c"):
        if name in surface:
            values = coarsened(surface[name], frame.factor)
            known = values[np.isfinite(values)]
            step = max(_NIGHT_STEP_C, float(np.ptp(known)) / 250)
            layers[name] = encoded(values, Scale(step, float(known.min())))
    if "too_few" in surface:
        few = coarsened(surface["too_few"], frame.factor) >= 0.5
        layers["too_few"] = encoded(few.astype(float), MASK)
    if change is not None:
        layers["change"] = encoded(coarsened(change, frame.factor), CHANGE)
    return {**frame.described(), "layers": layers}


def _night(surface: xr.Dataset, report: dict[str, Any]) -> dict[str, Any] | None:
    """Return the loggers' places and minima, and the span of the night's minimum, °C; None where none hung."""
    if "night_c" not in surface or "night" not in report:
        return None
    low, high = float(surface["night_c"].min()), float(surface["night_c"].max())
    middle, half = (low + high) / 2, max(high - low, _LEAST_SPAN_C) / 2
    loggers = report["night"]["loggers"]
    return {
        "span": [middle - half, middle + half],
        "loggers": {
            "min_c": [one["min_c"] for one in loggers],
            "place": [[one["lon"], one["lat"]] for one in loggers],
        },
    }


def _change(
    blocks: gpd.GeoDataFrame,
    surface: xr.Dataset,
    compare: gpd.GeoDataFrame | None,
    compare_surface: xr.Dataset | None,
) -> tuple[Array | None, list[float | None] | None]:
    """Injury now less injury then, on the grid's cells; and the earlier injury of each block, in percent."""
    if compare is None:
        return None, None
    then = compare.drop_duplicates("block").set_index("block")
    earlier = blocks["block"].map(_mapped(then))
    if compare_surface is None:
        by_block = ((_mapped(blocks) - earlier) / 100).to_numpy(dtype=float)
        index = surface["block_index"].to_numpy()
        change = np.where(index >= 0, np.append(by_block, np.nan)[index], np.nan)
    else:
        before = compare_surface["primary_injury"].rio.write_nodata(np.nan)
        before = before.rio.reproject_match(surface["primary_injury"], resampling=Resampling.bilinear, nodata=np.nan)
        change = surface["primary_injury"].to_numpy().astype(float) - before.to_numpy()
    return change, columns(earlier.to_frame("pct"), ["pct"])["pct"]


def _mapped(blocks: pd.DataFrame) -> pd.Series[float]:
    """Return a block's injury in percent: the surface's average, or what was cut where there is none."""
    cut = blocks["injury_pct"].astype(float)
    return blocks["map_injury_pct"].astype(float).fillna(cut) if "map_injury_pct" in blocks else cut


def _canes(nodes: pd.DataFrame, samples: gpd.GeoDataFrame) -> list[list[list[Any]]]:
    """For each sample its canes: name, node numbers, and one letter a node (a, d, u) for each bud.

    The node numbers are 0 where they run 1, 2, 3 … without a gap.
    """
    canes: dict[str, list[list[Any]]] = {name: [] for name in samples["sample"]}
    ordered = nodes.assign(_cane=pd.factorize(nodes["cane"])[0]).sort_values(["sample", "_cane", "node"], kind="stable")
    rows = ordered[["sample", "cane", "node", *BUDS]].itertuples(index=False, name=None)
    for (sample, cane), run in groupby(rows, key=itemgetter(0, 1)):
        if sample not in canes:
            continue
        numbers, *buds = zip(*(row[2:] for row in run), strict=True)
        letters = ["".join(state[0] for state in bud) for bud in buds]
        gapless = numbers == tuple(range(1, len(numbers) + 1))
        canes[sample].append([str(cane), 0 if gapless else [int(number) for number in numbers], *letters])
    return list(canes.values())
