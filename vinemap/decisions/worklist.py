"""The work list: a line a task, what cannot wait first, with vines, hours, days, material and cost."""

from __future__ import annotations

from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.arrays import Array
from vinemap.columns import WORK_LIST
from vinemap.decisions.checks import fewest_checks
from vinemap.settings import Settings
from vinemap.states import CUT_BACK, MORE_CANES, RENEWED, TASKS, Action, Rate, When

HOUR = "hour"
_URGENT = (Action.REPLANT, Action.RETRAIN, Action.KEEP_SUCKERS, Action.LOOK_AGAIN)
_FIRST = {Action.CHECK_WOOD: 0, MORE_CANES: 1}
_PRUNED, _HELD = 2, 3
_LATER = {Action.LOOK_AGAIN: 4, CUT_BACK: 4, Action.RETRAIN: 5, Action.REPLANT: 6, Action.NO_DATA: 7}
_DUE = {
    Action.AS_USUAL: When.DORMANT,
    Action.KEEP_MORE: When.DORMANT,
    Action.PRUNE_LONG: When.DORMANT,
    CUT_BACK: When.GROWN,
    Action.LOOK_AGAIN: When.GROWN,
    Action.RETRAIN: When.GROWN,
    Action.REPLANT: When.PLANTING,
}
_SOON = (When.NOW, When.DORMANT)


class Terms(NamedTuple):
    """What material and hours cost, and where that comes from.

    Attributes
    ----------
    materials : dict
        Pieces for each vine, by action.
    prices : dict
        Of a piece of each, and of an hour.
    currency : str
    rate : Rate
    """

    materials: dict[str, dict[str, float]]
    prices: dict[str, float]
    currency: str
    rate: Rate


def terms(settings: Settings) -> Terms:
    """Return the settings' materials and prices; those of ``rules.toml``, assumed, where they name no price at all.

    One price of a vineyard's own in one currency says nothing of the others, so that the two are never mixed.
    """
    work, assumed = settings.work, settings.actions.rules.work
    own = bool(work.prices or work.currency)
    given = work.materials or ({} if own else assumed.materials)
    materials = {str(task): dict(pieces) for task, pieces in given.items()}
    materials[Action.REPLANT] = {"young_vines": 1.0} | materials.get(Action.REPLANT, {})
    if own:
        return Terms(materials, dict(work.prices), work.currency, Rate.GIVEN)
    return Terms(materials, dict(assumed.prices), assumed.currency, Rate.ASSUMED)


def work_list(zones: gpd.GeoDataFrame, blocks: pd.DataFrame, settings: Settings = Settings()) -> pd.DataFrame:
    """List the work.

    Parameters
    ----------
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`; sure_pct, canes_more, rows_whole and rows_part where they are known.
    blocks : DataFrame
        block; trunk_dead_pct, trunk_dead_low_pct and trunk_dead_high_pct where trunks were checked, trunk_checks_more
        where more checks would decide.
    settings : Settings
        ``work``; ``actions.rules.work`` for what it leaves out; the years of ``actions.rules.recovery``; the date of
        the freeze.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.WORK_LIST`, a line a task. A zone has a line for its action; before it one for
        the canes to cut where it is not sure enough; after it one for the second cut where vines are pruned twice. A
        block has one for the wood checks that would decide. In the order 'urgent': wood checks; canes, most unsure
        ground first; pruning, the surest zones first and those that wait for canes last; then what is due after
        budbreak and in the planting season. Of the columns

        - vines_to_work, vines_to_work_low, vines_to_work_high: all vines of the zone, but for retraining and replanting
          those whose trunks are dead, by the zone's share and its low and high, else by the block's; of wood checks and
          canes the vines that they take.
        - hours: vines_to_work / ``vines_per_hour`` of the action, or ``canes_per_hour``.
        - crew_days, day_from, day_to: what the crew needs, and from which to which of its days, where the work is due
          before budbreak; missing past a line whose hours are not known.
        - young_vines_pieces, and one such column for each material: pieces a vine times vines_to_work.
        - cost: hours and pieces times their prices; NaN unless every price that the line needs is known.
        - full_crop_year: the year of the freeze (of its spring) plus the years to a full crop again; missing where
          nothing is renewed, or the date of the freeze is not given.

        Zones with no figures, and no canes to cut, have no work.

    Examples
    --------
    >>> from vinemap.decisions.worklist import work_list
    >>> run = vinemap.make_map("demo_blocks")
    >>> work = work_list(run.zones, run.blocks, run.vineyard.site.settings)
    >>> set(work["zone"].dropna()) == set(run.zones["zone"])
    True
    """
    table = _in_order(_lines(zones, blocks), zones, settings.work.order)
    table.insert(0, "visit", np.arange(1, len(table) + 1))
    vines, checks = _floats(table, "vines"), _checks(table, blocks, settings.survival.confidence)
    for end, share in _shares(table, blocks).items():
        table[f"vines_to_work{end}"] = _vines(table, np.round(vines * share), checks)
    work = table["vines_to_work"].to_numpy(np.float64)
    known = terms(settings)
    table = table.assign(**_hours(table, work, settings))
    pieces = _pieces(table["task"], known)
    hours = table["hours"].to_numpy(np.float64)
    cost = _cost(hours, known.prices.get(HOUR), needed=work != 0)
    for name, each in pieces.items():
        table[f"{name}_pieces"] = work * each
        cost = cost + _cost(work * each, known.prices.get(name), needed=each > 0)
    assumed = table["hours_from"].eq(Rate.ASSUMED) | (known.rate is Rate.ASSUMED)
    table["cost"], table["cost_from"] = cost, _rates(assumed.to_numpy(bool), np.isfinite(cost))
    table["full_crop_year"] = _full_crop_year(table["task"], settings, _in_south(zones))
    return WORK_LIST.arranged(table[[name for name in table if WORK_LIST.find(str(name)) is not None]])


def totals(table: pd.DataFrame) -> pd.Series[Any]:
    """Return the sums of the work list: area_ha, vines, vines_to_work, hours, crew_days, materials, cost.

    Ground and vines of a zone count once, however many lines it has. NaN where a line that is work has none, so that no
    total passes for more than it holds.
    """
    done = table[table["task"] != Action.NO_DATA]
    ground = done.dropna(subset="zone").drop_duplicates("zone")
    materials = [name for name in done if str(name).endswith("_pieces")]
    sums = [
        ground[["area_ha", "vines"]].astype("Float64").sum(skipna=False),
        done[["vines_to_work", "hours", "crew_days", *materials, "cost"]].astype("Float64").sum(skipna=False),
    ]
    whole: pd.Series[Any] = pd.concat(sums)
    return whole


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


def _lines(zones: gpd.GeoDataFrame, blocks: pd.DataFrame) -> pd.DataFrame:
    """Return a row a task, in no order: task, group, whether it waits for canes, then what is known of its zone."""
    table = pd.DataFrame(zones.drop(columns="geometry")).reset_index(drop=True)
    table = table.assign(place=np.arange(len(table)), zone=table["zone"].astype("Int64"))
    unsure = _floats(table, "canes_more") > 0
    table["held"] = unsure
    idle = table["action"].eq(Action.NO_DATA)
    whole = pd.concat(
        [
            table[~(unsure & idle)].assign(task=table["action"]),
            table[unsure].assign(task=MORE_CANES, held=False),
            table[table["action"].eq(Action.PRUNE_LONG)].assign(task=CUT_BACK),
            _wood_checks(blocks, table),
        ],
        ignore_index=True,
    )
    group = whole["task"].map(_FIRST | _LATER)
    whole["group"] = group.fillna(whole["held"].map({True: _HELD, False: _PRUNED})).astype(int)
    return whole.assign(when=whole["task"].map(_DUE).fillna(When.NOW.value).astype(str))


def _wood_checks(blocks: pd.DataFrame, zones: pd.DataFrame) -> pd.DataFrame:
    """Return a line for each block whose wood checks a number more would decide, but for those with such a zone."""
    checked = set(zones.loc[zones["action"].eq(Action.CHECK_WOOD), "block"])
    first = zones.groupby("block")["place"].min()
    asked = blocks[(_floats(blocks, "trunk_checks_more") > 0) & ~blocks["block"].isin(checked).to_numpy()]
    lines = {
        "block": asked["block"].to_numpy(object),
        "action": asked["action"].to_numpy(object) if "action" in asked else None,
        "task": Action.CHECK_WOOD.value,
        "held": False,
        "place": asked["block"].map(first).to_numpy(np.float64),
    }
    return pd.DataFrame(lines).astype({"held": bool})


def _checks(table: pd.DataFrame, blocks: pd.DataFrame, confidence: float) -> Array:
    """Return the vines to check on each line of wood checks; NaN where no number would decide.

    Where nobody looked yet, the fewest that can decide; what a block lacks is shared by its zones, by their ground.
    """
    by_block = blocks.set_index("block")
    more, of = (table["block"].map(by_block.get(name, {})) for name in ("trunk_checks_more", "trunk_checks_of"))
    lines = table["task"].eq(Action.CHECK_WOOD)
    ground = table["area_ha"].where(lines & table["zone"].notna())
    share = (ground / ground.groupby(table["block"]).transform("sum")).fillna(1.0).to_numpy(np.float64)
    lacking = more.astype("Float64").to_numpy(np.float64, na_value=np.nan)
    return np.where(of.isna().to_numpy(), fewest_checks(confidence), np.ceil(np.round(lacking * share, 6)))


def _in_order(table: pd.DataFrame, zones: gpd.GeoDataFrame, order: str) -> pd.DataFrame:
    """Return the lines in the order of the work."""
    sure = _floats(table, "sure_pct")
    if order == "urgent":
        # Canes go first where most ground may be in the wrong zone, pruning where least of it is.
        doubt = np.where(np.isnan(sure), 0.5, 1 - sure / 100) * _floats(table, "area_ha")
        unsure = np.where(np.isnan(sure), np.inf, -sure)
        keys = table.assign(key=np.where(table["task"].eq(MORE_CANES), -doubt, unsure))
        found = keys.sort_values(["group", "key", "place"], kind="stable")
    else:
        visited = {place: turn for turn, place in enumerate(visiting_order(zones, order))}
        found = table.assign(turn=table["place"].map(visited)).sort_values(["turn", "group"], kind="stable")
    return table.loc[found.index].reset_index(drop=True)


def _vines(table: pd.DataFrame, vines: Array, checks: Array) -> Array:
    """Return the vines that each line works on, with those that canes and wood checks take."""
    task = table["task"]
    return np.select(
        [task.eq(MORE_CANES), task.eq(Action.CHECK_WOOD), task.eq(Action.NO_DATA)],
        [_floats(table, "canes_more"), checks, np.zeros(len(table))],
        vines,
    )


def _hours(table: pd.DataFrame, work: Array, settings: Settings) -> dict[str, Any]:
    """Return the columns of hours and days."""
    given = settings.work.vines_per_hour
    rates = {str(task): rate for task, rate in {**settings.actions.rules.work.vines_per_hour, **given}.items()}
    rates |= {MORE_CANES: settings.work.canes_per_hour, CUT_BACK: rates[Action.AS_USUAL]}
    own = {str(task) for task in given}
    own |= {CUT_BACK} if Action.AS_USUAL in given else set()
    own |= {MORE_CANES} if "canes_per_hour" in settings.work.model_fields_set else set()
    hours = np.where(work == 0, 0.0, work / table["task"].map(rates).to_numpy(np.float64))
    days = hours / (settings.work.crew * settings.work.hours_a_day)
    soon = table["when"].isin(_SOON).to_numpy()
    until = np.cumsum(np.where(soon, days, 0.0))
    # The last day of one line is the first of the next, unless it is full.
    first, last = np.floor(np.round(until - days, 6)) + 1, np.ceil(np.round(until, 6))
    timed = soon & (days > 0)
    crew = {"crew", "hours_a_day"} <= settings.work.model_fields_set
    rated = ~table["task"].isin(own).to_numpy()
    return {
        "hours": hours,
        "hours_from": _rates(rated, np.isfinite(hours) & (work != 0)),
        "crew_days": days,
        "days_from": _rates(rated | (not crew), np.isfinite(days) & (work != 0)),
        "day_from": _whole(np.where(timed, first, np.nan)),
        "day_to": _whole(np.where(timed, np.fmax(first, last), np.nan)),
    }


def _whole(values: Array) -> pd.Series[int]:
    return pd.Series(values).astype("Int64")


def _rates(assumed: NDArray[np.bool_], known: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return where each figure comes from; None where there is none."""
    found = np.where(assumed, Rate.ASSUMED.value, Rate.GIVEN.value).astype(object)
    found[~known] = None
    return found


def _shares(table: pd.DataFrame, blocks: pd.DataFrame) -> dict[str, Array]:
    """Return the share of each line's vines that the work is about, with its low and high; none where nothing is known.

    Of dead trunks the zone's own share, or the block's where there is none.
    """
    renewed = table["task"].isin(RENEWED).to_numpy()
    idle = table["task"].eq(Action.NO_DATA).to_numpy()
    by_block = blocks.set_index("block")
    shares = {}
    for end in ("", "_low", "_high"):
        name = f"trunk_dead{end}_pct"
        dead = table["block"].map(by_block.get(name, {})).astype(np.float64)
        if name in table:
            dead = table[name].astype(np.float64).fillna(dead)
        shares[end] = np.where(idle, 0.0, np.where(renewed, dead.to_numpy(np.float64) / 100, 1.0))
    return shares


def _pieces(task: pd.Series[str], known: Terms) -> dict[str, Array]:
    """Return pieces of each material for one vine, by line."""
    given = known.materials
    present = [one for one in given if task.eq(one).any()]
    names = dict.fromkeys(name for one in present for name in given[one])
    return {name: task.map({t: given[t].get(name, 0.0) for t in given}).fillna(0.0).to_numpy() for name in names}


def _cost(amount: Array, price: float | None, *, needed: Array) -> Array:
    """Return the cost of an amount: nothing where none is needed, NaN where there is no price."""
    return np.where(needed, amount * (np.nan if price is None else price), 0.0)


def _floats(table: pd.DataFrame, name: str) -> Array:
    """Return a column as floats, NaN where it or its value is missing."""
    if name not in table:
        return np.full(len(table), np.nan)
    return table[name].astype("Float64").to_numpy(np.float64, na_value=np.nan)


def _in_south(zones: gpd.GeoDataFrame) -> bool:
    """Whether the vineyard lies south of the equator, where the winter is in the middle of the year."""
    bounds = zones.geometry.to_crs(4326).total_bounds
    return bool(bounds[1] + bounds[3] < 0)


def _full_crop_year(task: pd.Series[str], settings: Settings, south: bool) -> pd.Series[int]:
    recovery, event = settings.actions.rules.recovery, settings.event_date
    years = np.ceil(
        task.map({Action.RETRAIN: recovery.retrain_years, Action.REPLANT: recovery.replant_years}).astype(np.float64)
    )
    if event is None:
        return pd.Series(pd.NA, task.index, dtype="Int64")
    spring = event.year + int(event.month > 6 and not south)
    return pd.Series(years + spring, task.index).astype("Int64")
