"""Where it freezes again and again: probabilities by hand, blocks, few winters told as such, and the page."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import xarray as xr
from click.testing import CliRunner
from scipy.special import expit
from scipy.stats import norm

from tests.builders import CRS, EAST, HOSTILE, NORTH, Html, square
from vinemap import cli
from vinemap.errors import InputError
from vinemap.evidence.winters import Winter
from vinemap.exports.earlier import EarlierRun
from vinemap.exports.formats import write_geopackage, write_injury
from vinemap.history.history_page import history_notes, history_page, history_sentences, read_history
from vinemap.history.recurrence import recurrence, worst_share
from vinemap.web.templates import render

TAIL = float(norm.ppf(0.95))
NAMES = ("Ash", "Birch", "Cedar")


def _surface(mean: np.ndarray, sd: float = 0.05) -> xr.Dataset:
    """Return a surface over three blocks of a hectare side by side, a value of log-odds a block."""
    logits = np.repeat(np.asarray(mean, float), 10) * np.ones((10, 1))
    ends = {"injury": 0.0, "low": -TAIL, "high": TAIL}
    grids = {f"primary_{n}": (("y", "x"), expit(logits + z * sd).astype("float32")) for n, z in ends.items()}
    grids["prob_over_threshold"] = (("y", "x"), (logits > 0).astype("float32"))
    x, y = EAST + 10 * (np.arange(30) + 0.5), NORTH + 100 - 10 * (np.arange(10) + 0.5)
    return xr.Dataset(grids, coords={"y": y, "x": x}).rio.write_crs(CRS)


def _blocks(mean: np.ndarray, names: tuple[str, ...] = NAMES) -> gpd.GeoDataFrame:
    share = 100 * expit(np.asarray(mean, float))
    frame = pd.DataFrame({"block": names, "injury_pct": share, "map_injury_pct": share, "map_low_pct": share - 10})
    return gpd.GeoDataFrame(frame, geometry=[square(100.0 * k, 0.0) for k in range(3)], crs=CRS)


def _run(name: str, mean: list[float], sd: float = 0.05, names: tuple[str, ...] = NAMES) -> EarlierRun:
    blocks = _blocks(np.array(mean), names)
    return EarlierRun(Path(name), Winter(name, _surface(np.array(mean), sd)), blocks, {}, True, "Hill")


def test_a_third_of_the_ground_is_the_worst_third() -> None:
    """Whatever a map knows, its probabilities have a mean of a third; one that knows nothing has a third everywhere."""
    rng = np.random.default_rng(2)
    mean, sd = rng.normal(0, 2, 500), rng.uniform(0.1, 1.5, 500)
    assert worst_share(mean, sd).mean() == pytest.approx(1 / 3)
    assert worst_share(np.zeros(9), np.ones(9)) == pytest.approx(np.full(9, 1 / 3))
    assert np.isnan(worst_share(np.array([np.nan, 0.0, 1.0]), np.ones(3))).tolist() == [True, False, False]


def test_the_limit_leaves_a_third_of_what_could_be_above_it() -> None:
    """Against 5,000 draws at three places: the share of each above their common upper third is the formula's."""
    mean, sd = np.array([1.0, 0.0, -0.5]), np.array([0.5, 1.0, 0.3])
    drawn = mean + sd * np.random.default_rng(5).standard_normal((5000, 3))
    limit = np.quantile(drawn, 2 / 3)
    np.testing.assert_allclose(worst_share(mean, sd), (drawn > limit).mean(axis=0), atol=0.02)


def test_a_pocket_that_freezes_each_time_stands_first() -> None:
    """Ash is the worst of three in both winters, Birch in one: all of Ash each time, none of the others."""
    found = recurrence([_run("2024-01-20", [2.0, 0.5, -1.0]), _run("2022-02-01", [1.5, -1.0, 0.5])])
    assert found.winters == ["2022-02-01", "2024-01-20"]
    assert found.blocks["block"].tolist()[0] == "Ash"
    assert found.blocks["worst_third_each_pct"].tolist()[0] == pytest.approx(100.0, abs=5.0)
    assert found.blocks["worst_third_each_pct"].tolist()[1:] == pytest.approx([0.0, 0.0], abs=5.0)
    # 88 and 82 % dead, less 10 points at the low end; Birch had 62 % once, at least 52 %, Cedar the same.
    assert found.blocks.set_index("block")["half_dead_winters"].to_dict() == {"Ash": 2, "Birch": 1, "Cedar": 1}
    assert found.blocks["half_dead_sure_winters"].tolist()[0] == 2
    assert found.by_chance == pytest.approx(1 / 9)
    first, few = history_sentences(found)
    assert str(first).startswith("Ash: ")
    assert "(11 % if the freezes had nothing in common)" in str(first)
    assert str(few).startswith("2 freezes are few")


def test_rows_and_lost_crops_are_counted() -> None:
    """Where the last run can count rows each has the mean of its vines; lost crops count where they are said."""
    runs = [_run("2022-02-01", [2.0, 0.0, -1.0]), _run("2024-01-20", [1.5, -1.0, -2.0])]
    for run, crop in zip(runs, ([40.0, 50.0, np.nan], [30.0, 80.0, np.nan]), strict=True):
        run.blocks["crop_before_pct"] = crop
    first = gpd.GeoSeries.from_xy([EAST + 1.5] * 3, [NORTH + 1.0] * 3, crs=CRS).to_crs(4326)
    corner = {"row_spacing_m": 3.0, "vine_spacing_m": 2.0, "row_bearing_deg": 0.0}
    corner |= {"first_vine_lon": [first.x.iloc[0], np.nan, np.nan], "first_vine_lat": [first.y.iloc[0], np.nan, np.nan]}
    runs[-1].blocks[list(corner)] = pd.DataFrame(corner)
    found = recurrence(runs)
    assert found.blocks.set_index("block")["half_crop_winters"].loc[["Ash", "Birch"]].tolist() == [2, 1]
    assert found.blocks["half_crop_winters"].isna().sum() == 1
    assert set(found.rows["block"]) == {"Ash"}
    assert found.rows["row"].tolist()[:3] == [1, 2, 3]
    assert found.rows["vines"].iloc[0] == 50
    assert found.rows["worst_third_each_pct"].iloc[:30].to_numpy() == pytest.approx(np.full(30, 100.0), abs=5.0)


def test_maps_that_know_nothing_make_nothing_stand_out() -> None:
    """With intervals as wide as no answer every place has (1/3)² and no block is named."""
    found = recurrence([_run("2022-02-01", [0.0, 0.0, 0.0], 2.0), _run("2024-01-20", [0.0, 0.0, 0.0], 2.0)])
    assert found.blocks["worst_third_each_pct"].tolist() == pytest.approx([100 / 9] * 3, abs=0.1)
    assert str(history_sentences(found)[0]).startswith("No block stands out")


def test_the_page_keeps_its_cautions_and_takes_no_name_for_markup() -> None:
    """Hostile names stay text; cautions, the service's advice and the sources stand on the page in both languages."""
    names = (HOSTILE[0], HOSTILE[1], HOSTILE[3])
    runs = [_run("2022-02-01", [2.0, 0.0, -1.0], names=names), _run("2024-01-20", [2.0, 0.0, -1.0], names=names)]
    found = recurrence(runs)
    page = Html(render("history/templates/history.html.j2", page=history_page(runs[-1], found)))
    assert not [tag for tag, _ in page.elements if tag in ("script", "img")]
    said = " ".join(page.words)
    assert HOSTILE[0] in said
    for words in ("extension service", "Dead buds are not dead vines", "FAO 2005"):
        assert words in said
    spanish = history_page(EarlierRun(**{**vars(runs[-1]), "language": "es", "units": "us"}), found)
    assert "servicio local de extensión" in render("history/templates/history.html.j2", page=spanish)


def test_what_a_spreadsheet_would_run_is_told() -> None:
    """OWASP, CSV Injection: names of blocks in runs that others made stand in history.csv with an apostrophe."""
    names = ("=1+1", "Birch", "Cedar")
    found = recurrence([_run(day, [2.0, 0.0, -1.0], names=names) for day in ("2022-02-01", "2024-01-20")])
    assert [str(note) for note in history_notes(found)] == [
        "In CSV files an apostrophe stands before the text that a spreadsheet would run: =1+1."
    ]


def test_the_command_writes_page_table_and_grid(tmp_path: Path) -> None:
    """Two runs' folders give history.html, .csv and .tif; one run, or a folder of them as output, is refused."""
    for name, mean in (("a", [2.0, 0.5, -1.0]), ("b", [1.5, -1.0, 0.5])):
        (tmp_path / name).mkdir()
        write_geopackage({"blocks": _blocks(np.array(mean))}, tmp_path / name / "vineyard.gpkg")
        write_injury(_surface(np.array(mean)), tmp_path / name / "injury.tif")
    out = tmp_path / "out"
    done = CliRunner().invoke(
        cli.commands, ["history", str(tmp_path / "a"), str(tmp_path / "b"), "-o", str(out)], catch_exceptions=False
    )
    assert done.exit_code == 0
    assert "history.html" in done.output
    table = pd.read_csv(out / "history.csv")
    assert table["block"].tolist()[0] == "Ash"
    with rasterio.open(out / "history.tif") as grid:
        assert grid.read(1, masked=True).max() <= 1.0
    with pytest.raises(InputError, match="one winter is no history"):
        read_history([tmp_path / "a"])
