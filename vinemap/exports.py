"""Write tables, layers and the grid in open formats, all or nothing."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import rioxarray
import xarray as xr

from vinemap.errors import InputError, Problem

BANDS = ("primary_injury", "primary_low", "primary_high", "prob_over_threshold")


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """Give a temporary folder beside ``out`` whose files are moved into ``out`` when all went well.

    Files of ``out`` that the run does not write again stay as they are; after an error ``out`` is untouched.

    Parameters
    ----------
    out : Path
        Folder to fill; made when missing.
    """
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{out.name}-", dir=out.parent, ignore_cleanup_errors=True) as name:
        stage = Path(name)
        yield stage
        out.mkdir(exist_ok=True)
        for file in sorted(path for path in stage.rglob("*") if path.is_file()):
            target = out / file.relative_to(stage)
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(file, target)


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as UTF-8 CSV: percentages to one decimal, areas and counts as they are, no geometry."""
    plain = _plain(pd.DataFrame(table.drop(columns="geometry", errors="ignore")))
    rounded = {name: decimals for name in map(str, plain) if (decimals := _decimals(name)) is not None}
    plain.round(rounded).to_csv(path, index=False, lineterminator="\n", date_format="%Y-%m-%d")


def _decimals(column: str) -> int | None:
    if column.endswith("_pct"):
        return 1
    if column.endswith(("_ha", "_m")):
        return 3
    return 7 if column in {"lon", "lat"} else None


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """Turn columns that mix truth values, text and nothing into text, so that every reader sees one type a column."""
    plain = table.copy()
    for column in filter(lambda name: pd.api.types.is_object_dtype(plain[name]), plain.columns):
        values = plain[column].map(lambda value: {True: "yes", False: "no"}.get(value, value))
        plain[column] = values.astype("string")
    return plain


def write_geopackage(layers: dict[str, gpd.GeoDataFrame], path: Path) -> None:
    """Write layers into one GeoPackage (OGC 12-128), in their own CRS."""
    for name, frame in layers.items():
        plain = _plain(pd.DataFrame(frame.drop(columns="geometry")))
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
    path.write_text(json.dumps(_finite(report), indent=2, ensure_ascii=False, default=str) + "\n", encoding="utf-8")


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value
