"""In Chromium: the page of a block whose zones differ tells every zone's task, what was cut there, and how sure."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from pyproj import Transformer
from shapely import LineString

from tests.builders import CRS, EAST, NORTH, write_hollow_vineyard
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.sentences import section

WORDS = {language: section("page")[language] for language in ("en", "es")}
TOLD = "document.querySelector('#readout').innerText"
POINT = "([lat, lon]) => { const at = map_vineyard.latLngToContainerPoint([lat, lon]); return [at.x, at.y]; }"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run over a block half in a hollow."""
    folder = tmp_path_factory.mktemp("zones")
    write_hollow_vineyard(folder)
    # In the block beside: rows of 70 vines, 2 m apart, that bend half-way, 4 m from row to row.
    lines = [
        LineString([(x, NORTH + 1), (x, NORTH + 70), (x + 1, NORTH + 139)]) for x in EAST + 260 + np.arange(2, 138, 4)
    ]
    rows = {"block": "Level", "row": range(1, 35), "vines": 70}
    gpd.GeoDataFrame(rows, geometry=lines, crs=CRS).to_file(folder / "rows.gpkg")
    write_map(make_map(folder), folder / "out")
    return folder / "out"


@pytest.fixture
def page(home: Path, browser: Any) -> Iterator[Any]:
    """The page on a phone, and no message of the browser at its end."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, offline=True)
    shown, said = context.new_page(), []
    shown.on("console", lambda message: said.append(message.text))
    shown.on("pageerror", lambda error: said.append(str(error)))
    shown.goto((home / "map.html").as_uri())
    shown.wait_for_selector("html[data-ready]")
    yield shown
    assert said == []
    context.close()


def _tap(page: Any, east: float, north: float) -> str:
    """Tap a place in the north, which the box leaves in sight, and return what the box says, its spaces made plain."""
    lon, lat = Transformer.from_crs(CRS, 4326, always_xy=True).transform(EAST + east, NORTH + north)
    x, y = page.evaluate(POINT, [lat, lon])
    box = page.locator(".folium-map").bounding_box()
    before = page.evaluate(TOLD)
    page.mouse.click(box["x"] + x, box["y"] + y)
    page.wait_for_function(f"before => document.querySelector('#readout.pinned') && ({TOLD}) !== before", arg=before)
    return " ".join(page.evaluate(TOLD).split())


def test_the_box_names_row_and_vine_where_rows_are_known(page: Any) -> None:
    """Row 16 runs 62 m east of the block's corner, and 0.5 m further half-way up its upper half, 104.5 m north, where
    its vine 53 of 70 stands; in the block whose rows are not known nothing is said."""
    assert "Level Row 16, vine 53" in _tap(page, 260 + 62.6, 104.5)
    assert "vine" not in _tap(page, 40, 175).split("Chance")[0]


def test_where_a_zone_lies_is_told_from_the_corner(page: Any) -> None:
    """The hollow's zone begins at the corner and goes right across; where rows are known they are named."""
    told = page.evaluate("[...document.querySelectorAll('.zone-task')].map((one) => one.textContent).join('|')")
    assert "From the south-west corner: 0 to 70\u00a0m along the south side, right across the block." in told
    assert "Rows 1–32." in told


def test_the_box_gives_the_zone_s_task_and_what_it_rests_on(page: Any) -> None:
    """Among dead vines it asks for long pruning, between the samples it is not sure, among few samples neither."""
    west = _tap(page, 40, 175)
    assert "Chance of more than 50%: more than 95%" in west
    assert "Zone 1: Prune twice: now leave" in west
    assert "Zone: 10 samples, 20 canes, 200 nodes cut. Block: 20 samples, 40 canes, 400 nodes cut." in west
    middle = _tap(page, 100, 175)
    assert "not sure" in middle
    assert "Zone: no sample here: from the map alone." in middle
    level = _tap(page, 300, 125)
    assert "too few samples here to be sure" in level
    assert "Block: 4 samples, 8 canes, 80 nodes cut." in level


@pytest.mark.parametrize("language", WORDS)
def test_list_block_and_print_name_every_zone(page: Any, language: str) -> None:
    """No block that is worked by zone gives a number of its own, in any of them."""
    words = WORDS[language]
    page.get_by_role("button", name=words["language.short"]).click()
    page.click("#fold")
    page.wait_for_selector("#panel.open")
    listed = page.locator("#ranks li").first
    tasks = [words["do.twice"].format(low=60, high=90, after=30), words["do.nodes"].format(keep=45, usual=30)]
    tasks += [words["task.as_usual"].format(keep=30)]
    assert words["action.work_by_zone"] in listed.inner_text()
    assert [text.inner_text() for text in listed.locator(".zone-do").all()] == tasks
    listed.locator("button").click()
    work = page.locator("#detail .work")
    assert [text.inner_text() for text in work.locator(".zone-do").all()] == tasks
    assert work.locator(".nodes-to-keep").count() == 0
    sure = page.locator("#detail .zones tbody tr:nth-child(2) td:nth-child(2)").all_inner_texts()
    assert len(sure) == 3
    assert page.locator("#legend .paper").is_hidden()
    page.emulate_media(media="print")
    page.wait_for_selector("body.printing")
    assert page.locator("#legend .paper").inner_text() == words["legend.zones"]
    assert page.locator("#sheet .zone-do").all_inner_texts()[:3] == tasks
