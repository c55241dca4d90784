"""What stood against the frost as evidence: for each kind that ran, how far inside its reach a place lies."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence
from vinemap.sentences import Sentence
from vinemap.states import Protection

# A reach has no sharp edge: the effect falls off over the half of it that lies around its end.
_EDGE = 0.25
# In log-odds: what a machine does may be to take a third of the odds, or three times them. Either sign, since they
# are put where it freezes worst, and a hedge may shelter as well as dam cold air.
_SD = 1.0


def protection_evidence(protection: gpd.GeoDataFrame) -> tuple[Evidence, ...]:
    """Make each kind that ran a covariate of the surface.

    Parameters
    ----------
    protection : GeoDataFrame
        As `vinemap.reading.protection.read_protection` gives it.

    Returns
    -------
    tuple of Evidence
        One a kind, told as inside the reach (1) against outside it (0). What did not run, or of which nobody knows,
        tells nothing.

    Examples
    --------
    >>> import geopandas as gpd
    >>> import numpy as np
    >>> from shapely import Point
    >>> from vinemap.evidence.protected import protection_evidence
    >>> fans = gpd.GeoDataFrame({"kind": ["wind_machine"], "reach_m": [100.0], "ran": [True]}, geometry=[Point(0, 0)])
    >>> (fan,) = protection_evidence(fans)
    >>> fan.read(np.array([[50.0, 0.0], [100.0, 0.0], [150.0, 0.0]]), np.zeros(3, int)).round(2).tolist()
    [1.0, 0.5, 0.0]
    """
    ran = protection[protection["ran"].eq(True)]
    return tuple(_evidence(kind, ran[ran["kind"] == kind]) for kind in Protection if (ran["kind"] == kind).any())


def _evidence(kind: Protection, rows: gpd.GeoDataFrame) -> Evidence:
    shapes = rows.geometry.to_numpy()
    reach = rows["reach_m"].fillna(0.0).to_numpy(float)
    for shape in shapes:
        shapely.prepare(shape)

    def read(xy: Array, block: Array) -> Array:
        points = shapely.points(xy)
        inside = np.zeros(len(xy))
        for shape, far in zip(shapes, reach, strict=True):
            np.maximum(inside, within(shape, far, points), out=inside)
        return inside

    return Evidence(
        name=f"protection.{kind}",
        label=Sentence(f"protection.{kind}"),
        read=read,
        said=f"page.evidence.{kind}",
        ends=(1.0, 0.0),
        sd=_SD,
    )


def within(shape: BaseGeometry, reach_m: float, points: Array) -> Array:
    """Return how far inside the reach of a shape points lie, from 1 inside to 0 outside, by half a cosine between.

    The edge goes from three quarters of the reach to five quarters of it. A polygon without a reach has a sharp edge.

    Parameters
    ----------
    shape : geometry
        Point, line or polygon.
    reach_m : float
        Metres from it.
    points : array of Point (m,)
    """
    away = shapely.distance(points, shape)
    if not reach_m:
        return (away == 0.0).astype(float)
    share = np.clip((away - (1 - _EDGE) * reach_m) / (2 * _EDGE * reach_m), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * share))
