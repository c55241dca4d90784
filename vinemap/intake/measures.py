"""What people write for lengths, directions and corners: "9x6 ft", "2,7 m", 9'6", "NNE–SSW", "esquina NO"."""

from __future__ import annotations

import re
from dataclasses import dataclass

from vinemap.intake.lexicon import fold
from vinemap.units import METRES_PER_FOOT

_METRES = {
    **dict.fromkeys(("m", "mt", "mts", "metre", "metres", "meter", "meters", "metro", "metros"), 1.0),
    **dict.fromkeys(("cm", "centimetres", "centimeters", "centimetros"), 0.01),
    **dict.fromkeys(("ft", "foot", "feet", "pie", "pies", "'"), METRES_PER_FOOT),
    **dict.fromkeys(("in", "inch", "inches", "pulgada", "pulgadas", '"'), METRES_PER_FOOT / 12),
}
_FEET_MARKS = str.maketrans({"′": "'", "’": "'", "‘": "'", "`": "'", "´": "'", "″": '"', "”": '"', "“": '"'})
_NUMBER = r"[0-9]+(?:[.,][0-9]+)?"
_FEET_AND_INCHES = re.compile(
    rf"({_NUMBER})\s*(?:'|ft\.?|feet|foot|pies?)\s*-?\s*({_NUMBER})\s*(?:\"|''|in\.?|inch(?:es)?|pulgadas?)?"
)
_LENGTH = re.compile(rf"({_NUMBER})\s*-?\s*([a-z'\"]*)\.?")
_BETWEEN = re.compile(r"\s*(?:[x×*]|\bby\b|\bpor\b)\s*")

# The sixteen winds of the compass, clockwise from north; Spanish has O for oeste, which is west.
_WINDS = ("n", "nne", "ne", "ene", "e", "ese", "se", "sse", "s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw")
_WIND_WORDS = {
    **{wind: wind for wind in _WINDS},
    **{wind.replace("w", "o"): wind for wind in _WINDS},
    **{"north": "n", "norte": "n", "south": "s", "sur": "s", "east": "e", "este": "e", "west": "w", "oeste": "w"},
    **{"northeast": "ne", "noreste": "ne", "nordeste": "ne", "northwest": "nw", "noroeste": "nw"},
    **{"southeast": "se", "sureste": "se", "sudeste": "se", "southwest": "sw", "suroeste": "sw", "sudoeste": "sw"},
}
_FIGURE = rf"(?P<figure>{_NUMBER})\s*[°o]?"
_QUADRANT = re.compile(rf"(?P<pole>[ns])\s*{_FIGURE}\s*(?P<side>[ewo])")
_QUADRANT_BEHIND = re.compile(rf"{_FIGURE}\s*(?P<side>[ewo])\s*(?P<pole>[ns])")
_LETTER = {
    **dict.fromkeys(("north", "norte"), "n"),
    **dict.fromkeys(("south", "sur"), "s"),
    **dict.fromkeys(("east", "este"), "e"),
    **dict.fromkeys(("west", "oeste"), "w"),
}
_DEGREES = re.compile(rf"({_NUMBER})\s*(?:°|o|deg(?:rees)?|grados)?(?:\s*(?:true|t|verdadero))?")
_ASIDE = re.compile(r"\b(?:corner|esquina|end|side|of|the|block|del?|la|el|cuartel|extremo|lado|rows?|run|hileras?)\b")


@dataclass(frozen=True)
class Length:
    """A length as it is written.

    Attributes
    ----------
    figure : float
    metres : float or None
        Of one unit; None where none is written.
    """

    figure: float
    metres: float | None


def lengths(words: str) -> tuple[Length, ...]:
    r"""Return the lengths that a cell holds, in its order; none where it holds anything else.

    Examples
    --------
    >>> from vinemap.intake.measures import lengths
    >>> [(one.figure, one.metres) for one in lengths("9x6 ft")]
    [(9.0, 0.3048), (6.0, 0.3048)]
    >>> lengths("9'6\"")[0].figure, lengths("2,7 m")[0].figure
    (9.5, 2.7)
    """
    plain = fold(words.translate(_FEET_MARKS))
    found = [_length(part.strip()) for part in _BETWEEN.split(plain)]
    known = [one for one in found if one is not None]
    if len(known) < len(found) or not 1 <= len(known) <= 2:
        return ()
    last = known[-1].metres
    return tuple(Length(one.figure, last if one.metres is None else one.metres) for one in known)


def _length(words: str) -> Length | None:
    both = _FEET_AND_INCHES.fullmatch(words)
    if both is not None:
        inches = _number(both[2])
        return Length(_number(both[1]) + inches / 12, METRES_PER_FOOT) if inches < 12 else None
    one = _LENGTH.fullmatch(words)
    if one is None or (one[2] and one[2] not in _METRES):
        return None
    return Length(_number(one[1]), _METRES[one[2]] if one[2] else None)


def _number(digits: str) -> float:
    return float(digits.replace(",", "."))


def unit_of(words: tuple[str, ...]) -> float | None:
    """Return the metres of the unit of length that a heading's words name; None where they name none, or several."""
    named = {_METRES[word] for word in words if word in _METRES and word not in ("in", "m")}
    named |= {1.0} if "m" in words[-1:] else set()
    return named.pop() if len(named) == 1 else None


def wind(words: str) -> float | None:
    """Return the direction that a word or letters of the compass name, in degrees clockwise from north.

    Examples
    --------
    >>> from vinemap.intake.measures import wind
    >>> wind("NW corner"), wind("esquina NO"), wind("south-west"), wind("middle")
    (315.0, 315.0, 225.0, None)
    """
    plain = _ASIDE.sub(" ", fold(words))
    parts = re.findall(r"[a-z]+", plain)
    # Single letters that a mark parts are two ends: N-E.
    named = None if len(parts) > 1 and all(len(part) == 1 for part in parts) else _WIND_WORDS.get("".join(parts))
    return None if named is None else 22.5 * _WINDS.index(named)


def bearing(words: str) -> float | None:
    """Return the direction of rows, in degrees clockwise from north, either way along them being the same.

    Examples
    --------
    >>> from vinemap.intake.measures import bearing
    >>> bearing("north-south"), bearing("NE–SW"), bearing("E-O"), bearing("N 15° E"), bearing("170"), bearing("N-E-S")
    (0.0, 45.0, 90.0, 15.0, 170.0, None)
    """
    plain = " ".join(_ASIDE.sub(" ", fold(words)).split())
    degrees = _DEGREES.fullmatch(plain)
    if degrees is not None:
        figure = _number(degrees[1])
        return figure if figure <= 360 else None
    lettered = " ".join(_LETTER.get(word, word) for word in plain.replace("°", "° ").split())
    quadrant = _QUADRANT.fullmatch(lettered) or _QUADRANT_BEHIND.fullmatch(lettered)
    if quadrant is not None:
        figure = _number(quadrant["figure"])
        turn = figure if (quadrant["pole"] == "n") == (quadrant["side"] == "e") else -figure
        return turn % 180 if figure <= 90 else None
    single = wind(plain)
    if single is not None:
        return single % 180
    parts = [part for part in re.split(r"\s*(?:[-–—>/]|\bto\b|\ba\b|\by\b|\s)\s*", plain) if part]
    if len(parts) % 2:
        return None
    ends = [wind(" ".join(parts[: len(parts) // 2])), wind(" ".join(parts[len(parts) // 2 :]))]
    if ends[0] is None or ends[1] is None or (ends[0] - ends[1]) % 360 != 180:
        return None
    return ends[0] % 180
