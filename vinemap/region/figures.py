"""What a region takes of one vineyard's map: sums and means by variety and by height, and where more canes pay."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from vinemap.pipeline.map_run import MapRun
from vinemap.sentences import everywhere
from vinemap.terrain.grid import cell_size
from vinemap.varieties import usual_name

HEIGHTS_M = (0.0, 3.0, 10.0, math.inf)
"""Limits of the bands of height above the low ground within 150 m; common practice, and no more bands than a region
of some thirty vineyards fills."""

MORE_CANES = 10
"""Canes more, by which vineyards are ranked for a second visit."""

_HEIGHT = "height_above_low_m"


def vineyard_figures(run: MapRun) -> dict[str, Any]:
    """Return what the bulletin and the adviser's list need of a map, as JSON holds it.

    Parameters
    ----------
    run : MapRun

    Returns
    -------
    dict
        name; days (first and last day that canes were collected); freeze; whole (samples, canes, buds, area_ha,
        injury_pct and crop loss of the vineyard); varieties (rows of the same by variety and species group, each with
        net_ha and loss_ha, the hectares that its net injury and crop loss are known of); heights (from_m, area_ha,
        injury_pct); warnings, each by language; widest (block, narrower_points, area_ha). What is not known is None.
    """
    blocks = pd.DataFrame(run.blocks.drop(columns="geometry"))
    kinds = run.vineyard.site.settings.actions.rules.varieties.kinds(blocks)
    given = blocks["variety"].astype(object).where(blocks["variety"].notna(), "")
    blocks["kind"] = [usual_name(str(name), kin) for kin, name in zip(kinds, given, strict=True)]
    blocks["group"] = ["" if kin.group is None else str(kin.group) for kin in kinds]
    losses = _losses(run, dict(zip(map(str, given), blocks["kind"], strict=True)))
    rows = [
        {"variety": str(variety), "group": str(group)} | _sums(here) | losses.get(str(variety), _loss([]))
        for (variety, group), here in blocks.groupby(["kind", "group"], sort=True)
    ]
    days = sorted(pd.to_datetime(run.samples["date"]).dropna()) if "date" in run.samples else []
    whole = _sums(blocks) | _loss([row for row in run.report["crop_loss"] or () if row["whole"]])
    return {
        "name": run.report["name"],
        "days": [day.date().isoformat() for day in (days[:1] + days[-1:])],
        "freeze": None if run.report["event_date"] is None else run.report["event_date"].isoformat(),
        "whole": whole,
        "varieties": rows,
        "heights": _heights(run),
        "warnings": [everywhere(warning) for warning in run.report["warnings"]],
        "widest": _widest(blocks),
    }


def _sums(blocks: pd.DataFrame) -> dict[str, Any]:
    """Sum blocks up; means are by the area of the blocks that have the figure."""
    canes = blocks["canes"].astype("Float64")
    net, net_ha = _mean(blocks, "net_injury_pct")
    return {
        "samples": int(blocks["samples"].sum()),
        "canes": int(canes.sum()) if canes.notna().all() else None,
        "buds": int(blocks["nodes"].fillna(0).sum()),
        "area_ha": float(blocks["area_ha"].sum()),
        "injury_pct": _mean(blocks, "map_injury_pct")[0],
        "net_pct": net,
        "net_ha": net_ha,
    }


def _mean(blocks: pd.DataFrame, name: str) -> tuple[float | None, float]:
    """Return a mean by area, and the hectares that it is of."""
    value, area = (
        blocks[column].astype("Float64").to_numpy(np.float64, na_value=np.nan) for column in (name, "area_ha")
    )
    known = np.isfinite(value) & (area > 0)
    if not known.any():
        return None, 0.0
    return float(np.average(value[known], weights=area[known])), float(area[known].sum())


def _losses(run: MapRun, kinds: Mapping[Any, str]) -> dict[str, dict[str, Any]]:
    """Return the crop loss of each variety by its usual name."""
    found: dict[str, list[Mapping[Any, Any]]] = {}
    for row in run.report["crop_loss"] or ():
        if not row["whole"]:
            found.setdefault(kinds.get(row["variety"], row["variety"]), []).append(row)
    return {variety: _loss(rows) for variety, rows in found.items()}


def _loss(rows: list[Mapping[Any, Any]]) -> dict[str, Any]:
    """Return the crop loss over rows of crop_loss, by their counted area; its interval where it is one row's."""
    known = [row for row in rows if pd.notna(row["loss_pct"]) and row["counted_ha"] > 0]
    if not known:
        return {"loss_pct": None, "loss_low_pct": None, "loss_high_pct": None, "loss_ha": 0.0}
    area = np.array([row["counted_ha"] for row in known])
    mean = float(np.average([row["loss_pct"] for row in known], weights=area))
    ends = (known[0]["loss_low_pct"], known[0]["loss_high_pct"]) if len(known) == 1 else (None, None)
    return {"loss_pct": mean, "loss_low_pct": ends[0], "loss_high_pct": ends[1], "loss_ha": float(area.sum())}


def _heights(run: MapRun) -> list[dict[str, Any]]:
    """Return injury by height above low ground; nothing where there is no elevation."""
    if run.terrain is None:
        return []
    injury = run.surface["primary_injury"]
    height = run.terrain[_HEIGHT].reindex_like(injury, method="nearest").to_numpy()
    values, cell_ha = injury.to_numpy(), cell_size(run.surface) ** 2 / 10_000
    bands = np.digitize(height, HEIGHTS_M[1:-1])
    rows = []
    for band, low in enumerate(HEIGHTS_M[:-1]):
        here = values[(bands == band) & np.isfinite(values) & np.isfinite(height)]
        if here.size:
            mean = 100 * float(here.mean(dtype=np.float64))
            rows.append({"from_m": low, "area_ha": here.size * cell_ha, "injury_pct": mean})
    return rows


def _widest(blocks: pd.DataFrame) -> dict[str, Any] | None:
    """Return the block where more canes are worth most: points that its interval would narrow by, times its area."""
    rows = []
    for row in blocks.to_dict("records"):
        cut = row["samples"] if pd.isna(row["canes"]) else row["canes"]
        half = (row["map_high_pct"] - row["map_low_pct"]) / 2
        if pd.notna(half):
            narrower = half * (1 - math.sqrt(max(cut, 1) / (max(cut, 1) + MORE_CANES)))
            rows.append({"block": row["block"], "narrower_points": narrower, "area_ha": float(row["area_ha"])})
    return max(rows, key=lambda row: row["narrower_points"] * row["area_ha"], default=None)
