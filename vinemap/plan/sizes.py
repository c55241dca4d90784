"""How many canes and nodes a block needs for a stated precision."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy.special import ndtri

from vinemap.plan.options import PlanOptions
from vinemap.survival.intervals import design_effect


def simple_size(half_width: float, confidence: float, share: float = 0.5) -> float:
    """Return how many independent nodes give a share of dead buds to within ``half_width``, before any correction.

    Parameters
    ----------
    half_width : float
        Half the width of the interval, a fraction.
    confidence : float
        Of the interval.
    share : float
        Expected share, 0 < share < 1.

    References
    ----------
    W. G. Cochran, Sampling Techniques, 3rd ed. (1977): n0 = t² p q / d².

    Examples
    --------
    >>> from vinemap.plan.sizes import simple_size
    >>> round(simple_size(half_width=0.05, confidence=0.95))
    384
    """
    return float(ndtri((1 + confidence) / 2)) ** 2 * share * (1 - share) / half_width**2


def canes_needed(simple: float, nodes_per_cane: int, rho: float, vines: float = math.inf) -> float:
    """Return how many canes, each of another vine, carry the precision of ``simple`` independent nodes.

    With ``a`` canes of ``m`` nodes out of ``A`` vines, the variance of the share is
    ``p q [(A - a) / (A - 1) rho / a + (1 - rho) / (a m)]``: vines are drawn without replacement from a finite number,
    nodes from a vine that has many more than are cut.

    Parameters
    ----------
    simple : float
        From `simple_size`.
    nodes_per_cane : int
        Nodes cut on a cane, ``m``.
    rho : float
        Intraclass correlation of the buds of one vine.
    vines : float
        Vines of the block; infinite where unknown.

    Returns
    -------
    float
        Not rounded. With ``vines`` infinite, ``simple`` times Kish's design effect over ``m``; with ``m`` and ``rho``
        both 1, Cochran's ``n0 / (1 + (n0 - 1) / N)``.

    References
    ----------
    W. G. Cochran (1977), for the finite population correction and, from memory, section 10.3 for the two stages;
    L. Kish, Survey Sampling (1965), for the design effect.

    Examples
    --------
    >>> from vinemap.plan.sizes import canes_needed, simple_size
    >>> round(canes_needed(simple_size(0.10, 0.90), nodes_per_cane=10, rho=0.1, vines=1000), 1)
    12.8
    """
    if vines <= 1:
        return min(vines, 1.0)
    finite = rho / (vines - 1)
    return (_per_cane(nodes_per_cane, rho) + finite) / (1 / simple + finite)


def half_width_of(
    canes: float, nodes_per_cane: int, rho: float, confidence: float, share: float, vines: float = math.inf
) -> float:
    """Return the half-width, as a fraction, that so many canes give; the inverse of `canes_needed`."""
    finite = rho / (vines - 1) if vines > 1 else 0.0
    variance = max(0.0, (_per_cane(nodes_per_cane, rho) + finite) / canes - finite)
    return float(ndtri((1 + confidence) / 2)) * math.sqrt(share * (1 - share) * variance)


def _per_cane(nodes_per_cane: int, rho: float) -> float:
    """Return the variance of one cane's share, in units of p q."""
    return design_effect(np.array([nodes_per_cane]), rho) / nodes_per_cane


def block_sizes(
    table: pd.DataFrame,
    options: PlanOptions,
    rho: float,
    chosen: list[int] | None = None,
    shares: list[float] | None = None,
) -> pd.DataFrame:
    """Return how much each block needs, or what it gets from canes that are chosen already.

    Parameters
    ----------
    table : DataFrame
        From `vinemap.survival.tables.block_table`: block, vines, samples, nodes.
    options : PlanOptions
        Precision, nodes a cane, injury to count with.
    rho : float
        Intraclass correlation of the buds of one cane.
    chosen : list of int, optional
        Canes a block in a second round.
    shares : list of float, optional
        Injury to count with in each block, in the place of the options' one for all.

    Returns
    -------
    DataFrame
        The ``sizes`` of a `Plan`.
    """
    rows = []
    for row, block in enumerate(table.to_dict("records")):
        share = options.share if shares is None else shares[row]
        simple = simple_size(options.half_width, options.confidence, share)
        vines = math.inf if pd.isna(block["vines"]) else float(block["vines"])
        had, nodes = int(block["samples"]), options.nodes_per_cane
        if chosen is None:
            canes = int(min(max(math.ceil(canes_needed(simple, nodes, rho, vines)), options.least_canes), vines))
        else:
            canes = chosen[row]
        half = float("nan")
        if had + canes:
            mean = max(1, round((int(block["nodes"]) + canes * nodes) / (had + canes)))
            half = half_width_of(had + canes, mean, rho, options.confidence, share, vines)
        found = {"block": block["block"], "vines": block["vines"], "had": had, "canes": canes}
        rows.append({**found, "nodes": canes * nodes, "half_width_pct": 100 * half})
    return pd.DataFrame(rows)
