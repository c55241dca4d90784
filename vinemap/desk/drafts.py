"""What was typed at the desk and is not yet in the vineyard's files: a journal on disk that only ever grows.

An entry is on the disk before it is acknowledged, so that neither a crash nor a lost power supply takes back what the
browser was told is kept. A last line that is broken off was never acknowledged, and is passed over.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import re
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from vinemap.doors import barred
from vinemap.errors import InputError, Problem
from vinemap.exports.disk import flush_names
from vinemap.exports.record import places
from vinemap.sentences import Sentence

DESK = ".desk"
"""Name of the desk's own folder, beside the inputs of a vineyard."""
JOURNAL = "journal.jsonl"
LAYERS_DRAWN = ("blocks", "samples")
"""Layers whose outlines and points may be drawn over."""
NAME = re.compile(r"[\w-]{1,40}", re.ASCII)
"""What the id of a feature may be: the number of its row, or a name that the page gives a new one."""
MOST_PLACES = (2_000_000, 20_000)
"""Rows and columns past which no cell is typed over."""
_MOST_BYTES = 100_000_000
_SHEET = re.compile(r"(.*)\[(.*)\]", re.DOTALL)

Entry = dict[str, Any]
Place = tuple[int, int]
"""A cell: its row as a spreadsheet numbers it, and the number of its column from 0."""


def sheet_of(name: str) -> tuple[str, str | None]:
    """Return file and sheet of a table by its name: of ``buds.xlsx[Canes]`` both, of ``buds.csv`` no sheet."""
    found = _SHEET.fullmatch(name)
    return (name, None) if found is None else (found[1], found[2])


def refuse_foreign(folder: Path) -> None:
    """Raise `InputError` where the desk's own folder would have it write elsewhere, or wait for a pipe.

    A vineyard's folder that somebody else sent may bring one along.
    """
    home = folder / DESK
    links = [place for place in ("", *places(home)) if (home / place).is_symlink()]
    fault = None
    if links:
        fault = Sentence("fault.desk.link"), Sentence("remedy.remove")
    elif os.path.lexists(home / JOURNAL):
        fault = barred(home / JOURNAL, _MOST_BYTES, within=folder)
    if fault is not None:
        raise InputError([Problem(str(home / (links[0] if links else JOURNAL)), None, "", *fault)])


def _is_plain(file: str) -> bool:
    """Whether a table's name leads to a file right in the folder."""
    name = sheet_of(file)[0]
    return name not in ("", ".", "..") and not re.search(r"[/\\\x00]", name)


class Drafts:
    """What stands in the journal of one vineyard.

    Parameters
    ----------
    folder : Path
        Of the vineyard; the desk's own folder in it is made with the first entry.

    Attributes
    ----------
    answers : dict of str to str
        To the questions of `vinemap import`, by their keys.
    cells : dict of str to dict
        Changed cells by file (of a workbook ``name.xlsx[sheet]``), then by `Place`.
    features : dict of str to dict
        Changed outlines and points by layer (``blocks``, ``samples``), then by the feature's id: GeoJSON features, None
        where one was taken out.
    began : (str, str) or None
        Work that was begun last, and the name of the folder that it was to fill; None where it was stopped.
    bases : dict of str to set of str
        By table or layer, digests of the file that the changes were typed over, or were saved into.
    """

    def __init__(self, folder: Path) -> None:
        self.home = folder / DESK
        self.answers: dict[str, str] = {}
        self.cells: dict[str, dict[Place, str]] = {}
        self.features: dict[str, dict[str, Entry | None]] = {}
        self.bases: dict[str, set[str]] = {}
        self.began: tuple[str, str] | None = None
        self._changing = threading.Lock()
        self._broken_off = False
        for entry in self._read():
            self._take(entry)

    @property
    def unsaved(self) -> bool:
        """Whether anything was changed that is not in the files."""
        return any(self.cells.values()) or any(self.features.values())

    def answer(self, key: str, value: str) -> None:
        """Keep an answer to a question."""
        self._keep({"kind": "answer", "key": key, "value": value})

    def change_cell(self, file: str, place: Place, value: str) -> None:
        """Keep what was typed into a cell."""
        self._begin(file)
        self._keep({"kind": "cell", "file": file, "row": place[0], "column": place[1], "value": value})

    def change_feature(self, layer: str, name: str, feature: Mapping[str, Any] | None) -> None:
        """Keep an outline or a point as it was drawn; None takes it out."""
        self._begin(layer)
        self._keep({"kind": "feature", "layer": layer, "id": name, "feature": feature})

    def is_outdated(self, name: str) -> bool:
        """Whether another program changed the file since somebody typed over it: rows may stand elsewhere now."""
        return name in self.bases and self._digest(name) not in self.bases[name]

    def rebase(self, name: str, content: bytes | None = None) -> None:
        """Say that the changes fit the file as it is, or as it is about to be saved."""
        digest = self._digest(name) if content is None else hashlib.sha256(content).hexdigest()
        self._keep({"kind": "base", "name": name, "digest": digest})

    def _begin(self, name: str) -> None:
        if name not in self.bases:
            self.rebase(name)

    def _digest(self, name: str) -> str:
        """Return the digest of a table's file, or of all files that may hold a layer."""
        digest = hashlib.sha256()
        folder = self.home.parent
        table = folder / sheet_of(name)[0]
        alike = [table] if table.suffix else [path for path in folder.iterdir() if path.stem.casefold() == name]
        for path in sorted(alike):
            if barred(path, _MOST_BYTES, within=folder) is None:
                digest.update(path.read_bytes())
        return digest.hexdigest()

    def note(self, kind: str, **content: Any) -> None:
        """Keep what was done at the desk, for whoever opens it next."""
        self._keep({"kind": kind, **content})

    def settle(self, name: str) -> None:
        """Say that the changes of a file or a layer stand in the vineyard's files, or are given up."""
        self._keep({"kind": "settled", "name": name})

    def _keep(self, entry: Entry) -> None:
        """Put an entry on the disk, then take it in; OSError where the disk does not take it."""
        line = json.dumps({**entry, "at": dt.datetime.now().astimezone().isoformat(timespec="seconds")})
        with self._changing:
            new = not (self.home / JOURNAL).exists()
            self.home.mkdir(parents=True, exist_ok=True)
            with (self.home / JOURNAL).open("ab", buffering=0) as stream:
                whole = (b"\n" if self._broken_off else b"") + line.encode() + b"\n"
                self._broken_off = True
                if stream.write(whole) != len(whole):
                    raise OSError("the disk took only a part of it")
                os.fsync(stream.fileno())
                self._broken_off = False
            if new:
                flush_names(self.home)
                flush_names(self.home.parent)
            self._take(entry)

    def _read(self) -> Iterator[Entry]:
        path = self.home / JOURNAL
        if not path.is_file():
            return
        data = path.read_bytes()
        self._broken_off = bool(data) and not data.endswith(b"\n")
        for line in data.split(b"\n"):
            try:
                entry = json.loads(line)
            except (ValueError, RecursionError):
                continue
            if isinstance(entry, dict):
                yield entry

    def _take(self, entry: Entry) -> None:
        match entry:
            case {"kind": "answer", "key": str(key), "value": str(value)}:
                self.answers[key] = value
            case {"kind": "cell", "file": str(file), "row": int(row), "column": int(column), "value": str(value)}:
                if _is_plain(file) and 2 <= row < MOST_PLACES[0] and 0 <= column < MOST_PLACES[1]:
                    self.cells.setdefault(file, {})[row, column] = value
            case {"kind": "feature", "layer": str(layer), "id": str(name), "feature": feature}:
                if layer in LAYERS_DRAWN and NAME.fullmatch(name):
                    self.features.setdefault(layer, {})[name] = feature if isinstance(feature, dict) else None
            case {"kind": "began", "work": str(work), "out": str(out)}:
                self.began = (work, out) if out else None
            case {"kind": "base", "name": str(name), "digest": str(digest)}:
                if _is_plain(name):
                    self.bases.setdefault(name, set()).add(digest)
            case {"kind": "settled", "name": str(name)}:
                self.bases.pop(name, None)
                self.cells.pop(name, None)
                self.features.pop(name, None)
