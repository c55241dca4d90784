"""Buds that had died before the freeze, and what is left as the freeze's own doing.

Pruning goes by all dead buds, whenever they died: only the account of one event takes off what was dead before it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from vinemap.arrays import Array
from vinemap.settings import Settings
from vinemap.states import Bud, Known, Part
from vinemap.survival.intervals import intraclass_correlation
from vinemap.survival.tables import block_interval
from vinemap.survival.tally import COUNTS

_ENDS = ("", "_low", "_high")


def net_injury(
    dead: tuple[ArrayLike, ArrayLike, ArrayLike], before: tuple[ArrayLike, ArrayLike, ArrayLike]
) -> tuple[Array, Array, Array]:
    """Return the share of the buds alive before an event that the event killed: ``(p - b) / (1 - b)``.

    Parameters
    ----------
    dead, before : tuple of array_like
        Share p dead after the event and share b dead before it, each with the low and the high end of its interval;
        fractions. Where b is given without error its ends equal it, and the interval is that of p, carried over.

    Returns
    -------
    net, low, high : ndarray
        Fractions. 0, never less, where no more are dead than were before; NaN where one of the two is not known, or
        none was alive before.

    Notes
    -----
    What survives is a ratio of two shares, ``1 - net = (1 - p) / (1 - b)``; its interval squares and adds the distances
    of both intervals on the log scale. Where p and b are counted on the same buds they rise together, and the interval
    is wider than it need be.

    References
    ----------
    W. S. Abbott, J. Econ. Entomol. 18 (1925) 265; G. Y. Zou & A. Donner, Stat. Med. 27 (2008) 1693 (interval of a sum
    from the intervals of its terms), both from memory.
    """
    p, p_low, p_high = (np.asarray(share, np.float64) for share in dead)
    b, b_low, b_high = (np.asarray(share, np.float64) for share in before)
    with np.errstate(divide="ignore", invalid="ignore"):
        left, left_low, left_high = np.log1p(-p), np.log1p(-p_high), np.log1p(-p_low)
        then, then_low, then_high = np.log1p(-b), np.log1p(-b_high), np.log1p(-b_low)
        ratio = np.where(b < 1, left - then, np.nan)
        longest = ratio + np.hypot(left_high - left, then - then_low)
        # Where all are dead the logarithm has no middle to measure from: both ends are taken at their worst.
        longest = np.where(p == 1, left_high - then_low, longest)
        shortest = np.where(p == 1, -np.inf, ratio - np.hypot(left - left_low, then_high - then))
    net, low, high = (np.clip(-np.expm1(value), 0.0, 1.0) for value in (ratio, longest, shortest))
    unknown = np.isnan(net)
    return net, np.where(unknown, np.nan, low), np.where(unknown, np.nan, high)


def dead_before(blocks: pd.DataFrame, samples: pd.DataFrame, tallies: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Return how many primaries of each block had died before the freeze, and how that is known.

    Parameters
    ----------
    blocks : DataFrame
        block; dead_before_pct where it is given.
    samples : DataFrame
        sample, block (None: outside every block).
    tallies : DataFrame
        From `vinemap.survival.tally.tally`.
    settings : Settings
        ``dead_before_pct``, of blocks for which nothing better is known; ``survival.confidence``.

    Returns
    -------
    DataFrame, index of ``blocks``
        dead_before_pct, dead_before_low_pct, dead_before_high_pct, dead_before_from: as the block has it ('block'),
        else as the buds show it ('buds'), on the nodes that pruning keeps where these are known; else of the settings
        ('settings'). What is given has no interval: its ends equal it.
    """
    told = tallies[tallies["tissue"] == Bud.DEAD_BEFORE]
    home = dict(zip(samples["sample"], samples["block"], strict=True))
    told = told.assign(block=told["sample"].map(home)).dropna(subset="block")
    basal = told.loc[(told["part"] == Part.BASAL) & (told["read"] > 0), "block"].unique()
    wanted = np.where(told["block"].isin(basal), Part.BASAL, Part.ALL)
    told = told[(told["part"] == wanted) & (told["read"] > 0)]
    correlation = intraclass_correlation(told["dead"], told["read"], told["block"])
    here = dict(tuple(told.groupby("block")))
    stated = blocks["dead_before_pct"] if "dead_before_pct" in blocks else pd.Series(np.nan, blocks.index)
    rows: list[tuple[float, float, float, Known]] = []
    for name, given in zip(blocks["block"], stated.astype("Float64").astype(np.float64), strict=True):
        found = here.get(name)
        if not np.isnan(given):
            rows.append((given, given, given, Known.BLOCK))
        elif found is not None:
            dead, read = found[COUNTS[:2]].sum()
            _, low, high = block_interval(found, correlation, settings.survival.confidence)
            rows.append((100 * dead / read, 100 * low, 100 * high, Known.BUDS))
        elif settings.dead_before_pct is not None:
            usual = settings.dead_before_pct
            rows.append((usual, usual, usual, Known.SETTINGS))
        else:
            rows.append((np.nan, np.nan, np.nan, Known.NOT))
    names = [*(f"dead_before{end}_pct" for end in _ENDS), "dead_before_from"]
    return pd.DataFrame(rows, columns=names, index=blocks.index)


def net_table(injury: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Return the net injury of blocks or zones, as the tables have it.

    Parameters
    ----------
    injury : DataFrame
        Three columns, in percent: primaries dead, with the low and the high end.
    before : DataFrame, same rows
        Of `dead_before`.

    Returns
    -------
    DataFrame, index of ``injury``
        net_injury_pct, net_low_pct, net_high_pct; of percentages rounded as they are printed, so that a pencil gives
        the printed result.
    """
    p = [injury[name].to_numpy(np.float64).round(1) / 100 for name in injury]
    b = [before[f"dead_before{end}_pct"].to_numpy(np.float64).round(1) / 100 for end in _ENDS]
    net = net_injury((p[0], p[1], p[2]), (b[0], b[1], b[2]))
    names = ("net_injury_pct", "net_low_pct", "net_high_pct")
    return pd.DataFrame({name: 100 * share for name, share in zip(names, net, strict=True)}, index=injury.index)
