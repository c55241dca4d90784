"""Time until a map page shows its first picture, of two pages in turn: wall clock, and work of the main thread.

Run: python -m tests.benchmarks.first_picture BEFORE.html NOW.html [opens]

Pages of two commits are built with each commit's own code (``git worktree add``), from the same vineyard. The picture
is the first frame with the map in colour (``data-drawn``). The clock suffers from whatever else the machine does; the
processor time that Chromium's trace gives of the main thread hardly does.
"""

from __future__ import annotations

import json
import statistics
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, sync_playwright
from rich.console import Console
from rich.table import Table

from tests.chromium import chromium

CATEGORIES = ["toplevel", "blink.user_timing", "loading", "disabled-by-default-devtools.timeline"]
# What is posted while a frame is made is heard once it is painted.
WATCH = """
new MutationObserver((_, watch) => {
  if (!document.documentElement?.dataset.drawn) return;
  watch.disconnect();
  const { port1, port2 } = new MessageChannel();
  port2.onmessage = () => {
    performance.mark("first-picture");
    document.documentElement.dataset.pictured = "yes";
  };
  port1.postMessage(0);
}).observe(document, { attributes: true, subtree: true, attributeFilter: ["data-drawn"] });
"""


def opened(browser: Browser, file: Path) -> dict[str, float]:
    """Open a page in a context of its own; return milliseconds."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(WATCH)
    browser.start_tracing(page=page, categories=CATEGORIES)
    page.goto(file.resolve().as_uri())
    page.wait_for_selector("html[data-pictured]")
    page.wait_for_selector("html[data-ready]")
    events = json.loads(browser.stop_tracing())["traceEvents"]
    clock = page.evaluate(
        "() => ({ text: performance.getEntriesByName('first-contentful-paint')[0]?.startTime,"
        " picture: performance.getEntriesByName('first-picture')[0].startTime })"
    )
    page.close()
    return {"first text": clock["text"], "first picture": clock["picture"], "work until then": _work(events)}


def _work(events: list[dict[str, Any]]) -> float:
    """Processor time of the page's main thread from the start of the navigation to the picture, ms."""
    end = next(event for event in events if event["name"] == "first-picture")
    thread = (end["pid"], end["tid"])
    start = max(
        event["ts"] for event in events
        if event["name"] == "navigationStart" and event["pid"] == end["pid"] and event["ts"] < end["ts"]
    )  # fmt: skip
    tasks = (
        event for event in events
        if event["ph"] == "X" and (event["pid"], event["tid"]) == thread and "tdur" in event
        and start <= event["ts"] < end["ts"]
    )  # fmt: skip
    return sum(task["tdur"] for task in _outermost(tasks)) / 1000


def _outermost(tasks: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    until = 0.0
    for task in sorted(tasks, key=lambda one: (one["ts"], -one["dur"])):
        if task["ts"] >= until:
            until = task["ts"] + task["dur"]
            yield task


def main(before: Path, now: Path, opens: int) -> None:
    """Print medians of both pages and their ratios."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium(), args=["--no-sandbox", "--disable-gpu"])
        for file in (before, now):
            opened(browser, file)
        runs = [(opened(browser, before), opened(browser, now)) for _ in range(opens)]
        browser.close()
    table = Table("median, ms", "before", "now", "ratio", "median ratio of pairs", title=f"{opens} opens of each page")
    for what in runs[0][0]:
        pairs = [(first[what], second[what]) for first, second in runs]
        old, new = (statistics.median(side) for side in zip(*pairs, strict=True))
        ratio = statistics.median(second / first for first, second in pairs)
        table.add_row(what, f"{old:.0f}", f"{new:.0f}", f"{new / old:.2f}", f"{ratio:.2f}")
    table.add_row("size, kB", *(f"{file.stat().st_size / 1000:.0f}" for file in (before, now)))
    Console().print(table)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 30)
