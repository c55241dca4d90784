"""From what was typed to the vineyard's files: a copy to look at with all changes in it, or the files themselves."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from pathlib import Path

from vinemap.desk.drafts import DESK, sheet_of
from vinemap.desk.ledgers import ledgers, remade
from vinemap.desk.shapes import Drawn, drawn, remade_layer
from vinemap.desk.vineyards import Place
from vinemap.errors import InputError, Problem
from vinemap.exports.exchange import added
from vinemap.reading.ground_layers import FOLDER as LAYERS
from vinemap.reading.loggers import FOLDER as LOGGERS
from vinemap.sentences import Sentence

_COPY = "copy"
_FOLDERS = (LAYERS, LOGGERS)
_GEOJSON = (".geojson", ".json")
_SHAPEFILE = (".shx", ".dbf", ".prj", ".cpg", ".qix", ".sbn", ".sbx")


def changed_files(place: Place) -> dict[str, bytes]:
    """Return the files that the changes make, by name.

    Raises
    ------
    InputError
        When a table that was typed into cannot be read any more.
    """
    _refuse_outdated(place)
    tables, problems = ledgers(place.folder, place.drafts)
    found: dict[str, bytes] = {}
    for name, cells in place.drafts.cells.items():
        file = sheet_of(name)[0]
        if name not in tables:
            gone = Problem(file, None, "", Sentence("fault.desk.gone"), Sentence("remedy.desk.gone"))
            raise InputError([problem for problem in problems if problem.file == file] or [gone])
        found[file] = remade(place.folder / file, tables[name], cells)
    for layer in (layer for layer, features in place.drafts.features.items() if features):
        there = drawn(place.folder, layer, place.drafts)
        found[_drawn_file(there, layer)] = remade_layer(there, layer)
    return found


def _drawn_file(there: Drawn, layer: str) -> str:
    """Return the name of the file for a layer that was drawn over: GeoJSON, whatever it was."""
    if there.path is None or there.path.suffix.lower() not in _GEOJSON:
        return f"{layer}.geojson"
    return there.path.name


def _superseded(place: Place, changed: Iterable[str]) -> list[str]:
    """Return the names of files whose content stands in one of another format now, with the parts that go with them."""
    found: list[str] = []
    for layer in (layer for layer, features in place.drafts.features.items() if features):
        path = drawn(place.folder, layer, place.drafts).path
        if path is not None and path.name not in changed:
            parts = (other.name for other in path.parent.iterdir() if other.stem == path.stem)
            found += [path.name, *(name for name in parts if Path(name).suffix.lower() in _SHAPEFILE)]
    return list(dict.fromkeys(found))


def _refuse_outdated(place: Place) -> None:
    """Raise `InputError` where another program changed a file since somebody typed over it."""
    names = [name for name in (*place.drafts.cells, *place.drafts.features) if place.drafts.is_outdated(name)]
    if names:
        what, remedy = Sentence("fault.desk.typed_over"), Sentence("remedy.desk.typed_over")
        raise InputError(Problem(name, None, "", what, remedy) for name in names)


def with_changes(place: Place) -> Path:
    """Return a folder that holds the vineyard with all changes: its own where there are none."""
    if not place.drafts.unsaved:
        return place.folder
    home = place.folder / DESK / _COPY
    shutil.rmtree(home, ignore_errors=True)
    copy = home / place.folder.name
    copy.mkdir(parents=True)
    changed = changed_files(place)
    left_out = {*changed, *_superseded(place, changed)}
    for path in place.folder.iterdir():
        if path.name not in left_out and path.is_file() and not path.is_symlink() and not path.name.startswith("."):
            _linked(path, copy / path.name)
    for path in place.folder.iterdir():
        if path.name.casefold() in _FOLDERS and path.is_dir() and not path.is_symlink():
            shutil.copytree(path, copy / path.name, copy_function=_linked, symlinks=True)
    for name, data in changed.items():
        (copy / name).write_bytes(data)
    return copy


def save(place: Place) -> list[str]:
    """Put all changes into the vineyard's files, all or nothing; the former files are kept on the desk.

    Returns
    -------
    list of str
        Names of the files that were changed.
    """
    changed = changed_files(place)
    superseded = _superseded(place, changed)
    place.keep_former((*changed, *superseded))
    for name in place.drafts.cells:
        place.drafts.rebase(name, changed[sheet_of(name)[0]])
    for layer in (layer for layer, features in place.drafts.features.items() if features):
        place.drafts.rebase(layer, changed[_drawn_file(drawn(place.folder, layer, place.drafts), layer)])
    with added(place.folder, replacing=changed) as stage:
        for name, data in changed.items():
            (stage / name).write_bytes(data)
    for name in superseded:
        (place.folder / name).unlink()
    for name in [*place.drafts.cells, *place.drafts.features]:
        place.drafts.settle(name)
    return sorted(changed)


def _linked(source: str | Path, target: str | Path) -> str:
    """Let a file stand in a second place, by a link to its content where the disk has such."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
    return str(target)
