"""Cut the injury surface into zones of one action, in pieces that a crew can find and that tile each block."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import NDArray
from rasterio.features import shapes
from rasterio.transform import Affine
from scipy import ndimage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.special import logit, ndtr
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from vinemap.actions import chosen_rule, crop_left, prescribe, secondary_crop, target_nodes, wood_in_doubt
from vinemap.arrays import Array
from vinemap.grid import cell_size
from vinemap.settings import Settings

Labels = NDArray[np.int32]

_LAYERS = ("primary_injury", "primary_low", "primary_high", "no_live_bud_injury", "no_live_bud_low", "no_live_bud_high")
_TAIL = 1.6448536269514722  # standard errors from the middle to the 5 % and 95 % bounds
_NEVER = 1e-6
_COLUMNS = (
    *("zone", "block", "action", "area_ha", "vines", "injury_pct", "sure_pct", "target_nodes", "extra_pct"),
    *("nodes_to_keep", "crop_before_pct", "crop_after_pct", "geometry"),
)


def action_zones(grid: xr.Dataset, blocks: gpd.GeoDataFrame, settings: Settings) -> gpd.GeoDataFrame:
    """Cut each block into zones of one action.

    Cells are sorted by the steps of the pruning rule at their expected injury; connected cells of one sort are a piece.
    A piece under ``settings.actions.smallest_zone_ha`` joins the neighbour with the longest common border. What to do
    in a piece follows from its mean, and neighbours whose means fall in the same step become one.

    Parameters
    ----------
    grid : Dataset (y, x)
        block_index and the primary_* layers; no_live_bud_* and too_few where they are there. North up, metric CRS.
    blocks : GeoDataFrame
        Rows that ``block_index`` counts: block, geometry, vines (may be missing), and the columns that
        `vinemap.actions.decide` reads.
    settings : Settings

    Returns
    -------
    GeoDataFrame
        In the order of the blocks, worst zone first: zone (1, 2, … over the vineyard), block, action, area_ha, vines
        (the block's, shared by area; they add up to the block's), injury_pct (mean over the zone's cells), sure_pct
        (how much of the zone belongs where it was put: the mean, over its cells, of the chance that the cell's own
        injury lies in the step that the zone follows; NaN for 'no_data'), target_nodes, extra_pct, nodes_to_keep,
        crop_before_pct, crop_after_pct, geometry (Polygon or MultiPolygon). The zones of a block cover it and do not
        overlap.
    """
    rules = settings.actions.rules
    figures = secondary_crop(blocks, rules).assign(target_nodes=target_nodes(blocks, rules)[0])
    smallest = settings.actions.smallest_zone_ha * 1e4 / cell_size(grid) ** 2
    pieces = []
    for row, outline in enumerate(blocks.geometry):
        window = _window(grid, row, outline)
        pieces += _pieces_of_block(
            window, outline, _Sorter(settings, float(figures["secondary_crop"].iloc[row])), smallest
        )
    table = pd.DataFrame([(piece.row, *piece.figures) for piece in pieces], columns=["row", *_FIGURES])
    zones = gpd.GeoDataFrame(table, geometry=[piece.shape for piece in pieces], crs=blocks.crs)
    zones = zones.assign(area_ha=zones.area / 1e4, block=blocks["block"].to_numpy()[table["row"]])
    order = zones.assign(least=-zones["injury_pct"]).sort_values(["row", "least", "area_ha"])
    zones = zones.loc[order.index].reset_index(drop=True)
    known = zones[["no_live_bud_pct"]].assign(injury_pct=zones["injury_pct"].where(zones["known"]))
    for bound in ("low", "high"):
        known[f"injury_{bound}_pct"] = np.nan
    here = figures.iloc[zones["row"]].reset_index(drop=True)
    decided = prescribe(known.join(here), settings)
    zones = zones.join(decided).assign(target_nodes=here["target_nodes"], zone=np.arange(1, len(zones) + 1))
    return zones.assign(vines=_shared_vines(blocks, zones))[list(_COLUMNS)]


_FIGURES = ("injury_pct", "no_live_bud_pct", "known", "sure_pct")


@dataclass(frozen=True)
class _Piece:
    """A zone before its action: row of its block, the figures `_FIGURES`, its ground."""

    row: int
    figures: tuple[float, float, bool, float]
    shape: BaseGeometry


@dataclass(frozen=True)
class _Window:
    """The cells around one block: which are its own, the layers in percent (NaN where there is none), their place."""

    row: int
    own: NDArray[np.bool_]
    layers: dict[str, Array]
    transform: Affine


def _window(grid: xr.Dataset, row: int, outline: BaseGeometry) -> _Window:
    """Return the cells that the block's outline reaches, and one more on each side."""
    transform = grid.rio.transform()
    left, bottom, right, top = outline.bounds
    (x0, y0), (x1, y1) = ~transform @ (left, top), ~transform @ (right, bottom)
    height, width = grid["block_index"].shape
    y = slice(max(int(y0) - 1, 0), min(int(y1) + 2, height))
    x = slice(max(int(x0) - 1, 0), min(int(x1) + 2, width))
    own = grid["block_index"].to_numpy()[y, x] == row
    layers = {name: 100 * grid[name].to_numpy()[y, x].astype(np.float64) for name in _LAYERS if name in grid}
    nothing = np.full(own.shape, np.nan)
    layers = {name: layers.get(name, nothing) for name in _LAYERS}
    known = np.isfinite(layers["primary_injury"])
    if "too_few" in grid:
        known &= ~grid["too_few"].to_numpy()[y, x]
    return _Window(
        row, own, layers | {"known": known.astype(np.float64)}, transform @ Affine.translation(x.start, y.start)
    )


class _Sorter:
    """Sorts ground by what is to be done: the rule's step, then keep all, check the wood, not known."""

    def __init__(self, settings: Settings, secondary: float) -> None:
        self._rule, self._rules, self._secondary = chosen_rule(settings), settings.actions.rules, secondary
        steps = len(self._rule.steps)
        self.long, self.bare, self.unknown = steps, steps + 1, steps + 2

    def sort(self, injury_pct: Array, no_live_bud_pct: Array, known: Array) -> Labels:
        """Return the sort of each piece of ground; unknown unless most of it is known."""
        injury = np.round(injury_pct, 1)
        extra = self._rule.more_nodes(injury, crop_left(injury, self._secondary), self._rules.ceiling.times_target)
        found = np.where(np.isnan(extra), self.long, self._rule.step_of(injury))
        found = np.where(wood_in_doubt(injury, np.round(no_live_bud_pct, 1), self._rules), self.bare, found)
        return np.where(np.isnan(injury) | (known < 0.5), self.unknown, found).astype(np.int32)

    def chance(self, sort: int, layers: dict[str, Array]) -> Array:
        """Return the chance that each cell belongs in this sort, from the bounds of its injury (log-odds)."""
        if sort == self.unknown:
            return np.full(layers["known"].shape, np.nan)
        if sort == self.bare and np.isfinite(layers["no_live_bud_injury"]).any():
            over = self._rules.wood.no_live_bud_over_pct
            return _chance_between(over, 100.0, layers["no_live_bud_low"], layers["no_live_bud_high"])
        ladder = np.linspace(0.0, 100.0, 1001)
        here = ladder[self.sort(ladder, np.full(ladder.shape, np.nan), np.ones(ladder.shape)) == sort]
        low, high = (here.min(), here.max()) if len(here) else (100.0, 100.0)
        return _chance_between(low, high, layers["primary_low"], layers["primary_high"])


def _chance_between(first: float, last: float, low_pct: Array, high_pct: Array) -> Array:
    """Return the chance that an injury with these 5 % and 95 % bounds lies between ``first`` and ``last`` percent."""
    low, high = (logit(np.clip(side / 100, _NEVER, 1 - _NEVER)) for side in (low_pct, high_pct))
    middle, spread = (low + high) / 2, np.maximum((high - low) / (2 * _TAIL), _NEVER)
    above, below = (ndtr((logit(end / 100) - middle) / spread) for end in (last, first))
    return np.asarray(above - below)


def _pieces_of_block(window: _Window, outline: BaseGeometry, sorter: _Sorter, smallest: float) -> list[_Piece]:
    """Return the zones of one block; a block that holds no cell is one zone of which nothing is known."""
    if not window.own.any():
        return [_Piece(window.row, (np.nan, np.nan, False, np.nan), outline)]
    layers = window.layers
    cells = _Cells(window.own, *(layers[name] for name in ("primary_injury", "no_live_bud_injury", "known")))
    sorts = np.where(window.own, sorter.sort(cells.injury, cells.bare, cells.known), -1).astype(np.int32)
    # Ground beyond the block takes the sort of its nearest cell, so that no piece is cut off from its neighbours.
    nearest = ndimage.distance_transform_edt(~window.own, return_distances=False, return_indices=True)
    label = _merged(_connected(sorts[tuple(nearest)]), cells, smallest, sorter)
    means = cells.means(label)
    chance = np.full(label.shape, np.nan)
    found = sorter.sort(*means)
    for sort in np.unique(found):
        here = window.own & (found == sort)[label]
        chance[here] = sorter.chance(sort, {name: values[here] for name, values in layers.items()})
    sure = cells.mean(label, chance)
    ground = _tiled(label, window.transform, outline)
    figures = zip(means[0], means[1], found != sorter.unknown, 100 * sure, strict=True)
    return [
        _Piece(window.row, (float(i), float(b), bool(k), float(s)), ground[n]) for n, (i, b, k, s) in enumerate(figures)
    ]


@dataclass(frozen=True)
class _Cells:
    """The cells of a block: which are its own, injury and nodes with no live bud in percent, known (1 or 0)."""

    own: NDArray[np.bool_]
    injury: Array
    bare: Array
    known: Array

    def size(self, label: Labels) -> Array:
        """Own cells of each piece."""
        return np.bincount(label[self.own], minlength=label.max() + 1).astype(np.float64)

    def mean(self, label: Labels, values: Array) -> Array:
        """Mean of own cells over each piece; NaN where a cell has none."""
        sums = np.bincount(label[self.own], values[self.own], minlength=label.max() + 1)
        size = self.size(label)
        return np.asarray(np.divide(sums, size, out=np.full(size.shape, np.nan), where=size > 0))

    def means(self, label: Labels) -> tuple[Array, Array, Array]:
        """Injury, nodes with no live bud, and share known, over each piece."""
        return self.mean(label, self.injury), self.mean(label, self.bare), self.mean(label, self.known)


def _connected(sorts: Labels) -> Labels:
    """Return pieces of side-by-side cells of one sort, numbered from 0."""
    label, count = np.zeros(sorts.shape, np.int32), 0
    for sort in np.unique(sorts):
        here, found = ndimage.label(sorts == sort)
        label[here > 0] = here[here > 0] + count - 1
        count += found
    return label


def _merged(label: Labels, cells: _Cells, smallest: float, sorter: _Sorter) -> Labels:
    """Join small pieces to their neighbours, and neighbours of one sort to each other, until neither is left."""
    while label.max() > 0:
        first, second, border = _borders(label)
        sort, size = sorter.sort(*cells.means(label)), cells.size(label)
        alike = sort[first] == sort[second]
        if alike.any():
            joined = first[alike], second[alike]
        else:
            small = np.flatnonzero(size < smallest)
            if not len(small):
                break
            joined = small, _longest(first, second, border, size)[small]
        label = _joined(label, *joined)
    return label


def _borders(label: Labels) -> tuple[Labels, Labels, Array]:
    """Return pairs of neighbouring pieces, each both ways, and the cell sides that they share."""
    count = label.max() + 1
    sides = ((label[:, :-1], label[:, 1:]), (label[:-1], label[1:]))
    pairs = np.concatenate([np.stack([a[a != b], b[a != b]]) for a, b in sides], axis=1)
    pairs = np.concatenate([pairs, pairs[::-1]], axis=1)
    shared = coo_array((np.ones(pairs.shape[1]), pairs), shape=(count, count)).tocsr().tocoo()
    return shared.row, shared.col, shared.data


def _longest(first: Labels, second: Labels, border: Array, size: Array) -> Labels:
    """Return the neighbour of each piece with the longest common border, the larger one of equals."""
    order = np.lexsort((size[second], border, first))
    best = np.zeros(len(size), np.int32)
    best[first[order]] = second[order]
    return best


def _joined(label: Labels, one: Labels, other: Labels) -> Labels:
    count = label.max() + 1
    _, merged = connected_components(coo_array((np.ones(len(one)), (one, other)), shape=(count, count)), directed=False)
    return np.asarray(merged, np.int32)[label]


def _tiled(label: Labels, transform: Affine, outline: BaseGeometry) -> list[BaseGeometry]:
    """Return the ground of each piece inside the outline; steps of the cells are smoothed by up to a cell."""
    if label.max() == 0:
        return [outline]
    found = [(shape(geometry), int(value)) for geometry, value in shapes(label, transform=transform)]
    smooth = shapely.coverage_simplify([geometry for geometry, _ in found], abs(transform.a))
    parts = shapely.get_parts(shapely.intersection(smooth, outline), return_index=True)
    ground = pd.DataFrame({"shape": parts[0], "piece": np.array([value for _, value in found])[parts[1]]})
    ground = ground[shapely.get_dimensions(ground["shape"]) == 2].reset_index(drop=True)
    ground = _without_slivers(ground, abs(transform.a) ** 2)
    return [shapely.union_all(ground.loc[ground["piece"] == n, "shape"].to_numpy()) for n in range(label.max() + 1)]


def _without_slivers(ground: pd.DataFrame, cell_area: float) -> pd.DataFrame:
    """Give what the outline cuts off a piece, under four cells, to the neighbour with the longest common border."""
    area = shapely.area(ground["shape"].to_numpy())
    largest = pd.Series(area).groupby(ground["piece"]).transform("max").to_numpy()
    piece = ground["piece"].to_numpy().copy()
    for k in np.flatnonzero((area < 4 * cell_area) & (area < largest)):
        shared = shapely.length(shapely.intersection(ground["shape"].iloc[k].boundary, ground["shape"].to_numpy()))
        shared[k] = 0
        if shared.max() > 0:
            piece[k] = ground["piece"].iloc[int(shared.argmax())]
    return ground.assign(piece=piece)


def _shared_vines(blocks: gpd.GeoDataFrame, zones: pd.DataFrame) -> pd.Series[int]:
    """Share each block's vines among its zones by area, whole and adding up: the largest remainders are rounded up."""
    vines = pd.Series(pd.NA, zones.index, dtype="Int64")
    if "vines" not in blocks:
        return vines
    for row, here in zones.groupby("row"):
        count = blocks["vines"].iloc[row]
        if pd.notna(count):
            exact = float(count) * here["area_ha"] / here["area_ha"].sum()
            whole = np.floor(exact).astype(int)
            rest = (exact - whole).sort_values(ascending=False, kind="stable").index[: int(count) - whole.sum()]
            whole[rest] += 1
            vines[here.index] = whole
    return vines
