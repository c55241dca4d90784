"""Where a zone lies in a block whose rows are not known, paced out by hand from the block's corners."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from shapely import Polygon, box
from shapely.affinity import rotate
from shapely.geometry.base import BaseGeometry

from vinemap.decisions.zone_places import PLACE, place_sentence, where_sentence, with_places

# On the central meridian of UTM zone 18, where the grid's north is the true one.
X, Y = 500_000.0, 4_694_000.0
CRS = "EPSG:32618"


def placed(outline: BaseGeometry, *shapes: BaseGeometry, **facts: object) -> list[dict]:
    """Rows of zones with their places, in one block."""
    block = gpd.GeoDataFrame([{"block": "A"} | facts], geometry=[outline], crs=CRS)
    rows = {"zone": range(1, len(shapes) + 1), "block": "A", "rows_whole": None, "rows_part": None}
    return with_places(gpd.GeoDataFrame(rows, geometry=list(shapes), crs=CRS), block).to_dict("records")


def said(rows: list[dict], units: str = "metric", language: str = "en") -> list[str]:
    """What is said of each zone."""
    return [place_sentence(row, units).said(language) for row in rows]


def plain(text: str) -> str:
    return "".join(letter for letter in text if letter not in "\u2068\u2069")


def test_a_corner_of_a_block_is_paced_from_that_corner() -> None:
    """100 m east by 200 m north: its longest side runs north, so the north-west 40 m by 60 m lie 0 to 60 m along the
    west side from the north-west corner, 0 to 40 m in; the rest reaches from end to end and right across."""
    outline = box(X, Y, X + 100, Y + 200)
    corner = box(X, Y + 140, X + 40, Y + 200)
    rows = placed(outline, corner, outline.difference(corner))
    assert [rows[0][name] for name in PLACE] == ["NW", "W", 0, 60, 0, 40]
    assert said(rows) == [
        "From the north-west corner: 0 to 60 m along the west side, 0 to 40 m in from it.",
        "Reaches from end to end and right across the block: see the map.",
    ]


def test_ends_and_strips_are_told_shorter() -> None:
    """The south 50 m of the same block go right across; a strip 20 to 45 m from the east side goes all along."""
    outline = box(X, Y, X + 100, Y + 200)
    rows = placed(outline, box(X, Y, X + 100, Y + 50), box(X + 55, Y, X + 80, Y + 200))
    assert said(rows) == [
        "From the south-west corner: 0 to 50 m along the west side, right across the block.",
        "All along the east side, 20 to 45 m in from it.",
    ]


def test_rows_decide_which_way_is_along() -> None:
    """With rows that run east, the same corner is 0 to 40 m along the north side and 0 to 60 m in from it."""
    outline = box(X, Y, X + 100, Y + 200)
    corner = box(X, Y + 140, X + 40, Y + 200)
    row = placed(outline, corner, outline.difference(corner), row_bearing_deg=90.0)[0]
    assert [row[name] for name in PLACE] == ["NW", "N", 0, 40, 0, 60]


def test_distances_are_widened_to_what_can_be_paced() -> None:
    """12 to 33 m are told as 10 to 35 m, and as 30 to 110 ft (39 to 108 ft), so that the zone lies within."""
    outline = box(X, Y, X + 100, Y + 200)
    rows = placed(outline, box(X, Y + 12, X + 100, Y + 33), box(X, Y + 100, X + 100, Y + 200))
    assert "10 to 35 m along" in said(rows)[0]
    assert "30 to 110 ft along" in said(rows, "us")[0]
    assert "de 10 a 35 m por el lado oeste" in said(rows, language="es")[0]


def test_a_block_turned_by_45_degrees_has_corners_at_the_cardinal_points() -> None:
    """Turned clockwise, the north-west corner points north, and the west side faces north-west."""
    outline = box(X, Y, X + 100, Y + 200)
    corner = box(X, Y + 140, X + 40, Y + 200)
    turned = [rotate(shape, -45, origin=(X, Y)) for shape in (outline, corner, outline.difference(corner))]
    row = placed(*turned)[0]
    assert [row["corner"], row["side"]] == ["N", "NW"]
    assert [row[name] for name in PLACE[2:]] == pytest.approx([0, 60, 0, 40], abs=0.05)


def test_a_skewed_block_counts_from_the_corner_that_stands_there() -> None:
    """The east side lies 40 m further north: from the south-east corner, 30 m up the east side and 20 m in."""
    outline = Polygon([(X, Y), (X + 100, Y + 40), (X + 100, Y + 240), (X, Y + 200)])
    zone = Polygon([(X + 80, Y + 32), (X + 100, Y + 40), (X + 100, Y + 70), (X + 80, Y + 70)])
    row = placed(outline, zone, outline.difference(zone))[0]
    assert [row[name] for name in PLACE] == ["SE", "E", 0, 30, 0, 20]


def test_the_only_zone_of_a_block_and_zones_of_known_rows_need_no_distances() -> None:
    """The whole block is the block; and where rows are known they are said."""
    (row,) = placed(box(X, Y, X + 100, Y + 200), box(X, Y, X + 100, Y + 200))
    assert place_sentence(row, "metric") is None
    assert where_sentence(row, "metric") is None
    halves = gpd.GeoDataFrame(
        {"zone": [1, 2], "block": "A", "rows_whole": ["1–4", np.nan], "rows_part": [np.nan, "5"]},
        geometry=[box(X, Y, X + 50, Y + 200), box(X + 50, Y, X + 100, Y + 200)],
        crs=CRS,
    )
    block = gpd.GeoDataFrame({"block": ["A"]}, geometry=[box(X, Y, X + 100, Y + 200)], crs=CRS)
    rows = with_places(halves, block).to_dict("records")
    assert [place_sentence(row, "metric") for row in rows] == [None, None]
    assert [plain(where_sentence(row, "metric")) for row in rows] == ["Rows 1–4.", "Part of rows 5."]
