"""Shortcuts hold the one call that opens the desk, whatever the folder is called."""

from __future__ import annotations

import configparser
import shlex
import subprocess
from pathlib import Path, PurePosixPath

import pytest

from vinemap.desk.shortcut import shortcut, write_shortcut
from vinemap.errors import InputError

FOLDERS = ("/home/ana/vineyards", '/home/o\'neil/my "best" $HOME `x` 100% \\ vines', "/home/ñandú/viñedos")
PROGRAM = "/opt/py thon/bin/python3"


def _exec(value: str) -> list[str]:
    """Read Exec as the Desktop Entry Specification 1.5 says: first as a string value, then its quoted arguments."""
    text = value.replace("\\\\", "\\")
    words, word, quoted, letters = [], "", False, iter(text)
    for letter in letters:
        if letter == '"':
            quoted = not quoted
            if not quoted:
                words.append(word.replace("%%", "%"))
                word = ""
        elif quoted:
            word += next(letters) if letter == "\\" else letter
    return words


@pytest.mark.parametrize("folder", FOLDERS)
def test_a_shortcut_calls_the_desk_of_the_folder(folder: str) -> None:
    """Read back by the rules of each system, the words are the program, the module, the command and the folder."""
    words = [PROGRAM, "-m", "vinemap", "desk", folder]
    name, text = shortcut(PurePosixPath(folder), PROGRAM, "linux")
    entry = configparser.RawConfigParser()
    entry.optionxform = str  # type: ignore[assignment,method-assign]
    entry.read_string(text)
    assert name.endswith(".desktop")
    assert entry["Desktop Entry"]["Type"] == "Application"
    assert _exec(entry["Desktop Entry"]["Exec"]) == words
    name, text = shortcut(PurePosixPath(folder), PROGRAM, "darwin")
    assert name.endswith(".command")
    assert shlex.split(text.splitlines()[-1]) == ["exec", *words]
    name, text = shortcut(PurePosixPath(folder), PROGRAM, "win32")
    assert name.endswith(".bat")
    assert subprocess.list2cmdline(words).replace("%", "%%") in text.split("\r\n")


def test_a_shortcut_is_written_again_but_over_nothing_else(tmp_path: Path) -> None:
    """It can be run; somebody else's file of the same name stays."""
    path = write_shortcut(tmp_path / "vines", tmp_path)
    assert path.stat().st_mode & 0o100
    assert write_shortcut(tmp_path / "other vines", tmp_path) == path
    assert "other vines" in path.read_text(encoding="utf-8")
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="no shortcut of vinemap's"):
        write_shortcut(tmp_path, tmp_path)
    assert path.read_text(encoding="utf-8") == "mine"
