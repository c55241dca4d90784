"""A grid as evidence: the same figures whatever its CRS, unknown in its gaps and beyond its edge."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyproj
import rasterio
import xarray as xr
from rasterio.warp import Resampling, calculate_default_transform, reproject

from tests.builders import CRS, EAST, NORTH, write_elevation
from vinemap.evidence.gridded import layer_evidence
from vinemap.reading.ground_layers import GroundLayer
from vinemap.reading.vineyard import read_site

BOUNDS = (EAST, NORTH, EAST + 340.0, NORTH + 100.0)
NONE = np.zeros(0, int)


def _layer(values: xr.DataArray) -> GroundLayer:
    return GroundLayer("soil", "soil", "cm", "layers/soil.tif", values)


def _plane(cell: float = 10.0) -> xr.DataArray:
    """Return a plane: 1 a metre to the east, 2 a metre to the north, from 0 at the corner of the blocks."""
    x, y = np.arange(-60 + cell / 2, 400, cell), np.arange(160 - cell / 2, -60, -cell)
    grid = xr.DataArray(x + 2 * y[:, None], coords={"y": NORTH + y, "x": EAST + x}, dims=("y", "x"))
    return grid.astype("float32").rio.write_crs(CRS)


def test_a_plane_is_read_as_it_is() -> None:
    """Bilinear interpolation reads a plane exactly; fine cells are averaged to the surface's, which keeps a plane."""
    xy = np.random.default_rng(1).uniform((EAST, NORTH), (EAST + 340, NORTH + 100), (50, 2))
    wanted = (xy - (EAST, NORTH)) @ [1.0, 2.0]
    for cell in (10.0, 0.5):
        evidence = layer_evidence(_layer(_plane(cell)), pyproj.CRS(CRS), BOUNDS, 3.0)
        np.testing.assert_allclose(evidence.read(xy, NONE), wanted, atol=0.05)
    assert (evidence.name, evidence.label, evidence.unit, evidence.decimals) == ("layer.soil", "soil", "cm", 0)


def test_gaps_and_ground_beyond_the_edge_are_unknown() -> None:
    """A gap and what lies past the grid have no figure, and leave none to their neighbours but the known one."""
    grid = _plane()
    grid = grid.where((grid.x < EAST + 100) | (grid.x > EAST + 130)).isel(x=slice(None, 30))
    evidence = layer_evidence(_layer(grid), pyproj.CRS(CRS), BOUNDS, 3.0)
    xy = np.array([[EAST + 50, NORTH + 50], [EAST + 115, NORTH + 50], [EAST + 300, NORTH + 50]])
    found = evidence.read(xy, NONE)
    np.testing.assert_array_equal(np.isnan(found), [False, True, True])
    assert abs(found[0] - 150) < 0.1


def test_a_grid_in_degrees_gives_the_same_figures(folder: Path) -> None:
    """A layer warped to longitude and latitude is read within its cell of the one in metres (rasterio's warp)."""
    (folder / "layers").mkdir()
    source = folder / "source.tif"
    write_elevation(source)
    with rasterio.open(source) as grid:
        transform, width, height = calculate_default_transform(CRS, "EPSG:4326", grid.width, grid.height, *grid.bounds)
        warped = np.full((height, width), np.nan, "float32")
        reproject(
            grid.read(1), warped, src_transform=grid.transform, src_crs=CRS, dst_transform=transform,
            dst_crs="EPSG:4326", dst_nodata=np.nan, resampling=Resampling.bilinear,
        )  # fmt: skip
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": width, "height": height, "nodata": np.nan}
    with rasterio.open(folder / "layers/z.tif", "w", crs="EPSG:4326", transform=transform, **profile) as grid:
        grid.write(warped, 1)
    site = read_site(folder)
    evidence = layer_evidence(site.layers[0], site.crs, tuple(site.blocks.total_bounds), 3.0)
    xy = np.array([[EAST + 55.0, NORTH + 45.0], [EAST + 305.0, NORTH + 75.0]])
    np.testing.assert_allclose(evidence.read(xy, NONE), [30.0, 52.0], atol=1.0)
