"""Rows and vines of zones, counted by hand on a square block, a skewed one and one with a bend."""

from __future__ import annotations

from math import nan

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point, Polygon, box

from vinemap.decisions.vine_rows import row_ends, rows_sentence, sample_vines, with_rows, zone_rows
from vinemap.reading.frames import known_rows
from vinemap.reading.rows import RowFrame

# On the central meridian of UTM zone 18, where the grid's north is the true one; 42.4 degrees north.
X, Y = 500_000.0, 4_694_000.0
CRS = "EPSG:32618"


def frames(outline: Polygon, first: tuple[float, float] | None = (1.5, 1.0), **facts: object) -> dict[str, RowFrame]:
    """The rows of a block with rows 3 m apart that run north, and vines 2 m apart in them."""
    facts = {"row_spacing_m": 3.0, "vine_spacing_m": 2.0, "row_bearing_deg": 0.0} | facts
    lon, lat = (float("nan"),) * 2
    if first is not None:
        place = gpd.GeoSeries.from_xy([X + first[0]], [Y + first[1]], crs=CRS).to_crs(4326)
        lon, lat = place.x[0], place.y[0]
    row = {"block": "A", "first_vine_lon": lon, "first_vine_lat": lat} | facts
    return known_rows(gpd.GeoDataFrame([row], geometry=[outline], crs=CRS))


def zones(*shapes: Polygon) -> gpd.GeoDataFrame:
    """Zones 1, 2 … of the block."""
    count = len(shapes)
    facts = {"zone": range(1, count + 1), "block": "A", "action": "keep_more", "nodes_to_keep": 50.0}
    return gpd.GeoDataFrame(facts, geometry=list(shapes), crs=CRS)


def said(drawn: gpd.GeoDataFrame, runs: pd.DataFrame) -> list[str | None]:
    """What is said of each zone's rows."""
    return [rows_sentence(zone) for zone in with_rows(drawn, runs).to_dict("records")]


def told(runs: pd.DataFrame) -> list[tuple[int, ...]]:
    return list(runs[["row", "zone", "vine_from", "vine_to", "vines"]].itertuples(index=False, name=None))


def test_a_square_block_cut_across_its_rows() -> None:
    """30 m by 20 m: ten rows (1.5, 4.5 … 28.5 m) of ten vines (1, 3 … 19 m), of which 1 to 5 lie below 10 m."""
    drawn = zones(box(X, Y, X + 30, Y + 10), box(X, Y + 10, X + 30, Y + 20))
    runs = zone_rows(frames(box(X, Y, X + 30, Y + 20)), drawn)
    assert told(runs) == [run for row in range(1, 11) for run in ((row, 1, 1, 5, 5), (row, 2, 6, 10, 5))]
    assert said(drawn, runs) == ["Part of rows 1–10."] * 2


def test_a_border_along_a_row_leaves_rows_whole() -> None:
    """The same, cut at 12 m from west to east: rows 1 to 4 (to 10.5 m) are one zone, 5 to 10 the other."""
    drawn = zones(box(X, Y, X + 12, Y + 20), box(X + 12, Y, X + 30, Y + 20))
    runs = zone_rows(frames(box(X, Y, X + 30, Y + 20)), drawn)
    assert told(runs) == [(row, 1 if row < 5 else 2, 1, 10, 10) for row in range(1, 11)]
    assert said(drawn, runs) == ["Rows 1–4.", "Rows 5–10."]


def test_a_skewed_block_starts_each_row_at_its_headland() -> None:
    """The headland climbs 1 m in 3: each row begins 1 m further north, its vine 1 there, ten vines in each as in the
    first; a zone of the first two rows and of vines 1 to 3 of the third (whose vine 1 stands at 3, vine 3 at 7 m)."""
    outline = Polygon([(X, Y - 0.5), (X + 30, Y + 9.5), (X + 30, Y + 29.5), (X, Y + 19.5)])
    low = box(X, Y - 5, X + 6, Y + 40).union(box(X + 6, Y - 5, X + 9, Y + 8)).intersection(outline)
    drawn = zones(low, outline.difference(low))
    runs = zone_rows(frames(outline), drawn)
    assert told(runs)[:5] == [
        (1, 1, 1, 10, 10),
        (2, 1, 1, 10, 10),
        (3, 1, 1, 3, 3),
        (3, 2, 4, 10, 7),
        (4, 2, 1, 10, 10),
    ]
    assert said(drawn, runs) == ["Rows 1–2; part of rows 3.", "Rows 4–10; part of rows 3."]


def test_a_block_with_a_bend_has_no_vines_in_its_notch() -> None:
    """A U of 30 m by 20 m, its notch 12 to 18 m east and open to the north from 6 m: rows 5 and 6 (13.5 and 16.5 m)
    have vines at 1, 3 and 5 m alone; all others have ten."""
    outline = box(X, Y, X + 30, Y + 20).difference(box(X + 12, Y + 6, X + 18, Y + 21))
    drawn = zones(outline)
    runs = zone_rows(frames(outline), drawn)
    assert told(runs) == [(row, 1, 1, 3 if row in (5, 6) else 10, 3 if row in (5, 6) else 10) for row in range(1, 11)]


def test_a_zone_is_entered_at_the_ends_of_its_outer_rows() -> None:
    """The north half of the square block (vines 6 to 10 of each row) from the far ends of rows 1 and 10; a zone of row
    4 alone (9 to 12 m east) from its first vine, once."""
    outline = box(X, Y, X + 30, Y + 20)
    north, fourth = box(X, Y + 10, X + 30, Y + 20), box(X + 9, Y, X + 12, Y + 20)
    rows = frames(outline)
    ends = row_ends(zone_rows(rows, zones(north, outline.difference(north))), rows)
    assert ends[ends["zone"] == 1].round(1).to_numpy().tolist() == [
        [1, 1, "6–10", X + 1.5, Y + 19],
        [1, 10, "6–10", X + 28.5, Y + 19],
    ]
    ends = row_ends(zone_rows(rows, zones(fourth, outline.difference(fourth))), rows)
    assert ends[ends["zone"] == 1].round(1).to_numpy().tolist() == [[1, 4, "1–10", X + 10.5, Y + 1]]


def test_samples_say_their_vine() -> None:
    """As stated, else the nearest to the point; nothing in a block whose rows are not known."""
    table = {"block": ["A", "A", "B", "A"], "stated_row": [2, nan, nan, nan], "stated_vine": [9, nan, nan, nan]}
    points = [Point(X + 29, Y + 1), Point(X + 11, Y + 12.4), Point(X, Y), None]
    said = sample_vines(frames(box(X, Y, X + 30, Y + 20)), gpd.GeoDataFrame(table, geometry=points, crs=CRS))
    assert said["row"].tolist() == [2, 4, pd.NA, pd.NA]
    assert said["vine"].tolist() == [9, 7, pd.NA, pd.NA]
    assert said["vine_from"].tolist() == ["given", "position", "", ""]


@pytest.mark.parametrize("facts", [{"first": None}, {"row_bearing_deg": None}, {"vine_spacing_m": None}])
def test_rows_that_nobody_measured_are_not_counted(facts: dict[str, None]) -> None:
    """Without a first vine, a bearing or a spacing there is no row to name."""
    outline = box(X, Y, X + 30, Y + 20)
    drawn = zones(outline)
    runs = zone_rows(frames(outline, **facts), drawn)
    assert runs.empty
    assert said(drawn, runs) == [None]
