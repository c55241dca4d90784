"""`vinemap import`: from people's own files to a vineyard folder that the rest of vinemap reads."""

from __future__ import annotations

import hashlib
from pathlib import Path

import geopandas as gpd
import pytest
from pandas.testing import assert_frame_equal

from tests.intake.messy import TROUBLES, write_messy, write_tidy
from vinemap.errors import InputError
from vinemap.intake.tidy import answers_in, originals, with_kept, write_folder
from vinemap.intake.understand import understand
from vinemap.pipeline.mapping import make_map
from vinemap.reading.vineyard import read_vineyard


def _digests(files: list[Path]) -> list[str]:
    return [hashlib.sha256(path.read_bytes()).hexdigest() for path in files]


def test_tidy_files_need_no_question(folder: Path, tmp_path: Path) -> None:
    """A folder made of tidy files reads as they do; the originals are kept beside it, byte for byte."""
    files = sorted(folder.iterdir())
    before = _digests(files)
    understood = understand(files)
    assert understood.open == ()
    assert understood.problems == ()
    write_folder(understood, files, tmp_path / "out")
    made, given = read_vineyard(tmp_path / "out"), read_vineyard(folder)
    assert made.samples[["sample", "block"]].equals(given.samples[["sample", "block"]])
    assert made.nodes.equals(given.nodes)
    assert _digests(files) == before
    assert _digests([tmp_path / "out" / "originals" / path.name for path in files]) == before


def test_an_import_is_not_written_over_what_people_changed(folder: Path, tmp_path: Path) -> None:
    """A second import replaces what the first one wrote, and refuses to replace a table that was changed since."""
    files, out = sorted(folder.iterdir()), tmp_path / "out"
    write_folder(understand(files), files, out)
    (out / "vinemap.toml").write_text((out / "vinemap.toml").read_text() + '\n[work]\ncurrency = "$"\n')
    write_folder(understand(files, answers_in(out)), files, out)
    assert 'currency = "$"' in (out / "vinemap.toml").read_text()
    (out / "buds.csv").write_text("mine")
    with pytest.raises(InputError, match="was changed since it was imported"):
        write_folder(understand(files), files, out)
    assert (out / "buds.csv").read_text() == "mine"


def test_a_messy_survey_needs_few_answers_and_gives_the_tidy_figures(tmp_path: Path) -> None:
    """Files with thirty troubles go to a map with no edit by hand; every figure of the blocks is the tidy folder's."""
    assert len(set(TROUBLES)) >= 15
    files = write_messy(tmp_path / "messy")
    before = _digests(files)
    understood = understand(files)
    answers: dict[str, str] = {}
    while understood.open:
        proposal = understood.open[0]
        answers[proposal.key] = "dead" if proposal.key.endswith(" code 1") else str(proposal.value)
        understood = understand(files, answers)
    assert len(answers) <= 5
    out = tmp_path / "out"
    write_folder(understood, files, out)
    assert _digests(files) == before
    assert _digests([out / "originals" / path.name for path in files]) == before
    made, tidy = make_map(out), make_map(write_tidy(tmp_path / "tidy"))
    assert_frame_equal(made.blocks.drop(columns="geometry"), tidy.blocks.drop(columns="geometry"), rtol=1e-6)
    said = " ".join(understood.notes)
    for word in ("12", "prices", "Lane", "swapped", "A2", "B1", "Bud survey 2026.xlsx[Blk 2]"):
        assert word in said
    # Next year's files of the same layout need no question.
    later = write_messy(tmp_path / "later")
    renamed = [path.rename(path.with_name(path.name.replace("2026", "2027"))) for path in later]
    assert understand(renamed, answers_in(out)).open == ()


def test_a_shapefile_is_kept_whole(folder: Path, tmp_path: Path) -> None:
    """Its companions are kept with it, so that the originals can be imported again."""
    with pytest.warns(UserWarning, match="10 characters"):
        gpd.read_file(folder / "blocks.geojson").to_file(folder / "blocks.shp")
    files = [folder / name for name in ("blocks.shp", "samples.csv", "buds.csv")]
    write_folder(understand(files), files, tmp_path / "out")
    originals = tmp_path / "out" / "originals"
    again = understand([originals / path.name for path in files])
    assert (again.open, again.problems) == ((), ())
    assert {path.suffix for path in originals.glob("blocks.*")} >= {".shp", ".shx", ".dbf", ".prj"}


def test_a_folder_gives_no_file_that_is_not_its_own(folder: Path, tmp_path: Path) -> None:
    """What strange settings say was imported, and links, lead to nothing outside: refused, or not read."""
    home = tmp_path / "strange"
    (home / "originals").mkdir(parents=True)
    (home / "vinemap.toml").write_text(f'[import.written]\n"../{folder.name}/blocks.geojson" = "0"\n')
    with pytest.raises(InputError, match=r"import\.written.*is no file of this folder"):
        with_kept([folder / "buds.csv"], home)
    (home / "vinemap.toml").write_text('[import.written]\n"blocks.geojson" = "0"\n')
    for place in ("blocks.geojson", "originals/places.csv"):
        (home / place).symlink_to(folder / "blocks.geojson")
    assert with_kept([folder / "buds.csv"], home) == [folder / "buds.csv"]
    assert originals(home) == []


def test_what_a_spreadsheet_would_run_is_told(folder: Path) -> None:
    """OWASP, CSV Injection: the tidy tables have the names as they are, and say so."""
    files = [folder / name for name in ("blocks.geojson", "samples.csv", "buds.csv")]
    for path in files[1:]:
        path.write_text(path.read_text().replace("A1", "=A1"))
    notes = [str(note) for note in understand(files).notes]
    assert [note for note in notes if note.startswith("Spreadsheets run text") and "=A1" in note] == notes[-1:]
