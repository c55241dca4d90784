"""Bring each sample to its block."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.guesses import Guesses
from vinemap.reading.cells import bare_name
from vinemap.sentences import Figure, Listed, Sentence

_AT_ONCE = 5000
_MOST_SHARED = 50
_MOST_TOLD = 50


def join(
    samples: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, tolerance_m: float, findings: Findings
) -> gpd.GeoDataFrame:
    """Join each sample to the block that it lies in, or to the nearest one within the tolerance.

    Parameters
    ----------
    samples : GeoDataFrame
        Points in the metric CRS; columns sample, stated_block, file.
    blocks : GeoDataFrame
        Valid polygons in the same CRS; column block.
    tolerance_m : float
        A sample this far outside a block still joins it.
    findings : Findings
        Gets warnings that name samples outside every block, in an overlap, and in another block than stated; a problem
        where no sample joins any block.

    Returns
    -------
    GeoDataFrame
        ``samples`` with the columns block (str or None) and distance_m (0 inside; to the nearest block else).
    """
    points = samples.geometry.to_numpy()
    shapes = blocks.geometry.to_numpy()
    names = blocks["block"].to_numpy()
    block = np.full(len(samples), None, dtype=object)
    metres = np.full(len(samples), np.inf)
    labels, said = samples["sample"].to_numpy(), samples["stated_block"].to_numpy()
    candidates: dict[int, list[int]] = {}
    for point, shape, away in _nearest(points, shapes):
        candidates.setdefault(point, []).append(shape)
        metres[point] = away
    shared = []
    for point, found in candidates.items():
        if metres[point] > tolerance_m:
            continue
        stated = _stated(said[point], found, names)
        chosen = found[0] if len(found) == 1 else _of_several(points[point], found, shapes, stated)
        block[point] = names[chosen]
        if len(found) > 1:
            shared.append(
                Sentence(
                    f"warning.shared.{'stated' if chosen == stated else 'nearer'}",
                    sample=labels[point],
                    blocks=Listed((names[i] for i in found), together=True),
                    block=names[chosen],
                )
            )
    joined = samples.assign(block=pd.Series(block, index=samples.index, dtype=object), distance_m=metres)
    if shared:
        findings.warn(Sentence.counted("warning.shared", len(shared), samples=Listed(shared)))
    _warn_of_outsiders(joined, tolerance_m, findings)
    _warn_of_disagreement(joined, [str(name) for name in names], findings)
    return joined


def _nearest(points: Array, shapes: Array) -> Iterator[tuple[int, int, float]]:
    """Yield each point with each shape that none is nearer than, and how far that is, in metres.

    Of very many shapes at one place the first ones do: what lies there is a slip, and has been named as an overlap.
    """
    tree = shapely.STRtree(shapes)
    for start in range(0, len(points), _AT_ONCE):
        here = points[start : start + _AT_ONCE]
        (which, nearest), distance = tree.query_nearest(here, return_distance=True, all_matches=True)
        nth = np.arange(len(which)) - np.searchsorted(which, which)
        few = nth < _MOST_SHARED
        yield from zip((which[few] + start).tolist(), nearest[few].tolist(), distance[few].tolist(), strict=True)


def _stated(stated: str | None, found: list[int], names: Array) -> int | None:
    if stated is None:
        return None
    return next((i for i in found if same_name(stated, names[i])), None)


def _of_several(point: shapely.Point, found: list[int], shapes: Array, stated: int | None) -> int:
    return (
        stated
        if stated is not None
        else min(found, key=lambda i: float(shapely.distance(point, shapely.centroid(shapes[i]))))
    )


def same_name(one: str, other: str) -> bool:
    """Whether two names of a block are the same but for case and spaces."""
    return bare_name(one) == bare_name(other)


def _warn_of_outsiders(samples: gpd.GeoDataFrame, tolerance_m: float, findings: Findings) -> None:
    outside = samples[samples["block"].isna()]
    if len(outside) == len(samples):
        findings.problem(
            samples["file"].iloc[0],
            None,
            "",
            Sentence(
                "fault.no_sample_in_block",
                tolerance=Figure(tolerance_m, None),
                away=_distance(samples["distance_m"].min()),
            ),
            Sentence("remedy.no_sample_in_block"),
        )
    elif len(outside):
        each = [
            Sentence("warning.outside.sample", sample=name, away=_distance(away))
            for name, away in zip(outside["sample"], outside["distance_m"], strict=True)
        ]
        tolerance = Figure(tolerance_m, None)
        findings.warn(Sentence.counted("warning.outside", len(outside), tolerance=tolerance, samples=Listed(each)))


def _warn_of_disagreement(samples: gpd.GeoDataFrame, names: list[str], findings: Findings) -> None:
    known, guesses = set(map(bare_name, names)), Guesses(names)
    told = 0
    for sample, stated, block in zip(samples["sample"], samples["stated_block"], samples["block"], strict=True):
        if stated is None or (block is not None and same_name(stated, block)):
            continue
        if block is None and bare_name(stated) in known:
            continue
        told += 1
        if told > _MOST_TOLD:
            continue
        if bare_name(stated) not in known:
            near = guesses.of(stated)
            meant = Sentence("warning.stated.meant", block=near) if near else ""
            key = "warning.stated.unknown.joins_none" if block is None else "warning.stated.unknown.joined"
            where = {} if block is None else {"block": block}
            findings.warn(Sentence(key, sample=sample, stated=stated, meant=meant, **where))
        else:
            findings.warn(Sentence("warning.stated.other", sample=sample, stated=stated, block=block))
    if told > _MOST_TOLD:
        findings.warn(Sentence.counted("warning.stated.more", told - _MOST_TOLD))


def _distance(metres: float) -> Figure:
    return Figure(metres, 0, "m") if metres < 10_000 else Figure(metres / 1000, 0, "km")
