"""Write what was understood as a tidy vineyard folder, with the answers and, untouched, the files it comes from."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from vinemap.columns import SETTINGS_FILE
from vinemap.doors import barred
from vinemap.errors import InputError, Problem
from vinemap.exports.exchange import added
from vinemap.exports.record import digest
from vinemap.intake.row_lines import called_rows
from vinemap.intake.sources import SHAPES, accompanies
from vinemap.intake.understand import Understanding
from vinemap.reading.files import GRIDS
from vinemap.reading.vineyard import read_vineyard
from vinemap.sentences import Sentence
from vinemap.settings import Settings, read_settings

ORIGINALS = "originals"
_SECTION = "import"
_NAMING = (_SECTION, "files", "columns")
"""Sections that go by the names of files and columns, which an import makes anew."""
_MOST_BYTES = 100_000
_SHAPEFILE = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_HEADER = re.compile(r"\[+\s*\"?([^\]\".]+)")


def write_folder(understanding: Understanding, files: Sequence[Path], folder: Path) -> list[Path]:
    """Write a tidy vineyard folder, all of it or nothing.

    Parameters
    ----------
    understanding : Understanding
        With nothing open and no problem.
    files : sequence of Path
        That it was made from; copied to ``originals/`` as they are.
    folder : Path
        Made when missing. A file that an earlier import wrote there is replaced, unless it was changed since; the
        settings keep all but what they know of imports.

    Returns
    -------
    list of Path
        What was written, tables first, settings last.

    Raises
    ------
    InputError
        When questions or problems stand open, and where a file in the folder is somebody else's.
    """
    if understanding.problems or understanding.open:
        raise InputError(understanding.problems or [_still_open(understanding)])
    written_before = _written_before(folder)
    with added(folder, replacing=written_before) as stage:
        for stem, table in understanding.tables.items():
            _write_table(table, stage, stem)
        for grid in understanding.grids:
            shutil.copyfile(grid, stage / "elevation.tif")
        names = sorted(path.name for path in stage.iterdir())
        given = [path for path in files if not accompanies(path, files)]
        own = [path for path in given if path.resolve().parent != folder.resolve()]
        _copy_originals(own, folder, stage)
        _write_settings(understanding, files, folder, stage, {name: digest(stage / name) for name in names})
        # What is put in place reads: its faults are told before, not by the next command.
        read_vineyard(stage)
    return [folder / name for name in [*names, SETTINGS_FILE]]


def _still_open(understanding: Understanding) -> Problem:
    about = understanding.open[0].about
    return Problem(SETTINGS_FILE, None, "", Sentence("fault.import.open", about=about), Sentence("remedy.import.open"))


def settings_of(folder: Path) -> Settings:
    """Return the settings of a folder that may not be there yet, with the answers of earlier imports.

    Raises
    ------
    InputError
        When they cannot be read.
    """
    return read_settings(folder) if folder.is_dir() else Settings()


def answers_in(folder: Path) -> dict[str, str]:
    """Return the answers that earlier imports kept in a folder; raise `InputError` where they cannot be read."""
    return dict(settings_of(folder).import_.answers)


def with_kept(files: Sequence[Path], folder: Path) -> list[Path]:
    """Return files with those that an earlier import wrote and that are not given anew: outlines, places, elevation.

    Next year's buds alone are then enough.
    """
    written = settings_of(folder).import_.written
    endings = {path.suffix.lower() for path in files}
    given = {"blocks": not endings.isdisjoint(SHAPES), "elevation": not endings.isdisjoint(GRIDS), "samples": False}
    given["rows"] = any(path.suffix.lower() in SHAPES and called_rows(path.stem) for path in files)
    kept = [folder / name for name in written if not given.get(Path(name).stem, True)]
    return [*files, *(path for path in kept if barred(path, within=folder) is None)]


def originals(folder: Path) -> list[Path]:
    """Return the files that earlier imports were made from, by name: plain ones, kept in the folder itself."""
    home = folder / ORIGINALS
    found = sorted(home.iterdir()) if home.is_dir() and not home.is_symlink() else []
    return [path for path in found if barred(path, within=folder) is None]


def _written_before(folder: Path) -> list[str]:
    """Return the files that an earlier import wrote and nobody changed since, and the settings; name changed ones."""
    if not folder.is_dir() or not any(path.name == SETTINGS_FILE for path in folder.iterdir()):
        return []
    written = settings_of(folder).import_.written
    changed = [name for name, sha in written.items() if (folder / name).is_file() and digest(folder / name) != sha]
    if changed:
        fault, remedy = Sentence("fault.import.changed"), Sentence("remedy.import.changed")
        raise InputError([Problem(name, None, "", fault, remedy) for name in changed])
    return [*written, SETTINGS_FILE]


def _write_table(table: pd.DataFrame, stage: Path, stem: str) -> None:
    if isinstance(table, gpd.GeoDataFrame):
        table.to_crs(4326).to_file(stage / f"{stem}.geojson", driver="GeoJSON")
        return
    table.to_csv(stage / f"{stem}.csv", index=False, lineterminator="\n")


def _copy_originals(files: Sequence[Path], folder: Path, stage: Path) -> None:
    """Copy the files as they are, beside those of earlier imports; one that is there already is not copied again."""
    there = {digest(path) for path in originals(folder)}
    taken = {path.name for path in (folder / ORIGINALS).glob("*")}
    for path in (part for file in files for part in _parts(file)):
        if digest(path) in there:
            continue
        name, count = path.name, 1
        while name in taken:
            count += 1
            name = f"{path.stem} ({count}){path.suffix}"
        taken.add(name)
        (stage / ORIGINALS).mkdir(exist_ok=True)
        shutil.copyfile(path, stage / ORIGINALS / name)
        os.utime(stage / ORIGINALS / name, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns))


def _parts(path: Path) -> list[Path]:
    """Return a file with those without which it is none: a shapefile's companions."""
    if path.suffix.lower() != ".shp":
        return [path]
    return sorted(
        other for other in path.parent.iterdir() if other.stem == path.stem and other.suffix.lower() in _SHAPEFILE
    )


def _write_settings(
    understanding: Understanding, files: Sequence[Path], folder: Path, stage: Path, written: Mapping[str, str]
) -> None:
    """Write the settings: those of the folder, else those given, with what they now know of imports."""
    own = [folder / SETTINGS_FILE] if (folder / SETTINGS_FILE).exists() else []
    given = [path for path in files if path.name.casefold() == SETTINGS_FILE and barred(path, _MOST_BYTES) is None]
    kept = ""
    for path in (own or given)[:1]:
        kept = _without(path.read_text(encoding="utf-8-sig", errors="replace"), (_SECTION,) if own else _NAMING)
    sections = {f"{_SECTION}.written": written, f"{_SECTION}.answers": understanding.to_keep}
    text = kept.rstrip() + "".join(f"\n\n[{name}]\n{_lines(values)}" for name, values in sections.items() if values)
    (stage / SETTINGS_FILE).write_text(f"{text.strip()}\n", encoding="utf-8")


def _lines(values: Mapping[str, Any]) -> str:
    return "\n".join(f"{_quoted(key)} = {_quoted(value)}" for key, value in values.items())


def _quoted(value: Any) -> str:
    """Return a value as TOML has it: a basic string is one of JSON, but for DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _without(text: str, sections: Sequence[str]) -> str:
    """Return settings without some of their sections."""
    kept, left_out = [], False
    for line in text.splitlines():
        if (header := _HEADER.match(line.strip())) is not None:
            left_out = header[1].strip() in sections
        if not left_out:
            kept.append(line)
    return "\n".join(kept)
