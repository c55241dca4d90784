"""The map page without a browser: what is embedded, how it is escaped, and that nothing in it asks a network."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from markupsafe import Markup
from pyproj import Transformer
from rasterio.transform import from_origin

from tests.builders import HOSTILE, Html
from tests.page.case import page_case
from vinemap.decisions.worklist import work_list
from vinemap.page.grids import MASK, PERCENT, Frame, Scale, encoded, metres
from vinemap.page.map_page import _texts, write_page
from vinemap.page.outlines import outlines
from vinemap.page.shell import OnlineBasemap, page
from vinemap.page.terrain import embedded_terrain
from vinemap.sentences import section
from vinemap.settings import Settings
from vinemap.terrain.grid import coarsened


class _Reader(HTMLParser):
    """Collect elements, attributes and the text of scripts and styles."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=False)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, dict[str, str | None], str]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in {"script", "style"}:
            self.texts.append((tag, dict(attrs), ""))

    def handle_data(self, data: str) -> None:
        if self.cdata_elem is not None:
            tag, attrs, text = self.texts.pop()
            self.texts.append((tag, attrs, text + data))

    def data(self) -> Any:
        return json.loads(next(text for _, attrs, text in self.texts if attrs.get("id") == "vinemap-data"))

    def policy(self) -> str:
        found = [a["content"] for tag, a in self.elements if a.get("http-equiv") == "Content-Security-Policy"]
        assert len(found) == 1
        return str(found[0])


@pytest.fixture(scope="module")
def html(tmp_path_factory: pytest.TempPathFactory) -> str:
    return _written(tmp_path_factory.mktemp("page"), **page_case().arguments())


def _written(folder: Path, **arguments: Any) -> str:
    path = folder / "map.html"
    write_page(path, **arguments)
    return path.read_text(encoding="utf-8")


def _decoded(layer: dict[str, Any], shape: tuple[int, int]) -> np.ndarray:
    """Undo the packing as the page's script does."""
    raw = np.frombuffer(zlib.decompress(base64.b64decode(layer["data"])), np.uint8)
    if layer["bits"] == 16:
        high, low = raw.reshape(2, -1).astype(np.uint16)
        folded = (high << 8) | low
        raw = (folded >> 1) ^ -(folded & 1)
    kind = raw.dtype
    code = np.cumsum(raw.reshape(shape), axis=1, dtype=kind)
    if layer["down"]:
        code = np.cumsum(code, axis=0, dtype=kind)
    values = layer["offset"] + layer["step"] * code.astype(float)
    return np.where(code == np.iinfo(kind).max, np.nan, values)


# --- text ---------------------------------------------------------------------------------------------------------


def test_hostile_names_add_no_element(html: str, tmp_path: Path) -> None:
    """User text in every column leaves the page's elements as they are, and arrives as the same characters."""
    case = page_case()
    names = {old: HOSTILE[k] for k, old in enumerate(case.blocks["block"])}
    for table in (case.blocks, case.samples, case.zones):
        table["block"] = table["block"].map(names)
    case.blocks["variety"] = list(HOSTILE[: len(case.blocks)])
    sample = dict(zip(case.samples["sample"], [f"{HOSTILE[k % 8]}{k}" for k in range(len(case.samples))], strict=True))
    case.samples["sample"] = case.samples["sample"].map(sample)
    case.nodes = case.nodes.assign(sample=case.nodes["sample"].map(sample), cane=HOSTILE[3])
    case.report |= {"name": HOSTILE[0], "warnings": list(HOSTILE)}
    case.report["scores"]["text"] = HOSTILE[4]
    hostile = _Reader(_written(tmp_path, **case.arguments()))
    assert [tag for tag, _ in hostile.elements] == [tag for tag, _ in _Reader(html).elements]
    data = hostile.data()
    assert data["blocks"]["block"] == list(HOSTILE[:6])
    assert data["samples"]["sample"] == list(sample.values())
    assert data["samples"]["canes"][0][0][0] == HOSTILE[3]
    assert data["report"]["warnings"] == [{"en": text} for text in HOSTILE]


def test_nothing_in_the_page_asks_a_network(html: str) -> None:
    """No element or style rule names anything to fetch, and the policy would refuse it."""
    page = _Reader(html)
    for tag, attrs in page.elements:
        assert tag not in {"link", "iframe", "img", "object", "embed", "base"}
        assert not {"src", "srcset", "action", "background", "onload", "onerror", "style"} & attrs.keys()
        assert attrs.get("href", "#").startswith(("#", "data:image/png;base64,"))
    for tag, _, text in page.texts:
        if tag == "style":
            assert "url(" not in text
            assert "@import" not in text
    assert "default-src 'none'" in page.policy()
    assert "connect-src 'none'" in page.policy()
    assert "http" not in page.policy()


def test_policy_allows_exactly_the_scripts_and_styles_that_are_there(html: str) -> None:
    """Each inline script and style has its SHA-256 in the policy (Content Security Policy Level 2), and no other."""
    page = _Reader(html)
    texts = [(tag, text) for tag, attrs, text in page.texts if attrs.get("type") != "application/json"]
    digests = {f"'sha256-{base64.b64encode(hashlib.sha256(t.encode()).digest()).decode()}'" for _, t in texts}
    assert digests == set(re.findall(r"'sha256-[^']*'", page.policy()))
    assert "unsafe" not in page.policy()


def test_same_input_gives_the_same_file(html: str, tmp_path: Path) -> None:
    """No random name, no clock: folium's own random map id is fixed."""
    assert _written(tmp_path, **page_case().arguments()) == html


def test_page_can_be_zoomed_by_hand(html: str) -> None:
    """Folium's viewport forbids zooming; people with weak sight need it (WCAG 2.2, 1.4.4)."""
    viewports = [attrs["content"] for _, attrs in _Reader(html).elements if attrs.get("name") == "viewport"]
    assert viewports == ["width=device-width, initial-scale=1"]


def test_a_large_vineyard_stays_a_small_file(tmp_path: Path) -> None:
    """500 blocks and 5,000 samples with 150,000 nodes stay below 3.3 MB, a tenth of it for readers without scripts."""
    assert len(_written(tmp_path, **page_case(500, 10, cell=6.0).arguments())) < 3_300_000


# --- online basemap ----------------------------------------------------------------------------------------------


def test_online_basemap_opens_the_policy_for_one_host_only(tmp_path: Path) -> None:
    """Images of the named host and nothing more."""
    online = OnlineBasemap("https://{s}.tiles.example.org/{z}/{x}/{y}.png", "© somebody")
    page = _Reader(_written(tmp_path, **page_case().arguments(), online=online))
    assert re.findall(r"https?://[^;\s]+", page.policy()) == ["https://*.tiles.example.org"]
    assert page.data()["online"]["attribution"] == "© somebody"


@pytest.mark.parametrize(
    "url",
    ["http://a.example/{z}/{x}/{y}", "https://a.example/1.png", "https://a.example; script-src */{z}/{x}/{y}",
     "https://*/{z}/{x}/{y}", "javascript:alert(1)//{z}{x}{y}"],
)  # fmt: skip
def test_online_basemap_refuses_other_addresses(url: str) -> None:
    """Only https, with the three placeholders, and no way to write into the policy."""
    with pytest.raises(ValueError, match="tile address"):
        OnlineBasemap(url, "")


# --- grids --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scale", "low", "high"), [(PERCENT, 0, 1), (Scale(0.01, -1.0), -1, 1), (Scale(0.02, 150.0, 16), 150, 900)]
)
def test_packing_errs_by_half_a_step(scale: Scale, low: float, high: float) -> None:
    """Values come back to half a step, NaN as NaN."""
    rng = np.random.default_rng(1)
    layer = rng.uniform(low, high, (37, 53))
    layer[rng.random(layer.shape) < 0.3] = np.nan
    back = _decoded(encoded(layer, scale), layer.shape)
    assert np.array_equal(np.isnan(back), np.isnan(layer))
    assert np.nanmax(np.abs(back - layer)) <= scale.step / 2 + 1e-9


def test_packing_takes_the_smaller_of_its_two_ways() -> None:
    """A slope is sent by its differences downward, noise along its rows, and both come back."""
    across, down = np.meshgrid(np.arange(60), np.arange(80))
    slope = 200 + 0.02 * (across * down % 997 + 3 * across + 7 * down)
    noise = np.random.default_rng(2).uniform(150, 900, slope.shape)
    ways = {}
    for name, layer in (("slope", slope), ("noise", noise)):
        packed = encoded(layer, Scale(0.02, 150.0, 16))
        ways[name] = packed["down"]
        np.testing.assert_allclose(_decoded(packed, layer.shape), layer, atol=0.0101)
    assert ways == {"slope": True, "noise": False}


def test_scale_of_heights_spans_them() -> None:
    """Great ranges get coarser steps instead of being cut off; no height at all is no error."""
    for layer in (np.array([[3.0, 4000.0]]), np.array([[212.0, 212.4]]), np.array([[np.nan]])):
        back = _decoded(encoded(layer, metres(layer)), layer.shape)
        np.testing.assert_allclose(back, layer, atol=0.04)


def test_embedded_injury_is_the_grid_to_half_a_percent(html: str) -> None:
    """Every cell of every layer, against the surface that goes into injury.tif."""
    surface = page_case().surface
    embedded = _Reader(html).data()["surface"]
    shape = (embedded["rows"], embedded["cols"])
    names = [name for name in surface if re.search("_(injury|low|high)$|^prob", str(name))]
    assert len(names) == 10
    for name in names:
        true = surface[name].to_numpy()
        back = _decoded(embedded["layers"][name], shape)
        assert np.array_equal(np.isnan(back), np.isnan(true))
        assert np.nanmax(np.abs(back - true)) <= 0.005 + 1e-6
    few = _decoded(embedded["layers"]["too_few"], shape)
    assert np.array_equal(few == 1, surface["too_few"].to_numpy())


def test_a_very_large_grid_is_averaged_down() -> None:
    """Past 1.5 million cells squares are averaged, and the place of the grid stays."""
    grid = _grid(np.zeros((2000, 1000), np.float32), "EPSG:32618", 476_000, 4_833_500, 3.0)
    frame = Frame.of(grid)
    assert (frame.factor, frame.rows, frame.cols) == (2, 1000, 500)
    assert frame.transform == from_origin(476_000, 4_833_500, 6.0, 6.0)


def _grid(layer: np.ndarray, crs: str, west: float, north: float, cell: float) -> xr.Dataset:
    y = north - cell * (np.arange(layer.shape[0]) + 0.5)
    x = west + cell * (np.arange(layer.shape[1]) + 0.5)
    data = xr.Dataset({"elevation_m": (("y", "x"), layer)}, coords={"y": y, "x": x}).rio.write_crs(crs)
    return data.rio.write_transform(from_origin(west, north, cell, cell))


@pytest.mark.parametrize(
    ("crs", "west", "north", "cell"),
    [
        ("EPSG:32618", 476_000, 4_833_500, 3.0),  # 0.6 km
        ("EPSG:32755", 300_000, 6_200_000, 100.0),  # 20 km, southern hemisphere, off the central meridian
        ("EPSG:2154", 700_000, 6_600_000, 250.0),  # 50 km, a conic projection
        ("EPSG:32760", 810_000, 8_100_000, 30.0),  # beside the date line
    ],
)
def test_places_on_the_map_lead_to_their_cells(crs: str, west: float, north: float, cell: float) -> None:
    """The embedded sum from longitude and latitude agrees with PROJ (through pyproj) to 0.3 m anywhere on the grid."""
    frame = Frame.of(_grid(np.zeros((200, 200), np.float32), crs, west, north, cell)).described()
    rng = np.random.default_rng(5)
    east, up = west + rng.uniform(0, 200 * cell, 2000), north - rng.uniform(0, 200 * cell, 2000)
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(east, up)
    x, y = (lon - frame["middle"][0]) / frame["half"][0], (lat - frame["middle"][1]) / frame["half"][1]
    terms = [x**i * y**j for i in range(frame["order"] + 1) for j in range(frame["order"] + 1 - i)]
    assert np.abs(np.dot(frame["east"], terms) + west - east).max() < 0.3
    assert np.abs(np.dot(frame["up"], terms) + north - up).max() < 0.3


def test_outlines_come_back_to_the_centimetre() -> None:
    """Rings as steps add up to the corners again; holes and parts are kept."""
    case = page_case()
    shapes = case.blocks.to_crs(4326).geometry
    shapes.iloc[0] = shapes.iloc[0].difference(shapes.iloc[0].centroid.buffer(2e-4)).union(shapes.iloc[1])
    rings = outlines(shapes)
    assert [len(shape) for shape in rings] == [3, 1, 1, 1, 1, 1]
    corners = np.cumsum(np.array(rings[2][0]).reshape(-1, 2), axis=0) * 1e-7
    np.testing.assert_allclose(corners, np.array(shapes.iloc[2].exterior.coords)[:-1], atol=6e-8)


# --- terrain ------------------------------------------------------------------------------------------------------


def test_terrain_without_elevation_is_left_out() -> None:
    """No layer, or a layer of NaN alone, gives no terrain."""
    grid = page_case().surface
    assert embedded_terrain(grid.drop_vars("elevation_m"), {}) is None
    assert embedded_terrain(grid.assign(elevation_m=grid.elevation_m * np.nan), {}) is None


# --- colours and words --------------------------------------------------------------------------------------------


def _lightness(stops: list[str]) -> np.ndarray:
    """CIE 1976 L* of sRGB colours (IEC 61966-2-1)."""
    rgb = np.array([[int(stop[k : k + 2], 16) for k in (1, 3, 5)] for stop in stops]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


def _ramps() -> dict[str, Any]:
    return json.loads(files("vinemap.exports").joinpath("ramps.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", ["injury", "probability"])
def test_colours_darken_evenly(name: str) -> None:
    """Lightness falls without a turn and over a wide span, so grey print and colour-blind eyes keep the order."""
    lightness = _lightness(_ramps()[name]["stops"])
    assert (np.diff(lightness) < 0).all()
    assert lightness[0] - lightness[-1] > 65


def test_change_colours_are_palest_at_no_change() -> None:
    """Darker step by step towards either end."""
    lightness = _lightness(_ramps()["change"]["stops"])
    assert lightness.argmax() == 5
    assert (np.diff(lightness[:6]) > 0).all()
    assert (np.diff(lightness[5:]) < 0).all()


def test_colours_are_the_published_ones() -> None:
    """cividis and PuOr as matplotlib carries them; lajolla as in cmcrameri 1.10's lajolla.txt (read)."""
    ramps = _ramps()
    cividis = [mpl.colors.to_hex(mpl.colormaps["cividis"](int(255 - k))) for k in np.round(np.linspace(0, 255, 33))]
    assert ramps["probability"]["stops"] == cividis
    assert ramps["change"]["stops"] == [mpl.colors.to_hex(mpl.colormaps["PuOr_r"](k / 10)) for k in range(11)]
    lajolla = {0: (1.0, 0.997796, 0.794247), 8: (0.927318, 0.676184, 0.328757), 16: (0.848438, 0.371886, 0.303681)}
    for stop, colour in lajolla.items():
        found = mpl.colors.to_rgb(ramps["injury"]["stops"][stop])
        np.testing.assert_allclose(found, colour, atol=0.012)


def test_every_text_that_the_page_asks_for_exists() -> None:
    """Keys in the page's HTML and script are in the language tables."""
    root = files("vinemap.page")
    script = "".join(entry.read_text(encoding="utf-8") for entry in root.joinpath("script").iterdir())
    html = root.joinpath("templates", "map.html.j2").read_text(encoding="utf-8")
    asked = set(re.findall(r'\b(?:t|sentence|line|refused)\("([a-z_.]+)"', script))
    asked |= set(re.findall(r'data-(?:t|label)="([^"]+)"', html))
    assert len(asked) > 80
    assert asked <= _texts()["en"].keys()


def test_page_keeps_the_cautions() -> None:
    """Common practice: cut away from the body, hands behind the blade, clean sharp tools, eye protection, ice and cold,
    wait for budbreak, advice defers to extension and licensed practice."""
    english = " ".join(text for key, text in section("page")["en"].items() if key.startswith("caution.")).lower()
    for words in ("away from your body", "behind the blade", "clean, sharp", "eyes", "ice", "cold", "budbreak",
                  "extension", "licensed"):  # fmt: skip
        assert words in english


# --- tables that lack something -----------------------------------------------------------------------------------


def test_counts_in_place_of_nodes_give_no_canes(tmp_path: Path) -> None:
    """An empty node table: samples without canes."""
    arguments = page_case().arguments()
    arguments["nodes"] = arguments["nodes"].iloc[:0]
    assert _Reader(_written(tmp_path, **arguments)).data()["samples"]["canes"] == [[]] * 42


def test_canes_keep_the_order_and_the_numbers_of_their_nodes(tmp_path: Path) -> None:
    """Gaps in the numbering are kept; a row of a sample that is not on the map is left out."""
    arguments = page_case().arguments()
    arguments["nodes"] = pd.DataFrame(
        [("S001", "B", 4, "dead", "alive", "unread"), ("S001", "B", 2, "alive", "dead", "dead"),
         ("S001", "A", 1, "unread", "unread", "unread"), ("gone", "1", 1, "dead", "dead", "dead")],
        columns=["sample", "cane", "node", "primary", "secondary", "tertiary"],
    )  # fmt: skip
    canes = _Reader(_written(tmp_path, **arguments)).data()["samples"]["canes"]
    assert canes[0] == [["B", [2, 4], "ad", "da", "du"], ["A", 0, "u", "u", "u"]]
    assert canes[1] == []


def test_change_is_now_less_then_and_matched_by_name(tmp_path: Path) -> None:
    """Blocks are matched by id whatever their order; one that is new has no change."""
    arguments = page_case().arguments()
    then = arguments["blocks"].iloc[::-1].iloc[:-1].assign(map_injury_pct=lambda b: b["map_injury_pct"] - 10)
    data = _Reader(_written(tmp_path, **arguments, compare=then)).data()
    assert data["blocks"]["earlier_pct"][0] is None
    np.testing.assert_allclose(
        data["blocks"]["earlier_pct"][1:], arguments["blocks"]["map_injury_pct"].iloc[1:] - 10, atol=0.006
    )
    change = _decoded(data["surface"]["layers"]["change"], (data["surface"]["rows"], data["surface"]["cols"]))
    index = arguments["surface"]["block_index"].to_numpy()
    assert np.isnan(change[index <= 0]).all()
    np.testing.assert_allclose(change[index > 0], 0.1, atol=0.0051)


def test_change_cell_by_cell_where_the_earlier_grid_is_known(tmp_path: Path) -> None:
    """An earlier grid with other cells is laid on the present ones."""
    arguments = page_case().arguments()
    then = page_case(cell=2.0).surface
    then["primary_injury"] = then["primary_injury"] * 0.5
    data = _Reader(_written(tmp_path, **arguments, compare=arguments["blocks"], compare_surface=then)).data()
    change = _decoded(data["surface"]["layers"]["change"], (data["surface"]["rows"], data["surface"]["cols"]))
    wanted = arguments["surface"]["primary_injury"].to_numpy() / 2
    both = np.isfinite(change) & np.isfinite(wanted)
    assert both.sum() > 0.95 * np.isfinite(wanted).sum()
    assert np.abs(change - wanted)[both].max() < 0.02


def test_mask_of_too_few_is_the_majority_of_its_cells() -> None:
    """A coarsened mask stays a mask."""
    few = (coarsened(np.array([[1.0, 1.0], [1.0, 0.0]]), 2) >= 0.5).astype(float)
    assert _decoded(encoded(few, MASK), (1, 1)) == [[1.0]]


def test_leaflets_whole_licence_is_in_the_page() -> None:
    """BSD 2-Clause (opensource.org/license/bsd-2-clause): whoever passes the library on passes on its notice, its two
    conditions and its disclaimer; the years are those of the library that is in the page."""
    html = page({"texts": {}}, Markup())
    (held,) = [words for words in Html(html).words if "All rights reserved" in words]
    text = " ".join(held.split())
    years = re.search(r"\(c\) (\d{4}-\d{4}) Vladimir Agafonkin, \(c\) (\d{4}-\d{4}) CloudMade", html)
    assert years is not None
    assert f"Copyright (c) {years[1]}, Volodymyr Agafonkin Copyright (c) {years[2]}, CloudMade" in text
    for words in (
        "Redistributions of source code must retain the above copyright notice, this list of conditions and the",
        "Redistributions in binary form must reproduce the above copyright notice, this list of conditions and the",
        'PROVIDED BY THE COPYRIGHT HOLDERS AND CONTRIBUTORS "AS IS" AND ANY EXPRESS OR IMPLIED WARRANTIES',
        "EVEN IF ADVISED OF THE POSSIBILITY OF SUCH DAMAGE.",
    ):
        assert words in text


def test_without_scripts_the_work_is_listed(tmp_path: Path) -> None:
    """Each task in its turn under the season that it is due in, with what it takes, in the chosen language."""
    arguments = page_case().arguments()
    work = work_list(arguments["zones"], arguments["blocks"])
    settings = Settings(units="us", language="es")
    html = _written(tmp_path, **arguments | {"work": work, "settings": settings})
    still = html.partition("<noscript>")[2].partition("</noscript>")[0]
    listed = still.partition("El trabajo, en orden")[2]
    places = [listed.index(f"<td>{visit}</td>") for visit in work["visit"]]
    assert places == sorted(places)
    hours = [f"{task['hours']:.0f} h (supuesto)" for task in work.to_dict("records") if task["hours"] >= 10]
    assert hours
    assert all(told in listed for told in hours)
    assert all(section("page")["es"][f"work.due.{when}"] in listed for when in work["when"])
    assert re.search(r">\d+\spies</text>", still)  # the scale bar


def test_without_scripts_there_is_a_still_map_and_both_tables(html: str) -> None:
    """The part for readers without scripts names every block with its injury and task, and every zone."""
    case = page_case()
    still = html.partition("<noscript>")[2].partition("</noscript>")[0]
    words = Html(still).words
    for row in case.blocks.to_dict("records"):
        assert row["block"] in words
    assert sum(word.startswith(f"{case.blocks['map_injury_pct'].max():.0f} % (") for word in words) >= 1
    assert [tag for tag, _ in Html(still).elements].count("tr") == len(case.blocks) + len(case.zones) + 2
