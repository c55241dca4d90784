"""Take the README's picture: ``python -m tests.page.screenshot MAP.html OUT.png`` (under 300 kB)."""

from __future__ import annotations

import io
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.chromium import chromium

MOST_BYTES = 300_000


def screenshot(map_file: Path, out: Path, width: int = 1280, height: int = 800) -> None:
    """Open the page at the size of a desk screen and write what is seen."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": width, "height": height})
        page.goto(map_file.resolve().as_uri())
        page.wait_for_selector("html[data-ready]")
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
        browser.close()
    if out.suffix == ".png":
        picture = picture.quantize(256, dither=Image.Dither.NONE)
    picture.save(out, optimize=True, quality=88)
    size = out.stat().st_size
    if size > MOST_BYTES:
        sys.exit(f"{out}: {size} bytes, more than {MOST_BYTES}; take a smaller window or a .jpg")


if __name__ == "__main__":
    screenshot(Path(sys.argv[1]), Path(sys.argv[2]))
