"""Every fault that a page of the desk can show is said in the reader's language, whichever room it comes from."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path
from string import Formatter

import pandas as pd
import pytest

from tests.builders import write_elevation
from tests.desk.conftest import Desk, ended
from vinemap.sentences import languages

HERE = "/vineyards/vineyard"
SPANISH = {"Accept-Language": "es"}


def _pieces(text: str) -> list[str]:
    """What stands between the places of a sentence, where it is long enough to tell."""
    return [piece.strip() for piece, _, _, _ in Formatter().parse(text) if len(piece.split()) >= 3]


def _english_in(page: str) -> list[str]:
    """Pieces of English faults, remedies and what is asked for that a page holds."""
    shown = re.sub(r"<[^>]*>", " ", re.sub(r"<script\b.*?</script>", " ", page, flags=re.DOTALL))
    text = " ".join(unescape(shown).split()).casefold()
    words = languages()
    sentences = {key: said for key, said in words["en"].items() if key.startswith(("fault.", "remedy.", "asked."))}
    pieces = (piece for key, said in sentences.items() if said != words["es"][key] for piece in _pieces(said))
    return [piece for piece in pieces if piece.casefold() in text]


def _written(name: str, text: str) -> Callable[[Path], None]:
    def plant(folder: Path) -> None:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")

    return plant


def _cell(file: str, column: str, value: object) -> Callable[[Path], None]:
    def plant(folder: Path) -> None:
        table = pd.read_csv(folder / file).astype(object)
        table[column] = [value, *table[column][1:]] if column in table else [value, *[""] * (len(table) - 1)]
        table.to_csv(folder / file, index=False)

    return plant


def _outline(folder: Path) -> None:
    blocks = json.loads((folder / "blocks.geojson").read_text(encoding="utf-8"))
    blocks["features"][0]["geometry"] = {"type": "Point", "coordinates": [-75, 43]}
    (folder / "blocks.geojson").write_text(json.dumps(blocks), encoding="utf-8")


# What is planted, by the room that finds it, and some of the Spanish that must be there.
PLANTED: dict[str, tuple[Callable[[Path], None], str]] = {
    "settings, a key": (_written("vinemap.toml", 'nombre = "x"\n'), "no hay tal clave"),
    "settings, a figure": (_written("vinemap.toml", "[surface]\ncell_m = 900\n"), "debe ser 100 o menos"),
    "settings, a word": (_written("vinemap.toml", 'units = "imperial"\n'), "debe ser 'metric' o 'us'"),
    "settings, no TOML": (_written("vinemap.toml", "= 3\n"), "no es TOML válido"),
    "settings, a file": (_written("vinemap.toml", '[files]\nbuds = "b.csv"\n'), "no hay ningún archivo 'b.csv'"),
    "geometry": (_outline, "está dibujado como un punto, no como polígono"),
    "vetting": (_written("blocks.geojson", '{"type": "FeatureCollection", "features": ['), "no es JSON válido"),
    "CRS": (_written("vinemap.toml", 'metric_crs = "EPSG:0"\n'), "no es el nombre de ningún sistema de referencia"),
    "elevation": (lambda folder: write_elevation(folder / "elevation.tif", crs=None), "no declara ningún CRS"),
    "loggers": (
        _written("loggers/N1.csv", "time,temp\n2026-01-22 06:00,-20\n"), "no dice ni °C ni °F"),
    "hardiness": (_written("hardiness.csv", "date,lt50_c\n2026-01-20,-21\n"), "dé la variedad, o su species_group"),
    "protection": (_written("protection.csv", "kind,ran,lon,lat\nheater,yes,-75,43.3533\n"), "no protege nada sin"),
    "layers": (_written("layers/suelo.asc", "ncols 3"), "las mallas terminadas en .asc no se leen"),
    "samples": (_cell("samples.csv", "lat", ""), "dé su punto a la muestra, o quítela"),
    "buds": (_cell("buds.csv", "primary", "verdoso"), "no es ni viva, ni muerta, ni sin leer"),
    "wood": (_written("wood.csv", "sample,phloem,browned_pct\nA1,alive,100\n"), "mire el corte otra vez"),
    "done": (_written("done.csv", "block,zone,task,kind,set,time\nNorth,1,prune,done,yes,ayer\n"), "no es una hora"),
}  # fmt: skip


@pytest.mark.parametrize("fault", PLANTED)
def test_a_fault_of_any_room_is_said_in_spanish(folder: Path, fault: str) -> None:
    """The page of checks says it, and no piece of any English sentence of ours."""
    plant, wanted = PLANTED[fault]
    plant(folder)
    desk = Desk(folder)
    page = unescape(desk.client().get(f"{HERE}/check", headers=SPANISH).text)
    desk.close()
    assert wanted.casefold() in page.casefold()
    assert _english_in(page) == []


def test_the_check_for_english_finds_english(folder: Path) -> None:
    """The same page in English holds pieces of English sentences, so that none in the Spanish one tells something."""
    PLANTED["buds"][0](folder)
    desk = Desk(folder)
    page = desk.client().get(f"{HERE}/check", headers={"Accept-Language": "en"}).text
    desk.close()
    assert "is neither alive nor dead nor unread" in _english_in(page)


def test_what_work_beside_the_server_reports_is_said_in_spanish(folder: Path) -> None:
    """Too few samples for a map are known in another process, whose words come as every language has them."""
    samples = pd.read_csv(folder / "samples.csv")
    samples.head(2).to_csv(folder / "samples.csv", index=False)
    buds = pd.read_csv(folder / "buds.csv")
    buds[buds["sample"].isin(samples["sample"].head(2))].to_csv(folder / "buds.csv", index=False)
    desk = Desk(folder)
    client = desk.client()
    client.post(f"{HERE}/map")
    job = ended(desk)
    page = client.get(f"{HERE}/map", headers=SPANISH).text
    desk.close()
    assert [problem.file for problem in job.problems] == ["samples"]
    assert "una yema primaria leída" in page
    assert "Corte más sarmientos" in page
    assert _english_in(page) == []


def test_a_refused_form_answers_in_spanish(folder: Path) -> None:
    """A name that no folder can have, on the desk of a folder that holds vineyards."""
    desk = Desk(folder.parent)
    page = desk.client().post("/vineyards", data={"name": "../x"}, headers=SPANISH).text
    desk.close()
    assert "no puede ser el nombre de una carpeta" in page
    assert _english_in(page) == []
