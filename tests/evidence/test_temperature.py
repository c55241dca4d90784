"""The minimum of the night over a vineyard, from loggers and terrain."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from pyproj import CRS
from rasterio.transform import from_origin

from tests.builders import EAST, NORTH, square
from vinemap.evidence.temperature import NightTemperature, night_sentences
from vinemap.settings import Settings
from vinemap.terrain.grid import block_grid
from vinemap.terrain.layers import terrain_layers

UTM = CRS.from_epsg(32618)


def ground() -> tuple[gpd.GeoDataFrame, xr.Dataset, xr.Dataset]:
    """Return a block of 9 ha across a valley 12 m deep, its grid and its terrain."""
    blocks = gpd.GeoDataFrame({"block": ["Valley"]}, geometry=[square(0, 0, 300)], crs=UTM)
    x = EAST - 500 + 10 * np.arange(130) + 5
    y = NORTH + 800 - 10 * np.arange(130) - 5
    z = 200 - 12 * np.exp(-(((x - EAST - 80) / 60) ** 2)) * np.ones((130, 1))
    elevation = xr.DataArray(z.astype(np.float32), coords={"y": y, "x": x}, dims=("y", "x")).rio.write_crs(UTM)
    elevation = elevation.rio.write_transform(from_origin(EAST - 500, NORTH + 800, 10, 10))
    return blocks, block_grid(blocks, 10.0), terrain_layers(elevation, UTM, tuple(blocks.total_bounds))


def hung(minima: list[float], heights: float | list[float] = 1.5, step: float = 40.0) -> gpd.GeoDataFrame:
    """Return loggers across the valley, from its foot at 80 m."""
    places = gpd.points_from_xy(EAST + 80 + step * np.arange(len(minima)), NORTH + 60 + 30 * np.arange(len(minima)))
    columns = {"logger": list("abcdefgh")[: len(minima)], "min_c": minima, "height_m": heights}
    return gpd.GeoDataFrame(columns, geometry=places, crs=UTM)


COLD_LOW = [-26.0, -24.0, -21.5, -20.2, -20.0, -20.1]


def test_cold_that_lay_low_is_found_and_told() -> None:
    """By a hollow 6 °C colder the foot of the valley is cold along all its length, and the page says so."""
    _, grid, terrain = ground()
    night = NightTemperature(hung(COLD_LOW), grid, terrain)
    mean, sd = night.at(np.array([[EAST + 80, NORTH + 280], [EAST + 280, NORTH + 20]]))
    assert mean[0] < mean[1] - 2.5
    assert (sd < 2.5).all()
    assert night.lie is not None
    assert night.lie.key == "low"
    said = night_sentences(night, Settings())
    assert said[0] == "6 temperature loggers had -26.0 °C to -20.0 °C in the coldest hour of the night."
    assert said[1].startswith("Cold lay low that night: by the loggers the lowest ground was ")
    figures = [float(word) for word in str(said[1]).replace("(", "").replace(")", "").split() if word[0].isdigit()]
    assert figures[1] < figures[0] < figures[2]
    assert "°F" in night_sentences(night, Settings(units="us"))[1]


def test_a_windy_night_is_told_as_one() -> None:
    """Where the crest was coldest, cold did not lie low."""
    _, grid, terrain = ground()
    night = NightTemperature(hung([-14.0, -15.0, -17.8, -19.0, -19.2, -19.1]), grid, terrain)
    assert night.lie is not None
    assert night.lie.key == "high"
    assert night_sentences(night, Settings())[1].startswith("Cold did not lie low that night")


def test_loggers_that_agree_tell_nothing() -> None:
    """An even night leaves open where cold lay, and its surface is flat to within their error."""
    _, grid, terrain = ground()
    night = NightTemperature(hung([-18.1, -17.9, -18.0, -18.2, -17.9, -18.0]), grid, terrain)
    assert night.lie is not None
    assert night.lie.key == "open"
    xy = np.column_stack([EAST + np.linspace(10, 290, 50), np.full(50, NORTH + 150)])
    assert np.ptp(night.mean(xy)) < 0.5


def test_without_terrain_it_is_a_field_alone() -> None:
    """It goes by position, says nothing of low ground, and is the less certain the farther off."""
    _, grid, _ = ground()
    night = NightTemperature(hung(COLD_LOW), grid, None)
    assert night.lie is None
    assert len(night_sentences(night, Settings())) == 1
    mean, sd = night.at(np.array([[EAST + 80, NORTH + 60], [EAST + 290, NORTH + 10]]))
    assert mean[0] == pytest.approx(-26.0, abs=1.0)
    assert sd[0] < sd[1]


def test_a_sensor_high_above_the_buds_is_trusted_less() -> None:
    """At 10 m above the ground a reading moves the surface less than at the height of the buds."""
    _, grid, terrain = ground()
    xy = np.array([[EAST + 80, NORTH + 60]])
    near, high = (NightTemperature(hung([-26, -20, -20, -20], [h, 1, 1, 1], 70), grid, terrain) for h in (1, 10))
    assert near.mean(xy)[0] < high.mean(xy)[0] - 0.5
    assert near.at(xy)[1][0] < high.at(xy)[1][0]


def test_two_loggers_are_too_few() -> None:
    """Two places make no surface."""
    _, grid, terrain = ground()
    with pytest.raises(ValueError, match="2 loggers tell no surface; it takes 3"):
        NightTemperature(hung([-20.0, -22.0]), grid, terrain)


def test_the_evidence_reads_the_mean_and_its_slope_points_to_the_cold() -> None:
    """More injury where it was colder: a negative coefficient a degree; the coldest end is named first."""
    _, grid, terrain = ground()
    night = NightTemperature(hung(COLD_LOW), grid, terrain)
    evidence = night.evidence(1.25, 0.3)
    xy = np.array([[EAST + 100.0, NORTH + 100.0]])
    assert evidence.read(xy, np.zeros(1, int)) == pytest.approx(night.mean(xy))
    assert (evidence.mean, evidence.sd, evidence.step) == (-1.25, 0.3, -1.0)
    assert isinstance(night.loggers, pd.DataFrame)
