"""After budbreak: shoots and blind nodes against what the map foretold, and the map corrected by them."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from scipy.spatial import KDTree

from vinemap.arrays import Array
from vinemap.survival.intervals import wilson
from vinemap.terrain.grid import centres

EDGES = (0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0)
"""Of the classes of the calibration table, percent of blind nodes foretold."""
MORE, LESS = "more than foretold", "fewer than foretold"


@dataclass(frozen=True)
class SpringCheck:
    """What spring said of the map.

    Attributes
    ----------
    samples : DataFrame
        sample, block, nodes, shoots, blind, blind_pct, blind_low_pct, blind_high_pct (Wilson), foretold_pct,
        foretold_low_pct, foretold_high_pct, verdict (`MORE`, `LESS` or '').
    calibration : DataFrame
        A row a class of what was foretold: from_pct, to_pct, samples, nodes, foretold_pct (mean over the nodes),
        blind_pct, blind_low_pct, blind_high_pct (Wilson; NaN where the class is empty).
    figure : str
        Layer that was compared: 'no_live_bud', or 'primary' where nodes with no live bud cannot be counted.
    left_out : dict of str to str
        Samples that were counted but could not be compared, and why.
    """

    samples: pd.DataFrame
    calibration: pd.DataFrame
    figure: str
    left_out: dict[str, str]


def check_forecast(counts: pd.DataFrame, samples: gpd.GeoDataFrame, grid: xr.Dataset, confidence: float) -> SpringCheck:
    """Hold spring counts against the map.

    Parameters
    ----------
    counts : DataFrame
        Of `read_shoots`.
    samples : GeoDataFrame
        sample, block, geometry in the CRS of the grid.
    grid : Dataset (y, x)
        ``block_index`` as `vinemap.terrain.grid.block_grid` gives it; no_live_bud_injury, no_live_bud_low,
        no_live_bud_high, else the primary_* layers: fractions.
    confidence : float
        Of the intervals of what was counted.

    Returns
    -------
    SpringCheck
        A sample is held against the nearest cell of its own block. Left out are samples in no block, those with no
        node counted, and those of a block without a cell.

    Notes
    -----
    A node is blind when no bud grew. The map foretells nodes with no live bud; where only primaries were read it can
    but give a ceiling, for secondaries grow where primaries are dead. Some nodes stay blind on sound vines too, so a
    few more than foretold are no fault of the map. A sample differs from what was foretold when its interval and the
    map's bounds do not meet.
    """
    figure = "no_live_bud" if "no_live_bud_injury" in grid else "primary"
    table = counts.merge(pd.DataFrame(samples[["sample", "block"]]), on="sample")
    layers = [f"{figure}_{name}" for name in ("injury", "low", "high")]
    table[["foretold_pct", "foretold_low_pct", "foretold_high_pct"]] = 100 * _foretold(table, samples, grid, layers)
    reasons = {
        "outside every block": table["block"].isna(),
        "no node counted": table["nodes"] == 0,
        "its block has no cell of the map": table["foretold_pct"].isna(),
    }
    why = np.select(list(reasons.values()), list(reasons), "")
    left_out = {str(sample): str(reason) for sample, reason in zip(table["sample"], why, strict=True) if reason}
    table = table[why == ""].reset_index(drop=True)
    table["blind"] = table["nodes"] - table["shoots"]
    table = table.assign(**_shares(table, confidence))
    less = table["blind_high_pct"] < table["foretold_low_pct"]
    more = table["blind_low_pct"] > table["foretold_high_pct"]
    table["verdict"] = np.select([more, less], [MORE, LESS], "")
    order = ["sample", "block", "nodes", "shoots", "blind", "blind_pct", "blind_low_pct", "blind_high_pct"]
    table = table[[*order, "foretold_pct", "foretold_low_pct", "foretold_high_pct", "verdict"]]
    return SpringCheck(table, _calibration(table, confidence), figure, left_out)


def _foretold(table: pd.DataFrame, samples: gpd.GeoDataFrame, grid: xr.Dataset, layers: list[str]) -> Array:
    """Read layers at the nearest cell of each sample's block, (rows, layers); NaN in no block and where it has none."""
    points = samples.set_index("sample").geometry.loc[table["sample"]]
    xy = np.column_stack([points.x, points.y])
    index = grid["block_index"].where(grid[layers[0]].notnull(), -1).to_numpy()
    values = np.stack([grid[layer].to_numpy() for layer in layers], axis=-1)
    found = np.full((len(table), len(layers)), np.nan)
    for number, block in enumerate(grid["block_index"].attrs["blocks"]):
        here, cells = (table["block"] == block).to_numpy(), index == number
        if here.any() and cells.any():
            found[here] = values[cells][KDTree(centres(grid, cells)).query(xy[here])[1]]
    return found


def corrected(tallies: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """Put what grew in the place of what the razor said of whole nodes; then map and cut zones again.

    Parameters
    ----------
    tallies : DataFrame
        Of `vinemap.survival.tally.tally`.
    counts : DataFrame
        Of `read_shoots`.

    Returns
    -------
    DataFrame
        ``tallies`` with blind nodes as the 'no_live_bud' rows of the samples that were counted.
    """
    whole = tallies["tissue"] == "no_live_bud"
    kept = tallies[~(whole & tallies["sample"].isin(counts["sample"]))]
    spring = pd.DataFrame(
        {
            "sample": counts["sample"],
            "part": "all",
            "tissue": "no_live_bud",
            "dead": counts["nodes"] - counts["shoots"],
            "read": counts["nodes"],
            "unread": 0,
        }
    )
    return pd.concat([kept, spring], ignore_index=True)


def spring_findings(check: SpringCheck) -> list[str]:
    """Say in plain sentences how the map did, and where it erred."""
    table = check.samples
    named = ", ".join(f"{sample} ({why})" for sample, why in check.left_out.items())
    left_out = [f"Left out: {named}."] if named else []
    if table.empty:
        return ["No sample that was counted can be compared with the map.", *left_out]
    nodes, blind = int(table["nodes"].sum()), int(table["blind"].sum())
    foretold = float((table["foretold_pct"] * table["nodes"]).sum() / nodes)
    sentences = [
        f"{blind} of {nodes} nodes on {len(table)} samples are blind: {100 * blind / nodes:.0f} %; "
        f"the map foretold {foretold:.0f} %."
    ]
    if check.figure == "primary":
        sentences.append(
            "Winter's counts do not say how many nodes had no live bud: the map's figure is of primaries alone, a "
            "ceiling for blind nodes."
        )
    for verdict in (MORE, LESS):
        here = table[table["verdict"] == verdict]
        if len(here):
            names = ", ".join(f"{row['sample']} ({row['block']})" for row in here.to_dict("records"))
            sentences.append(f"Blind nodes {verdict}: {names}.")
    if not table["verdict"].any():
        sentences.append("No sample differs from what was foretold by more than chance.")
    return [*sentences, *left_out]


def _shares(table: pd.DataFrame, confidence: float) -> dict[str, pd.Series[float]]:
    low, high = wilson(table["blind"], table["nodes"], confidence)
    share = 100 * table["blind"] / table["nodes"].where(table["nodes"] > 0)
    return {
        "blind_pct": share,
        "blind_low_pct": pd.Series(100 * low, table.index),
        "blind_high_pct": pd.Series(100 * high, table.index),
    }


def _calibration(table: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Return the classes of what was foretold with what came; each holds its lower end, the last one both."""
    number = np.clip(np.searchsorted(EDGES, table["foretold_pct"], side="right") - 1, 0, len(EDGES) - 2)
    weighted = table.assign(number=number, sum=table["foretold_pct"] * table["nodes"])
    sums = weighted.groupby("number")[["nodes", "blind", "sum"]].sum().reindex(range(len(EDGES) - 1), fill_value=0)
    found = pd.DataFrame(
        {
            "from_pct": EDGES[:-1],
            "to_pct": EDGES[1:],
            "samples": weighted["number"].value_counts().reindex(sums.index, fill_value=0),
            "nodes": sums["nodes"],
            "blind": sums["blind"],
            "foretold_pct": sums["sum"] / sums["nodes"].where(sums["nodes"] > 0),
        }
    )
    return found.assign(**_shares(found, confidence)).drop(columns="blind")
