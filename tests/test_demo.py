"""The invented vineyard: the same everywhere, plausible, and at one with the truth behind it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from scipy.special import expit, logit

from tests.builders import write_demo_again
from vinemap.demo import CELL_M, Truth, write_demo
from vinemap.errors import InputError
from vinemap.exports.earlier import read_earlier
from vinemap.settings import Settings

COMMITTED = Path(__file__).parent.parent / "demo_blocks"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    folder = tmp_path_factory.mktemp("demo") / "vineyard"
    return folder, write_demo(folder)


@pytest.fixture(scope="module")
def buds(made: tuple[Path, Truth]) -> pd.DataFrame:
    samples = pd.read_csv(made[0] / "samples.csv")
    return pd.read_csv(made[0] / "buds.csv").merge(samples[["sample", "block"]])


def share_dead(buds: pd.DataFrame, bud: str, by: str) -> pd.Series:
    read = buds[buds[bud] != "unread"]
    return (read[bud] == "dead").groupby(read[by]).mean()


def test_committed_folder_is_what_the_command_writes(made):
    """Every value of demo_blocks/ is written again from the seed, and no file more or less."""
    folder, _ = made
    made_, kept = ({path.relative_to(home).as_posix() for path in home.rglob("*")} for home in (folder, COMMITTED))
    assert made_ == kept
    for name in ("samples.csv", "buds.csv", "wood.csv", "shoots.csv", "hardiness.csv"):
        pd.testing.assert_frame_equal(pd.read_csv(folder / name), pd.read_csv(COMMITTED / name))
    for name in ("vinemap.toml", "README.md"):
        assert (folder / name).read_text(encoding="utf-8") == (COMMITTED / name).read_text(encoding="utf-8")
    loggers, hung = (pd.read_csv(path / "loggers.csv") for path in (folder, COMMITTED))
    pd.testing.assert_frame_equal(loggers, hung, atol=0.11, rtol=0)  # the last digit may round otherwise
    for name in ("blocks.geojson", "protection.geojson"):
        ours, theirs = (gpd.read_file(path / name) for path in (folder, COMMITTED))
        pd.testing.assert_frame_equal(ours.drop(columns="geometry"), theirs.drop(columns="geometry"))
        assert ours.geom_equals_exact(theirs, tolerance=2e-7).all()
    with rasterio.open(folder / "elevation.tif") as one, rasterio.open(COMMITTED / "elevation.tif") as other:
        assert (one.transform, one.crs, one.dtypes) == (other.transform, other.crs, other.dtypes)
        assert one.read(1) == pytest.approx(other.read(1), abs=0.0101)  # the last digit may round otherwise


def test_the_earlier_freeze_is_a_map_of_its_own_canes(made):
    """What is left of it is read back as a run of 2023 whose map is the committed one, and goes with its truth."""
    folder, truth = made
    runs = [read_earlier(home / "winter_2023", truth.blocks) for home in (folder, COMMITTED)]
    assert [run.winter.name for run in runs] == ["2023-02-04"] * 2
    assert runs[0].dated
    assert runs[0].cut
    ours, theirs = (run.winter.surface["primary_injury"].to_numpy() for run in runs)
    assert np.nanmax(np.abs(ours - theirs)) < 0.01
    then = runs[0].blocks.set_index("block")["map_injury_pct"]
    assert then["Dipper"] > then["Ridge Acre"] + 20


def test_loggers_read_the_night_and_the_machine_warms(made):
    """Minima are the truth's to a logger's accuracy; within the machine's reach fewer buds die than just beyond."""
    folder, truth = made
    hung = pd.read_csv(folder / "loggers.csv")
    points = gpd.GeoSeries.from_xy(hung["lon"], hung["lat"], crs=4326).to_crs(truth.blocks.crs)
    true = [float(truth.grid["temperature_c"].sel(x=p.x, y=p.y, method="nearest")) for p in points]
    assert np.abs(hung["min_c"] - true).max() < 1.2
    (fan,) = gpd.read_file(folder / "protection.geojson").to_crs(truth.blocks.crs).geometry
    away = np.hypot(truth.grid.x - fan.x, truth.grid.y - fan.y)
    injury = truth.grid["primary_injury"].where(truth.grid["block_index"] == 3)
    inside, beyond = (float(injury.where(near).mean()) for near in (away < 70, (away > 95) & (away < 130)))
    assert inside < beyond - 0.1


def test_folder_is_small_and_its_settings_are_settings(made):
    """Under 1.5 MB in all; vinemap.toml holds only keys that exist."""
    assert sum(path.stat().st_size for path in COMMITTED.rglob("*") if path.is_file()) < 1_500_000
    settings = Settings.model_validate(tomllib.loads((made[0] / "vinemap.toml").read_text(encoding="utf-8")))
    assert settings.name
    assert settings.event_date
    assert len((made[0] / "README.md").read_text(encoding="utf-8").splitlines()) == 7


def test_blocks_are_apart_and_filled_in(made):
    """Eight blocks of 15 to 25 ha with every column, headlands between them, one of them hollow in outline."""
    blocks = gpd.read_file(made[0] / "blocks.geojson").to_crs("EPSG:32618")
    assert len(blocks) == 8
    assert 15 <= blocks.area.sum() / 10_000 <= 25
    assert blocks["variety"].nunique() == 5
    assert set(blocks["species_group"]) == {"vinifera", "hybrid", "american"}
    assert set(blocks["pruning"]) == {"spur", "cane"}
    assert set(blocks["own_rooted"]) == {True, False}
    assert blocks[["row_spacing_m", "vine_spacing_m", "nodes_per_vine", "trunks", "planted"]].notna().all(axis=None)
    assert 0 < blocks["vines"].isna().sum() < 8
    assert blocks.geometry.is_valid.all()
    for row, shape in enumerate(blocks.geometry):
        assert blocks.geometry.drop(index=row).distance(shape).min() > 5
    assert (blocks.area / blocks.convex_hull.area).min() < 0.9


def test_samples_lie_in_their_blocks_over_high_and_low_ground(made):
    """60 to 90 samples, each in its stated block, spread over most of the ground's rise."""
    folder, truth = made
    table = pd.read_csv(folder / "samples.csv")
    assert 60 <= len(table) <= 90
    points = gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(table["lon"], table["lat"]), crs="EPSG:4326")
    points = points.to_crs(truth.blocks.crs)
    assert (points.sjoin(truth.blocks[["block", "geometry"]])["block_left"] == table["block"]).all()
    ground = truth.grid["elevation_m"]
    for row, name in enumerate(truth.blocks["block"]):
        here = points[points["block"] == name]
        walked = [float(ground.sel(x=p.x, y=p.y, method="nearest")) for p in here.geometry]
        everywhere = ground.to_numpy()[truth.grid["block_index"].to_numpy() == row]
        assert np.ptp(walked) > 0.8 * np.ptp(np.percentile(everywhere, [5, 95]))


def test_elevation_has_relief_and_reaches_well_beyond_the_blocks(made):
    """Float metres on 5 m, 25 to 55 m of relief under the blocks, 100 m or more around them."""
    folder, truth = made
    with rasterio.open(folder / "elevation.tif") as source:
        assert source.dtypes == ("float32",)
        assert source.res == (CELL_M, CELL_M)
        left, bottom, right, top = truth.blocks.total_bounds
        assert source.bounds.left <= left - 100
        assert source.bounds.bottom <= bottom - 100
        assert source.bounds.right >= right + 100
        assert source.bounds.top >= top + 100
        written = source.read(1)
    assert written == pytest.approx(truth.grid["elevation_m"].to_numpy(), abs=0.005)
    under = truth.grid["elevation_m"].where(truth.grid["block_index"] >= 0)
    assert 25 <= float(under.max() - under.min()) <= 55


def test_cold_air_lies_in_two_hollows(made):
    """The deep cold air is in two separate places, colder than on the hill by 2 °C or more, and by no more than 5 °C.

    A block's mean takes in its drier ground, so that half of the pool's 5 °C is what can be asked of it.
    """
    grid = made[1].grid
    depth, cold = grid["cold_air_m"], grid["temperature_c"]
    coldest = {}
    for row, name in enumerate(made[1].blocks["block"]):
        here = grid["block_index"] == row
        coldest[name] = (float(depth.where(here).max()), float(cold.where(here).mean()))
    pooled = {name for name, (deepest, _) in coldest.items() if deepest > 7}
    assert pooled == {"Heron Bottom", "Alder Flat", "Dipper"}
    apart = made[1].blocks.set_index("block").geometry
    assert apart["Dipper"].distance(apart["Alder Flat"]) > 250
    assert max(coldest[name][1] for name in pooled) < coldest["Ridge Acre"][1] - 2
    assert float(cold.max()) - float(cold.min()) < 6  # 5 °C of the pool, and what the air's own waves and the lapse add


def test_injury_is_as_a_hard_freeze_leaves_it(made, buds):
    """Some blocks lose 2 to 15 % of their primaries, those in the hollows 60 to 95 %, fewer by a wind machine.

    A pool of at most 5 °C tops out at its depth, so within a block injury differs by a quarter or more, not by a half.
    """
    injury = share_dead(buds, "primary", "block")
    assert ((injury > 0.01) & (injury < 0.15)).sum() >= 2
    assert ((injury > 0.6) & (injury < 0.95)).sum() == 2
    # The wind machine spared the third block of the hollows a part of it.
    assert 0.35 < injury["Heron Bottom"] < 0.6
    truth = made[1].grid
    spread = [
        np.ptp(np.nanpercentile(truth["primary_injury"].to_numpy()[truth["block_index"].to_numpy() == row], [5, 95]))
        for row in range(8)
    ]
    assert sum(width > 0.25 for width in spread) >= 6


def test_secondaries_outlive_primaries_and_tertiaries_outlive_both(buds):
    """Common practice: the later a bud of the node formed, the hardier it is. Some buds of each went unread."""
    first, second, third = (share_dead(buds, bud, "block") for bud in ("primary", "secondary", "tertiary"))
    assert (first > second).all()
    assert (second >= third).all()
    for bud in ("primary", "secondary", "tertiary"):
        assert 0 < (buds[bud] == "unread").mean() < 0.3


def test_injury_rises_mildly_toward_the_tip(buds):
    """Nodes 8 and beyond lose more primaries than nodes 1 to 4, by less than a third more."""
    ends = buds[(buds["node"] <= 4) | (buds["node"] >= 8)]
    by_node = share_dead(ends.assign(end=np.where(ends["node"] <= 4, "base", "tip")), "primary", "end")
    assert by_node["base"] < by_node["tip"] < 1.33 * by_node["base"]


def test_bud_rows_are_complete_canes(buds):
    """Two or three canes a sample, 8 to 12 nodes a cane, numbered from 1 without a gap."""
    canes = buds.groupby("sample")["cane"].nunique()
    assert canes.between(2, 3).all()
    nodes = buds.groupby(["sample", "cane"])["node"].agg(["min", "max", "size"])
    assert (nodes["min"] == 1).all()
    assert (nodes["max"] == nodes["size"]).all()
    assert nodes["size"].between(8, 12).all()


def test_wood_fails_from_the_bark_inward(made):
    """Phloem, xylem, then cambium (Lake Erie Regional Grape Program, Looking at Trunk Damage); canes before trunks."""
    wood = pd.read_csv(made[0] / "wood.csv")
    assert not ((wood["phloem"] == "alive") & (wood["xylem"] == "dead")).any()
    assert not ((wood["xylem"] == "alive") & (wood["cambium"] == "dead")).any()
    dead = (wood["phloem"] == "dead").groupby(wood["tissue"]).mean()
    assert dead["cane"] > dead["trunk"]


def test_buds_were_drawn_from_the_truth(made, buds):
    """Primaries dead at each sample agree with the truth grid there and that vine's own log-odds, within chance.

    Each standardised residual should have mean 0 and variance 1; the grid is read at the nearest cell and averages the
    nodes that pruning keeps, which leaves a little over.
    """
    truth = made[1]
    kept = truth.blocks.set_index("block")["pruning"].map({"spur": 5, "cane": 12})
    basal = buds[(buds["primary"] != "unread") & (buds["node"] <= buds["block"].map(kept))]
    cut = basal.groupby("sample")["primary"].agg(dead=lambda bud: (bud == "dead").sum(), read="size")
    residuals = []
    for vine in truth.samples.itertuples():
        share = float(truth.grid["primary_injury"].sel(x=vine.geometry.x, y=vine.geometry.y, method="nearest"))
        chance = expit(logit(share) + vine.vine_logit)
        dead, read = cut.loc[vine.sample]
        residuals.append((dead - read * chance) / np.sqrt(read * chance * (1 - chance)))
    assert abs(np.mean(residuals)) < 0.3
    assert 0.5 < np.var(residuals) < 1.6


def test_shoots_grew_where_a_bud_lived(made, buds):
    """Every second vine, pruned to its usual nodes; blind are those with no live bud, and few more, as anywhere."""
    folder, truth = made
    shoots = pd.read_csv(folder / "shoots.csv")
    assert list(shoots["sample"]) == list(truth.samples["sample"][::2])
    usual = gpd.read_file(folder / "blocks.geojson").set_index("block")["nodes_per_vine"]
    assert (shoots["nodes"].to_numpy() == usual[truth.samples["block"][::2]].to_numpy()).all()
    assert (shoots["vines"] == 1).all()
    cut = buds[buds["sample"].isin(shoots["sample"])]
    bare = (cut[["primary", "secondary", "tertiary"]] == "dead").all(axis=1).mean()
    blind = 1 - shoots["shoots"].sum() / shoots["nodes"].sum()
    assert bare < blind < bare + 0.06


def test_block_truth_is_the_mean_of_its_cells(made):
    """The truth's block means are the grid's, and nothing outside the blocks is injured."""
    truth = made[1]
    index = truth.grid["block_index"].to_numpy()
    injury = truth.grid["primary_injury"].to_numpy()
    assert np.isnan(injury[index < 0]).all()
    for row, mean in enumerate(truth.blocks["primary_injury"]):
        assert injury[index == row].mean() == pytest.approx(mean)
        area = truth.blocks.geometry.area[row]
        assert (index == row).sum() * CELL_M**2 == pytest.approx(area, rel=0.03)


def test_another_seed_is_another_winter(tmp_path):
    """The seed is what makes the vineyard: another one gives other buds on the same blocks."""
    write_demo_again(tmp_path, seed=2)
    assert not pd.read_csv(tmp_path / "buds.csv").equals(pd.read_csv(COMMITTED / "buds.csv"))
    assert gpd.read_file(tmp_path / "blocks.geojson")["block"].equals(
        gpd.read_file(COMMITTED / "blocks.geojson")["block"]
    )


def test_nothing_is_written_over(tmp_path):
    """A folder that already holds one of the files, or a file of that name, is refused and left as it was."""
    (tmp_path / "buds.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"buds\.csv: is already there; name an empty folder"):
        write_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["buds.csv"]
    with pytest.raises(InputError, match="is a file"):
        write_demo(tmp_path / "buds.csv")
