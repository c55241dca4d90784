"""The map that outlines and points are drawn on: by pointer, by keyboard alone, on a phone, and in two tabs at once."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.builders import HOSTILE, blocks, samples
from vinemap.desk.serve import serve

Open = Callable[..., Any]

PATIENCE_MS = 120_000  # a machine with other work makes a map slowly


class _Served:
    """A desk that runs in this process, and its address."""

    def __init__(self, folder: Path) -> None:
        ready = threading.Event()

        def opened(address: str) -> None:
            self.address = address
            ready.set()

        self._thread = threading.Thread(target=serve, args=(folder, opened), daemon=True)
        self._thread.start()
        ready.wait()

    def close(self, page: Any) -> None:
        """Close it by its own button."""
        page.locator("#foot button").click()
        self._thread.join()


@pytest.fixture
def editor(folder: Path, browser: Any) -> Iterator[Open]:
    """Open the map of a vineyard, as often as wanted."""
    served = _Served(folder)
    pages: list[Any] = []
    faults: list[str] = []

    def opened(width: int = 1280, height: int = 900, **more: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, locale="en-US", **more)
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(served.address)
        page.goto(f"{page.url}/places")
        page.wait_for_selector("html[data-ready]")
        pages.append(page)
        return page

    yield opened
    for page in pages:
        page.evaluate("0")  # what it noted before comes with the answer
    noted = list(faults)
    # A desk that is closing cuts off what its pages still load, where routed requests keep them from what is in store.
    served.close(pages[0])
    for page in pages:
        page.context.close()
    meant = ("409", "ERR_FAILED")  # answers that a test asked for
    assert [fault for fault in noted if not any(one in fault for one in meant)] == []


def _journal(folder: Path) -> list[dict[str, Any]]:
    """Return what was kept of outlines and points, in its order."""
    lines = (folder / ".desk" / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return [entry for line in lines if (entry := json.loads(line))["kind"] == "feature"]


def _kept(page: Any) -> None:
    """Wait until the desk has said that all is on the disk."""
    expect(page.locator("#said")).to_have_text("Kept")


def _choose(page: Any, block: int) -> None:
    """Choose a block in the list by keys."""
    page.focus(f"#list-blocks button >> nth={block}")
    page.keyboard.press("Enter")


def _at(page: Any, share_x: float, share_y: float) -> tuple[float, float]:
    box = page.locator("#chart").bounding_box()
    return box["x"] + share_x * box["width"], box["y"] + share_y * box["height"]


def _ring(feature: dict[str, Any]) -> list[list[float]]:
    return feature["geometry"]["coordinates"][0]


def test_a_block_is_drawn_named_and_saved_by_pointer(folder: Path, editor: Open) -> None:
    """Corners that were pressed are the outline's; name and rows' direction are kept; saving puts all in the file."""
    page = editor()
    page.click("#draw")
    for share in ((0.1, 0.1), (0.3, 0.1), (0.3, 0.25), (0.1, 0.25)):
        page.mouse.click(*_at(page, *share))
    page.click("#close-ring")
    page.fill("#name", HOSTILE[0])
    page.press("#name", "Tab")
    assert page.evaluate("document.activeElement.id") == "bearing"
    page.keyboard.type("35")
    page.click("#correct")  # what is pressed right after typing is not lost
    expect(page.locator("#correct")).to_have_attribute("aria-pressed", "true")
    _kept(page)
    last = _journal(folder)[-1]["feature"]
    assert last["properties"] == {"block": HOSTILE[0], "row_bearing_deg": 35}
    assert len(_ring(last)) == 5
    assert page.locator("#list-blocks bdi", has_text=HOSTILE[0]).count() == 1
    with page.expect_navigation():
        page.click("#save-bar button")
    found = gpd.read_file(folder / "blocks.geojson").set_index("block")
    assert set(found.index) == {"Ash", "Birch", "Cedar", HOSTILE[0]}
    assert found.loc[HOSTILE[0], "row_bearing_deg"] == 35
    assert found.geometry.is_valid.all()


def test_a_corner_is_moved_and_the_rows_are_turned_by_keyboard_alone(folder: Path, editor: Open) -> None:
    """With no pointer a block is chosen, its corner goes three metres east, its rows turn by 11 degrees; undo."""
    page = editor()
    page.focus("#list-blocks button >> nth=0")
    page.keyboard.press("Enter")
    page.focus("#correct")
    page.keyboard.press("Enter")
    page.focus(".handle.corner >> nth=0")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    _kept(page)
    was = gpd.read_file(folder / "blocks.geojson").to_crs(blocks().crs).geometry[0]
    now = shapely.geometry.shape(_journal(folder)[-1]["feature"]["geometry"])
    moved = gpd.GeoSeries([now], crs=4326).to_crs(blocks().crs)[0]
    steps = shapely.get_coordinates(moved) - shapely.get_coordinates(was)
    assert steps[0] == pytest.approx([3, 0], abs=0.05)
    assert abs(steps[1:-1]).max() < 0.01
    page.focus("#turn")
    page.keyboard.press("Enter")
    page.focus(".handle.knob")
    page.keyboard.press("Shift+ArrowRight")
    page.locator(".handle.knob").evaluate("(knob) => { knob.dataset.former = true }")
    expect(page.locator("#bearing")).to_have_value("10")
    page.wait_for_selector(".handle.knob:not([data-former])")  # all is built anew once it is kept and looked at
    expect(page.locator(".handle.knob")).to_be_focused()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#bearing")).to_have_value("11")
    page.focus("#undo")
    page.keyboard.press("Enter")
    expect(page.locator("#bearing")).to_have_value("10")
    page.focus("#list-blocks button >> nth=0")
    page.keyboard.press("Enter")
    assert page.input_value("#bearing") == "10"


def test_what_was_kept_before_is_not_said_of_what_is_not_kept_yet(folder: Path, editor: Open) -> None:
    """While the desk has not answered nothing says "Kept"; keys that move a corner are one change, of its own block."""
    page = editor()
    _choose(page, 0)
    page.fill("#name", "Ash 2")
    page.press("#name", "Tab")
    _kept(page)
    unanswered: list[Any] = []

    def hold(route: Any) -> None:
        unanswered.append(route)

    page.route("**/places/blocks/*", hold)
    page.focus("#correct")
    page.keyboard.press("Enter")
    page.focus(".handle.corner >> nth=0")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    with page.expect_request("**/places/blocks/*"):
        _choose(page, 1)  # at once: the corner is not another block's
    expect(page.locator("#said")).to_have_text("")
    expect(page.locator("#name")).to_have_value("Birch")
    [sent] = unanswered
    assert sent.request.post_data_json["feature"]["properties"]["block"] == "Ash 2"
    sent.continue_()
    _kept(page)
    assert [entry["feature"]["properties"]["block"] for entry in _journal(folder)] == ["Ash 2", "Ash 2"]


def test_a_sample_is_placed_under_the_crosshair_on_a_phone(folder: Path, editor: Open) -> None:
    """At 360 px nothing is wider than the page; a point goes where the crosshair is, into the table of samples."""
    page = editor(360, 740, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.tap("#point")
    page.tap("#here")
    page.fill("#name", "Z9")
    page.press("#name", "Tab")
    _kept(page)
    small = "(e) => { const b = e.getBoundingClientRect(); return b.width && Math.min(b.width, b.height) < 43.5 }"
    sizes = page.locator("#editor button").evaluate_all(f"(all) => all.filter({small}).map((e) => e.id)")
    assert sizes == []
    with page.expect_navigation():
        page.tap("#save-bar button")
    table = pd.read_csv(folder / "samples.csv").set_index("sample")
    assert len(table) == len(samples()) + 1
    middle = samples().to_crs(4326).union_all().envelope.centroid
    assert (table.loc["Z9", "lon"], table.loc["Z9", "lat"]) == pytest.approx((middle.x, middle.y), abs=0.002)


def test_an_outline_that_crosses_itself_is_not_closed(editor: Open) -> None:
    """It is said, and the button waits until the last corner was taken back."""
    page = editor()
    page.click("#draw")
    for share in ((0.1, 0.1), (0.3, 0.3), (0.3, 0.1), (0.1, 0.3)):
        page.mouse.click(*_at(page, *share))
    assert page.is_disabled("#close-ring")
    assert "crosses itself" in page.inner_text("#how")
    page.click("#back")
    assert page.is_enabled("#close-ring")
    page.keyboard.press("Escape")
    page.click("#leave")


def test_two_tabs_at_once(folder: Path, editor: Open) -> None:
    """What the other tab changed meanwhile is not drawn over: it is shown, and said."""
    one, other = editor(), editor()
    for page, degrees in ((one, "20"), (other, "70")):
        page.locator("#list-blocks button").nth(1).click()
        page.fill("#bearing", degrees)
        page.press("#bearing", "Tab")
        expect(page.locator("#said:has-text('Kept'), #told:visible")).not_to_have_count(0)
    assert "Another page changed this" in other.inner_text("#told")
    assert other.input_value("#bearing") == "20"
    assert [entry["feature"]["properties"]["row_bearing_deg"] for entry in _journal(folder)] == [20]


def test_it_goes_on_when_the_desk_answers_again(folder: Path, editor: Open) -> None:
    """A change that could not be sent stays on the page, which says so, and is kept once the desk answers."""
    page = editor()
    page.route("**/places/blocks/*", lambda route: route.abort())
    page.locator("#list-blocks button").first.click()
    page.fill("#bearing", "5")
    page.press("#bearing", "Tab")
    page.wait_for_selector("#said.shown")
    assert not (folder / ".desk" / "journal.jsonl").exists()
    page.unroute("**/places/blocks/*")
    _kept(page)
    assert _journal(folder)[-1]["feature"]["properties"]["row_bearing_deg"] == 5


def test_an_empty_vineyard_begins_where_its_keeper_says(tmp_path: Path, browser: Any) -> None:
    """With nothing drawn yet, latitude and longitude lead to the ground, and the first outline makes the file."""
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "vinemap.toml").write_text('name = "New"\n', encoding="utf-8")
    served = _Served(tmp_path / "new")
    context = browser.new_context(viewport={"width": 1280, "height": 900}, locale="es-ES")
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    page.goto(served.address)
    page.goto(f"{page.url}/places")
    page.wait_for_selector("html[data-ready]")
    page.fill("#go-text", "49,2013; 8,1164")
    page.press("#go-text", "Enter")
    page.click("#draw")
    for share in ((0.2, 0.2), (0.6, 0.2), (0.4, 0.6)):
        page.mouse.click(*_at(page, *share))
    page.click("#close-ring")
    expect(page.locator("#name")).to_have_value("Cuartel 1")
    page.wait_for_selector("#save-bar:not([hidden])")
    with page.expect_navigation():
        page.click("#save-bar button")
    found = gpd.read_file(tmp_path / "new" / "blocks.geojson")
    assert shapely.Point(8.1164, 49.2013).distance(found.geometry[0]) < 0.005
    served.close(page)
    context.close()


def test_what_is_wrong_is_shown_at_its_outline(folder: Path, editor: Open) -> None:
    """A second block of the same name is marked in the list and in words where it is chosen, until it is renamed."""
    page = editor()
    first = page.locator("#list-blocks button").first
    first.click()
    page.fill("#name", "Birch")
    page.press("#name", "Tab")
    expect(page.locator("#list-blocks .fault")).not_to_have_count(0)
    page.locator("#list-blocks button", has=page.locator(".fault")).last.click()
    expect(page.locator("#chosen .fault")).to_contain_text("Birch")
    page.fill("#name", "Elder")
    page.press("#name", "Tab")
    expect(page.locator("#list-blocks .fault:has-text('to mend')")).to_have_count(0)


def test_no_fault_of_accessibility(editor: Open) -> None:
    """axe finds nothing in any of the map's states."""
    page = editor()
    for button in (None, "#draw"):
        if button:
            page.click(button)
        else:
            page.locator("#list-blocks button").first.click()
            page.click("#correct")
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
    page.click("#leave")
