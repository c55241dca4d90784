"""Blocks and samples in one metric CRS, and blocks too far away for one map."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from pyproj import Geod
from shapely.geometry import MultiPolygon, Polygon

from tests.builders import only_problem
from vinemap.errors import Findings
from vinemap.reading.metric import metric_crs, refuse_strays
from vinemap.reading.vineyard import Vineyard, read_vineyard
from vinemap.settings import Settings


def lonlat_square(lon: float, lat: float, side: float = 0.002) -> Polygon:
    half = side / 2
    return Polygon(
        [(lon - half, lat - half), (lon + half, lat - half), (lon + half, lat + half), (lon - half, lat + half)]
    )


def located(*shapes: Polygon | MultiPolygon) -> gpd.GeoDataFrame:
    names = [f"b{i}" for i in range(len(shapes))]
    return gpd.GeoDataFrame({"block": names, "file": "blocks.geojson", "row": 2}, geometry=list(shapes), crs=4326)


def zone(*shapes: Polygon | MultiPolygon) -> str:
    findings = Findings()
    crs = metric_crs(located(*shapes), Settings(), findings)
    assert crs is not None
    return f"EPSG:{crs.to_epsg()}"


@pytest.mark.parametrize(
    ("lon", "lat"), [(-77.3, 43.1), (7.6, 47.9), (138.9, -34.5), (-68.9, -33.0), (5.5, 60.5), (174.8, -41.3)]
)
def test_utm_zone_as_geopandas_estimates_it(lon: float, lat: float) -> None:
    """Away from borders the zone is the one that geopandas estimates, in both hemispheres and in Norway's wide zone."""
    shape = lonlat_square(lon, lat)
    assert zone(shape) == f"EPSG:{gpd.GeoSeries([shape], crs=4326).estimate_utm_crs().to_epsg()}"


def test_utm_zone_by_its_formula() -> None:
    """Zone = floor((lon + 180) / 6) + 1, EPSG 326zz north and 327zz south (EPSG registry)."""
    for lon in range(-177, 180, 30):
        number = (lon + 180) // 6 + 1
        assert zone(lonlat_square(lon + 0.5, 40.0)) == f"EPSG:326{number:02d}"
        assert zone(lonlat_square(lon + 0.5, -40.0)) == f"EPSG:327{number:02d}"


def vineyard_at(folder: Path, *shapes: Polygon | MultiPolygon, points: list[tuple[float, float]]) -> Vineyard:
    """Read a vineyard with these blocks and points in longitude and latitude."""
    located(*shapes)[["block", "geometry"]].to_file(folder / "blocks.geojson", driver="GeoJSON")
    rows = "".join(f"s{i},{lon},{lat}\n" for i, (lon, lat) in enumerate(points))
    (folder / "samples.csv").write_text(f"sample,lon,lat\n{rows}")
    buds = "".join(f"s{i},4,1\n" for i in range(len(points)))
    (folder / "buds.csv").write_text(f"sample,nodes,primary_dead\n{buds}")
    return read_vineyard(folder)


@pytest.mark.parametrize(
    ("lon", "lat"),
    [(-78.0, 43.2), (-75.0, 43.2), (138.9, -34.5), (0.0, 0.0), (12.0, -0.0005)],
    ids=["zone border", "zone middle", "southern hemisphere", "zero", "equator"],
)
def test_area_and_distance_on_the_ellipsoid(tmp_path: Path, lon: float, lat: float) -> None:
    """Areas agree with the geodesic area (pyproj.Geod, Karney 2013) to UTM's own 0.2 %, distances to 0.1 %."""
    shape = lonlat_square(lon, lat)
    outside = (lon + 0.00105, lat)
    vineyard = vineyard_at(tmp_path, shape, points=[(lon, lat), outside])
    geod = Geod(ellps="WGS84")
    true_ha = abs(geod.geometry_area_perimeter(shape)[0]) / 1e4
    assert vineyard.site.blocks["area_ha"].iloc[0] == pytest.approx(true_ha, rel=2e-3)
    true_m = geod.inv(lon + 0.001, lat, *outside)[2]
    assert vineyard.samples["distance_m"].to_numpy() == pytest.approx([0.0, true_m], rel=1e-3, abs=1e-3)
    assert list(vineyard.samples["block"]) == ["b0", "b0"]


def test_vineyard_across_a_zone_border(tmp_path: Path) -> None:
    """Blocks of two UTM zones are worked in the zone of their centre, and lie as far apart as on the ellipsoid."""
    west, east = lonlat_square(-78.01, 43.2), lonlat_square(-77.985, 43.2)
    vineyard = vineyard_at(tmp_path, west, east, points=[(-78.01, 43.2), (-77.985, 43.2)])
    assert vineyard.site.crs.to_epsg() in (32617, 32618)
    assert list(vineyard.samples["block"]) == ["b0", "b1"]
    first, second = vineyard.samples.geometry
    assert first.distance(second) == pytest.approx(Geod(ellps="WGS84").inv(-78.01, 43.2, -77.985, 43.2)[2], rel=1e-3)


def test_vineyard_across_the_date_line(tmp_path: Path) -> None:
    """A block cut at the date line (RFC 7946 §3.1.9), one on each side, and one drawn across it come out whole."""
    lat = -16.5
    cut = MultiPolygon([lonlat_square(179.999, lat), lonlat_square(-179.999, lat)])
    shapes = (cut, lonlat_square(179.99, lat), lonlat_square(-179.99, lat))
    points = [(179.9995, lat), (-179.9995, lat), (179.99, lat), (-179.99, lat)]
    vineyard = vineyard_at(tmp_path, *shapes, points=points)
    assert vineyard.site.crs.to_epsg() in (32701, 32760)
    assert list(vineyard.samples["block"]) == ["b0", "b0", "b1", "b2"]
    assert vineyard.warnings == ()
    one = vineyard.site.blocks["area_ha"].iloc[1]
    assert vineyard.site.blocks["area_ha"].iloc[0] == pytest.approx(2 * one, rel=1e-3)
    ring = [(179.998, lat), (-179.998, lat), (-179.998, lat + 0.001), (179.998, lat + 0.001)]
    findings = Findings()
    drawn = located(Polygon(ring))
    crs = metric_crs(drawn, Settings(), findings)
    assert drawn.to_crs(crs).area.iloc[0] / 1e4 == pytest.approx(one, rel=0.01)


def test_place_without_a_zone() -> None:
    """Near a pole there is no UTM zone, and the message says what to do."""
    findings = Findings()
    assert metric_crs(located(lonlat_square(10, 88)), Settings(), findings) is None
    assert "there is no UTM zone" in str(findings.problems[0])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("EPSG:3857", "WGS 84 / Pseudo-Mercator stretches distances at the vineyard by 38 %"),
        ("EPSG:4326", "WGS 84 is not in metres"),
        ("EPSG:2261", "is not in metres"),
        ("EPSG:32633", "WGS 84 / UTM zone 33N"),
        ("EPSG:999999", "'EPSG:999999' names no coordinate reference system"),
        ("nonsense", "'nonsense' names no coordinate reference system"),
    ],
)
def test_working_crs_that_cannot_carry_distances(folder: Path, name: str, words: str) -> None:
    """A working CRS in degrees, in feet, unknown, or stretched at the place is refused.

    Web Mercator stretches by 1 / cos(latitude) on the sphere, 37.5 % at 43.35°, and a little more on the ellipsoid.
    """
    (folder / "vinemap.toml").write_text(f'metric_crs = "{name}"')
    problem = only_problem(folder)
    assert problem.startswith("vinemap.toml: metric_crs: ")
    assert words in problem


def test_working_crs_of_the_settings(folder: Path) -> None:
    """A CRS made for the place is taken in place of the UTM zone."""
    (folder / "vinemap.toml").write_text('metric_crs = "EPSG:26918"')
    assert read_vineyard(folder).site.crs.to_epsg() == 26918


def test_strays_are_named_wherever_they_stand_in_the_file() -> None:
    """The lone block is the stray, also where it stands first."""
    shapes = [lonlat_square(7.5, 47.5), *(lonlat_square(-75 + 0.01 * i, 43.3) for i in range(3))]
    findings = Findings()
    kept = refuse_strays(located(*shapes), findings)
    assert list(kept["block"]) == ["b1", "b2", "b3"]
    assert len(findings.problems) == 1
    assert "block 'b0' lies 6," in str(findings.problems[0])
