"""A file for the desktop that opens the desk without a terminal."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

from vinemap.errors import InputError, Problem
from vinemap.sentences import Sentence

_MARK = "vinemap desk"


def shortcut(folder: Path, program: str, system: str) -> tuple[str, str]:
    """Return the name and the content of a shortcut.

    Parameters
    ----------
    folder : Path
        That the desk is to open.
    program : str
        Path of the Python that has vinemap.
    system : str
        As `sys.platform` has it.

    References
    ----------
    freedesktop.org, Desktop Entry Specification 1.5, quoting of Exec.
    """
    words = [program, "-m", "vinemap", "desk", str(folder)]
    if system == "win32":
        # In a batch file a percent sign begins a variable, unless it is doubled.
        call = subprocess.list2cmdline(words).replace("%", "%%")
        return f"{_MARK}.bat", f"@echo off\r\nrem {_MARK}\r\nchcp 65001 >nul\r\n{call}\r\nif errorlevel 1 pause\r\n"
    if system == "darwin":
        return f"{_MARK}.command", f"#!/bin/sh\n# {_MARK}\nexec {shlex.join(words)}\n"
    lines = (
        "[Desktop Entry]",
        "Type=Application",
        "Version=1.5",
        "Name=vinemap desk",
        f"Exec={' '.join(map(_quoted, words))}",
        "Terminal=true",
        "Categories=Science;Geoscience;",
    )
    return f"{_MARK}.desktop".replace(" ", "-"), "\n".join(lines) + "\n"


def _quoted(word: str) -> str:
    """Return an argument of Exec: in quotation marks, with what acts inside them undone, then as a value of a key."""
    inside = "".join(f"\\{letter}" if letter in '"`$\\' else letter for letter in word).replace("%", "%%")
    return f'"{inside}"'.replace("\\", "\\\\")


def write_shortcut(folder: Path, desktop: Path | None = None) -> Path:
    """Write a shortcut that opens the desk of a folder; return where it is.

    Parameters
    ----------
    folder : Path
        A vineyard's, or one that holds vineyards.
    desktop : Path, optional
        Folder to write it to; the user's desktop by default, else their home.

    Raises
    ------
    InputError
        Where a file of the same name is there that is no shortcut of vinemap's.
    """
    name, text = shortcut(folder.absolute(), sys.executable, sys.platform)
    path = (_desktop() if desktop is None else desktop) / name
    if path.exists() and _MARK not in path.read_text(encoding="utf-8", errors="replace"):
        what, remedy = Sentence("fault.shortcut"), Sentence("remedy.shortcut")
        raise InputError([Problem(str(path), None, "", what, remedy)])
    path.write_bytes(text.encode())
    path.chmod(0o755)
    return path


def _desktop() -> Path:
    """Return the folder that the desktop shows: freedesktop.org's user directories, or the usual one."""
    home = Path.home()
    config = Path(os.environ.get("XDG_CONFIG_HOME", home / ".config")) / "user-dirs.dirs"
    if config.is_file():
        for line in config.read_text(encoding="utf-8", errors="replace").splitlines():
            key, _, value = line.partition("=")
            if key.strip() == "XDG_DESKTOP_DIR":
                named = Path(value.strip().strip('"').replace("$HOME", str(home)))
                if named.is_dir():
                    return named
    return home / "Desktop" if (home / "Desktop").is_dir() else home
