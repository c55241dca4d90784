"""Blocks and samples in one metric CRS; each sample in its block."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import Geod
from shapely.geometry import MultiPolygon, Point, Polygon

from tests.builders import CRS, EAST, NORTH, blocks, buds_table, only_problem, problems, samples, samples_table, square
from vinemap.errors import Findings
from vinemap.reading.join import join
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
    """Zone = floor((lon + 180) / 6) + 1, EPSG 326zz north and 327zz south (EPSG registry; from memory)."""
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
    assert vineyard.blocks["area_ha"].iloc[0] == pytest.approx(true_ha, rel=2e-3)
    true_m = geod.inv(lon + 0.001, lat, *outside)[2]
    assert vineyard.samples["distance_m"].to_numpy() == pytest.approx([0.0, true_m], rel=1e-3, abs=1e-3)
    assert list(vineyard.samples["block"]) == ["b0", "b0"]


def test_vineyard_across_a_zone_border(tmp_path: Path) -> None:
    """Blocks of two UTM zones are worked in the zone of their centre, and lie as far apart as on the ellipsoid."""
    west, east = lonlat_square(-78.01, 43.2), lonlat_square(-77.985, 43.2)
    vineyard = vineyard_at(tmp_path, west, east, points=[(-78.01, 43.2), (-77.985, 43.2)])
    assert vineyard.crs.to_epsg() in (32617, 32618)
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
    assert vineyard.crs.to_epsg() in (32701, 32760)
    assert list(vineyard.samples["block"]) == ["b0", "b0", "b1", "b2"]
    assert vineyard.warnings == ()
    one = vineyard.blocks["area_ha"].iloc[1]
    assert vineyard.blocks["area_ha"].iloc[0] == pytest.approx(2 * one, rel=1e-3)
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
    assert read_vineyard(folder).crs.to_epsg() == 26918


def test_strays_are_named_wherever_they_stand_in_the_file() -> None:
    """The lone block is the stray, also where it stands first."""
    shapes = [lonlat_square(7.5, 47.5), *(lonlat_square(-75 + 0.01 * i, 43.3) for i in range(3))]
    findings = Findings()
    kept = refuse_strays(located(*shapes), findings)
    assert list(kept["block"]) == ["b1", "b2", "b3"]
    assert len(findings.problems) == 1
    assert "block 'b0' lies 6," in str(findings.problems[0])


def placed(**at: tuple[float, float]) -> gpd.GeoDataFrame:
    """Return samples at metres from the origin."""
    points = [Point(EAST + x, NORTH + y) for x, y in at.values()]
    frame = {"sample": list(at), "stated_block": [None] * len(at), "file": "samples.csv", "row": 2}
    return gpd.GeoDataFrame(frame, geometry=points, crs=CRS)


def joined(
    points: gpd.GeoDataFrame, ground: gpd.GeoDataFrame | None = None, tolerance: float = 10.0
) -> tuple[gpd.GeoDataFrame, Findings]:
    findings = Findings()
    return join(points, blocks() if ground is None else ground, tolerance, findings), findings


def test_tolerance() -> None:
    """A sample within the tolerance joins the nearest block; beyond it, none, and a warning names it with its way."""
    table, findings = joined(placed(inside=(50, 50), near=(108, 50), far=(50, 130), edge=(50, 110)))
    assert list(table["block"]) == ["Ash", "Ash", None, "Ash"]
    assert list(table["distance_m"]) == [0.0, 8.0, 30.0, 10.0]
    assert findings.warnings == [
        "1 sample lies more than 10 m outside every block, and the block figures leave it out: far (30 m)."
    ]
    table, _ = joined(placed(inside=(50, 50), near=(108, 50)), tolerance=0.0)
    assert list(table["block"]) == ["Ash", None]


def test_nearest_of_two_blocks() -> None:
    """Between two blocks the nearer one is joined, whatever is stated, and a warning names the disagreement."""
    points = placed(a=(112, 50)).assign(stated_block=["Ash"])
    table, findings = joined(points, tolerance=15.0)
    assert list(table["block"]) == ["Birch"]
    assert findings.warnings == ["Sample a is said to be from block Ash but was joined to Birch by its point."]


def test_stated_block() -> None:
    """Case and spaces do not matter; another block and an unknown one are named."""
    points = placed(a=(50, 50), b=(50, 50), c=(50, 50), d=(50, 500)).assign(
        stated_block=[" aSh", "Birch", "Brich", "Zed"]
    )
    table, findings = joined(points)
    assert list(table["block"]) == ["Ash", "Ash", "Ash", None]
    assert findings.warnings[1:] == [
        "Sample b is said to be from block Birch but was joined to Ash by its point.",
        "Sample c is said to be from block Brich, which is not among the blocks (did it mean Birch?); it was joined to "
        "Ash, where its point lies.",
        "Sample d is said to be from block Zed, which is not among the blocks; it joins none.",
    ]


def test_overlap() -> None:
    """In an overlap the stated block wins, else the nearer centre; both are named."""
    ground = gpd.GeoDataFrame({"block": ["P", "Q"]}, geometry=[square(0, 0), square(60, 0)], crs=CRS)
    points = placed(s=(95, 50), t=(95, 50), u=(20, 50)).assign(stated_block=pd.Series(["P", None, None], dtype=object))
    table, findings = joined(points, ground)
    assert list(table["block"]) == ["P", "Q", "P"]
    assert findings.warnings == [
        "2 samples lie in more than one block: s (in P and Q: joined to P, as stated), "
        "t (in P and Q: joined to Q, whose centre is nearer)."
    ]


def test_overlapping_blocks_are_named_but_slivers_are_not(folder: Path) -> None:
    """An overlap of 20 m by 100 m is 0.2 ha; one half a metre wide is a slip of the hand."""
    ground = gpd.GeoDataFrame(
        {"block": ["Ash", "Birch", "Cedar"]}, geometry=[square(0, 0), square(80, 0), square(179.5, 0)], crs=CRS
    )
    (folder / "blocks.geojson").unlink()
    ground.to_file(folder / "blocks.gpkg")
    points = placed(A1=(30, 50), A2=(70, 50), B1=(120, 50), B2=(150, 50), C1=(200, 50), C2=(240, 50))
    points[["sample", "geometry"]].to_file(folder / "samples.gpkg")
    (folder / "samples.csv").unlink()
    assert read_vineyard(folder).warnings == ("Blocks Ash and Birch overlap by 0.2 ha, which both areas count.",)


def test_no_sample_in_any_block(folder: Path) -> None:
    """Where no sample joins, the coordinates are at fault, and the nearest distance helps to see how."""
    table = samples_table()
    table["lat"] += 1
    table.to_csv(folder / "samples.csv", index=False)
    assert only_problem(folder).startswith(
        "samples.csv: no sample lies in a block or within 10 m of one (the nearest is 111 km away)"
    )


def test_swapped_columns_are_seen_by_the_blocks_position(folder: Path) -> None:
    """Latitudes in the column of longitudes, both in range: one problem for the file; a single row by its number."""
    table = samples_table()
    table[["lon", "lat"]] = table[["lat", "lon"]].to_numpy()
    table.to_csv(folder / "samples.csv", index=False)
    assert only_problem(folder).startswith(
        "samples.csv: longitude, latitude: longitude and latitude seem swapped in every row: (43.3"
    )
    table = samples_table()
    table.loc[2, ["lon", "lat"]] = [table.loc[2, "lat"], table.loc[2, "lon"]]
    table.loc[4, "lon"] *= -1
    table.to_csv(folder / "samples.csv", index=False)
    first, second = problems(folder)
    assert first.startswith("samples.csv:4: longitude, latitude: longitude and latitude seem swapped")
    assert second.startswith("samples.csv:6: longitude, latitude: the sign of the longitude seems wrong")


def test_projected_columns(folder: Path) -> None:
    """Easting and northing need a CRS in the settings, and are seen when swapped."""
    points = samples()
    table = points[["sample"]].assign(Easting=points.geometry.x, NORTHING=points.geometry.y)
    table.to_csv(folder / "samples.csv", index=False)
    assert only_problem(folder).startswith(
        "samples.csv: Easting, NORTHING: projected coordinates without a coordinate reference system; give it"
    )
    (folder / "vinemap.toml").write_text(f'crs = "{CRS}"')
    assert read_vineyard(folder).samples.geometry.distance(points.geometry).max() < 1e-6
    table.rename(columns={"Easting": "Northing", "NORTHING": "easting"}).to_csv(folder / "samples.csv", index=False)
    assert "easting and northing seem swapped in every row" in only_problem(folder)


def test_many_samples_against_brute_force() -> None:
    """The join agrees with the distance to every block, computed one by one."""
    rng = np.random.default_rng(3)
    points = placed(**{f"s{i}": tuple(rng.uniform(-40, 400, 2)) for i in range(200)})
    table, _ = joined(points)
    ground = blocks()
    for point, block, away in zip(table.geometry, table["block"], table["distance_m"], strict=True):
        distances = ground.geometry.distance(point)
        assert away == pytest.approx(distances.min())
        assert block == (ground["block"][distances.idxmin()] if distances.min() <= 10 else None)


def test_buds_of_an_outsider_stay(folder: Path) -> None:
    """A sample outside every block keeps its place and its buds."""
    table = samples_table()
    table.loc[0, "lat"] += 0.01
    table.to_csv(folder / "samples.csv", index=False)
    vineyard = read_vineyard(folder)
    assert len(vineyard.samples) == 6
    assert vineyard.samples["block"].iloc[0] is None
    assert len(vineyard.nodes) == len(buds_table())
