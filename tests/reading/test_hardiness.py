"""Tables of lethal temperatures."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.builders import blocks, only_problem, write_vineyard
from vinemap.reading.vineyard import read_site

HEAD = "variety,species_group,date,lt10_c,lt50_c,lt90_c\n"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    write_vineyard(tmp_path, skip=("blocks",))
    blocks(variety=["Riesling", "Marquette", None]).to_crs(4326).to_file(tmp_path / "blocks.geojson")
    return tmp_path


def test_figures_in_either_unit(home: Path) -> None:
    """Of a variety or a group, on a day or of the night, in °C or °F; exact at the fixed points."""
    (home / "hardiness.csv").write_text("Variety,Species group,Date,LT50 F\nriesling,,2026-01-20,-13\n,hybrid,,-40\n")
    found = read_site(home).hardiness
    assert found is not None
    assert found["lt50_c"].tolist() == pytest.approx([-25.0, -40.0])
    assert found["species_group"].tolist() == [None, "hybrid"]
    assert found["date"].isna().tolist() == [False, True]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("Riesling,,,-24,-22,-26", "lt50_c: -22 kills half, but -24 a tenth; half die at a lower temperature"),
        ("Riesling,,,-18,-22,-20", "lt90_c: -20 kills nine tenths, but -22 half"),
        ("Riesling,,,-18,,-24", "lt50_c: is empty; give the temperature that kills half"),
        (",,,-18,-22,-24", "variety: is empty; give the variety, or its species_group"),
        ("Riesling,,,-18,-2200,-24", "lt50_c: '-2200' is out of range"),
        ("Merlot,,,,-20,", "variety: row 2 has the same variety and day already"),
    ],
)
def test_faults_are_named(home: Path, row: str, words: str) -> None:
    """Each with its row, its column and what to do."""
    (home / "hardiness.csv").write_text(f"{HEAD}Merlot,,,-18,-21,-24\n{row}\n")
    assert only_problem(home).startswith(f"hardiness.csv:3: {words}")


def test_a_slip_of_a_variety_is_told(home: Path) -> None:
    """A name that is nearly a block's is told; what no block has is no fault, for a service lists many."""
    (home / "hardiness.csv").write_text(f"{HEAD}Rieslin,,,,-22,\nConcord,,,,-28,\n")
    (said,) = [str(warning) for warning in read_site(home).warnings]
    assert "'Rieslin' (meant as Riesling?)" in said
    assert "Concord" not in said
