"""The printable sheet: what it says, in both languages, with nothing that a name could smuggle in."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import rasterio
import segno

from tests.builders import HOSTILE, Html, blocks, write_elevation
from vinemap.characters import isolated
from vinemap.plan.options import PlanOptions
from vinemap.plan.overview import sentences
from vinemap.plan.round_sheet import write_sheet
from vinemap.plan.run import make_plan, plan_round
from vinemap.sentences import Figure, Sentence

pytestmark = pytest.mark.usefixtures("few_draws")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A planned vineyard in US units."""
    folder = tmp_path_factory.mktemp("site")
    frame = blocks(row_spacing_m=2.5, vine_spacing_m=1.5)
    frame.to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    (folder / "vinemap.toml").write_text('name = "Vale <of> Ash"\nunits = "us"\nlanguage = "es"\n', encoding="utf-8")
    write_elevation(folder / "elevation.tif")
    make_plan(folder, folder / "plan", PlanOptions(half_width=0.15))
    return folder / "plan"


@pytest.fixture(scope="module")
def sheet(home: Path) -> str:
    """Its sheet's source."""
    return (home / "plan.html").read_text(encoding="utf-8")


def test_a_term_is_said_in_the_language_of_the_whole() -> None:
    """A place that stands inside another text is said in its language."""
    place = Sentence("plan.place.both", row=3, vine=7)
    assert Sentence("plan.place.about", place=place).said("es") == "cerca de 3, 7"


def test_figures_take_the_languages_decimal_mark(sheet: str) -> None:
    """13.6 km in English is 13,6 km in Spanish; coordinates, which devices read, keep the point."""
    figure = Figure(13.6, 1, "km")
    assert (figure.said("en"), figure.said("es"), str(figure)) == ("13.6 km", "13,6 km", "13.6 km")
    assert re.search(r"La vuelta a pie mide \d+,\d mi con \d+ ft de subida en total", sheet)
    assert re.search(r"The round is \d+\.\d mi on foot with \d+ ft of climb", sheet)
    assert "correlación 0,10" in sheet


def test_whom_the_heights_are_owed_to_is_printed(home: Path, sheet: str) -> None:
    """A grid without a credit has none on the sheet; one that names its owner has it in each language, as text."""
    assert "Alturas:" not in sheet
    folder = home.parent
    with rasterio.open(folder / "elevation.tif", "r+") as grid:
        grid.update_tags(TIFFTAG_COPYRIGHT=f"County {HOSTILE[0]}")
    write_sheet(
        plan_round(folder, PlanOptions(half_width=0.15), first=True), folder / "again.html", dt.date(2026, 1, 30)
    )
    words = Html((folder / "again.html").read_text(encoding="utf-8")).words
    assert [word for word in words if f"County {HOSTILE[0]}" in word] == [
        f"{start}: County {HOSTILE[0]}" for start in ("Heights", "Alturas")
    ]


def test_legs_through_rows_are_named(tmp_path: Path) -> None:
    """From a start amid rows the straight line cuts across them, and is named; beside the blocks none does."""
    frame = blocks(row_bearing_deg=0.0).to_crs(4326)
    frame.to_file(tmp_path / "blocks.geojson", driver="GeoJSON")
    left, bottom, right, top = frame.geometry[0].bounds
    for start, crossed in (((left, bottom - 0.0002), 0), (((left + right) / 2, (bottom + top) / 2), 1)):
        told = sentences(make_plan(tmp_path, tmp_path / "plan", PlanOptions(half_width=0.2, start=start)))
        named = [line.rpartition(": ")[2].rstrip(".") for line in told if "cuts across rows" in line]
        sheet = (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
        assert len(named) == crossed
        assert ("cuts across rows of a block" in sheet) == bool(crossed)
        for legs in named:
            assert "○–1" in legs
            assert sheet.count(f": {legs}.") == 2


def test_names_are_shown_and_never_run(home: Path, tmp_path: Path) -> None:
    """Blocks, samples and the vineyard under any name: it is shown as it is, and no element or attribute changes."""
    plan = plan_round(home.parent, PlanOptions(half_width=0.15))
    frames = []
    for name in ("Tarn", *HOSTILE):
        named = {"Ash": name, plan.points["sample"][0]: name}
        tables = {part: getattr(plan, part).replace(named) for part in ("blocks", "points", "sizes")}
        write_sheet(replace(plan, name=name, **tables), tmp_path / "plan.html", dt.date(2026, 1, 28))
        page = Html((tmp_path / "plan.html").read_text(encoding="utf-8"))
        frames.append(page.frame)
        # In the stops, in the sizes, on its label, on the map and, for the sample, on the label's strips.
        assert page.words.count(isolated(name)) >= 6
        assert f"{isolated(name)}: plan" in page.words
    assert all(frame == frames[0] for frame in frames)


def test_the_sheet_asks_no_network_for_anything(sheet: str) -> None:
    """The only addresses are names of XML vocabularies, and the policy forbids the rest."""
    assert set(re.findall(r"https?://[^\s\"'<]+", sheet)) <= {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in sheet


@pytest.mark.parametrize(
    ("english", "spanish"),
    [
        ("Cut away from the body, and keep the other hand behind the blade", "la otra mano detrás de la hoja"),
        ("eye protection", "protección para los ojos"),
        ("Ice and snow", "El hielo y la nieve"),
        ("sharp, clean tools", "afiladas y limpias"),
        ("24 to 48 hours", "24 a 48 horas"),
        ("medium thickness that grew in the light", "grosor medio que haya crecido a la luz"),
        ("basal to the half", "basal en la mitad"),
        (
            "read the basal half first, then go on counting on the apical half as the same cane",
            "como el mismo sarmiento",
        ),
        ("local extension service", "servicio de extensión"),
    ],
)
def test_cautions_and_advice_are_there_in_both_languages(sheet: str, english: str, spanish: str) -> None:
    """Cutting, tools, eyes, ice; how to choose, mark and keep canes; whose advice goes before."""
    assert english in sheet
    assert spanish in sheet


def test_every_sample_has_a_stop_and_a_label(home: Path, sheet: str) -> None:
    """Each sample stands in the list and on a label whose code is the QR code (ISO/IEC 18004) of its name."""
    names = pd.read_csv(home / "samples.csv")["sample"]
    assert sheet.count('<div class="label">') == len(names)
    for name in names:
        assert f"<td><b>{name}</b></td>" in sheet
        path = re.search(r'<path[^>]* d="([^"]+)"', segno.make(name, error="m", micro=False).svg_inline(border=4))
        assert path is not None
        assert path.group(1) in sheet


def test_units_follow_the_settings(sheet: str) -> None:
    """US units show miles and feet."""
    assert re.search(r"\d\.\d mi a? ?", sheet)
    assert re.search(r"\d+ ft", sheet)
    assert " km" not in sheet


def test_the_sheet_in_a_browser(home: Path, browser: Any) -> None:
    """Both languages show one at a time, in the settings' one first; nothing is wider than a phone; no errors."""
    page = browser.new_page(viewport={"width": 390, "height": 800})
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    page.goto((home / "plan.html").as_uri())
    assert page.inner_text("h1") == "Dónde recoger sarmientos"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    whole = "() => { const s = document.querySelector('.stops'); return s.scrollWidth <= s.clientWidth; }"
    one_line = "() => [...document.querySelectorAll('.figure')].every((figure) => figure.getClientRects().length === 1)"
    assert page.evaluate(whole)
    assert page.evaluate(one_line)
    page.click("label[for=lang-en]")
    assert page.evaluate(whole)
    assert page.inner_text("h1") == "Where to collect canes"
    assert "Cuidado" not in page.inner_text("main")
    page.emulate_media(media="print")
    assert not page.is_visible("label[for=lang-en]")
    assert page.is_visible("svg.map")
    assert errors == []
    page.close()
