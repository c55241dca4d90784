"""Hill shading."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.terrain.hillshade import hillshade


@pytest.mark.parametrize("azimuth", [0, 90, 180, 225, 315])
def test_hillshade_of_a_plane_is_the_cosine_law(azimuth: float) -> None:
    """Lambert's law (Horn 1981): light on a plane is the cosine between its normal and each lamp, weights summed."""
    north, east = np.mgrid[20:-20:-1.0, 0:40:1.0]
    slope = 0.55
    down = np.radians(azimuth)
    plane = 100 - slope * (east * np.sin(down) + north * np.cos(down))
    normal = np.array([slope * np.sin(down), slope * np.cos(down), 1]) / np.hypot(slope, 1)
    lamps = {315.0: 0.55, 270.0: 0.25, 0.0: 0.20}
    flat = np.sqrt(0.5)
    light = sum(
        weight * max(0.0, normal @ [flat * np.sin(np.radians(a)), flat * np.cos(np.radians(a)), flat])
        for a, weight in lamps.items()
    )
    np.testing.assert_allclose(hillshade(plane, 1.0)[8:-8, 8:-8], light, atol=1e-6)


def test_a_gap_in_the_elevation_stays_a_gap() -> None:
    """Light where the height is known, and nowhere else."""
    east, north = np.meshgrid(np.arange(40.0), np.arange(30.0))
    gap = np.where(east > 20, 200 + 0.1 * north, np.nan)
    assert np.array_equal(np.isnan(hillshade(gap, 3.0)), np.isnan(gap))
