"""Write tables, layers and the grid in open formats, all or nothing."""

from __future__ import annotations

import errno
import json
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rioxarray
import xarray as xr

from vinemap.characters import for_xml
from vinemap.columns import Layout
from vinemap.errors import InputError, Problem
from vinemap.resources import finite

BANDS = ("primary_injury", "primary_low", "primary_high", "prob_over_threshold")

_Table = TypeVar("_Table", bound=pd.DataFrame)


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """Give a temporary folder inside ``out`` whose files are moved into ``out`` when all went well.

    Files of ``out`` that the run does not write again stay as they are. After an error, one while the files are moved
    included, ``out`` is as it was.

    Parameters
    ----------
    out : Path
        Folder to fill; made when missing.
    """
    fresh = not out.exists()
    out.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=out, ignore_cleanup_errors=True) as name:
            stage, aside = Path(name) / "new", Path(name) / "old"
            stage.mkdir()
            yield stage
            _exchange(stage, out, aside)
    finally:
        if fresh and not any(out.iterdir()):
            out.rmdir()


def _exchange(stage: Path, out: Path, aside: Path) -> None:
    """Move files into ``out``, and what stood in their places aside; put everything back when one cannot be moved."""
    moved: list[Path] = []
    try:
        for file in sorted(path for path in stage.rglob("*") if path.is_file()):
            place = file.relative_to(stage)
            for folder in ((out / place).parent, (aside / place).parent):
                folder.mkdir(parents=True, exist_ok=True)
            if (out / place).is_dir():
                raise IsADirectoryError(errno.EISDIR, "is a folder where a file has to go", str(out / place))
            if (out / place).exists():
                os.replace(out / place, aside / place)
            moved.append(place)
            os.replace(file, out / place)
    except OSError:
        for place in moved:
            (out / place).unlink(missing_ok=True)
            if (aside / place).exists():
                os.replace(aside / place, out / place)
        raise


def refuse_filled(path: Path) -> None:
    """Raise `InputError` where a table that a run would replace by an empty one has been filled in."""
    if path.is_file() and len(path.read_text(encoding="utf-8-sig", errors="replace").strip().splitlines()) > 1:
        what = "holds rows that would be lost"
        raise InputError([Problem(str(path), None, "", what, "move it, or name another folder with -o")])


def write_csv(table: pd.DataFrame, path: Path, layout: Layout) -> None:
    """Write a table as UTF-8 CSV, its figures with the decimals of its layout, without geometry."""
    plain = _plain(pd.DataFrame(table.drop(columns="geometry", errors="ignore")))
    layout.rounded(plain).to_csv(path, index=False, lineterminator="\n", date_format="%Y-%m-%d")


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
    """Write the primary surface as a cloud-optimised GeoTIFF: float32 fractions, bands `BANDS`, NaN outside blocks."""
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
    with rasterio.open(path, "w", **profile) as raster:
        for band, name in enumerate(BANDS, start=1):
            raster.write(grid[name].to_numpy().astype(np.float32), band)
            raster.set_band_description(band, name)


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
        ``primary_injury``.

    Raises
    ------
    InputError
        When the folder does not hold them.
    """
    try:
        blocks = gpd.read_file(out / "vineyard.gpkg", layer="blocks")
        bands = cast(xr.DataArray, rioxarray.open_rasterio(out / "injury.tif", cache=False))
        surface = bands.sel(band=1 + BANDS.index("primary_injury"), drop=True).load()
        bands.close()
    except (OSError, ValueError, RuntimeError) as error:
        problem = Problem(str(out), None, "", "is no output folder of vinemap", "name the folder of an earlier run")
        raise InputError([problem]) from error
    return blocks, surface.to_dataset(name="primary_injury")


def write_json(report: dict[str, Any], path: Path) -> None:
    """Write a report as JSON; a number that is not finite becomes null."""
    path.write_text(json.dumps(finite(report), indent=2, ensure_ascii=False, default=str) + "\n", encoding="utf-8")
