"""Places of samples: any usual writing of coordinates, axes mended where certain, rows and vines, blocks alone."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from tests.builders import CRS, EAST, NORTH, square
from vinemap.errors import Findings
from vinemap.intake.coordinates import angle, both
from vinemap.intake.headings import Headed
from vinemap.intake.positions import Placed, joined_places, sample_places
from vinemap.intake.questions import settled
from vinemap.intake.sources import Layer

FACTS = {"row_spacing_m": 2.5, "vine_spacing_m": 1.5, "row_bearing_deg": 0.0}
FIRST = Transformer.from_crs(CRS, 4326, always_xy=True).transform(EAST, NORTH)
BLOCKS = gpd.GeoDataFrame(
    {
        "block": ["Blk 2", "Blk 12"],
        **{name: [value, np.nan] for name, value in FACTS.items()},
        "first_vine_lon": [FIRST[0], np.nan],
        "first_vine_lat": [FIRST[1], np.nan],
    },
    geometry=[square(0, 0, 200), square(300, 0)],
    crs=CRS,
).to_crs(4326)
POINTS = gpd.GeoSeries(gpd.points_from_xy([EAST + 20, EAST + 150, EAST + 350], [NORTH + 20, NORTH + 80, NORTH + 50]))
POINTS = POINTS.set_crs(CRS).to_crs(4326)


def read(names: str, *rows: tuple[object, ...], known: list[str] | None = None, **answers: str) -> Placed:
    numbered = [(number, list(row)) for number, row in enumerate(rows, start=2)]
    source = Headed("s.csv", None, 1, tuple(names.split(";")), numbered)
    return sample_places(source, BLOCKS, answers, known)


def off(found: Placed) -> float:
    """Metres from the right places, the largest."""
    points = gpd.GeoSeries(gpd.points_from_xy(found.samples["lon"], found.samples["lat"]), crs=4326).to_crs(CRS)
    return float(points.distance(POINTS.to_crs(CRS).iloc[: len(points)]).max())


@given(st.floats(-179.9, 179.9), st.booleans(), st.booleans())
def test_an_angle_is_read_as_it_was_written(degrees: float, comma: bool, letters: bool) -> None:
    """Decimal degrees, degrees and minutes, and degrees, minutes and seconds give the angle back, to a centimetre."""
    size = abs(degrees)
    whole, minutes = int(size), size % 1 * 60
    sign = "" if letters or degrees >= 0 else "-"
    letter = (" W" if degrees < 0 else " E") if letters else ""
    seconds = minutes % 1 * 60
    if f"{seconds:.4f}" == "60.0000" or f"{minutes:.6f}" == "60.000000":
        return
    for words in (f"{size:.8f}", f"{whole}° {minutes:.6f}'", f'{whole}°{int(minutes)}\'{seconds:.4f}"',
                  f"{whole} {int(minutes)} {seconds:.4f}", f"{whole}:{int(minutes)}:{seconds:.4f}"):  # fmt: skip
        found = angle(sign + (words.replace(".", ",") if comma else words) + letter)
        assert found is not None, words
        assert found.degrees == pytest.approx(degrees, abs=1e-7)
        assert found.axis == ("lon" if letters else "")


@pytest.mark.parametrize("words", ["", "abc", "42.6.1", "42 75", "42°61'", "12 Sep", "N 42 W", "42.5° 30'"])
def test_what_is_no_angle(words: str) -> None:
    """Minutes past 59, broken numbers and words are nothing, rather than something else."""
    assert angle(words) is None


@pytest.mark.parametrize(
    "words",
    [
        "42.61, -76.9",
        "42,61; -76,9",
        "42,61 -76,9",
        "42.61,-76.9",
        "(42.61, -76.9)",
        "42.61 N, 76.9 W",
        "42.61 N 76,9 O",
        "N42 36 36 W76 54 0",
        "42°36'36\"N 76°54'00\"W",
        "42 36.6, -76 54",
        "lat: 42.61 lon: -76.9",
    ],
)
def test_both_in_one_cell(words: str) -> None:
    """Latitude and longitude in one cell, whatever parts them."""
    found = both(words)
    assert found is not None
    assert [one.degrees for one in found] == pytest.approx([42.61, -76.9])
    assert both("42,6,76,9") is None


def _dms(degrees: float, letters: str) -> str:
    size = abs(degrees)
    letter = letters[degrees < 0]
    return f"{int(size)}°{int(size % 1 * 60)}'{size * 60 % 1 * 60:.3f}\"{letter}"


def test_usual_writings_of_the_same_places() -> None:
    """All give the same points, within 5 cm."""
    lonlat = [(point.x, point.y) for point in POINTS]
    writings = {
        "Sample;Lon;Lat": [(x, y) for x, y in lonlat],
        "Sample;Longitud;Latitud": [(f"{x:.7f}".replace(".", ","), f"{y:.7f}".replace(".", ",")) for x, y in lonlat],
        "Sample;Lat;Long": [(_dms(y, "NS"), _dms(x, "EW")) for x, y in lonlat],
        "Sample;GPS;Notes": [(f"{y:.7f}, {x:.7f}", "") for x, y in lonlat],
        "Sample;Coordenadas;Nota": [(f"{_dms(y, 'NS')} {_dms(x, 'EO')}", "") for x, y in lonlat],
        "Sample;Lat;Note": [(f"{y:.7f} {x:.7f}", "") for x, y in lonlat],
    }
    for names, cells in writings.items():
        found = read(names, *[(f"s{k}", *pair) for k, pair in enumerate(cells)])
        assert off(found) < 0.05, names
        assert (found.notes, found.findings.problems, found.proposals) == ([], [], []), names


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (lambda x, y: (y, x), "longitude and latitude were swapped in every sample (3)"),
        (lambda x, y: (-x, y), "the sign of the longitude was wrong in every sample (3)"),
        (lambda x, y: (x, -y), "the sign of the latitude was wrong in every sample (3)"),
        (lambda x, y: (y, -x), "longitude and latitude were swapped, and the sign of the longitude was wrong in"),
    ],
)
def test_axes_are_mended_where_nothing_else_leads_into_the_blocks(cells, said: str) -> None:
    """The right places come out, and one note says what was wrong."""
    found = read("Sample;Lon;Lat", *[(f"s{k}", *cells(point.x, point.y)) for k, point in enumerate(POINTS)])
    assert off(found) < 0.05
    assert len(found.notes) == 1
    assert said in found.notes[0]


def test_a_single_sample_with_its_axes_swapped_is_named() -> None:
    """The others stay as they are; one that no reading brings home stays too, for the check to name."""
    rows = [(f"s{k}", point.x, point.y) for k, point in enumerate(POINTS)]
    rows[1] = ("s1", POINTS[1].y, POINTS[1].x)
    found = read("Sample;Lon;Lat", *rows, ("far", 10.0, 50.0))
    assert off(Placed(found.samples.iloc[:3])) < 0.05
    assert found.notes[0].startswith("s.csv: longitude and latitude were swapped in 1 samples")
    assert found.notes[0].endswith(": s1.")
    assert found.samples["lon"].iloc[3] == 10.0


def test_eastings_and_northings_find_their_crs() -> None:
    """The UTM zone of the blocks is certain where it alone leads into them, another system of the place too."""
    utm = [(point.x, point.y) for point in POINTS.to_crs(CRS)]
    found = read("Sample;Easting;Northing", *[(f"s{k}", f"{x:,.1f}", f"{y:,.1f}") for k, (x, y) in enumerate(utm)])
    assert off(found) < 0.1
    assert [(p.value, p.certain) for p in found.proposals] == [(CRS, True)]
    # EPSG:2260, NAD83 / New York East (ftUS), by the EPSG dataset.
    feet = [(point.x, point.y) for point in POINTS.to_crs(2260)]
    found = read("Sample;Easting;Northing", *[(f"s{k}", *pair) for k, pair in enumerate(feet)])
    assert off(found) < 1.5
    assert [(p.value, p.certain) for p in found.proposals] == [("EPSG:2260", True)]


def test_x_and_y_may_be_degrees() -> None:
    """Columns headed X and Y hold longitude and latitude where their figures are degrees, else what fits."""
    found = read("Sample;X;Y", *[(f"s{k}", point.x, point.y) for k, point in enumerate(POINTS)])
    assert off(found) < 0.05
    assert found.proposals == []


def test_eastings_and_northings_that_fit_nowhere_are_asked() -> None:
    """The UTM zones are offered; an answer places the samples."""
    found = read("Sample;Easting;Northing", ("a", EAST + 5000, NORTH))
    (asked,) = found.proposals
    assert (asked.value, settled(asked, {})) == (None, None)
    assert [choice.value for choice in asked.choices] == [CRS, "EPSG:32617", "EPSG:32619"]
    answered = read("Sample;Easting;Northing", ("a", EAST + 5000, NORTH), **{asked.key: CRS})
    assert answered.samples["lon"].notna().all()


def test_rows_vines_and_blocks_alone() -> None:
    """Row and vine where they can be counted, else the block alone, told; what the block does not have is a problem."""
    found = read(
        "Sample;Block;Row;Vine",
        ("a", "2", 3, 10),
        ("b", "Block 2", "Row 20", "V4"),
        ("c", "12", 1, 1),
        ("d", "12", None, None),
        ("e", "2", 300, 1),
        ("f", "2", "3 west", 1),
    )
    rows = found.samples.set_index("sample")
    assert rows["block"].tolist() == ["Blk 2", "Blk 2", "Blk 12", "Blk 12", "Blk 2", "Blk 2"]
    assert rows.loc[["a", "b"], ["row", "vine"]].to_numpy().tolist() == [[3, 10], [20, 4]]
    assert rows.loc[["c", "d"], "row"].isna().all()
    (note,) = found.notes
    assert note.startswith("s.csv: 1 sample is known by row and vine, which cannot be counted in Blk 12 without ")
    assert [str(problem).split(";")[0] for problem in found.findings.problems] == [
        "s.csv:6: row: there is no row 300: the block has room for 81",
        "s.csv:7: row: '3 west' is no number of a row",
    ]


def test_blocks_of_samples_that_no_outline_has() -> None:
    """With a point it is noted; without one it is asked, for nothing else places the sample."""
    point = POINTS[0]
    found = read("Sample;Block;Lon;Lat", ("a", "Zzz", point.x, point.y), ("b", "Yyy", None, None))
    assert found.notes == ["s.csv: 1 block has no outline of that name; its samples go by their points: Zzz."]
    assert [proposal.key for proposal in found.proposals] == ["name.block.Yyy"]


def test_several_rows_of_a_sample() -> None:
    """They are one place; where they contradict each other, it is named once a sample."""
    point = POINTS[0]
    rows = [("a", point.x, point.y, "2"), ("a", None, None, "2"), ("a", None, None, "12"), ("a", None, None, "12")]
    found = read("Sample;Lon;Lat;Block", *rows)
    assert len(found.samples) == 1
    assert [str(problem)[:66] for problem in found.findings.problems] == [
        "s.csv:4: Block: '12' of sample 'a' is '2' in row 2; keep the right"
    ]


def test_waypoints_are_matched_to_the_samples_of_the_buds() -> None:
    """By name, in one certain table; a waypoint that is no sample is noted."""
    layer = Layer("w.gpx", "waypoints", gpd.GeoDataFrame({"name": ["001", "002", "Gate"]}, geometry=POINTS))
    found = sample_places(layer, BLOCKS, {}, ["S1", "S2", "S3"])
    assert found.samples["sample"].tolist() == ["S1", "S2"]
    assert off(found) < 0.01
    assert found.notes == ["w.gpx: 1 point is no sample of this survey and was left aside: Gate."]
    assert [(p.certain, p.examples) for p in found.proposals] == [(True, ("001 → S1", "002 → S2"))]


def test_several_sources_together() -> None:
    """What one file lacks another may have; points that lie apart are one problem; the survey's order is kept."""
    point = POINTS[0]
    one = read("Sample;Lon;Lat", ("b", point.x, point.y), ("a", point.x, point.y))
    rows = [("a", "2", None, None), ("b", None, POINTS[2].x, POINTS[2].y), ("c", "12", None, None)]
    two = read("Sample;Block;Lon;Lat", *rows)
    findings = Findings()
    joined = joined_places([one, two], ["a", "b", "c"], findings)
    assert list(joined) == ["sample", "lon", "lat", "block"]
    assert joined["sample"].tolist() == ["a", "b", "c"]
    assert joined["block"].fillna("").tolist() == ["Blk 2", "", "Blk 12"]
    assert joined["lon"].tolist()[:2] == pytest.approx([point.x] * 2, abs=1e-7)
    assert [str(problem) for problem in findings.problems] == [
        "samples.*: points of 1 samples lie elsewhere in another file: b; take the wrong points out"
    ]


def test_columns_by_an_answer() -> None:
    """A column whose heading says nothing is what somebody said that it is; a CRS of the outlines is tried too."""
    xy = POINTS.to_crs("EPSG:3857")
    rows = [(2, ["a", xy.x[0], xy.y[0]]), (3, ["b", xy.x[1], xy.y[1]])]
    source = Headed("s.csv", None, 1, ("No", "U", "V"), list(rows))
    roles = {"sample": 0, "easting": 1, "northing": 2}
    found = sample_places(source, BLOCKS, {}, None, [xy.crs], roles)
    assert off(found) < 0.1
    assert [(p.value, p.certain) for p in found.proposals] == [("EPSG:3857", True)]
