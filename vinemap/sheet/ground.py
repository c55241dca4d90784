"""The map on a crew sheet: zones of one block over the shaded ground, as SVG."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from affine import Affine
from rasterio.io import MemoryFile
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.terrain.grid import cell_size
from vinemap.terrain.hillshade import hillshade
from vinemap.units import METRES_PER_FOOT

WIDTH, HEIGHT = 180.0, 70.0
"""Of the map, in units of its own, which are about millimetres on paper."""

_MARGIN = 0.05
_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Shade:
    """Light on the ground.

    Attributes
    ----------
    light : ndarray (y, x)
        0 to 1, NaN where the ground is not known.
    left, top, cell : float
        Metres: of the grid's upper left corner, and the side of its cells.
    """

    light: Array
    left: float
    top: float
    cell: float

    @classmethod
    def of(cls, ground: xr.Dataset | None) -> Shade | None:
        """Shade the ground; None where its elevation is not known."""
        if ground is None or not np.isfinite(ground["elevation_m"]).any():
            return None
        left, _, _, top = ground.rio.bounds()
        cell = cell_size(ground)
        return cls(hillshade(ground["elevation_m"].to_numpy().astype(np.float64), cell), left, top, cell)


@dataclass(frozen=True)
class _Frame:
    """The ground shown: metres of its left and top edges, and units a metre."""

    left: float
    top: float
    scale: float

    @classmethod
    def around(cls, outline: BaseGeometry) -> _Frame:
        left, bottom, right, top = outline.bounds
        scale = (1 - 2 * _MARGIN) * min(WIDTH / max(right - left, 1e-9), HEIGHT / max(top - bottom, 1e-9))
        return cls((left + right - WIDTH / scale) / 2, (bottom + top + HEIGHT / scale) / 2, scale)

    @property
    def ground(self) -> BaseGeometry:
        return box(self.left, self.top - HEIGHT / self.scale, self.left + WIDTH / self.scale, self.top)

    def path(self, shape: BaseGeometry) -> str:
        """Return the rings of a polygon as an SVG path."""
        rings = [ring for part in shapely.get_parts(shape) for ring in shapely.get_rings(part)]
        return "".join(self._ring(shapely.get_coordinates(ring)) for ring in rings)

    def _ring(self, corners: Array) -> str:
        return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (self.point(*corner) for corner in corners[:-1])) + "Z"

    def point(self, x: float, y: float) -> tuple[float, float]:
        return (x - self.left) * self.scale, (self.top - y) * self.scale


def block_map(
    outline: BaseGeometry, zones: gpd.GeoDataFrame, others: gpd.GeoSeries, shade: Shade | None, units: str, north: str
) -> str:
    """Draw one block.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        Of the block, metres.
    zones : GeoDataFrame
        zone, action (the class of its colour) and geometry of the block's zones.
    others : GeoSeries
        Outlines of the other blocks, drawn where they are in sight.
    shade : Shade or None
    units : str
        'metric' or 'us': of the scale bar.
    north : str
        Letter over the north arrow.

    Returns
    -------
    str
        An ``svg`` element; it holds no text but numbers, units and ``north``.
    """
    frame = _Frame.around(outline)
    parts = [f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img">']
    if shade is not None:
        parts.append(_image(shade, frame))
    seen = others[others.intersects(frame.ground)].intersection(frame.ground)
    parts += [f'<path class="other" d="{frame.path(shape)}"/>' for shape in seen if shape.area > 0]
    for zone in zones.itertuples():
        parts.append(f'<path class="zone {zone.action}" fill-rule="evenodd" d="{frame.path(zone.geometry)}"/>')
    parts.append(f'<path class="outline" d="{frame.path(outline)}"/>')
    for zone in zones.itertuples():
        largest = max(shapely.get_parts(zone.geometry), key=lambda part: part.area)
        middle = shapely.get_coordinates(shapely.maximum_inscribed_circle(largest, 1.0))[0]
        x, y = frame.point(*middle)
        parts.append(f'<text class="label" x="{x:.1f}" y="{y:.1f}">{zone.zone}</text>')
    return "\n".join([*parts, _north(north), _scale_bar(frame, units), "</svg>"])


def _image(shade: Shade, frame: _Frame) -> str:
    """Return the shaded ground in sight as an image of its own cells."""
    rows, columns = shade.light.shape
    first_x, last_x = ((edge - shade.left) / shade.cell for edge in (frame.left, frame.left + WIDTH / frame.scale))
    first_y, last_y = ((shade.top - edge) / shade.cell for edge in (frame.top, frame.top - HEIGHT / frame.scale))
    x = slice(max(int(np.floor(first_x)), 0), min(int(np.ceil(last_x)), columns))
    y = slice(max(int(np.floor(first_y)), 0), min(int(np.ceil(last_y)), rows))
    light = shade.light[y, x]
    if not light.size:
        return ""
    left, top = frame.point(shade.left + x.start * shade.cell, shade.top - y.start * shade.cell)
    side = shade.cell * frame.scale
    place = f'x="{left:.2f}" y="{top:.2f}" width="{light.shape[1] * side:.2f}" height="{light.shape[0] * side:.2f}"'
    encoded = base64.b64encode(_png(light)).decode("ascii")
    return f'<image {place} preserveAspectRatio="none" href="data:image/png;base64,{encoded}"/>'


def _png(light: Array) -> bytes:
    known = np.isfinite(light)
    grey = np.where(known, 90 + 165 * np.nan_to_num(light), 255).astype(np.uint8)
    with MemoryFile() as memory:
        shape = {"height": light.shape[0], "width": light.shape[1], "count": 2, "dtype": "uint8"}
        shape["transform"] = Affine.scale(2, -2)  # any but the identity, which rasterio warns of
        with memory.open(driver="PNG", **shape) as image:
            image.write(np.stack([grey, np.where(known, 255, 0).astype(np.uint8)]))
        return bytes(memory.read())


def _north(letter: str) -> str:
    x = WIDTH - 7
    return (
        f'<path class="furniture" d="M{x} 9L{x + 2.6} 17L{x} 15L{x - 2.6} 17Z"/>'
        f'<text class="furniture" x="{x}" y="7.5" text-anchor="middle">{letter}</text>'
    )


def _scale_bar(frame: _Frame, units: str) -> str:
    """Return a bar of a round length, at most a quarter of the width."""
    metres, name = (METRES_PER_FOOT, "ft") if units == "us" else (1.0, "m")
    most = WIDTH / 4 / frame.scale / metres
    ten = 10.0 ** np.floor(np.log10(most))
    length = max(step * ten for step in _STEPS if step * ten <= most)
    right = 5 + length * metres * frame.scale
    y = HEIGHT - 5
    return (
        f'<path class="bar" d="M5 {y - 1.5}V{y}H{right:.2f}V{y - 1.5}"/>'
        f'<text class="furniture" x="5" y="{y - 2.5}">{length:g} {name}</text>'
    )
