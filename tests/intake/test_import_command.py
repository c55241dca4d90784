"""`vinemap import` at the terminal: what it says, what it asks, and how it ends."""

from __future__ import annotations

import sys
from pathlib import Path
from unittest.mock import Mock

import click
import pytest

from tests.builders import blocks, write_vineyard
from tests.conftest import Run
from tests.intake.sheets import table, workbook
from tests.reading.strangers import Counter, counting, state
from tests.reading.test_strangers import (
    crs_by_link,
    pipeline_that_calls,
    pipeline_that_reads,
    virtual_layer_that_calls,
    virtual_layer_that_reads,
    virtual_layer_that_writes,
    virtual_points_that_call,
)

CODES = [["Sample", "Cane", "Buds"], *([f"{block}{k}", 1, "1 0 1 1"] for block in "ABC" for k in (1, 2))]


def _files(folder: Path, rows: list[list[object]]) -> list[Path]:
    (folder / "buds.csv").unlink()
    return [folder / "blocks.geojson", folder / "samples.csv", table(folder / "cut 2026.csv", rows, mark=";")]


def test_yes_lists_the_questions_with_the_lines_that_answer_them(folder: Path, tmp_path: Path, run: Run) -> None:
    """Exit code 2, nothing written; the line that it shows, put into vinemap.toml, answers the question."""
    files, out = _files(folder, CODES), tmp_path / "out"
    code, said, complained = run("import", *files, "-o", out, "--yes")
    assert code == 2
    assert not out.exists()
    assert "1 0 1 1" in said
    assert "1 to mend; nothing was written." in complained
    line = complained.split("write one of these lines: ")[1].split(" | ")[1].split(" (")[0]
    assert line.endswith('code 1" = "dead"')
    out.mkdir()
    (out / "vinemap.toml").write_text(f'name = "Hof"\n[import.answers]\n{line}\n', encoding="utf-8")
    code, said, _ = run("import", *files, "-o", out, "--yes")
    assert code == 0
    assert f"vinemap check {out}" in said
    assert 'name = "Hof"' in (out / "vinemap.toml").read_text(encoding="utf-8")
    assert run("check", out)[0] == 0


def test_a_question_is_answered_by_its_number(
    folder: Path, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a terminal each question is asked; the answer is kept, and next year's buds alone need none."""
    files, out = _files(folder, CODES), tmp_path / "out"
    monkeypatch.setattr(sys, "stdin", Mock(isatty=lambda: True))
    asked: list[str] = []
    monkeypatch.setattr(click, "prompt", lambda words, **_: asked.append(words) or 2)
    code, said, _ = run("import", *files, "-o", out, "--language", "es")
    assert (code, asked) == (0, ["Número"])
    assert "una yema muerta" in said
    later = table(
        tmp_path / "cut 2027.csv", [CODES[0], *([name, cane, "0 0 1"] for name, cane, _ in CODES[1:])], mark=";"
    )
    code, _, complained = run("import", later, "-o", out, "--yes")
    assert (code, complained) == (0, "")
    assert (out / "buds.csv").read_text(encoding="utf-8").count("dead") == 6
    assert sorted(path.name for path in (out / "originals").iterdir()) == [
        "blocks.geojson",
        "cut 2026.csv",
        "cut 2027.csv",
        "samples.csv",
    ]


def test_faults_are_named_with_file_and_row(folder: Path, tmp_path: Path, run: Run) -> None:
    """What contradicts itself ends with exit code 2 and both rows, and writes nothing."""
    files = _files(folder, [["Sample", "Dead", "Buds"], ["A1", 3, 10], ["A2", 1, 10], ["A3", 1, 10], ["A1", 4, 10]])
    code, _, complained = run("import", *files, "-o", tmp_path / "out", "--yes")
    assert code == 2
    assert "cut 2026.csv" in complained
    assert not (tmp_path / "out").exists()


def test_text_of_strangers_moves_no_cursor(folder: Path, tmp_path: Path, run: Run) -> None:
    """Markup and control characters of headings and cells reach the terminal as text."""
    rows = [["Sample", "[red]x[/]\x1b[2J", "Dead", "Buds"], ["A1", "\x1b]0;t\x07", 3, 10]]
    _, said, complained = run("import", *_files(folder, rows), "-o", tmp_path / "out", "--yes")
    assert "\x1b" not in said + complained


def test_a_folder_with_what_was_left_aside_is_not_called_ready(folder: Path, run: Run) -> None:
    """A table that nothing reads, a sheet beside the one read and a sample without buds are named; none is ready."""
    assert "ready to map" in run("check", folder)[1]
    table(folder / "buds 2.csv", [["sample", "cane", "node", "primary"], ["A1", 9, 1, "dead"]])
    said = run("check", folder)[1]
    assert "buds 2.csv" in said
    assert "ready to map" not in said
    (folder / "buds 2.csv").unlink()
    rows = [["sample", "cane", "node", "primary"], *([name, 1, 1, "dead"] for name in ("A1", "A2", "B1", "B2", "C1"))]
    (folder / "buds.csv").unlink()
    workbook(folder / "buds.xlsx", buds=rows, more=[rows[0], ["C2", 1, 1, "alive"]])
    said = run("check", folder)[1]
    assert "more" in said
    assert "C2" in said
    assert "ready to map" not in said


@pytest.fixture(scope="module")
def counter(tmp_path_factory: pytest.TempPathFactory):
    with counting(tmp_path_factory.mktemp("server") / "log") as server:
        yield server


@pytest.mark.parametrize(
    "attack",
    [
        virtual_layer_that_writes,
        virtual_layer_that_reads,
        virtual_layer_that_calls,
        virtual_points_that_call,
        pipeline_that_reads,
        pipeline_that_calls,
        crs_by_link,
    ],
    ids=lambda attack: attack.__name__,
)
def test_an_import_does_nothing_for_a_file(tmp_path: Path, counter: Counter, run: Run, attack) -> None:
    """A file that asks for another one, or for an address, is refused by import as by map; nothing else changes."""
    folder = tmp_path / "vineyard"
    folder.mkdir()
    write_vineyard(folder)
    blocks().to_crs(4326).to_file(tmp_path / "other.gpkg", layer="blocks")
    attack(folder, counter.url)
    before = state(tmp_path)
    files = sorted(folder.iterdir())
    code, _, complained = run("import", *files, "-o", tmp_path / "out", "--yes")
    assert code == 2, complained
    assert "Traceback" not in complained
    assert state(tmp_path) == before
    assert counter.asked() == []
