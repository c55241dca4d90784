"""Grids for the page: quantised, compressed, and with the sum that leads from a place on the map to its cell."""

from __future__ import annotations

import base64
import math
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from pyproj import CRS, Transformer
from rasterio.transform import Affine

from vinemap.arrays import Array
from vinemap.errors import VinemapError
from vinemap.sentences import Figure, Sentence

MOST_CELLS = 1_500_000
_TOLERANCE_M = 0.05
_CHECKED_M = 0.3


@dataclass(frozen=True)
class Scale:
    """How a layer's numbers become whole steps: value = offset + step × code; the highest code means no value.

    Attributes
    ----------
    step, offset : float
        In the layer's unit.
    bits : int
        8 or 16.
    """

    step: float
    offset: float = 0.0
    bits: int = 8


# Whole percent: what the page prints is then the nearest whole percent of injury.tif itself, so it never errs by more
# than half a percent; a finer step would be rounded a second time on printing.
PERCENT = Scale(0.01)
CHANGE = Scale(0.01, -1.0)
MASK = Scale(1.0)


def encoded(layer: Array, scale: Scale) -> dict[str, Any]:
    """Give a layer as base64 text of zlib-compressed codes.

    What is sent are differences (modulo the code's range), which compress better than the codes themselves: along each
    row or, ``down``, of those from row to row as well, whichever comes out smaller. 16-bit differences are sent as 0,
    −1, 1, −2, … counted from 0, all high bytes before all low bytes.

    Parameters
    ----------
    layer : array (rows, cols)
        NaN where there is no value.
    scale : Scale
        Values beyond its range are cut to it.
    """
    kind = np.uint8 if scale.bits == 8 else np.uint16
    missing = np.iinfo(kind).max
    known = np.isfinite(layer)
    code = np.rint((np.where(known, layer, scale.offset) - scale.offset) / scale.step).clip(0, missing - 1)
    code = np.where(known, code, missing).astype(kind)
    along = np.diff(code, axis=1, prepend=kind(0))
    packed = [_packed(along), _packed(np.diff(along, axis=0, prepend=kind(0)))]
    down = len(packed[1]) < len(packed[0])
    data = base64.b64encode(packed[down]).decode("ascii")
    return {"step": scale.step, "offset": scale.offset, "bits": scale.bits, "down": down, "data": data}


def _packed(steps: Array) -> bytes:
    if steps.dtype == np.uint16:
        signed = steps.view(np.int16)
        folded = ((signed << 1) ^ (signed >> 15)).view(np.uint16)
        steps = np.stack([folded >> 8, folded & 0xFF]).astype(np.uint8)
    return zlib.compress(steps.tobytes(), 9)


def metres(layer: Array) -> Scale:
    """Scale of a layer in metres: 16 bits, steps of 2 cm or, over a great range, as fine as they go."""
    scale = fine(layer)
    return Scale(max(0.02, scale.step), scale.offset, 16)


def fine(layer: Array) -> Scale:
    """Scale of any layer, as fine as 16 bits go."""
    known = layer[np.isfinite(layer)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    return Scale(max(1e-9, (high - low) / 65_000), low, 16)


@dataclass(frozen=True)
class Frame:
    """Where a grid lies, and by how much it was coarsened to fit into the page.

    Attributes
    ----------
    rows, cols : int
        Size after coarsening.
    factor : int
        Cells along each side of an averaged square; 1 where nothing was averaged.
    transform : Affine
        From column and row to easting and northing, after coarsening.
    crs : CRS
        Metric.
    """

    rows: int
    cols: int
    factor: int
    transform: Affine
    crs: CRS

    @classmethod
    def of(cls, grid: xr.Dataset, most_cells: int = MOST_CELLS) -> Frame:
        """Frame of a north-up grid with a CRS, coarsened until it has no more than ``most_cells`` cells."""
        rows, cols = grid.sizes["y"], grid.sizes["x"]
        factor = max(1, math.ceil(math.sqrt(rows * cols / most_cells)))
        transform = grid.rio.transform() * Affine.scale(factor)
        return cls(-(-rows // factor), -(-cols // factor), factor, transform, CRS.from_user_input(grid.rio.crs))

    def described(self) -> dict[str, Any]:
        """Give size, place and the map-to-grid sum as JSON values."""
        return {
            "rows": self.rows,
            "cols": self.cols,
            "factor": self.factor,
            "cell_m": self.transform.a,
            "west": self.transform.c,
            "north": self.transform.f,
            **self._sum(),
        }

    def _sum(self) -> dict[str, Any]:
        """Polynomials from longitude and latitude to easting and northing, good to a few centimetres.

        Map projections are smooth: over a vineyard a low order suffices. The order grows until the greatest error on
        a net of check points between the fitted ones is below 5 cm.
        """
        width, height = self.cols * self.transform.a, self.rows * -self.transform.e
        left, top = self.transform.c, self.transform.f
        inverse = Transformer.from_crs(self.crs, CRS.from_epsg(4326), always_xy=True)
        fitted = _net(left, top, width, height, 25)
        checked = _net(left, top, width, height, 40)
        at = np.column_stack(inverse.transform(*fitted.T))
        middle = (at.min(axis=0) + at.max(axis=0)) / 2
        half = np.maximum((at.max(axis=0) - at.min(axis=0)) / 2, 1e-9)
        check = (np.column_stack(inverse.transform(*checked.T)) - middle) / half
        where = (at - middle) / half
        origin = np.array([left, top])
        for order in range(1, 10):
            terms, *_ = np.linalg.lstsq(_powers(where, order), fitted - origin, rcond=None)
            error = float(np.abs(_powers(check, order) @ terms - (checked - origin)).max())
            if error < _TOLERANCE_M:
                break
        if error > _CHECKED_M:
            raise VinemapError(Sentence("fault.places_differ", metres=Figure(error, 1)))
        return {
            "middle": middle.tolist(),
            "half": half.tolist(),
            "order": order,
            "east": terms[:, 0].tolist(),
            "up": terms[:, 1].tolist(),
            "bounds": [*at.min(axis=0).tolist(), *at.max(axis=0).tolist()],
            "error_m": round(error, 4),
        }


def _net(left: float, top: float, width: float, height: float, side: int) -> Array:
    across, down = np.meshgrid(np.linspace(0, width, side), np.linspace(0, height, side))
    return np.column_stack([(left + across).ravel(), (top - down).ravel()])


def _powers(where: Array, order: int) -> Array:
    """Terms lon^i lat^j, i + j ≤ order, with i the slow index: the page sums them in the same order."""
    lon, lat = where.T
    return np.column_stack([lon**i * lat**j for i in range(order + 1) for j in range(order + 1 - i)])
