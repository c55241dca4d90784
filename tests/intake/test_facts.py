"""Facts of blocks in people's own tables: units, directions and corners read for what they are, or asked."""

from __future__ import annotations

import geopandas as gpd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import affinity

from tests.builders import CRS, square
from vinemap.intake.facts import Facts, block_facts, corner_of, is_facts
from vinemap.intake.headings import Headed
from vinemap.intake.measures import bearing, lengths, wind
from vinemap.intake.questions import settled

BLOCKS = gpd.GeoDataFrame(
    {"block": ["Blk 2 - Pinot N. 5 / 667", "Blk 12 - Chard", "Dipper"]},
    geometry=[square(0, 0, 200), square(300, 0), square(500, 0)],
    crs=CRS,
).to_crs(4326)


def table(names: str, *rows: tuple[object, ...]) -> Headed:
    numbered = [(number, list(row)) for number, row in enumerate(rows, start=2)]
    return Headed("facts.xlsx", "Blocks", 1, tuple(names.split(";")), numbered)


def read(names: str, *rows: tuple[object, ...], **answers: str) -> tuple[Facts, gpd.GeoDataFrame]:
    found = block_facts(table(names, *rows), BLOCKS, answers)
    return found, found.blocks.set_index("block")


@pytest.mark.parametrize(
    ("words", "metres"),
    [
        # NIST SP 811 (2008), appendix B.8: 1 ft = 0.3048 m, 1 in = 0.0254 m, exactly.
        ("9x6 ft", [2.7432, 1.8288]),
        ("2.7 x 1.8 m", [2.7, 1.8]),
        ("2,7 × 1,8 m", [2.7, 1.8]),
        ("9' by 6'", [2.7432, 1.8288]),
        ("9'6\"", [2.8956]),
        ("9′ 6″", [2.8956]),
        ("9 ft 6 in", [2.8956]),
        ("9.5 feet", [2.8956]),
        ("8 pies", [2.4384]),
        ("270 cm", [2.7]),
        ("9 ft x 1.8 m", [2.7432, 1.8]),
        ("9'14\"", []),
        ("9 furlongs", []),
        ("about 9", []),
        ("", []),
    ],
)
def test_lengths(words: str, metres: list[float]) -> None:
    """Metres, centimetres, feet, feet and inches, one or two in a cell; nothing of what is none."""
    found = [one.figure * (one.metres or float("nan")) for one in lengths(words)]
    assert found == pytest.approx(metres)


@pytest.mark.parametrize(
    ("words", "degrees"),
    [
        ("north-south", 0),
        ("N–S", 0),
        ("norte sur", 0),
        ("E-O", 90),
        ("east to west", 90),
        ("NE-SW", 45),
        ("NO-SE", 135),
        ("SSE/NNW", 157.5),
        ("North-West", 135),
        ("N 15° E", 15),
        ("N15W", 165),
        ("S 20 E", 160),
        ("15° east of north", 15),
        ("170°", 170),
        ("12,5", 12.5),
        ("N-E", None),
        ("361", None),
        ("up the hill", None),
    ],
)
def test_directions_of_rows(words: str, degrees: float | None) -> None:
    """Degrees, quadrants and both ends, in English and Spanish, where O is west."""
    assert bearing(words) == degrees


@settings(max_examples=25)
@given(st.floats(0, 360))
def test_corners_of_a_turned_block(turn: float) -> None:
    """A square turned by any angle has its corners where the compass has them, and none where two may be meant."""
    outline = affinity.rotate(square(0, 0), turn, origin="center")
    lonlat = gpd.GeoSeries([outline], crs=CRS).to_crs(4326).iloc[0]
    middle, off = lonlat.centroid, (-turn) % 90
    for direction in range(0, 360, 45):
        corner = corner_of(lonlat, direction)
        # Corners lie at 45° and every 90° on, turned with the square; the nearest one is meant up to 30°.
        away = min((off + 45 - direction) % 90, (direction - off - 45) % 90)
        if abs(away - 30) < 0.5:
            continue
        assert (corner is None) == (away > 30)
        if corner is not None:
            azimuth = Geod(ellps="WGS84").inv(middle.x, middle.y, *corner)[0]
            assert abs((azimuth - direction + 180) % 360 - 180) == pytest.approx(away, abs=0.1)


def test_the_corner_of_a_long_block_is_that_of_its_rectangle() -> None:
    """A block of 400 m by 50 m has its north-west corner at its end, though it lies almost due west of the middle."""
    outline = affinity.scale(square(0, 0), 4, 0.5, origin=(square(0, 0).bounds[0], square(0, 0).bounds[1]))
    lonlat = gpd.GeoSeries([outline], crs=CRS).to_crs(4326)
    corner = gpd.GeoSeries(gpd.points_from_xy(*zip(corner_of(lonlat.iloc[0], 315.0), strict=True)), crs=4326)
    left, _, _, top = outline.bounds
    assert (corner.to_crs(CRS).x[0], corner.to_crs(CRS).y[0]) == pytest.approx((left, top), abs=0.01)
    assert (wind("NW corner"), wind("esquina NO"), wind("south-west")) == (315, 315, 225)


def test_a_sheet_of_facts() -> None:
    """Spacing, direction, corner, counts and words go to the outlines by name; what has no outline is noted once."""
    names = "Block;Variety;Spacing;Row direction;Row 1 corner;Vines;Acres;Buds/vine;Pruning;Planted"
    found, blocks = read(
        names,
        ("2", "Pinot noir", "9x6 ft", "N-S", "NW corner", "1,250", 9.88, 40, "Spur", 1999),
        ("12", "Chardonnay", "9' x 6'", "E–O", "esquina SO", 2000, "2.5 ac", 36, "cordon de piton", None),
        ("Nix", "x", None, None, None, None, None, None, None, None),
        ("Nada", "x", None, None, None, None, None, None, None, None),
    )
    assert found.findings.problems == []
    assert blocks["row_spacing_m"].tolist()[:2] == [2.7432, 2.7432]
    assert blocks["vine_spacing_m"].tolist()[:2] == [1.8288, 1.8288]
    assert blocks["row_bearing_deg"].tolist()[:2] == [0.0, 90.0]
    assert blocks["vines"].tolist()[:2] == [1250, 2000]
    assert blocks["nodes_per_vine"].tolist()[:2] == [40, 36]
    assert blocks["pruning"].tolist()[:2] == ["spur", "spur"]
    assert (blocks["variety"].iloc[0], blocks["planted"].iloc[0]) == ("Pinot noir", 1999)
    first = gpd.GeoSeries(gpd.points_from_xy(blocks["first_vine_lon"][:2], blocks["first_vine_lat"][:2]), crs=4326)
    corner = first.to_crs(CRS)
    left, bottom, _, _ = square(0, 0).bounds
    assert (corner.x[0] - left, corner.y[0] - bottom) == pytest.approx((0, 200), abs=0.02)
    assert (corner.x[1] - left, corner.y[1] - bottom) == pytest.approx((300, 0), abs=0.02)
    assert found.notes == [
        "facts.xlsx[Blocks]: 2 blocks have no outline, and what is said of them was left aside: Nix, Nada."
    ]
    assert [proposal.certain for proposal in found.proposals] == [True]


@pytest.mark.parametrize(
    ("row", "vine", "unit", "certain"),
    [
        (9, 6, "feet", True),
        (10, 3, "feet", True),
        (2.5, 1.2, "metres", True),
        (3, 1, "metres", True),
        (3, 2, "metres", False),
        (5, 3, "feet", False),
        (4, 2.5, "metres", False),
    ],
)
def test_a_spacing_without_a_unit(row: float, vine: float, unit: str, certain: bool) -> None:
    """What no vineyard has in metres is in feet, and the other way; what may be either is asked, in one question.

    Rows 1.5 to 4 m apart and vines 0.8 to 3 m are usual; 0.9 to 6 m and 0.4 to 4 m are possible (common practice).
    """
    rows = (("2", row, vine), ("12", row, vine))
    found, blocks = read("Block;Row spacing;Vine spacing", *rows)
    (asked,) = [proposal for proposal in found.proposals if proposal.key.startswith("facts.unit")]
    assert (asked.value, asked.certain) == (unit, certain)
    assert ("row_spacing_m" in blocks) == certain
    answered = read("Block;Row spacing;Vine spacing", *rows, **{asked.key: "feet"})[1]
    assert answered["row_spacing_m"].iloc[0] == pytest.approx(row * 0.3048, abs=1e-4)
    # Next year's table of other years and blocks has the same question.
    later = read("Block;Row spacing;Vine spacing", ("Dipper", row, vine))[0]
    assert asked.key in [proposal.key for proposal in later.proposals]


def test_the_number_of_vines_tells_feet_from_metres() -> None:
    """1 ha at 3 by 2 m has 1,667 vines: a block of 1 ha that counts 1,600 is spaced in metres without a question."""
    found, blocks = read("Block;Row spacing;Vine spacing;Vines", ("12", 3, 2, 1600))
    assert blocks["row_spacing_m"].iloc[1] == 3.0
    assert all(settled(proposal, {}) is not None for proposal in found.proposals)


def test_cells_may_say_what_their_column_is() -> None:
    """Both ends of rows, corners and spacings with a unit need no heading of ours; what says nothing known is noted."""
    names = "Block;Rows run;Row 1 vine 1 at;Planting;Manager"
    found, blocks = read(names, ("2", "N-S", "NW", "9x6 ft", "Ana"), ("12", "E-W", "SE corner", "2.7 x 1.8 m", "Luis"))
    assert blocks["row_bearing_deg"].tolist()[:2] == [0.0, 90.0]
    assert blocks["vine_spacing_m"].tolist()[:2] == [1.8288, 1.8]
    assert blocks["first_vine_lon"].notna().tolist() == [True, True, False]
    assert found.notes == ["facts.xlsx[Blocks]: columns that say nothing known of a block were left aside: Manager."]


def test_headings_of_shapefiles() -> None:
    """ROW_FT and VINE_FT are spacings: a shapefile has ten letters for a name."""
    blocks = read("BLOCK;ROW_FT;VINE_FT;ACRES", ("2", 9, 6, 9.88))[1]
    assert blocks[["row_spacing_m", "vine_spacing_m"]].iloc[0].tolist() == [2.7432, 1.8288]
    blocks = read("BLK_NAME;VAR;ROWSP_FT;VINESP_FT", ("2", "Syrah", 9, 6))[1]
    assert blocks[["variety", "row_spacing_m", "vine_spacing_m"]].iloc[0].tolist() == ["Syrah", 2.7432, 1.8288]


def test_areas_are_held_against_outlines() -> None:
    """Acres and hectares, told apart by which fits where no unit is given; what is far off is noted once a table."""
    fits = read("Block;Area", ("2", 9.88), ("12", 2.5))[0]
    assert fits.notes == []
    off = read("Block;Hectares", ("2", 4.1), ("12", 2.5), ("Dipper", 0.5))[0]
    assert off.notes == [
        "facts.xlsx[Blocks]: areas are far from those of the outlines: Blk 12 - Chard (2.5 ha stated, 1.00 ha drawn), "
        "Dipper (0.5 ha stated, 1.00 ha drawn). See whether the outlines are right."
        .replace("2.5 ha", "2.50 ha").replace("0.5 ha", "0.50 ha")
    ]  # fmt: skip


def test_faults_are_named_once_a_column_with_their_row() -> None:
    """Directions and spacings that say nothing, a block told twice in two ways, a figure out of range."""
    found, _ = read(
        "Block;Spacing;Row direction;Nodes per vine",
        ("2", "wide", "uphill", 40),
        ("12", "narrow", "downhill", 5000),
        ("Blk 2", None, None, 36),
    )
    assert [str(problem) for problem in found.findings.problems] == [
        "facts.xlsx[Blocks]:2: Row direction: 'uphill' is no direction of rows (so in 2 rows, the first one here); "
        "write degrees from north, or both ends: N-S, NE-SW",
        "facts.xlsx[Blocks]:3: Nodes per vine: '5000' is out of range; give nodes kept on a vine, 1 to 1000",
        "facts.xlsx[Blocks]:4: Nodes per vine: '36' of block 'Blk 2 - Pinot N. 5 / 667' is '40' in row 2; keep the "
        "right one of the two",
        "facts.xlsx[Blocks]:2: Spacing: 'wide' is no spacing (so in 2 rows, the first one here); write such as 9 ft, "
        "2.7 m or 9x6 ft",
    ]


def test_our_own_columns_pass_as_they_are() -> None:
    """Tidy names, in feet too, are read by the checks of tidy files; facts that are there stay, and it is told."""
    found, blocks = read("block;row_spacing_ft;own_rooted;hilled", ("12", 9, "yes", "no"))
    assert blocks["row_spacing_m"].iloc[1] == pytest.approx(2.7432)
    assert (blocks["own_rooted"].iloc[1], blocks["hilled"].iloc[1]) == (True, False)
    again = block_facts(table("block;row_spacing_m", ("12", 3.5)), found.blocks, {})
    assert again.blocks["row_spacing_m"].iloc[1] == pytest.approx(2.7432)
    assert "row_spacing_m of Blk 12 - Chard is another" in again.notes[0]


def test_what_is_a_table_of_facts() -> None:
    """A sheet of samples or of buds is none, whatever else it says."""
    assert is_facts(table("Block;Variety", ("2", "x")))
    assert not is_facts(table("Sample;Block;Variety", ("s", "2", "x")))
    assert not is_facts(table("Block;Remarks", ("2", "x")))


@pytest.mark.parametrize(
    ("missing", "posts"),
    [("Missing vines", "Vines between posts"), ("Fallas", "Cepas por vano"), ("Cepas faltantes", "cepas entre postes")],
)
def test_gaps_and_vines_between_posts(missing: str, posts: str) -> None:
    """Both have headings of their own in English and Spanish, and are not taken for the vines of the block."""
    found, blocks = read(f"Block;Vines;{missing};{posts}", ("2", 400, 12, 4), ("12", 300, "", 5))
    assert found.findings.problems == []
    north, south = (blocks.loc[name] for name in BLOCKS["block"][:2])
    assert (north["vines"], north["missing_vines"], north["vines_between_posts"]) == (400, 12, 4)
    assert (south["vines"], south["missing_vines"], south["vines_between_posts"]) == (300, None, 5)


def test_the_space_between_posts_becomes_vines() -> None:
    """24 ft hold four vines at 6 ft; 20 ft hold no whole number, which is noted and left out."""
    heads = "Block;Row spacing (ft);Vine spacing (ft);Post spacing (ft)"
    found, blocks = read(heads, ("2", 9, 6, 24), ("12", 9, 6, 20))
    assert blocks.loc[BLOCKS["block"][0], "vines_between_posts"] == 4
    assert blocks.loc[BLOCKS["block"][1], "vines_between_posts"] is None
    assert [note.key for note in found.notes] == ["import.note.posts"]


def test_the_way_that_rows_run_may_be_degrees() -> None:
    """ "Rows run" with figures is their direction, as it is with both ends."""
    assert read("Block;Rows run", ("2", "20°"))[1]["row_bearing_deg"].iloc[0] == 20
