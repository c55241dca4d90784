"""Each sample in its block."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point

from tests.builders import CRS, EAST, NORTH, blocks, buds_table, only_problem, problems, samples, samples_table, square
from vinemap.errors import Findings
from vinemap.reading.join import join
from vinemap.reading.vineyard import read_vineyard


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


def test_names_and_distances_in_a_warning() -> None:
    """Twelve samples are named, of thirteen the rest is counted; 10 km and more are told in kilometres."""
    twelve = {f"s{number}": (50.0, 150.0) for number in range(12)}
    _, findings = joined(placed(inside=(50, 50), **twelve))
    assert findings.warnings[0].endswith("s10 (50 m), s11 (50 m).")
    _, findings = joined(placed(inside=(50, 50), **twelve, s12=(50.0, 150.0)))
    assert findings.warnings[0].endswith("s10 (50 m), s11 (50 m) and 1 more.")
    _, findings = joined(placed(inside=(50, 50), far=(50, 100 + 9_999), farther=(50, 100 + 10_000)))
    assert findings.warnings[0].endswith("far (9,999 m), farther (10 km).")


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
    frame = {"block": ["Ash", "Birch", "Cedar"], "species_group": "vinifera"}
    ground = gpd.GeoDataFrame(frame, geometry=[square(0, 0), square(80, 0), square(179.5, 0)], crs=CRS)
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
