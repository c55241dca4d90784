"""What the keeper may choose about a plan, each with its default and where that comes from."""

from __future__ import annotations

from dataclasses import dataclass

from vinemap.bench.bench_page import USUAL_RHO
from vinemap.reading.inside import EDGE_M
from vinemap.surface.undecided import NODES_PER_CANE


@dataclass(frozen=True)
class PlanOptions:
    """Choices behind a plan.

    Attributes
    ----------
    half_width : float
        Wanted half-width of a block's interval, as a fraction: 0.10 is ±10 points.
    confidence : float
        Of that interval.
    nodes_per_cane : int
        Nodes to cut on each cane, counted from the base; `vinemap.surface.undecided.NODES_PER_CANE` says why so many.
    rho : float
        Intraclass correlation of the buds of one cane, where no survey has shown it. An assumption: buds of one vine
        share its place and its vigour.
    share : float
        Injury to expect, where no survey has shown it; one half is the case that needs most buds.
    least_canes : int
        Fewest canes from a block, however few buds suffice: the 10 of the Bavarian State Institute LWG, evenly over it.
    edge_m : float
        Distance to keep from a block's edge; halved as often as the block is too narrow for it.
    points : int or None
        Points of a second round; as many as halve the present risk, at most 40, where None.
    start : (lon, lat) or None
        Where the walk starts and ends; at its first point where None.
    fences : bool
        Whether rows are fences, so that the walk goes round their ends; otherwise it goes straight.
    minutes_per_stop : float
        To choose, cut and label a cane.
    seed : int
        Of the draws; the same seed gives the same plan.
    """

    half_width: float = 0.10
    confidence: float = 0.90
    nodes_per_cane: int = NODES_PER_CANE
    rho: float = USUAL_RHO
    share: float = 0.5
    least_canes: int = 10
    edge_m: float = EDGE_M
    points: int | None = None
    start: tuple[float, float] | None = None
    fences: bool = True
    minutes_per_stop: float = 3.0
    seed: int = 1
