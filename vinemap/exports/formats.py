"""Write tables, layers and the grid in open formats."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from pyproj import CRS
from rasterio.windows import Window

from vinemap.arrays import Array
from vinemap.characters import for_spreadsheet, for_xml
from vinemap.columns import Layout
from vinemap.errors import Findings, InputError, Problem, RefusedError
from vinemap.reading.crs import misplaced
from vinemap.reading.drivers import Layers
from vinemap.reading.files import usable
from vinemap.reading.geotiff import open_grid
from vinemap.sentences import Figure, Sentence

_STRIP = 512
_MOST_CELLS = 20_000_000
BANDS = ("primary_injury", "primary_low", "primary_high", "prob_over_threshold")

_Table = TypeVar("_Table", bound=pd.DataFrame)


def write_csv(table: pd.DataFrame, path: Path, layout: Layout, *, quoted: bool = False) -> None:
    """Write a table as UTF-8 CSV, its figures with the decimals of its layout, without geometry.

    Parameters
    ----------
    table : DataFrame
        What to write.
    path : Path
        File to write.
    layout : Layout
        Of the table.
    quoted : bool
        Whether an apostrophe goes before text that a spreadsheet would run.
    """
    plain = layout.rounded(_plain(pd.DataFrame(table.drop(columns="geometry", errors="ignore"))))
    written = with_text(plain, for_spreadsheet) if quoted else plain
    written.to_csv(path, index=False, lineterminator="\n", date_format="%Y-%m-%d")


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """Turn columns that mix truth values, text and nothing into text, so that every reader sees one type a column."""
    plain = table.copy()
    for column in filter(lambda name: pd.api.types.is_object_dtype(plain[name]), plain.columns):
        values = plain[column].map(lambda value: {True: "yes", False: "no"}.get(value, value))
        plain[column] = values.astype("string")
    return plain


def with_text(table: _Table, change: Callable[[str], str]) -> _Table:
    """Return a table with every text in it, and every heading, as ``change`` writes it; all else as it is."""

    def changed(value: Any) -> Any:
        return change(value) if isinstance(value, str) else value

    said = table.copy()
    for column in table.columns:
        kind = table[column].dtype
        if pd.api.types.is_object_dtype(kind) or isinstance(kind, pd.StringDtype):
            said[column] = table[column].map(changed).astype(kind)
    return said.rename(columns=changed)


def write_geopackage(layers: dict[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write layers into one GeoPackage (OGC 12-128), in their own CRS."""
    for name, frame in layers.items():
        plain = with_text(_plain(pd.DataFrame(frame.drop(columns="geometry"))), for_xml)
        layer = gpd.GeoDataFrame(plain, geometry=frame.geometry, crs=frame.crs)
        layer.to_file(path, layer=name, driver="GPKG", engine="pyogrio")


def write_injury(grid: xr.Dataset, path: Path) -> None:
    """Write the primary surface as a cloud-optimised GeoTIFF: float32 fractions, bands `BANDS`, NaN outside blocks.

    Each band carries its statistics as GDAL names them, so that a GIS stretches it without reading it all.
    """
    height, width = grid["primary_injury"].shape
    profile = {
        "driver": "COG",
        "dtype": "float32",
        "count": len(BANDS),
        "height": height,
        "width": width,
        "crs": grid.rio.crs,
        "transform": grid.rio.transform(),
        "nodata": np.nan,
        "compress": "DEFLATE",
        "predictor": "YES",
    }
    # GDAL would else keep up to a twentieth of the machine's memory.
    with rasterio.Env(GDAL_CACHEMAX=100), rasterio.open(path, "w", **profile) as raster:
        for band, name in enumerate(BANDS, start=1):
            seen = _Moments()
            for top in range(0, height, _STRIP):
                strip = grid[name][top : top + _STRIP].to_numpy().astype(np.float32, copy=False)
                raster.write(strip, band, window=Window(0, top, width, len(strip)))
                seen.add(strip[np.isfinite(strip)].astype(np.float64))
            raster.set_band_description(band, name)
            raster.update_tags(band, **seen.tags(height * width))


class _Moments:
    """Statistics of a band that is seen strip by strip."""

    def __init__(self) -> None:
        self.count, self.total, self.squares = 0, 0.0, 0.0
        self.low, self.high = np.inf, -np.inf

    def add(self, values: Array) -> None:
        """Take in more values."""
        if values.size:
            self.count += values.size
            self.total, self.squares = self.total + float(values.sum()), self.squares + float(values @ values)
            self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))

    def tags(self, cells: int) -> dict[str, str]:
        """Return them as GDAL names them; nothing where no cell has a value."""
        if not self.count:
            return {}
        mean = self.total / self.count
        found = {
            "MINIMUM": self.low,
            "MAXIMUM": self.high,
            "MEAN": mean,
            "STDDEV": math.sqrt(max(self.squares / self.count - mean**2, 0.0)),
            "VALID_PERCENT": 100 * self.count / cells,
        }
        return {f"STATISTICS_{name}": f"{value:.9g}" for name, value in found.items()}


def read_run(out: Path) -> tuple[gpd.GeoDataFrame, xr.Dataset]:
    """Read back the blocks and the primary surface that an earlier run wrote.

    Parameters
    ----------
    out : Path
        Its output folder.

    Returns
    -------
    blocks : GeoDataFrame
        The layer ``blocks`` of vineyard.gpkg.
    surface : Dataset (y, x)
        ``primary_injury``, ``primary_low``, ``primary_high``.

    Raises
    ------
    InputError
        When the folder does not hold them.
    """
    findings = Findings()
    layers, grid = out / "vineyard.gpkg", out / "injury.tif"
    if usable(layers, (".gpkg",), findings, within=out) and usable(grid, (".tif",), findings, within=out):
        with suppress(OSError, RefusedError, RuntimeError, ValueError), open_grid(grid) as bands:
            if bands.width * bands.height > _MOST_CELLS:
                counts = {"cells": Figure(bands.width * bands.height), "most": Figure(_MOST_CELLS)}
                fault = Sentence("fault.run.cells", **counts)
                raise InputError([Problem(str(grid), None, "", fault, Sentence("remedy.run.cells"))])
            layers_read = {
                name: bands.read(band=number)
                for number, name in enumerate(BANDS[:3], start=1)
                if bands.count >= len(BANDS)
            }
            surface = xr.Dataset(layers_read).rio.write_crs(bands.crs)
            file = Layers(layers)
            names = [name for name, _ in file.names()]
            blocks = file.read(names.index("blocks"))
            if layers_read and bands.transform.determinant and _are_ours(blocks, surface):
                return blocks, surface
    raise InputError([Problem(str(out), None, "", Sentence("fault.run.none"), Sentence("remedy.run.none"))])


def _are_ours(blocks: gpd.GeoDataFrame, surface: xr.Dataset) -> bool:
    """Whether blocks and surface hold what a run writes, and lie on the earth."""
    if any(crs is None or misplaced(CRS(crs)) is not None for crs in (blocks.crs, surface.rio.crs)):
        return False
    if not {"block", "injury_pct"} <= set(blocks.columns) or not np.isfinite(blocks.total_bounds).all():
        return False
    figures = blocks[[name for name in ("injury_pct", "map_injury_pct") if name in blocks]]
    if not all(
        pd.api.types.is_numeric_dtype(kind) or figures[name].isna().all() for name, kind in figures.dtypes.items()
    ):
        return False
    shares = [figures.to_numpy(float, na_value=np.nan) / 100, *(surface[name].to_numpy() for name in surface)]
    return all(((share >= 0) & (share <= 1) | np.isnan(share)).all() for share in shares)
