"""What temperature loggers let expect before the first cane, and how the plan uses it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from tests.builders import CRS, EAST, NORTH, write_hollow_vineyard
from vinemap.plan.options import PlanOptions
from vinemap.plan.outlook import Outlook, outlook_of
from vinemap.plan.overview import sentences
from vinemap.plan.plan import Plan
from vinemap.plan.round_sheet import write_sheet
from vinemap.plan.run import plan_round
from vinemap.reading.vineyard import read_site


def home(folder: Path, minima: list[float], lethal: float = -23.0) -> Path:
    """Write the hollow vineyard before its survey, with loggers from its cold west to its east."""
    write_hollow_vineyard(folder)
    (folder / "buds.csv").unlink()
    (folder / "samples.csv").unlink()
    east = EAST + np.linspace(20, 380, len(minima))
    points = gpd.GeoSeries(gpd.points_from_xy(east, np.full(len(east), NORTH + 70)), crs=CRS).to_crs(4326)
    frame = {"logger": [f"N{k}" for k in range(len(minima))], "lon": points.x, "lat": points.y, "min_c": minima}
    pd.DataFrame(frame).to_csv(folder / "loggers.csv", index=False)
    rows = pd.DataFrame({"variety": [None], "species_group": ["vinifera"], "lt50_c": [lethal]})
    rows.to_csv(folder / "hardiness.csv", index=False)
    blocks = gpd.read_file(folder / "blocks.gpkg").assign(species_group="vinifera")
    blocks.to_file(folder / "blocks.gpkg")
    return folder


COLD_WEST = [-27.0, -26.5, -24.0, -20.5, -20.0, -20.2, -20.1]


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return plan_round(home(tmp_path_factory.mktemp("cold"), COLD_WEST), PlanOptions())


def known(plan: Plan) -> Outlook:
    assert plan.outlook is not None
    return plan.outlook


def test_the_cold_block_comes_first(plan: Plan) -> None:
    """Blocks are ranked by expected kill; each has its bounds; what the loggers say of a place is the formula's."""
    outlook = known(plan)
    ranked = outlook.ranked()
    assert ranked["block"].tolist() == ["Hollow", "Level"]
    assert (ranked["low_pct"] < ranked["expected_pct"]).all()
    assert (ranked["expected_pct"] < ranked["high_pct"]).all()
    xy = np.array([[EAST + 20.0, NORTH + 70.0]])
    assert outlook.at(xy, np.zeros(1, int)).mean[0] > 0.85
    assert outlook.at(np.array([[EAST + 330.0, NORTH + 70.0]]), np.ones(1, int)).mean[0] < 0.3


def test_numbers_count_what_is_still_possible(tmp_path: Path) -> None:
    """A block surely sound needs fewer canes; one that may be half dead needs as many as with nothing known."""
    site = read_site(home(tmp_path, [-10.0, -10.2, -10.1, -9.9, -10.0]))
    outlook = outlook_of(site, None)
    assert outlook is not None
    assert max(outlook.shares()) < 0.1
    open_ = outlook_of(read_site(home_again(tmp_path, [-23.0, -23.2, -22.9, -23.1, -23.0])), None)
    assert open_ is not None
    assert open_.shares() == [0.5, 0.5]


def home_again(folder: Path, minima: list[float]) -> Path:
    table = pd.read_csv(folder / "loggers.csv").assign(min_c=minima)
    table.to_csv(folder / "loggers.csv", index=False)
    return folder


def test_points_are_spread_over_what_is_expected(plan: Plan) -> None:
    """The canes of the hollow stand for its cold and its mild ground alike: their mean is about the block's."""
    outlook = known(plan)
    here = plan.points[plan.points["block"] == "Hollow"]
    xy = here.geometry.get_coordinates().to_numpy()
    mean = float(expit(outlook.coldness(xy, 0)).mean()) * 100
    expected = outlook.blocks.set_index("block").loc["Hollow", "expected_pct"]
    assert abs(mean - expected) < 8
    assert np.ptp(outlook.coldness(xy, 0)) > 1.5


def test_it_is_told_as_a_forecast_of_a_forecast(plan: Plan, tmp_path: Path) -> None:
    """The command and the sheet say where to look first, of what that is made, and that it decides nothing."""
    said = [str(line) for line in sentences(plan)]
    first = next(line for line in said if line.startswith("Where to look first"))
    assert first.index("Hollow") < first.index("Level")
    assert any("forecast of a forecast" in line and "decides nothing" in line for line in said)
    assert any(line.startswith("Sizes count the injury nearest to one half") for line in said)
    write_sheet(plan, tmp_path / "plan.html", dt.date(2026, 1, 23))
    html = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert "Where to look first" in html
    assert "pronóstico de un pronóstico" in html


def test_without_loggers_the_plan_is_as_before(tmp_path: Path) -> None:
    """With two loggers, or none, nothing is expected, and points and numbers are those of height alone."""
    with_two = plan_round(home(tmp_path, [-27.0, -20.0]), PlanOptions())
    (tmp_path / "loggers.csv").unlink()
    without = plan_round(tmp_path, PlanOptions())
    assert with_two.outlook is without.outlook is None
    assert with_two.points.drop(columns="geometry").equals(without.points.drop(columns="geometry"))
    assert with_two.sizes.equals(without.sizes)
