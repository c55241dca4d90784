"""The map page in headless Chromium, with every request but the file itself refused."""

from __future__ import annotations

import datetime as dt
import io
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from axe_playwright_python import sync_playwright as axe
from PIL import Image
from pypdf import PdfReader
from pyproj import Transformer
from shapely.geometry import Point, box

from tests.builders import HOSTILE
from tests.page.case import PageCase, page_case
from vinemap.characters import isolated
from vinemap.page.map_page import write_page
from vinemap.page.outlines import label_points
from vinemap.page.shell import OnlineBasemap
from vinemap.sentences import Figure, Sentence
from vinemap.settings import Settings

ARTIFACTS = Path(__file__).parents[1] / "artifacts"
DESK = {"width": 1280, "height": 800}
PHONE = {"width": 360, "height": 740}
ASIDE = {"width": 844, "height": 390}  # a phone on its side
LAYERS = ("action", "injury", "low", "high", "probability", "none")


@dataclass
class Opened:
    """A page that is open, and everything that it said or asked for."""

    page: Any
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def quiet(self) -> bool:
        """No console message, no error, no request beyond the file."""
        return not self.said and not self.asked

    def look_at(self, lon: float, lat: float) -> None:
        """Move the mouse over a place, the map zoomed until a cell is many pixels wide."""
        self.page.evaluate("([lon, lat]) => map_vineyard.setView([lat, lon], 20.5, {animate: false})", [lon, lat])
        x, y = self.page.evaluate(
            "([lon, lat]) => { const p = map_vineyard.latLngToContainerPoint([lat, lon]);"
            "const b = map_vineyard.getContainer().getBoundingClientRect(); return [p.x + b.x, p.y + b.y]; }",
            [lon, lat],
        )
        self.page.mouse.move(x + 1, y)
        self.page.mouse.move(x, y)
        self.page.evaluate(FRAMES)

    def at_rest(self) -> None:
        """Wait until no transition, zoom or pan is under way, and what they led to is laid out."""
        self.page.wait_for_function(
            "() => !document.getAnimations().length && !map_vineyard._animatingZoom"
            " && !map_vineyard._panAnim?._inProgress"
        )
        self.page.evaluate(FRAMES)

    def pick_layer(self, layer: str) -> None:
        """Choose a layer and wait for its legend, which is written in one step with the painting."""
        choice = self.page.locator(f"#layer-choice input[value={layer}]")
        if not choice.is_checked():
            self.after("document.querySelector('#legend').innerText", choice.check)

    def after(self, what: str, act: Callable[[], Any]) -> Any:
        """Act, wait until the value of a JavaScript expression is another than before, and return it."""
        before = self.page.evaluate(what)
        act()
        self.page.wait_for_function(f"before => ({what}) !== before", arg=before)
        return self.page.evaluate(what)

    def shot(self, name: str) -> None:
        """Keep a screenshot to look at."""
        ARTIFACTS.mkdir(exist_ok=True)
        self.page.screenshot(path=ARTIFACTS / f"{name}.png")


Open = Callable[..., Opened]

FRAMES = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"  # painted, and seen


@pytest.fixture
def opened(browser: Any) -> Iterator[Open]:
    """Open a file in a context of its own."""
    contexts = []

    def open_file(path: Path, viewport: dict[str, int] = DESK, **options: Any) -> Opened:
        context = browser.new_context(viewport=viewport, **options)
        contexts.append(context)
        page = context.new_page()
        result = Opened(page)

        def gate(route: Any) -> None:
            if route.request.url == path.as_uri():
                route.continue_()
            else:
                result.asked.append(route.request.url)
                route.abort()

        context.route("**/*", gate)
        page.on("console", lambda message: result.said.append(message.text))
        page.on("pageerror", lambda error: result.said.append(str(error)))
        page.on("dialog", lambda dialog: (result.said.append(dialog.message), dialog.dismiss()))
        page.goto(path.as_uri())
        page.wait_for_selector("html[data-ready]")
        return result

    yield open_file
    for context in contexts:
        context.close()


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "map.html"
    write_page(path, **page_case().arguments())
    return path


def _picture(pane: str) -> str:
    """An expression for a canvas as text, to see whether a drawing changed."""
    return f"document.querySelector('.leaflet-{pane}-pane canvas').toDataURL()"


def _lonlat(case: PageCase, points: list[Point]) -> list[list[float]]:
    """Points of the vineyard's own projection as longitude and latitude."""
    places = gpd.GeoSeries(points, crs=case.blocks.crs).to_crs(4326)
    return [[place.x, place.y] for place in places]


def _on_screen(page: Any, places: list[list[float]]) -> list[list[float]]:
    """Where places stand in the window."""
    found: list[list[float]] = page.evaluate(
        "(places) => { const b = map_vineyard.getContainer().getBoundingClientRect(); return places.map(([lon, lat]) =>"
        " { const p = map_vineyard.latLngToContainerPoint([lat, lon]); return [p.x + b.x, p.y + b.y]; }); }",
        places,
    )
    return found


def _inside(shape: Any, each: int = 6) -> list[Point]:
    """A net of points well inside a block."""
    left, bottom, right, top = shape.bounds
    net = [Point(x, y) for x in np.linspace(left, right, each) for y in np.linspace(bottom, top, each)]
    return [point for point in net if shape.buffer(-6).contains(point)]


def _percent(text: str) -> int:
    found = re.fullmatch(r"(\d+)\s*%", text.replace("\u00a0", " ").strip())
    assert found, text
    return int(found[1])


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_date_is_not_broken(opened: Open, tmp_path: Path, language: str) -> None:
    """Above the panel of a 1280 px desk both dates stand whole."""
    write_page(tmp_path / "map.html", **page_case().arguments() | {"settings": Settings(language=language)})
    page = opened(tmp_path / "map.html", {"width": 1280, "height": 800})
    dates = "[...document.querySelectorAll('#when > span:first-child, #when .made span')]"
    lines = page.page.evaluate(f"{dates}.map((one) => one.getClientRects().length)")
    assert lines == [1, 1]


# --- drawing and layers -------------------------------------------------------------------------------------------


def test_page_opens_quietly(opened: Open, file: Path) -> None:
    """No message, no request. How soon it is drawn is measured by ``tests.benchmarks.page``."""
    page = opened(file)
    assert page.quiet(), (page.said, page.asked)
    page.shot("desk")


def test_the_first_picture_is_painted_once_and_waits_for_nothing_out_of_sight(opened: Open, file: Path) -> None:
    """Each canvas is painted once before the map is seen; the list of blocks stands by then, the rest comes after."""
    page = opened(file)
    page.page.add_init_script(
        "window.painted = 0; const kind = ImageBitmapRenderingContext.prototype;"
        " const own = kind.transferFromImageBitmap;"
        " kind.transferFromImageBitmap = function (picture) { painted += 1; return own.call(this, picture); };"
        " new MutationObserver((_, watch) => { if (!document.documentElement.dataset.drawn) return; watch.disconnect();"
        " const has = (id) => document.getElementById(id).childElementCount > 0;"
        " window.first = [painted, has('ranks'), has('legend'), has('about'), has('sheet')]; })"
        ".observe(document, { attributes: true, subtree: true, attributeFilter: ['data-drawn'] });"
    )
    page.page.reload()
    page.page.wait_for_selector("html[data-ready]")
    assert page.page.evaluate("first") == [3, True, True, False, False]
    assert page.page.locator("#about details").count() > 0


def test_every_layer_and_tissue_draws_and_has_its_legend(opened: Open, file: Path) -> None:
    """Each choice gives another picture and another legend, and the legend's numbers stand on it."""
    page = opened(file)
    page.page.click("#open-layers")
    pictures, legends = set(), set()
    for layer in LAYERS:
        page.pick_layer(layer)
        legends.add(page.page.inner_text("#legend"))
        if layer != "none":
            pictures.add(page.page.evaluate(_picture("surface")))
            page.shot(f"layer_{layer}")
    assert len(pictures) == len(legends) - 1 == 5
    page.pick_layer("injury")
    for tissue in ("secondary", "no_live_bud"):
        pictures.add(page.after(_picture("surface"), page.page.locator(f"#tissues [value={tissue}]").click))
        assert "0%\n25%\n50%\n75%\n100%" in page.page.inner_text("#legend").replace("\n\n", "\n")
        assert page.page.is_disabled("#layer-choice input[value=probability]")
    assert len(pictures) == 7
    assert page.quiet(), page.said


def test_every_overlay_switches(opened: Open, file: Path) -> None:
    """Samples, names, zones and hatching come and go."""
    page = opened(file)
    page.page.click("#open-layers")
    for name in ("samples", "names", "zones", "few", "contours"):
        page.after(_picture("marks"), page.page.locator(f"#overlay-choice input[value={name}]").click)
    assert page.quiet(), page.said


@pytest.mark.parametrize("steering", ["\u2069\u202e", "\u2066\u2067"])
def test_no_name_turns_what_stands_beside_it(opened: Open, tmp_path: Path, steering: str) -> None:
    """A block's and a variety's name that steer the reading direction, a way out of their element included: the words
    behind each run from left to right all the same, in the list, the readout, the detail and the page's title."""
    case = page_case(blocks=2)
    names = {old: f"{steering}{old}" for old in case.blocks["block"]}
    for table in (case.blocks, case.samples, case.zones):
        table["block"] = table["block"].map(names)
    case.blocks["variety"] = f"{steering}Riesling"
    case.report["name"] = f"{steering}Hof"
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    page.page.locator("#ranks .rank").first.click()
    turned = page.page.evaluate("""() => {
        const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
        const inside = (node) => [...node.textContent].some((c) => /[\u202e\u2066-\u2069]/.test(c));
        let behind = false;
        while (walker.nextNode()) {
            const node = walker.currentNode, text = node.textContent;
            if (!node.parentElement.checkVisibility() || node.parentElement.closest("script, style")) continue;
            if (inside(node)) { behind = true; continue; }
            const r = document.createRange();
            const at = (k) => { r.setStart(node, k); r.setEnd(node, k + 1); return r.getBoundingClientRect(); };
            for (let k = 1; k < text.length; k += 1) {
                if (!/[a-z]{2}/.test(text.slice(k - 1, k + 1))) continue;
                const [a, b] = [at(k - 1), at(k)];
                if (b.y === a.y && b.x < a.x) { found.push(text); break; }
            }
        }
        return [behind, found];
    }""")
    assert turned == [True, []]
    assert "\u2068" in page.page.title()


def test_zoom_has_a_limit_both_ways(opened: Open, file: Path) -> None:
    """Near, where a cell fills the screen; far, where the vineyard is a spot: there the buttons and the wheel end."""
    page = opened(file)
    page.page.evaluate("map_vineyard.setZoom(40, {animate: false})")
    near = page.page.evaluate("map_vineyard.getZoom()")
    assert 20.5 <= near <= 22
    page.page.click("#whole")
    whole = page.page.evaluate("map_vineyard.getZoom()")
    page.page.evaluate("map_vineyard.setZoom(0, {animate: false})")
    assert whole - 5 <= page.page.evaluate("map_vineyard.getZoom()") <= whole - 3
    assert page.page.evaluate("map_vineyard.getMinZoom()") > 0


def test_sources_and_leaflets_licence_can_be_read(opened: Open, file: Path) -> None:
    """Under the sources, whole; above the list the razor's limit stands in one line, and its source down here."""
    page = opened(file)
    assert page.page.inner_text("#razor").endswith("83% of the readings agreed with what then grew.")
    page.page.locator("#about > details").last.locator("summary").first.click()
    assert "doi 10.17097" in page.page.inner_text("#about > details >> nth=-1")
    page.page.locator("#about details details summary").click()
    assert "REDISTRIBUTIONS IN BINARY FORM" in page.page.inner_text("#about details details pre").upper()


def test_opacity_reaches_the_surface(opened: Open, file: Path) -> None:
    """The slider sets the colour's strength, in numbers too."""
    page = opened(file)
    page.page.click("#open-layers")
    page.page.fill("#opacity", "40")
    assert page.page.evaluate("document.querySelector('.leaflet-surface-pane canvas').style.opacity") == "0.4"
    assert page.page.inner_text("#opacity-said") == "40%"


def test_circles_take_colour_only_where_the_legend_explains_it(opened: Open, file: Path) -> None:
    """Coloured by what was cut in the injury layer, white in every other."""
    case = page_case()
    page = opened(file)
    page.page.click("#open-layers")
    page.page.uncheck("#overlay-choice input[value=names]")
    page.page.uncheck("#overlay-choice input[value=contours]")
    places = _on_screen(page.page, _lonlat(case, list(case.samples.geometry)))
    white = {}
    for layer in ("injury", "probability", "low", "action", "none"):
        page.pick_layer(layer)
        colours = page.page.evaluate(
            "(places) => { const c = document.querySelector('.leaflet-marks-pane canvas');"
            "const copy = document.createElement('canvas'); copy.width = c.width; copy.height = c.height;"
            "const pen = copy.getContext('2d'); pen.drawImage(c, 0, 0); const b = c.getBoundingClientRect();"
            "return places.map(([x, y]) => [...pen.getImageData(x - b.x, y - b.y, 1, 1).data]); }",
            places,
        )
        white[layer] = np.mean([colour == [255, 255, 255, 255] for colour in colours])
    assert white.pop("injury") < 0.2
    assert min(white.values()) > 0.9, white


@pytest.mark.parametrize("worst_name", ["Eastm by the lane", "Widow's mow, Womwamwomb"])
def test_names_give_way_to_the_worst_and_figures_stay(opened: Open, tmp_path: Path, worst_name: str) -> None:
    """Where names crowd, the worst block has its name and its figure, and every other block its figure at least.

    The second name is wider than its ground in any font; from far off no block has room for its figure either, and the
    worst keeps both.
    """
    case = page_case()
    names = {old: f"{old[:5]} by the lane" for old in case.blocks["block"]}
    worst = case.blocks["map_injury_pct"].idxmax()
    names[case.blocks.loc[worst, "block"]] = worst_name
    for table in (case.blocks, case.samples, case.zones):
        table["block"] = table["block"].map(names)
    case.blocks["area_ha"] = np.where(case.blocks.index == worst, 0.5, 5.0)
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html", PHONE)
    page.page.add_init_script(
        "window.written = []; for (const kind of ['OffscreenCanvasRenderingContext2D', 'CanvasRenderingContext2D']) {"
        " const own = window[kind].prototype.fillText; window[kind].prototype.fillText = function (text, x, y) {"
        " const at = this.getTransform().transformPoint({x, y}); const half = this.measureText(text).width / 2;"
        " written.push([text, at.x - half, at.x + half]); return own.call(this, text, x, y); }; }"
    )
    page.page.reload()
    page.page.wait_for_selector("html[data-ready]")

    def written(move: str) -> dict[str, list[float]]:
        written = page.page.evaluate(
            f"async () => {{ written.length = 0; map_vineyard.{move}; await new Promise(requestAnimationFrame);"
            " const b = document.querySelector('.leaflet-marks-pane canvas').getBoundingClientRect();"
            " return written.map(([text, from, to]) => [text, from + b.x, to + b.x]); }"
        )
        return {text: ends for text, *ends in written}

    near = written("panBy([1, 0], {animate: false})")
    page.shot(f"phone_names_{len(worst_name)}")
    figures = {f"{pct:.0f}%" for pct in case.blocks["map_injury_pct"]}
    assert worst_name in near
    assert len(set(near) & set(case.blocks["block"])) < len(case.blocks), "names do not crowd: this test sees nothing"
    assert figures <= set(near)
    far = written("setZoom(map_vineyard.getZoom() - 4, {animate: false})")
    page.shot(f"phone_names_far_{len(worst_name)}")
    assert set(far) == {worst_name, f"{case.blocks.loc[worst, 'map_injury_pct']:.0f}%"}
    for shown in (near, far):
        assert min(shown[worst_name]) >= 0, shown
        assert max(shown[worst_name]) <= PHONE["width"], shown


def test_loggers_and_earlier_freezes_stand_on_the_map(opened: Open, tmp_path: Path) -> None:
    """Loggers are drawn on every layer and can be put away; no block's name is written over the figure of one that
    hangs in its middle. Earlier freezes are a layer of their own, and what lies under the mouse is read there."""
    arguments = page_case().arguments()
    surface, blocks = arguments["surface"], arguments["blocks"]
    night = surface["primary_injury"] * -6 - 20
    arguments["surface"] = surface.assign(
        night_c=night,
        night_low_c=night - 1,
        night_high_c=night + 1,
        earlier_injury=surface["primary_injury"] * 0 + 0.37,
    )
    arguments["report"]["after"] = ["2024-01-20"]
    middles = label_points(blocks.geometry)
    loggers = [{"min_c": -20.5 - k, "lon": lon, "lat": lat} for k, (lon, lat) in enumerate(middles)]
    arguments["report"]["night"] = {"loggers": loggers, "findings": []}
    write_page(tmp_path / "map.html", **arguments)
    page = opened(tmp_path / "map.html")
    page.page.add_init_script(
        "window.written = []; const kind = OffscreenCanvasRenderingContext2D.prototype; const own = kind.fillText;"
        " kind.fillText = function (text, x, y) { const wide = this.measureText(text).width;"
        " const from = x - (this.textAlign === 'center' ? wide / 2 : 0);"
        " written.push([text, from, y - 6, from + wide, y + 6]); return own.call(this, text, x, y); };"
    )
    page.page.reload()
    page.page.wait_for_selector("html[data-ready]")
    page.page.click("#open-layers")
    page.page.evaluate("written.length = 0")
    page.pick_layer("night")
    page.at_rest()
    written = {text: box(*corners) for text, *corners in page.page.evaluate("written")}
    page.shot("night_names")
    figures = [place for text, place in written.items() if "°" in text]
    names = [written[name] for name in blocks["block"] if name in written]
    assert len(figures) == len(blocks)
    assert len(names) >= 4
    assert not any(name.intersects(figure) for name in names for figure in figures)
    page.pick_layer("earlier")
    assert "in the freeze of Jan 20, 2024" in page.page.inner_text("#legend")
    page.after(_picture("marks"), page.page.locator("#overlay-choice input[value=loggers]").click)
    assert "temperature logger" not in page.page.inner_text("#legend")
    page.look_at(*middles[0])
    assert page.page.inner_text("#readout [data-of=earlier]") == "In earlier freezes: 37%"
    page.pick_layer("injury")
    page.after(_picture("marks"), page.page.locator("#overlay-choice input[value=loggers]").click)
    assert "temperature logger" in page.page.inner_text("#legend")
    assert page.quiet(), page.said


def test_browser_that_cannot_hand_pictures_over_paints_in_sight(opened: Open, file: Path) -> None:
    """Without OffscreenCanvas the three drawings are there all the same."""
    page = opened(file)
    page.page.add_init_script("delete window.OffscreenCanvas")
    page.page.reload()
    page.page.wait_for_selector("html[data-ready]")
    painted = page.page.evaluate(
        "() => [...document.querySelectorAll('.painted canvas')].map((c) => c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data.some((part) => part > 0))"
    )
    assert painted == [True] * 3
    assert page.quiet(), page.said


# --- reading ------------------------------------------------------------------------------------------------------


def test_readout_agrees_with_the_grid_to_half_a_percent(opened: Open, file: Path) -> None:
    """What is printed under the mouse against the surface's own cell: injury, its interval, probability and height."""
    surface = page_case().surface
    page = opened(file)
    rng = np.random.default_rng(7)
    rows, cols = np.nonzero(np.isfinite(surface["primary_injury"].to_numpy()))
    to_lonlat = Transformer.from_crs("EPSG:32618", "EPSG:4326", always_xy=True)
    for k in rng.choice(rows.size, 16, replace=False):
        cell = surface.isel(y=int(rows[k]), x=int(cols[k]))
        page.look_at(*to_lonlat.transform(float(cell.x), float(cell.y)))
        shown = _percent(page.page.inner_text("#readout [data-of=injury]"))
        assert abs(shown - 100 * float(cell.primary_injury)) <= 0.5 + 1e-4
        low, high = re.findall(r"\d+", page.page.inner_text("#readout [data-of=interval]"))
        assert abs(int(low) - 100 * float(cell.primary_low)) <= 0.5 + 1e-4
        assert abs(int(high) - 100 * float(cell.primary_high)) <= 0.5 + 1e-4
        told, probability = (
            page.page.inner_text("#readout [data-of=probability] b"),
            100 * float(cell.prob_over_threshold),
        )
        bound = re.fullmatch(r"(more|less) than (.+)", told)
        if bound:
            assert bound[2] == ("95%" if bound[1] == "more" else "5%")
            assert probability > 95 if bound[1] == "more" else probability < 5
        else:
            assert abs(_percent(told) - probability) <= 0.5 + 1e-4
        height = float(page.page.get_attribute("#readout [data-of=ground]", "data-value"))
        assert abs(height - float(cell.height_above_low_m)) <= 0.02
        assert page.page.inner_text("#readout .where b") == page_case().blocks["block"][int(cell.block_index)]
    assert page.quiet(), page.said


def test_readout_follows_the_tissue_and_leaves_off_outside(opened: Open, file: Path) -> None:
    """Secondary buds read from their own grid; outside the blocks no injury is claimed."""
    surface = page_case().surface
    page = opened(file)
    page.page.click("#open-layers")
    page.page.click("#tissues [value=secondary]")
    row, col = (int(a[len(a) // 3]) for a in np.nonzero(np.isfinite(surface["secondary_injury"].to_numpy())))
    cell = surface.isel(y=row, x=col)
    to_lonlat = Transformer.from_crs("EPSG:32618", "EPSG:4326", always_xy=True)
    page.look_at(*to_lonlat.transform(float(cell.x), float(cell.y)))
    shown = _percent(page.page.inner_text("#readout [data-of=injury]"))
    assert abs(shown - 100 * float(cell.secondary_injury)) <= 0.5 + 1e-4
    page.look_at(*to_lonlat.transform(float(surface.x[2]), float(surface.y[2])))
    assert page.page.locator("#readout [data-of=injury]").count() == 0
    assert "No block here" in page.page.inner_text("#readout")


def test_keyboard_reads_what_is_under_the_cross(opened: Open, file: Path) -> None:
    """Arrow keys move the map, the value under the cross is spoken, Enter opens the block."""
    page = opened(file)
    page.page.keyboard.press("Tab")
    page.page.evaluate("map_vineyard.getContainer().focus()")
    label = page.page.evaluate("map_vineyard.getContainer().getAttribute('aria-label')")
    assert "Arrow keys" in label
    page.page.keyboard.press("ArrowUp")
    page.page.keyboard.press("ArrowUp")
    page.page.wait_for_function("() => document.querySelector('#said').textContent")
    assert page.page.evaluate("document.querySelector('#aim').classList.contains('on')")
    spoken = page.page.inner_text("#said")
    assert re.match(r"(.+: \d+% of primary buds dead|No block here)", spoken), spoken


# --- blocks and samples -------------------------------------------------------------------------------------------


def test_blocks_are_ranked_and_one_can_be_opened(opened: Open, file: Path) -> None:
    """Worst first; the detail shows the counts, intervals, sums, chart, samples and cautions of that block."""
    blocks = page_case().blocks.sort_values("map_injury_pct", ascending=False)
    page = opened(file)
    assert page.page.locator("#ranks .who b").all_text_contents() == list(blocks["block"])
    second = blocks.iloc[1]
    zoom = page.page.evaluate("map_vineyard.getZoom()")
    page.page.locator("#ranks .rank").nth(1).click()
    detail = page.page.inner_text("#detail")
    assert page.page.inner_text("#detail-name") == second["block"]
    assert page.page.evaluate("document.activeElement.id") == "detail-name"
    assert f"Cut: {second['primary_dead']} of {second['nodes']} primary buds were dead" in detail
    assert f"Keep {second['nodes_to_keep']:.0f} nodes on each vine (usual: 40)" in detail
    assert f"The rule adds {second['extra_pct']:.1f}%" in detail
    assert f"40 nodes a vine × {1 + second['extra_pct'] / 100:.3f} = {second['nodes_to_keep']:.0f}" in detail
    assert f"{second['basal_dead']} of {second['basal_nodes']} dead" in detail
    zone = page.page.locator("#detail .zones tbody").first.inner_text()
    assert re.search(r"50%\s+42 to 58%", zone), zone
    keep = int(second["nodes_to_keep"])
    assert re.search(rf"{keep}\s+{keep - 3} to {keep + 4}$", zone.strip()), zone
    for words in ("Secondary", "Tertiary", "No live bud", "Primary, near the base", "hands behind the blade",
                  "extension"):  # fmt: skip
        assert words in detail
    assert page.page.evaluate("map_vineyard.getZoom()") > zoom
    page.shot("detail")
    page.page.click("#detail .back")
    assert page.page.is_visible("#ranks")
    assert page.quiet(), page.said


def test_chart_by_node_counts_as_pandas_does(opened: Open, file: Path) -> None:
    """Dead and read primary buds at each node, over the block's samples."""
    case = page_case()
    page = opened(file)
    name = page.page.locator("#ranks .who b").first.text_content()
    page.page.locator("#ranks .rank").first.click()
    here = case.nodes[case.nodes["sample"].isin(case.samples.loc[case.samples["block"] == name, "sample"])]
    read = here[here["primary"] != "unread"]
    wanted = [
        f"node {node}: {(rows['primary'] == 'dead').sum()} of {len(rows)} dead" for node, rows in read.groupby("node")
    ]
    assert page.page.get_attribute("#detail svg.nodes", "aria-label").split("; ") == wanted


def test_a_click_on_the_map_opens_the_block(opened: Open, file: Path) -> None:
    """On a wide screen the block under the mouse opens in the panel."""
    case = page_case()
    page = opened(file)
    page.page.click("#open-layers")
    page.page.uncheck("#overlay-choice input[value=samples]")
    place = gpd.GeoSeries([case.blocks.geometry.iloc[2].centroid], crs=case.blocks.crs).to_crs(4326).iloc[0]
    page.look_at(place.x, place.y)
    page.page.mouse.down()
    page.page.mouse.up()
    assert page.page.inner_text("#detail-name") == "Copse"


def test_a_sample_shows_its_canes_node_by_node(opened: Open, file: Path) -> None:
    """The popup gives counts for each bud, and each cane's nodes in order with their state."""
    case = page_case()
    page = opened(file)
    page.page.locator("#ranks .rank").first.click()
    page.page.locator("#detail .samples button").first.click()
    name = page.page.inner_text(".card h2 bdi")
    row = case.samples.set_index("sample").loc[name]
    card = page.page.inner_text(".card")
    assert f"{row['primary_dead']} of {row['nodes']}" in card
    assert f"{row['secondary_dead']} of {row['secondary_nodes']}" in card
    nodes = case.nodes[(case.nodes["sample"] == name) & (case.nodes["cane"] == "2")]
    spoken = page.page.locator(".card svg.cane").nth(1).get_attribute("aria-label")
    words = {"alive": "alive", "dead": "dead", "unread": "not read"}
    primary = ", ".join(f"{n} {words[s]}" for n, s in zip(nodes["node"], nodes["primary"], strict=True))
    assert spoken.startswith(f"Primary: {primary}; Secondary: ")
    page.shot("sample")
    page.page.keyboard.press("Escape")
    page.page.wait_for_selector(".leaflet-popup", state="detached")
    assert page.page.is_visible("#detail")
    assert page.quiet(), page.said


def test_change_since_an_earlier_map(opened: Open, tmp_path: Path) -> None:
    """The layer is offered only with an earlier map, draws, and its readout and sums carry the difference."""
    case = page_case()
    then = case.blocks.assign(map_injury_pct=case.blocks["map_injury_pct"] - 10)
    write_page(tmp_path / "map.html", **case.arguments(), compare=then)
    page = opened(tmp_path / "map.html")
    page.page.click("#open-layers")
    page.pick_layer("change")
    assert "in points" in page.page.inner_text("#legend")
    place = gpd.GeoSeries([case.blocks.geometry.iloc[2].centroid], crs=case.blocks.crs).to_crs(4326).iloc[0]
    page.look_at(place.x, place.y)
    assert page.page.inner_text("#readout [data-of=change] b") == "+10"
    page.page.locator("#ranks .rank").first.click()
    assert "+10 points" in page.page.inner_text("#detail")
    page.shot("layer_change")
    assert page.quiet(), page.said


def test_after_budbreak_the_page_speaks_of_shoots(opened: Open, tmp_path: Path) -> None:
    """It rests on nodes with no shoot, in both languages, and nothing that is decided at pruning is said any more."""
    case = page_case()
    actions = ["carry_on", "keep_shoots", "keep_suckers", "retrain", "replant_candidate", "no_data"]
    blind = np.linspace(5, 90, len(case.blocks)).round(1)
    ends = {"low": blind - 4, "high": blind + 6}
    none = dict.fromkeys(case.blocks.filter(regex="nodes_to_keep|extra"))
    case.blocks = case.blocks.assign(
        action=actions, **none, map_no_live_bud_pct=blind, counted_samples=3, nodes_left=44.0, crop_before_pct=60.0,
        **{f"map_no_live_bud_{end}_pct": values for end, values in ends.items()},
    )  # fmt: skip
    task = case.zones["block"].map(dict(zip(case.blocks["block"], actions, strict=True)))
    case.zones = case.zones.assign(
        action=task, no_live_bud_pct=30.0, no_live_bud_low_pct=25.0, no_live_bud_high_pct=36.0,
        **dict.fromkeys(case.zones.filter(like="nodes_to_keep")),
    )  # fmt: skip
    rests = Sentence("spring.rests.all", nodes=Figure(1200), counted=Sentence.counted("count.samples", 30))
    case.report["spring"] = {"findings": [rests, Sentence("spring.agrees")]}
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    said = page.page.inner_text("body")
    assert "Worst: Fallow Corner, 90% of nodes have no shoot (86 to 96%)" not in said  # too few counted there
    assert "Worst: Eastmost, 73% of nodes have no shoot (69 to 79%)" in said
    assert "rests on 1,200 nodes counted on 30 samples after budbreak" in said
    assert "Nodes with no shoot" in page.page.inner_text("#legend")
    assert page.page.locator("#razor").is_hidden()
    winter = re.compile(r"\b[Pp]rune\b|ook again after budbreak|Wait for budbreak|nodes a vine|\b[Pp]ode\b")
    past = "decided at pruning"
    for language in ("en", "es"):
        page.page.click(f"#languages [value={language}]")
        page.page.wait_for_selector(f"html[lang={language}]")
        for number in range(len(actions)):
            page.page.locator("#ranks .rank").nth(number).click()
            lines = _lines(page.page.inner_text("#detail"))
            assert [line for line in lines if winter.search(line) and past not in line] == []
            page.page.click("#detail .back")
    page.shot("spring")
    assert page.quiet(), page.said


# --- words and units ----------------------------------------------------------------------------------------------


def test_spanish_leaves_no_english_behind(opened: Open, file: Path) -> None:
    """The switch changes every text of the page; only the notes on the data stay as they were written."""
    page = opened(file)
    page.page.click("#open-layers")
    english = set(_lines(page.page.inner_text("body")))
    page.page.click("#languages [value=es]")
    page.page.wait_for_selector("html[lang=es]")
    spanish = _lines(page.page.inner_text("body"))
    names = {*page_case().blocks["block"], *page_case().blocks["variety"].dropna(), "Larkspur Bench"}
    kept = [line for line in spanish if line in english and re.search("[a-z]{4}", line) and line not in names]
    assert kept == []
    assert "Cuarteles, del peor al mejor" in spanish
    page.page.locator("#ranks .rank").first.click()
    assert "Por qué: las cuentas" in page.page.inner_text("#detail")
    page.shot("spanish")
    assert page.quiet(), page.said


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def test_us_units_convert(opened: Open, file: Path) -> None:
    """1 acre is 0.40468564224 ha and 1 ft 0.3048 m (international yard and pound agreement of 1959)."""
    case = page_case()
    page = opened(file)
    page.page.click("#units [value=us]")
    acres = case.blocks["area_ha"].iloc[0] / 0.40468564224
    assert f"{acres:.1f} acres" in page.page.text_content("#ranks").replace("\u00a0", " ")
    assert "ft" in page.page.inner_text(".leaflet-control-scale")
    place = gpd.GeoSeries([case.blocks.geometry.iloc[2].centroid], crs=case.blocks.crs).to_crs(4326).iloc[0]
    page.look_at(place.x, place.y)
    height = page.page.locator("#readout [data-of=ground]")
    feet = float(height.get_attribute("data-value")) / 0.3048
    assert height.locator("b").inner_text().replace("\u00a0", " ") == f"{feet:.0f} ft"


def test_settings_choose_language_and_units(opened: Open, tmp_path: Path) -> None:
    """A Spanish, US page opens so."""
    settings = Settings(language="es", units="us")
    write_page(tmp_path / "map.html", **page_case().arguments() | {"settings": settings})
    page = opened(tmp_path / "map.html")
    assert "Cuarteles" in page.page.inner_text("#panel")
    assert "acres" in page.page.text_content("#ranks")
    ruler = page.page.inner_text(".leaflet-control-scale-line")
    assert re.fullmatch(r"\d+\spies", ruler)
    page.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert " ac" in page.page.text_content("#sheet td.amount").replace("\u00a0", " ")
    page.page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert "lengua materna" in page.page.text_content("#about")
    page.page.click("#languages [value=en]")
    assert "native reader" not in page.page.text_content("#about")


def test_effects_are_injury_at_both_ends(opened: Open, file: Path) -> None:
    """What is told is said in injury, in the reader's unit and language; what the data do not show is not said.

    0.2 m and 12.4 m are 0.7 and 40.7 ft, 150 m are 492 ft, at 0.3048 m a foot.
    """
    page = opened(file)

    def lines() -> list[str]:
        items = page.page.locator("#about details").first.locator("li").all_text_contents()
        return [re.sub("[\u00a0\u202f]", " ", item) for item in items]

    dead = "71% of primary buds dead (58 to 82%) against 23% (14 to 34%), all else equal."
    where = "The lowest vines against the highest"
    assert lines() == [f"{where} (0.2 m and 12.4 m above the low ground within 150 m): {dead}"]
    page.page.click("#units [value=us]")
    assert lines() == [f"{where} (1 ft and 41 ft above the low ground within 492 ft): {dead}"]
    page.page.click("#languages [value=es]")
    assert lines()[0].startswith("Las vides más bajas frente a las más altas (1 pies y 41 pies")


def test_what_else_is_known_is_told_with_its_own_name(opened: Open, tmp_path: Path) -> None:
    """A layer's effect stands among what injury follows, in the reader's language, its name as plain text."""
    case = page_case()
    height = case.report["model"]["effects"][0]
    layer = {"of": "evidence", "label": HOSTILE[0], "said": "page.evidence.ends", "unit": "%", "decimals": 1}
    case.report["model"]["effects"] = [height | layer | {"here": 81.25, "there": 20.0, "told": True}]
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    starts = {"en": "Where {} is highest (81.3 %) against", "es": "Donde {} es mayor (81,3 %) frente"}
    for language, start in starts.items():
        page.page.click(f"#languages [value={language}]")
        items = page.page.locator("#about details").first.locator("li").all_text_contents()
        said = [re.sub("[\u00a0\u202f]", " ", item) for item in items]
        assert any(line.startswith(start.format(HOSTILE[0])) for line in said), said


def test_the_reach_of_protection_is_drawn_and_can_be_put_away(opened: Open, tmp_path: Path) -> None:
    """Where there is protection its reach is a layer with a legend; put away, the map changes and the legend goes."""
    case = page_case()
    middle = case.blocks.geometry.iloc[0].centroid
    fan = gpd.GeoDataFrame({"reach_m": [80.0], "ran": [True]}, geometry=[middle], crs=case.blocks.crs)
    write_page(tmp_path / "map.html", **case.arguments(), protection=fan)
    page = opened(tmp_path / "map.html")
    said = "reach of frost protection; faint: it did not run, or nobody said so"
    assert said in page.page.inner_text("#legend")
    page.page.click("#open-layers")
    page.after(_picture("marks"), page.page.locator("#overlay-choice input[value=protection]").click)
    assert said not in page.page.inner_text("#legend")
    assert page.quiet(), page.said


def test_the_readout_shows_the_statistic_that_was_found_to_matter(opened: Open, tmp_path: Path) -> None:
    """It names the most probable statistic that is told; where none is, a height, and that nothing was found."""
    case = page_case()
    height, slope = (one for one in case.report["model"]["effects"])
    place = gpd.GeoSeries([case.blocks.geometry.iloc[2].centroid], crs=case.blocks.crs).to_crs(4326).iloc[0]
    shown = {}
    for name, told in {"height": height | {"told": True}, "slope": slope | {"told": True}, "none": None}.items():
        case.report["model"]["effects"] = [] if told is None else [told]
        write_page(tmp_path / "map.html", **case.arguments())
        page = opened(tmp_path / "map.html")
        page.look_at(place.x, place.y)
        shown[name] = re.sub("[\u00a0\u202f]", " ", page.page.inner_text("#readout [data-of=ground]"))
    assert shown["height"].startswith("Above low ground (150 m):")
    assert shown["slope"] == "Slope: 3.0°"
    assert shown["none"] == f"{shown['height']} (no terrain was found to matter here)"


def test_a_block_says_what_its_wood_asks_for_and_what_was_dead_before(opened: Open, tmp_path: Path) -> None:
    """Three of five trunks hurt: how many more to check and where to begin; net injury, or that it is not known."""
    case = page_case()
    found = {"trunk_hurt_read": 5, "trunk_hurt_vines": 3, "trunk_hurt_low_pct": 27.2, "trunk_hurt_high_pct": 85.7}
    asked = {"trunk_checks_of": "hurt", "trunk_checks_limit_pct": 50.0, "trunk_checks_more": 64}
    before = {"dead_before_pct": 10.0, "net_injury_pct": 56.0, "net_low_pct": 49.2, "net_high_pct": 62.0}
    worst = case.blocks["map_injury_pct"].idxmax()
    for name, value in {**found, **asked, **before, "trunk_unchecked": "S01; <b>S02", "trunk_visit": "winter"}.items():
        case.blocks[name] = pd.Series({worst: value}, dtype=object).reindex(case.blocks.index)
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    page.page.locator("#ranks .rank").nth(0).click()
    detail = page.page.inner_text("#detail")
    assert "3 of 5 vines checked are hurt, which can be 27 to 86 % of all" in detail
    assert "64 vines more" in detail
    assert "samples S01; <b>S02, then" in detail
    assert "third in late summer" in detail
    assert "It killed 56% (49 to 62%) of those that were alive" in detail
    page.page.click("#languages [value=es]")
    assert "una tercera a fines del verano" in page.page.inner_text("#detail")
    page.page.click("#detail .back")
    page.page.locator("#ranks .rank").nth(1).click()
    other = page.page.inner_text("#detail")
    assert "No se sabe cuántas estaban muertas antes de la helada" in other
    assert "Pocas revisiones" not in other
    assert page.quiet(), page.said


def test_how_well_samples_were_predicted_is_said_in_both_languages(opened: Open, tmp_path: Path) -> None:
    """Built from the run's scores: 1 - 0.12 / 0.16 is 25 % better; no English sentence on the Spanish page."""
    case = page_case()
    case.report["scores"] |= {"leave_one_out": {"brier": 0.12, "block_means_brier": 0.16, "coverage_90": 0.924}}
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    about = page.page.text_content("#about")
    assert "predicts 25% better" in about
    assert "92 of 100 held-out samples fell between their low and high estimates (90%)" in about
    page.page.click("#languages [value=es]")
    about = page.page.text_content("#about").replace("\u00a0", " ")
    assert "acierta 25 % más" in about
    assert "92 de cada 100" in about
    assert "block averages" not in about


# --- safety -------------------------------------------------------------------------------------------------------


def test_hostile_text_is_shown_as_text(opened: Open, tmp_path: Path) -> None:
    """Markup, template and script in every name come out as the same characters and run nothing."""
    case = page_case()
    names = {old: HOSTILE[k] for k, old in enumerate(case.blocks["block"])}
    for table in (case.blocks, case.samples, case.zones):
        table["block"] = table["block"].map(names)
    case.samples["stated_block"] = HOSTILE[0]
    case.blocks["variety"] = list(HOSTILE[2:])
    sample = {old: f"{HOSTILE[k % 8]}{k}" for k, old in enumerate(case.samples["sample"])}
    case.samples["sample"] = case.samples["sample"].map(sample)
    case.nodes = case.nodes.assign(sample=case.nodes["sample"].map(sample), cane=HOSTILE[1])
    case.report |= {"name": HOSTILE[0], "warnings": list(HOSTILE)}
    case.report["scores"] = {"better_than_block_means": False, "text": HOSTILE[1]}
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    assert page.page.inner_text("#name") == HOSTILE[0]
    shown = page.page.locator("#ranks .who b").all_text_contents()
    assert sorted(shown) == sorted(HOSTILE[:6])
    assert page.page.locator("#alerts li").all_text_contents() == [isolated(text) for text in HOSTILE]
    for k in (0, 2, 5):
        page.page.locator("#ranks .rank").nth(k).click()
        page.page.locator("#detail .samples button").first.click()
        page.page.keyboard.press("Escape")
        page.page.click("#detail .back")
    for language in ("es", "en"):
        page.page.click(f"#languages [value={language}]")
    assert page.page.evaluate("document.querySelectorAll('img, iframe, main b i, script[src]').length") == 0
    assert page.page.evaluate("document.scripts.length") == 6
    assert page.quiet(), (page.said, page.asked)
    page.shot("hostile")


def test_names_cannot_reorder_what_stands_beside_them(opened: Open, tmp_path: Path) -> None:
    """A right-to-left override in a name stays inside it: every piece of user text is isolated."""
    case = page_case()
    case.blocks["block"] = [f"\u202e{name}" for name in case.blocks["block"]]
    case.zones["block"] = [f"\u202e{name}" for name in case.zones["block"]]
    write_page(tmp_path / "map.html", **case.arguments())
    page = opened(tmp_path / "map.html")
    page.page.locator("#ranks .rank").first.click()
    page.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    styles = page.page.evaluate(
        "() => ['#ranks .who b', '#headline b', '#detail-name bdi', '#sheet th bdi'].map((s) =>"
        " getComputedStyle(document.querySelector(s)).unicodeBidi)"
    )
    assert styles == ["isolate"] * 4


def test_without_scripts_a_still_map_is_seen(browser: Any, file: Path) -> None:
    """Where scripts are off, as in a preview of mail, the map is drawn and the tables are read, and nothing else is."""
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.locator("noscript svg.still").is_visible()
    assert page.locator("noscript table").count() == 2
    assert not page.locator("#panel").is_visible()
    assert page.locator("noscript").bounding_box()["width"] <= 390
    context.close()


def test_browser_too_old_to_unpack_still_serves_the_figures(opened: Open, file: Path) -> None:
    """Without DecompressionStream the page says so, and list, details and samples work."""
    page = opened(file)
    page.page.add_init_script("delete window.DecompressionStream")
    page.page.reload()
    page.page.wait_for_selector("html[data-ready]")
    assert "too old to unpack" in page.page.inner_text("#alerts")
    page.page.locator("#ranks .rank").first.click()
    assert "primary buds were dead" in page.page.inner_text("#detail")
    assert page.quiet(), page.said


def test_policy_holds_against_a_script_that_got_in(opened: Open, file: Path) -> None:
    """Even if markup reached the page, the policy runs no inline handler and fetches nothing."""
    page = opened(file)
    page.page.evaluate(  # an error event that a listener hears would have run the handler in the markup before it
        "() => new Promise((done) => { document.body.insertAdjacentHTML('beforeend', '<img"
        ' src="https://example.org/x.png" onerror="window.ran = 1">\');'
        " document.body.lastElementChild.addEventListener('error', done, { once: true }); }).then(() => true)"
    )
    assert page.page.evaluate("window.ran") is None
    assert page.asked == []


def test_online_basemap_is_asked_only_when_switched_on(opened: Open, tmp_path: Path) -> None:
    """No tile before the switch; tiles of that host and a credit after it."""
    online = OnlineBasemap("https://tiles.example.org/{z}/{x}/{y}.png", "© <b>somebody</b>")
    write_page(tmp_path / "map.html", **page_case().arguments(), online=online)
    page = opened(tmp_path / "map.html")
    assert page.quiet(), (page.said, page.asked)
    page.page.click("#open-layers")
    with page.page.expect_event("requestfailed"):
        page.page.check("#overlay-choice input[value=online]")
    assert page.asked
    assert all(url.startswith("https://tiles.example.org/") for url in page.asked)
    assert page.page.inner_text("#credit") == "© <b>somebody</b>"


def test_refused_position_is_said_plainly_and_the_button_goes(opened: Open, file: Path) -> None:
    """A browser that gives no position: one plain sentence, no dead button."""
    page = opened(file)
    page.page.click("#locate")
    page.page.wait_for_selector("#locate", state="hidden")
    assert "does not give the position" in page.page.inner_text("#notice")


def test_notice_can_be_sent_away(opened: Open, file: Path) -> None:
    """By its own button, by the next tap on the map, and by Escape."""
    page = opened(file, PHONE)
    # No answer at all: one that came late would say something anew.
    page.page.evaluate(
        "Object.defineProperty(navigator, 'geolocation',"
        " { value: { getCurrentPosition() {}, watchPosition: () => 1, clearWatch() {} } })"
    )
    ways = {
        "button": lambda: page.page.click("#close-notice"),
        # Beside the notice, where what is read under the pointer never lies.
        "tap": lambda: page.page.mouse.click(3, 200),
        "Escape": lambda: page.page.keyboard.press("Escape"),
    }
    for way, send in ways.items():
        page.page.evaluate("document.querySelector('#locate').click()")
        assert page.page.is_visible("#notice"), way
        send()
        assert not page.page.is_visible("#notice"), way


def test_escape_closes_the_layer_list_on_a_desk(opened: Open, file: Path) -> None:
    """The list goes and its button has the focus; an open block stays until the next press."""
    page = opened(file)
    page.page.locator("#ranks .rank").first.click()
    page.page.click("#open-layers")
    page.page.keyboard.press("Escape")
    assert not page.page.is_visible("#layers")
    assert page.page.evaluate("document.activeElement.id") == "open-layers"
    assert page.page.is_visible("#detail")
    page.page.keyboard.press("Escape")
    assert not page.page.is_visible("#detail")


def test_position_is_marked_and_read(opened: Open, file: Path) -> None:
    """With leave, the phone's place is shown and read like a tap."""
    case = page_case()
    place = gpd.GeoSeries([case.blocks.geometry.iloc[4].centroid], crs=case.blocks.crs).to_crs(4326).iloc[0]
    page = opened(
        file, geolocation={"longitude": place.x, "latitude": place.y, "accuracy": 5}, permissions=["geolocation"]
    )
    page.page.click("#locate")
    page.page.wait_for_selector("#readout .where b")
    assert page.page.inner_text("#readout .where b") == "Eastmost"


# --- phone, print, access -----------------------------------------------------------------------------------------


def test_phone_of_360_pixels(opened: Open, file: Path) -> None:
    """Nothing is wider than the screen, controls are thumb-sized, the panel folds, a tap reads and opens a block."""
    case = page_case()
    page = opened(file, PHONE, has_touch=True, is_mobile=True, device_scale_factor=2)
    page.shot("phone")
    assert page.page.evaluate("document.documentElement.scrollWidth") == 360
    page.page.click("#open-layers")
    page.shot("phone_layers")
    small = page.page.evaluate(
        "() => [...document.querySelectorAll('button, .choice, summary')]"
        ".filter((b) => b.checkVisibility({visibilityProperty: true})).map((b) => [b.id || b.textContent,"
        " b.getBoundingClientRect()]).filter(([, r]) => r.height < 44 || r.width < 44).map(([n]) => n)"
    )
    assert small == []
    page.page.uncheck("#overlay-choice input[value=samples]")
    page.page.click("#close-layers")
    place = gpd.GeoSeries([case.blocks.geometry.iloc[1].centroid], crs=case.blocks.crs).to_crs(4326).iloc[0]
    page.page.evaluate("([x, y]) => map_vineyard.setView([y, x], 17, {animate: false})", [place.x, place.y])
    box = page.page.locator(".folium-map").bounding_box()
    page.page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.page.wait_for_selector("#readout .go")
    page.shot("phone_readout")
    assert page.page.inner_text("#readout .where b") == "Brook End"
    page.page.tap("#readout .go")
    page.at_rest()
    assert page.page.inner_text("#detail-name") == "Brook End"
    page.shot("phone_detail")
    wide = page.page.evaluate(
        "() => [...document.querySelectorAll('#detail *')].filter((n) => !n.closest('.scroll') &&"
        " n.getBoundingClientRect().right > 361).map((n) => n.outerHTML.slice(0, 80))"
    )
    assert wide == []
    page.page.tap("#fold")
    page.at_rest()
    assert page.page.get_attribute("#fold", "aria-expanded") == "false"
    assert not page.page.is_visible("#detail-name")
    assert page.quiet(), page.said


def test_a_tap_reads_the_ground_between_samples(opened: Open, file: Path) -> None:
    """At the opening view most of a block answers with its own figure; zoomed in, a sample takes a thumb."""
    case = page_case()
    page = opened(file, PHONE, has_touch=True, is_mobile=True)
    page.page.evaluate("map_vineyard.doubleClickZoom.disable()")  # the taps follow one another fast
    read = []
    for place in _lonlat(case, _inside(case.blocks.geometry.iloc[1])):
        [[x, y]] = _on_screen(page.page, [place])
        page.page.touchscreen.tap(x, y)
        read.append(page.page.locator(".leaflet-popup").count() == 0)
        if not read[-1]:
            page.page.keyboard.press("Escape")
            page.page.wait_for_selector(".leaflet-popup", state="detached")
            page.page.evaluate("document.querySelector('#whole').click()")
    assert np.mean(read) > 0.6, read
    sample = _lonlat(case, [case.samples.geometry.iloc[0]])
    view = "([[lon, lat]]) => map_vineyard.setView([lat, lon], 20, {animate: false}).panBy([0, 150], {animate: false})"
    page.page.evaluate(view, sample)
    [[x, y]] = _on_screen(page.page, sample)
    page.page.touchscreen.tap(x + 18, y)
    page.page.wait_for_selector(".leaflet-popup .card")


def test_blocks_stay_in_sight_on_a_phone_on_its_side(opened: Open, file: Path) -> None:
    """Legend, hint and tools leave at least three quarters of each block free."""
    case = page_case()
    page = opened(file, ASIDE)
    page.shot("phone_aside")
    for name, shape in zip(case.blocks["block"], case.blocks.geometry, strict=True):
        covered = page.page.evaluate(
            "(points) => points.map(([x, y]) => !document.elementFromPoint(x, y)?.closest('.folium-map'))",
            _on_screen(page.page, _lonlat(case, _inside(shape))),
        )
        assert np.mean(covered) <= 0.25, name
    assert page.page.is_visible("#legend .scale")


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_larger_letters_of_the_reader_are_honoured(opened: Open, file: Path, viewport: dict[str, int]) -> None:
    """With a root size of 24 px in place of 16 all type is half as large again, and nothing is cut or pushed out."""
    page = opened(file, viewport)
    sizes = "() => ['body', 'h1', '#legend h2', '#readout', '#fold', '.rank .who b'].map((s) => parseFloat("
    sizes += "getComputedStyle(document.querySelector(s)).fontSize))"
    before = np.array(page.page.evaluate(sizes))
    page.page.evaluate("document.documentElement.style.fontSize = '24px'")
    page.at_rest()
    page.shot(f"large_type_{viewport['width']}")
    np.testing.assert_allclose(page.page.evaluate(sizes), 1.5 * before, rtol=1e-3)
    out = page.page.evaluate(
        "() => [...document.querySelectorAll('#head *, #legend, #readout, #tools button, #panel-inside *, #fold')]"
        ".filter((n) => n.checkVisibility({visibilityProperty: true}) && !n.closest('.scroll, svg'))"
        ".filter((n) => { const r = n.getBoundingClientRect(); return r.right > innerWidth + 1 || r.left < -1; })"
        ".map((n) => n.outerHTML.slice(0, 90))"
    )
    assert out == []
    head = page.page.evaluate(
        "() => { const h = document.querySelector('#head').getBoundingClientRect();"
        " const t = document.querySelector('#head .title').getBoundingClientRect();"
        " return t.top >= h.top - 1 && t.bottom <= h.bottom + 1; }"
    )
    assert head


def test_printed_map_keeps_colours_and_terrain(opened: Open, file: Path) -> None:
    """On the paper itself the terrain is shaded and the blocks bear the injury's colours."""
    page = opened(file)
    pdf = page.page.pdf(format="A4")
    drawn = [picture.image for picture in PdfReader(io.BytesIO(pdf)).pages[0].images]
    coloured = [_shares(picture) for picture in drawn if picture is not None and picture.width > 1380]
    assert len(coloured) == 3, "terrain, surface and marks, each at twice the screen's fineness"
    assert max(warm for warm, _ in coloured) > 0.05
    assert max(grey for _, grey in coloured) > 0.3
    if shutil.which("pdftoppm") is None:
        return
    render = ["pdftoppm", "-r", "50", "-f", "1", "-l", "1", "-png", "-"]
    page_one = Image.open(io.BytesIO(subprocess.run(render, input=pdf, capture_output=True, check=True).stdout))
    warm, grey = _shares(page_one.crop((0, 0, page_one.width, page_one.height // 2)))
    assert warm > 0.1
    assert grey > 0.1


def _shares(picture: Image.Image) -> tuple[float, float]:
    """Share of pixels that are strongly coloured, and of those between black and white without much colour."""
    pixels = np.asarray(picture.convert("RGBA")).reshape(-1, 4).astype(int)
    light, dark = pixels[:, :3].max(axis=1), pixels[:, :3].min(axis=1)
    seen = pixels[:, 3] > 127
    return float(np.mean(seen & (light - dark > 60))), float(
        np.mean(seen & (light - dark < 30) & (dark > 90) & (light < 235))
    )


# Words of the printed table that stand on more than one line.
BROKEN = """() => [...document.querySelectorAll('#sheet table :is(th, td)')].flatMap((cell) => {
  const found = [], texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) for (const word of texts.currentNode.data.matchAll(/\\S+/g)) {
    const range = document.createRange();
    range.setStart(texts.currentNode, word.index);
    range.setEnd(texts.currentNode, word.index + word[0].length);
    if (new Set([...range.getClientRects()].map((box) => Math.round(box.top))).size > 1) found.push(word[0]);
  }
  return found;
})"""


@pytest.mark.parametrize(("paper", "width"), [("A4", 210), ("Letter", 216)])
def test_print_is_a_clean_sheet(opened: Open, file: Path, paper: str, width: int) -> None:
    """Two pages at most for six blocks; all that the sheet must carry, and nothing cut off at the paper's edge."""
    page = opened(file)
    ARTIFACTS.mkdir(exist_ok=True)
    pdf = page.page.pdf(path=ARTIFACTS / f"sheet_{paper}.pdf", format=paper)
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 2
    page.page.set_viewport_size({"width": round((width - 24) / 25.4 * 96), "height": 1000})
    page.page.emulate_media(media="print")
    page.page.wait_for_selector("body.printing")
    page.at_rest()
    text = page.page.inner_text("body")
    for words in ("Larkspur Bench", "Freeze of Jan 22, 2026", "map made Jan 28, 2026", "Blocks, worst first",
                  "Brook End", "What to do", "Razors and pruners", "Sources", "Primary buds, dead"):  # fmt: skip
        assert words in text
    assert "Zoom in" not in text
    cut = page.page.evaluate(
        "() => [...document.querySelectorAll('#head *, #sheet *, #legend *')].filter((n) => {"
        " const r = n.getBoundingClientRect(); return r.width && (r.right > innerWidth + 1 || r.left < -1 ||"
        " n.scrollWidth > n.clientWidth + 1 && getComputedStyle(n).overflowX !== 'visible'); })"
        ".map((n) => n.outerHTML.slice(0, 90))"
    )
    assert cut == []
    assert page.page.evaluate(BROKEN) == []
    stage = page.page.locator("#stage").bounding_box()
    drawn = page.page.locator(".leaflet-marks-pane canvas").bounding_box()
    assert drawn["width"] >= stage["width"]
    assert page.page.evaluate("map_vineyard.getSize().x") == pytest.approx(stage["width"], abs=3)
    assert stage["width"] == pytest.approx(page.page.locator("#sheet").bounding_box()["width"], abs=1)
    ARTIFACTS.joinpath(f"sheet_{paper}.png").write_bytes(page.page.screenshot(full_page=True))
    page.page.emulate_media(media="screen")
    assert page.quiet(), page.said


def test_map_comes_back_after_printing(opened: Open, file: Path) -> None:
    """The screen's view is the same before and after."""
    page = opened(file)
    before = page.page.evaluate("[map_vineyard.getZoom(), map_vineyard.getSize().x]")
    page.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.page.evaluate("map_vineyard.getSize().x") != before[1]
    page.page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.page.evaluate("[map_vineyard.getZoom(), map_vineyard.getSize().x]") == before


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_axe_finds_nothing(opened: Open, file: Path, viewport: dict[str, int]) -> None:
    """axe-core (bundled by axe-playwright-python) finds no violation, in each state of the page."""
    page = opened(file, viewport, bypass_csp=True)  # axe itself is an inline script
    clicks = {
        "overview": "#fold",
        "layers": "#open-layers",
        "detail": "#ranks .rank",
        "sample": "#detail .samples button",
    }
    for place, control in clicks.items():
        page.page.evaluate(f"document.querySelector('{control}').click()")
        page.at_rest()
        found = axe.Axe().run(page.page).response["violations"]
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found] == [], place


# --- what may be missing ------------------------------------------------------------------------------------------


def _without(change: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    arguments = page_case().arguments()
    change(arguments)
    return arguments


def _no_elevation(a: dict[str, Any]) -> None:
    a["surface"] = a["surface"].drop_vars(["elevation_m", "height_above_low_m", "slope_deg"])


def _no_zones(a: dict[str, Any]) -> None:
    a["zones"] = a["zones"].iloc[:0]


def _counts_only(a: dict[str, Any]) -> None:
    a["nodes"] = a["nodes"].iloc[:0]
    for figure in ("tertiary", "no_live_bud", "basal", "apical"):
        for name in [c for c in a["samples"] if str(c).startswith(figure)]:
            a["samples"][name] = np.nan
            a["blocks"][name] = np.nan


def _primary_only(a: dict[str, Any]) -> None:
    a["surface"] = a["surface"].drop_vars([n for n in a["surface"] if str(n).startswith(("secondary", "no_live"))])


def _nothing_known(a: dict[str, Any]) -> None:
    blocks = a["blocks"]
    numbers = blocks.select_dtypes("number").columns
    blocks[numbers] = blocks[numbers].astype(float)
    blocks.loc[blocks.index[0], numbers] = np.nan
    blocks.loc[blocks.index[0], "action"] = "no_data"
    blocks["samples"] = [0, *[7.0] * 5]
    a["samples"] = a["samples"][a["samples"]["block"] != blocks["block"].iloc[0]].reset_index(drop=True)
    a["samples"].loc[0, "date"] = pd.NaT
    a["samples"].loc[1, "block"] = None
    a["report"] = {"name": "x", "made": dt.datetime(2026, 1, 28, tzinfo=dt.UTC).isoformat(), "warnings": []}


def _one_block(a: dict[str, Any]) -> None:
    a["surface"] = a["surface"].where(a["surface"]["block_index"] == 0)
    a["blocks"] = a["blocks"].iloc[:1]
    a["samples"] = a["samples"].iloc[:7]
    a["zones"] = a["zones"].iloc[:2]


def _no_better(a: dict[str, Any]) -> None:
    a["report"]["scores"] = {"better_than_block_means": False, "text": "No better."}


CASES = [_no_elevation, _no_zones, _counts_only, _primary_only, _nothing_known, _one_block, _no_better]


@pytest.mark.parametrize("change", CASES, ids=lambda change: change.__name__.strip("_"))
def test_what_is_missing_is_left_out(opened: Open, tmp_path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """Each thing that a vineyard may lack leaves a page that works and says so; no "undefined", no "NaN"."""
    write_page(tmp_path / "map.html", **_without(change))
    page = opened(tmp_path / "map.html")
    page.page.click("#open-layers")
    for layer in ("action", "injury"):
        page.pick_layer(layer)
    rows = page.page.locator("#ranks .rank")
    texts = [page.page.inner_text("body")]
    for k in sorted({0, rows.count() - 1}):
        rows.nth(k).click()
        texts.append(page.page.inner_text("#detail"))
        if page.page.locator("#detail .samples button").count():
            page.page.locator("#detail .samples button").first.click()
            texts.append(page.page.inner_text(".card"))
            page.page.keyboard.press("Escape")
        page.page.click("#detail .back")
    for text in texts:
        assert not re.search("undefined|NaN|null|object", text), text
    whole = page.page.inner_text("#panel") + page.page.evaluate("document.querySelector('#about').textContent")
    if change is _no_elevation:
        assert "knows nothing of low spots" in whole
    if change is _no_zones:
        heights = r"Heights: County <b>lidar</b>, in cells of about \d+\s(m|ft), fetched 2026-01-02\. © County"
        assert re.search(heights, whole)
    if change is _no_better:
        assert "predicts no better" in whole
    if change is _primary_only:
        assert not page.page.is_visible("#tissue-set")
    page.shot(f"missing_{change.__name__.strip('_')}")
    assert page.quiet(), page.said


def test_500_blocks_and_5000_samples_stay_fluid(opened: Open, tmp_path: Path) -> None:
    """A move paints each layer once, from what is ready: no grid is coloured again, no sample's circle drawn anew."""
    write_page(tmp_path / "map.html", **page_case(500, 10, cell=6.0).arguments())
    page = opened(tmp_path / "map.html")
    done = page.page.evaluate(
        "async () => { const done = {}; for (const kind of"
        " [OffscreenCanvasRenderingContext2D, CanvasRenderingContext2D, ImageBitmapRenderingContext])"
        " for (const act of ['putImageData', 'arc', 'drawImage', 'transferFromImageBitmap'])"
        " if (kind.prototype[act]) { const own = kind.prototype[act]; kind.prototype[act] = function (...given)"
        " { done[act] = (done[act] ?? 0) + 1; return own.apply(this, given); }; }"
        " map_vineyard.panBy([30, 20], {animate: false}); await new Promise(requestAnimationFrame); return done; }"
    )
    assert done["transferFromImageBitmap"] == 3
    assert done["drawImage"] > 4000, "the circles are not in sight: this test sees nothing"
    assert "putImageData" not in done
    assert done.get("arc", 0) <= 2, "more than the dot of the worst block's leader"
    page.page.fill("#find", "Block 77")
    assert page.page.locator("#ranks .who b").all_text_contents() == ["Block 77"]
    page.page.fill("#find", "")
    page.page.evaluate("document.querySelector('#whole').click()")
    page.at_rest()
    page.shot("large")
    assert page.quiet(), page.said
