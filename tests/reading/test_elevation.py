"""The elevation grid: read in its own CRS, and checked against the blocks."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from matplotlib import cbook
from rasterio.transform import from_origin
from rasterio.warp import Resampling, calculate_default_transform, reproject

from tests.builders import CRS, EAST, NORTH, blocks, only_problem, samples, square, write_elevation
from vinemap.errors import Findings
from vinemap.reading.elevation import read_elevation
from vinemap.reading.geotiff import open_grid
from vinemap.reading.vineyard import read_vineyard, summary
from vinemap.settings import Settings


def test_heights_and_places(folder: Path) -> None:
    """Every cell keeps its height and its centre; the grid is float32, north up, with its CRS."""
    z = write_elevation(folder / "elevation.tif")
    elevation = read_vineyard(folder).site.elevation
    assert elevation is not None
    assert elevation.dims == ("y", "x")
    assert elevation.dtype == np.float32
    assert elevation.rio.crs.to_epsg() == 32618
    assert np.array_equal(elevation.to_numpy(), z)
    cell = elevation.sel(x=EAST + 55, y=NORTH + 45)
    # Column 15 and row 15 of cells of 10 m from (-100, 200).
    assert float(cell) == 30.0


def test_no_grid(folder: Path) -> None:
    """Without a grid there is none, and the summary says what that means."""
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is None
    assert "No elevation grid: the map goes by position and block alone." in summary(vineyard)


def test_large_grid_is_cut_to_the_neighbourhood(folder: Path) -> None:
    """A grid of a whole county is cut to 1 km around the blocks, cell for cell."""
    write_elevation(folder / "elevation.tif", left=-20_000, top=20_000, size=4000)
    elevation = read_vineyard(folder).site.elevation
    assert elevation is not None
    assert elevation.shape == pytest.approx((210, 234), abs=3)
    assert float(elevation.sel(x=EAST + 5, y=NORTH + 5)) == 2000 + 1999


def test_grid_with_south_on_top(folder: Path) -> None:
    """A grid stored from the south is turned north up."""
    z = write_elevation(folder / "elevation.tif", transform=rasterio.Affine(10, 0, EAST - 100, 0, 10, NORTH - 400))
    elevation = read_vineyard(folder).site.elevation
    assert elevation is not None
    assert (np.diff(elevation.y) < 0).all()
    assert np.array_equal(elevation.to_numpy(), z[::-1])


def test_other_crs_kinds_and_scales(folder: Path) -> None:
    """A grid in degrees, of integers with a scale and an offset, gives metres in degrees' places."""
    source = folder / "source.tif"
    write_elevation(source)
    with rasterio.open(source) as grid:
        transform, width, height = calculate_default_transform(CRS, "EPSG:4326", grid.width, grid.height, *grid.bounds)
        warped = np.full((height, width), -9999, "int16")
        reproject(
            grid.read(1) * 10, warped, src_transform=grid.transform, src_crs=CRS, dst_transform=transform,
            dst_crs="EPSG:4326", dst_nodata=-9999, resampling=Resampling.bilinear,
        )  # fmt: skip
    profile = {"driver": "GTiff", "dtype": "int16", "count": 1, "width": width, "height": height, "nodata": -9999}
    with rasterio.open(folder / "elevation.tif", "w", crs="EPSG:4326", transform=transform, **profile) as grid:
        grid.write(warped, 1)
        grid.scales, grid.offsets = (0.1,), (100.0,)
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    assert vineyard.warnings == ()
    centre = gpd.GeoSeries(gpd.points_from_xy([EAST + 55], [NORTH + 45]), crs=CRS).to_crs(4326).iloc[0]
    assert float(vineyard.site.elevation.sel(x=centre.x, y=centre.y, method="nearest")) == pytest.approx(130, abs=1)
    assert "arc seconds" in summary(vineyard)[3]
    assert "segundos de arco" in summary(vineyard)[3].said("es")


def test_partial_cover_is_a_warning(folder: Path) -> None:
    """Where the grid ends within the vineyard, the share that is missing is named, by block too."""
    write_elevation(folder / "elevation.tif", left=-610, size=70)
    # The grid ends 90 m into the first of three blocks of 100 m.
    assert read_vineyard(folder).warnings == (
        "elevation.tif does not cover 70 % of the blocks' ground: Ash (10 % missing), Birch (100 % missing), "
        "Cedar (100 % missing).",
    )


def test_gaps_inside_count_as_missing(folder: Path) -> None:
    """Cells without a height inside a block are ground that is not covered."""
    path = folder / "elevation.tif"
    z = write_elevation(path, nodata=-1.0)
    # Rows 10 to 19 hold the blocks; five of them lie in the northern half.
    z[10:15] = -1.0
    with rasterio.open(path, "r+") as grid:
        grid.write(z, 1)
    assert "does not cover 50 % of the blocks' ground: Ash (50 % missing)" in read_vineyard(folder).warnings[0]


def test_no_cover_is_a_problem(folder: Path) -> None:
    """A grid of another place, or of the place with no height in it, covers nothing."""
    write_elevation(folder / "elevation.tif", left=5000)
    words = "elevation.tif: the grid covers none of the blocks (100 % is missing); "
    assert only_problem(folder).startswith(words)
    path = folder / "elevation.tif"
    z = write_elevation(path, nodata=-1.0)
    with rasterio.open(path, "r+") as grid:
        grid.write(np.full_like(z, -1.0), 1)
    assert only_problem(folder).startswith(words)
    write_elevation(path, crs="EPSG:32755")
    assert only_problem(folder).startswith(words)


@pytest.mark.parametrize(
    ("profile", "words"),
    [
        ({"crs": None}, "the grid states no CRS"),
        ({"transform": rasterio.Affine(7, 7, EAST, 7, -7, NORTH)}, "the grid is turned against its axes"),
        ({"dtype": "complex64"}, "the grid holds no heights"),
    ],
)
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_grids_that_cannot_be_used(folder: Path, profile: dict[str, object], words: str) -> None:
    """No CRS, a turned grid and complex numbers are problems."""
    write_elevation(folder / "elevation.tif", **profile)
    assert only_problem(folder).startswith(f"elevation.tif: {words}")


def test_damaged_grid(folder: Path) -> None:
    """A truncated file and one that only begins like a TIFF are problems."""
    path = folder / "elevation.tif"
    write_elevation(path)
    path.write_bytes(path.read_bytes()[:3000])
    assert only_problem(folder) == "elevation.tif: the grid is damaged; export it again as a GeoTIFF"
    path.write_bytes(b"II*\x00junk")
    assert only_problem(folder) == "elevation.tif: the grid is damaged; export it again as a GeoTIFF"


def test_heights_that_no_land_has(folder: Path) -> None:
    """Gaps marked by a number that the file does not declare are taken as unknown, and named."""
    path = folder / "elevation.tif"
    z = write_elevation(path)
    z[:3] = -9999.0
    with rasterio.open(path, "r+") as grid:
        grid.write(z, 1)
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    assert np.isnan(vineyard.site.elevation[:3]).all()
    assert vineyard.warnings == (
        "elevation.tif: 180 of 3,600 cells hold heights that no land has, such as -9999; they were taken as unknown.",
    )


def test_feet_and_several_bands(folder: Path) -> None:
    """Heights stated in feet become metres (international foot, 0.3048 m exactly: 1959 agreement); band 1 is read."""
    path = folder / "elevation.tif"
    z = write_elevation(path, count=2)
    with rasterio.open(path, "r+") as grid:
        grid.units = ("ft", "ft")
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    assert vineyard.site.elevation.to_numpy() == pytest.approx(z * 0.3048)
    assert vineyard.warnings == (
        "elevation.tif has 2 bands; the first was read as elevation.",
        "elevation.tif states heights in feet; they were turned into metres.",
    )


def test_grid_without_blocks(tmp_path: Path) -> None:
    """Where the blocks cannot be read, the grid is still checked alone."""
    write_elevation(tmp_path / "elevation.tif", crs=None)
    findings = Findings()
    assert read_elevation(tmp_path, Settings(), None, findings) is None
    assert len(findings.problems) == 1


def test_a_real_grid(folder: Path) -> None:
    """A real elevation grid is read: SRTM heights of Jacksboro, Tennessee, that matplotlib ships, on its own place."""
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        z = data["elevation"].astype("float32")
        west, east, south, north = data["xmin"], data["xmax"], data["ymin"], data["ymax"]
    height, width = z.shape
    transform = from_origin(west, north, (east - west) / width, (north - south) / height)
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": width, "height": height}
    with rasterio.open(folder / "elevation.tif", "w", crs="EPSG:4326", transform=transform, **profile) as grid:
        grid.write(z, 1)
    centre = gpd.GeoSeries(gpd.points_from_xy([(west + east) / 2], [(south + north) / 2]), crs=4326)
    local = centre.to_crs(centre.estimate_utm_crs())
    ground = blocks().set_crs(local.crs, allow_override=True)
    ground.geometry = ground.translate(local.x.iloc[0] - EAST, local.y.iloc[0] - NORTH)
    (folder / "blocks.geojson").unlink()
    ground.to_file(folder / "blocks.gpkg")
    points = gpd.GeoDataFrame(
        {"sample": ["A1", "A2", "B1", "B2", "C1", "C2"]},
        geometry=[*ground.centroid, *ground.representative_point()],
        crs=local.crs,
    )
    (folder / "samples.csv").unlink()
    points.to_file(folder / "samples.gpkg")
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    (coarse,) = vineyard.warnings
    assert "cells of about 93 m" in coarse  # three arc seconds
    middle = z[height // 2 - 1 : height // 2 + 2, width // 2 - 1 : width // 2 + 2]
    at = float(vineyard.site.elevation.sel(x=centre.x.iloc[0], y=centre.y.iloc[0], method="nearest"))
    assert middle.min() <= at <= middle.max()


def test_outline_smaller_than_a_cell(folder: Path) -> None:
    """A block smaller than a cell still counts as covered."""
    ground = blocks()
    ground.loc[0, "geometry"] = square(42, 42, 3)
    (folder / "blocks.geojson").unlink()
    ground.to_file(folder / "blocks.gpkg")
    write_elevation(folder / "elevation.tif")
    warnings = read_vineyard(folder).warnings
    assert not any("elevation" in warning for warning in warnings)


@pytest.mark.parametrize(
    ("unit", "metres"),
    [
        *[(unit, 1200 / 3937) for unit in ("ftUS", "sfoot", "usft", "us-ft", "foot_us", "Feet (US)", "US survey foot")],
        *[(unit, 0.3048) for unit in ("Feet", "International foot")],
        ("cm", 0.01),
        ("Metres", 1.0),
    ],
)
def test_units_of_height(folder: Path, unit: str, metres: float) -> None:
    """Feet by any usual name become metres (US survey foot 1200 / 3937 m: NIST SP 811), and so do cm."""
    path = folder / "elevation.tif"
    z = write_elevation(path)
    with rasterio.open(path, "r+") as grid:
        grid.write(z + 20_000 * (unit == "cm"), 1)
        grid.units = (unit,)
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    assert vineyard.site.elevation.to_numpy() == pytest.approx((z + 20_000 * (unit == "cm")) * metres, rel=1e-6)
    assert len(vineyard.warnings) == (metres != 1.0)


def test_unit_of_height_that_the_crs_states(folder: Path) -> None:
    """A compound CRS with heights in US survey feet (EPSG:6360) counts where the band states none."""
    z = write_elevation(folder / "elevation.tif", crs="EPSG:32618+6360")
    elevation = read_vineyard(folder).site.elevation
    assert elevation is not None
    assert elevation.to_numpy() == pytest.approx(z * 1200 / 3937, rel=1e-6)


def test_unknown_unit_of_height(folder: Path) -> None:
    """Heights in a unit that is not known are refused, not taken as metres."""
    path = folder / "elevation.tif"
    write_elevation(path)
    with rasterio.open(path, "r+") as grid:
        grid.units = ("fathom",)
    assert only_problem(folder).startswith(
        "elevation.tif: states its heights in 'fathom', a unit that is not known here;"
    )


def test_crs_in_feet_without_a_unit_of_height(folder: Path) -> None:
    """A plane in US survey feet (EPSG:2261) suggests heights in feet: asked, not assumed. Its cells are told in metres.

    50 US survey feet of 1200 / 3937 m (NIST SP 811) are 15.24 m, and 50 feet.
    """
    path = folder / "elevation.tif"
    centre = gpd.GeoSeries(gpd.points_from_xy([EAST + 170], [NORTH + 50]), crs=CRS).to_crs(2261).iloc[0]
    z = write_elevation(path, crs="EPSG:2261", transform=from_origin(centre.x - 1500, centre.y + 1500, 50, 50))
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    assert np.array_equal(vineyard.site.elevation.to_numpy(), z)
    (said,) = vineyard.warnings
    assert "states no unit of height, and its CRS NAD83 / New York Central (ftUS) is in US survey foot." in said
    assert 'Are they feet? If so, set elevation_units = "ft" in vinemap.toml' in said
    assert "in cells of 15.2 m, " in summary(vineyard)[3]
    (folder / "vinemap.toml").write_text('units = "us"\nelevation_units = "ft"\n', encoding="utf-8")
    vineyard = read_vineyard(folder)
    assert vineyard.warnings == ()
    assert "in cells of 50 ft, 0 to 118 ft in and around the blocks." in summary(vineyard)[3]
    assert vineyard.site.elevation.to_numpy() == pytest.approx(z * 0.3048, rel=1e-6)


def _plane(folder: Path, grade: float, base: float, unit: str = "") -> None:
    """Write heights that rise to the north-east by a grade, on cells of 10 m."""
    z = write_elevation(folder / "elevation.tif")
    with rasterio.open(folder / "elevation.tif", "r+") as grid:
        # The builder's heights grow by 1 a cell to the east and to the south: by 0.1 √2 a metre along the slope.
        grid.write((base + z * grade / (0.1 * np.sqrt(2))).astype("float32"), 1)
        grid.units = (unit,)


def test_blocks_steeper_than_vineyards_are_asked_about(folder: Path) -> None:
    """Ground of 12 % in feet reads as 12 / 0.3048 = 39 %: asked where no unit is stated, and nowhere else."""
    _plane(folder, 0.12 / 0.3048, 300.0)
    (said,) = read_vineyard(folder).warnings
    assert "As metres the blocks slope by 39 %, as only few vineyards do; as feet by 12 %." in said
    _plane(folder, 0.12 / 0.3048, 300.0, "m")
    assert read_vineyard(folder).warnings == ()
    _plane(folder, 0.12, 300.0)
    assert read_vineyard(folder).warnings == ()


def test_blocks_higher_than_any_vineyard_are_asked_about(folder: Path) -> None:
    """Heights about 4,000 with no unit: no vineyard lies at 4,000 m, while 4,000 ft are 1,219 m."""
    _plane(folder, 0.02, 4000.0)
    (said,) = read_vineyard(folder).warnings
    assert "which is higher than any vineyard; as feet they are 1,2" in said


@pytest.mark.parametrize("as_gpx", [True, False])
def test_heights_of_the_samples_are_held_against_the_grid(folder: Path, as_gpx: bool) -> None:
    """Points at 150 m on a grid of 500 with no unit: in feet that is 152 m, and is asked; on one of 160 nothing is.

    GPX 1.1 gives ``ele`` in metres; a layer of points may have a third coordinate.
    """
    (folder / "samples.csv").unlink()
    points = samples().to_crs(4326)
    if as_gpx:
        waypoints = points.rename(columns={"sample": "name"}).assign(ele=150.0)
        waypoints.to_file(folder / "samples.gpx", driver="GPX", layer="waypoints")
    else:
        points.geometry = shapely.force_3d(points.geometry.to_numpy(), 150.0)
        points.to_file(folder / "samples.gpkg")
    _plane(folder, 0.02, 495.0)
    (said,) = read_vineyard(folder).warnings
    assert "where the samples' own are about 150 m; as feet they are 15" in said
    _plane(folder, 0.02, 150.0)
    assert read_vineyard(folder).warnings == ()


def test_the_settings_decide_the_unit_of_height(folder: Path) -> None:
    """Where the file states another unit than the settings, the settings' is taken and the note says so."""
    _plane(folder, 0.02, 300.0, "m")
    (folder / "vinemap.toml").write_text('elevation_units = "ft"\n', encoding="utf-8")
    vineyard = read_vineyard(folder)
    assert vineyard.site.elevation is not None
    assert 80 < float(vineyard.site.elevation.max()) < 110
    (said,) = vineyard.warnings
    assert said == (
        "elevation.tif states heights in 'm'; they were taken in feet, as elevation_units in vinemap.toml has it."
    )


def test_many_zeros_are_asked_about(folder: Path) -> None:
    """Heights of exactly 0 on a tenth of the ground are named where no value is declared for gaps, and only there."""
    path = folder / "elevation.tif"
    z = write_elevation(path) + 200
    z[:6] = 0.0
    with rasterio.open(path, "r+") as grid:
        grid.write(z, 1)
    (said,) = read_vineyard(folder).warnings
    assert said.startswith(
        "elevation.tif: 10 % of its heights in and around the blocks are exactly 0, and it declares no"
    )
    with rasterio.open(path, "r+") as grid:
        grid.nodata = -1.0
    assert read_vineyard(folder).warnings == ()


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_what_lies_beside_a_grid_is_read_as_gdal_reads_it(folder: Path) -> None:
    """Place, CRS, gaps, scale and unit from .aux.xml and .tfw are those that GDAL itself takes from them."""
    path = folder / "elevation.tif"
    # None: an identity that is written out would be a place, and GDAL would take it before the world file's.
    write_elevation(path, crs=None, transform=None)
    # ESRI world file: cell, turn, turn, cell, centre of the first cell.
    (folder / "elevation.tfw").write_text(f"10\n0\n0\n-10\n{EAST - 95}\n{NORTH + 195}\n")
    band = "<NoDataValue>7</NoDataValue><UnitType>ft</UnitType><Offset>100</Offset><Scale>2</Scale>"
    notes = f'<PAMDataset><SRS>{CRS}</SRS><PAMRasterBand band="1">{band}</PAMRasterBand></PAMDataset>'
    (folder / "elevation.tif.aux.xml").write_text(notes)
    with rasterio.open(path) as peer:
        assert (peer.crs, peer.nodata, peer.scales, peer.offsets, peer.units) == (CRS, 7, (2,), (100,), ("ft",))
        place, wanted = peer.transform, (2 * peer.read(1, masked=True).astype(float) + 100).filled(np.nan)
    with open_grid(path) as grid:
        assert (grid.crs.to_string(), grid.transform, grid.unit, grid.gaps_declared) == (CRS, place, "ft", True)
        np.testing.assert_allclose(grid.read().to_numpy(), wanted)
    (folder / "elevation.tif.aux.xml").write_text(
        notes.replace("</SRS>", "</SRS><GeoTransform>1,2,0,3,0,-2</GeoTransform>")
    )
    with rasterio.open(path) as peer, open_grid(path) as grid:
        assert grid.transform == peer.transform == rasterio.Affine(2, 0, 1, 0, -2, 3)


def test_a_grid_of_too_many_cells(folder: Path) -> None:
    """A few bytes may stand for any number of cells: a part of too many is refused before any of it is read."""
    path = folder / "elevation.tif"
    shape = {"height": 60_000, "width": 60_000, "transform": from_origin(EAST - 300, NORTH + 300, 0.01, 0.01)}
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": CRS, "tiled": True, "SPARSE_OK": True}
    with rasterio.open(path, "w", **profile, **shape):
        pass
    assert path.stat().st_size < 2_000_000
    assert only_problem(folder) == (
        "elevation.tif: has 3,600,000,000 cells in and around the blocks, and at most 50,000,000 are read; resample it "
        "to cells 8.5 times as wide"
    )


def test_a_grid_in_pieces_of_too_many_cells(folder: Path) -> None:
    """A part of a grid is read piece by piece, and a piece that fills the memory is refused."""
    path = folder / "elevation.tif"
    shape = {"height": 16_384, "width": 16_384, "blockxsize": 16_384, "blockysize": 16_384}
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": CRS, "compress": "deflate", "SPARSE_OK": True}
    with rasterio.open(path, "w", tiled=True, transform=from_origin(EAST, NORTH, 0.1, 0.1), **profile, **shape):
        pass
    assert only_problem(folder).startswith("elevation.tif: is stored in pieces too large")


def test_a_grid_of_another_planet(folder: Path) -> None:
    """Heights of Mars (IAU 2015:49900) have no place on the earth."""
    write_elevation(folder / "elevation.tif", crs=rasterio.crs.CRS.from_user_input("IAU_2015:49900"))
    assert "is not of the earth" in only_problem(folder)
