"""An elevation grid for a vineyard from open public data, fetched once and kept in the vineyard's folder."""

from __future__ import annotations

import datetime as dt
import math
import os
import shutil
import struct
import tempfile
import warnings
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from urllib import parse

import geopandas as gpd
import numpy as np
import rasterio
import rioxarray  # noqa: F401 - registers the .rio accessor
import shapely
import xarray as xr
from affine import Affine
from pyproj import CRS, Transformer
from rasterio.errors import RasterioError
from rasterio.windows import Window

from vinemap.arrays import Array
from vinemap.errors import FetchError, InputError, Problem, RefusedError
from vinemap.exports.exchange import added
from vinemap.intake.elevation_tiles import Bounds, Source, Tile, elevation_sources
from vinemap.intake.mosaic import Mosaic, Piece, joined, to_metres
from vinemap.intake.ranges import Asker, Limits, NoSuchFileError, RemoteFile, origin_of
from vinemap.interrupts import on_stop
from vinemap.reading.coverage import known_share
from vinemap.reading.crs import LONLAT
from vinemap.reading.elevation import CREDIT_TAG, FETCHED_TAG, SOURCE_TAG
from vinemap.reading.files import GRIDS, content
from vinemap.reading.geotiff import Grid, companions, open_grid, values_apart
from vinemap.reading.vineyard import Site, read_site
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.units import length_unit

AROUND_M = 500.0
"""Ground beyond the blocks that is fetched: as far as terrain statistics look."""

_MOST_CELLS = 25_000_000
_ENOUGH = 0.9995
_NODATA = -9999.0
_LAND_M = (-500.0, 9000.0)


@dataclass(frozen=True)
class Offer:
    """What one source is asked for.

    Attributes
    ----------
    source : Source
    address : str
        Of the host that is asked.
    tiles : tuple of Tile
    bounds : (west, south, east, north)
        Of the ground, in degrees.
    megabytes : float
        About how much comes.
    """

    source: Source
    address: str
    tiles: tuple[Tile, ...]
    bounds: Bounds
    megabytes: float

    def told(self) -> Sentence:
        """Say what is asked of whom."""
        return Sentence(
            "elevation.offer",
            source=self.source.said,
            host=parse.urlsplit(self.address).netloc,
            tiles=Listed([tile.name for tile in self.tiles]),
            size=Figure(math.ceil(self.megabytes)),
            licence=self.source.licence,
        )


@dataclass(frozen=True)
class Wanted:
    """An elevation grid that could be fetched for a vineyard; nothing was asked of the network yet.

    Attributes
    ----------
    site : Site
        The vineyard's ground, without elevation.
    target : Path
        File that it becomes.
    offers : tuple of Offer
        Sources to ask, in their order, until one has heights for all blocks.
    """

    site: Site
    target: Path
    offers: tuple[Offer, ...]

    def told(self) -> list[Sentence]:
        """Say what will be fetched, and what becomes of it."""
        first, *others = (offer.told() for offer in self.offers)
        around = AROUND_M * length_unit(self.site.settings.units)[0]
        distance = Figure(around, 0, length_unit(self.site.settings.units)[1])
        after = [Sentence("elevation.else", offer=offer) for offer in others]
        return [first, *after, Sentence("elevation.target", file=self.target.name, distance=distance)]


@dataclass(frozen=True)
class Fetched:
    """An elevation grid that stands in its place: the file, and what to know of it."""

    path: Path
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True)
class _Answer:
    """What one source had."""

    offer: Offer
    grid: Mosaic
    share: float
    missing: tuple[str, ...]
    whole: bool


def wanted_elevation(
    folder: str | os.PathLike[str], source: str | None = None, *, address: str | None = None, replace: bool = False
) -> Wanted:
    """Find out what would be fetched for a vineyard; the network is not used.

    Parameters
    ----------
    folder : path
        Of the vineyard; needs its blocks alone.
    source : str, optional
        Key of one source in ``elevation_sources.toml``; by default all that may cover the blocks, the finest first.
    address : str, optional
        Asked in the place of the sources' own hosts: of a mirror with the same paths.
    replace : bool
        Whether a grid that is there already may be replaced.

    Raises
    ------
    InputError
        When the blocks or the address cannot be used, no such source is known or covers the blocks, they lie too far
        apart for one grid, or a grid is there already.

    Examples
    --------
    >>> from vinemap.intake.opendata import wanted_elevation
    >>> wanted = wanted_elevation("demo_blocks", replace=True)
    >>> wanted.target.name, [tile.name for tile in wanted.offers[0].tiles]
    ('elevation.tif', ['n44w076'])
    """
    sources = elevation_sources()
    if source is not None and source not in sources:
        what = Sentence("fault.fetch.no_source", source=repr(source))
        remedy = Sentence("remedy.give_one_of", names=Listed(sources, most=None))
        raise InputError([Problem("--source", None, "", what, remedy)])
    if address is not None:
        _refuse_no_address(address)
    site = read_site(folder, with_elevation=False)
    asked = list(sources.values()) if source is None else [sources[source]]
    offers = [offer for one in asked if (offer := _offer(one, address, site)) is not None]
    if not offers:
        what = Sentence("fault.fetch.none_covers")
        raise InputError([Problem("blocks", None, "", what, Sentence("remedy.own_grid"))])
    return Wanted(site, _target(site, replace=replace), tuple(offers))


def fetch_elevation(
    wanted: Wanted, progress: Callable[[str], None] = lambda _: None, limits: Limits | None = None
) -> Fetched:
    """Fetch an elevation grid and put it into the vineyard's folder, whole or not at all.

    Heights stay in the cells and the CRS of the tiles, so that none is changed: the terrain statistics are brought to
    metres once, from the original. Only blocks on both sides of the date line get a grid in their metric CRS, for
    longitudes have a seam there.

    Parameters
    ----------
    wanted : Wanted
        Of `wanted_elevation`.
    progress : callable
        Called with words for what is being done.
    limits : Limits, optional
        On bytes and time.

    Raises
    ------
    FetchError
        When a host does not answer as it should, or none has heights for the blocks; nothing is written then.
    InputError
        When the folder cannot be written to, or a file came there meanwhile.
    """
    best: _Answer | None = None
    limits = Limits() if limits is None else limits
    for offer in wanted.offers:
        answer = _asked(offer, wanted.site, progress, limits)
        if answer is not None and (best is None or answer.share > best.share):
            best = answer
        if best is not None and best.share >= _ENOUGH:
            break
    if best is None or best.share == 0:
        names = ", ".join(offer.source.label for offer in wanted.offers)
        raise FetchError(names, Sentence("fault.fetch.no_heights"), Sentence("remedy.own_grid"))
    progress("writing")
    there = [wanted.target.name] if wanted.target.exists() else []
    with added(wanted.target.parent, replacing=there) as stage:
        _write(stage / wanted.target.name, best)
    return Fetched(wanted.target, tuple(_told(best, wanted)))


def _refuse_no_address(address: str) -> None:
    try:
        origin_of(address)
    except FetchError as fault:
        what = Sentence("fault.fetch.address", address=fault.where, what=fault.message)
        raise InputError([Problem("--source-url", None, "", what, fault.remedy)]) from None


def _offer(source: Source, address: str | None, site: Site) -> Offer | None:
    """Return what a source would be asked; None where it has nothing there, or the grid would be too large."""
    bounds = _ground(site.blocks, AROUND_M + 2 * 31 * source.cell_arcsec)
    columns, rows = source.cells(bounds)
    if not source.may_cover(bounds) or columns * rows > _MOST_CELLS:
        return None
    return Offer(
        source, source.host if address is None else address, source.tiles(bounds), bounds, source.megabytes(bounds)
    )


def _ground(blocks: gpd.GeoDataFrame, around: float) -> Bounds:
    """Return the bounds in degrees of the blocks and the ground around; past 180 across the date line."""
    box = shapely.box(*blocks.total_bounds).buffer(around, join_style="mitre")
    xy = shapely.get_coordinates(shapely.segmentize(box, 1000.0))
    lon, lat = Transformer.from_crs(blocks.crs, LONLAT, always_xy=True).transform(*xy.T)
    lon = lon[0] + (lon - lon[0] + 180) % 360 - 180
    lon = lon - 360 * math.floor((lon.min() + 180) / 360)
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def _target(site: Site, *, replace: bool) -> Path:
    """Return the file that the grid becomes; refuse one that is there, and what would be read with it."""
    named = site.settings.files.elevation
    path = site.folder / ("elevation.tif" if named is None else named)
    if path.suffix.lower() not in GRIDS or path.parent != site.folder:
        what, remedy = Sentence("fault.fetch.no_tif", name=repr(named)), Sentence("remedy.fetch.no_tif")
        raise InputError([Problem("vinemap.toml", None, "files.elevation", what, remedy)])
    there = [other for other in site.folder.iterdir() if other.stem.casefold() == "elevation"]
    there = [other for other in there if other.suffix.lower() in GRIDS] if named is None else [path][: path.exists()]
    if there and not replace:
        what, remedy = Sentence("fault.there_already"), Sentence("remedy.fetch.there")
        raise InputError([Problem(one.name, None, "", what, remedy) for one in there])
    if len(there) > 1:
        what, remedy = Sentence("fault.fetch.beside"), Sentence("remedy.keep_one")
        raise InputError([Problem(there[1].name, None, "", what, remedy)])
    path = there[0] if there else path
    if beside := companions(path):
        what, remedy = Sentence("fault.fetch.companion"), Sentence("remedy.move_away")
        raise InputError([Problem(name, None, "", what, remedy) for name in beside])
    return path


def _asked(offer: Offer, site: Site, progress: Callable[[str], None], limits: Limits) -> _Answer | None:
    """Ask one source for all of its tiles; None where it has none of them."""
    pieces, missing, whole = [], [], False
    label, count = offer.source.label, len(offer.tiles)
    place = 0
    asker = Asker(
        offer.address,
        limits,
        lambda came: progress(f"{label}, tile {place} of {count}: {came / 1e6:.1f} MB"),
    )
    for place, tile in enumerate(offer.tiles, start=1):
        progress(f"{label}, tile {place} of {count}")
        try:
            file = RemoteFile(asker, tile.path)
        except NoSuchFileError:
            missing.append(tile.name)
            continue
        whole |= file.whole
        piece = _piece(file, tile, offer)
        if piece is not None:
            pieces.append(piece)
    if not pieces:
        return None
    grid = joined(pieces, offer.bounds)
    if any(tile.turn for tile in offer.tiles):
        grid = _across_date_line(grid, site)
    share = known_share(_as_layer(grid), grid.crs, site.blocks)
    areas = site.blocks.geometry.area.to_numpy()
    return _Answer(offer, grid, float((share * areas).sum() / areas.sum()), tuple(missing), whole)


def _piece(file: RemoteFile, tile: Tile, offer: Offer) -> Piece | None:
    """Read the ground that is wanted out of a tile; None where only its rim touches the ground.

    GDAL sees a file on this computer that has holes where nothing was fetched: first to find the place of the pieces
    that are wanted, then to read them.
    """
    if content(file.head[:1024]) != "tiff":
        raise FetchError(tile.name, Sentence("fault.fetch.no_geotiff"), Sentence("remedy.own_grid"))
    with ExitStack() as stack:
        place = stack.enter_context(tempfile.TemporaryDirectory(prefix="vinemap-"))
        stack.enter_context(on_stop(lambda: shutil.rmtree(place)))
        stack.enter_context(warnings.catch_warnings())
        warnings.simplefilter("ignore")
        path = Path(place) / "tile.tif"
        try:
            for _, start, length in values_apart(file.read):
                file.read(start, start + length)
            file.save(path)
            with open_grid(path) as grid:
                _refuse_wrong(grid, tile)
                window = _window(grid, tile, offer.bounds)
                pieces = [] if window is None else grid.stored(window)
            if window is None:
                return None
            for start, length in pieces:
                # GDAL may look at what stands right before and after a piece of a cloud-optimised file.
                file.read(start - 16, start + length + 16)
            file.save(path)
            with open_grid(path) as grid:
                layer, transform, crs = grid.read(window), grid.transform, grid.crs
        except (RefusedError, RasterioError, KeyError, struct.error) as error:
            reason = error.message if isinstance(error, RefusedError) else str(error)[:300]
            fault = Sentence("fault.fetch.unreadable", reason=reason)
            raise FetchError(tile.name, fault, Sentence("remedy.own_grid")) from None
    values = layer.to_numpy()
    low, high = _LAND_M
    values[(values == np.float32(offer.source.nodata)) | (values < low) | (values > high)] = np.nan
    at = transform @ Affine.translation(window.col_off, window.row_off)
    return Piece(values, Affine.translation(tile.turn, 0) @ at, CRS(crs))


def _refuse_wrong(grid: Grid, tile: Tile) -> None:
    """Refuse a grid that is not that of a tile: in another CRS, of another square, of something else than heights."""
    step = grid.transform
    left, top = step.c, step.f
    right, bottom = left + step.a * grid.width, top + step.e * grid.height
    rim = 0.01
    fits = (
        grid.crs is not None
        and grid.crs.is_geographic
        and not (step.b or step.d)
        and step.a > 0 > step.e
        and tile.west - 2 * rim < left < tile.west + rim
        and tile.south - 2 * rim < bottom < tile.south + rim
        and tile.west + 1 - rim < right < tile.west + 1 + 2 * rim
        and tile.south + 1 - rim < top < tile.south + 1 + 2 * rim
        and np.issubdtype(grid.dtype, np.number)
        and not np.issubdtype(grid.dtype, np.complexfloating)
    )
    if not fits:
        raise RefusedError(Sentence("fault.fetch.other_grid"), Sentence("remedy.own_grid"))


def _window(grid: Grid, tile: Tile, bounds: Bounds) -> Window | None:
    """Return the part of a tile that holds the ground, None where there is none."""
    west, south, east, north = bounds
    left, top = ~grid.transform * (west - tile.turn, north)
    right, bottom = ~grid.transform * (east - tile.turn, south)
    columns = max(0, math.floor(left)), min(grid.width, math.ceil(right))
    rows = max(0, math.floor(top)), min(grid.height, math.ceil(bottom))
    if columns[0] >= columns[1] or rows[0] >= rows[1]:
        return None
    return Window(columns[0], rows[0], columns[1] - columns[0], rows[1] - rows[0])


def _across_date_line(grid: Mosaic, site: Site) -> Mosaic:
    left, bottom, right, top = site.blocks.total_bounds
    wide = (left - AROUND_M, bottom - AROUND_M, right + AROUND_M, top + AROUND_M)
    return to_metres(grid, site.crs, wide, round(abs(grid.transform.e) * 111_133.0, 1))


def _as_layer(grid: Piece) -> xr.DataArray:
    rows, columns = grid.values.shape
    x = grid.transform.c + grid.transform.a * (np.arange(columns) + 0.5)
    y = grid.transform.f + grid.transform.e * (np.arange(rows) + 0.5)
    return xr.DataArray(grid.values, coords={"y": y, "x": x}, dims=("y", "x"))


def _write(path: Path, answer: _Answer) -> None:
    """Write a GeoTIFF that says where its heights come from."""
    source, now = answer.offer.source, dt.datetime.now()
    values: Array = np.where(np.isfinite(answer.grid.values), answer.grid.values, np.float32(_NODATA))
    rows, columns = values.shape
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": columns, "height": rows}
    packed = {"nodata": _NODATA, "compress": "deflate", "predictor": 3, "tiled": True}
    where = {"crs": _crs_text(answer.grid.crs), "transform": answer.grid.transform}
    with rasterio.open(path, "w", **profile, **packed, **where) as grid:
        grid.write(values.astype(np.float32), 1)
        grid.units = (source.unit,)
        grid.update_tags(
            **{SOURCE_TAG: source.key, FETCHED_TAG: now.date().isoformat(), CREDIT_TAG: source.attribution},
            TIFFTAG_IMAGEDESCRIPTION=f"{source.label}; heights above {source.heights}; {source.licence}",
            TIFFTAG_DATETIME=now.strftime("%Y:%m:%d %H:%M:%S"),
            VINEMAP_ELEVATION_TILES=" ".join(tile.name for tile in answer.offer.tiles),
        )


def _crs_text(crs: CRS) -> str:
    code = crs.to_epsg()
    return crs.to_wkt() if code is None else f"EPSG:{code}"


def _told(answer: _Answer, wanted: Wanted) -> list[Sentence]:
    """Say what came, and what to know of it."""
    grid, offer = answer.grid, answer.offer
    per_metre, unit = length_unit(wanted.site.settings.units)
    rows, columns = grid.values.shape
    before = wanted.offers[: wanted.offers.index(offer)]
    heights = np.array([np.nanmin(grid.values), np.nanmax(grid.values)]) * per_metre
    said = [
        *(Sentence("elevation.passed", source=one.source.said) for one in before),
        Sentence(
            "elevation.fetched",
            file=wanted.target.name,
            source=offer.source.said,
            columns=Figure(columns),
            rows=Figure(rows),
            low=Figure(heights[0]),
            high=Figure(heights[1], 0, unit),
        ),
        Sentence("elevation.metric" if grid.crs.is_projected else "elevation.own_cells", crs=_crs_text(grid.crs)),
    ]
    if grid.interpolated and not grid.crs.is_projected:
        said.append(Sentence("elevation.interpolated"))
    if answer.missing:
        said.append(Sentence("elevation.missing", source=offer.source.said, tiles=Listed(answer.missing)))
    around = 100 * float(np.isnan(grid.values).mean())
    if around > 0:
        blocks = Figure(round(100 * (1 - answer.share), 1), None)
        said.append(Sentence("elevation.gaps", around=Figure(max(around, 0.1), 1), blocks=blocks))
    if answer.whole:
        said.append(Sentence("elevation.whole"))
    return [*said, Sentence(f"elevation_source.{offer.source.key}.caution")]
