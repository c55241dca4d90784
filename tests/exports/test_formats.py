"""Outputs are open formats that read back as they were, and replace the last run's only when complete."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from affine import Affine
from shapely import Point, box

from vinemap.columns import BLOCKS_CSV, Layout
from vinemap.errors import InputError
from vinemap.exports.formats import BANDS, read_run, write_csv, write_geopackage, write_injury
from vinemap.terrain.grid import block_grid


def _grid() -> xr.Dataset:
    blocks = gpd.GeoDataFrame(
        {"block": ["a"]}, geometry=[box(500_000, 4_700_000, 500_090, 4_700_060)], crs="EPSG:32618"
    )
    grid = block_grid(blocks.buffer(0).to_frame("geometry").assign(block="a"), 3.0, 10_000)
    values = np.linspace(0, 1, grid["block_index"].size, dtype=np.float32).reshape(grid["block_index"].shape)
    values[0, 0] = np.nan
    return grid.assign({name: (("y", "x"), values) for name in BANDS})


def test_injury_is_a_cloud_optimised_geotiff(tmp_path: Path) -> None:
    """rasterio reads back layout, CRS, nodata, band names, statistics and values, north up."""
    grid = _grid()
    write_injury(grid, tmp_path / "injury.tif")
    with rasterio.open(tmp_path / "injury.tif") as raster:
        assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert raster.crs.to_epsg() == 32618
        assert np.isnan(raster.nodata)
        assert raster.descriptions == BANDS
        assert set(raster.dtypes) == {"float32"}
        np.testing.assert_array_equal(raster.read(1), grid["primary_injury"])
        values = grid["primary_injury"].to_numpy()
        statistics = [float(raster.tags(1)[f"STATISTICS_{name}"]) for name in ("MINIMUM", "MAXIMUM", "MEAN", "STDDEV")]
        known = (np.nanmin(values), np.nanmax(values), np.nanmean(values), np.nanstd(values))
        assert statistics == pytest.approx(known, rel=1e-5)
        assert raster.xy(0, 0) == pytest.approx((float(grid.x[0]), float(grid.y[0])))


def test_geopackage_reads_back(tmp_path: Path) -> None:
    """Layers keep their CRS, geometry, numbers, gaps and yes or no."""
    columns = {"block": ["a", "b"], "own_rooted": [True, None], "vines": [120.0, np.nan], "nodes": [5, 6]}
    frame = gpd.GeoDataFrame(columns, geometry=[box(0, 0, 1, 1), box(1, 0, 2, 1)], crs="EPSG:32618")
    points = gpd.GeoDataFrame({"sample": ["s"]}, geometry=[Point(0, 0)], crs="EPSG:32618")
    write_geopackage({"blocks": frame, "samples": points}, tmp_path / "v.gpkg")
    back = gpd.read_file(tmp_path / "v.gpkg", layer="blocks")
    assert back.crs.to_epsg() == 32618
    assert back["own_rooted"].tolist()[0] == "yes"
    assert pd.isna(back["own_rooted"][1])
    assert back["vines"][0] == 120
    assert back.geometry.geom_equals(frame.geometry).all()
    assert gpd.list_layers(tmp_path / "v.gpkg")["name"].tolist() == ["blocks", "samples"]


def test_csv_has_no_geometry_and_few_decimals(tmp_path: Path) -> None:
    """Percentages come with one decimal, text as it is, dates as ISO 8601."""
    table = gpd.GeoDataFrame(
        {"block": ["a, b"], "injury_pct": [33.333], "area_ha": [1.23456], "date": pd.to_datetime(["2026-02-03"])},
        geometry=[Point(0, 0)],
    )
    write_csv(table, tmp_path / "t.csv", BLOCKS_CSV)
    assert (tmp_path / "t.csv").read_text(encoding="utf-8") == (
        'block,injury_pct,area_ha,date\n"a, b",33.3,1.235,2026-02-03\n'
    )


def test_an_earlier_run_is_read_back(tmp_path: Path) -> None:
    """What `--compare` needs comes back from the files; a folder without them is named as none of ours."""
    blocks = gpd.GeoDataFrame({"block": ["a"], "injury_pct": [40.0]}, geometry=[box(0, 0, 9, 9)], crs="EPSG:32618")
    write_geopackage({"blocks": blocks}, tmp_path / "vineyard.gpkg")
    grid = _grid()
    write_injury(grid, tmp_path / "injury.tif")
    then, surface = read_run(tmp_path)
    assert then["block"].tolist() == ["a"]
    np.testing.assert_array_equal(surface["primary_injury"], grid["primary_injury"])
    assert surface.rio.crs.to_epsg() == 32618
    with pytest.raises(InputError, match="no output folder"):
        read_run(tmp_path / "nowhere")


def test_characters_that_layers_cannot_hold_are_replaced(tmp_path: Path) -> None:
    """SQLite's text would end at a NUL; all that XML forbids is shown as U+FFFD, and the rest is as it was."""
    frame = gpd.GeoDataFrame({"block": ["a\x00b\x1b", None, "Ñ\u202e"]}, geometry=[Point(0, 0)] * 3, crs="EPSG:32618")
    write_geopackage({"blocks": frame}, tmp_path / "v.gpkg")
    back = gpd.read_file(tmp_path / "v.gpkg")["block"]
    assert back[0] == "a\ufffdb\ufffd"
    assert pd.isna(back[1])
    assert back[2] == "Ñ\u202e"


def test_formulas_are_quoted_only_where_that_is_asked_for(tmp_path: Path) -> None:
    """Text and headings of a CSV file are as they were, unless quoted; figures below zero never change."""
    table = pd.DataFrame({"block": ["=1+1", "Ash", None], "rise_m": [-3.0, 2.0, 1.0], "@x": ["a", "-b", "-1"]})
    layout = Layout("", "", ())
    write_csv(table, tmp_path / "plain.csv", layout)
    write_csv(table, tmp_path / "quoted.csv", layout, quoted=True)
    assert (tmp_path / "plain.csv").read_text(encoding="utf-8") == "block,rise_m,@x\n=1+1,-3.0,a\nAsh,2.0,-b\n,1.0,-1\n"
    assert (tmp_path / "quoted.csv").read_text(encoding="utf-8") == (
        "block,rise_m,'@x\n'=1+1,-3.0,a\nAsh,2.0,'-b\n,1.0,-1\n"
    )


def _columns(name: str, value: object = None) -> Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]:
    if value is None:
        return lambda frame: frame.drop(columns=name)
    return lambda frame: frame.assign(**{name: value})


@pytest.mark.parametrize(
    "change",
    [
        _columns("block"),
        _columns("injury_pct"),
        _columns("injury_pct", "much"),
        _columns("injury_pct", 1e300),
        lambda frame: frame.iloc[:0],
        lambda frame: frame.set_geometry([None] * len(frame)),
        lambda frame: frame.set_crs("IAU_2015:49900", allow_override=True),
        lambda frame: frame.set_crs('LOCAL_CS["x",UNIT["metre",1]]', allow_override=True),
        lambda frame: frame.set_crs(None, allow_override=True),
    ],
    ids=["no block", "no injury", "words", "1e300", "empty", "no shapes", "Mars", "nowhere", "no CRS"],
)
def test_an_earlier_run_of_a_stranger(tmp_path: Path, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> None:
    """Layers by the right name that hold no run are refused as such."""
    write_injury(_grid(), tmp_path / "injury.tif")
    blocks = gpd.GeoDataFrame({"block": ["A"], "injury_pct": [40.0]}, geometry=[box(0, 0, 9, 9)], crs="EPSG:32618")
    write_geopackage({"blocks": blocks}, tmp_path / "vineyard.gpkg")
    read_run(tmp_path)
    (tmp_path / "vineyard.gpkg").unlink()
    change(blocks).to_file(tmp_path / "vineyard.gpkg", layer="blocks")
    with pytest.raises(InputError, match="is no output folder of vinemap"):
        read_run(tmp_path)


@pytest.mark.parametrize(("value", "step"), [(np.inf, 3.0), (0.5, 0.0)], ids=["infinite", "no size"])
def test_an_earlier_surface_of_a_stranger(tmp_path: Path, value: float, step: float) -> None:
    """A grid with shares that are none, or cells without a size, is no surface."""
    blocks = gpd.GeoDataFrame({"block": ["A"], "injury_pct": [40.0]}, geometry=[box(0, 0, 9, 9)], crs="EPSG:32618")
    write_geopackage({"blocks": blocks}, tmp_path / "vineyard.gpkg")
    shape = {"count": 4, "height": 3, "width": 3, "dtype": "float32", "crs": "EPSG:32618"}
    with rasterio.open(tmp_path / "injury.tif", "w", transform=Affine(step, 0, 5, 0, -step, 5), **shape) as raster:
        raster.write(np.full((4, 3, 3), value, np.float32))
    with pytest.raises(InputError, match="is no output folder of vinemap"):
        read_run(tmp_path)
