"""The vineyards on the desk: the folder that it was opened with, or the folders of vineyards in it."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import shutil
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from vinemap.desk.drafts import DESK, JOURNAL, Drafts, refuse_foreign
from vinemap.errors import InputError, Problem
from vinemap.exports.lock import locked
from vinemap.exports.record import RUN_FILE
from vinemap.reading.files import inputs_in
from vinemap.sentences import Sentence

_NO_NAME = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*!]')
_MOST_LETTERS = 80
_FORMER = "former"


@dataclass(frozen=True)
class Place:
    """A vineyard on the desk.

    Attributes
    ----------
    name : str
        Of its folder, which is what addresses call it.
    folder : Path
    drafts : Drafts
        What was typed and is not yet in its files.
    """

    name: str
    folder: Path
    drafts: Drafts

    @property
    def inputs(self) -> list[str]:
        """Names of the files in its folder that are a vineyard's."""
        return inputs_in(self.folder)

    def keep_former(self, names: Iterable[str]) -> None:
        """Copy files that are about to be replaced to the desk's own folder, under the time of day."""
        former = self.folder / DESK / _FORMER / f"{dt.datetime.now():%Y-%m-%d %H%M%S.%f}"
        for name in names:
            if (self.folder / name).is_file():
                former.mkdir(parents=True, exist_ok=True)
                shutil.copy2(self.folder / name, former / name)


def _is_vineyard(folder: Path) -> bool:
    """Whether a folder holds a vineyard, or one that was begun; outputs have tables of the same names."""
    return (folder / DESK).is_dir() or (bool(inputs_in(folder)) and not (folder / RUN_FILE).exists())


class Vineyards:
    """What a desk holds; each vineyard is locked from when it is first opened until the desk closes.

    Parameters
    ----------
    root : Path
        A vineyard's folder, or one that holds folders of vineyards; made when missing.

    Raises
    ------
    InputError
        When another desk holds the folder: process, machine and start are named; and where the desk's own folder in it
        leads elsewhere.
    """

    def __init__(self, root: Path) -> None:
        self.root = root.absolute()
        self._held = contextlib.ExitStack()
        self._open: dict[str, Place] = {}
        self._opening = threading.Lock()
        self._lock(self.root)

    @property
    def is_one(self) -> bool:
        """Whether the folder itself is a vineyard's."""
        return bool(inputs_in(self.root)) or (self.root / DESK / JOURNAL).is_file()

    def folders(self) -> dict[str, Path]:
        """Return the folders of the vineyards by their names, as they are now."""
        if self.is_one:
            return {self.root.name: self.root}
        found = (path for path in self.root.iterdir() if path.is_dir() and not path.is_symlink())
        return {path.name: path for path in sorted(found) if _is_vineyard(path)}

    def find(self, name: str) -> Place | None:
        """Return the vineyard of a name; None where there is none. No name leads out of the desk's folder."""
        folder = self.folders().get(name)
        if folder is None:
            return None
        with self._opening:
            if name not in self._open:
                if folder != self.root:
                    self._lock(folder)
                self._open[name] = Place(name, folder, Drafts(folder))
            return self._open[name]

    def add(self, name: str, *, here: bool = False) -> str:
        """Begin a vineyard, in a folder of its own or in the desk's; return the name of its folder.

        Raises
        ------
        InputError
            When the name cannot be a folder's, or is there already.
        """
        if here and not any(path.name != DESK for path in self.root.iterdir()):
            Drafts(self.root).note("begun")
            return self.root.name
        plain = " ".join(name.split())
        if not plain or _NO_NAME.search(plain) or plain[0] in ".-" or plain[-1] == "." or len(plain) > _MOST_LETTERS:
            what, remedy = Sentence("fault.desk.folder_name", name=repr(name)), Sentence("remedy.desk.folder_name")
            raise InputError([Problem(str(self.root), None, "", what, remedy)])
        folder = self.root / plain
        if folder.exists():
            what, remedy = Sentence("fault.desk.there", name=repr(plain)), Sentence("remedy.desk.there")
            raise InputError([Problem(str(self.root), None, "", what, remedy)])
        folder.mkdir()
        Drafts(folder).note("begun")
        return plain

    def close(self) -> None:
        """Let go of every folder."""
        self._held.close()

    def _lock(self, folder: Path) -> None:
        refuse_foreign(folder)
        self._held.enter_context(locked(folder / DESK))
