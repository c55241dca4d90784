"""What strangers wrote reaches the terminal as text: it moves no cursor, sets no title, turns no reading direction."""

from __future__ import annotations

import contextlib
import logging
import sys
import unicodedata
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.console import Console

from tests.builders import write_vineyard
from vinemap import cli

BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Bidi_Control of the Unicode Character Database, PropList.txt, from memory; UAX #9 tells what each does."""
TITLE = "\x1b]0;owned\x07"
TRICKS = f"{TITLE}\x1b[2J\x9b31m\r\x08\x7f:smile:[red]x[/]"


@pytest.fixture(autouse=True)
def _handlers() -> Iterator[None]:
    """Put back what `main` sets for the whole process."""
    shown, root = warnings.showwarning, logging.getLogger()
    before = root.handlers[:]
    yield
    warnings.showwarning = shown
    root.handlers[:] = before


def _run(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run and return all that reached the terminal, whoever wrote it."""
    monkeypatch.setattr(sys, "argv", ["vinemap", *arguments])
    with contextlib.suppress(SystemExit):
        cli.main()
    out, err = capfd.readouterr()
    return out + err


def _moves(text: str) -> list[str]:
    """Return the characters that do something other than stand there."""
    return [c for c in text if c in BIDI or (unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") and c != "\n")]


def test_names_of_folders_and_blocks_are_only_text(tmp_path: Path, monkeypatch, capfd) -> None:
    """A folder and a block named by an attacker: both are shown letter by letter, and nothing acts."""
    trick = "[bold]:bomb:\u202ehsA\u2067[/]"
    home = tmp_path / trick.replace("/", "")
    try:
        home.mkdir()
    except UnicodeEncodeError:
        pytest.skip("names of files hold no such characters in this locale")
    write_vineyard(home)
    outlines = home / "blocks.geojson"
    outlines.write_text(outlines.read_text(encoding="utf-8").replace('"Ash"', f'"{trick}"'), encoding="utf-8")
    shown = "[bold]:bomb:\\u202ehsA\\u2067["
    for arguments in (("check", str(home)), ("explain", str(home), "--block", trick[:-1])):
        said = _run(monkeypatch, capfd, *arguments)
        assert shown in said
        assert not _moves(said)


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", f"gone{TRICKS}"),
        ("check", f"--{TRICKS}"),
        ("plan", "gone", "--precision", TRICKS),
        ("bench", f"gone{TRICKS}", "-o", f"{TRICKS}.html"),
        ("merge", f"gone{TRICKS}"),
        (TRICKS,),
    ],
)
def test_no_complaint_acts(arguments: tuple[str, ...], monkeypatch, capfd) -> None:
    """A wrong call or a missing file is quoted in the complaint, and does nothing there."""
    said = _run(monkeypatch, capfd, *arguments)
    assert said.strip()
    assert not _moves(said)
    assert "😄" not in said


def test_no_unforeseen_error_acts(monkeypatch, capfd) -> None:
    """An error of a library, a warning and a log line go the same way."""
    warnings.simplefilter("always")

    def fail(_: object) -> None:
        warnings.warn(f"late {TRICKS}", UserWarning, stacklevel=1)
        logging.getLogger("rasterio._env").warning("CPLE_AppDefined in %s", TRICKS)
        raise RuntimeError(TRICKS)

    monkeypatch.setattr("vinemap.demo.write_demo", fail)
    said = _run(monkeypatch, capfd, "demo", "x")
    assert "late" in said
    assert "CPLE_AppDefined" in said
    assert "RuntimeError" in said
    assert not _moves(said)
    assert "😄" not in said


def test_progress_is_only_text() -> None:
    """The words beside the spinner too: neither markup nor pictures for codes."""
    console = Console(force_terminal=True, width=200, color_system=None)
    with console.capture() as shown, console.status("starting") as status:
        cli._shown(status)(f"reading {TRICKS}")
        console.print(status.renderable)
    assert ":smile:[red]x" in shown.get()
    assert "owned\x07" not in shown.get()
    assert "\x1b[2J" not in shown.get()
