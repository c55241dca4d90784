"""What cuts the figures of a block or a zone rest on, how sure they may be called, and where cuts and map part."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from vinemap.arrays import Array
from vinemap.decisions.actions import printed
from vinemap.rules import Rules
from vinemap.sentences import Figure, Sentence
from vinemap.states import Differs, Evidence
from vinemap.terrain.grid import read_layers
from vinemap.terrain.sparse import read_nearest


def block_evidence(
    blocks: gpd.GeoDataFrame,
    samples: gpd.GeoDataFrame,
    surface: xr.Dataset,
    terrain: xr.Dataset | None,
    rules: Rules,
) -> pd.DataFrame:
    """Return what each block's figures rest on.

    Parameters
    ----------
    blocks : GeoDataFrame
        block, samples, geometry; map_injury_pct, injury_pct and basal_pct with their low and high.
    samples : GeoDataFrame
        sample, block (None outside every block), nodes (primaries read), canes (missing where not known), geometry
        (missing where the block is all that is known of a place: such samples are no evidence for the map).
    surface : Dataset (y, x)
        primary_injury, block_index.
    terrain : Dataset (y, x) or None
        elevation_m.
    rules : Rules

    Returns
    -------
    DataFrame, index of ``blocks``
        The columns of `vinemap.columns.BLOCKS_CSV`: canes, covered_pct, evidence, map_at_samples_pct, samples_above_m,
        differs.

    Notes
    -----
    As many samples as the block has, each in the middle of a square of its share of the ground, would leave no place
    further from a sample than ``sqrt(area / (2 n))``. covered_pct is the ground within this distance of the samples as
    they lie: 100 for such a lattice, about 80 for places at random, little where they stand together.

    What was cut is, like the map, of the nodes that pruning keeps, where they were told apart. It differs from the map
    where the intervals do not meet, or the figures lie more than ``evidence.differ_points`` apart. What the map has at
    the samples' own places says how much of that is their place; the rest is what the model takes from other samples
    and from the terrain.
    """
    everywhere = samples[samples["nodes"].fillna(0) > 0]
    canes = dict(tuple(everywhere.groupby("block")))
    cut = everywhere[everywhere.geometry.notna()]
    xy = shapely.get_coordinates(cut.geometry.to_numpy())
    at = read_nearest(surface, ["primary_injury"], xy, cut["block"].to_numpy(object))[:, 0]
    cut = cut.assign(at=100 * at, height=_heights(terrain, xy))
    here = dict(tuple(cut.groupby("block")))
    rows = []
    for _, block in blocks.iterrows():
        own = here.get(block["block"])
        covered = 0.0 if own is None else _covered(block.geometry, shapely.get_coordinates(own.geometry.to_numpy()))
        placed = 0 if own is None else len(own)
        told = {"canes": _canes(canes.get(block["block"])), "covered_pct": covered, "placed": placed}
        rows.append({**told, **_places(own, block, terrain)})
    table = pd.DataFrame(rows, index=blocks.index).astype({"canes": "Int64"})
    count = blocks["samples"].to_numpy(np.float64)
    with_place = table.pop("placed").to_numpy(np.float64)
    table["evidence"] = _evidence(count, with_place, table["covered_pct"].to_numpy(np.float64), rules)
    known = blocks.drop(columns="geometry").join(table).assign(placed=with_place)
    differs = [_differs(row, rules) for row in known.to_dict("records")]
    return table.assign(differs=pd.Series(np.array(differs, dtype=object), blocks.index).replace({"": None}))


def zone_evidence(
    zones: gpd.GeoDataFrame, blocks: pd.DataFrame, samples: gpd.GeoDataFrame, rules: Rules
) -> gpd.GeoDataFrame:
    """Join what was cut in each zone, and bound how sure the zone may be called.

    Parameters
    ----------
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`.
    blocks : DataFrame
        block, evidence.
    samples : GeoDataFrame
        As in `block_evidence`. A sample outside its block's outline counts for its block's nearest zone.
    rules : Rules

    Returns
    -------
    GeoDataFrame
        The zones with samples, canes, nodes and evidence: 'no sample' in a zone without one, else the block's. sure_pct
        is NaN without evidence enough, and at most ``evidence.most_sure_pct``.
    """
    placed = samples.geometry.notna() & (samples["nodes"].fillna(0) > 0)
    cut = samples.loc[placed, ["block", "nodes", "canes", "geometry"]]
    pairs = (
        cut.reset_index(drop=True)
        .reset_index()
        .merge(zones[["zone", "block", "geometry"]], on="block", suffixes=("", "_zone"))
    )
    pairs["away"] = shapely.distance(pairs["geometry"].to_numpy(), pairs["geometry_zone"].to_numpy())
    nearest = pairs.loc[pairs.groupby("index")["away"].idxmin()] if len(pairs) else pairs
    found = dict(tuple(nearest.groupby("zone")))
    counts = pd.DataFrame([_counts(found.get(zone)) for zone in zones["zone"]], index=zones.index, dtype="Int64")
    by_block = zones["block"].map(blocks.set_index("block")["evidence"])
    evidence = by_block.where(counts["samples"] > 0, Evidence.NONE.value)
    sure = zones["sure_pct"].clip(upper=rules.evidence.most_sure_pct).where(evidence == Evidence.ENOUGH)
    return zones.assign(sure_pct=sure).join(counts).assign(evidence=evidence)


def cut_sentence(row: Mapping[Any, Any]) -> Sentence:
    """Say what was cut on some ground, a row of blocks.csv or zones.csv; that nothing was, where nothing was."""
    if not row["samples"]:
        return Sentence("evidence.none")
    counts = {"samples": row["samples"], "canes": row["canes"], "nodes": row["nodes"]}
    told = {name: Sentence.counted(f"count.{name}", int(count)) for name, count in counts.items() if pd.notna(count)}
    return Sentence("evidence.canes" if "canes" in told else "evidence.samples", **told)


def cut_canes(samples: gpd.GeoDataFrame, nodes: pd.DataFrame) -> pd.Series[int]:
    """Return the canes cut of each sample; missing where its buds came as counts, which do not tell canes apart."""
    canes = nodes.drop_duplicates(["sample", "cane"]).groupby("sample").size()
    return samples["sample"].map(canes).astype("Int64")


def differs_sentence(row: dict[Any, Any]) -> Sentence | None:
    """Say that what was cut in a block and what the map has for it lie far apart, and why; None where they do not."""
    if not isinstance(row.get("differs"), str) or not row["differs"]:
        return None
    dead, low, high = _survey(row)
    shown = {"cut": dead, "cut_low": low, "cut_high": high, "map": row["map_injury_pct"]}
    shown |= {"map_low": row["map_low_pct"], "map_high": row["map_high_pct"]}
    figures = {name: Figure(value) for name, value in shown.items()}
    why: Sentence | str = Sentence(f"page.differs.{row['differs']}", at=Figure(row["map_at_samples_pct"]))
    above = row.get("samples_above_m", np.nan)
    if row["differs"] == Differs.PLACE and abs(above) >= _NOTABLE_M:
        height = Figure(abs(above), 1)
        why = Sentence("page.differs.and", why=why, height=Sentence(f"page.differs.{_side(above)}", metres=height))
    return Sentence("page.differs", **figures, why=why)


_NOTABLE_M = 0.5


def _side(above: float) -> str:
    return "higher" if above > 0 else "lower"


def _heights(terrain: xr.Dataset | None, xy: Array) -> Array:
    """Return the elevation of places; NaN where it is not known."""
    if terrain is None or not len(xy):
        return np.full(len(xy), np.nan)
    return read_layers(terrain, ["elevation_m"], xy)[:, 0]


def _counts(own: pd.DataFrame | None) -> dict[str, Any]:
    """Return what was cut at some samples."""
    samples, nodes = (0, 0) if own is None else (len(own), int(own["nodes"].sum()))
    return {"samples": samples, "canes": _canes(own), "nodes": nodes}


def _canes(own: pd.DataFrame | None) -> Any:
    """Return the canes of some samples; missing where one of them does not tell."""
    if own is None:
        return 0
    return pd.NA if own["canes"].isna().any() else int(own["canes"].sum())


def _covered(outline: shapely.Geometry, places: Array) -> float:
    """Return how much of the ground some places stand for, percent."""
    reach = np.sqrt(outline.area / (2 * len(places)))
    near = shapely.union_all(shapely.buffer(shapely.points(places), reach))
    return float(100 * shapely.area(shapely.intersection(near, outline)) / outline.area)


def _evidence(samples: Array, placed: Array, covered: Array, rules: Rules) -> list[str]:
    limits = rules.evidence
    few, one_part = placed < limits.few_samples, printed(covered) < limits.covered_under_pct
    first = {
        Evidence.NONE: samples == 0,
        Evidence.NO_PLACE: placed == 0,
        Evidence.FEW: few,
        Evidence.ONE_PART: one_part,
    }
    found = np.select(list(first.values()), list(first), Evidence.ENOUGH)
    return [str(evidence) for evidence in found]


def _places(own: gpd.GeoDataFrame | None, block: pd.Series[Any], terrain: xr.Dataset | None) -> dict[str, float]:
    """Return what the map has where the samples lie, and how much higher than their block's mean they stand."""
    if own is None:
        return {"map_at_samples_pct": np.nan, "samples_above_m": np.nan}
    known = own["at"].notna()
    at = np.average(own.loc[known, "at"], weights=own.loc[known, "nodes"].astype(float)) if known.any() else np.nan
    above = float(own["height"].mean()) - _mean_height(block, terrain)
    return {"map_at_samples_pct": float(at), "samples_above_m": above}


def _mean_height(block: pd.Series[Any], terrain: xr.Dataset | None) -> float:
    """Return the mean height of a block's ground, by a lattice of about 400 places on it."""
    if terrain is None:
        return np.nan
    left, bottom, right, top = block.geometry.bounds
    steps = (np.arange(20) + 0.5) / 20
    x, y = (grid.ravel() for grid in np.meshgrid(left + steps * (right - left), bottom + steps * (top - bottom)))
    inside = shapely.contains_xy(block.geometry, x, y)
    if not inside.any():
        return np.nan
    heights = _heights(terrain, np.column_stack([x[inside], y[inside]]))
    return float(np.nanmean(heights)) if np.isfinite(heights).any() else np.nan


def _survey(row: dict[Any, Any]) -> tuple[float, float, float]:
    """Return what was cut of the nodes that the map is about, with its interval."""
    stem = "injury" if pd.isna(row.get("basal_pct")) else "basal"
    dead, low, high = (row.get(f"{stem}{end}_pct", np.nan) for end in ("", "_low", "_high"))
    return float(dead), float(low), float(high)


def _differs(row: dict[Any, Any], rules: Rules) -> Differs:
    """Return why the cuts of a block and its map lie far apart, where they do."""
    dead, low, high = _survey(row)
    on_map, map_low, map_high = (row.get(f"map_{end}_pct", np.nan) for end in ("injury", "low", "high"))
    apart = low > map_high or high < map_low
    if not (apart or abs(dead - on_map) > rules.evidence.differ_points):
        return Differs.ALIKE
    if 2 * row["placed"] < row["samples"]:
        return Differs.NO_PLACE
    place = row["map_at_samples_pct"] - on_map
    if abs(place) >= abs(dead - row["map_at_samples_pct"]):
        return Differs.PLACE
    return Differs.FEW if row["samples"] < rules.evidence.few_samples else Differs.NEIGHBOURS
