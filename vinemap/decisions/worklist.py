"""The work list: a line a zone in the order to visit, with vines, hours, material, cost, and when crops come back."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.arrays import Array
from vinemap.settings import Settings
from vinemap.states import RENEWED, TASKS, Action

HOUR = "hour"
_ALSO = ("target_from", "samples", "nodes")
_URGENT = (Action.REPLANT, Action.RETRAIN, Action.KEEP_SUCKERS, Action.LOOK_AGAIN)


def work_list(zones: gpd.GeoDataFrame, blocks: pd.DataFrame, settings: Settings = Settings()) -> pd.DataFrame:
    """List the work.

    Parameters
    ----------
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`.
    blocks : DataFrame
        block; trunk_dead_pct, trunk_dead_low_pct and trunk_dead_high_pct where trunks were checked.
    settings : Settings
        ``work``; the years of ``actions.rules.recovery``; the date of the freeze.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.WORK_LIST`, in the order of `visiting_order`; of these

        - vines_to_work, vines_to_work_low, vines_to_work_high: all vines of the zone, but for retraining and replanting
          those whose trunks are dead, by the zone's share and its low and high, else by the block's.
        - hours: vines_to_work / ``vines_per_hour`` of the action; NaN where none is given.
        - young_vines_pieces, and one such column for each material that the settings name: pieces a vine times
          vines_to_work. Replanting takes one of ``young_vines`` a vine unless the settings say otherwise.
        - cost: hours and pieces times their prices; NaN unless every price that the line needs is given.
        - full_crop_year: the year of the freeze (of its spring) plus the years to a full crop again; missing where
          nothing is renewed, or the date of the freeze is not given.

        Zones with no figures have no work.

    Examples
    --------
    >>> from vinemap.decisions.worklist import work_list
    >>> run = vinemap.make_map("demo_blocks")
    >>> len(work_list(run.zones, run.blocks, run.vineyard.site.settings)) == len(run.zones)
    True
    """
    order = visiting_order(zones, settings.work.order)
    ordered = pd.DataFrame(zones.drop(columns="geometry")).iloc[order].reset_index(drop=True)
    table = ordered[
        ["zone", "block", "action", "area_ha", "vines", "nodes_to_keep", *(name for name in _ALSO if name in ordered)]
    ].copy()
    table.insert(0, "visit", np.arange(1, len(table) + 1))
    shares = _shares(ordered, blocks)
    vines = table["vines"].astype("Float64").to_numpy(np.float64, na_value=np.nan)
    for end, share in shares.items():
        table[f"vines_to_work{end}"] = np.round(vines * share)
    work = table["vines_to_work"].to_numpy(np.float64)
    rate = table["action"].map(dict(settings.work.vines_per_hour)).to_numpy(np.float64)
    table["hours"] = work / rate
    pieces = _pieces(table["action"], settings)
    cost = _cost(table["hours"].to_numpy(np.float64), settings.work.prices.get(HOUR), needed=work != 0)
    for name, each in pieces.items():
        table[f"{name}_pieces"] = work * each
        cost = cost + _cost(work * each, settings.work.prices.get(name), needed=each > 0)
    table["cost"] = cost
    table["full_crop_year"] = _full_crop_year(table["action"], settings, _in_south(zones))
    return table


def totals(table: pd.DataFrame) -> pd.Series[Any]:
    """Return the sums of the work list: area_ha, vines, vines_to_work, hours, materials, cost.

    NaN where a line whose action is known has none, so that no total passes for more than it holds.
    """
    done = table[table["action"] != Action.NO_DATA]
    materials = [name for name in done if str(name).endswith("_pieces")]
    columns = ["area_ha", "vines", "vines_to_work", "hours", *materials, "cost"]
    sums: pd.Series[Any] = done[columns].astype("Float64").sum(skipna=False)
    return sums


def by_action(zones: pd.DataFrame) -> pd.DataFrame:
    """Sum up what there is to do: action, zones, area_ha and vines (missing where a zone's are), heaviest work first.

    Parameters
    ----------
    zones : DataFrame
        action, area_ha, vines of the zones of every block: ground counts once, whatever its block's row says.
    """
    counted = zones.assign(vines=zones["vines"].astype("Float64"))
    sums = counted.groupby("action", sort=False).agg(
        zones=("action", "size"),
        area_ha=("area_ha", "sum"),
        vines=("vines", lambda vines: vines.sum(skipna=False)),
    )
    heaviest = [action.value for action in (*reversed(TASKS[:-1]), TASKS[-1])]
    return sums.reindex([action for action in heaviest if action in sums.index]).reset_index()


def visiting_order(zones: gpd.GeoDataFrame, order: str) -> list[int]:
    """Return positions of zones in the order to visit.

    Parameters
    ----------
    zones : GeoDataFrame
        action, injury_pct, geometry.
    order : str
        'worst': dead and hurt trunks, then by injury, the worst first. 'route': from the worst zone always to the
        nearest one not yet visited, by straight distance.
    """
    urgent = zones["action"].map({action: rank for rank, action in enumerate(_URGENT)}).fillna(len(_URGENT))
    keys = pd.DataFrame({"urgent": urgent, "known": zones["action"].eq(Action.NO_DATA), "injury": -zones["injury_pct"]})
    keys = keys.reset_index(drop=True).sort_values(["known", "urgent", "injury"], kind="stable")
    worst: list[int] = keys.index.tolist()
    if order == "worst" or not worst:
        return worst
    points = zones.geometry.representative_point()
    place = np.column_stack([points.x, points.y])
    left, route = set(worst[1:]), worst[:1]
    while left:
        rest = np.array(sorted(left))
        nearest = int(rest[np.hypot(*(place[rest] - place[route[-1]]).T).argmin()])
        route.append(nearest)
        left.remove(nearest)
    return route


def _shares(table: pd.DataFrame, blocks: pd.DataFrame) -> dict[str, Array]:
    """Return the share of each zone's vines that the work is about, with its low and high; none where nothing is known.

    Of dead trunks the zone's own share, or the block's where there is none.
    """
    renewed = table["action"].isin(RENEWED).to_numpy()
    idle = table["action"].eq(Action.NO_DATA).to_numpy()
    by_block = blocks.set_index("block")
    shares = {}
    for end in ("", "_low", "_high"):
        name = f"trunk_dead{end}_pct"
        dead = table["block"].map(by_block.get(name, {})).astype(np.float64)
        if name in table:
            dead = table[name].fillna(dead)
        shares[end] = np.where(idle, 0.0, np.where(renewed, dead.to_numpy(np.float64) / 100, 1.0))
    return shares


def _pieces(action: pd.Series[str], settings: Settings) -> dict[str, Array]:
    """Return pieces of each material for one vine, by line."""
    given = {str(task): dict(materials) for task, materials in settings.work.materials.items()}
    given[Action.REPLANT] = {"young_vines": 1.0} | given.get(Action.REPLANT, {})
    present = [task for task in given if action.eq(task).any()]
    names = dict.fromkeys(name for task in present for name in given[task])
    return {name: action.map({t: given[t].get(name, 0.0) for t in given}).fillna(0.0).to_numpy() for name in names}


def _cost(amount: Array, price: float | None, *, needed: Array) -> Array:
    """Return the cost of an amount: nothing where none is needed, NaN where there is no price."""
    return np.where(needed, amount * (np.nan if price is None else price), 0.0)


def _in_south(zones: gpd.GeoDataFrame) -> bool:
    """Whether the vineyard lies south of the equator, where the winter is in the middle of the year."""
    bounds = zones.geometry.to_crs(4326).total_bounds
    return bool(bounds[1] + bounds[3] < 0)


def _full_crop_year(action: pd.Series[str], settings: Settings, south: bool) -> pd.Series[int]:
    recovery, event = settings.actions.rules.recovery, settings.event_date
    years = np.ceil(
        action.map({Action.RETRAIN: recovery.retrain_years, Action.REPLANT: recovery.replant_years}).astype(np.float64)
    )
    if event is None:
        return pd.Series(pd.NA, action.index, dtype="Int64")
    spring = event.year + int(event.month > 6 and not south)
    return pd.Series(years + spring, action.index).astype("Int64")
