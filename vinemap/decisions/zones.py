"""Cut the injury surface into zones of one action, in pieces that a crew can find and that tile each block."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr
from affine import Affine
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from vinemap.arrays import Array
from vinemap.columns import ZONES_CSV
from vinemap.decisions.actions import MOST_PCT, Trunks, printed, secondary_crop, target_nodes, yes_or_no
from vinemap.decisions.classes import Classifier, Intervals, Statistics
from vinemap.decisions.pieces import (
    Labels,
    borders,
    connected,
    joined,
    outlines,
    piece_means,
    piece_sizes,
    widest_neighbour,
)
from vinemap.decisions.season import WINTER, Season
from vinemap.decisions.vine_spaces import VineSpaces
from vinemap.reading.rows import RowFrame, row_direction
from vinemap.rules import Rules
from vinemap.settings import Settings
from vinemap.terrain.grid import cell_size

Averages = Callable[[gpd.GeoSeries], tuple[Array, Array]]
"""Gives the low and the high end of the mean injury over each polygon, as fractions."""


def action_zones(
    grid: xr.Dataset,
    blocks: gpd.GeoDataFrame,
    settings: Settings = Settings(),
    averages: Averages | None = None,
    season: Season = WINTER,
    frames: Mapping[str, RowFrame] = MappingProxyType({}),
) -> gpd.GeoDataFrame:
    """Cut each block into zones of one action.

    Cells are classified by the steps of the pruning rule at their expected injury; connected cells of one class are a
    piece. A piece under ``settings.actions.smallest_zone_ha`` joins the neighbour with the longest common border. What
    to do in a piece follows from its mean, and neighbours whose means fall in the same step become one. Where the
    direction of the vine rows is given, pieces are made of whole rows, each classified by its mean, unless that would
    put more than ``1 - actions.whole_rows_share`` of the block in another class than its own: a hollow that crosses the
    rows stays a hollow. Where rows and vines are known, its border follows the rows and their posts
    (``actions.post_space_m``): every post space goes with most of its vines, so that a crew knows between which posts
    of which row it changes over; and a zone has the ground of its own vines.

    Parameters
    ----------
    grid : Dataset (y, x)
        block_index and the primary_* layers; no_live_bud_*, too_few and the layers of
        `vinemap.surface.trunks.wood_layers` where they are there. North up, metric CRS.
    blocks : GeoDataFrame
        Rows that ``block_index`` counts: block, geometry, vines (may be missing), and the columns that
        `vinemap.decisions.actions.decide` reads; row_bearing_deg and row_spacing_m for whole rows.
    settings : Settings
    averages : callable, optional
        Such as `vinemap.surface.draws.JointDraws.credible_interval`, of the figure that decides; without it, zones have
        no intervals.
    season : Season
        Before budbreak, or after it.
    frames : mapping
        Of `vinemap.reading.frames.known_rows`: the blocks whose rows and vines are known.

    Returns
    -------
    GeoDataFrame
        In the order of the blocks, worst zone first: the columns of `vinemap.columns.ZONES_CSV` but for the net injury,
        and geometry (Polygon or MultiPolygon). The zones of a block cover it and do not overlap, and their vines add up
        to the block's. sure_pct is how much of the zone belongs where it was put: the mean, over its cells, of the
        probability that the cell's own injury lies in the step that the zone follows; NaN for 'no_data' and for hurt
        trunks.

    Examples
    --------
    >>> from vinemap.decisions.zones import action_zones
    >>> run = vinemap.make_map("demo_blocks")
    >>> zones = action_zones(run.surface, run.blocks, run.vineyard.site.settings)
    >>> set(zones["block"]) == set(run.blocks["block"])
    True
    """
    rules = settings.actions.rules
    target, target_from = target_nodes(blocks, rules)
    figures = secondary_crop(blocks, rules).assign(
        target_nodes=target,
        target_from=target_from,
        own_rooted=yes_or_no(blocks, "own_rooted"),
        hilled=yes_or_no(blocks, "hilled"),
    )
    smallest = settings.actions.smallest_zone_ha * 1e4 / cell_size(grid) ** 2
    rows = []
    for row, secondary in enumerate(figures["secondary_crop"]):
        window = _window(grid, row, blocks.iloc[row], rules)
        vines = _vine_spaces(blocks.iloc[row], frames, settings.actions.post_space_m)
        strips = _vine_rows(window, blocks.iloc[row], grid, vines)
        cutter = _Cutter(season.classifier(settings, secondary), smallest, settings.actions.whole_rows_share)
        rows += _pieces(window, strips, vines, blocks.geometry.iloc[row], cutter)
    zones = gpd.GeoDataFrame(pd.DataFrame(rows, columns=_FIGURES), geometry="geometry", crs=blocks.crs)
    zones = zones.assign(area_ha=zones.area / 1e4, block=blocks["block"].to_numpy()[zones["row"]])
    order = zones.assign(least=-zones[f"{season.stem}_pct"]).sort_values(["row", "least", "area_ha"])
    zones = zones.loc[order.index].reset_index(drop=True)
    here = figures.iloc[zones["row"]].reset_index(drop=True)
    nothing = np.full(len(zones), np.nan)
    low, high = (nothing, nothing) if averages is None else averages(zones.geometry)
    unknown = {f"{stem}_{end}_pct": nothing for stem in ("injury", "no_live_bud") for end in ("low", "high")}
    ends = {f"{season.stem}_low_pct": 100 * low, f"{season.stem}_high_pct": 100 * high}
    zones = zones.assign(**(unknown | ends))
    width = printed(100 * (high - low))
    measured = pd.DataFrame(zones[[*_MEASURED]]).assign(
        too_few=printed(100 * (1 - zones["known"].to_numpy(np.float64))) > MOST_PCT,
        too_wide=width > round(100 * settings.surface.max_width, 1),
    )
    zones = zones.join(season.prescribe(measured.join(here), settings))
    zones = zones.assign(
        target_nodes=here["target_nodes"], target_from=here["target_from"], zone=np.arange(1, len(zones) + 1)
    )
    zones = zones.assign(vines=_shared_vines(blocks, zones))
    return zones[[*(name for name in ZONES_CSV.names if name in zones), "geometry"]]


_FIGURES = (
    *("row", "injury_pct", "known", "no_live_bud_pct", "trunk_hurt_pct", "trunk_hurt_high_pct"),
    *("trunk_dead_pct", "trunk_dead_low_pct", "trunk_dead_high_pct", "sure_pct", "places", "geometry"),
)
_MEASURED = (
    *("injury_pct", "injury_low_pct", "injury_high_pct", "no_live_bud_pct", "trunk_hurt_pct", "trunk_hurt_high_pct"),
    "trunk_dead_low_pct",
)
_Row = tuple[int, *tuple[float, ...], BaseGeometry]


@dataclass(frozen=True)
class _Window:
    """The cells around one block: which are its own, their statistics and intervals, and where they lie."""

    row: int
    own: NDArray[np.bool_]
    cells: Statistics
    intervals: Intervals
    transform: Affine


def _window(grid: xr.Dataset, row: int, block: pd.Series[Any], rules: Rules) -> _Window:
    """Return the cells that the block's outline reaches, and one more on each side."""
    transform = grid.rio.transform()
    left, bottom, right, top = block["geometry"].bounds
    (x0, y0), (x1, y1) = ~transform @ (left, top), ~transform @ (right, bottom)
    height, width = grid["block_index"].shape
    y = slice(max(int(y0) - 1, 0), min(int(y1) + 2, height))
    x = slice(max(int(x0) - 1, 0), min(int(x1) + 2, width))
    own = grid["block_index"].to_numpy()[y, x] == row

    def layer(name: str, otherwise: float = np.nan) -> Array:
        if name not in grid:
            return np.full(own.shape, otherwise)
        return 100 * grid[name][y, x].to_numpy().astype(np.float64)

    injury = layer("primary_injury")
    known = np.isfinite(injury) & ~(layer("too_few", 0.0) > 0)
    dead, dead_low, dead_high, hurt, hurt_high = (_figure(block, name) for name in _TRUNKS)
    # Between the samples the model says where trunks are dead; but only in a block where somebody looked.
    seen = not np.isnan(dead)
    mean, low, high = (
        layer(f"trunk_dead{side}", figure) if seen else np.full(own.shape, np.nan)
        for side, figure in (("", dead), ("_low", dead_low), ("_high", dead_high))
    )
    if Trunks(np.array(dead_low), np.array(hurt), np.array(hurt_high)).mostly_dead(rules):
        # All checks of the block say together what a cell's few cannot: here most trunks are dead, where any are.
        low = np.where(mean > rules.wood.dead_low_over_pct, np.minimum(np.fmax(low, dead_low), mean), low)
    cells = Statistics(
        injury=injury,
        no_live_bud=layer("no_live_bud_injury"),
        known=known.astype(np.float64),
        dead=mean,
        dead_low=low,
        hurt=np.fmax(layer("trunk_hurt_low"), hurt) if not np.isnan(hurt) else np.full(own.shape, np.nan),
        hurt_high=np.full(own.shape, hurt_high),
    )
    intervals = Intervals(
        (layer("primary_low"), layer("primary_high")),
        (layer("no_live_bud_low"), layer("no_live_bud_high")),
        (low, high),
    )
    return _Window(row, own, cells, intervals, transform @ Affine.translation(x.start, y.start))


_TRUNKS = ("trunk_dead_pct", "trunk_dead_low_pct", "trunk_dead_high_pct", "trunk_hurt_pct", "trunk_hurt_high_pct")


def _figure(block: pd.Series[Any], name: str) -> float:
    """Return a figure of a block; NaN where it or its column is missing."""
    value = block.get(name)
    return np.nan if pd.isna(value) else float(value)


@dataclass(frozen=True)
class _Cutter:
    """How to cut: what classifies, the fewest cells of a piece, the share of cells to keep their class by rows."""

    classifier: Classifier
    smallest: float
    whole_rows_share: float


def vines_between(block: Mapping[Any, Any], frame: RowFrame, post_space_m: float) -> int:
    """Return the vines between two posts of a block, as it states them, else as many as the settings' space holds."""
    given = block.get("vines_between_posts")
    if given is not None and pd.notna(given):
        return int(given)
    return max(1, round(post_space_m / frame.spacing(frame.numbers[0])))


def _vine_spaces(block: pd.Series[Any], frames: Mapping[str, RowFrame], post_space_m: float) -> VineSpaces | None:
    """Return the vines of a block by their post spaces; None where they are not known, or not asked for."""
    frame = frames.get(str(block["block"]))
    if frame is None or not post_space_m:
        return None
    return VineSpaces.of(frame, vines_between(block.to_dict(), frame, post_space_m))


def _centres(window: _Window) -> Array:
    """Return the centres of a window's cells, shape (y, x, 2)."""
    row, column = np.indices(window.own.shape)
    return np.stack(window.transform @ (column + 0.5, row + 0.5), axis=-1)


def _vine_rows(window: _Window, block: pd.Series[Any], grid: xr.Dataset, vines: VineSpaces | None) -> Labels | None:
    """Return each cell's vine row, or group of rows as wide as a cell; None where their direction is not given."""
    bearing = _figure(block, "row_bearing_deg")
    if np.isnan(bearing):
        return None
    east, north = row_direction(block["geometry"], bearing, grid.rio.crs).along
    cell, spacing = cell_size(grid), _figure(block, "row_spacing_m")
    group = 1.0 if np.isnan(spacing) else np.ceil(cell / spacing)
    centres = _centres(window)
    if vines is not None:
        nearest = vines.row[vines.nearest(centres.reshape(-1, 2))]
        return np.asarray(nearest // group, np.int32).reshape(window.own.shape)
    width = cell if np.isnan(spacing) else spacing * group
    across = centres[..., 0] * north - centres[..., 1] * east
    return np.asarray(np.floor((across - across.min()) / width), np.int32)


def _pieces(
    window: _Window, strips: Labels | None, vines: VineSpaces | None, outline: BaseGeometry, cutter: _Cutter
) -> list[_Row]:
    """Return the zones of one block; a block that holds no cell is one zone of which nothing is known."""
    own, classifier = window.own, cutter.classifier
    if not own.any():
        return [(window.row, *[np.nan] * (len(_FIGURES) - 2), outline)]
    # Ground beyond the block goes with its nearest cell, so that no piece is cut off from its neighbours.
    nearest = tuple(ndimage.distance_transform_edt(~own, return_distances=False, return_indices=True))
    label = connected(classifier.classify(window.cells)[nearest])
    whole_rows = False
    if strips is not None:
        rows = np.unique(strips[nearest], return_inverse=True)[1].reshape(own.shape).astype(np.int32)
        by_row = classifier.classify(window.cells.each(partial(piece_means, rows, own)))[rows]
        if np.mean((by_row == classifier.classify(window.cells))[own]) >= cutter.whole_rows_share:
            label, whole_rows = rows, True
    label = _merged(label, own, window.cells, cutter.smallest, classifier)
    label, of_vine = _along_rows(label, window, vines, cutter, whole_rows=whole_rows)
    means = window.cells.each(partial(piece_means, label, own))
    classes = classifier.classify(means)
    probability = np.full(label.shape, np.nan)
    for number in np.unique(classes):
        here = own & (classes == number)[label]
        chosen = itemgetter(here)
        probability[here] = classifier.probability(
            int(number), window.cells.each(chosen), window.intervals.each(chosen)
        )
    sure = 100 * piece_means(label, own, probability)
    dead = means.dead, means.dead_low, piece_means(label, own, window.intervals.dead[1])
    if vines is None or of_vine is None:
        shapes, places = outlines(label, window.transform, outline), np.full(label.max() + 1, np.nan)
    else:
        shapes, places = vines.grounds(of_vine, outline), np.bincount(of_vine).astype(np.float64)
    figures = (means.injury, means.known, means.no_live_bud, means.hurt, means.hurt_high, *dead, sure, places)
    found = zip(zip(*figures, strict=True), shapes, strict=True)
    return [(window.row, *map(float, row), piece) for row, piece in found if not piece.is_empty]


def _along_rows(
    label: Labels, window: _Window, vines: VineSpaces | None, cutter: _Cutter, *, whole_rows: bool
) -> tuple[Labels, NDArray[np.intp] | None]:
    """Move the borders of pieces to rows and posts; return the piece of each cell and of each vine.

    The vines' is None where the borders stay: vines are not known, there is one piece, or a piece would have no cell.
    """
    if vines is None or label.max() == 0:
        return label, None
    column, row = np.floor(~window.transform @ vines.places.T).astype(np.intp)
    (height, width) = label.shape
    of_vine = vines.settled(label[row.clip(0, height - 1), column.clip(0, width - 1)], whole_rows=whole_rows)
    nearest = vines.nearest(_centres(window).reshape(-1, 2))
    used, found = np.unique(of_vine[nearest], return_inverse=True)
    moved = np.asarray(found, np.int32).reshape(label.shape)
    if not np.isin(of_vine, used).all() or not piece_sizes(moved, window.own).all():
        return label, None
    merged = _merged(moved, window.own, window.cells, cutter.smallest, cutter.classifier)
    into = np.zeros(len(used), np.intp)
    into[moved.ravel()] = merged.ravel()
    of_vine = into[np.searchsorted(used, of_vine)]
    return merged, of_vine if merged.max() > 0 else None


def _merged(
    label: Labels, own: NDArray[np.bool_], cells: Statistics, smallest: float, classifier: Classifier
) -> Labels:
    """Join small pieces to their neighbours, and neighbours of one class to each other, until neither is left."""
    while label.max() > 0:
        first, second, border = borders(label)
        classes, size = classifier.classify(cells.each(partial(piece_means, label, own))), piece_sizes(label, own)
        alike = classes[first] == classes[second]
        if alike.any():
            pairs = first[alike], second[alike]
        else:
            small = np.flatnonzero(size < smallest)
            if not len(small):
                break
            pairs = small, widest_neighbour(first, second, border, size)[small]
        label = joined(label, *pairs)
    return label


def _shared_vines(blocks: gpd.GeoDataFrame, zones: pd.DataFrame) -> pd.Series[int]:
    """Share each block's vines among its zones, whole and adding up: the largest remainders are rounded up.

    They are shared by the places of vines where these are known, else by area.
    """
    vines = pd.Series(pd.NA, zones.index, dtype="Int64")
    if "vines" not in blocks:
        return vines
    row, size = zones["row"].to_numpy(), zones["places"].fillna(zones["area_ha"]).to_numpy(np.float64)
    for number, count in enumerate(blocks["vines"]):
        here = np.flatnonzero(row == number)
        if pd.notna(count):
            exact = float(count) * size[here] / size[here].sum()
            whole = np.floor(exact).astype(int)
            whole[np.argsort(whole - exact, kind="stable")[: int(count) - whole.sum()]] += 1
            vines.iloc[here] = whole
    return vines
