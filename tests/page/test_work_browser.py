"""In Chromium: the page's list of work, whose marks outlive abrupt ends and are merged with another phone's."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from axe_playwright_python import sync_playwright as axe
from playwright import sync_api as playwright

from tests.builders import write_hollow_vineyard
from vinemap.bench.merge import merge_tables
from vinemap.columns import TICKS
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.sentences import section

WORDS = section("page")["en"]
ENDS = 20


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A vineyard's folder with the outputs of a run beside its files."""
    folder = tmp_path_factory.mktemp("work")
    write_map(make_map(write_hollow_vineyard(folder)), folder / "out")
    return folder


@pytest.fixture
def phone(browser: Any) -> Iterator[Any]:
    """A phone's browser, with its own store."""
    context = browser.new_context(viewport={"width": 360, "height": 740}, offline=True, accept_downloads=True)
    yield context
    context.close()


def opened(context: Any, home: Path) -> Any:
    page = context.new_page()
    page.goto((home / "out" / "map.html").as_uri())
    page.wait_for_selector("html[data-kept]")
    page.evaluate("document.querySelector('#panel').classList.add('open')")
    page.click("#tabs [value=work]")
    return page


def marked(page: Any) -> int:
    return int(page.evaluate("document.documentElement.dataset.marked"))


def settled(page: Any, count: int) -> None:
    page.wait_for_function("count => Number(document.documentElement.dataset.marked) >= count", arg=count)


def shown(page: Any) -> list[bool]:
    """Which tasks stand as done."""
    return list(page.evaluate("[...document.querySelectorAll('.job .tick input')].map((box) => box.checked)"))


def saved(page: Any, path: Path) -> pd.DataFrame:
    """Save the marks as a file."""
    with page.expect_download() as download:
        page.click("#jobs-save")
    download.value.save_as(path)
    return pd.read_csv(path)


def test_abrupt_ends_lose_no_mark(phone: Any, home: Path) -> None:
    """Twenty times the tab closes or its process crashes amid ticks: what the page showed as kept is there again."""
    tasks = len(pd.read_csv(home / "out" / "worklist.csv"))
    kept, state = 0, [False] * tasks
    for end in range(ENDS):
        page = opened(phone, home)
        assert marked(page) >= kept
        assert shown(page) == state, f"after end {end}"
        before = marked(page)
        page.locator(".job .tick input").nth(end % tasks).click()
        settled(page, before + 1)
        kept, state = marked(page), shown(page)
        # A flag is under way at every end: it may be kept or not, and does no harm to what was kept before it.
        page.evaluate("place => document.querySelectorAll('.job .flag')[place].click()", end % tasks)
        if end % 3 == 0:
            with page.expect_event("crash"), suppress(playwright.Error):
                page.goto("chrome://crash")
        page.close()
    page = opened(phone, home)
    assert shown(page) == state
    assert marked(page) >= kept >= ENDS


def test_marks_go_out_and_come_back_with_the_next_map(phone: Any, home: Path, browser: Any, tmp_path: Path) -> None:
    """Two phones' files are merged; the next map shows what was done and by whom, on every phone."""
    page = opened(phone, home)
    page.fill("#initials", "A. B.")
    page.press("#initials", "Tab")
    page.locator(".job .tick input").first.check()
    page.locator(".job .flag").first.click()
    settled(page, 2)
    assert "done by A. B." in page.locator(".job .by").first.inner_text()
    one = saved(page, tmp_path / "done_ab.csv")
    assert list(one) == TICKS.names
    assert one[["mark", "set", "initials"]].to_numpy().tolist() == [
        ["done", "yes", "A. B."],
        ["flagged", "yes", "A. B."],
    ]
    page.wait_for_selector("#jobs-note:not(:empty)")
    assert "Marks not sent yet: 0" in page.inner_text("#jobs-tally")
    second = browser.new_context(viewport={"width": 360, "height": 740}, accept_downloads=True)
    other = opened(second, home)
    other.locator(".job .tick input").nth(1).check()
    settled(other, 1)
    saved(other, tmp_path / "done_cd.csv")
    merge_tables([tmp_path / "done_ab.csv", tmp_path / "done_cd.csv"], home / "done.csv")
    run = make_map(home)
    assert run.work["done"].fillna(value=False).tolist()[:2] == [True, True]
    assert run.work["done_by"].iloc[0] == "A. B."
    write_map(run, home / "out")
    # A phone that knows neither mark of the other sees both.
    again = opened(second, home)
    assert shown(again)[:2] == [True, True]
    assert "done by A. B." in again.locator(".job .by").first.inner_text()
    second.close()


def test_the_list_says_what_and_how_long(phone: Any, home: Path) -> None:
    """Each task has its place, vines, hours that are called assumed, and its turn; no fault of accessibility."""
    page = opened(phone, home)
    work = pd.read_csv(home / "out" / "worklist.csv")
    assert page.locator(".job").count() == len(work)
    entries = [" ".join(text.split()) for text in page.locator(".job").all_inner_texts()]
    for entry, task in zip(entries, work.to_dict("records"), strict=True):
        assert WORDS[f"action.{task['task']}"] in entry
        if task["task"] == "more_canes":
            assert f"{task['vines_to_work']:.0f} cane" in entry
        assert ("assumed" in entry) == (task["hours_from"] == "assumed")
    found = axe.Axe().run(page, context="#jobs").response["violations"]
    assert [one["id"] for one in found] == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_the_printed_sheet_lists_the_work(phone: Any, home: Path) -> None:
    """On paper each task stands in its turn, with where and how long, and with the marks of this device."""
    page = opened(phone, home)
    place = shown(page).index(False)
    page.locator(".job .tick").nth(place).click()
    settled(page, 1)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    rows = [" ".join(text.split()) for text in page.locator("#sheet .tasks tbody tr:not(.due)").all_text_contents()]
    work = pd.read_csv(home / "out" / "worklist.csv")
    for row, task in zip(rows, work.to_dict("records"), strict=True):
        action = WORDS[f"action.{task['task']}"]
        assert row.startswith(f"{task['visit']}{action}")
        assert task["block"] in row
    assert WORDS["work.on.done"].partition("{")[0] in rows[place]


def test_canes_of_the_list_lie_where_the_file_has_them(home: Path) -> None:
    """Every cane of more_canes.csv is in the zone that it names, as many as the work list asks for."""
    canes = pd.read_csv(home / "out" / "more_canes.csv")
    zones = gpd.read_file(home / "out" / "vineyard.gpkg", layer="zones").set_index("zone")
    points = gpd.GeoSeries.from_xy(canes["lon"], canes["lat"], crs=4326).to_crs(zones.crs)
    assert all(
        zones.geometry[zone].buffer(0.1).contains(point) for zone, point in zip(canes["zone"], points, strict=True)
    )
    work = pd.read_csv(home / "out" / "worklist.csv")
    asked = work[work["task"] == "more_canes"].set_index("zone")["vines_to_work"]
    assert canes.groupby("zone").size().to_dict() == asked.to_dict()
