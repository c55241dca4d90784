"""The map on a crew sheet: zones of one block over the shaded ground, for `templates/drawing.svg.j2`."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.sentences import Sentence
from vinemap.terrain.grid import cell_size
from vinemap.terrain.hillshade import hillshade
from vinemap.web.drawing import Picture, outline_path, scale_bar, shade_png

WIDTH, HEIGHT = 180, 70
"""Of the map, in units of its own, which are about millimetres on paper."""

_MARGIN = 0.05
_DARKEST = 90


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
    def of(cls, terrain: xr.Dataset | None) -> Shade | None:
        """Shade the terrain; None where its elevation is not known."""
        if terrain is None or not np.isfinite(terrain["elevation_m"]).any():
            return None
        left, _, _, top = terrain.rio.bounds()
        cell = cell_size(terrain)
        return cls(hillshade(terrain["elevation_m"].to_numpy().astype(np.float64), cell), left, top, cell)


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
    def extent(self) -> BaseGeometry:
        return box(self.left, self.top - HEIGHT / self.scale, self.left + WIDTH / self.scale, self.top)

    def at(self, xy: Array) -> Array:
        """Return places on the map, shape as given, (…, 2)."""
        return (np.asarray(xy) - (self.left, self.top)) * (self.scale, -self.scale)

    def path(self, shape: BaseGeometry) -> str:
        return outline_path(shape, self.at, 1)


@dataclass(frozen=True)
class ZoneShape:
    """A zone on the map: number, action (the class of its colour), outline, and where its number stands."""

    number: int
    action: str
    path: str
    x: float
    y: float


@dataclass(frozen=True)
class BlockMap:
    """What is drawn of a block, in units of its own; paths are the data of SVG paths.

    Attributes
    ----------
    hillshade : Picture or None
        Under the rest.
    outline : str
        Of the block.
    others : list of str
        Outlines of the other blocks in sight.
    zones : list of ZoneShape
    bar : Sentence
        Length of the scale bar, with its unit.
    bar_width : float
        As it is drawn.
    width, height : int
        Of the map.
    """

    hillshade: Picture | None
    outline: str
    others: list[str]
    zones: list[ZoneShape]
    bar: Sentence
    bar_width: float
    width: int = WIDTH
    height: int = HEIGHT


def block_maps(
    blocks: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, terrain: xr.Dataset | None, units: str
) -> list[BlockMap]:
    """Lay out the map of each block, in their order; arguments as for `vinemap.sheet.crew.crew_sheet`."""
    shade, of_block = Shade.of(terrain), dict(list(zones.groupby("block", sort=False)))
    return [
        block_map(place, blocks.geometry, of_block.get(name, zones.iloc[:0]), shade, units)
        for place, name in enumerate(blocks["block"])
    ]


def block_map(
    place: int, outlines: gpd.GeoSeries, zones: gpd.GeoDataFrame, shade: Shade | None, units: str
) -> BlockMap:
    """Lay out the map of one block.

    Parameters
    ----------
    place : int
        Of the block in ``outlines``.
    outlines : GeoSeries
        Of all blocks, metres; the others are drawn where they are in sight.
    zones : GeoDataFrame
        zone, action and geometry of the block's zones.
    shade : Shade or None
    units : str
        'metric' or 'us': of the scale bar.
    """
    outline = outlines.iloc[place]
    frame = _Frame.around(outline)
    near = np.sort(outlines.sindex.query(frame.extent, predicate="intersects"))
    seen = outlines.iloc[near[near != place]].intersection(frame.extent)
    bar, metres = scale_bar(WIDTH / 4 / frame.scale, units)
    return BlockMap(
        hillshade=None if shade is None else _hillshade(shade, frame),
        outline=frame.path(outline),
        others=[frame.path(shape) for shape in seen if shape.area > 0],
        zones=[_zone(zone.zone, zone.action, zone.geometry, frame) for zone in zones.itertuples()],
        bar=bar,
        bar_width=metres * frame.scale,
    )


def _zone(number: int, action: str, shape: BaseGeometry, frame: _Frame) -> ZoneShape:
    """Put a zone's number where its largest part is roomiest."""
    largest = max(shapely.get_parts(shape), key=lambda part: part.area)
    x, y = frame.at(shapely.get_coordinates(shapely.maximum_inscribed_circle(largest, 1.0))[0])
    return ZoneShape(number, action, frame.path(shape), x, y)


def _hillshade(shade: Shade, frame: _Frame) -> Picture | None:
    """Return the shaded ground in sight, in its own cells."""
    rows, columns = shade.light.shape
    first_x, last_x = ((edge - shade.left) / shade.cell for edge in (frame.left, frame.left + WIDTH / frame.scale))
    first_y, last_y = ((shade.top - edge) / shade.cell for edge in (frame.top, frame.top - HEIGHT / frame.scale))
    x = slice(max(int(np.floor(first_x)), 0), min(int(np.ceil(last_x)), columns))
    y = slice(max(int(np.floor(first_y)), 0), min(int(np.ceil(last_y)), rows))
    light = shade.light[y, x]
    if not light.size:
        return None
    left, top = frame.at(np.array([shade.left + x.start * shade.cell, shade.top - y.start * shade.cell]))
    side = shade.cell * frame.scale
    return Picture(left, top, light.shape[1] * side, light.shape[0] * side, shade_png(light, _DARKEST))
