"""The bench page in headless Chromium, every request but the file itself refused: what is taken is never lost."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import signal
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib.resources import files
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np
import pandas as pd
import pytest
from axe_playwright_python import sync_playwright as axe
from playwright import sync_api as playwright

from tests.builders import samples_table, write_part_of_demo
from vinemap.bench.bench_page import write_bench
from vinemap.bench.merge import merge_buds
from vinemap.pipeline.mapping import make_map
from vinemap.plan.options import PlanOptions
from vinemap.plan.run import make_plan
from vinemap.plan.sizes import half_width_of
from vinemap.reading.vineyard import read_vineyard
from vinemap.survival.intervals import design_effect, wilson

ARTIFACTS = Path(__file__).parents[1] / "artifacts"
PHONE = {"width": 360, "height": 740}
TABLET = {"width": 1024, "height": 768}
KEYS = {"alive": "1", "dead": "2", "unread": "3", "dead_before": "4"}
STATES = {key: state for state, key in KEYS.items()}
PLAN = [("A1", "Ash", 3), ("A2", "Ash", 3), ("B1", "Birch", 3)]

Open = Callable[..., Any]


@pytest.fixture
def opened(browser: Any) -> Iterator[Open]:
    """Open a bench page in a context of its own, or in the one given; afterwards nothing was asked or complained of."""
    contexts: list[Any] = []
    heard: list[str] = []

    def open_bench(path: Path, context: Any = None, **options: Any) -> Any:
        if context is None:
            context = browser.new_context(**{"viewport": PHONE, "accept_downloads": True, **options})
            contexts.append(context)
            _close_network(context, path, heard)
        page = context.new_page()
        page.on("console", lambda message: heard.append(message.text))
        page.on("pageerror", lambda error: heard.append(str(error)))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready]")
        return page

    yield open_bench
    for context in contexts:
        context.close()
    assert heard == []


def _close_network(context: Any, path: Path, heard: list[str]) -> None:
    def gate(route: Any) -> None:
        if route.request.url == path.as_uri():
            route.continue_()
        else:
            heard.append(route.request.url)
            route.abort()

    context.route("**/*", gate)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A page with three samples in two blocks, three nodes wanted of each."""
    path = tmp_path / "bench.html"
    write_bench(path, samples=pd.DataFrame(PLAN, columns=["sample", "block", "nodes"]), name="Quarry Lane")
    return path


def begin(page: Any, buds: int = 1, *, every: bool = True) -> Any:
    page.click(f"#start [data-set=buds-{buds}]")
    page.click(f"#start [data-set=every-{str(every).lower()}]")
    page.click("#begin")
    return page


def taken(page: Any) -> int:
    """Number of the last record that the page shows as taken."""
    return int(page.evaluate("document.documentElement.dataset.taken"))


def settled(page: Any, count: int) -> None:
    """Wait until so many records are taken."""
    page.wait_for_function("count => Number(document.documentElement.dataset.taken) >= count", arg=count)


def press(page: Any, keys: str) -> None:
    before = taken(page)
    for key in keys:
        page.keyboard.press(key)
    settled(page, before + len(keys))


def at_sample(page: Any, name: str) -> None:
    page.wait_for_function("name => document.querySelector('#sample').textContent === name", arg=name)


def saved(page: Any, folder: Path) -> Path:
    """Save the file as a keeper does, and return it."""
    page.click("#open-menu")
    with page.expect_download() as download:
        page.click("#save")
    target = folder / download.value.suggested_filename
    download.value.save_as(target)
    page.click("#menu .close")
    return target


def rows(path: Path) -> list[tuple[str, ...]]:
    return [tuple(row) for row in pd.read_csv(path, dtype=str).to_numpy()]


# --- the board ----------------------------------------------------------------------------------------------------


def test_secondaries_are_asked_for_where_the_primary_is_dead(opened: Open, bench: Path, tmp_path: Path) -> None:
    """A live primary ends its node; a dead one, also one corrected to dead, asks for the secondary."""
    page = begin(opened(bench), 2, every=False)
    press(page, "1")
    assert page.inner_text("#node") == "2"
    press(page, "2")
    assert page.inner_text("#node") == "2"
    press(page, "1")
    assert page.inner_text("#node") == "3"
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")
    page.wait_for_function("document.querySelector('#node').textContent === '1'")
    page.click("[data-bud=primary][data-state=dead]")
    settled(page, 4)
    assert page.inner_text("#node") == "1"
    press(page, "2")
    assert page.inner_text("#node") == "3"
    states = [row[3:5] for row in rows(saved(page, tmp_path))]
    assert states == [("dead", "dead"), ("dead", "alive")]


def test_a_node_past_the_planned_length_is_questioned(opened: Open, bench: Path) -> None:
    """Three nodes are planned on the cane: the fourth is taken, and asked about."""
    page = begin(opened(bench))
    press(page, "222")
    assert "But the plan has" not in page.inner_text("#message")
    press(page, "2")
    assert "node 4" in re.sub("[\u2066-\u2069]", "", page.inner_text("#message"))
    assert "But the plan has" in page.inner_text("#message")


def test_the_sequential_rule_is_said_as_buds_are_read(opened: Open, bench: Path) -> None:
    """40 to 50 nodes first; stop where all are dead, go on to 100 where they vary (Wines & Vines, Oct 2015, p. 76)."""
    page = begin(opened(bench))
    advice = page.locator("#running .advice")
    press(page, "2" * 39)
    assert advice.inner_text() == "First look: 40 to 50 nodes of a block."
    press(page, "2")
    assert advice.inner_text().startswith("All 40 are dead: you may stop at this block")
    press(page, "1")
    assert advice.inner_text().startswith("They vary: go on to 100 nodes")
    press(page, "1" * 59)
    assert not advice.count()


def test_taps_are_taken_node_by_node(opened: Open, bench: Path, tmp_path: Path) -> None:
    """A button a state; the node moves on when its buds are read; the file holds what was tapped."""
    page = begin(opened(bench), buds=2)
    for bud, state in (("primary", "dead"), ("secondary", "alive"), ("primary", "alive"), ("secondary", "unread")):
        before = taken(page)
        page.click(f"[data-bud={bud}][data-state={state}]")
        settled(page, before + 1)
    assert page.inner_text("#node") == "3"
    assert page.inner_text("#message") == "Taken: A1, cane 1, node 2: Secondary bud, Unread."
    path = saved(page, tmp_path)
    assert path.name == "buds.csv"
    assert rows(path) == [("A1", "1", "1", "dead", "alive", "unread"), ("A1", "1", "2", "alive", "unread", "unread")]


def test_keys_do_everything_at_the_board(opened: Open, bench: Path, tmp_path: Path) -> None:
    """Digits read, arrows move, Backspace undoes, Enter goes on to the sample that comes next."""
    page = begin(opened(bench))
    press(page, "123")
    assert "Clean the blade" in page.inner_text("#message")
    page.keyboard.press("Enter")
    at_sample(page, "A2")
    press(page, "2")
    page.keyboard.press("ArrowDown")
    press(page, "1")
    page.keyboard.press("Backspace")
    settled(page, 6)
    assert page.inner_text("#message").startswith("Undone: A2, cane 2, node 1: Primary bud, Alive.")
    press(page, "2")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowLeft")
    page.wait_for_function("() => document.querySelector('#node').textContent === '1'")
    press(page, "1")
    assert rows(saved(page, tmp_path)) == [
        ("A1", "1", "1", "alive", "unread", "unread"),
        ("A1", "1", "2", "dead", "unread", "unread"),
        ("A1", "1", "3", "unread", "unread", "unread"),
        ("A2", "1", "1", "alive", "unread", "unread"),
        ("A2", "2", "1", "dead", "unread", "unread"),
    ]


def test_old_dead_bud_has_a_place(opened: Open, bench: Path, tmp_path: Path) -> None:
    """A primary that had died before the freeze: by tap or key 4, dead in the running share, apart in the file."""
    page = begin(opened(bench), buds=2)
    assert page.locator("[data-bud=secondary][data-state=dead_before]").count() == 0
    before = taken(page)
    page.click("[data-bud=primary][data-state=dead_before]")
    settled(page, before + 1)
    press(page, "124")
    assert page.inner_text("#message") == "Taken: A1, cane 1, node 2: Primary bud, Old dead."
    assert "Ash: 2 nodes, 100% dead" in page.inner_text("#running")
    expected = [("A1", "1", "1", "dead_before", "alive", "unread"), ("A1", "1", "2", "dead_before", "unread", "unread")]
    assert rows(saved(page, tmp_path)) == expected


def test_wood_and_basal_buds_have_a_place_of_their_own(opened: Open, bench: Path, tmp_path: Path) -> None:
    """A slice and the basal buds of a cane: kept over a reload, undone, in files of their own or beside the nodes.

    Of cane 1 one basal bud lives and one is dead; its nodes are what they were, and so is the running share.
    """
    page = begin(opened(bench))
    press(page, "12")
    running = page.inner_text("#running")
    page.click("#open-beside")
    assert page.is_disabled("#keep-slice")
    for layer, state in (("phloem", "dead"), ("xylem", "alive")):
        page.click(f"[data-layer={layer}][data-state={state}]")
    page.click("#keep-slice")
    settled(page, 3)
    page.click("[data-tissue=cordon]")
    page.click("[data-layer=phloem][data-state=dead]")
    page.click("#keep-slice")
    settled(page, 4)
    for count, basal in enumerate(("alive1", "dead1"), start=5):
        page.click(f"[data-basal={basal}]")
        settled(page, count)
    # The same button again is a second tap only after a blink: a glove bounces.
    page.click("[data-basal=alive-1]")
    settled(page, 7)
    page.click("#beside .close")
    page.keyboard.press("Backspace")
    settled(page, 8)
    assert page.inner_text("#message") == "Undone: basal buds of A1, cane 1."
    assert page.inner_text("#running") == running
    page.reload()
    page.wait_for_selector("html[data-ready]")
    page.click("#begin")
    page.click("#open-beside")
    assert page.locator("#slices li").all_inner_texts() == [
        "Trunk: phloem dead, cambium unread, xylem alive",
        "Cordon: phloem dead, cambium unread, xylem unread",
    ]
    page.click("#beside .close")
    buds = pd.read_csv(saved(page, tmp_path), dtype=str).fillna("")
    assert buds["node"].tolist() == ["1", "2"]
    assert buds[["noncount_alive", "noncount_dead"]].to_numpy().tolist() == [["1", "1"], ["", ""]]
    page.click("#open-menu")
    with page.expect_download() as download:
        page.click("#save-wood")
    assert download.value.suggested_filename == "wood.csv"
    download.value.save_as(tmp_path / "wood.csv")
    page.wait_for_function("() => document.querySelector('#found-wood').textContent.endsWith('Not in a file yet: 0.')")
    assert rows(tmp_path / "wood.csv") == [
        ("A1", "trunk", "dead", "unread", "alive"),
        ("A1", "cordon", "dead", "unread", "unread"),
    ]


def test_glove_that_bounces_counts_once(opened: Open, bench: Path) -> None:
    """Two taps on one button within a blink are one, later they are two; a held key is one.

    Acts are taken in turn, so that what a bounce had wrongly added would stand before the tap that comes after it.
    """
    page = begin(opened(bench))
    page.evaluate(
        "() => { let now = 1000; performance.now = () => now; const dead = document.querySelector('[data-state=dead]');"
        " dead.click(); now += 200; dead.click(); document.querySelector('[data-state=unread]').click();"
        " dead.click(); now += 1000; dead.click(); }"
    )
    page.keyboard.down("1")
    page.keyboard.down("1")
    page.keyboard.up("1")
    page.keyboard.press("3")
    settled(page, 6)
    assert _states(page) == ["dead", "unread", "dead", "dead", "alive", "unread"]


def test_running_percentage_is_the_blocks(opened: Open, bench: Path) -> None:
    """The sentence counts the primaries read in the block, with the interval of survival.wilson at 90 %.

    The nodes count as so many fewer as the map's own design effect says.
    """
    page = begin(opened(bench))
    press(page, "223")
    page.click("#next-sample")
    press(page, "111")
    effect = design_effect(np.array([2, 3]), 0.10)
    low, high = (float(bound[0]) for bound in wilson([2 / effect], [5 / effect], 0.90))
    text = page.inner_text("#running").replace("\u00a0", " ")
    assert text.startswith(f"Ash: 5 nodes, 40% dead, {100 * low:.0f} to {100 * high:.0f}. ")
    page.click("#next-sample")
    at_sample(page, "B1")
    assert page.inner_text("#running") == "Birch: no primary bud read yet."


def test_the_crew_is_not_done_before_the_plan_is(opened: Open, tmp_path: Path) -> None:
    """With 7 canes of 13 read, half of the buds dead, ±10 points are not reached, and canes done of planned are said.

    13 canes of 10 nodes are what the plan takes for ±10 points at a correlation of 0.10. Kish's design effect (Survey
    Sampling, 1965) is then 1 + 9 × 0.10 = 1.9, so 70 nodes say as much as 36.8.
    """
    names = [f"A{number:02}" for number in range(1, 14)]
    path = tmp_path / "bench.html"
    frame = pd.DataFrame({"sample": names, "block": "Ash", "nodes": 10})
    write_bench(path, samples=frame, name="Quarry Lane", rho=0.10)
    page = begin(opened(path))
    for _ in names[:7]:
        press(page, "12" * 5)
        page.keyboard.press("Enter")
    text = page.inner_text("#running").replace("\u00a0", " ")
    low, high = (float(bound[0]) for bound in wilson([35 / 1.9], [70 / 1.9], 0.90))
    assert text.startswith(f"Ash: 70 nodes, 50% dead, {100 * low:.0f} to {100 * high:.0f}. ")
    assert high - low > 0.25
    found = re.search(r"(\d+) more would bring it to ±(\d+)\. Canes done: 7 of 13\.$", text)
    assert found
    more, points = int(found[1]), int(found[2])
    assert half_width_of((70 + more) / 10, 10, 0.10, 0.90, 0.5) == pytest.approx(points / 100, abs=0.006)
    assert "is taken as 0.10, as the plan does" in page.text_content("#figures-text")


def test_without_a_plan_the_page_says_what_it_assumes(opened: Open, tmp_path: Path) -> None:
    """The words on the figures name the correlation and that no plan gave it, in both languages."""
    path = tmp_path / "bench.html"
    write_bench(path, samples=None, name="Quarry Lane", confidence=0.95)
    page = opened(path)
    text = page.text_content("#figures-text")
    assert "made without a plan" in text
    assert "0.10" in text
    assert "95 times of 100" in text
    page.click("#start [data-set=language-es]")
    assert "se hizo sin un plan" in page.text_content("#figures-text")
    assert "0,10" in page.text_content("#figures-text")


def test_a_correction_goes_back_to_the_node_that_is_due(opened: Open, bench: Path, tmp_path: Path) -> None:
    """After a change to a complete node, and after that change is undone, the next bud is the next node's."""
    page = begin(opened(bench), buds=2)
    press(page, "1111")
    page.keyboard.press("ArrowLeft")
    page.wait_for_function("() => document.querySelector('#node').textContent === '2'")
    page.click("[data-bud=primary][data-state=dead]")
    settled(page, 5)
    assert page.inner_text("#node") == "3"
    press(page, "22")
    assert rows(saved(page, tmp_path)) == [
        ("A1", "1", "1", "alive", "alive", "unread"),
        ("A1", "1", "2", "dead", "alive", "unread"),
        ("A1", "1", "3", "dead", "dead", "unread"),
    ]
    page.click("#node-less")
    page.wait_for_function("() => document.querySelector('#node').textContent === '3'")
    page.click("[data-bud=primary][data-state=alive]")
    settled(page, 8)
    page.click("#undo")
    settled(page, 9)
    assert page.inner_text("#node") == "4"
    assert rows(saved(page, tmp_path))[2][3] == "dead"


def test_interval_equals_the_maps(browser: Any) -> None:
    """The page's interval is survival.wilson's, and its forecast the least number that reaches the half-width."""
    code = files("vinemap.bench").joinpath("script/tally.js").read_text(encoding="utf-8")
    cases = [(dead, read) for read in (1, 2, 7, 29, 62, 148, 263) for dead in sorted({0, 1, read // 3, read})]
    z = 1.6448536269514722
    page = browser.new_page()
    found = page.evaluate(
        """async ([code, cases, z]) => {
          const tally = await import(URL.createObjectURL(new Blob([code], { type: "text/javascript" })));
          return cases.map(([dead, read]) => [tally.wilson(dead, read, z), tally.moreNodes(dead, read, z)]);
        }""",
        [code, cases, z],
    )
    page.close()
    low, high = wilson([dead for dead, _ in cases], [read for _, read in cases], 0.90)
    np.testing.assert_allclose([bounds for bounds, _ in found], np.column_stack([low, high]), atol=1e-12)
    forecasts = [(case, more) for case, (_, more) in zip(cases, found, strict=True) if more]
    assert len(forecasts) > 15
    for (dead, read), forecast in forecasts:
        sizes = read + forecast["more"] + np.array([-1, 0])
        below, above = wilson(dead / read * sizes, sizes, 0.90)
        before, after = 50 * (above - below)
        if 0 < dead < read:  # at the ends the interval is cut at 0 or 1 and is no longer twice the half-width
            assert after <= forecast["points"] + 1e-9 < before


# --- nothing is lost ----------------------------------------------------------------------------------------------


@contextmanager
def _chromium(driver: Any, path: str, profile: Path) -> Iterator[tuple[Any, subprocess.Popen[bytes]]]:
    """A Chromium of its own, in a process group that can be killed as a dead battery kills it."""
    flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--remote-debugging-port=0"]
    command = [path, *flags, f"--user-data-dir={profile}", "about:blank"]
    process = subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    try:
        assert process.stderr is not None
        address = next((line for line in process.stderr if b"DevTools listening on " in line), None)
        assert address, "Chromium did not start"
        heard = Thread(target=process.stderr.read, daemon=True)  # what else it says must not fill the pipe
        heard.start()
        yield driver.chromium.connect_over_cdp(address.decode().split()[-1]), process
        _kill(process)
        # The pipe's end comes with that of the last process that had it: then nothing holds the profile any more.
        heard.join()
    finally:
        if process.poll() is None:
            _kill(process)
        process.wait()


def test_kills_lose_nothing(driver: Any, chromium_path: str, bench: Path, tmp_path: Path) -> None:
    """Amid taps the tab is closed, its process crashed, the browser killed (SIGKILL), three times each: nothing lost.

    Whatever was shown as taken is there afterwards, once and in order.
    """
    profile = tmp_path / "profile"
    profile.mkdir()
    rng = random.Random(6)  # noqa: S311 - which buds are dead is no secret
    kept: list[str] = []
    for _ in range(3):
        with _chromium(driver, chromium_path, profile) as (browser, process):
            for end in (lambda page: page.close(), _crash, lambda _, chromium=process: _kill(chromium)):
                page = _again(browser.contexts[0], bench, kept)
                kept = _states(page)
                page.click("#begin")
                sent = [rng.choice("123") for _ in range(12)]
                _hammer(page, sent)
                settled(page, len(kept) + rng.randint(1, 8))
                shown = taken(page) - len(kept)
                end(page)
                assert shown > 0
                kept += [STATES[key] for key in sent[:shown]]
    with _chromium(driver, chromium_path, profile) as (browser, _):
        _again(browser.contexts[0], bench, kept)


def _again(context: Any, bench: Path, kept: list[str]) -> Any:
    """Open the page once more: the store begins with what was kept, and a few taps more may have come in unseen."""
    page = context.new_page()
    page.goto(bench.as_uri())
    page.wait_for_selector("html[data-ready]")
    there = _states(page)
    assert there[: len(kept)] == kept
    assert len(there) <= len(kept) + 12
    return page


def _crash(page: Any) -> None:
    with page.expect_event("crash"), suppress(playwright.Error):
        page.goto("chrome://crash")


def _kill(process: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):  # it is gone already
        os.killpg(process.pid, signal.SIGKILL)


def _hammer(page: Any, keys: list[str]) -> None:
    """Send keys one after the other without waiting for any to be taken; two buds a node."""
    page.evaluate(
        "keys => keys.forEach((key, place) => setTimeout(() => { document.body.dispatchEvent("
        "new KeyboardEvent('keydown', { key, bubbles: true })); window.sent = place + 1; }, place * 6))",
        keys,
    )


def _states(page: Any) -> list[str]:
    """Read the store itself: every record in order, numbered without a gap."""
    records = page.evaluate(
        """() => new Promise((done, failed) => {
          const opening = indexedDB.open('vinemap bench Quarry Lane');
          opening.onerror = () => failed(opening.error);
          opening.onsuccess = () => {
            const all = opening.result.transaction('log').objectStore('log').getAll();
            all.onsuccess = () => { opening.result.close(); done(all.result); };
          };
        })"""
    )
    assert [record["seq"] for record in records] == list(range(1, len(records) + 1))
    assert len({(record["sample"], record["cane"], record["node"], record["bud"]) for record in records}) == len(
        records
    )
    return [record["state"] for record in records]


def test_two_tabs_share_one_store(opened: Open, bench: Path, tmp_path: Path) -> None:
    """What one tab takes shows in the other; both at once neither lose nor double a node."""
    first = begin(opened(bench))
    second = opened(bench, context=first.context)
    second.click("#begin")
    press(first, "2")
    settled(second, 1)
    assert second.locator("#strip .bud.dead").count() == 1
    for page in (first, second):
        _hammer(page, ["1"] * 10)
    for page in (first, second):  # acts are taken in turn: the step back, which says nothing, comes after all the keys
        page.wait_for_function("() => window.sent === 10")
        page.keyboard.press("ArrowLeft")
        page.wait_for_function("() => !document.querySelector('#message').textContent")
    settled(second, taken(first))
    settled(first, taken(second))
    states = _states(first)
    assert 11 <= len(states) <= 21
    assert taken(first) == taken(second) == len(states)
    one, two = saved(first, tmp_path / "one"), saved(second, tmp_path / "two")
    assert rows(one) == rows(two)
    assert len(rows(one)) == len(states)


def test_other_tab_that_came_first_is_told(opened: Open, bench: Path) -> None:
    """A tap on a node that another tab has just read is refused and said, not taken over it."""
    page = begin(opened(bench))
    page.evaluate(
        """() => new Promise((done) => {
          const opening = indexedDB.open('vinemap bench Quarry Lane');
          opening.onsuccess = () => {
            const writing = opening.result.transaction('log', 'readwrite');
            const take = { kind: 'take', sample: 'A1', cane: '1', node: 1, bud: 'primary', state: 'dead' };
            writing.objectStore('log').add({ ...take, tab: 'other', at: '' });
            writing.oncomplete = () => { opening.result.close(); done(); };
          };
        })"""
    )
    page.keyboard.press("1")
    settled(page, 1)
    assert page.inner_text("#message").startswith("Not taken: node 1 of cane 1, A1, was changed in another tab.")
    assert page.inner_text("#node") == "2"
    assert _states(page) == ["dead"]


def test_full_store_says_so_and_offers_the_file(opened: Open, bench: Path, tmp_path: Path) -> None:
    """With the store full the tap is not shown as taken, and all that was taken before can be saved at once."""
    page = begin(opened(bench))
    press(page, "12")
    page.evaluate(
        "() => { IDBObjectStore.prototype.add = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"
    )
    page.keyboard.press("1")
    page.wait_for_selector("#trouble[open]")
    assert page.inner_text("#trouble-title") == "The store is full: not taken"
    assert taken(page) == 2
    assert page.inner_text("#node") == "3"
    with page.expect_download() as download:
        page.click("#trouble-save")
    download.value.save_as(tmp_path / "buds.csv")
    assert len(rows(tmp_path / "buds.csv")) == 2


def test_browser_without_a_store_does_not_start(opened: Open, bench: Path, browser: Any) -> None:
    """Where nothing can be kept the page says so and takes nothing."""
    context = browser.new_context(viewport=PHONE)
    context.add_init_script(
        "indexedDB.open = () => { throw new DOMException('no', 'SecurityError'); }; "
        "addEventListener('DOMContentLoaded', () => { document.documentElement.dataset.ready = 'no'; });"
    )
    page = opened(bench, context=context)
    assert page.is_visible("#no-store")
    assert not page.is_visible("#begin")
    assert page.inner_text("#no-store-why") == "SecurityError"
    context.close()


def test_new_survey_hides_and_undo_brings_back(opened: Open, bench: Path, tmp_path: Path) -> None:
    """Beginning anew empties the board and the file; the records stay and one undo restores them."""
    page = begin(opened(bench))
    press(page, "121")
    page.click("#open-menu")
    page.click("#new-survey")
    page.click("#clear")
    settled(page, 4)
    assert page.inner_text("#running") == "Ash: no primary bud read yet."
    page.click("#undo")
    settled(page, 5)
    assert len(rows(saved(page, tmp_path))) == 3


# --- files --------------------------------------------------------------------------------------------------------


def test_plan_and_earlier_file_are_loaded(opened: Open, tmp_path: Path) -> None:
    """A plan of either kind gives samples; an earlier buds file gives its nodes once, however often it is loaded."""
    bare = tmp_path / "bench.html"
    write_bench(bare, samples=None, name="Quarry Lane")
    features = [{"type": "Feature", "geometry": None, "properties": {"sample": "P1", "block": "Ash", "nodes": 2}}]
    plan = {"type": "FeatureCollection", "features": features}
    (tmp_path / "plan.geojson").write_text(json.dumps(plan), encoding="utf-8")
    (tmp_path / "samples.csv").write_bytes(
        'Sample;Block;lon\r\n"Peña ""2""";Birch;1,5\r\nP1;Ash;1,6\r\n'.encode("cp1252")
    )
    earlier = 'sample,cane,node,primary,secondary,tertiary\nP1,1,1,dead,alive,\n"X, 9",b,3,alive,,unread\n'
    (tmp_path / "earlier.csv").write_text(earlier, encoding="utf-8-sig")
    page = opened(bare)
    load = page.locator("#start input[type=file]")
    for name, said in (
        ("plan.geojson", "Samples loaded: 1."),
        ("samples.csv", "Samples loaded: 2."),
        ("earlier.csv", "Nodes loaded: 2."),
        ("earlier.csv", "Nodes loaded: 0."),
    ):
        load.set_input_files(tmp_path / name)
        page.wait_for_function("said => document.querySelector('#start .note-line').textContent === said", arg=said)
    page.reload()
    page.wait_for_selector("html[data-ready]")
    page.click("#begin")
    page.click("#choose")
    assert page.locator("#sample-list b").all_text_contents() == ["P1", 'Peña "2"', "X, 9"]
    page.click("#samples .close")
    assert rows(saved(page, tmp_path)) == [
        ("P1", "1", "1", "dead", "alive", "unread"),
        ("X, 9", "b", "3", "alive", "unread", "unread"),
    ]


def test_loading_never_changes_what_is_here(opened: Open, bench: Path, tmp_path: Path) -> None:
    """A file that reads a bud otherwise is told of and leaves the bud as it is; a bad file loads nothing."""
    page = begin(opened(bench))
    press(page, "1")
    page.click("#open-menu")
    load, note = page.locator("#menu input[type=file]"), page.locator("#menu .note-line")
    other = tmp_path / "other.csv"
    for content, said in (
        ("sample,cane,node,primary\nA1,1,1,dead\nA1,1,2,dead\n", "Nodes loaded: 1. Buds that were read differently"),
        ("sample,cane,node,primary\nA1,1,3,dead\nA1,1,4,maybe\n", "Row 3 cannot be read, so nothing was loaded"),
        ("what,ever\n1,2\n", "This file is no list of samples"),
        ("PK\x03\x04\x00", "This file is no list of samples"),
    ):
        other.write_text(content, encoding="utf-8")
        load.set_input_files(other)
        page.wait_for_function(
            "said => document.querySelector('#menu .note-line').textContent.startsWith(said)", arg=said
        )
    assert note.is_visible()
    page.click("#menu .close")
    states = [(row[2], row[3]) for row in rows(saved(page, tmp_path))]
    assert states == [("1", "alive"), ("2", "dead")]


def test_sample_that_no_plan_holds(opened: Open, bench: Path, tmp_path: Path) -> None:
    """A name typed from a label is a sample from then on; typed again it is the same one."""
    page = begin(opened(bench))
    for name in ("  Odd   7 ", "odd 7"):
        page.click("#choose")
        page.fill("#new-sample", name)
        page.fill("#new-block", "Birch")
        page.click("#add button")
        at_sample(page, "Odd 7")
        press(page, "2")
    assert [row[:3] for row in rows(saved(page, tmp_path))] == [("Odd 7", "1", "1"), ("Odd 7", "1", "2")]


def test_start_without_any_plan(opened: Open, tmp_path: Path) -> None:
    """With no sample known, starting asks for the name on a label, and the board opens with it."""
    path = tmp_path / "bench.html"
    write_bench(path, samples=None, name="Quarry Lane", language="es")
    page = opened(path)
    page.click("#begin")
    assert not page.is_visible("#work")
    page.fill("#new-sample", "7-2")
    page.click("#add button")
    page.wait_for_selector("#work:not([hidden])")
    press(page, "2")
    assert page.inner_text("#running").startswith("Todas las muestras: 1 nudo, ")
    assert rows(saved(page, tmp_path)) == [("7-2", "1", "1", "dead", "unread", "unread")]


def test_names_are_text_and_nothing_else(opened: Open, tmp_path: Path) -> None:
    """Names that look like markup or hold separators are shown and saved as they are."""
    hostile = ["<img src=x onerror=alert(1)>", 'a,"b";c', "=1+1", "مرحبا 1"]
    path = tmp_path / "bench.html"
    write_bench(path, samples=pd.DataFrame({"sample": hostile, "block": hostile}), name="<b>Lane</b>")
    page = begin(opened(path))
    for name in hostile:
        at_sample(page, name)
        press(page, "1")
        page.click("#next-sample")
    page.click("#samples .close")
    assert [row[0] for row in rows(saved(page, tmp_path))] == hostile


def test_reader_goes_into_the_files_name(opened: Open, bench: Path, tmp_path: Path) -> None:
    """With a name given, the file and every node in it are that person's; two such files merge into buds.csv."""
    paths = []
    for reader, keys in (("Ana Peña", "12"), ("Ben", "12")):
        page = begin(opened(bench))
        page.click("#open-menu")
        page.fill("#reader", reader)
        page.click("#menu .close")
        press(page, keys)
        paths.append(saved(page, tmp_path))
    assert [path.name for path in paths] == ["buds_ana-pena.csv", "buds_ben.csv"]
    assert [set(pd.read_csv(path)["reader"]) for path in paths] == [{"Ana Peña"}, {"Ben"}]
    report = merge_buds(paths, tmp_path / "buds.csv")
    assert any("both hold 2 nodes (A1 cane 1)" in sentence for sentence in report)
    assert len(rows(tmp_path / "buds.csv")) == 2


def test_copy_gives_the_same_table(opened: Open, bench: Path, tmp_path: Path) -> None:
    """Copying puts the file's text on the clipboard."""
    page = opened(bench, permissions=["clipboard-read", "clipboard-write"])
    begin(page)
    press(page, "12")
    page.click("#open-menu")
    page.click("#copy")
    page.wait_for_function(
        "() => document.querySelector('#menu .note-line').textContent.startsWith('Nodes handed over')"
    )
    copied = page.evaluate("navigator.clipboard.readText()")
    page.click("#menu .close")
    assert copied.splitlines() == saved(page, tmp_path).read_text(encoding="utf-8").splitlines()


# --- looks --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("viewport", [PHONE, TABLET, {"width": 360, "height": 640}, {"width": 740, "height": 360}])
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_target_is_large_and_inside(opened: Open, bench: Path, viewport: dict[str, int], language: str) -> None:
    """On each screen no button is under 64 px either way or beyond the edge, and nothing scrolls sideways."""
    page = opened(bench, viewport=viewport)
    page.click(f"#start [data-set=language-{language}]")
    name = f"bench_{language}_{viewport['width']}x{viewport['height']}"
    _look(page, name + "_start")
    begin(page, buds=3)
    press(page, "2131")
    _look(page, name + "_board")
    page.click("#choose")
    _look(page, name + "_samples")
    page.click("#samples .close")
    page.click("#open-menu")
    _look(page, name + "_menu")
    page.click("#menu .close")
    page.click("#open-beside")
    _look(page, name + "_beside")
    assert "{" not in page.inner_text("body")


def _look(page: Any, name: str) -> None:
    ARTIFACTS.mkdir(exist_ok=True)
    page.screenshot(path=ARTIFACTS / f"{name}.png")
    small = page.evaluate(
        """() => {
          const top = document.querySelector('dialog[open]') ?? document.body;
          const width = document.documentElement.clientWidth;
          return [...top.querySelectorAll('button, input:not([type=file]), label.file')]
            .map((node) => [node.id || node.textContent, node.getBoundingClientRect()])
            .filter(([, box]) => box.width && (box.width < 64 || box.height < 64 || box.left < 0 || box.right > width))
            .map(([name, box]) => `${name}: ${box.width} x ${box.height} at ${box.left}`);
        }"""
    )
    assert small == []
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def test_axe_finds_nothing(opened: Open, bench: Path) -> None:
    """axe-core (bundled by axe-playwright-python) finds no violation at the start, on the board and in the dialogs."""
    page = opened(bench, bypass_csp=True)  # axe itself is an inline script
    steps = {
        "start": "[data-set=buds-3]",
        "board": "#begin",
        "samples": "#choose",
        "menu": "#open-menu",
        "beside": "#open-beside",
    }
    for place, control in steps.items():
        page.evaluate("() => document.querySelector('dialog[open]')?.close()")
        page.click(control)
        found = axe.Axe().run(page).response["violations"]
        assert [(fault["id"], [node["html"][:120] for node in fault["nodes"]]) for fault in found] == [], place


def test_board_fits_a_phone_without_scrolling(opened: Open, bench: Path) -> None:
    """At 360 by 740 even three buds a node need no scrolling."""
    page = begin(opened(bench), buds=3)
    assert page.evaluate("document.documentElement.scrollHeight") <= PHONE["height"]


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("viewport", [(844, 390), (740, 360), (568, 320)])
def test_the_bud_that_is_due_is_clear_of_the_foot(
    opened: Open, bench: Path, viewport: tuple[int, int], language: str
) -> None:
    """On a phone on its side each bud of three stands above the foot in its turn; abreast where there is room."""
    width, height = viewport
    page = opened(bench, viewport={"width": width, "height": height})
    page.click(f"#start [data-set=language-{language}]")
    begin(page, buds=3)
    for _ in range(3):
        due, foot = (page.locator(where).bounding_box() for where in (".due .state >> nth=0", "#foot"))
        assert due["y"] >= 0
        assert due["y"] + due["height"] <= foot["y"]
        press(page, "1")
    tops = page.evaluate("() => [...document.querySelectorAll('.bud-row')].map((row) => row.offsetTop)")
    assert (len(set(tops)) == 1) == (width >= 720)


def test_language_and_settings_stay(opened: Open, bench: Path) -> None:
    """Spanish, once chosen, is Spanish after a reload, and so is the number of buds."""
    page = opened(bench)
    page.click("#start [data-set=language-es]")
    page.click("#start [data-set=buds-3]")
    page.click("#start [data-set=sound-true]")
    page.reload()
    page.wait_for_selector("html[data-ready]")
    assert page.inner_text("#begin") == "Empezar a cortar"
    page.click("#begin")
    assert page.locator(".bud-name").all_inner_texts() == ["Yema primaria", "Yema secundaria", "Yema terciaria"]
    press(page, "1")
    assert page.inner_text("#message") == "Anotado: A1, sarmiento 1, nudo 1: Yema primaria, Viva."


def test_cautions_come_before_the_board(opened: Open, bench: Path) -> None:
    """Each start shows the cautions for razors before anything can be cut."""
    page = opened(bench)
    assert page.is_visible("#start .care")
    assert "Draw the blade away from the body" in page.inner_text("#start .care")
    assert not page.is_visible("#work")


# --- round trip ---------------------------------------------------------------------------------------------------


def test_export_reads_back_in_a_vineyard_folder(opened: Open, folder: Path, tmp_path: Path) -> None:
    """The file, put into a vineyard folder as it is, reads without a word about it."""
    names = samples_table()["sample"]
    path = tmp_path / "bench.html"
    write_bench(path, samples=pd.DataFrame({"sample": names, "block": None}), name="Quarry Lane")
    page = begin(opened(path))
    for name in names:
        at_sample(page, name)
        press(page, "12")
        page.click("#next-sample")
    page.click("#samples .close")
    saved(page, folder)
    vineyard = read_vineyard(folder)
    assert vineyard.nodes["sample"].tolist() == [name for name in names for _ in range(2)]
    assert vineyard.nodes["primary"].tolist() == ["alive", "dead"] * len(names)
    assert not any("buds" in warning for warning in vineyard.warnings)


def test_from_plan_to_map_without_a_hand_edit(opened: Open, tmp_path: Path) -> None:
    """Demo blocks, plan, a crew that loads the plan and cuts, export, map: the map counts what the crew read."""
    demo, plan = tmp_path / "demo", tmp_path / "plan"
    write_part_of_demo(demo, "Larkrise", "Dipper")
    for name in ("samples.csv", "buds.csv", "wood.csv"):
        (demo / name).unlink()
    make_plan(demo, plan, PlanOptions(half_width=0.25, nodes_per_cane=3))
    path = tmp_path / "bench.html"
    write_bench(path, samples=None, name="Demo")
    page = opened(path)
    page.locator("#start input[type=file]").set_input_files(plan / "plan.geojson")
    samples = pd.read_csv(plan / "samples.csv", dtype=str)
    note = f"Samples loaded: {len(samples)}."
    page.wait_for_function("said => document.querySelector('#start .note-line').textContent === said", arg=note)
    begin(page)
    rng = random.Random(4)  # noqa: S311 - which buds are dead is no secret
    states = [[rng.choice(["alive", "dead", "dead"]) for _ in range(3)] for _ in samples["sample"]]
    for sample, cut in zip(samples["sample"], states, strict=True):
        at_sample(page, sample)
        press(page, "".join(KEYS[state] for state in cut))
        page.keyboard.press("Enter")
    page.wait_for_selector("#samples[open]")
    page.click("#samples .close")
    saved(page, demo)
    shutil.copy(plan / "samples.csv", demo)
    run = make_map(demo)
    assert len(run.samples) == len(samples)
    assert run.blocks["nodes"].sum() == 3 * len(samples)
    assert run.blocks["primary_dead"].sum() == sum(cut.count("dead") for cut in states)
    assert not any("buds" in warning for warning in run.report["warnings"])
