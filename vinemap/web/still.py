"""A still map of the whole vineyard: injury in colours, outlines with the numbers of their blocks, sample points."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from vinemap.arrays import Array
from vinemap.exports.colours import injury_stops
from vinemap.sentences import Sentence
from vinemap.terrain.grid import cell_size, coarsened
from vinemap.web.drawing import Picture, outline_path, png, scale_bar

WIDTH = 180
_TALLEST = 110
_MARGIN = 4.0
_MOST_PIXELS = 900
_BAR_SHARE = 0.25


@dataclass(frozen=True)
class StillBlock:
    """A block on the map: its number in the order of the tables, its outline, and where its number stands."""

    number: int
    path: str
    x: float
    y: float


@dataclass(frozen=True)
class StillMap:
    """What is drawn, in units that are about millimetres on paper.

    Attributes
    ----------
    width, height : float
        Of the map.
    picture : Picture
        Injury in colours, clear outside blocks.
    blocks : list of StillBlock
    samples : str
        Places of the samples, as the data of an SVG path of dots.
    bar : Sentence
        Length of the scale bar, with its unit.
    bar_width : float
        As it is drawn.
    stops : list of str
        Colours of the legend, from no bud dead to all.
    """

    width: float
    height: float
    picture: Picture
    blocks: list[StillBlock]
    samples: str
    bar: Sentence
    bar_width: float
    stops: list[str]


def still_map(blocks: gpd.GeoDataFrame, samples: gpd.GeoDataFrame | None, surface: xr.Dataset, units: str) -> StillMap:
    """Lay out the map.

    Parameters
    ----------
    blocks : GeoDataFrame
        Outlines in the order of their numbers, in the CRS of the surface.
    samples : GeoDataFrame or None
        Points to show, some of which may be missing.
    surface : Dataset (y, x)
        Has ``primary_injury``, a fraction, north up.
    units : str
        'metric' or 'us': of the scale bar.
    """
    left, bottom, right, top = blocks.total_bounds
    scale = min((WIDTH - 2 * _MARGIN) / (right - left), (_TALLEST - 2 * _MARGIN) / (top - bottom))
    height = (top - bottom) * scale + 2 * _MARGIN
    shift = (WIDTH - (right - left) * scale) / 2

    def at(xy: Array) -> Array:
        return (np.asarray(xy) - (left, top)) * (scale, -scale) + (shift, _MARGIN)

    factor = max(1, -(-max(surface["primary_injury"].shape) // _MOST_PIXELS))
    injury = coarsened(surface["primary_injury"], factor)
    grid_left, _, _, grid_top = surface.rio.bounds()
    side = cell_size(surface) * factor * scale
    x, y = at(np.array([[grid_left, grid_top]]))[0]
    picture = Picture(x, y, injury.shape[1] * side, injury.shape[0] * side, png(_painted(injury)))
    roomiest = shapely.maximum_inscribed_circle(blocks.geometry.to_numpy(), tolerance=2.0)
    middles = at(shapely.get_coordinates(shapely.get_point(roomiest, 0)))
    drawn = [
        StillBlock(number, outline_path(shape, at), *middle)
        for number, (shape, middle) in enumerate(zip(blocks.geometry, middles.tolist(), strict=True), start=1)
    ]
    known = [] if samples is None else samples.geometry.dropna().to_numpy()
    points = at(shapely.get_coordinates(known)).tolist()
    # Of no length at all, a line has no round ends in some readers.
    dots = "".join(f"M{x:.1f} {y:.1f}h.01" for x, y in points)
    bar, metres = scale_bar(_BAR_SHARE * WIDTH / scale, units)
    return StillMap(WIDTH, height, picture, drawn, dots, bar, metres * scale, injury_stops())


def _painted(injury: Array) -> Array:
    """Return fractions as red, green, blue and opacity, shape (4, rows, cols); what is unknown is clear."""
    stops = np.array([[int(stop[start : start + 2], 16) for start in (1, 3, 5)] for stop in injury_stops()], np.uint8)
    known = np.isfinite(injury)
    step = np.rint(np.nan_to_num(np.clip(injury, 0, 1)) * (len(stops) - 1)).astype(np.intp)
    return np.concatenate([np.moveaxis(stops[step], -1, 0), np.where(known, 255, 0)[None].astype(np.uint8)])
