"""Spring counts against the map: hand sums, calibration, faults named, and a map that learns from them."""

from __future__ import annotations

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely.geometry import box
from statsmodels.stats.proportion import proportion_confint

from tests.builders import shoot_rows
from vinemap.columns import SPRING_CALIBRATION, SPRING_SAMPLES
from vinemap.decisions.spring import EDGES, check_forecast, corrected, spring_findings
from vinemap.settings import Settings
from vinemap.states import Verdict
from vinemap.surface.fit import injury_map
from vinemap.survival.growth import growth
from vinemap.terrain.grid import block_grid

X, Y = 500_000.0, 4_800_000.0
CRS = "EPSG:32618"


def grid(share: float = 0.3, names: tuple[str, ...] = ("no_live_bud",)) -> xr.Dataset:
    """A block of 200 by 100 m with one forecast everywhere, twice that in its eastern half."""
    blocks = gpd.GeoDataFrame({"block": ["A"]}, geometry=[box(X, Y, X + 200, Y + 100)], crs=CRS)
    made = block_grid(blocks, 5.0, 10_000)
    for name in names:
        level = np.where(made.x.to_numpy()[None, :] > X + 100, 2 * share, share) * np.ones(made["block_index"].shape)
        for side, shift in (("injury", 0.0), ("low", -0.05), ("high", 0.05)):
            made[f"{name}_{side}"] = (("y", "x"), level + shift)
    return made


def samples(count: int = 4) -> gpd.GeoDataFrame:
    east = np.linspace(20, 180, count)
    names = [f"s{k}" for k in range(count)]
    return gpd.GeoDataFrame(
        {"sample": names, "block": "A"}, geometry=gpd.points_from_xy(X + east, [Y + 50.0] * count), crs=CRS
    )


def counts(*shoots: int, nodes: int = 40, **more: object) -> pd.DataFrame:
    """What grew on 40 nodes a sample, as `growth` gives it."""
    names = [f"s{k}" for k in range(len(shoots))]
    return growth(shoot_rows(sample=names, nodes=nodes, shoots=list(shoots), **more), 10)


def test_hand_sums() -> None:
    """12 of 40 blind where 30 % was predicted agrees; 40 of 40 is more; 2 of 40 where 60 % was predicted is fewer."""
    check = check_forecast(counts(28, 0, 38, 16), samples(), grid(), 0.9)
    table = check.samples
    assert list(table) == SPRING_SAMPLES.names
    assert list(check.calibration) == SPRING_CALIBRATION.names
    assert table["blind"].tolist() == [12, 40, 2, 24]
    np.testing.assert_allclose(table["predicted_pct"], [30, 30, 60, 60])
    assert table["verdict"].tolist() == ["", Verdict.MORE, Verdict.LESS, ""]
    low, high = proportion_confint(12, 40, alpha=0.1, method="wilson")
    assert table.loc[0, ["blind_low_pct", "blind_high_pct"]].tolist() == pytest.approx([100 * low, 100 * high])
    sentences = spring_findings(check)
    # (12 + 40 + 2 + 24) of 160 = 48.75 %; predicted (30 + 30 + 60 + 60) / 4 = 45 %
    assert sentences[0] == "78 of 160 nodes on 4 samples are blind: 49 %; the map predicted 45 %."
    assert "s1 (A)" in sentences[1]
    assert "s2 (A)" in sentences[2]
    assert sentences[0].said("es").endswith("78 de 160 en 4 muestras, el 49 %; el mapa preveía el 45 %.")
    assert sentences[1].said("es") == "Más nudos ciegos de lo previsto: s1 (A)."


def test_samples_off_the_map_are_named_and_near_ones_kept() -> None:
    """One in no block is named, not compared; one joined from 6 m outside is held against the next cell."""
    placed = samples(3)
    placed.loc[0, "block"] = None
    placed.geometry = gpd.points_from_xy([X + 700, X + 20, X + 50], [Y + 50, Y + 106, Y + 50], crs=CRS)
    counted = growth(shoot_rows(sample=["s0", "s1", "s2"], nodes=[40, 40, 0], shoots=[0, 28, 0]), 10)
    check = check_forecast(counted, placed, grid(), 0.9)
    assert check.samples[["sample", "predicted_pct"]].to_numpy().tolist() == [["s1", pytest.approx(30)]]
    sentences = spring_findings(check)
    assert sentences[-1] == "Not compared: s0 (outside every block), s2 (no node counted)."
    assert sentences[-1].said("es") == "No comparadas: s0 (fuera de todo cuartel), s2 (sin ningún nudo contado)."
    assert not any("nan" in sentence for sentence in sentences)


def test_every_sample_that_is_left_out_is_named() -> None:
    """No table has them, so the sentence names all, however many."""
    check = check_forecast(counts(*[20] * 15), samples(15).assign(block=None), grid(), 0.9)
    told = spring_findings(check)[-1]
    assert all(f"s{k} (outside every block)" in told for k in range(15))


def test_a_sample_is_held_against_its_own_block() -> None:
    """One just east of the border, but joined to the western block, is held against the west's figure."""
    blocks = gpd.GeoDataFrame(
        {"block": ["east", "west"]}, geometry=[box(X + 100, Y, X + 200, Y + 100), box(X, Y, X + 100, Y + 100)], crs=CRS
    )
    made = grid()
    made["block_index"] = block_grid(blocks, 5.0, 10_000)["block_index"]
    placed = samples(1).assign(block="west")
    placed.geometry = gpd.points_from_xy([X + 104], [Y + 50], crs=CRS)
    assert check_forecast(counts(28), placed, made, 0.9).samples["predicted_pct"].tolist() == [pytest.approx(30)]


def test_calibration_table() -> None:
    """Two classes hold two samples each, with the sums of their nodes; empty classes have no share."""
    table = check_forecast(counts(28, 30, 18, 16), samples(), grid(), 0.9).calibration
    assert table[["from_pct", "to_pct"]].to_numpy().tolist() == [list(pair) for pair in pairwise(EDGES)]
    filled = table[table["samples"] > 0].set_index("from_pct")
    assert filled["nodes"].to_dict() == {20.0: 80, 60.0: 80}
    assert filled.loc[20.0, "blind_pct"] == pytest.approx(100 * 22 / 80)
    assert filled.loc[60.0, "predicted_pct"] == pytest.approx(60)
    assert table.loc[table["samples"] == 0, "blind_pct"].isna().all()


def test_a_true_forecast_is_calibrated() -> None:
    """Blind nodes drawn as predicted: about nine samples of ten agree, and each class's interval holds it."""
    rng = np.random.default_rng(5)
    points = samples(200)
    chance = np.where(points.geometry.x > X + 100, 0.6, 0.3)
    drawn = shoot_rows(sample=points["sample"], nodes=40, shoots=40 - rng.binomial(40, chance))
    check = check_forecast(growth(drawn, 10), points, grid(), 0.9)
    assert (check.samples["verdict"] == "").mean() > 0.9
    filled = check.calibration.query("samples > 0")
    assert (filled["blind_low_pct"] - 1 < filled["predicted_pct"]).all()
    assert (filled["blind_high_pct"] + 1 > filled["predicted_pct"]).all()


def test_without_secondaries_the_figure_is_a_ceiling() -> None:
    """Only primaries were read in winter: compared with those, and said so."""
    check = check_forecast(counts(28, 28, 16, 16), samples(), grid(names=("primary",)), 0.9)
    assert check.layer == "primary"
    assert any("ceiling" in sentence for sentence in spring_findings(check))


def test_samples_off_the_map() -> None:
    """Nothing to compare is said, not raised."""
    nowhere = grid()
    for name in list(nowhere.data_vars):
        if name != "block_index":
            nowhere[name] = nowhere[name] * np.nan
    assert spring_findings(check_forecast(counts(28), samples(), nowhere, 0.9)) == [
        "No sample that was counted can be compared with the map.",
        "Not compared: s0 (its block has no cell of the map).",
    ]


def test_the_map_learns() -> None:
    """Blind nodes of spring take the place of the winter's figure: the west was sound after all."""
    points = samples(30)
    rows = pd.DataFrame({"sample": points["sample"], "part": "all", "dead": 24, "read": 40, "unread": 0})
    tallies = pd.concat([rows.assign(tissue=tissue) for tissue in ("primary", "no_live_bud")], ignore_index=True)
    shoots = np.where(points.geometry.x > X + 100, 24, 57)
    learned = corrected(tallies, growth(shoot_rows(sample=points["sample"], nodes=60, shoots=shoots), 10))
    assert learned.groupby("tissue")["read"].sum().to_dict() == {"primary": 1200, "no_live_bud": 1800}
    blocks = gpd.GeoDataFrame({"block": ["A"], "variety": [None]}, geometry=[box(X, Y, X + 200, Y + 100)], crs=CRS)
    empty = block_grid(blocks, 10.0, 10_000)
    found = injury_map(points, blocks, learned, empty, None, Settings().surface).grid["no_live_bud_injury"]
    east = found.x.to_numpy() - X
    assert float(found[:, east < 70].mean()) < 0.15
    assert float(found[:, east > 130].mean()) > 0.5


def test_frost_is_told_and_nothing_prescribed() -> None:
    """12 of 100 first shoots froze, of 8 looked at again 2 lost the second too; the table's line for the stage stands.

    Proebsting, Brummund & Clore, Concord, in FAO 2005, Table 4.8: at first leaf 10 % are killed at -2.8 °C (27.0 °F),
    90 % at -6.1 °C (21.0 °F). No pruning paid: Kar et al., Horticulturae 10 (2024) 505; Kasimatis & Kissler.
    """
    frozen = {"primary_frozen": [8, 4, None], "secondary_frozen": [2, None, None], "stage": ["E-L 7", "BBCH 19", None]}
    check = check_forecast(counts(60, 40, 50, nodes=80, **frozen), samples(3), grid(), 0.9)
    told = " ".join(spring_findings(check, Settings(units="us")))
    assert "the first shoot froze on 12 of 100 nodes with a shoot, 12 %" in told
    assert "froze too on 2 of the 8 nodes looked at again" in told
    assert "nothing is prescribed" in told
    assert "Horticulturae 10 (2024) 505" in told
    assert "At E-L 7 (first leaf) 10 % are killed at 27.0 °F and 90 % at 21.0 °F" in told
    assert "For BBCH 19 the table of critical temperatures has no figure" in told


def test_frozen_shoots_are_counts_of_their_own() -> None:
    """The map gets a row of frozen of shoots for the samples where frost was looked for, and for no other."""
    grown = counts(60, 40, 50, nodes=80, primary_frozen=[8, 0, None])
    tallies = corrected(pd.DataFrame(columns=["sample", "part", "tissue", "dead", "read", "unread"]), grown)
    frost = tallies[tallies["tissue"] == "frozen"]
    assert frost[["sample", "dead", "read"]].to_numpy().tolist() == [["s0", 8, 60], ["s1", 0, 40]]
