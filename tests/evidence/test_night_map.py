"""Temperature loggers on their way through a run: to the surface, run.json and what is said."""

from __future__ import annotations

import json
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from tests.builders import CRS, EAST, NORTH, write_hollow_vineyard
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map


def with_loggers(folder: Path, minima: list[float], units: str = "metric") -> Path:
    """Write the hollow vineyard with loggers from its cold west to its east."""
    write_hollow_vineyard(folder)
    east = EAST + np.linspace(30, 340, len(minima))
    points = gpd.GeoSeries(gpd.points_from_xy(east, np.full(len(east), NORTH + 70)), crs=CRS).to_crs(4326)
    frame = {"logger": [f"N{k}" for k in range(len(minima))], "lon": points.x, "lat": points.y, "min_c": minima}
    pd.DataFrame(frame).to_csv(folder / "loggers.csv", index=False)
    (folder / "vinemap.toml").write_text(f'units = "{units}"\n[surface]\ncell_m = 10.0\n', encoding="utf-8")
    return folder


def test_loggers_reach_the_surface(tmp_path: Path) -> None:
    """The night's minimum is a layer, a candidate of the model that points to the cold; it is said in °F to those."""
    run = make_map(with_loggers(tmp_path, [-26.0, -25.5, -20.5, -20.0, -20.2, -20.1], "us"))
    surface = run.surface
    west, east = (surface["night_c"].sel(x=EAST + x, y=NORTH + 60, method="nearest").item() for x in (40, 320))
    assert west < east - 3
    assert bool((surface["night_low_c"] < surface["night_c"]).where(surface["night_c"].notnull(), True).all())
    known = run.report["model"]["evidence"]
    assert [one["name"] for one in known] == ["night.minimum"]
    (effect,) = [one for one in run.report["model"]["effects"] if one["of"] == "evidence"]
    assert effect["here"] < effect["there"] - 3
    assert effect["sign_probability"] > 0.75
    assert len(run.report["night"]["loggers"]) == 6
    said = " ".join(map(str, run.findings))
    assert "6 temperature loggers had -14.8 °F to -4.0 °F in the coldest hour of the night." in said
    assert "°C" not in said
    write_map(run, tmp_path / "out")
    html = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    (text,) = re.findall(r'<script[^>]* id="vinemap-data"[^>]*>(.*?)</script>', html, re.DOTALL)
    data = json.loads(text)
    assert len(data["night"]["loggers"]["place"]) == 6
    low, high = data["night"]["span"]
    assert low == pytest.approx(float(surface["night_c"].min()), abs=1e-3)
    assert high == pytest.approx(float(surface["night_c"].max()), abs=1e-3)
    assert {"night_c", "night_low_c", "night_high_c"} <= set(data["surface"]["layers"])
    assert set(data["report"]["night"]["findings"][0]) >= {"en", "es"}


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_loggers_are_told(tmp_path: Path, count: int) -> None:
    """One or two loggers make no surface, and a note says so; the map is that without them."""
    run = make_map(with_loggers(tmp_path, [-26.0, -20.0][:count]))
    assert "night_c" not in run.surface
    assert "night" not in run.report
    assert any(warning.key.startswith("warning.logger.few") for warning in run.report["warnings"])
