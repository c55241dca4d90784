"""The one door to GDAL for grids: GeoTIFF alone, and of what lies beside it only what is understood here."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import rasterio
import xarray as xr
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.windows import Window

from vinemap.arrays import Array
from vinemap.doors import barred
from vinemap.errors import RefusedError
from vinemap.reading.crs import opens_files
from vinemap.reading.vetting import first_element
from vinemap.sentences import Figure, Sentence

MOST_CELLS = 50_000_000
"""Cells past which a part of a grid is not read: 7 km by 7 km in cells of a metre."""

_NUMBERS = {"nodata": "NoDataValue", "scale": "Scale", "offset": "Offset"}
_PIECE_CELLS = 2_000_000
_MOST_PIECE_BYTES = 256_000_000
_MOST_BESIDE_BYTES = 10_000_000
# Tag of the text that GeoTIFF keys point into (OGC 19-008r4).
_TEXT_OF_KEYS = 34737
# Bytes of a value by its type (TIFF 6.0 §2, and 16 to 18 of BigTIFF); one byte for all others.
_VALUE_BYTES = {3: 2, 4: 4, 5: 8, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_MOST_DIRECTORIES = 32
# No sidecar is looked for: masks and overviews beside a grid are grids of any format, virtual ones included.
_ALONE = {"GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR", "GDAL_PAM_ENABLED": "NO", "GDAL_CACHEMAX": 100}


@dataclass(frozen=True)
class _Beside:
    """What lies beside a grid says of it and of its first band; None where it says nothing."""

    crs: CRS | None = None
    transform: Affine | None = None
    world: Affine | None = None
    nodata: float | None = None
    scale: float | None = None
    offset: float | None = None
    unit: str | None = None


class Grid:
    """An open grid.

    Attributes
    ----------
    width, height, count : int
        Columns, rows, bands.
    dtype : numpy.dtype
        Of the first band.
    crs : CRS or None
        None where none is stated.
    transform : Affine
        From cells to coordinates.
    gaps_declared : bool
        Whether a value stands for gaps.
    unit : str
        Of the first band; "" where none is stated.
    tags : dict of str to str
        What the file says of itself.
    """

    def __init__(self, source: rasterio.DatasetReader, beside: _Beside) -> None:
        self._source, self._beside = source, beside
        self.tags: dict[str, str] = source.tags()
        self.width, self.height, self.count = source.width, source.height, source.count
        self.dtype = np.dtype(source.dtypes[0])
        own = None if source.crs is None else CRS.from_wkt(source.crs.to_wkt())
        self.crs = beside.crs or own
        # As GDAL has it, notes come before the file's own word and a world file after.
        stated = None if source.transform.is_identity else source.transform
        self.transform: Affine = beside.transform or stated or beside.world or source.transform
        self.gaps_declared = source.nodata is not None or beside.nodata is not None
        self.unit = source.units[0] or beside.unit or ""
        rows, columns = self._piece_shape = source.block_shapes[0]
        bands = source.count if source.profile.get("interleave") == "pixel" else 1
        if rows * columns * bands * self.dtype.itemsize > _MOST_PIECE_BYTES:
            raise RefusedError(Sentence("fault.large_pieces"), Sentence("remedy.in_tiles"))

    def read(self, window: Window | None = None, band: int = 1, most_cells: int = MOST_CELLS) -> xr.DataArray:
        """Read a part of a band, north up.

        Parameters
        ----------
        window : Window, optional
            The whole grid by default.
        band : int
            From 1.
        most_cells : int
            Cells past which nothing is read.

        Returns
        -------
        DataArray (y, x)
            float32, scale and offset applied, NaN in gaps.

        Raises
        ------
        RefusedError
            Where the part has more cells; nothing of it is read then.
        """
        window = Window(0, 0, self.width, self.height) if window is None else window
        cells = int(window.width) * int(window.height)
        if cells > most_cells:
            wider = (cells / most_cells) ** 0.5
            raise RefusedError(
                Sentence("fault.many_cells.grid", cells=Figure(cells), most=Figure(most_cells)),
                Sentence("remedy.resample", wider=Figure(float(np.ceil(10 * wider)) / 10, None)),
            )
        values = np.empty((int(window.height), int(window.width)), np.float32)
        step = max(1, _PIECE_CELLS // max(1, int(window.width)) // self._piece_shape[0]) * self._piece_shape[0]
        for top in range(0, len(values), step):
            rows = min(step, len(values) - top)
            part = Window(window.col_off, window.row_off + top, window.width, rows)
            values[top : top + rows] = self._piece(part, band)
        at = self.transform @ Affine.translation(window.col_off, window.row_off)
        y = at.f + at.e * (np.arange(values.shape[0]) + 0.5)
        x = at.c + at.a * (np.arange(values.shape[1]) + 0.5)
        grid: xr.DataArray = xr.DataArray(values, coords={"y": y, "x": x}, dims=("y", "x"))
        return grid.isel(y=slice(None, None, -1 if at.e > 0 else 1), x=slice(None, None, -1 if at.a < 0 else 1))

    def stored(self, window: Window) -> list[tuple[int, int]]:
        """Return first byte and length of each piece of the file that holds a part of the first band."""
        high, wide = self._piece_shape
        rows = range(int(window.row_off) // high, -(-int(window.row_off + window.height) // high))
        columns = range(int(window.col_off) // wide, -(-int(window.col_off + window.width) // wide))
        found = []
        for row in rows:
            for column in columns:
                place, length = (
                    self._source.get_tag_item(f"BLOCK_{what}_{column}_{row}", "TIFF", bidx=1)
                    for what in ("OFFSET", "SIZE")
                )
                # Of a piece that holds nothing but gaps there may be none.
                if place is not None and length is not None:
                    found.append((int(place), int(length)))
        return found

    def _piece(self, window: Window, band: int) -> Array:
        stored = self._source.read(band, window=window, masked=True)
        values = stored.astype(np.float64).filled(np.nan)
        nodata = self._beside.nodata
        if nodata is not None:
            values[values == (np.float32(nodata) if self.dtype == np.float32 else nodata)] = np.nan
        scale = self._source.scales[band - 1] if self._beside.scale is None else self._beside.scale
        offset = self._source.offsets[band - 1] if self._beside.offset is None else self._beside.offset
        values *= scale or 1.0
        values += offset or 0.0
        return np.asarray(values)


@contextmanager
def open_grid(path: Path) -> Iterator[Grid]:
    """Open a GeoTIFF.

    Parameters
    ----------
    path : Path
        A plain file, as `vinemap.reading.files.usable` lets through.

    Raises
    ------
    RefusedError
        When it, or what lies beside it, holds what must not be followed.
    rasterio.errors.RasterioIOError
        When it is damaged.
    """
    place = path.resolve()
    if str(place).startswith("/vsi"):
        raise RefusedError(Sentence("fault.gdal_folder"), Sentence("remedy.rename_folder"))
    if opens_files(_text_of_keys(place)):
        raise RefusedError(Sentence("fault.own_files"), Sentence("remedy.plain_crs"))
    beside = _beside(path)
    with rasterio.Env(**_ALONE), rasterio.open(place, driver="GTiff") as source:
        yield Grid(source, beside)


def companions(path: Path) -> list[str]:
    """Return the names of files beside a grid that would be read with it, or keep it from being read."""
    name, stem, ending = path.name.casefold(), path.stem.casefold(), path.suffix.casefold()
    known = {f"{name}.aux.xml", f"{name}.msk", *(stem + last for last in _worlds(ending))}
    return sorted(other.name for other in path.parent.iterdir() if other.name.casefold() in known)


def _worlds(ending: str) -> tuple[str, ...]:
    """Return the endings of a grid's world file."""
    return f".{ending[1]}{ending[-1]}w", f"{ending}w", ".wld"


def values_apart(read: Callable[[int, int], bytes]) -> Iterator[tuple[int, int, int]]:
    """Yield tag, place and length in bytes of each value of a TIFF that stands outside its directory's table.

    Classic TIFF by TIFF 6.0 §2, BigTIFF by its own specification (AWare Systems, from memory).

    Parameters
    ----------
    read : callable
        Gives the bytes from one place to another.

    Raises
    ------
    KeyError, struct.error
        Where the file is damaged.
    """
    head = read(0, 16)
    order = {b"II": "<", b"MM": ">"}[head[:2]]
    big = struct.unpack_from(f"{order}H", head, 2) == (43,)
    place, size, count, entry = (8, "Q", "Q", "HHQ") if big else (4, "I", "H", "HHI")
    (at,) = struct.unpack_from(f"{order}{size}", head, place)
    for _ in range(_MOST_DIRECTORIES):
        if not at:
            break
        start = at + struct.calcsize(f"{order}{count}")
        (entries,) = struct.unpack(f"{order}{count}", read(at, start))
        length = struct.calcsize(f"{order}{entry}{size}")
        end = start + min(entries, 65_536) * length
        table = read(start, end)
        for row in range(0, len(table) - length + 1, length):
            tag, kind, values, value = struct.unpack_from(f"{order}{entry}{size}", table, row)
            wide = values * _VALUE_BYTES.get(kind, 1)
            if wide > struct.calcsize(size):
                yield tag, value, wide
        (at,) = struct.unpack(f"{order}{size}", read(end, end + struct.calcsize(size)))


def _text_of_keys(path: Path) -> str:
    """Return the text of a TIFF's GeoTIFF keys, in which a CRS may be spelt out; "" where the file is damaged."""
    found = []
    with path.open("rb") as file:

        def read(start: int, stop: int) -> bytes:
            file.seek(start)
            return file.read(stop - start)

        try:
            for tag, place, letters in values_apart(read):
                # Few letters stand in the table itself, too few for the name of a file.
                if tag == _TEXT_OF_KEYS:
                    found.append(read(place, place + min(letters, _MOST_BESIDE_BYTES)))
        except (KeyError, OSError, OverflowError, ValueError, struct.error):
            pass
    return b"\n".join(found).decode("latin-1")


def _beside(path: Path) -> _Beside:
    """Read what lies beside a grid: GDAL's notes on it and a world file; refuse a mask, which is not read."""
    names = {other.name.casefold(): other for other in path.parent.iterdir()}
    name, stem, ending = path.name.casefold(), path.stem.casefold(), path.suffix.casefold()
    if f"{name}.msk" in names:
        what = Sentence("fault.mask", name=names[f"{name}.msk"].name)
        raise RefusedError(what, Sentence("remedy.gap_value"))
    notes = names.get(f"{name}.aux.xml")
    found = _Beside() if notes is None else _notes(notes)
    worlds = (names.get(stem + last) for last in _worlds(ending))
    world = next((other for other in worlds if other is not None), None)
    return found if world is None else replace(found, world=_world(world))


def _companion(path: Path, fault: Sentence, remedy: Sentence) -> RefusedError:
    return RefusedError(Sentence("fault.companion", name=path.name, fault=fault), remedy)


def _readable(path: Path) -> bytes:
    fault = barred(path, _MOST_BESIDE_BYTES, within=path.parent)
    if fault is not None:
        raise _companion(path, *fault)
    return path.read_bytes()


def _notes(path: Path) -> _Beside:
    """Read what GDAL's persistent auxiliary metadata say of place, gaps and unit (GDAL's documentation, PAM)."""
    data = _readable(path)
    try:
        if first_element(data) != "PAMDataset":
            return _Beside()
        root = ElementTree.fromstring(data)  # noqa: S314 - without a document type there are no entities
    except (RefusedError, ElementTree.ParseError) as error:
        reason = error.message if isinstance(error, RefusedError) else str(error)
        fault = Sentence("fault.unreadable", reason=reason)
        raise _companion(path, fault, Sentence("remedy.take_out_of_folder")) from None
    band = next((one for one in root.iter("PAMRasterBand") if one.get("band") == "1"), ElementTree.Element("none"))
    srs, place = root.findtext("SRS"), root.findtext("GeoTransform")
    if srs and opens_files(srs):
        raise RefusedError(Sentence("fault.own_files"), Sentence("remedy.plain_crs"))
    try:
        texts = {key: band.findtext(name) for key, name in _NUMBERS.items()}
        numbers: dict[str, Any] = {key: float(text) for key, text in texts.items() if text is not None}
        return _Beside(
            crs=CRS.from_user_input(srs.strip()) if srs and srs.strip() else None,
            transform=Affine.from_gdal(*_six(place.split(","))) if place else None,
            unit=(band.findtext("UnitType") or "").strip() or None,
            **numbers,
        )
    except (CRSError, ValueError) as error:
        fault = Sentence("fault.companion.not_understood", reason=str(error))
        raise _companion(path, fault, Sentence("remedy.export_grid")) from None


def _world(path: Path) -> Affine:
    """Read a world file: six lines with the cell's size, its turn and the centre of the first cell."""
    try:
        a, d, b, e, x, y = _six(_readable(path).decode("ascii", "replace").replace(",", ".").split())
    except ValueError:
        raise _companion(path, Sentence("fault.companion.six"), Sentence("remedy.export_grid")) from None
    return Affine(a, b, x - (a + b) / 2, d, e, y - (d + e) / 2)


def _six(words: list[str]) -> list[float]:
    numbers = [float(word) for word in words]
    if len(numbers) != 6 or not np.isfinite(numbers).all():
        raise ValueError("six numbers are needed")
    return numbers
