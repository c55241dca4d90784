"""Where a zone is too unsure to act on: how many canes more to cut in it, and at which places."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.special import logit

from vinemap.arrays import Array
from vinemap.columns import MORE_CANES_CSV
from vinemap.decisions.actions import chosen_rule, printed
from vinemap.reading.inside import EDGE_M, inner, lattice_inside
from vinemap.reading.names import sample_names
from vinemap.reading.rows import RowFrame, snapped
from vinemap.settings import Settings
from vinemap.states import NUMBERED, Action, Evidence
from vinemap.surface.draws import JointDraws
from vinemap.surface.undecided import (
    NODES_PER_CANE,
    Posterior,
    cane_noise,
    drawn_covariance,
    telling_places,
)

_PLACES = 80
_BY_BUDS = (*NUMBERED, Action.PRUNE_LONG, Action.CHECK_WOOD, Action.NO_DATA)


def too_unsure(zones: pd.DataFrame, settings: Settings) -> pd.Series[bool]:
    """Return which zones the buds decide, but not surely enough to act on.

    Parameters
    ----------
    zones : DataFrame
        action, evidence, sure_pct, of `vinemap.decisions.evidence.zone_evidence`.
    settings : Settings
        ``actions.rules.evidence.unsure_under_pct``.
    """
    limit = settings.actions.rules.evidence.unsure_under_pct
    sure = zones["sure_pct"].astype(np.float64).round(1)
    unsure = zones["evidence"].ne(Evidence.ENOUGH) | zones["action"].eq(Action.NO_DATA) | (sure < limit)
    return unsure & zones["action"].isin(_BY_BUDS)


def more_canes(
    zones: gpd.GeoDataFrame,
    blocks: gpd.GeoDataFrame,
    frames: Mapping[str, RowFrame],
    samples: pd.DataFrame,
    joint: JointDraws,
    between_vine_sd: float,
    settings: Settings,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Say how many canes more each zone needs that is too unsure to act on, and where.

    As in the second round of a plan, each cane goes where it is expected to leave least ground misclassified, and there
    are as many as halve that ground, or leave no more of it than 1 - ``evidence.most_sure_pct``. The limit that divides
    is the end of a step of the pruning rule that lies nearest to the zone's injury; a rule without such an end is held
    against ``surface.threshold``. There are never fewer than the evidence lacks: a sample in every zone, and
    ``evidence.few_samples`` in a block.

    Parameters
    ----------
    zones : GeoDataFrame
        Of `vinemap.decisions.evidence.zone_evidence`: zone, block, action, injury_pct, sure_pct, evidence, samples.
    blocks : GeoDataFrame
        In the order of the draws: block.
    frames : mapping
        Rows by block, of `vinemap.reading.frames.known_rows`: canes stand at their vines.
    samples : DataFrame
        sample: names that are taken.
    joint : JointDraws
        Of the primary buds.
    between_vine_sd : float
        Of the log-odds of injury between vines on the same ground.
    settings : Settings

    Returns
    -------
    zones : GeoDataFrame
        With canes_more: 0 where the zone is sure enough, or not decided by its buds; missing where it is not, the
        evidence lacks nothing, and ``evidence.most_more_canes`` would not do.
    canes : GeoDataFrame
        The columns of `vinemap.columns.MORE_CANES_CSV`, a row a cane, zone by zone, the most telling one first.
    """
    unsure = too_unsure(zones, settings)
    lacking = _lacking(zones, settings)
    row_of = {name: row for row, name in enumerate(blocks["block"])}
    count: dict[Any, int | None] = dict.fromkeys(zones.index, 0)
    parts: list[pd.DataFrame] = []
    limits = settings.actions.rules.evidence
    enough = 1 - limits.most_sure_pct / 100
    for index, zone in zones[unsure].iterrows():
        row = row_of[zone["block"]]
        places = _places(zone.geometry)
        posterior = _posterior(places, row, joint, between_vine_sd, _limit(zone["injury_pct"], settings))
        allowed = shapely.contains_xy(inner(zone.geometry, EDGE_M), *places.T)
        free = allowed if allowed.any() else ~allowed
        chosen, risk = telling_places(posterior, free, None, lacking[index], enough, limits.most_more_canes)
        if risk > max(posterior.misclassified / 2, enough):
            chosen = chosen[: lacking[index]]
        count[index] = len(chosen) or None
        if not len(chosen):
            continue
        frame, xy = frames.get(zone["block"]), posterior.xy[chosen]
        parts.append(_canes(zone, row, xy if frame is None else snapped(frame, xy, zone.geometry), frame))
    return zones.assign(canes_more=pd.array(list(count.values()), dtype="Int64")), _named(parts, blocks, samples)


def _lacking(zones: pd.DataFrame, settings: Settings) -> pd.Series[int]:
    """Return how many samples the evidence of each zone lacks; a block's are shared by its zones, by ground."""
    here = zones["samples"].astype("Float64").fillna(0).astype(np.float64)
    found = here.groupby(zones["block"]).transform("sum")
    short = (settings.actions.rules.evidence.few_samples - found).clip(lower=0)
    share = zones["area_ha"] / zones["area_ha"].groupby(zones["block"]).transform("sum")
    lacking = np.maximum(np.ceil(printed((short * share).to_numpy())), (here == 0).to_numpy())
    return pd.Series(lacking, zones.index).astype(int)


def _places(zone: shapely.Geometry) -> Array:
    """Return places that stand for equal pieces of a zone."""
    xy = lattice_inside(zone, float(np.sqrt(zone.area / _PLACES)))
    return xy if len(xy) else shapely.get_coordinates(shapely.point_on_surface(zone))


def _limit(injury_pct: float, settings: Settings) -> float:
    """Return the log-odds of the injury that divides what is done here from what is done nearest to it."""
    ends = [step.end for step in chosen_rule(settings).steps if step.end is not None and 0 < step.end < 100]
    whole = np.array(ends or [100 * settings.surface.threshold])
    known = 100 * settings.surface.threshold if np.isnan(injury_pct) else injury_pct
    return float(logit(whole[np.abs(whole - known).argmin()] / 100))


def _posterior(places: Array, row: int, joint: JointDraws, between_vine_sd: float, limit: float) -> Posterior:
    """Return what the survey leaves open at places of one block."""
    block = np.full(len(places), row)
    injury = np.clip(joint.draws.at(places, *joint.design.rows(places, block)), 1e-6, 1 - 1e-6)
    logits = logit(injury)
    mean = logits.mean(axis=1)
    covariance = np.atleast_2d(drawn_covariance(logits))
    return Posterior(places, block, mean, covariance, cane_noise(mean, between_vine_sd, NODES_PER_CANE), limit)


def _canes(zone: pd.Series[Any], row: int, xy: Array, frame: RowFrame | None) -> pd.DataFrame:
    """Return the canes of one zone."""
    counted = [(None, None) if frame is None else frame.nearest(place) for place in xy]
    return pd.DataFrame(
        {
            "block": zone["block"],
            "zone": zone["zone"],
            "row": pd.array([one[0] for one in counted], dtype="Int64"),
            "vine": pd.array([one[1] for one in counted], dtype="Int64"),
            "nodes": NODES_PER_CANE,
            "block_row": row,
            "x": xy[:, 0],
            "y": xy[:, 1],
        }
    )


def _named(parts: list[pd.DataFrame], blocks: gpd.GeoDataFrame, samples: pd.DataFrame) -> gpd.GeoDataFrame:
    """Return the canes of all zones with names that no sample has, and their places in degrees."""
    if not parts:
        return gpd.GeoDataFrame(pd.DataFrame(columns=MORE_CANES_CSV.names), geometry=[], crs=blocks.crs)
    table = pd.concat(parts, ignore_index=True)
    points = gpd.GeoSeries.from_xy(table["x"], table["y"], crs=blocks.crs)
    degrees = points.to_crs(4326)
    names = sample_names(table["block_row"], blocks["block"].tolist(), samples["sample"])
    named = table.assign(sample=names, lon=degrees.x, lat=degrees.y)
    return gpd.GeoDataFrame(named[MORE_CANES_CSV.names], geometry=points, crs=blocks.crs)
