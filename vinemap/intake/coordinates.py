"""Longitude and latitude as people write them: decimal degrees, degrees and minutes, N and W, both in one cell."""

from __future__ import annotations

import re
from dataclasses import dataclass

_MARKS = str.maketrans(
    {"′": "'", "’": "'", "‘": "'", "´": "'", "″": '"', "”": '"', "“": '"', "º": "°", "−": "-", "–": "-"}
)
# Spanish has O for oeste: west.
_LETTERS = {"N": ("lat", 1), "S": ("lat", -1), "E": ("lon", 1), "W": ("lon", -1), "O": ("lon", -1)}
_WORDS = {
    **dict.fromkeys(("LATITUDE", "LATITUD", "LAT", "LONGITUDE", "LONGITUD", "LONG", "LON", "LNG"), ""),
    **dict.fromkeys(("NORTH", "NORTE"), "N"),
    **dict.fromkeys(("SOUTH", "SUR"), "S"),
    **dict.fromkeys(("EAST", "ESTE"), "E"),
    **dict.fromkeys(("WEST", "OESTE"), "W"),
}
_FIGURE = r"[0-9]+(?:[.,][0-9]+)?"
# Degrees; degrees and minutes; degrees, minutes and seconds: with their marks, or parted by spaces or colons.
_ANGLE = re.compile(
    rf"""(?P<before>[NSEWO])?\s*(?P<sign>[+-])?\s*
    (?P<degrees>{_FIGURE})\s*(?:°|DEG(?:REES)?|D(?![A-Z])|:|\s(?=\s*[0-9]))?\s*
    (?:(?P<minutes>{_FIGURE})\s*(?:'(?!')|MIN(?:UTES)?|M(?![A-Z])|:|\s(?=\s*[0-9])|$|(?=\s*[NSEWO]))\s*
    (?:(?P<seconds>{_FIGURE})\s*(?:"|''|SEC(?:ONDS)?|S(?=\s*[NSEWO,;]|$))?)?)?
    \s*(?P<after>[NSEWO])?""",
    re.VERBOSE,
)
_PAIR_MARKS = re.compile(r"\s*[;|/]\s*|\s*,\s+|\s+,\s*")


@dataclass(frozen=True)
class Angle:
    """An angle as it is written.

    Attributes
    ----------
    degrees : float
    axis : str
        ``lat`` or ``lon`` where a letter says so, else "".
    """

    degrees: float
    axis: str = ""


def angle(words: str) -> Angle | None:
    r"""Return the angle that a cell holds; None where it holds anything else.

    Examples
    --------
    >>> from vinemap.intake.coordinates import angle
    >>> angle("42°36'36\" N").degrees, angle("W 76 54.5"), angle("-76,9")
    (42.61, Angle(degrees=-76.90833333333333, axis='lon'), Angle(degrees=-76.9, axis=''))
    """
    match = _ANGLE.fullmatch(_folded(words))
    if match is None:
        return None
    letters = [letter for letter in (match["before"], match["after"]) if letter]
    if len(letters) > 1 or (letters and match["sign"] == "-" and letters[0] in "NE"):
        return None
    minutes, seconds = (0.0 if match[part] is None else _number(match[part]) for part in ("minutes", "seconds"))
    degrees = _number(match["degrees"])
    if minutes >= 60 or seconds >= 60 or (match["minutes"] is not None and not degrees.is_integer()):
        return None
    axis, sign = _LETTERS[letters[0]] if letters else ("", 1)
    # A minus before a western or southern figure says the same thing once more.
    turned = -1 if match["sign"] == "-" and sign == 1 else sign
    return Angle(turned * (degrees + minutes / 60 + seconds / 3600), axis)


def both(words: str) -> tuple[Angle, Angle] | None:
    """Return the two angles that a cell holds, in its order; None where it holds anything else.

    Examples
    --------
    >>> from vinemap.intake.coordinates import both
    >>> [one.degrees for one in both("42.61, -76.9")], [one.degrees for one in both("42,61; -76,9")]
    ([42.61, -76.9], [42.61, -76.9])
    """
    plain = _folded(words).strip("()[] ")
    for parts in _halves(plain):
        found = [angle(part) for part in parts]
        if found[0] is not None and found[1] is not None and (found[0].axis != found[1].axis or not found[0].axis):
            return found[0], found[1]
    return None


def _halves(words: str) -> list[tuple[str, str]]:
    """Return the ways to cut a cell in two, the surest first."""
    marked = _PAIR_MARKS.split(words)
    if len(marked) == 2:
        return [(marked[0], marked[1])]
    lettered = re.fullmatch(r"(.*?[NSEWO])\s*,?\s*(.+)", words)
    if lettered is not None and re.fullmatch(r"[NSEWO]", words[-1:]):
        return [(lettered[1], lettered[2])]
    ahead = re.fullmatch(r"([NSEWO].*?)\s*,?\s*([NSEWO].*)", words)
    if ahead is not None:
        return [(ahead[1], ahead[2])]
    comma = words.split(",")
    if len(comma) == 2 and all("." in part for part in comma):
        return [(comma[0], comma[1])]
    spaced = words.split()
    half = len(spaced) // 2
    return [(" ".join(spaced[:half]), " ".join(spaced[half:]))] if spaced and len(spaced) % 2 == 0 else []


def _folded(words: str) -> str:
    plain = " ".join(words.translate(_MARKS).upper().split())
    for word, letter in _WORDS.items():
        plain = re.sub(rf"\b{word}\b\.?:?", letter, plain)
    return " ".join(plain.split())


def _number(digits: str) -> float:
    return float(digits.replace(",", "."))
