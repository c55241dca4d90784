"""The desk in headless Chromium: from an empty folder to a printed sheet, by pointer, by keys alone, on a phone."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import pandas as pd
import pypdf
import pytest
from axe_playwright_python import sync_playwright as axe
from playwright import sync_api as playwright

from tests.builders import write_vineyard
from tests.forks import command, forking
from vinemap.sentences import languages

WIDE, PHONE = {"width": 1280, "height": 800}, {"width": 360, "height": 740}
WORDS = languages()["en"]
MAP_MS = 240_000
Open = Callable[..., Any]

PATIENCE_MS = 120_000  # a machine with other work makes a map slowly


@pytest.fixture
def opened(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Open]:
    """Start a desk in a process of its own and open it; no page complains, and it ends by its button."""
    told = tmp_path_factory.mktemp("desk") / "told"
    started: list[tuple[BaseProcess, Connection]] = []
    contexts: list[Any] = []
    heard: list[str] = []

    def open_desk(folder: Path, **options: Any) -> Any:
        here, there = forking().Pipe(duplex=False)
        started.append((command(told, "desk", str(folder), "--no-open", printed=there), here))
        there.close()
        with open(os.dup(here.fileno()), encoding="utf-8") as printed:
            address = printed.readline().split()[-1]
        context = browser.new_context(**{"viewport": WIDE, "locale": "en-GB", "accept_downloads": True, **options})
        context.set_default_timeout(PATIENCE_MS)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: heard.append(message.text) if message.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: heard.append(str(error)))
        page.goto(address)
        page.wait_for_selector("html[data-ready]")
        return page

    yield open_desk
    for context, (desk, here) in zip(contexts, started, strict=True):
        page = context.pages[0]
        page.click("#foot button")
        assert WORDS["desk.closed"] in page.inner_text("h1")
        desk.join()
        here.close()
        assert (desk.exitcode, told.read_text(encoding="utf-8")) == (0, "")
        context.close()
    assert heard == []


class _Pointer:
    """Works by clicks."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def press(self, selector: str) -> None:
        self.page.click(selector)

    def choose(self, selector: str, files: list[Path]) -> None:
        self.page.set_input_files(selector, files)


class _Keys:
    """Works by Tab, Enter and the space bar alone."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def reach(self, selector: str) -> None:
        """Press Tab until the element has the focus, once round the page at the most."""
        target = self.page.locator(selector).first
        for _ in range(200):
            if target.evaluate("element => element === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        pytest.fail(f"no key leads to {selector}")

    def press(self, selector: str) -> None:
        self.reach(selector)
        box = self.page.locator(selector).first.get_attribute("type") == "checkbox"
        self.page.keyboard.press("Space" if box else "Enter")

    def choose(self, selector: str, files: list[Path]) -> None:
        # What Enter opens from here is the system's own window, which headless Chromium sometimes does not open.
        self.reach(selector)
        self.page.set_input_files(selector, files)


def _ready(page: Any) -> None:
    """The page's script has run."""
    page.wait_for_selector("html[data-ready]")


def _sound(page: Any) -> None:
    """No fault that axe knows (WCAG 2.2 A and AA among its rules), and nothing wider than the window."""
    _ready(page)
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.parametrize(
    ("hand", "options"),
    [(_Pointer, {}), (_Keys, {}), (_Pointer, {"viewport": PHONE, "has_touch": True, "is_mobile": True})],
    ids=["pointer", "keys", "phone"],
)
def test_from_an_empty_folder_to_a_printed_sheet(
    tmp_path: Path, opened: Open, hand: type[_Pointer | _Keys], options: dict[str, Any]
) -> None:
    """Begin, bring files, see that nothing is wrong, map, and print the crew's sheet."""
    source = tmp_path / "mine"
    source.mkdir()
    write_vineyard(source)
    page = opened(tmp_path / "empty", **options)
    by = hand(page)
    # What is on the page is the same for pointer and keys: axe looks at each page once, wide and on the phone.
    sound = _ready if hand is _Keys else _sound
    sound(page)
    by.press("input[name=here]")
    by.press("main form .go")
    page.wait_for_url("**/files")
    sound(page)
    by.choose("#drop input", sorted(source.iterdir()))
    by.press("#drop .go")
    page.wait_for_selector(".given li")
    sound(page)
    by.press("button[name=as]")
    page.wait_for_url("**/check")
    assert page.inner_text(".lead") == WORDS["console.ready"]
    sound(page)
    by.press(".after .go")
    page.wait_for_url("**/map")
    by.press(".sheet-form .go")
    page.wait_for_selector("#progress, .outcome")
    page.wait_for_selector(".outcome.done", timeout=MAP_MS)
    sound(page)
    by.press(".outcome .go")
    page.wait_for_url("**/results")
    sound(page)
    with page.context.expect_page() as opening:
        by.press("a.card[href$='crew_sheet_en.html']")
    sheet = opening.value
    sheet.wait_for_load_state()
    text = "".join(part.extract_text() for part in pypdf.PdfReader(io.BytesIO(sheet.pdf())).pages)
    assert all(block in text for block in ("Ash", "Birch", "Cedar"))
    sheet.close()
    with page.context.expect_page() as opening:
        by.press("a.card[href$='map.html']")
    drawn = opening.value
    drawn.wait_for_selector("#ranks li", state="attached")
    drawn.close()


def test_a_fault_is_corrected_at_its_cell(folder: Path, opened: Open) -> None:
    """On a phone: from the list of faults to the cell, typed over, kept at once, saved into the file."""
    table = pd.read_csv(folder / "buds.csv").astype(object)
    table.loc[3, "primary"] = "green-ish"
    table.to_csv(folder / "buds.csv", index=False)
    page = opened(folder, viewport=PHONE)
    page.goto(page.url.split("/vineyards")[0] + f"/vineyards/{folder.name}/check")
    _sound(page)
    page.click(".faults-list a")
    page.wait_for_selector("html[data-ready]")
    cell = page.locator("input[aria-invalid=true]")
    assert cell.input_value() == "green-ish"
    _sound(page)
    cell.fill("alive")
    cell.press("Enter")
    playwright.expect(page.locator("#said")).to_have_text(WORDS["desk.script.cells.kept"])
    page.click("#save-bar .go")
    page.wait_for_selector(".lead.right")
    assert pd.read_csv(folder / "buds.csv").loc[3, "primary"] == "alive"


def test_two_tabs_ask_which_one_stands(folder: Path, opened: Open) -> None:
    """Both typed into one cell: the second is shown both, and what it takes is what is kept."""
    first = opened(folder)
    first.goto(first.url.split("/vineyards")[0] + f"/vineyards/{folder.name}/table/samples.csv")
    second = first.context.new_page()
    second.goto(first.url)
    for page in (first, second):
        page.wait_for_selector("html[data-ready]")
    first.fill("#cell-2-0", "east")
    first.press("#cell-2-0", "Tab")
    playwright.expect(first.locator("td.changed #cell-2-0")).to_have_count(1)
    second.fill("#cell-2-0", "west")
    second.press("#cell-2-0", "Tab")
    second.wait_for_selector(".differs")
    assert "east" in second.inner_text(".differs")
    _sound(second)
    second.locator(".differs button").first.click()
    playwright.expect(second.locator(".differs")).to_have_count(0)
    playwright.expect(second.locator("td.waiting")).to_have_count(0)
    first.reload()
    assert first.input_value("#cell-2-0") == "west"
    second.close()
