"""Terrain figures on surfaces with known answers."""

from __future__ import annotations

import matplotlib.cbook
import numpy as np
import pytest
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
import xrspatial
from pyproj import CRS, Transformer
from scipy.stats import norm

from vinemap.sentences import languages
from vinemap.terrain.layers import COVARIATES, gradient, height_above_low, off_mid_slope, terrain_layers

UTM = CRS("EPSG:32618")


def _grid(
    z: np.ndarray, cell: float, crs: str = "EPSG:32618", corner: tuple[float, float] = (5e5, 4.7e6)
) -> xr.DataArray:
    ny, nx = z.shape
    x = corner[0] + cell * (np.arange(nx) + 0.5)
    y = corner[1] + cell * (ny - 0.5 - np.arange(ny))
    return xr.DataArray(z.astype(np.float32), coords={"y": y, "x": x}, dims=("y", "x")).rio.write_crs(crs)


def _axes(n: int, cell: float) -> tuple[np.ndarray, np.ndarray]:
    steps = cell * (np.arange(n) - (n - 1) / 2)
    east, south = np.meshgrid(steps, steps)
    return east, -south


def test_gradient_of_a_plane_is_exact() -> None:
    """Horn's differences (Proc. IEEE 69 (1981) 14) give a plane's slope everywhere but the border."""
    east, north = _axes(40, 5.0)
    across, up = gradient(0.03 * east - 0.07 * north, 5.0)
    np.testing.assert_allclose(across[1:-1, 1:-1], 0.03, atol=1e-12)
    np.testing.assert_allclose(up[1:-1, 1:-1], -0.07, atol=1e-12)


def test_gradient_of_a_paraboloid_is_exact() -> None:
    """Central differences have no error on a quadratic: the analytic gradient, cell by cell."""
    east, north = _axes(41, 5.0)
    across, up = gradient(0.001 * east**2 + 0.002 * north**2, 5.0)
    np.testing.assert_allclose(across[1:-1, 1:-1], 0.002 * east[1:-1, 1:-1], atol=1e-10)
    np.testing.assert_allclose(up[1:-1, 1:-1], 0.004 * north[1:-1, 1:-1], atol=1e-10)


def test_gradient_of_a_cone_is_its_steepness() -> None:
    """A cone of 20 % is 20 % steep at every cell some way from its tip."""
    east, north = _axes(81, 5.0)
    radius = np.hypot(east, north)
    across, up = gradient(0.2 * radius, 5.0)
    away = (radius > 50) & (np.abs(east) < 190) & (np.abs(north) < 190)
    np.testing.assert_allclose(np.hypot(across, up)[away], 0.2, rtol=4e-3)


def test_slope_agrees_with_xarray_spatial() -> None:
    """On rough ground the slope is xarray-spatial's (Horn's method), away from the border."""
    z = np.random.default_rng(0).normal(0, 3, (30, 30))
    grid = _grid(z, 5.0)
    grid.attrs["res"] = (5.0, 5.0)
    steepness = np.hypot(*gradient(grid.to_numpy().astype(float), 5.0))
    peer = xrspatial.slope(grid).to_numpy()
    np.testing.assert_allclose(np.degrees(np.arctan(steepness))[1:-1, 1:-1], peer[1:-1, 1:-1], atol=1e-4)


def test_height_above_a_valley_floor() -> None:
    """In a straight V-shaped valley the height near the floor is the height above its thread (Nobre et al. 2011)."""
    east, _ = _axes(121, 5.0)
    height = height_above_low(0.1 * np.abs(east), 5.0, 150.0)
    near = np.abs(east) <= 60
    np.testing.assert_allclose(height[near], 0.1 * np.abs(east)[near], atol=0.6)
    assert height.min() >= 0


def test_a_plateau_has_no_height_above_itself() -> None:
    """Level ground is its own low ground."""
    np.testing.assert_allclose(height_above_low(np.full((50, 50), 212.0), 5.0, 150.0), 0.0, atol=1e-9)


def test_facing_and_slope_of_a_hillside() -> None:
    """A 10 % hillside that falls to the north faces north, at atan(0.1) from the horizontal."""
    _, north = _axes(120, 5.0)
    terrain = terrain_layers(_grid(200 - 0.1 * north, 5.0), UTM, (500_200, 4_700_200, 500_400, 4_700_400))
    inner = terrain.isel(x=slice(30, 90), y=slice(30, 90))
    np.testing.assert_allclose(inner["slope_deg"], np.degrees(np.arctan(0.1)), atol=1e-3)
    np.testing.assert_allclose(inner["northness"], np.sin(np.arctan(0.1)), atol=1e-4)
    np.testing.assert_allclose(inner["eastness"], 0.0, atol=1e-4)


def test_low_ground_is_looked_for_within_150_and_400_m() -> None:
    """On an even hillside of 5 % the lowest ground within so many metres is 5 % of them lower, smoothed or not.

    A pool 4 m deep, or one 8 m deep, has lost all but 1/e of its cold at its depth.
    """
    steps = 5 * (np.arange(700) - 349.5)
    hillside = np.broadcast_to(400 - 0.05 * steps, (80, 700))  # filters reach 550 + 1,100 m, and no farther
    terrain = terrain_layers(_grid(hillside, 5.0), UTM, (500_600, 4_700_100, 502_900, 4_700_300))
    middle = terrain.sel(x=501_750, y=4_700_200, method="nearest")
    for name, within in (("100", 100), ("250", 250), ("325", 325), ("550", 550)):
        assert float(middle[f"height_above_{name}_m"]) == pytest.approx(0.05 * within, rel=1e-2)
    assert float(middle["height_above_low_m"]) == pytest.approx(0.05 * 150, rel=1e-3)
    assert float(middle["height_above_basin_m"]) == pytest.approx(0.05 * 400, rel=5e-3)
    assert float(middle["pool"]) == pytest.approx(np.exp(-7.5 / 4), rel=1e-2)
    assert float(middle["pool_550"]) == pytest.approx(np.exp(-0.05 * 550 / 8), rel=2e-2)
    assert float(middle["rise_m"]) == pytest.approx(0, abs=1e-3)


def test_level_ground_is_as_broad_as_it_is() -> None:
    """A plateau wider than 100 m is flat whatever its height, a narrow ledge of the same slope hardly; by hand:
    mean slope under a normal weight of 50 m, on ground of 0 % for |x| < half its width and of 20 % beyond.
    """
    east, _ = _axes(240, 5.0)
    for width, low, high in ((600.0, 0.9, 1.0), (40.0, 0.0, 0.02)):
        z = 300 - 0.2 * np.maximum(np.abs(east) - width / 2, 0.0)
        terrain = terrain_layers(_grid(z, 5.0), UTM, (500_500, 4_700_500, 500_700, 4_700_700))
        middle = terrain.sel(x=500_600, y=4_700_600, method="nearest")
        assert low <= float(middle["flat"]) <= high
        assert float(middle["slope_deg"]) < 1.0
    around = float(np.tan(np.radians(middle["slope_around_deg"])))
    assert around == pytest.approx(0.2 * 2 * norm.sf(20, scale=50), rel=0.1)


def test_foot_and_crest_are_off_the_middle_of_the_slope() -> None:
    """On long even waves half way up is 0, foot and crest are the same and near 1, and level ground is 0."""
    east, _ = _axes(300, 5.0)
    wave = 200 + 10 * np.sin(2 * np.pi * east / 750)
    terrain = terrain_layers(_grid(wave, 5.0), UTM, (500_300, 4_700_300, 501_200, 4_701_200))
    line = terrain["off_mid_slope"].sel(y=4_700_750, method="nearest")
    foot, half, crest = (float(line.sel(x=500_750 + x, method="nearest")) for x in (-187.5, 0.0, 187.5))
    assert half < 0.1
    assert foot == pytest.approx(crest, abs=0.05)
    assert foot > 0.8
    np.testing.assert_allclose(off_mid_slope(np.zeros(2), np.zeros(2)), 0.0)
    assert off_mid_slope(np.array([9.0]), np.array([0.0]))[0] == pytest.approx(9 / 9.5)


def test_exposure_is_over_the_mean_ground_within_400_m() -> None:
    """On a ridge of z = -a x² the mean under a normal weight of 200 m lies a 200² below the crest."""
    steps = 5 * (np.arange(500) - 249.5)
    ridge = np.broadcast_to(500 - 0.0004 * steps**2, (80, 500))
    terrain = terrain_layers(_grid(ridge, 5.0), UTM, (500_600, 4_700_100, 501_900, 4_700_300))
    crest = float(terrain["exposure_m"].sel(x=501_250, y=4_700_200, method="nearest"))
    assert crest == pytest.approx(0.0004 * 200**2, rel=0.02)


def test_low_ground_is_smoothed_over_half_its_radius() -> None:
    """Beside a cliff the low ground rises as a normal distribution does, of half the radius, around the radius."""
    east = 5 * (np.arange(400) - 99.5)
    height = height_above_low(np.broadcast_to(np.where(east < 0, 0.0, 10.0), (3, 400)), 5.0, 150.0)[1]
    upper = east > 0
    expected = 10 * norm.cdf(150 - east, scale=75)
    np.testing.assert_allclose(height[upper], expected[upper], atol=0.02)


def test_rise_is_over_the_mean_ground_within_150_m() -> None:
    """In a valley of z = a x² the mean under a normal weight of 75 m, two of which are 150 m, is a x² + a 75²."""
    steps = 5 * (np.arange(240) - 119.5)
    valley = np.broadcast_to(100 + 0.001 * steps**2, (80, 240))
    terrain = terrain_layers(_grid(valley, 5.0), UTM, (500_500, 4_700_100, 500_700, 4_700_300))
    floor = terrain["rise_m"].sel(x=slice(500_550, 500_650)).sel(y=4_700_200, method="nearest")
    np.testing.assert_allclose(floor, -0.001 * 75**2, rtol=0.01)


@pytest.mark.parametrize("cell", [1.0, 5.0, 10.0, 30.0])
def test_resolution_of_the_grid_hardly_matters(cell: float) -> None:
    """The same smooth hollow gives the same height above low ground whether it comes in 1 m or in 30 m cells."""
    n = round(900 / cell)
    east, north = _axes(n, cell)
    z = 200 - 8 * np.exp(-(east**2 + north**2) / (2 * 120**2))
    terrain = terrain_layers(_grid(z, cell), UTM, (500_350, 4_700_350, 500_550, 4_700_550))
    floor = float(terrain["height_above_low_m"].sel(x=500_450, y=4_700_450, method="nearest"))
    side = float(terrain["height_above_low_m"].sel(x=500_570, y=4_700_450, method="nearest"))
    assert floor == pytest.approx(0.0, abs=0.4)
    assert side == pytest.approx(8 * (1 - np.exp(-0.5)), abs=1.0)


def test_ground_beyond_the_blocks_counts() -> None:
    """A hollow just outside the blocks is low ground for them: the blocks' edge is no wall."""
    east, north = _axes(200, 5.0)
    z = 200 - 10 * np.exp(-((east + 150) ** 2 + north**2) / (2 * 60**2))
    bounds = (500_450, 4_700_450, 500_550, 4_700_550)
    terrain = terrain_layers(_grid(z, 5.0), UTM, bounds)
    inside = terrain.sel(x=slice(500_450, 500_470), y=slice(4_700_510, 4_700_490))
    assert float(inside["height_above_low_m"].mean()) > 3


def test_elevation_in_degrees_is_brought_to_metres() -> None:
    """An elevation grid in longitude and latitude gives the slope that the metric one gives."""
    step = 5e-5
    lon = -75 + step * (np.arange(220) + 0.5)
    lat = 42.45 - step * (np.arange(220) + 0.5)
    z = np.tile(200 + (lon - lon[0]) * 111_320 * np.cos(np.radians(42.445)) * 0.05, (220, 1)).astype(np.float32)
    grid = xr.DataArray(z, coords={"y": lat, "x": lon}, dims=("y", "x")).rio.write_crs("EPSG:4326")
    terrain = terrain_layers(grid, UTM, (500_300, 4_699_200, 500_600, 4_699_600))
    inner = terrain.sel(x=slice(500_300, 500_600), y=slice(4_699_600, 4_699_200))
    np.testing.assert_allclose(inner["slope_deg"].mean(), np.degrees(np.arctan(0.05)), rtol=0.01)


def test_cells_of_an_arc_second_give_slopes_without_stairs() -> None:
    """From cells of about 30 m, slope on a surface of known form is right, and runs as smoothly as the form itself.

    Hollows 220 to 500 m across, as cold air fills them. Read straight between four centres, which leaves creases,
    slopes would be wrong by 0.5 degrees, and by up to 1.1; of the 0.3 below the smoothing over 10 m alone takes 0.23.
    """
    step = 1 / 3600
    left, bottom = Transformer.from_crs(UTM, 4326, always_xy=True).transform(5e5 - 1500, 4.8e6 - 1500)
    lon, lat = left + step * np.arange(140), bottom + step * np.arange(100)[::-1]
    east, north = Transformer.from_crs(4326, UTM, always_xy=True).transform(*np.meshgrid(lon, lat))
    coarse = xr.DataArray(_hollows(east, north).astype("float32"), coords={"y": lat, "x": lon}, dims=("y", "x"))
    found = terrain_layers(coarse.rio.write_crs(4326), UTM, (5e5 - 400, 4.8e6 - 400, 5e5 + 400, 4.8e6 + 400))
    inner = found.isel(x=slice(60, -60), y=slice(60, -60))
    x, y = np.meshgrid(inner.x, inner.y)
    across, up = ((_hollows(x + a, y + b) - _hollows(x - a, y - b)) / 0.2 for a, b in ((0.1, 0), (0, 0.1)))
    true = np.degrees(np.arctan(np.hypot(across, up)))
    off = inner.slope_deg.to_numpy() - true
    assert np.sqrt((off**2).mean()) < 0.3
    assert np.abs(off).max() < 0.65
    assert np.abs(inner.elevation_m.to_numpy() - _hollows(x, y)).max() < 0.1
    bends = [np.abs(np.diff(slope, 2, axis=1)).max() for slope in (inner.slope_deg.to_numpy(), true)]
    assert bends[0] < bends[1]


def _hollows(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    east, north = 2 * np.pi * (x - 5e5), 2 * np.pi * (y - 4.8e6)
    return 200 + 0.03 * (x - 5e5) + 12 * np.sin(east / 400) * np.cos(north / 500) + 4 * np.sin(north / 220)


def test_holes_in_the_grid_do_not_spread() -> None:
    """Cells without an elevation take their neighbours': no layer is without a value."""
    east, _ = _axes(120, 5.0)
    z = 200 + 0.05 * east
    z[40:50, 40:50] = np.nan
    terrain = terrain_layers(_grid(z, 5.0), UTM, (500_200, 4_700_200, 500_400, 4_700_400))
    assert all(np.isfinite(terrain[c.name]).all() for c in COVARIATES)


def test_a_real_elevation_grid() -> None:
    """matplotlib's sample of the Jacksboro fault (USGS data) gives plausible layers with no gap."""
    sample = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")
    z, (xmin, dx), (ymax, dy) = sample["elevation"], sample_axis(sample, "x"), sample_axis(sample, "y")
    lon, lat = xmin + dx * np.arange(z.shape[1]), ymax - dy * np.arange(z.shape[0])
    grid = xr.DataArray(z.astype(np.float32), coords={"y": lat, "x": lon}, dims=("y", "x")).rio.write_crs("EPSG:4326")
    utm = CRS("EPSG:32616")
    left, bottom, right, top = grid.rio.transform_bounds(utm)
    east, north = (left + right) / 2, (bottom + top) / 2
    terrain = terrain_layers(grid, utm, (east - 500, north - 500, east + 500, north + 500))
    assert float(terrain["elevation_m"].min()) >= z.min() - 1
    assert float(terrain["elevation_m"].max()) <= z.max() + 1
    assert 0 < float(terrain["slope_deg"].mean()) < 45
    assert all(np.isfinite(terrain[c.name]).all() for c in COVARIATES)


def sample_axis(sample: np.lib.npyio.NpzFile, axis: str) -> tuple[float, float]:
    """Start and step of an axis of the Jacksboro sample, in degrees."""
    if axis == "x":
        return float(sample["xmin"]), float(sample["dx"])
    return float(sample["ymax"]), float(sample["dy"])


def test_every_terrain_figure_has_its_words() -> None:
    """A figure that the model may find to matter can be said in every language."""
    for language, words in languages().items():
        keys = [f"page.covariate.{one.name}" for one in COVARIATES]
        keys += [f"page.readout.{one.shown or one.name}" for one in COVARIATES]
        assert not set(keys) - set(words), language
