"""Characters by the rules of those who read them: XML's parser, the Unicode database."""

from __future__ import annotations

import html
import locale
import os
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from vinemap import characters
from vinemap.characters import (
    compare_as_ascii,
    for_html_reader,
    for_spreadsheet,
    for_terminal,
    for_xml,
    from_spreadsheet,
    isolated,
    unshowable,
)
from vinemap.sentences import Sentence


def _parses(text: str) -> bool:
    try:
        ElementTree.fromstring(b"<a>" + text.encode("utf-8") + b"</a>")  # noqa: S314 - our own
    except (ElementTree.ParseError, UnicodeEncodeError):
        return False
    return True


def test_only_what_an_xml_parser_refuses_is_replaced() -> None:
    """Against expat, for every character of the first plane and the ends of the others (XML 1.0, production 2)."""
    ends = [plane + last for plane in range(0x1_0000, 0x11_0000, 0x1_0000) for last in (0, 0xFFFD, 0xFFFE, 0xFFFF)]
    for code in (*range(0x1_0000), *ends):
        letter = chr(code)
        if letter in "<&":
            continue
        assert for_xml(letter) == (letter if _parses(letter) else "\ufffd"), hex(code)


def test_what_acts_in_a_terminal_is_spelt() -> None:
    """No character of the categories Cc, Cs, Zl, Zp and none that steers the direction passes; letters do."""
    for code in range(sys.maxunicode + 1):
        letter = chr(code)
        acts = unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp") or unicodedata.bidirectional(letter) in (
            *("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"),
        )
        assert not acts or for_terminal(letter).isascii(), hex(code)
    assert for_terminal("Ñandú 葡萄 عنب \U0001f347\u200d") == "Ñandú 葡萄 عنب \U0001f347\u200d"
    assert for_terminal("a\x1b[2J\u202eb\n\u200f") == "a\\x1b[2J\\u202eb\\n\\u200f"


@pytest.mark.parametrize(
    ("text", "found"),
    [("Ash", False), ("Ñ\u200d\u202e", False), ("a\x07", True), ("\ud800", True), ("\ufffe", True)],
)
def test_unshowable_text_is_told(text: str, found: bool) -> None:
    """Controls, halves of pairs and codes of no character; not what merely joins letters or steers their direction."""
    assert unshowable(text) is found


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("A & B", "A & B"),
        ("<b>x</b>]]>", "&lt;b&gt;x&lt;/b&gt;]]&gt;"),
        ("&lt;b&gt; &#60;i&#x3e; &amp", "&amp;lt;b&amp;gt; &amp;#60;i&amp;#x3e; &amp;amp"),
        ("R&D; 5 > 3", "R&D; 5 &gt; 3"),
    ],
)
def test_text_for_a_reader_of_html_is_its_own_text(text: str, written: str) -> None:
    """Markup and references are spelt out; a plain ampersand stays, for readers that take it as it stands."""
    assert for_html_reader(text) == written
    assert html.unescape(written) == text


STEERING = (
    "\u202ehsA",
    "\u2069\u202ehsA",
    "\u2066\u2067hsA",
    "\u2067\u2069\u2069\u202ehsA",
    "\u202c\u202c\u2069\u2066\u202dAsh",
    "\u200fAsh\u061c",
)


@pytest.mark.parametrize("name", STEERING)
def test_what_steers_the_direction_is_shut_in(name: str) -> None:
    """One isolate around it all, each inner one closed, and nothing that closes what it did not open (UAX #9, BD9)."""
    shut = isolated(name)
    assert shut[0] == "\u2068"
    depths = np.cumsum([(c in "\u2066\u2067\u2068") - (c == "\u2069") for c in shut])
    assert depths[-1] == 0
    assert (depths[:-1] > 0).all()
    assert shut.replace("\u2069", "")[1:] == name.replace("\u2069", "")
    sentence = Sentence("warning.cells", wanted=name, cell="Ñ עברית")
    assert shut in sentence
    assert "\u2068Ñ" not in sentence, "a name that steers nothing stays as it is"


@pytest.mark.parametrize(
    ("text", "written"),
    [
        *((f"{sign}HYPERLINK(0)", f"'{sign}HYPERLINK(0)") for sign in "=+-@\t\r＝＋－＠"),
        ("=1", "'=1"),
        ("-Ash", "'-Ash"),
        *((plain, plain) for plain in ("-3", "+4.5", "-1e3", "-", "—", "Ash =1", "'Ash", "", "A-1", "3-4")),
    ],
)
def test_text_that_a_spreadsheet_runs_is_told_from_other_text(text: str, written: str) -> None:
    """OWASP, CSV Injection (from memory): = + - @, tab, carriage return and their wide forms begin a formula; a number
    or a sign alone runs nothing. What is quoted is read back as it was."""
    assert for_spreadsheet(text) == written
    assert from_spreadsheet(written) == text


@pytest.mark.parametrize(
    ("spoken", "known", "left"),
    [
        ("tr_TR.UTF-8", {"C.UTF-8", "C"}, "C.UTF-8"),
        ("Turkish_Türkiye.1254", {"C"}, "C"),
        ("az_AZ", {"en_US.UTF-8", "C"}, "en_US.UTF-8"),
        ("es_ES.UTF-8", {"C.UTF-8", "C"}, "es_ES.UTF-8"),
    ],
)
def test_letters_are_compared_as_ascii(
    monkeypatch: pytest.MonkeyPatch, spoken: str, known: set[str], left: str
) -> None:
    """Where "I" and "i" are two letters, the plainest locale that the system has takes over; elsewhere nothing does."""
    now = [spoken]

    def setlocale(category: int, name: str | None = None) -> str:
        assert category == locale.LC_CTYPE
        if name is not None and name not in known:
            raise locale.Error
        now[0] = name or now[0]
        return now[0]

    monkeypatch.setattr(characters.locale, "setlocale", setlocale)
    compare_as_ascii()
    assert now == [left]


TURKISH = Path("/usr/share/i18n/locales/tr_TR")


@pytest.mark.skipif(not (shutil.which("localedef") and TURKISH.exists()), reason="the system cannot make locales")
def test_turkish_systems_see_no_complaints_of_gdal(tmp_path: Path) -> None:
    """The demonstration is checked without a word about options that GDAL knows under another small letter."""
    made = ["localedef", "-i", "tr_TR", "-f", "UTF-8", str(tmp_path / "tr_TR.UTF-8")]
    subprocess.run(made, check=True, capture_output=True)
    spoken = os.environ | {"LOCPATH": str(tmp_path), "LC_ALL": "tr_TR.UTF-8"}
    call = [sys.executable, "-m", "vinemap", "check", "demo_blocks"]
    done = subprocess.run(call, check=True, capture_output=True, text=True, encoding="utf-8", env=spoken)
    assert done.stderr == ""
