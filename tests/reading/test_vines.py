"""Samples located by row and vine number, on a skewed block: placed, joined, and every fault named."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer
from shapely import Polygon

from tests.builders import CRS, EAST, NORTH, only_problem, problems
from vinemap.reading.vineyard import read_vineyard

# Rows run due north from a headland that slants 0.5 m north for every metre east: on the zone's central meridian, so
# that grid north is true north. The first vine stands half a row and 3 m inside the south-western corner.
CORNERS = [(0, 0), (100, 50), (100, 170), (0, 120)]
FIRST = (1.25, 3.625)
VINES = {"S1": (1, 1), "S2": (17, 33), "S3": (40, 60)}


def expected(row: int, vine: int) -> tuple[float, float]:
    """Metres east and north of the corner, by plain arithmetic."""
    east = FIRST[0] + 2.5 * (row - 1)
    return east, east / 2 + 3.0 + 1.5 * (vine - 1)


def block(**columns: object) -> gpd.GeoDataFrame:
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(EAST + FIRST[0], NORTH + FIRST[1])
    given = {"row_spacing_m": 2.5, "vine_spacing_m": 1.5, "row_bearing_deg": 180.0}
    given |= {"first_vine_lon": lon, "first_vine_lat": lat, **columns}
    frame = {name: [value] for name, value in given.items() if value is not None}
    outline = Polygon([(EAST + x, NORTH + y) for x, y in CORNERS])
    return gpd.GeoDataFrame({"block": ["Slope"], **frame}, geometry=[outline], crs=CRS)


def write(folder: Path, samples: pd.DataFrame | None = None, **columns: object) -> Path:
    block(**columns).to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    if samples is None:
        rows = [(name, "Slope", row, vine) for name, (row, vine) in VINES.items()]
        samples = pd.DataFrame(rows, columns=["sample", "block", "row", "vine"])
    samples.to_csv(folder / "samples.csv", index=False)
    buds = pd.DataFrame({"sample": samples["sample"], "node": 1, "primary": "dead"})
    buds.to_csv(folder / "buds.csv", index=False)
    return folder


def places(folder: Path) -> dict[str, tuple[float, float]]:
    samples = read_vineyard(folder).samples
    xy = samples.to_crs(CRS).geometry
    return dict(zip(samples["sample"], zip(xy.x - EAST, xy.y - NORTH, strict=True), strict=True))


def test_vines_of_a_skewed_block_are_found(tmp_path: Path) -> None:
    """Row and vine give the place that arithmetic gives, inside the block, and the error is stated."""
    found = places(write(tmp_path))
    for name, (row, vine) in VINES.items():
        assert found[name] == pytest.approx(expected(row, vine), abs=0.3)
    vineyard = read_vineyard(tmp_path)
    assert vineyard.samples["block"].tolist() == ["Slope"] * 3
    assert vineyard.samples["distance_m"].max() == 0
    (said,) = [warning for warning in vineyard.warnings if "row and vine" in warning]
    assert said == ("samples.csv: 3 of 3 samples were placed by row and vine, with a standard error of 3 to 4 m."), said


def test_points_and_vines_in_one_file(tmp_path: Path) -> None:
    """A sample with a point keeps it, whatever row and vine say; one without is placed by its vine."""
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(EAST + 50, NORTH + 90)
    samples = pd.DataFrame(
        {
            "sample": ["P", "V"],
            "block": ["Slope", "Slope"],
            "lon": [lon, np.nan],
            "lat": [lat, np.nan],
            "row": [1, 17],
            "vine": [1, 33],
        }
    )
    found = places(write(tmp_path, samples))
    assert found["P"] == pytest.approx((50, 90), abs=0.01)
    assert found["V"] == pytest.approx(expected(17, 33), abs=0.3)


def test_layer_with_a_point_missing(tmp_path: Path) -> None:
    """In a layer of points, a shape that is missing may be replaced by row and vine."""
    write(tmp_path)
    (tmp_path / "samples.csv").unlink()
    points = gpd.points_from_xy([EAST + 50, np.nan], [NORTH + 90, np.nan])
    layer = gpd.GeoDataFrame(
        {"sample": ["S1", "S2"], "block": "Slope", "row": [1, 17], "vine": [1, 33]}, geometry=points
    )
    layer.loc[1, "geometry"] = None
    layer.set_crs(CRS).to_file(tmp_path / "samples.gpkg")
    pd.DataFrame({"sample": ["S1", "S2"], "primary": "dead"}).to_csv(tmp_path / "buds.csv", index=False)
    assert places(tmp_path)["S2"] == pytest.approx(expected(17, 33), abs=0.3)


@pytest.mark.parametrize("missing", ["row_spacing_m", "vine_spacing_m", "row_bearing_deg", "first_vine_lon"])
def test_block_that_cannot_be_counted(tmp_path: Path, missing: str) -> None:
    """Without spacing, bearing or first vine no place is guessed; the block's columns are named."""
    found = problems(write(tmp_path, **{missing: None}))
    assert len(found) == 3
    assert found[0].startswith(
        "samples.csv:2: block: rows and vines of block 'Slope' cannot be counted; give the block row_spacing_m, "
    )


def test_every_fault_of_a_counted_sample_is_named(tmp_path: Path) -> None:
    """Rows and vines beyond the block, half a place, no block, another block: each with its row and column."""
    samples = pd.DataFrame(
        [
            ("A", "Slope", 60, 1),
            ("B", "Slope", 3, 120),
            ("C", "Slope", 3, None),
            ("D", None, 3, 3),
            ("E", "Slpoe", 3, 3),
            ("F", "Slope", "x", 3),
        ],
        columns=["sample", "block", "row", "vine"],
    )
    starts = [
        "samples.csv:2: row: there is no row 60: the block has room for 40; ",
        "samples.csv:3: vine: there is no vine 120 in row 3: the row has room for 7",
        "samples.csv:4: vine: is empty, and the sample has no coordinates; ",
        "samples.csv:5: block: is empty, and rows are counted within a block; ",
        "samples.csv:6: block: there is no block 'Slpoe'; name one of Slope",
        "samples.csv:7: row: 'x' is not a number; ",
    ]
    found = problems(write(tmp_path, samples))
    assert len(found) == len(starts)
    for start, fault in zip(starts, found, strict=True):
        assert fault.startswith(start)


def test_file_with_neither_points_nor_vines(tmp_path: Path) -> None:
    """A file of names alone is told what would place them."""
    fault = only_problem(write(tmp_path, pd.DataFrame({"sample": ["A"]})))
    assert fault.startswith("samples.csv: there are no points; give lon and lat, ")
    assert fault.endswith("or row and vine")


def test_samples_known_by_their_block_alone(tmp_path: Path) -> None:
    """They have their block as the blocks spell it, no point, and one warning names them; order is the file's."""
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(EAST + 50, NORTH + 90)
    rows = [("A", " SLOPE", None, None), ("P", None, lon, lat), ("B", "Slope", None, None)]
    folder = write(tmp_path, pd.DataFrame(rows, columns=["sample", "block", "lon", "lat"]))
    vineyard = read_vineyard(folder)
    samples = vineyard.samples
    assert samples["sample"].tolist() == ["A", "P", "B"]
    assert samples["block"].tolist() == ["Slope"] * 3
    assert samples.geometry.isna().tolist() == [True, False, True]
    assert samples["distance_m"].isna().tolist() == [True, False, True]
    (said,) = [warning for warning in vineyard.warnings if "block alone" in warning]
    assert said == (
        "samples.csv: 2 samples are known by their block alone: they count in the block's survey, and the surface does "
        "not use them (A, B)."
    )


def test_a_file_of_blocks_alone(tmp_path: Path) -> None:
    """No sample of a file needs a point; a block that is not there is named, with those that are."""
    folder = write(tmp_path, pd.DataFrame({"sample": ["A", "B"], "block": "slope"}))
    assert read_vineyard(folder).samples["block"].tolist() == ["Slope"] * 2
    pd.DataFrame({"sample": ["A", "B"], "block": ["slope", "Slpoe"]}).to_csv(folder / "samples.csv", index=False)
    assert only_problem(folder) == (
        "samples.csv:3: block: there is no block 'Slpoe', and the sample has no other place; name one of Slope, or "
        "give the sample a point"
    )
