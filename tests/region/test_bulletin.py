"""The bulletin as a page: one file, in both languages, with markup in no name."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from axe_playwright_python import sync_playwright as axe
from pypdf import PdfReader

from tests.builders import HOSTILE, Html
from tests.region.simulated import DISTRICTS, region
from vinemap.region.bulletin import Bulletin
from vinemap.region.district_map import district_map
from vinemap.region.ranking import index_page, vineyards_table
from vinemap.region.region import districts_geojson
from vinemap.region.totals import bulletin_tables
from vinemap.web.pdf import write_pdf


def _bulletin(count: int = 40, **settings: object) -> Bulletin:
    home, outcomes = region(count, **settings)
    return Bulletin(home, outcomes, bulletin_tables(home.members, outcomes, home.settings), "2026-01-30", "0")


@pytest.mark.parametrize(
    ("language", "words"),
    [("en", ("alive", "no results", "not shown", "Freeze")), ("es", ("Vive el", "no se muestra", "Helada"))],
)
def test_it_says_what_a_reader_asks(language: str, words: tuple[str, ...]) -> None:
    """What lives beside what died, the dates, what is not shown, the method in five lines; it fetches nothing."""
    page = Html(_bulletin(language=language).html())
    text = " ".join(page.words)
    for word in (*words, "2026-01-08", "2026-01-12 – 2026-01-20", "Lakeside", "Abbott 1925"):
        assert word in text
    assert sum(tag == "li" for tag, _ in page.elements) == len(DISTRICTS) + 5
    assert not [tag for tag, _ in page.elements if tag in ("script", "img", "link", "iframe")]
    policies = [given.get("content") for tag, given in page.elements if tag == "meta" and "http-equiv" in given]
    assert policies == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_the_drawing_shows_every_district_and_no_place() -> None:
    """A square each, in colour where a figure is shown; the same districts by their outlines where these are given."""
    bulletin = _bulletin()
    assert [district.name for district in bulletin.drawing.districts] == sorted(DISTRICTS)
    for district in bulletin.drawing.districts:
        assert (district.colour is None) == (district.injury_pct is None)
    home, outcomes = region(40)
    outlines = gpd.GeoDataFrame(
        {"district": ["Lakeside", "Elsewhere"]},
        geometry=gpd.points_from_xy([-77.0, -76.0], [42.0, 42.5]).buffer(0.2),
        crs="EPSG:4326",
    )
    tables = bulletin_tables(home.members, outcomes, home.settings, ["Elsewhere"])
    drawn = Bulletin(replace(home, districts=outlines), outcomes, tables, "2026-01-30", "0").drawing
    assert [(district.name, district.state) for district in drawn.districts][1] == ("Elsewhere", "no_results")
    layer = districts_geojson(tables.districts, outlines)
    kinds = {one["properties"]["district"]: one["geometry"] and one["geometry"]["type"] for one in layer["features"]}
    assert kinds == {"Lakeside": "Polygon", "Elsewhere": "Polygon", **dict.fromkeys(DISTRICTS[1:])}


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_is_markup(name: str) -> None:
    """Names of region, districts, growers and folders change no element of either page."""
    home, outcomes = region(24)
    renamed = replace(
        home,
        name=name,
        members=[replace(member, district=f"{name}{member.district}", grower=name) for member in home.members],
    )
    every = {member.folder: member for member in home.members}
    assert every.keys() == outcomes.keys()
    plain, frames = _plain(), [Html(page).frame for page in _pages(renamed, outcomes)]
    assert frames[1] == plain[1]
    assert {tag for tag, _ in frames[0]} <= {tag for tag, _ in plain[0]}


@cache
def _plain() -> list[list[tuple[str, list[str]]]]:
    """The elements of both pages where every name is plain."""
    return [Html(page).frame for page in _pages(*region(24))]


def _pages(home, outcomes) -> list[str]:
    tables = bulletin_tables(home.members, outcomes, home.settings)
    table = vineyards_table(home.members, outcomes)
    return [Bulletin(home, outcomes, tables, "2026-01-30", "0").html(), index_page(home, table, outcomes)]


def test_the_adviser_sees_all(tmp_path: Path) -> None:
    """Every vineyard with a link to its map, the worst first; those that could not be mapped last, with the reason."""
    home, outcomes = region(24)
    page = Html(_pages(home, outcomes)[1])
    links = [given["href"] for tag, given in page.elements if tag == "a"]
    mapped = [name for name, outcome in outcomes.items() if outcome.figures is not None]
    assert sorted(links) == sorted(f"{name}/map.html" for name in mapped)
    assert "'purple' is none of the states" in " ".join(page.words)
    table = vineyards_table(home.members, outcomes)
    assert table["injury_pct"].dropna().is_monotonic_decreasing
    assert sorted(table["more_canes"].dropna()) == list(range(1, len(mapped) + 1))


def test_the_adviser_reads_what_is_wrong_in_the_list_s_language() -> None:
    """Reasons and warnings of a list in Spanish are Spanish; the table, as every table, is in English."""
    home, outcomes = region(24, language="es")
    table = vineyards_table(home.members, outcomes)
    text = " ".join(Html(index_page(home, table, outcomes)).words)
    assert "«purple» no es ningún estado" in text
    assert "Sin elevación." in text
    assert "none of the states" not in text
    assert table["message"].str.contains("'purple' is none of the states").sum() == 2


def test_the_list_has_room_for_the_worst(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of more than a browser shows well, the most injured and those not mapped stand there, and it says so."""
    home, outcomes = region(40)
    monkeypatch.setattr("vinemap.region.ranking.MOST_ROWS", 2)
    table = vineyards_table(home.members, outcomes)
    page = Html(index_page(home, table, outcomes))
    links = [given["href"] for tag, given in page.elements if tag == "a"]
    assert links == [f"{name}/map.html" for name in table["folder"][:2]]
    text = " ".join(page.words)
    assert "4 of 40 vineyards stand here" in text
    assert "3 vineyards could not be mapped" in text


def test_it_prints(tmp_path: Path) -> None:
    """As PDF it has the title, the tables and the method, and no grower, folder or producer's file."""
    write_pdf(_bulletin(24).html(), tmp_path / "bulletin.pdf")
    text = "".join(page.extract_text() for page in PdfReader(tmp_path / "bulletin.pdf").pages)
    plain = re.sub(r"\s+", " ", text)
    for words in ("Winter bud injury: Quillfoot county", "By district", "Method, in five lines"):
        assert words in plain
    home, _ = region(24)
    file = (tmp_path / "bulletin.pdf").read_bytes().decode("latin-1")
    for secret in {*(member.grower for member in home.members), *(member.folder for member in home.members)}:
        assert not re.search(rf"\b{re.escape(secret)}\b", plain + file)


def test_it_says_how_it_was_made() -> None:
    """Where maps borrowed, the method says so; where no native reader has read the words, the page does."""
    home, outcomes = region(40, language="es")
    tables = bulletin_tables(home.members, outcomes, home.settings)
    alone, borrowed = (
        Bulletin(home, outcomes, tables, "2026-01-30", "0", borrowed=given).html() for given in (False, True)
    )
    assert "Bayes empírico" in borrowed
    assert "por separado" in alone
    assert "lengua materna" in alone
    assert "native reader" not in _bulletin().html()


def test_letters_stand_out_on_every_colour() -> None:
    """The contrast of letters on a district's colour is 4.5 or more: WCAG 2.2, 1.4.3 (its formulas from memory)."""

    def light(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        return float(np.dot([0.2126, 0.7152, 0.0722], [((c + 0.055) / 1.055) ** 2.4 for c in parts]))

    table = pd.DataFrame({"district": [str(k) for k in range(101)], "state": "shown", "injury_pct": range(101)})
    for district in district_map(table, None).districts:
        assert district.colour is not None
        letters = 1.0 if district.light else 0.0
        low, high = sorted([letters, light(district.colour)])
        assert (high + 0.05) / (low + 0.05) >= 4.5, district


@pytest.mark.parametrize("language", ["en", "es"])
def test_a_phone_shows_both_pages_whole(tmp_path: Path, browser: Any, language: str) -> None:
    """At 360 px nothing is wider than the screen but what scrolls by itself, and axe-core finds no violation."""
    home, outcomes = region(24, language=language)
    outlines = gpd.GeoDataFrame(
        {"district": list(DISTRICTS[:2])}, geometry=gpd.points_from_xy([-77, -76], [42, 42]).buffer(0.2), crs=4326
    )
    outlined = Bulletin(
        replace(home, districts=outlines), outcomes, bulletin_tables(home.members, outcomes, home.settings), "", "0"
    )
    page = browser.new_page(viewport={"width": 360, "height": 740}, bypass_csp=True)  # axe itself is an inline script
    for number, html in enumerate([*_pages(home, outcomes), outlined.html()]):
        (tmp_path / f"{number}.html").write_text(html, encoding="utf-8")
        page.goto((tmp_path / f"{number}.html").as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") == 360
        found = axe.Axe().run(page).response["violations"]
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found] == [], number
    page.close()
