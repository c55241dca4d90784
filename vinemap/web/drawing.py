"""What drawings as SVG are made of: paths, pictures of ground, and lengths for scale bars."""

from __future__ import annotations

import base64
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import rasterio
import shapely
from rasterio.errors import NotGeoreferencedWarning
from rasterio.io import MemoryFile
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.sentences import Figure, Sentence
from vinemap.units import length_unit

_STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Picture:
    """A picture in a drawing: its upper left corner and its size there, and its ``data:`` address."""

    x: float
    y: float
    width: float
    height: float
    address: str


def line_path(xy: Array, decimals: int = 2) -> str:
    """Return places on paper, shape (n, 2), as the data of an SVG path."""
    return "M" + "L".join(f"{x:.{decimals}f} {y:.{decimals}f}" for x, y in xy)


def outline_path(shape: BaseGeometry, at: Callable[[Array], Array], decimals: int = 2) -> str:
    """Return all rings of a polygon, or of several, as the data of an SVG path; ``at`` puts places on paper."""
    rings = [ring for part in shapely.get_parts(shape) for ring in shapely.get_rings(part)]
    return "".join(line_path(at(shapely.get_coordinates(ring)[:-1]), decimals) + "Z" for ring in rings)


def round_length(longest: float) -> float:
    """Return the longest of 1, 2, 5, 10, 20, … (0.5, 0.2, …) that is not over ``longest``."""
    decade = 10.0 ** np.floor(np.log10(longest))
    return float(max(step * decade for step in _STEPS if step * decade <= longest))


def scale_bar(longest: float, units: str) -> tuple[Sentence, float]:
    """Return a round length that is not over ``longest`` metres, said in the keeper's unit, and its metres.

    Parameters
    ----------
    longest : float
    units : str
        'metric' or 'us'.
    """
    per_metre, unit = length_unit(units)
    length = round_length(longest * per_metre)
    return Sentence(f"page.unit.{unit}", value=Figure(length, None)), length / per_metre


def shade_png(light: Array, darkest: int) -> str:
    """Return light on the ground as a grey PNG inside a ``data:`` address.

    Parameters
    ----------
    light : array (rows, cols)
        0 to 1; NaN, where nothing is known, becomes transparent.
    darkest : int
        Grey of 0, between 0 and 255; 1 is white.
    """
    known = np.isfinite(light)
    grey = np.where(known, darkest + (255 - darkest) * np.nan_to_num(light), 255).astype(np.uint8)
    return png(grey[None] if known.all() else np.stack([grey, np.where(known, 255, 0).astype(np.uint8)]))


def png(bands: Array) -> str:
    """Return bands of bytes, shape (1 to 4, rows, cols), as a PNG inside a ``data:`` address."""
    shape = {"count": len(bands), "height": bands.shape[1], "width": bands.shape[2], "dtype": "uint8"}
    with rasterio.Env(GDAL_PAM_ENABLED="NO"), MemoryFile() as memory, warnings.catch_warnings():
        # A picture on paper has no place on the earth, and needs none.
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with memory.open(driver="PNG", **shape) as image:
            image.write(bands)
        return f"data:image/png;base64,{base64.b64encode(memory.read()).decode('ascii')}"
