"""The razor held against what grew: whether nodes read as dead stayed blind, by reader, beyond what chance gives."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from vinemap.columns import SPRING_RAZOR
from vinemap.states import Bud, Part
from vinemap.survival.tally import tally


def razor_table(
    nodes: pd.DataFrame, counts: pd.DataFrame, kept: pd.Series[int], grown: pd.DataFrame, confidence: float
) -> pd.DataFrame:
    """Hold the nodes that were cut against the nodes that were left and counted after budbreak.

    Parameters
    ----------
    nodes, counts, kept
        As `vinemap.survival.tally.tally` takes them; ``reader`` in the first two, None where no name was given.
    grown : DataFrame
        Of `vinemap.survival.growth.growth`.
    confidence : float
        Of the intervals, and of the test of each sample.

    Returns
    -------
    DataFrame
        The columns of `vinemap.columns.SPRING_RAZOR`: a row for all readers (reader empty), then one for each reader
        who gave a name; no row where no sample can be held against what grew.

    Notes
    -----
    A node that was cut cannot grow. What is compared are two samples of the nodes of one vine, those cut (of the part
    of the cane that pruning keeps, where that is known) and those left: their shares differ by chance even where every
    reading was right. Each vine is a stratum, and the difference of the shares, blind less read dead, is the mean of
    the vines' differences, weighted by ``m n / (m + n)`` for m nodes read and n counted (Mantel and Haenszel's weights:
    S. Greenland & J. M. Robins, Biometrics 41 (1985) 55). Its standard error is the greater of two: that of binomial
    sampling where no reading is wrong, from each vine's common share with one node more of each kind, and that which
    the vines' own differences show. The interval is
    the wider of a normal one of the first and Student's of the second.

    Two shares a and b bound how often readings and shoots can agree, node by node: by ``1 - |a - b|`` at the most (M.
    Fréchet, 1935). More cannot be said of nodes that were not the same ones.
    """
    groups: list[tuple[str | None, pd.DataFrame, pd.DataFrame]] = [(None, nodes, counts)]
    names = pd.concat([nodes["reader"], counts["reader"]]).dropna().unique()
    groups += [(name, nodes[nodes["reader"] == name], counts[counts["reader"] == name]) for name in sorted(names)]
    rows = []
    for reader, nodes_here, counts_here in groups:
        pairs = _pairs(tally(nodes_here, counts_here, kept), grown)
        if len(pairs):
            rows.append({"reader": reader, **_compared(pairs, confidence)})
    return pd.DataFrame(rows, columns=SPRING_RAZOR.names)


def _pairs(tallies: pd.DataFrame, grown: pd.DataFrame) -> pd.DataFrame:
    """Return dead and read of the razor beside blind and nodes of the count, a row a sample that has both."""
    whole = tallies[(tallies["tissue"] == Bud.NO_LIVE_BUD) & (tallies["read"] > 0)]
    basal = whole[whole["part"] == Part.BASAL]
    rest = whole[(whole["part"] == Part.ALL) & ~whole["sample"].isin(basal["sample"])]
    cut = pd.concat([basal, rest])[["sample", "dead", "read"]]
    left = grown.loc[grown["nodes"] > 0, ["sample", "blind", "nodes"]]
    return cut.merge(left, on="sample")


def _compared(pairs: pd.DataFrame, confidence: float) -> dict[str, Any]:
    dead, read, blind, left = (pairs[name].to_numpy(np.float64) for name in ("dead", "read", "blind", "nodes"))
    weight = read * left / (read + left)
    difference = blind / left - dead / read
    mean = float((weight * difference).sum() / weight.sum())
    common = (dead + blind + 1) / (read + left + 2)
    chance = float(np.sqrt((weight**2 * common * (1 - common) * (1 / read + 1 / left)).sum()) / weight.sum())
    vines, upper = len(pairs), (1 + confidence) / 2
    by_chance = half = float(ndtri(upper)) * chance
    if vines > 1:
        seen = float(np.sqrt((weight**2 * (difference - mean) ** 2).sum() * vines / (vines - 1)) / weight.sum())
        half = max(half, float(stdtrit(vines - 1, upper)) * seen)
    low, high = max(mean - half, -1.0), min(mean + half, 1.0)
    most = 1 - (0.0 if low <= 0 <= high else min(abs(low), abs(high)))
    called = list(_called(pairs, 1 - confidence))
    return {
        "samples": vines,
        "nodes_cut": int(read.sum()),
        "read_dead_pct": 100 * dead.sum() / read.sum(),
        "nodes_left": int(left.sum()),
        "blind_pct": 100 * blind.sum() / left.sum(),
        "difference_pct": 100 * mean,
        "difference_low_pct": 100 * low,
        "difference_high_pct": 100 * high,
        "by_chance_pct": 100 * by_chance,
        "agreement_pct": 100 * (1 - abs(mean)),
        "agreement_low_pct": 100 * (1 - max(abs(low), abs(high))),
        "agreement_high_pct": 100 * most,
        "read_too_dead": called.count(-1),
        "read_too_alive": called.count(1),
        "samples_by_chance": vines * (1 - confidence),
    }


def _called(pairs: pd.DataFrame, level: float) -> Iterator[int]:
    """Yield for each sample -1 where more was read dead than stayed blind, 1 the other way, 0 where chance does it.

    Fisher's exact test, which errs on the side of chance.
    """
    from scipy.stats import fisher_exact  # half a second to load, and for spring alone

    for dead, read, blind, left in pairs[["dead", "read", "blind", "nodes"]].to_numpy():
        differs = fisher_exact([[dead, read - dead], [blind, left - blind]]).pvalue < level
        yield int(np.sign(blind / left - dead / read)) if differs else 0
