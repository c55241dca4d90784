"""`vinemap import`: from people's own files to a vineyard folder that the rest of vinemap reads."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from vinemap.errors import InputError
from vinemap.intake.tidy import answers_in, write_folder
from vinemap.intake.understand import understand
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
