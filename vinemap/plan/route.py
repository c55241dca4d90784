"""The route map: blocks, stops and the line walked over the shaded ground, in millimetres of paper."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from shapely import LineString

from vinemap.arrays import Array
from vinemap.terrain.grid import coarsened
from vinemap.terrain.hillshade import hillshade
from vinemap.web.drawing import Picture, line_path, outline_path, round_length, shade_png

_MOST_CELLS = 250_000
_PALEST = 120
_LARGEST_DOT, _SMALLEST_DOT = 2.4, 1.0
_LETTER_MM, _LINE_MM = 1.9, 3.4
_BAR_SHARE = 0.28


@dataclass(frozen=True)
class Paper:
    """A piece of ground on paper.

    Attributes
    ----------
    left, bottom, right, top : float
        Of the ground, metres.
    mm_per_m : float
        Scale.
    """

    left: float
    bottom: float
    right: float
    top: float
    mm_per_m: float

    @classmethod
    def showing(cls, bounds: tuple[float, float, float, float], width_mm: float, height_mm: float) -> Paper:
        """Fill a size of paper with a rectangle, a margin of 4 % and what ground there is room for around it."""
        left, bottom, right, top = bounds
        margin = 1.08
        scale = min(width_mm / max(right - left, 20.0), height_mm / max(top - bottom, 20.0)) / margin
        x, y, across, up = (left + right) / 2, (bottom + top) / 2, width_mm / scale / 2, height_mm / scale / 2
        return cls(x - across, y - up, x + across, y + up, scale)

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in millimetres."""
        return (self.right - self.left) * self.mm_per_m, (self.top - self.bottom) * self.mm_per_m

    def at(self, xy: Array) -> Array:
        """Return places in millimetres from the upper left corner, shape as given."""
        return (np.asarray(xy) - (self.left, self.top)) * (self.mm_per_m, -self.mm_per_m)


@dataclass(frozen=True)
class Dot:
    """A stop on the map."""

    x: float
    y: float
    stop: int


@dataclass(frozen=True)
class RouteMap:
    """What is drawn of a round, in millimetres from the upper left corner; paths are the data of SVG paths.

    Attributes
    ----------
    width, height : float
        Of the map.
    hillshade : Picture or None
        Under the rest.
    blocks : list of str
        Outlines.
    walk : str
        The line walked.
    start : tuple of float
        Where the round starts and ends.
    names : list of (x, y, str)
        Of the blocks, and the middle of where each stands.
    dots : list of Dot
    radius : float
        Of the dots.
    bar, bar_width : str, float
        Metres of the scale bar, and how long it is drawn.
    """

    width: float
    height: float
    hillshade: Picture | None
    blocks: list[str]
    walk: str
    start: tuple[float, float]
    names: list[tuple[float, float, str]]
    dots: list[Dot]
    radius: float
    bar: str
    bar_width: float


def route_map(
    paper: Paper,
    blocks: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    path: LineString,
    terrain: xr.Dataset | None,
    *,
    names: bool = True,
) -> RouteMap:
    """Lay out the round's map for `templates/map.svg.j2`.

    Parameters
    ----------
    paper : Paper
        Where to look and how large.
    blocks : GeoDataFrame
        Metric CRS: block.
    points : GeoDataFrame
        In the same CRS: stop.
    path : LineString
        The line walked.
    terrain : Dataset or None
        ``elevation_m`` for the shading.
    names : bool
        Whether to write the blocks' names.
    """
    width, height = paper.size
    window = shapely.box(paper.left, paper.bottom, paper.right, paper.top)
    here = points[points.within(window)]
    walk = paper.at(shapely.get_coordinates(path))
    places = paper.at(np.column_stack([here.geometry.x, here.geometry.y]))
    metres = round_length(_BAR_SHARE * width / paper.mm_per_m)
    return RouteMap(
        width=width,
        height=height,
        hillshade=None if terrain is None else _hillshade(paper, terrain),
        blocks=[outline_path(shape, paper.at) for shape in blocks.geometry],
        walk=line_path(walk),
        start=tuple(walk[0]),
        names=_names(paper, blocks, places) if names else [],
        dots=[Dot(x, y, stop) for (x, y), stop in zip(places, here["stop"], strict=True)],
        radius=dot_size(paper, here),
        bar=f"{metres:g}",
        bar_width=metres * paper.mm_per_m,
    )


def dot_size(paper: Paper, points: gpd.GeoDataFrame) -> float:
    """Return a dot's radius in millimetres that keeps all but the closest stops apart."""
    if len(points) < 2:
        return _LARGEST_DOT
    xy = np.column_stack([points.geometry.x, points.geometry.y]) * paper.mm_per_m
    away = np.hypot(*np.moveaxis(xy[:, None] - xy[None, :], -1, 0)) + np.diag(np.full(len(xy), np.inf))
    return float(np.clip(0.5 * np.quantile(away.min(axis=1), 0.1), _SMALLEST_DOT, _LARGEST_DOT))


def _names(paper: Paper, blocks: gpd.GeoDataFrame, dots: Array) -> list[tuple[float, float, str]]:
    """Write each block's name beside it, where it covers fewest stops and other blocks."""
    sheet = shapely.box(0, 0, *paper.size)
    outlines = shapely.transform(blocks.geometry.to_numpy(), paper.at)
    found, taken = [], shapely.Polygon()
    for outline, name in zip(outlines, blocks["block"], strict=True):
        left, top, right, bottom = outline.bounds
        half = _LETTER_MM * len(name) / 2
        middle, level = (left + right) / 2, (top + bottom) / 2
        spots = [(middle, top - 1), (middle, bottom + _LINE_MM), (left - half, level), (right + half, level)]
        boxes = [shapely.box(x - half, y - _LINE_MM, x + half, y + 1) for x, y in spots]
        covered = shapely.union_all([*outlines, taken])
        costs = [
            3 * int(shapely.contains_xy(box.buffer(_LARGEST_DOT), *dots.T).sum())
            + box.intersection(covered).area / box.area
            + 10 * box.difference(sheet).area / box.area
            for box in boxes
        ]
        best = int(np.argmin(costs))
        taken = taken.union(boxes[best])
        x, y = spots[best]
        found.append((x, y, name))
    return found


def _hillshade(paper: Paper, terrain: xr.Dataset) -> Picture | None:
    """Return the shaded ground in sight, pale enough to write on."""
    seen = terrain["elevation_m"].sel(x=slice(paper.left, paper.right), y=slice(paper.top, paper.bottom))
    if min(seen.shape) < 2:
        return None
    step = float(seen.x[1] - seen.x[0])
    factor = int(np.ceil(np.sqrt(seen.size / _MOST_CELLS)))
    light = coarsened(hillshade(seen.to_numpy().astype(float), step), factor)
    x, y = paper.at(np.array([float(seen.x[0]) - step / 2, float(seen.y[0]) + step / 2]))
    height, width = (side * factor * step * paper.mm_per_m for side in light.shape)
    return Picture(x, y, width, height, shade_png(light, _PALEST))
