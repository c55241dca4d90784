"""After budbreak: shoots and blind nodes against what the map foretold, and the map corrected by them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from pydantic import ValidationInfo, field_validator
from scipy.spatial import KDTree

from vinemap.errors import Findings, InputError
from vinemap.grid import centres
from vinemap.reading.cells import Count, Name, bad
from vinemap.reading.schema import Row, check_rows, match_columns, names_of
from vinemap.reading.tables import read_table
from vinemap.survival import wilson

EDGES = (0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0)
"""Of the classes of the calibration table, percent of blind nodes foretold."""

MORE, LESS = "more than foretold", "fewer than foretold"


class SpringRow(Row):
    """A row of spring counts: nodes left at pruning, and how many of them bear a shoot."""

    sample: Name
    nodes: Count
    shoots: Count

    @field_validator("shoots")
    @classmethod
    def _no_more_than_nodes(cls, shoots: int, info: ValidationInfo) -> int:
        nodes = info.data.get("nodes")
        if nodes is not None and shoots > nodes:
            raise bad(
                f"{shoots} nodes with a shoot of {nodes} nodes",
                "count each node once, however many shoots it bears, and leave shoots from old wood out",
            )
        return shoots


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
        Layer that was compared: 'no_live_bud', or 'primary' where the secondaries were never read.
    outside : list of str
        Samples that were counted but lie outside every block.
    """

    samples: pd.DataFrame
    calibration: pd.DataFrame
    figure: str
    outside: list[str]


def read_spring(path: Path, known: set[str]) -> pd.DataFrame:
    """Read a table of spring counts.

    Parameters
    ----------
    path : Path
        CSV or xlsx with the columns sample, nodes and shoots (nodes with at least one shoot).
    known : set of str
        Samples of the vineyard.

    Returns
    -------
    DataFrame
        sample, nodes, shoots; rows of one sample are added up.

    Raises
    ------
    InputError
        With every cell that cannot be used and every sample that is not known.
    """
    findings = Findings()
    table = read_table(path, path.stem, findings)
    if table is None:
        raise InputError(findings.problems)
    checked = check_rows(table, SpringRow, match_columns(table, SpringRow, {}, findings), findings)
    for name, number in zip(names_of(checked, "sample"), table.numbers, strict=True):
        if name is not None and name not in known:
            findings.problem(
                table.file, number, checked.column("sample"), f"{name!r} is no sample of the vineyard", "correct it"
            )
    if findings.problems:
        raise InputError(findings.problems)
    rows = pd.DataFrame([vars(row) for _, row in checked.good()], columns=["sample", "nodes", "shoots"])
    return rows.groupby("sample", sort=False, as_index=False).sum()


def check_forecast(counts: pd.DataFrame, samples: gpd.GeoDataFrame, grid: xr.Dataset, confidence: float) -> SpringCheck:
    """Hold spring counts against the map.

    Parameters
    ----------
    counts : DataFrame
        Of `read_spring`.
    samples : GeoDataFrame
        sample, block, geometry in the CRS of the grid.
    grid : Dataset (y, x)
        no_live_bud_injury, no_live_bud_low, no_live_bud_high, else the primary_* layers: fractions.
    confidence : float
        Of the intervals of what was counted.

    Returns
    -------
    SpringCheck
        Samples outside every block are left out, and named. The others are held against the nearest cell of the map.

    Notes
    -----
    A node is blind when no bud grew. The map foretells nodes with no live bud; where only primaries were read it can
    but give a ceiling, for secondaries grow where primaries are dead. Some nodes stay blind on sound vines too, so a
    few more than foretold are no fault of the map. A sample differs from what was foretold when its interval and the
    map's bounds do not meet.
    """
    figure = "no_live_bud" if "no_live_bud_injury" in grid else "primary"
    table = counts.merge(pd.DataFrame(samples[["sample", "block"]]), on="sample")
    outside = table.loc[table["block"].isna(), "sample"].tolist()
    mapped = np.isfinite(grid[f"{figure}_injury"].to_numpy())
    table = table[table["block"].notna() & (table["nodes"] > 0) & mapped.any()].reset_index(drop=True)
    points = samples.set_index("sample").geometry.loc[table["sample"]]
    cell = KDTree(centres(grid, mapped)).query(np.column_stack([points.x, points.y]))[1]
    for name in ("injury", "low", "high"):
        column = "foretold_pct" if name == "injury" else f"foretold_{name}_pct"
        table[column] = 100 * grid[f"{figure}_{name}"].to_numpy()[mapped][cell].astype(np.float64)
    table["blind"] = table["nodes"] - table["shoots"]
    table = table.assign(**_shares(table, confidence))
    less = table["blind_high_pct"] < table["foretold_low_pct"]
    more = table["blind_low_pct"] > table["foretold_high_pct"]
    table["verdict"] = np.select([more, less], [MORE, LESS], "")
    order = ["sample", "block", "nodes", "shoots", "blind", "blind_pct", "blind_low_pct", "blind_high_pct"]
    table = table[[*order, "foretold_pct", "foretold_low_pct", "foretold_high_pct", "verdict"]]
    return SpringCheck(table, _calibration(table, confidence), figure, outside)


def corrected(tallies: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """Put what grew in the place of what the razor said of whole nodes; then map and cut zones again.

    Parameters
    ----------
    tallies : DataFrame
        Of `vinemap.survival.tally`.
    counts : DataFrame
        Of `read_spring`.

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
    left_out = [f"Left out, since they lie outside every block: {', '.join(check.outside)}."] if check.outside else []
    if table.empty:
        return ["No sample that was counted lies on the map.", *left_out]
    nodes, blind = int(table["nodes"].sum()), int(table["blind"].sum())
    foretold = float((table["foretold_pct"] * table["nodes"]).sum() / nodes)
    sentences = [
        f"{blind} of {nodes} nodes on {len(table)} samples are blind: {100 * blind / nodes:.0f} %; "
        f"the map foretold {foretold:.0f} %."
    ]
    if check.figure == "primary":
        sentences.append(
            "Secondaries were not read in winter: the map's figure is of primaries alone, a ceiling for blind nodes."
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
