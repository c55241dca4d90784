"""The bulletin's tables: what froze, by variety and district, by group and by height, with what may not be shown."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from vinemap.columns import BULLETIN, BULLETIN_DISTRICTS, BULLETIN_GROUPS, BULLETIN_HEIGHTS
from vinemap.region.figures import HEIGHTS_M
from vinemap.region.members import Member
from vinemap.region.pooled import Pooled, pooled
from vinemap.region.suppression import Total, publishable
from vinemap.region.task import Outcome
from vinemap.settings import RegionSettings
from vinemap.states import Disclosure

ALL = "all"
"""In the tables, what stands for every variety, or every district."""
UNKNOWN = "unknown"
"""In the tables, a variety, a district or a group that is not known."""

_WHOLE = {"injury": "area_ha", "net": "net_ha", "loss": "loss_ha"}
_NAMES = {"injury": "injury", "net": "net_injury", "loss": "crop_loss"}


@dataclass(frozen=True)
class Tables:
    """What the bulletin shows.

    Attributes
    ----------
    varieties : DataFrame
        The columns of `vinemap.columns.BULLETIN`: every variety in every district, then with ``all`` their sums.
    districts, groups, heights : DataFrame
        Those of `vinemap.columns.BULLETIN_DISTRICTS`, `vinemap.columns.BULLETIN_GROUPS` and
        `vinemap.columns.BULLETIN_HEIGHTS`.
    """

    varieties: pd.DataFrame
    districts: pd.DataFrame
    groups: pd.DataFrame
    heights: pd.DataFrame


def bulletin_tables(
    members: Sequence[Member],
    outcomes: Mapping[str, Outcome],
    settings: RegionSettings,
    districts: Sequence[str] = (),
) -> Tables:
    """Return the tables of a region, in which nothing tells of a grower.

    Parameters
    ----------
    members : sequence of Member
        Those that share and were mapped count.
    outcomes : mapping of str to Outcome
        By the name of the folder.
    settings : RegionSettings
    districts : sequence of str
        Names beside those of the members, which have no results.

    Returns
    -------
    Tables
        What may not be published is empty, and its row says ``withheld`` (`vinemap.region.suppression`); where there is
        nothing, ``no_results``. Net injury and crop loss stand where every grower of theirs, too, is hidden among
        enough others.
    """
    counted = [m for m in members if m.share and outcomes[m.folder].figures is not None]
    parts = _parts(counted, outcomes, "varieties")
    named = [m.district or UNKNOWN for m in members if m.share]
    every = sorted({*named, *districts}, key=lambda name: (name == UNKNOWN, name.casefold()))
    pool = _Pool(parts, settings)
    varieties = sorted(set(parts["variety"]), key=lambda name: (name == UNKNOWN, name.casefold()))
    rows = [{"variety": v, "district": d} | pool.row(("cell", v, d)) for v in varieties for d in every]
    rows += [{"variety": v, "district": ALL} | pool.row(("variety", v)) for v in varieties]
    rows += [{"variety": ALL, "district": d} | pool.row(("district", d)) for d in every]
    rows.append({"variety": ALL, "district": ALL} | pool.row(("all",)))
    groups = sorted(set(parts["group"]), key=lambda name: (name == UNKNOWN, name))
    return Tables(
        _framed(rows, BULLETIN.names),
        _framed([{"district": d} | pool.row(("district", d)) for d in every], BULLETIN_DISTRICTS.names),
        _framed([{"group": g} | pool.row(("group", g)) for g in groups], BULLETIN_GROUPS.names),
        _framed(_heights(_parts(counted, outcomes, "heights"), settings), BULLETIN_HEIGHTS.names),
    )


def _framed(rows: list[dict[str, Any]], names: list[str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=names)
    whole = {name: "Int64" for name in ("vineyards", "canes", "buds") if name in frame}
    return frame.astype(whole)


def _parts(members: Sequence[Member], outcomes: Mapping[str, Outcome], name: str) -> pd.DataFrame:
    """Return a row for each variety, or band of height, of each vineyard."""
    rows = [
        {**row, "folder": m.folder, "district": m.district or UNKNOWN, "grower": m.grower, "weight": m.area_weight}
        for m in members
        for row in (outcomes[m.folder].figures or {})[name]
        if row["injury_pct"] is not None
    ]
    known = ("folder", "district", "grower", "weight", "area_ha", "injury_pct")
    more = ("variety", "group", "canes", "buds", "net_pct", "net_ha", "loss_pct", "loss_ha", "from_m")
    frame = pd.DataFrame(rows, columns=[*known, *more])
    for column in ("variety", "group"):
        frame[column] = frame[column].map(lambda value: value or UNKNOWN)
    for column in (*known[3:], *more[2:]):
        frame[column] = frame[column].astype("Float64").astype(np.float64)
    return frame


class _Pool:
    """Pools parts to totals, and knows which of them may be shown."""

    def __init__(self, parts: pd.DataFrame, settings: RegionSettings) -> None:
        self._settings = settings
        cells: list[Any] = list(zip(parts["variety"], parts["group"], parts["district"], strict=True))
        self._parts = parts.assign(cell=cells)
        self._totals = {total.name: total for total in self._sums()}
        shown = self._publishable("injury", set(self._totals))
        self._shown = {what: self._publishable(what, shown) if self._differs(what) else shown for what in _WHOLE}

    def _sums(self) -> list[Total]:
        """Return the totals, from what is given up last: the whole, districts, varieties, groups, then cells."""
        area: dict[tuple[str, str, str], float] = {}
        for cell, hectares in zip(self._parts["cell"], self._parts["area_ha"], strict=True):
            area[cell] = area.get(cell, 0.0) + hectares
        held: dict[tuple[str, ...], set[Hashable]] = {}
        for cell in area:
            variety, group, district = cell
            for name in (("all",), ("district", district), ("variety", variety), ("group", group)):
                held.setdefault(name, set()).add(cell)
            held.setdefault(("cell", variety, district), set()).add(cell)
        order = ("all", "district", "variety", "group", "cell")
        size = {name: sum(hectares for cell, hectares in area.items() if cell in cells) for name, cells in held.items()}
        ranked = sorted(held, key=lambda name: (order.index(name[0]), -size[name], name))
        return [Total(name, frozenset(held[name]), order.index(name[0])) for name in ranked]

    def _publishable(self, what: str, among: set[Hashable]) -> set[Hashable]:
        """Return the totals of which a figure may be shown, as those see it who have it."""
        area = self._parts[_WHOLE[what]]
        parts = self._parts.assign(area=area, weighted=area * self._parts["weight"])
        parts = parts.loc[area > 0, ["grower", "cell", "area", "weighted"]]
        totals = [total for name, total in self._totals.items() if name in among]
        return publishable(parts, totals, self._settings.fewest_growers, self._settings.most_share_pct / 100)

    def _differs(self, what: str) -> bool:
        """Whether a figure is known of other areas than injury is: of the same, the same may be shown."""
        return bool((self._parts[_WHOLE[what]] != self._parts[_WHOLE["injury"]]).any())

    def row(self, name: Hashable) -> dict[str, Any]:
        """Return the columns of one total."""
        if name not in self._totals:
            return {"state": Disclosure.NO_RESULTS}
        if name not in self._shown["injury"]:
            return {"state": Disclosure.WITHHELD}
        here = self._parts[self._parts["cell"].isin(self._totals[name].cells)]
        found: dict[str, Any] = {
            "state": Disclosure.SHOWN,
            "vineyards": here["folder"].nunique(),
            "canes": here["canes"].sum() if here["canes"].notna().all() else None,
            "buds": here["buds"].sum(),
            "area_ha": here["area_ha"].sum(),
        }
        for what in _WHOLE:
            if name in self._shown[what]:
                found |= self._mean(here, what)
        return found

    def _mean(self, here: pd.DataFrame, what: str) -> dict[str, float]:
        shares, weights = _by_vineyard(here, f"{what}_pct", _WHOLE[what])
        pool, stem = pooled(shares, weights), _NAMES[what]
        found = _columns(pool, stem, self._settings)
        if what == "injury":
            # Outward to whole tens: the lowest and the highest are figures of one vineyard each.
            found["range_low_pct"] = 10.0 * math.floor(10 * min(shares) + 1e-9)
            found["range_high_pct"] = 10.0 * math.ceil(10 * max(shares) - 1e-9)
            found["survival_pct"] = 100 - found["injury_pct"]
        if what == "loss":
            found["over_pct"] = 100 * pool.over(self._settings.crop_loss_over_pct / 100)
        return found


def _by_vineyard(here: pd.DataFrame, value: str, area: str) -> tuple[list[float], list[float]]:
    """Return each vineyard's share, a fraction, by the area that it is known of, and the area that it counts by."""
    known = here[here[value].notna() & (here[area] > 0)]
    held = known.assign(dead=known[value] * known[area], counted=known[area] * known["weight"])
    sums = held.groupby("folder")[["dead", area, "counted"]].sum()
    return (sums["dead"] / sums[area] / 100).clip(0, 1).tolist(), sums["counted"].tolist()


def _columns(pool: Pooled, stem: str, settings: RegionSettings) -> dict[str, float]:
    low, high = pool.interval(settings.confidence)
    return {f"{stem}_pct": 100 * pool.mean, f"{stem}_low_pct": 100 * low, f"{stem}_high_pct": 100 * high}


def _heights(parts: pd.DataFrame, settings: RegionSettings) -> list[dict[str, Any]]:
    """Return the rows by height: of means alone, so that there is nothing to add or to subtract."""
    bands = parts.assign(cell=parts["from_m"], area=parts["area_ha"], weighted=parts["area_ha"] * parts["weight"])
    totals = [Total(low, frozenset([low]), 0) for low in HEIGHTS_M[:-1]]
    part = bands[["grower", "cell", "area", "weighted"]]
    shown = publishable(part, totals, settings.fewest_growers, settings.most_share_pct / 100)
    rows: list[dict[str, Any]] = []
    for low, high in pairwise(HEIGHTS_M):
        here = bands[bands["from_m"] == low]
        row: dict[str, Any] = {"from_m": low, "to_m": None if math.isinf(high) else high}
        if low in shown:
            found = _columns(pooled(*_by_vineyard(here, "injury_pct", "area_ha")), "injury", settings)
            row |= found | {"vineyards": len(set(here["folder"])), "survival_pct": 100 - found["injury_pct"]}
        state = Disclosure.SHOWN if low in shown else Disclosure.WITHHELD if len(here) else Disclosure.NO_RESULTS
        rows.append(row | {"state": state})
    return rows
