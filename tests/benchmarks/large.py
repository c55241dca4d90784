"""Seconds that a vineyard of 500 blocks takes to be read, cut into zones, opened as a page and redrawn after a move.

Run: python -m tests.benchmarks.large [repeats]
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import Page, sync_playwright
from rich.console import Console
from rich.table import Table
from scipy.ndimage import gaussian_filter
from scipy.special import expit

from tests.builders import write_large_vineyard
from tests.chromium import chromium
from tests.page.case import page_case
from vinemap.decisions.zones import action_zones
from vinemap.page.map_page import write_page
from vinemap.reading.vineyard import read_vineyard
from vinemap.settings import Settings
from vinemap.terrain.grid import block_grid

REDRAW = (
    "async () => { const start = performance.now(); map_vineyard.panBy([30, 20], {animate: false});"
    " await new Promise(requestAnimationFrame); return (performance.now() - start) / 1000; }"
)


def _seconds(act: Callable[[], Any]) -> float:
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def _reading_and_zones(folder: Path) -> dict[str, float]:
    blocks = read_vineyard(folder).site.blocks
    grid = block_grid(blocks, 3.0, 4_000_000)
    inside = grid["block_index"].to_numpy() >= 0
    noise = gaussian_filter(np.random.default_rng(3).normal(size=inside.shape), 6.0)
    for name, shift in (("injury", 0.0), ("low", -0.5), ("high", 0.5)):
        score = 1.5 * noise / noise.std() - 0.5 + shift
        grid[f"primary_{name}"] = (("y", "x"), np.where(inside, expit(score), np.nan).astype(np.float32))
    cut = blocks.assign(nodes_per_vine=40.0)
    return {
        "read the folder": _seconds(lambda: read_vineyard(folder)),
        f"cut zones on {grid['block_index'].size:,} cells": _seconds(lambda: action_zones(grid, cut, Settings())),
    }


def _opening(page: Page, file: Path) -> dict[str, float]:
    page.goto(file.as_uri())
    page.wait_for_selector("html[data-ready]")
    drawn = page.evaluate("performance.getEntriesByName('vinemap-drawn')[0].startTime") / 1000
    return {"open the page": drawn, "redraw it": statistics.median(page.evaluate(REDRAW) for _ in range(9))}


def main(repeats: int) -> None:
    """Print medians."""
    with tempfile.TemporaryDirectory() as home, sync_playwright() as driver:
        file = Path(home) / "map.html"
        write_page(file, **page_case(500, 10, cell=6.0).arguments())
        write_large_vineyard(Path(home))
        browser = driver.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        runs = [_reading_and_zones(Path(home)) | _opening(browser.new_page(), file) for _ in range(repeats)]
        browser.close()
    table = Table("500 blocks, 5,000 samples", "seconds", title=f"Medians of {repeats}")
    for what in runs[0]:
        table.add_row(what, f"{statistics.median(run[what] for run in runs):.2f}")
    Console().print(table)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
