"""Files that were given to the desk, under names that any system takes, until they are put into the vineyard."""

from __future__ import annotations

import os
import re
import shutil
import unicodedata
from collections.abc import AsyncIterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from vinemap.desk.drafts import DESK
from vinemap.exports.disk import flush_names

GIVEN = "given"
"""Name of the folder in the desk's own that holds them."""
_FORBIDDEN = re.compile(r'[<>:"/\\|?*!%#]')
# Device names of Windows, whatever ending follows: Microsoft, Naming Files, Paths, and Namespaces.
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³]|conin\$|conout\$)(\..*)?", re.IGNORECASE)
_MOST_BYTES = 120


def safe_name(given: str) -> str:
    r"""Return the name under which a file is kept: its last part, with nothing that any system takes amiss.

    Examples
    --------
    >>> from vinemap.desk.uploads import safe_name
    >>> safe_name("..\\..\\buds 2026.xlsx"), safe_name("CON.csv"), safe_name("-rf"), safe_name("\x00")
    ('buds 2026.xlsx', '_CON.csv', '_-rf', 'file')
    """
    last = PureWindowsPath(PurePosixPath(given).name).name or PurePosixPath(given).name
    shown = "".join(
        letter for letter in last if unicodedata.category(letter)[0] != "C" and letter not in "\u2028\u2029"
    )
    plain = " ".join(_FORBIDDEN.sub("_", shown).split()).rstrip(". ")
    stem, dot, ending = plain.rpartition(".")
    plain = _shortened(stem, f"{dot}{ending}") if dot and len(ending) <= 10 else _shortened(plain, "")
    if not plain.strip("._- "):
        return "file"
    return f"_{plain}" if plain[0] in ".-~" or _DEVICE.fullmatch(plain) else plain


def _shortened(stem: str, ending: str) -> str:
    room = _MOST_BYTES - len(ending.encode())
    return stem.encode()[:room].decode(errors="ignore") + ending


def given_files(folder: Path) -> list[Path]:
    """Return the files that were given to a vineyard's desk, by name."""
    home = folder / DESK / GIVEN
    if not home.is_dir() or home.is_symlink():
        return []
    return sorted(
        path for path in home.iterdir() if path.is_file() and not path.is_symlink() and path.suffix != ".part"
    )


async def keep(folder: Path, name: str, chunks: AsyncIterator[bytes]) -> Path:
    """Keep a file that is given, whole or not at all; one of the same name is replaced.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    name : str
        As the browser has it.
    chunks : async iterator of bytes
        The content.
    """
    home = folder / DESK / GIVEN
    home.mkdir(parents=True, exist_ok=True)
    path = home / safe_name(name)
    draft = path.with_name(f"{path.name}.part")
    try:
        with draft.open("wb") as stream:
            async for chunk in chunks:
                stream.write(chunk)
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
    flush_names(home)
    return path


def take_back(folder: Path, name: str) -> bool:
    """Take a given file away again; return whether it was there."""
    path = next((path for path in given_files(folder) if path.name == name), None)
    if path is not None:
        path.unlink()
    return path is not None


def forget(folder: Path) -> None:
    """Take all given files away: they stand in the vineyard now."""
    shutil.rmtree(folder / DESK / GIVEN, ignore_errors=True)
