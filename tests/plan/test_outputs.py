"""The plan's files: read back by drivers of open formats and by the vineyard reader, all or nothing."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest

from tests.builders import HOSTILE, blocks, write_elevation, write_part_of_demo, write_vineyard
from vinemap.columns import BUDS_BY_NODE, PLAN_POINTS, PLAN_SAMPLES
from vinemap.errors import InputError
from vinemap.plan.options import PlanOptions
from vinemap.plan.overview import sentences
from vinemap.plan.run import make_plan, plan_round
from vinemap.plan.survey import read_survey
from vinemap.reading.vineyard import read_vineyard

GPX = "{http://www.topografix.com/GPX/1/1}"
NAME = f"{HOSTILE[1]} {HOSTILE[7]}"
FILES = {"plan.html", "plan.gpx", "plan.kml", "plan.geojson", "samples.csv", "buds.csv"}

pytestmark = pytest.mark.usefixtures("few_draws")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A vineyard of blocks and elevation alone, one of them with a hostile name, and its plan in ``plan``."""
    folder = tmp_path_factory.mktemp("site")
    frame = blocks(row_spacing_m=[2.5, 2.5, None], vine_spacing_m=[1.5, None, None], variety=["R", None, "C"])
    frame.loc[0, "block"] = NAME
    frame.to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    write_elevation(folder / "elevation.tif")
    make_plan(folder, folder / "plan")
    return folder


def test_all_files_are_there(home: Path) -> None:
    """Six files, the bench page and the run's own account, and no half-made one beside them."""
    assert {file.name for file in (home / "plan").iterdir()} == {*FILES, "bench.html", "run.json"}
    assert not [file for file in home.iterdir() if file.name.startswith(".")]


def test_gpx_holds_the_stops_and_the_walk(home: Path) -> None:
    """GPX 1.1 by its own schema's order: metadata, waypoints in walking order, then one track; drivers read both."""
    path = home / "plan" / "plan.gpx"
    root = ElementTree.fromstring(path.read_text(encoding="utf-8"))  # noqa: S314 - a file of our own
    tags = [child.tag.removeprefix(GPX) for child in root]
    stops = gpd.read_file(path, layer="waypoints")
    assert tags == ["metadata", *["wpt"] * len(stops), "trk"]
    plan = gpd.read_file(home / "plan" / "plan.geojson")
    assert stops["name"].tolist() == plan["sample"].tolist()
    assert stops.geometry.geom_equals_exact(plan.geometry, 1e-6).all()
    assert stops["ele"].to_numpy() == pytest.approx(plan["elevation_m"].to_numpy())
    assert NAME in "".join(stops["desc"])
    (walk,) = gpd.read_file(path, layer="tracks").geometry
    away = stops.to_crs(32618).distance(gpd.GeoSeries([walk], crs=4326).to_crs(32618).iloc[0])
    assert away.max() < 0.1
    bounds = root.find(f"{GPX}metadata/{GPX}bounds")
    assert bounds is not None
    assert float(bounds.attrib["minlat"]) == pytest.approx(walk.bounds[1])


def test_gpx_carries_the_cautions(home: Path) -> None:
    """Whoever opens the file in the field is told to cut away from the body and to go round rows (common practice)."""
    path = home / "plan" / "plan.gpx"
    metadata = ElementTree.fromstring(path.read_text(encoding="utf-8")).find(f"{GPX}metadata")  # noqa: S314
    assert metadata is not None
    # GPX 1.1 wants the description before the bounds.
    assert [child.tag.removeprefix(GPX) for child in metadata] == ["desc", "bounds"]
    for said in (metadata[0].text, gpd.read_file(path, layer="tracks")["desc"].iloc[0]):
        for word in ("away from the body", "behind the blade", "eye protection", "ice", "go round rows"):
            assert word in said


def test_bench_counts_as_the_plan_does(home: Path, tmp_path: Path) -> None:
    """The plan's correlation is in its bench page, and whether the first survey has shown it."""
    write_part_of_demo(tmp_path / "demo", "Larkrise", "Dipper")
    make_plan(tmp_path / "demo", tmp_path / "plan", PlanOptions(points=1))
    shown = read_survey(tmp_path / "demo").correlation
    assert shown.known
    for page, rho, source in ((home, PlanOptions.rho, "plan"), (tmp_path, shown.rho, "survey")):
        text = (page / "plan" / "bench.html").read_text(encoding="utf-8")
        data = json.loads(text.split('id="bench-data">', 1)[1].split("</script>", 1)[0])
        assert (data["rho"], data["rho_from"]) == (pytest.approx(rho), source)


def test_choices_without_bearing_are_named(home: Path, folder: Path) -> None:
    """Points in a first round, a precision in a second, and more points than the ground holds are each said."""
    first, second = plan_round(home, PlanOptions(points=4)), plan_round(folder, PlanOptions(points=3))
    assert any("4 points asked for were not heeded" in sentence for sentence in sentences(first))
    assert not any("heeded" in sentence or "found room" in sentence for sentence in sentences(second))
    for options, said in (
        (PlanOptions(half_width=0.05, points=3), "precision of ±5 points was not heeded"),
        (PlanOptions(points=5000), "Of the 5000 points asked for only 3 found room"),
    ):
        assert any(said in sentence for sentence in sentences(replace(second, options=options)))


def test_kml_holds_the_stops_and_the_walk(home: Path) -> None:
    """KML has a layer of named points and one of the line."""
    path = home / "plan" / "plan.kml"
    assert [name for name, _ in pyogrio.list_layers(path)] == ["samples", "walk"]
    stops = gpd.read_file(path, layer="samples")
    assert stops["Name"].tolist() == pd.read_csv(home / "plan" / "samples.csv")["sample"].tolist()
    assert gpd.read_file(path, layer="walk").geometry.geom_type.tolist() == ["LineString"]


def test_geojson_tells_everything_of_a_stop(home: Path) -> None:
    """Longitude first, in WGS 84 (RFC 7946); rows and vines where they can be counted, missing where they cannot."""
    text = json.loads((home / "plan" / "plan.geojson").read_text(encoding="utf-8"))
    assert "crs" not in text
    plan = gpd.read_file(home / "plan" / "plan.geojson")
    assert list(plan) == [*(name for name in PLAN_POINTS.names if name != "probability_pct"), "geometry"]
    assert plan["stop"].tolist() == list(range(1, len(plan) + 1))
    by_block = plan.groupby("block")
    assert by_block["row"].count().tolist() == [13, 13, 0]
    assert by_block["vine"].count().tolist() == [13, 0, 0]
    assert (by_block["terrain"].nunique() == 3).all()


def test_round_trip_with_no_hand_edit(home: Path, tmp_path: Path) -> None:
    """The samples.csv of the plan and buds under its buds.csv header make a vineyard that reads without a warning."""
    shutil.copytree(home, tmp_path / "next")
    folder = tmp_path / "next"
    shutil.copy(folder / "plan" / "samples.csv", folder)
    header = (folder / "plan" / "buds.csv").read_text(encoding="utf-8")
    samples = pd.read_csv(folder / "samples.csv")
    rows = [
        f"{name},1,{node},{'dead' if node % 3 else 'alive'},," for name in samples["sample"] for node in range(1, 11)
    ]
    (folder / "buds.csv").write_text(header + "\n".join(rows) + "\n", encoding="utf-8")
    vineyard = read_vineyard(folder)
    assert vineyard.warnings == ()
    assert len(vineyard.nodes) == 390
    assert vineyard.samples["block"].tolist() == samples["block"].tolist()
    assert (vineyard.samples["distance_m"] == 0).all()
    plan = gpd.read_file(home / "plan" / "plan.geojson").to_crs(vineyard.site.crs)
    assert plan.distance(vineyard.samples.set_geometry("geometry")).max() < 0.05


def test_the_second_round_takes_new_names(folder: Path) -> None:
    """With samples and buds the plan is a second round, whose names are none of those there."""
    told = sentences(make_plan(folder, folder / "plan", PlanOptions(points=5)))
    new = pd.read_csv(folder / "plan" / "samples.csv")
    assert len(new) == 5
    assert not set(new["sample"]) & set(pd.read_csv(folder / "samples.csv")["sample"])
    assert "first survey leaves about" in told[0]
    assert "5 sarmientos más, con 10 nudos en cada uno" in told[0].said("es")
    plan = gpd.read_file(folder / "plan" / "plan.geojson")
    assert plan["probability_pct"].between(0, 100).all()
    unknown = {"variety", "row", "vine", "elevation_m"}
    assert set(PLAN_POINTS.names) - set(plan) == unknown
    assert list(new) == PLAN_SAMPLES.names
    assert list(pd.read_csv(folder / "plan" / "buds.csv")) == BUDS_BY_NODE.names
    told = sentences(make_plan(folder, folder / "plan", PlanOptions(), first=True))
    assert told[0].startswith("39 canes from 3 blocks, 13 a block")
    assert told[0].said("es").startswith("39 sarmientos de 3 cuarteles, 13 por cuartel")


def test_a_survey_too_small_for_a_second_round_is_named(tmp_path: Path) -> None:
    """Two samples tell too little to go by: a problem, no traceback, and nothing written."""
    write_vineyard(tmp_path)
    for name in ("samples.csv", "buds.csv"):
        table = pd.read_csv(tmp_path / name)
        table[table["sample"].isin(["A1", "B1"])].to_csv(tmp_path / name, index=False)
    with pytest.raises(InputError, match="2 samples with a primary bud read lie in a block") as caught:
        make_plan(tmp_path, tmp_path / "plan")
    assert len(caught.value.problems) == 1
    assert not (tmp_path / "plan").exists()


def test_a_start_with_its_axes_swapped_is_named(tmp_path: Path) -> None:
    """A start on another continent is a mistake to name, not a walk to plan."""
    write_vineyard(tmp_path, skip=("samples", "buds"))
    with pytest.raises(InputError, match="longitude, then its latitude"):
        make_plan(tmp_path, tmp_path / "plan", PlanOptions(start=(43.35, -75.0)))
    assert not (tmp_path / "plan").exists()


def test_blocks_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    """Without blocks there is nothing to plan, and the problem says so."""
    with pytest.raises(InputError, match="blocks"):
        make_plan(tmp_path, tmp_path / "plan")
    assert list(tmp_path.iterdir()) == []


def test_a_plan_is_the_same_every_time(home: Path, tmp_path: Path) -> None:
    """The same folder and seed give the same points; another seed gives others."""
    make_plan(home, tmp_path / "again")
    make_plan(home, tmp_path / "other", PlanOptions(seed=2))
    first, again, other = (
        (place / "samples.csv").read_text(encoding="utf-8")
        for place in (home / "plan", tmp_path / "again", tmp_path / "other")
    )
    assert first == again != other


def test_without_elevation_the_ground_is_unknown(tmp_path: Path) -> None:
    """Blocks alone are enough; the sentences say what is missing, and no height is invented."""
    write_vineyard(tmp_path, skip=("samples", "buds"))
    told = sentences(make_plan(tmp_path, tmp_path / "plan", PlanOptions(half_width=0.15, start=(-75.0, 43.35))))
    assert any("no elevation grid" in sentence for sentence in told)
    assert not any("climb" in sentence for sentence in told)
    plan = gpd.read_file(tmp_path / "plan" / "plan.geojson")
    assert set(plan["terrain"]) == {"unknown"}
    assert "elevation_m" not in plan
    assert np.isin(["ele"], gpd.read_file(tmp_path / "plan" / "plan.gpx", layer="waypoints").columns).all()


@pytest.mark.parametrize("quoted", [False, True])
def test_formulas_are_told_of_and_read_back(tmp_path: Path, quoted: bool) -> None:
    """A block's name that a spreadsheet would run is named, stands in samples.csv as it is or quoted as the settings
    say, and is the block's name again when the filled table is read."""
    write_vineyard(tmp_path)
    outlines = tmp_path / "blocks.geojson"
    outlines.write_text(outlines.read_text(encoding="utf-8").replace('"Ash"', '"=Ash"'), encoding="utf-8")
    (tmp_path / "vinemap.toml").write_text(f"quote_formulas = {str(quoted).lower()}\n", encoding="utf-8")
    report = sentences(make_plan(tmp_path, tmp_path / "plan", first=True))
    (note,) = [sentence for sentence in report if "=Ash" in sentence and "spreadsheet" in sentence.lower()]
    assert ("quote_formulas = true" in note) is not quoted
    written = pd.read_csv(tmp_path / "plan" / "samples.csv")
    assert ("'=Ash" if quoted else "=Ash") in set(written["block"])
    shutil.copy(tmp_path / "plan" / "samples.csv", tmp_path / "samples.csv")
    names = written["sample"].tolist()
    buds = pd.DataFrame({"sample": names, "cane": 1, "node": 1, "primary": "alive"})
    buds.to_csv(tmp_path / "buds.csv", index=False)
    vineyard = read_vineyard(tmp_path)
    assert set(vineyard.samples["stated_block"]) == {"=Ash", "Birch", "Cedar"}
    assert sum("spreadsheet" in str(warning).lower() for warning in vineyard.warnings) == 1
