"""What figures rest on is told beside them, and nothing is called sure that too few samples carry."""

from __future__ import annotations

from itertools import product
from math import comb

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely.geometry import Point, box

from vinemap.decisions.evidence import block_evidence, cut_canes, cut_sentence, differs_sentence, zone_evidence
from vinemap.rules import default_rules
from vinemap.sentences import languages
from vinemap.terrain.grid import block_grid

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_800_000.0
RULES = default_rules()


def vineyard(*places: tuple[float, float], **columns: object) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """A block of 200 by 200 m with samples of two canes, 20 nodes each, at so many metres from its corner."""
    figures = {"map_injury_pct": 45.0, "map_low_pct": 38.0, "map_high_pct": 52.0}
    figures |= {"injury_pct": 45.0, "injury_low_pct": 35.0, "injury_high_pct": 55.0}
    frame = {"block": ["B"], "samples": [len(places)], **{k: [v] for k, v in (figures | columns).items()}}
    blocks = gpd.GeoDataFrame(frame, geometry=[box(X, Y, X + 200, Y + 200)], crs=CRS)
    names = [f"s{k}" for k in range(len(places))]
    table = {"sample": names, "block": "B", "nodes": 20, "canes": pd.array([2] * len(names), dtype="Int64")}
    points = [Point(X + east, Y + north) for east, north in places]
    return blocks, gpd.GeoDataFrame(table, geometry=points, crs=CRS)


def surface(blocks: gpd.GeoDataFrame) -> xr.Dataset:
    """Injury falls from 90 % in the west to 0 in the east; the ground rises by a metre in twenty."""
    grid = block_grid(blocks, 5.0, 4_000_000)
    east = (grid.x.to_numpy() - X)[None, :] * np.ones((grid.sizes["y"], 1))
    grid["primary_injury"] = (("y", "x"), (0.9 * (1 - east / 200)).astype(np.float32))
    grid["elevation_m"] = (("y", "x"), (100 + east / 20).astype(np.float32))
    return grid


def evidence(*places: tuple[float, float], **columns: object) -> pd.Series:
    """What the block's figures rest on, beside the block's own columns."""
    blocks, samples = vineyard(*places, **columns)
    grid = surface(blocks)
    found = block_evidence(blocks, samples, grid, grid, RULES)
    return blocks.drop(columns="geometry").join(found).iloc[0]


LATTICE = tuple(product((50.0, 150.0), repeat=2))
CORNER = tuple(product((5.0, 15.0, 25.0), (5.0, 15.0)))


def test_the_fewest_samples_hold_the_median_nine_times_of_ten() -> None:
    """All of n samples lie on one side of the median 2 / 2^n of the time (David & Nagaraja, Order Statistics, 2003,
    section 7.1; from memory): the limit of the rules is the first n that leaves under one in ten."""
    outside = {n: 2 * comb(n, 0) / 2**n for n in range(2, 9)}
    assert RULES.evidence.few_samples == next(n for n, share in outside.items() if share < 0.1)
    # A side of a 90 % interval is tested, and nothing further out.
    assert RULES.evidence.most_sure_pct == 95


def test_few_samples_are_never_sure() -> None:
    """Two samples in a corner are too few, four well spread too; five and more in a corner stand for one part alone."""
    assert evidence()["evidence"] == "no sample"
    assert evidence(*CORNER[:2])["evidence"] == "few samples"
    assert evidence(*LATTICE)["evidence"] == "few samples"
    assert evidence(*CORNER)["evidence"] == "samples in one part"
    assert evidence(*LATTICE, (100, 100))["evidence"] == "enough"


def test_how_much_of_the_ground_samples_stand_for() -> None:
    """A square lattice reaches all of its ground by sqrt(area / 2n); six samples near a corner at most a quarter."""
    assert evidence(*LATTICE)["covered_pct"] == pytest.approx(100, abs=0.5)
    reach = np.sqrt(200**2 / 12)
    most = 100 * (25 + reach) * (15 + reach) / 200**2
    assert 10 < evidence(*CORNER)["covered_pct"] < most


@pytest.fixture
def zones() -> gpd.GeoDataFrame:
    """The west half, the east half but for a corner, and that corner."""
    corner = box(X + 160, Y + 160, X + 200, Y + 200)
    shapes = [box(X, Y, X + 100, Y + 200), box(X + 100, Y, X + 200, Y + 200).difference(corner), corner]
    table = {"zone": [1, 2, 3], "block": "B", "sure_pct": [99.9, 88.0, 97.0], "action": "keep_more"}
    return gpd.GeoDataFrame(table, geometry=shapes, crs=CRS)


def test_every_zone_tells_its_own_cuts(zones: gpd.GeoDataFrame) -> None:
    """Samples, canes and nodes inside it; one outside the block counts for the nearest zone; none, not sure."""
    blocks, samples = vineyard((30, 30), (50, 150), (-4, 100), (150, 50), (150, 120), (120, 80))
    blocks = blocks.assign(evidence="enough")
    found = zone_evidence(zones, blocks, samples, RULES)
    assert found["samples"].tolist() == [3, 3, 0]
    assert found["canes"].tolist() == [6, 6, 0]
    assert found["nodes"].tolist() == [60, 60, 0]
    assert found["evidence"].tolist() == ["enough", "enough", "no sample"]
    assert found["sure_pct"].fillna(-1).tolist() == [95, 88, -1]


def test_no_zone_is_sure_in_a_block_of_few_samples(zones: gpd.GeoDataFrame) -> None:
    """Two samples in one corner: the model's 99.9 % is not told."""
    blocks, samples = vineyard(*CORNER[:2])
    found = zone_evidence(zones, blocks.assign(evidence="few samples"), samples, RULES)
    assert found["evidence"].tolist() == ["few samples", "no sample", "no sample"]
    assert found["sure_pct"].isna().all()


def test_counts_do_not_tell_canes(zones: gpd.GeoDataFrame) -> None:
    """Of a sample that came as counts the canes are not known, nor of a zone that holds it; nothing is made up."""
    blocks, samples = vineyard((30, 30), (50, 150))
    nodes = pd.DataFrame({"sample": ["s0"] * 3, "cane": ["1", "1", "2"]})
    assert cut_canes(samples, nodes).tolist() == [2, pd.NA]
    samples = samples.assign(canes=cut_canes(samples, nodes))
    found = zone_evidence(zones, blocks.assign(evidence="few samples"), samples, RULES)
    assert found["canes"].isna().tolist() == [True, False, False]
    assert cut_sentence(found.iloc[0]) == "2 samples, 40 nodes cut"


@pytest.mark.parametrize(
    ("counts", "text"),
    [
        ((0, 0, 0), "no sample here: from the map alone"),
        ((1, 1, 1), "1 sample, 1 cane, 1 node cut"),
        ((20, 40, 1400), "20 samples, 40 canes, 1,400 nodes cut"),
    ],
)
def test_what_was_cut_in_words(counts: tuple[int, int, int], text: str) -> None:
    """Counts by name, one or many."""
    assert cut_sentence(dict(zip(("samples", "canes", "nodes"), counts, strict=True))) == text


@pytest.mark.parametrize(
    ("injury", "differs"),
    [((55.0, 45.0, 65.0), None), ((55.1, 45.0, 65.0), "neighbours"), ((50.0, 52.5, 60.0), "neighbours")],
)
def test_when_cuts_and_map_lie_far_apart(injury: tuple[float, float, float], differs: str | None) -> None:
    """More than ten points apart, or intervals that do not meet (38 to 52 on the map); samples well spread."""
    columns = dict(zip(("injury_pct", "injury_low_pct", "injury_high_pct"), injury, strict=True))
    assert evidence(*LATTICE, (100, 100), **columns)["differs"] == differs


def test_samples_on_low_ground_say_why_cuts_and_map_differ() -> None:
    """Samples 40 m from the west edge: the map itself has 0.9 x (1 - 40 / 200) = 72 % there, on ground 3 m lower."""
    cut = {"injury_pct": 70.0, "injury_low_pct": 60.0, "injury_high_pct": 79.0}
    row = evidence(*((42.0, north) for north in (22.0, 62.0, 102.0, 142.0, 182.0)), **cut)
    assert row["differs"] == "place of the samples"
    assert row["map_at_samples_pct"] == pytest.approx(71.5, abs=1)
    assert row["samples_above_m"] == pytest.approx(-2.9, abs=0.2)
    told = differs_sentence(row.to_dict())
    assert told is not None
    assert "What was cut, 70 % dead (60 to 79), and the map's average over the block, 45 % (38 to 52)" in told
    assert f"The samples lie where the map has {row['map_at_samples_pct']:.0f} %" in told
    assert told.endswith(f"They stand {-row['samples_above_m']:.1f} m lower than the block on average.")
    assert all("{" not in told.said(language) for language in languages())


def test_the_nodes_that_pruning_keeps_are_compared_with_the_map_of_them() -> None:
    """The map is of the nodes that pruning keeps: where they were told apart, all nodes are no measure of it."""
    apart = {"injury_pct": 70.0, "injury_low_pct": 60.0, "injury_high_pct": 80.0}
    basal = {"basal_pct": 47.0, "basal_low_pct": 37.0, "basal_high_pct": 57.0}
    assert evidence(*LATTICE, (100, 100), **apart)["differs"] == "neighbours"
    assert evidence(*LATTICE, (100, 100), **apart, **basal)["differs"] is None


def test_few_samples_far_from_the_map() -> None:
    """Two samples well spread, all dead: the map goes more by the rest of the vineyard."""
    cut = {"injury_pct": 95.0, "injury_low_pct": 60.0, "injury_high_pct": 99.0}
    row = evidence((100.0, 50.0), (100.0, 150.0), **cut)
    assert row["differs"] == "few samples"
    assert "few" in str(differs_sentence(row.to_dict()))


def test_nothing_is_said_where_nothing_was_cut() -> None:
    """A block without a sample cannot differ from its map."""
    row = evidence(injury_pct=np.nan, injury_low_pct=np.nan, injury_high_pct=np.nan)
    assert row["differs"] is None
    assert differs_sentence(row.to_dict()) is None
