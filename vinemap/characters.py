"""Characters that do something other than stand there, and what becomes of them: the one place that decides.

Text from outside is refused where it is read when it holds what `unshowable` finds. What comes in without being read,
such as the name of a folder, is made harmless where it goes out: in the terminal by `for_terminal`; in XML, workbooks
and the tables of layers by `for_xml`; where a viewer takes text for HTML by `for_html_reader`; inside other text by
`isolated`, which pages follow in their own script; in CSV files, where the settings say so, by `for_spreadsheet`. None
takes a character away that can be seen.
"""

from __future__ import annotations

import locale
import re
import unicodedata
from contextlib import suppress
from html import unescape

_REPLACEMENT = "\ufffd"
# Bidi_Control of the Unicode Character Database: they change the order in which a terminal shows a whole line.
_BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_FORMULA = re.compile("[=+\\-@\t\r\uff1d\uff0b\uff0d\uff20]")
_SIGN_OR_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)?([eE][+-]?[0-9]+)?")
_OPENING, _CLOSING = frozenset("\u2066\u2067\u2068"), "\u2069"
# All but Char of XML 1.0 (fifth edition), production 2.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def unshowable(text: str) -> bool:
    """Whether a text holds a control character, half a surrogate pair or a code that stands for no character."""
    return not text.isprintable() and any(unicodedata.category(letter) in ("Cc", "Cs", "Cn") for letter in text)


def for_terminal(text: str) -> str:
    r"""Write what would move the cursor, set a title, break the line or turn the reading direction as ``\x1b``.

    References
    ----------
    ECMA-48: control functions, C0 and C1. Unicode Standard Annex #9: directional formatting characters.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(letter.encode("unicode_escape").decode("ascii") if _acts(letter) else letter for letter in text)


def _acts(letter: str) -> bool:
    return letter in _BIDI or unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp")


def isolated(text: str) -> str:
    """Shut in what steers the reading direction, so that it turns nothing that stands beside the text.

    Around such a text stand U+2068 and U+2069. What it opens is closed inside, and U+2069 that closes nothing inside is
    left out: it would close the isolate, that of a ``bdi`` element too. Other text is returned as it is.

    References
    ----------
    Unicode Standard Annex #9, BD8 and BD9: isolate initiators and their matching PDI.
    """
    if _BIDI.isdisjoint(text):
        return text
    kept, depth = [], 1
    for letter in text:
        depth += (letter in _OPENING) - (letter == _CLOSING)
        if depth:
            kept.append(letter)
        else:
            depth = 1
    return f"\u2068{''.join(kept)}{_CLOSING * depth}"


def for_xml(text: str) -> str:
    """Put U+FFFD in the place of every character that XML 1.0 forbids, even as a reference."""
    return _NOT_XML.sub(_REPLACEMENT, text)


def for_html_reader(text: str) -> str:
    """Write text, not markup, for viewers of which some take it for HTML and some for plain text.

    ``<`` and ``>`` are spelt out, and ampersands where one begins a character reference. All else stays, so that most
    names look alike to both; what XML forbids goes as in `for_xml`.
    """
    text = for_xml(text)
    if unescape(text) != text:
        text = text.replace("&", "&amp;")
    return text.replace("<", "&lt;").replace(">", "&gt;")


def is_formula(text: str) -> bool:
    """Whether a spreadsheet that opens a CSV file would run a text; a number, or a sign alone, it does not run.

    References
    ----------
    OWASP, CSV Injection: cells that begin with = + - @, a tab, a carriage return, or one of the wide forms.
    """
    return _FORMULA.match(text) is not None and _SIGN_OR_NUMBER.fullmatch(text) is None


def for_spreadsheet(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would run; `from_spreadsheet` takes it away again."""
    return f"'{text}" if is_formula(text) else text


def from_spreadsheet(text: str) -> str:
    """Return text as it was before `for_spreadsheet`."""
    return text[1:] if text[:1] == "'" and is_formula(text[1:]) else text


def compare_as_ascii() -> None:
    """Let C libraries take "I" and "i" for one letter in every language.

    In Turkish and Azeri the small letter of "I" is "ı". GDAL compares the names of its own options by the language of
    the system, finds its lists out of order there, and refuses options that it has. Called before GDAL is loaded.
    """
    if not locale.setlocale(locale.LC_CTYPE).casefold().startswith(("tr", "turkish", "az")):
        return
    for plain in ("C.UTF-8", "en_US.UTF-8", "C"):
        with suppress(locale.Error):
            locale.setlocale(locale.LC_CTYPE, plain)
            return
