"""The names of tiles: by the corner of each source, on both sides of the equator, Greenwich and the date line."""

from __future__ import annotations

import pytest

from vinemap.intake.elevation_tiles import Source, elevation_sources

GLO30, USGS = elevation_sources()["copernicus_glo30"], elevation_sources()["usgs_third"]


@pytest.mark.parametrize(
    ("source", "west", "south", "name"),
    [
        # The first of each: addresses that the sources publish (the bucket's readme; the USGS's staged products).
        (GLO30, 76, 35, "Copernicus_DSM_COG_10_N35_00_E076_00_DEM"),
        (USGS, -112, 40, "n41w112"),
        # By hand from there: the south-western corner, and the north-western one.
        (GLO30, 0, 0, "Copernicus_DSM_COG_10_N00_00_E000_00_DEM"),
        (GLO30, -1, -1, "Copernicus_DSM_COG_10_S01_00_W001_00_DEM"),
        (GLO30, -180, -42, "Copernicus_DSM_COG_10_S42_00_W180_00_DEM"),
        (GLO30, 179, -17, "Copernicus_DSM_COG_10_S17_00_E179_00_DEM"),
        (USGS, -77, 42, "n43w077"),
        (USGS, -1, -1, "n00w001"),
        (USGS, 0, -2, "s01e000"),
    ],
)
def test_a_square_degree_has_the_name_that_its_source_gives_it(
    source: Source, west: int, south: int, name: str
) -> None:
    """Hemisphere letters and numbers are those of the corner after which the source names its tiles."""
    assert source.tile(west, south).name == name


def test_addresses_are_those_that_the_sources_publish() -> None:
    """Host and path together are the two addresses of the task, letter for letter."""
    first, second = GLO30.tile(76, 35), USGS.tile(-112, 40)
    assert f"{GLO30.host}/{first.path}" == (
        "https://copernicus-dem-30m.s3.amazonaws.com/Copernicus_DSM_COG_10_N35_00_E076_00_DEM/"
        "Copernicus_DSM_COG_10_N35_00_E076_00_DEM.tif"
    )
    assert f"{USGS.host}/{second.path}" == (
        "https://prd-tnm.s3.amazonaws.com/StagedProducts/Elevation/13/TIFF/current/n41w112/USGS_13_n41w112.tif"
    )


@pytest.mark.parametrize(
    ("bounds", "corners"),
    [
        ((76.2, 35.2, 76.3, 35.3), [(76, 35)]),
        ((-0.01, -0.01, 0.01, 0.01), [(-1, -1), (0, -1), (-1, 0), (0, 0)]),
        ((179.99, -16.9, 180.01, -16.8), [(179, -17), (-180, -17)]),
        # The grid of the Copernicus tiles is moved by half a cell to the north-west: ground that ends right at a whole
        # degree may lie in the tile beyond it.
        ((8.5, 49.0 + 1e-5, 8.6, 49.2), [(8, 48), (8, 49)]),
        ((8.5, 49.1, 9.0 - 1e-5, 49.2), [(8, 49), (9, 49)]),
    ],
)
def test_ground_lies_in_these_tiles(bounds: tuple[float, float, float, float], corners: list[tuple[int, int]]) -> None:
    """Ground on a corner of square degrees takes four tiles, across the date line the two on its sides."""
    tiles = GLO30.tiles(bounds)
    assert [(tile.west, tile.south) for tile in tiles] == corners
    assert [tile.turn for tile in tiles] == [360 if bounds[2] > 180 and west < 0 else 0 for west, _ in corners]


def test_sources_are_asked_where_they_have_ground() -> None:
    """The United States' grid is asked for the Finger Lakes and not for the Palatinate; the world's grid everywhere."""
    finger_lakes, palatinate, fiji = (-76.9, 42.6, -76.8, 42.7), (8.1, 49.2, 8.2, 49.3), (179.9, -16.9, 180.1, -16.8)
    assert [USGS.may_cover(ground) for ground in (finger_lakes, palatinate, fiji)] == [True, False, False]
    assert all(GLO30.may_cover(ground) for ground in (finger_lakes, palatinate, fiji))


def test_every_source_states_what_it_asks_of_its_users() -> None:
    """Licence, attribution and caution are never empty, addresses are encrypted, and the unit is one that is read."""
    for source in elevation_sources().values():
        assert source.licence
        assert source.attribution
        assert source.caution
        assert source.host.startswith("https://")
        assert source.unit == "m"
        assert source.corner in ("north-west", "south-west")
