"""The crew sheets: a printed page a block, in both languages, with the zones' own figures and the cautions."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from affine import Affine
from pypdf import PdfReader
from shapely.geometry import MultiPolygon, box

from tests.builders import HOSTILE, Html
from vinemap.characters import isolated
from vinemap.decisions.ticked import with_ticks
from vinemap.decisions.worklist import work_list
from vinemap.sentences import section
from vinemap.settings import Settings
from vinemap.sheet.crew import LANGUAGES, CrewSheet, crew_sheet, write_sheet
from vinemap.sheet.zone_map import HEIGHT, WIDTH, Shade, block_map
from vinemap.states import TASKS, Action
from vinemap.web.pdf import write_pdf

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_800_000.0


def case() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, xr.Dataset]:
    """A block in two zones, one with a hostile name in two parts, one without figures, vines or variety."""
    parts = MultiPolygon([box(X + 300, Y, X + 400, Y + 80), box(X + 420, Y, X + 450, Y + 80)])
    blocks = gpd.GeoDataFrame(
        {
            "block": ["Knoll", HOSTILE[0], "Bare"],
            "variety": ["Riesling", None, None],
            "area_ha": [2.0, 1.04, 1.0],
            "vines": [5000.0, 2600.0, np.nan],
            "action": ["work_by_zone", "retrain", "no_data"],
            "trunks_hurt": [True, False, False],
            "target_nodes": [40.0, 30.0, np.nan],
            "extra_pct": np.nan,
            "extra_low_pct": np.nan,
            "extra_high_pct": np.nan,
            "nodes_to_keep": np.nan,
            "nodes_to_keep_low": np.nan,
            "nodes_to_keep_high": np.nan,
            "map_injury_pct": [35.0, 97.0, np.nan],
        },
        geometry=[box(X, Y, X + 200, Y + 100), parts, box(X + 500, Y, X + 600, Y + 100)],
        crs=CRS,
    )
    zones = gpd.GeoDataFrame(
        {
            "zone": [1, 2, 3, 4],
            "block": ["Knoll", "Knoll", HOSTILE[0], "Bare"],
            "action": ["keep_more", "as_usual", "retrain", "no_data"],
            "area_ha": [1.2, 0.8, 1.04, 1.0],
            "vines": [3000.0, 2000.0, 2600.0, np.nan],
            "injury_pct": [48.0, 15.5, 97.0, np.nan],
            "injury_low_pct": [41.2, 9.0, 94.0, np.nan],
            "injury_high_pct": [55.0, 24.0, 99.0, np.nan],
            "sure_pct": [92.0, 61.0, np.nan, np.nan],
            "nodes": [120, 80, 0, 0],
            "evidence": ["enough", "enough", "no sample", "no sample"],
            "extra_pct": [48.0, 0.0, np.nan, np.nan],
            "nodes_to_keep": [59.0, 40.0, np.nan, np.nan],
            "nodes_to_keep_low": [56.0, 40.0, np.nan, np.nan],
            "nodes_to_keep_high": [np.nan, 40.0, np.nan, np.nan],
        },
        geometry=[box(X, Y, X + 120, Y + 100), box(X + 120, Y, X + 200, Y + 100), parts, blocks.geometry.iloc[2]],
        crs=CRS,
    )
    x, y = X - 100 + 10.0 * np.arange(80) + 5, Y + 200 - 10.0 * np.arange(30) - 5
    heights = 200 + 0.02 * (x[None, :] - X) + 8 * np.sin(y[:, None] / 40)
    ground = xr.Dataset({"elevation_m": (("y", "x"), heights.astype(np.float32))}, coords={"y": y, "x": x})
    ground = ground.rio.write_crs(CRS).rio.write_transform(Affine(10, 0, X - 100, 0, -10, Y + 200))
    return blocks, zones, ground


def sheet(language: str = "en", shaded: bool = True, names: str = HOSTILE[0], **settings: object) -> CrewSheet:
    """Return the sheets of the case, its second block and the vineyard named ``names``."""
    blocks, zones, terrain = case()
    return crew_sheet(
        blocks=blocks.replace({"block": {HOSTILE[0]: names}}),
        zones=zones.replace({"block": {HOSTILE[0]: names}}),
        terrain=terrain if shaded else None,
        settings=Settings.model_validate({"event_date": "2026-01-22", **settings}),
        name=names,
        language=language,
        made=dt.date(2026, 1, 28),
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_page_a_block_with_every_caution(language: str) -> None:
    """Each block has its page, its name, its zones' figures, and all cautions, in the language asked for."""
    text = Html(sheet(language).html())
    assert [tag for tag, _ in text.elements].count("article") == 3
    words = " ".join(text.words)
    page, ours = section("page")[language], section("sheet")[language]
    for key in ("tools", "cold", "buds", "budbreak", "look_alike", "advice"):
        assert words.count(page[f"caution.{key}"]) == 3
    assert words.count(ours["caution.gloves"]) == 3
    assert page["action.retrain"] in words
    assert page["do.retrain"] in words
    assert ("lang", language) in {
        item for tag, attributes in text.elements if tag == "html" for item in attributes.items()
    }


def test_figures_of_the_tables() -> None:
    """Zones' nodes, injury, area and vines are those of the tables; the block's average gives no second order."""
    words = " ".join(Html(sheet().html()).words)
    assert "Work by zone." in words
    assert "Keep 54 nodes" not in words
    assert words.count("Some trunks are hurt or dead") == 1
    assert "Riesling, 2.00 ha, 5000 vines" in words
    assert re.search(r"59 \(56 or more\)\s+48 % \(41 to 55\)\s+120 nodes cut\s+1\.20 ha\s+3000", words)
    assert re.search(r"40\s+16 % \(9 to 24\)", words)
    assert "Not sure enough: zone 2. Cut a few buds" in words
    assert "Not sure enough: zone 3. Cut a few buds" in words
    assert words.count("no sample here") == 2
    assert not re.search(r"\bnan\b", words, re.IGNORECASE)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("grade", "key"), [("trunks_dead", "do.unknown_roots"), ("most_trunks_hurt", "do.look_again")])
def test_dead_trunks_on_unknown_roots_are_not_called_hurt(language: str, grade: str, key: str) -> None:
    """What to do where one has to look again follows the grade, as action_text does."""
    blocks, zones, _ = case()
    blocks = blocks.assign(grade=["by_number", grade, "too_few"])
    blocks.loc[1, "action"] = zones.loc[2, "action"] = "look_again"
    made_of = {"blocks": blocks, "zones": zones, "terrain": None, "settings": Settings(), "made": dt.date(2026, 1, 28)}
    words = " ".join(Html(crew_sheet(**made_of, name="V", language=language).html()).words)
    page = section("page")[language]
    assert [name for name in ("do.unknown_roots", "do.look_again") if page[name] in words] == [key]


def test_a_percentage_where_no_number_of_nodes_is_known() -> None:
    """One zone: the block's figures stand above it; no target: how many per cent more; no high end: at least."""
    blocks, zones, _ = case()
    blocks.loc[1, ["action", "extra_pct", "extra_low_pct", "extra_high_pct"]] = "keep_more", 40.0, 31.0, 52.0
    blocks.loc[0, ["action", "nodes_to_keep", "nodes_to_keep_low"]] = "keep_more", 54.0, 51.0
    zones.loc[2, ["action", "extra_pct"]] = "keep_more", 40.0
    zones = zones.drop(index=1)
    made, settings = dt.date(2026, 1, 28), Settings()
    made_of = {"blocks": blocks, "zones": zones, "terrain": None, "settings": settings, "made": made}
    text = crew_sheet(**made_of, name="V", language="en").html()
    assert "Keep 40 % more nodes than usual. Could be 31 to 52 %." in text
    assert ">40 % more<" in text
    assert "Keep 54 nodes on each vine (usual: 40). At least 51." in text
    assert "Freeze" not in text


def test_spanish_and_acres() -> None:
    """Spanish takes the decimal comma; US units give acres and a scale bar in feet."""
    assert "2,00 ha" in " ".join(Html(sheet("es").html()).words)
    american = " ".join(Html(sheet(units="us").html()).words)
    assert "4.94 acres" in american  # 2 ha / 0.40468564224
    assert re.search(r"\d ac\b", american), "short in the table of zones"
    assert re.search(r"\d+ ft", american)


@pytest.mark.parametrize("name", HOSTILE)
def test_names_are_text(name: str) -> None:
    """A hostile name comes out as the same characters, and changes no element and no attribute."""
    hostile, plain = Html(sheet(names=name).html()), Html(sheet(names="Tarn").html())
    assert isolated(name) in hostile.words
    assert any(f"{isolated(name)}. Freeze of" in words for words in hostile.words)
    assert hostile.frame == plain.frame


def test_every_action_has_its_words_and_colour() -> None:
    """Each code has a name and an instruction in both languages, and its own colour on paper."""
    style = sheet().html()
    for language in LANGUAGES:
        page = section("page")[language]
        assert all(f"action.{code}" in page and f"do.{code}" in page for code in Action)
    colours = [re.search(rf"^\.{code} {{ fill: (#\w+); }}$", style, re.MULTILINE) for code in TASKS]
    assert len({found.group(1) for found in colours if found}) == len(TASKS)


def test_the_drawing_is_to_scale() -> None:
    """A block of 200 by 100 m is drawn twice as wide as high, inside the frame, north up; the bar is a round length."""
    blocks, zones, _ = case()
    drawn = block_map(0, blocks.geometry, zones.iloc[:2], None, "metric")
    corners = np.array([tuple(map(float, pair.split())) for pair in drawn.outline.strip("MZ").split("L")])
    width, height = np.ptp(corners, axis=0)
    assert width == pytest.approx(2 * height, rel=0.01)
    assert corners.min() > 0
    assert (corners.max(axis=0) < [WIDTH, HEIGHT]).all()
    length, unit = drawn.bar.split()
    assert unit == "m"
    assert drawn.bar_width / float(length) == pytest.approx(width / 200, rel=0.01)


def test_shading_only_where_the_ground_is_known() -> None:
    """With an elevation grid each map has its shaded ground; without, none, and the caption does not claim it."""
    shaded, bare = Html(sheet().html()), Html(sheet(shaded=False).html())
    assert [tag for tag, _ in shaded.elements].count("image") == 3
    assert [tag for tag, _ in bare.elements].count("image") == 0
    assert "shading" not in " ".join(bare.words)
    assert Shade.of(None) is None


def test_whom_the_heights_are_owed_to_stands_beside_their_shading() -> None:
    """The credit of an elevation grid is printed on every page as text, and only where its shading is."""
    blocks, zones, terrain = case()
    made_of = {"blocks": blocks, "zones": zones, "settings": Settings(), "made": dt.date(2026, 1, 28)}
    for ground, count in ((terrain, 3), (None, 0)):
        shown = crew_sheet(**made_of, name="V", language="en", terrain=ground, credit=HOSTILE[0])
        words = Html(shown.html()).words
        assert sum(f"Shading by heights: {HOSTILE[0]}" in piece for piece in words) == count


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_prints_one_page_a_block(tmp_path: Path, browser: Any, paper: str, language: str) -> None:
    """In Chromium, offline: no request, no console message, and three pages of paper for three blocks."""
    path = tmp_path / "sheet.html"
    write_sheet(sheet(language), path)
    context = browser.new_context(offline=True)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(path.as_uri())
    pdf = page.pdf(format=paper, prefer_css_page_size=False)
    context.close()
    assert said == []
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 3


@pytest.mark.parametrize("language", LANGUAGES)
def test_pdf_has_a_page_a_block(tmp_path: Path, language: str) -> None:
    """WeasyPrint's PDF has one page a block, with its name, its nodes and its cautions as text."""
    pytest.importorskip("weasyprint", reason="WeasyPrint wants the system's Pango", exc_type=OSError)
    write_pdf(sheet(language, names="{{ 7*7 }}").html(own_style=True), tmp_path / "sheet.pdf")
    pages = [page.extract_text() for page in PdfReader(tmp_path / "sheet.pdf").pages]
    assert len(pages) == 3
    assert "Knoll" in pages[0]
    assert "59" in pages[0]
    assert "{{ 7*7 }}" in pages[1]


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_work_is_listed_in_its_order_with_room_for_marks(language: str) -> None:
    """A page before the blocks: each task with its zone, rows, hours and boxes; canes by their vines."""
    blocks, zones, _ = case()
    zones = zones.assign(canes_more=pd.array([0, 2, 0, 0], dtype="Int64"), rows_whole=["1–4", None, None, None])
    zones = zones.assign(target_nodes=[40.0, 40.0, 30.0, np.nan])
    settings = Settings.model_validate({"work": {"vines_per_hour": {"keep_more": 15}, "crew": 2, "hours_a_day": 10}})
    work, _ = with_ticks(work_list(zones, blocks.assign(trunk_dead_pct=50.0), settings), None)
    work.loc[work["task"] == "keep_more", ["done", "done_by", "done_at"]] = [True, "A. B.", "2026-02-14T09:30:00.000Z"]
    canes = pd.DataFrame({"sample": ["KN1", "KN2"], "zone": 2, "row": [7, 9], "vine": [30, 41]})
    listed = crew_sheet(
        blocks=blocks, zones=zones, terrain=None, settings=settings, name="Knoll Farm", language=language,
        made=dt.date(2026, 1, 28), work=work, canes=canes,
    )  # fmt: skip
    words = section("page")[language]
    assert [line.task for line in listed.work] == [
        words[f"action.{task}"] for task in work["task"] if task != "no_data"
    ]
    by_task = {line.task: line for line in listed.work}
    more = by_task[words["action.keep_more"]]
    assert "1–4" in more.where
    assert "59" in more.where
    assert "200 h" in more.takes  # 3000 vines at 15 an hour; two people at ten hours: ten days
    assert words["work.hours_assumed"].partition("(")[2] not in more.takes
    assert "A. B." in more.marked
    cut = by_task[words["action.more_canes"]]
    assert "KN1" in cut.where
    assert "30" in cut.where
    text = Html(listed.html())
    assert [tag for tag, _ in text.elements].count("article") == 4
    assert text.words.index(words["work.title"]) < text.words.index("Knoll")
    for caution in listed.cautions:
        assert sum(caution in piece for piece in text.words) == 4
