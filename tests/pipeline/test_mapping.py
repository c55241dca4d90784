"""The whole way from a folder to the outputs, on the demonstration vineyard and on a real elevation grid."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import matplotlib.cbook
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from rasterio.transform import from_origin
from scipy.spatial import KDTree
from scipy.special import expit
from shapely import box

from tests.benchmarks.borders import judged_rightly, with_first_vines
from tests.builders import (
    DEMO,
    buds_table,
    samples_table,
    write_demo_again,
    write_part_of_demo,
    write_vineyard,
)
from vinemap.columns import BLOCKS_CSV, SAMPLES_CSV, WORK_LIST, ZONES_CSV, Column, Layout
from vinemap.decisions.explain import explain_block
from vinemap.decisions.zones import action_zones
from vinemap.demo import Truth
from vinemap.errors import InputError
from vinemap.exports.formats import write_geopackage
from vinemap.pipeline.fit_to_map import check_folder
from vinemap.pipeline.map_run import MapRun
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.reading.frames import known_rows
from vinemap.settings import Settings
from vinemap.states import Bud, Differs, Evidence
from vinemap.terrain.grid import centres


@dataclass(frozen=True)
class Demo:
    """One run on the demonstration vineyard, with the truth behind it."""

    truth: Truth
    run: MapRun
    out: Path


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo")
    truth = write_demo_again(folder / "vineyard")
    run = make_map(folder / "vineyard")
    write_map(run, folder / "out")
    return Demo(truth, run, folder / "out")


def _true_cells(demo: Demo) -> tuple[np.ndarray, np.ndarray]:
    """Where the map and the truth both have a value, and the truth on the map's grid."""
    surface = demo.run.surface
    truth = demo.truth.grid["primary_injury"].interp(x=surface.x, y=surface.y, method="nearest").to_numpy()
    return np.isfinite(truth) & np.isfinite(surface["primary_injury"].to_numpy()), truth


def test_the_map_beats_block_means_and_inverse_distance(demo: Demo) -> None:
    """Against the truth, the map's error is below that of block means and of inverse distance weighting."""
    known, truth = _true_cells(demo)
    surface, samples = demo.run.surface, demo.run.samples
    cells = centres(surface, known)
    share = samples["injury_pct"].to_numpy() / 100
    # D. Shepard, Proc. 23rd ACM Nat. Conf. (1968) 517: 12 neighbours, power 2.
    distance, near = KDTree(np.column_stack([samples.geometry.x, samples.geometry.y])).query(cells, k=12)
    weights = 1 / np.maximum(distance, 1e-6) ** 2
    peers = {
        "block means": demo.run.blocks["injury_pct"].to_numpy()[surface["block_index"].to_numpy()[known]] / 100,
        "inverse distance": (weights * share[near]).sum(axis=1) / weights.sum(axis=1),
        "vinemap": surface["primary_injury"].to_numpy()[known],
    }
    error = {name: float(np.sqrt(np.mean((found - truth[known]) ** 2))) for name, found in peers.items()}
    print(error)
    assert error["vinemap"] < 0.9 * error["inverse distance"]
    assert error["vinemap"] < 0.7 * error["block means"]


def test_bounds_hold_most_of_the_truth(demo: Demo) -> None:
    """About nine cells of ten have their true injury within the 90 % intervals."""
    known, truth = _true_cells(demo)
    low, high = (demo.run.surface[f"primary_{side}"].to_numpy()[known] for side in ("low", "high"))
    assert 0.75 <= np.mean((low <= truth[known]) & (truth[known] <= high)) <= 0.99


def test_borders_along_rows_and_posts_cost_little_ground(demo: Demo) -> None:
    """With rows along each block's longest edge, ground that is judged rightly stays within two points of a hundred."""
    blocks, actions = with_first_vines(demo.run.blocks), demo.run.vineyard.site.settings.actions
    right = {}
    for space in (0.0, 7.0):
        settings = Settings(actions=actions.model_copy(update={"post_space_m": space}))
        zones = action_zones(demo.run.surface, blocks, settings, frames=known_rows(blocks))
        right[space] = judged_rightly(zones, demo.truth, settings)
    assert right[7.0] > max(right[0.0] - 2.0, 80.0)


def test_every_output_is_there(demo: Demo) -> None:
    """The folder holds what the design's table lists."""
    expected = {"map.html", "blocks.csv", "samples.csv", "zones.csv", "vineyard.gpkg", "injury.tif", "run.json"}
    expected |= {"worklist.csv", "worklist.xlsx", "crew_sheet_en.html", "crew_sheet_es.html", "navigation"}
    assert expected <= {path.name for path in demo.out.iterdir()}


def test_the_page_is_small_enough_to_mail(demo: Demo) -> None:
    """The demonstration's page stays below a megabyte, terrain, scripts and all."""
    assert (demo.out / "map.html").stat().st_size < 1_000_000


@pytest.mark.parametrize(
    ("name", "layout"),
    [("blocks", BLOCKS_CSV), ("samples", SAMPLES_CSV), ("zones", ZONES_CSV), ("worklist", WORK_LIST)],
)
def test_every_written_column_is_in_the_table_of_columns(demo: Demo, name: str, layout: Layout) -> None:
    """A file has the columns of its layout, but those of spring, in order, and no others; layer and page follow it."""
    written = list(pd.read_csv(demo.out / f"{name}.csv"))
    assert written == [column.name for column in _written(layout)]
    if name != "worklist":
        assert list(gpd.read_file(demo.out / "vineyard.gpkg", layer=name)) == [*written, "geometry"]
        html = (demo.out / "map.html").read_text(encoding="utf-8")
        data = json.loads(html.split('id="vinemap-data">', 1)[1].split("</script>", 1)[0])
        assert set(layout.on_page) & set(written) <= set(data[name])
        assert not (set(written) - set(layout.on_page) - {"block"}) & set(data[name])


def _written(layout: Layout) -> list[Column]:
    """Return a file's columns; the demonstration names no material, and nobody looked at its basal buds."""
    return [
        column
        for column in layout.columns
        if not (column.is_pattern or column.spring or column.name.startswith(Bud.NONCOUNT))
    ]


def test_a_word_of_a_state_column_is_one_of_its_words(demo: Demo) -> None:
    """What stands in a column of words is one of the words that the table lists for it."""
    for name, layout in (("blocks", BLOCKS_CSV), ("zones", ZONES_CSV), ("worklist", WORK_LIST)):
        table = pd.read_csv(demo.out / f"{name}.csv")
        for column in _written(layout):
            if column.words:
                assert set(table[column.name].dropna()) <= set(column.words), column.name
            elif column.is_figure:
                assert pd.api.types.is_numeric_dtype(table[column.name]), column.name


def test_an_earlier_run_of_other_ground_is_refused(demo: Demo, tmp_path: Path) -> None:
    """A map of another vineyard is no earlier run of this one; nothing is written."""
    moved = demo.run.blocks.set_geometry(demo.run.blocks.geometry.translate(50_000))
    write_geopackage({"blocks": moved}, tmp_path / "vineyard.gpkg")
    (tmp_path / "injury.tif").write_bytes((demo.out / "injury.tif").read_bytes())
    with pytest.raises(InputError, match="other ground"):
        write_map(demo.run, tmp_path / "out", tmp_path)
    assert not (tmp_path / "out").exists()


def test_figures_are_the_same_everywhere(demo: Demo) -> None:
    """CSV, GeoPackage, GeoTIFF and report agree on every block."""
    table = pd.read_csv(demo.out / "blocks.csv")
    layer = gpd.read_file(demo.out / "vineyard.gpkg", layer="blocks")
    assert table["block"].tolist() == layer["block"].tolist()
    for column in ("injury_pct", "map_injury_pct", "map_low_pct", "map_high_pct", "nodes_to_keep", "area_ha"):
        np.testing.assert_allclose(table[column], layer[column], atol=0.051, err_msg=column)
    assert table["action"].tolist() == layer["action"].tolist()
    with rasterio.open(demo.out / "injury.tif") as raster:
        mean = raster.read(1)
    index = demo.run.surface["block_index"].to_numpy()
    by_block = [100 * np.nanmean(mean[index == row]) for row in range(len(table))]
    np.testing.assert_allclose(by_block, table["map_injury_pct"], atol=0.06)
    report = json.loads((demo.out / "run.json").read_text(encoding="utf-8"))
    assert report["area_over_threshold_ha"]["mean"] == pytest.approx(table["area_over_ha"].sum(), abs=0.01)
    assert report["model"]["samples"] == table["samples"].sum()


def test_decisions_are_the_same_everywhere(demo: Demo) -> None:
    """Page, crew sheet, work list and explanation agree with blocks.csv and zones.csv."""
    blocks, zones, work = (pd.read_csv(demo.out / f"{name}.csv") for name in ("blocks", "zones", "worklist"))
    html = (demo.out / "map.html").read_text(encoding="utf-8")
    page = json.loads(re.search(r'<script[^>]*id="vinemap-data"[^>]*>(.*?)</script>', html, re.DOTALL)[1])
    for name, table in (("blocks", blocks), ("zones", zones)):
        assert page[name]["action"] == table["action"].tolist()
        np.testing.assert_allclose(np.array(page[name]["nodes_to_keep"], float), table["nodes_to_keep"])
    at_work = zones[zones["action"] != "no_data"]
    by_zone = work[work["task"] == work["action"]].set_index("zone").loc[at_work["zone"]]
    assert by_zone["action"].tolist() == at_work["action"].tolist()
    assert by_zone["vines"].tolist() == at_work["vines"].tolist()
    sheet = (demo.out / "crew_sheet_en.html").read_text(encoding="utf-8")
    for _, row in blocks.iterrows():
        name, settings = row["block"], demo.run.vineyard.site.settings
        sums = "\n".join(explain_block(demo.run.block(name), settings, demo.run.zones_of(name)))
        assert row["action_text"] in sums
        assert f"{row['primary_dead']} of {row['nodes']} = {row['injury_pct']} %" in sums
        if row["nodes_to_keep"] > 0:
            assert f"{row['nodes_to_keep']:.0f}" in sheet
            assert f"= {row['nodes_to_keep']:.0f}" in sums
    known = blocks["vines"].notna()
    shared = zones.groupby("block")["vines"].sum().reindex(blocks["block"])
    np.testing.assert_allclose(shared[known.to_numpy()], blocks.loc[known, "vines"])


def test_what_was_cut_is_counted_exactly(demo: Demo) -> None:
    """blocks.csv and samples.csv hold the very counts of buds.csv."""
    buds = pd.read_csv(demo.run.vineyard.site.folder / "buds.csv", keep_default_na=False)
    samples = pd.read_csv(demo.out / "samples.csv").set_index("sample")
    for status, column in (("dead", "primary_dead"), ("unread", "unread")):
        counted = buds["primary"].eq(status).groupby(buds["sample"]).sum()
        assert counted.reindex(samples.index).tolist() == samples[column].tolist()
    blocks = pd.read_csv(demo.out / "blocks.csv").set_index("block")
    by_block = samples.groupby("block")[["nodes", "primary_dead"]].sum()
    assert by_block["nodes"].equals(blocks["nodes"].reindex(by_block.index))
    assert by_block["primary_dead"].equals(blocks["primary_dead"].reindex(by_block.index))


def test_the_worst_block_is_named_first(demo: Demo) -> None:
    """The first sentence names the block with the highest mapped injury."""
    worst = demo.run.blocks.sort_values("map_injury_pct").iloc[-1]
    assert demo.run.findings[0].startswith(f"{worst['block']}: {worst['map_injury_pct']:.0f} %")


def test_zones_tile_the_blocks(demo: Demo) -> None:
    """Each block's zones cover it once: areas add up to 0.1 %, and none overlap."""
    zones, blocks = demo.run.zones, demo.run.blocks
    total = zones.assign(area=zones.geometry.area).groupby("block")["area"].sum()
    np.testing.assert_allclose(total[blocks["block"]], blocks.geometry.area, rtol=1e-3)
    for name, group in zones.groupby("block"):
        assert group.geometry.area.sum() == pytest.approx(group.union_all().area, rel=1e-6), name


def test_zone_bounds_come_from_joint_draws(demo: Demo) -> None:
    """A zone's intervals hold its mean and are narrower than its cells' own; its nodes too."""
    zones, surface = demo.run.zones, demo.run.surface
    assert (zones["injury_low_pct"] < zones["injury_pct"]).all()
    assert (zones["injury_pct"] < zones["injury_high_pct"]).all()
    cells = 100 * float((surface["primary_high"] - surface["primary_low"]).mean())
    assert (zones["injury_high_pct"] - zones["injury_low_pct"]).mean() < cells
    numbered = zones[zones["nodes_to_keep"].notna() & zones["nodes_to_keep_high"].notna()]
    assert (numbered["nodes_to_keep_low"] <= numbered["nodes_to_keep"]).all()
    assert (numbered["nodes_to_keep"] <= numbered["nodes_to_keep_high"]).all()


def _jacksboro(folder: Path) -> Path:
    """Write a vineyard on matplotlib's sample of the Jacksboro fault (USGS data); blocks, samples and buds invented."""
    folder.mkdir()
    sample = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")
    z = sample["elevation"].astype(np.float32)
    west, north, step = float(sample["xmin"]), float(sample["ymax"]), float(sample["dx"])
    profile = {"driver": "GTiff", "height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": "float32"}
    transform = from_origin(west, north, step, step)
    with rasterio.open(folder / "elevation.tif", "w", crs="EPSG:4326", transform=transform, **profile) as raster:
        raster.write(z, 1)
    lon, lat = west + 200 * step, north - 170 * step
    shapes = [box(lon + k * 0.006, lat, lon + k * 0.006 + 0.005, lat + 0.006) for k in range(3)]
    blocks = gpd.GeoDataFrame({"block": ["north", "mid", "south"]}, geometry=shapes, crs="EPSG:4326")
    blocks.to_file(folder / "blocks.geojson")
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(lon, lon + 0.017, 90), rng.uniform(lat, lat + 0.006, 90)])
    inside = np.array([any(s.contains(p) for s in shapes) for p in gpd.points_from_xy(*points.T)])
    points = points[inside]
    row, column = ((north - points[:, 1]) / step).astype(int), ((points[:, 0] - west) / step).astype(int)
    height = z[row, column]
    dead = rng.binomial(40, expit(-(height - np.median(height)) / height.std()))
    names = [f"s{k}" for k in range(len(points))]
    pd.DataFrame({"sample": names, "lon": points[:, 0], "lat": points[:, 1]}).to_csv(
        folder / "samples.csv", index=False
    )
    pd.DataFrame({"sample": names, "nodes": 40, "primary_dead": dead}).to_csv(folder / "buds.csv", index=False)
    (folder / "vinemap.toml").write_text("[surface]\ncell_m = 8.0\n", encoding="utf-8")
    return folder


def test_a_real_elevation_grid(tmp_path: Path) -> None:
    """On real ground with injury that falls with height, the model finds that low ground is hurt more."""
    run = make_map(_jacksboro(tmp_path / "fault"))
    first = run.report["model"]["effects"][0]
    assert (first["family"], first["told"]) == ("low_ground", True)
    assert first["low_pct"] > first["other_high_pct"]
    write_map(run, tmp_path / "out")
    assert (tmp_path / "out" / "map.html").stat().st_size < 3_000_000


def test_without_elevation_the_map_says_so(tmp_path: Path) -> None:
    """No elevation grid: a map by position and variety, and a warning."""
    folder = write_part_of_demo(tmp_path / "plain", "Larkrise", "Dipper")
    (folder / "elevation.tif").unlink()
    run = make_map(folder)
    assert any("no elevation grid" in warning for warning in run.report["warnings"])
    assert not [one for one in run.report["model"]["effects"] if one["of"] == "terrain"]


def test_two_samples_are_refused(tmp_path: Path) -> None:
    """Too few samples: a problem in words, and nothing written."""
    folder = tmp_path / "few"
    shutil.copytree(DEMO, folder)
    samples = pd.read_csv(folder / "samples.csv").head(2)
    buds = pd.read_csv(folder / "buds.csv", keep_default_na=False)
    samples.to_csv(folder / "samples.csv", index=False)
    buds[buds["sample"].isin(samples["sample"])].to_csv(folder / "buds.csv", index=False)
    (folder / "wood.csv").unlink()
    with pytest.raises(InputError, match="at least 3"):
        make_map(folder)


def test_samples_of_a_block_alone_count_there_and_leave_the_surface(tmp_path: Path) -> None:
    """Cuts that have a block and no place enter blocks.csv, and no cell of the map; console, page and layers say so."""
    placed, both = tmp_path / "placed", tmp_path / "both"
    for folder in (placed, both):
        folder.mkdir()
        write_vineyard(folder)
        samples = samples_table()
        here = samples["sample"].str.startswith("C")
        if folder == placed:
            samples[~here].to_csv(folder / "samples.csv", index=False)
            buds_table()[lambda buds: ~buds["sample"].str.startswith("C")].to_csv(folder / "buds.csv", index=False)
        else:
            samples = samples.assign(block=np.where(here, "cedar", None))
            samples.loc[here, ["lon", "lat"]] = np.nan
            samples.to_csv(folder / "samples.csv", index=False)
            buds = buds_table()
            buds.loc[buds["sample"].str.startswith("C"), "primary"] = "dead"
            buds.to_csv(folder / "buds.csv", index=False)
    without, run = make_map(placed), make_map(both)
    xr.testing.assert_identical(run.surface, without.surface)
    block = run.block("Cedar")
    assert block[["samples", "nodes", "primary_dead", "injury_pct", "canes"]].tolist() == [2, 8, 8, 100.0, 2]
    assert (block["evidence"], block["differs"]) == (Evidence.NO_PLACE, Differs.NO_PLACE)
    assert without.block("Cedar")["samples"] == 0
    write_map(run, tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "samples.csv")
    assert table.loc[table["sample"].str.startswith("C"), "lon"].isna().all()
    assert table["block"].tolist() == ["Ash"] * 2 + ["Birch"] * 2 + ["Cedar"] * 2
    layer = gpd.read_file(tmp_path / "out" / "vineyard.gpkg", layer="samples")
    assert layer.geometry.isna().sum() == 2
    html = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    data = json.loads(html.split('id="vinemap-data">', 1)[1].split("</script>", 1)[0])
    assert [place is None for place in data["samples"]["place"]] == [False] * 4 + [True] * 2
    assert any("2 samples are known by their block alone" in warning["en"] for warning in data["report"]["warnings"])
    run.plot()


def test_a_survey_of_blocks_alone_is_told_what_a_map_needs(tmp_path: Path) -> None:
    """Without a single place there is no surface; the remedy is to place the samples, not to cut more."""
    write_vineyard(tmp_path)
    names = samples_table()["sample"]
    blocks = names.str[0].map({"A": "Ash", "B": "Birch", "C": "Cedar"})
    pd.DataFrame({"sample": names, "block": blocks}).to_csv(tmp_path / "samples.csv", index=False)
    with pytest.raises(InputError, match="6 samples are known by the block alone: give each a point, or its row"):
        check_folder(tmp_path)


def test_the_same_folder_gives_the_same_figures(tmp_path: Path) -> None:
    """Two runs on one folder agree to the last digit: chance enters only by the stated seed."""
    folder = write_part_of_demo(tmp_path / "v", "Larkrise", "Dipper", loggers=True)
    one, other = (pd.DataFrame(make_map(folder).blocks.drop(columns="geometry")) for _ in range(2))
    pd.testing.assert_frame_equal(one, other)


def test_formulas_are_quoted_where_the_settings_say_so(tmp_path: Path) -> None:
    """Every CSV file, headings too, has an apostrophe before what a spreadsheet would run; nothing else differs, and
    the run's notes name it."""
    folder = tmp_path / "home"
    folder.mkdir()
    write_vineyard(folder)
    outlines = folder / "blocks.geojson"
    outlines.write_text(outlines.read_text(encoding="utf-8").replace('"Ash"', '"=Ash"'), encoding="utf-8")
    work = "[work.materials]\n" + "\n".join(f'{action} = {{ "@tie" = 1 }}' for action in ("as_usual", "keep_more"))
    written = {}
    for quoted in (False, True):
        settings = f"quote_formulas = {str(quoted).lower()}\n{work}\n"
        (folder / "vinemap.toml").write_text(settings, encoding="utf-8")
        run = make_map(folder)
        (note,) = [str(warning) for warning in run.report["warnings"] if "preadsheet" in str(warning)]
        assert "=Ash" in note
        assert "@tie" in note
        write_map(run, tmp_path / str(quoted))
        files = sorted((tmp_path / str(quoted)).glob("*.csv"))
        written[quoted] = {file.name: file.read_text(encoding="utf-8") for file in files}
    plain = {name: text.replace("'=Ash", "=Ash").replace("'@tie", "@tie") for name, text in written[True].items()}
    assert plain == written[False]
    assert all("'=Ash" in text for text in written[True].values())
    assert "'@tie_pieces" in written[True]["worklist.csv"]


def test_what_was_dead_before_and_the_wood_reach_every_output(tmp_path: Path) -> None:
    """Net injury by Abbott's formula in tables, gross in decisions; what the wood asks for on page and sheet."""
    folder = tmp_path / "vineyard"
    folder.mkdir()
    plain = make_map(write_vineyard(folder))
    names = plain.samples["sample"].tolist()
    rows = [f"{name},trunk,dead,{xylem}" for name, xylem in zip(names, ("dead", "dead", "alive"), strict=False)]
    (folder / "wood.csv").write_text("\n".join(["sample,tissue,phloem,xylem", *rows, ""]))
    (folder / "vinemap.toml").write_text("dead_before_pct = 12\n")
    run = make_map(folder)
    write_map(run, tmp_path / "out")
    for table, stem in (("blocks", "map"), ("zones", "injury")):
        written = pd.read_csv(tmp_path / "out" / f"{table}.csv")
        injury = written["map_injury_pct" if table == "blocks" else "injury_pct"]
        killed = (100 * (injury - 12) / (100 - 12)).clip(lower=0).round(1)
        assert written["net_injury_pct"].tolist() == pytest.approx(killed.tolist(), abs=0.0501)
        assert (written["net_low_pct"] <= written["net_injury_pct"]).all()
        assert (written["net_injury_pct"] <= written["net_high_pct"]).all()
        assert (written[f"{stem}_low_pct"] >= written["net_low_pct"]).all()
    assert (run.blocks["map_injury_pct"] == plain.blocks["map_injury_pct"]).all()
    asked = run.blocks[run.blocks["wood_text"] != ""]
    assert len(asked)
    for text in asked["wood_text"]:
        assert "third in late summer" in text
    assert "third in late summer" in (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert "third in late summer" in (tmp_path / "out" / "crew_sheet_en.html").read_text(encoding="utf-8")
