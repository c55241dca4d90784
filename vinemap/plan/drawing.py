"""The route map: blocks, stops and the line walked over the shaded ground, as inline SVG in millimetres of paper."""

from __future__ import annotations

import base64
import warnings
from dataclasses import dataclass
from html import escape

import geopandas as gpd
import numpy as np
import rasterio
import shapely
import xarray as xr
from rasterio.errors import NotGeoreferencedWarning
from rasterio.io import MemoryFile
from shapely import LineString

from vinemap.arrays import Array
from vinemap.plan.words import svg
from vinemap.terrain.grid import coarsened
from vinemap.terrain.hillshade import hillshade

_MOST_CELLS = 250_000
_PALEST = 120
_LARGEST_DOT, _SMALLEST_DOT = 2.4, 1.0
_LETTER_MM, _LINE_MM = 1.9, 3.4


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


def route_map(
    paper: Paper,
    blocks: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    path: LineString,
    land: xr.Dataset | None,
    *,
    names: bool = True,
) -> str:
    """Draw the round.

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
    land : Dataset or None
        ``elevation_m`` for the shading.
    names : bool
        Whether to write the blocks' names.
    """
    width, height = paper.size
    window = shapely.box(paper.left, paper.bottom, paper.right, paper.top)
    here = points[points.within(window)]
    parts = [
        f'<svg class="map" viewBox="0 0 {width:.1f} {height:.1f}" style="width:{width:.1f}mm" role="img">',
        "" if land is None else _shade(paper, land),
        *(_outline(paper, shape) for shape in blocks.geometry),
        f'<path class="walk" d="{_line(paper, shapely.get_coordinates(path))}"/>',
        _start(paper, path),
        *(_names(paper, blocks, here) if names else ()),
        *_dots(paper, here),
        _furniture(paper),
        "</svg>",
    ]
    return "".join(parts)


def dot_size(paper: Paper, points: gpd.GeoDataFrame) -> float:
    """Return a dot's radius in millimetres that keeps all but the closest stops apart."""
    if len(points) < 2:
        return _LARGEST_DOT
    xy = np.column_stack([points.geometry.x, points.geometry.y]) * paper.mm_per_m
    away = np.hypot(*np.moveaxis(xy[:, None] - xy[None, :], -1, 0)) + np.diag(np.full(len(xy), np.inf))
    return float(np.clip(0.5 * np.quantile(away.min(axis=1), 0.1), _SMALLEST_DOT, _LARGEST_DOT))


def _line(paper: Paper, xy: Array) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in paper.at(xy))


def _outline(paper: Paper, shape: shapely.Geometry) -> str:
    rings = [ring for part in shapely.get_parts(shape) for ring in shapely.get_rings(part)]
    return f'<path class="block" d="{"".join(_line(paper, shapely.get_coordinates(r)) + "Z" for r in rings)}"/>'


def _names(paper: Paper, blocks: gpd.GeoDataFrame, points: gpd.GeoDataFrame) -> list[str]:
    """Write each block's name beside it, where it covers fewest stops and other blocks."""
    dots = paper.at(np.column_stack([points.geometry.x, points.geometry.y]))
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
        found.append(f'<text class="name" x="{x:.1f}" y="{y:.1f}">{escape(name)}</text>')
    return found


def _dots(paper: Paper, points: gpd.GeoDataFrame) -> list[str]:
    radius = dot_size(paper, points)
    found = []
    for (x, y), stop in zip(
        paper.at(np.column_stack([points.geometry.x, points.geometry.y])), points["stop"], strict=True
    ):
        size = radius * (1.25 if stop < 100 else 1.0)
        found.append(
            f'<circle class="dot" cx="{x:.2f}" cy="{y:.2f}" r="{radius:.2f}"/>'
            f'<text class="stop" x="{x:.2f}" y="{y + 0.36 * size:.2f}" font-size="{size:.2f}">{stop}</text>'
        )
    return found


def _start(paper: Paper, path: LineString) -> str:
    x, y = paper.at(np.array(path.coords[0]))
    return f'<circle class="start" cx="{x:.2f}" cy="{y:.2f}" r="3.4"/>'


def _furniture(paper: Paper) -> str:
    """Draw a scale bar and a north arrow."""
    width, height = paper.size
    longest = 0.28 * width / paper.mm_per_m
    decade = 10 ** np.floor(np.log10(longest))
    metres = max(step * decade for step in (1, 2, 5) if step * decade <= longest)
    long = metres * paper.mm_per_m
    bar = f'<path class="bar" d="M4 {height - 4:.1f}h{long:.1f}"/>'
    size = svg("map.scale", f'class="small" x="4" y="{height - 5.5:.1f}"', metres=f"{metres:g}")
    arrow = f'<path class="north" d="M{width - 6:.1f} 10l2.2 6-2.2-1.4-2.2 1.4z"/>'
    return bar + size + arrow + svg("map.north", f'class="small mid" x="{width - 6:.1f}" y="9"')


def _shade(paper: Paper, land: xr.Dataset) -> str:
    """Return the shaded ground as an image of its own, pale enough to write on."""
    seen = land["elevation_m"].sel(x=slice(paper.left, paper.right), y=slice(paper.top, paper.bottom))
    if min(seen.shape) < 2:
        return ""
    step = float(seen.x[1] - seen.x[0])
    factor = int(np.ceil(np.sqrt(seen.size / _MOST_CELLS)))
    light = coarsened(hillshade(seen.to_numpy().astype(float), step), factor)
    code = np.where(np.isfinite(light), _PALEST + (255 - _PALEST) * np.nan_to_num(light), 255).astype(np.uint8)
    x, y = paper.at(np.array([float(seen.x[0]) - step / 2, float(seen.y[0]) + step / 2]))
    rows, columns = (side * factor * step * paper.mm_per_m for side in code.shape)
    return (
        f'<image x="{x:.2f}" y="{y:.2f}" width="{columns:.2f}" height="{rows:.2f}" preserveAspectRatio="none" '
        f'href="data:image/png;base64,{base64.b64encode(_png(code)).decode("ascii")}"/>'
    )


def _png(code: Array) -> bytes:
    height, width = code.shape
    with rasterio.Env(GDAL_PAM_ENABLED="NO"), MemoryFile() as memory, warnings.catch_warnings():
        # A picture on paper has no place on the earth, and needs none.
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with memory.open(driver="PNG", height=height, width=width, count=1, dtype="uint8") as image:
            image.write(code, 1)
        return bytes(memory.read())
