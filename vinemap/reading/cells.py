"""What a single cell means: names, numbers, dates, statuses; each fault with its remedy."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache, partial
from typing import Any

import numpy as np
import pandas as pd
from pydantic import ValidationInfo
from pydantic_core import PydanticCustomError

from vinemap.characters import unshowable
from vinemap.columns import Column, Kind, asked_keys
from vinemap.sentences import Listed, Sentence
from vinemap.states import TISSUE_STATES, State

_ALIVE = frozenset({"alive", "green", "live", "a", "1", "true"})
_DEAD = frozenset({"dead", "brown", "black", "d", "0", "false"})
_DEAD_BEFORE = frozenset({"deadbefore", "olddead", "old", "b"})
_YES = frozenset({"yes", "y", "true", "t", "1", "sí", "si", "s"})
_NO = frozenset({"no", "n", "false", "f", "0"})
_SHEET_ERRORS = frozenset({"#N/A", "#REF!", "#VALUE!", "#NAME?", "#DIV/0!", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"})
_INVISIBLE = dict.fromkeys(map(ord, "\ufeff\u200b\u2060"))
_PLAIN_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_GROUPED = re.compile(r"(?<=[0-9])[ '’](?=[0-9]{3}(?![0-9]))")
_AMBIGUOUS = re.compile(r"[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}(\1[0-9]{3})*")
_NUMERIC_DATE = re.compile(r"([0-9]{1,2})([./-])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})")
_CLOCK = re.compile(
    r"(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(:(?P<second>[0-9]{2})([.,][0-9]+)?)?"
    r"( ?(?P<half>[ap])\.? ?m\.?)?( ?(?P<zone>z|utc|gmt|[+-][0-9]{2}:?[0-9]{2}))?",
    re.IGNORECASE,
)
_WORDED_DATES = ("%d %b %Y", "%d %B %Y", "%b %d %Y", "%B %d %Y", "%d-%b-%Y", "%Y %b %d", "%Y/%m/%d")


def bad(problem: Sentence, remedy: Sentence) -> PydanticCustomError:
    """Make the error of a cell: what is wrong, and what to do about it; both are kept as they are."""
    return PydanticCustomError("cell", "{problem}", {"problem": problem, "remedy": remedy})


def show(value: object) -> str:
    """Return a cell's value as a message quotes it: escaped, and cut where it is long."""
    if isinstance(value, (bool, int, float, np.number)):
        return str(value)
    words = str(value)
    return repr(words if len(words) <= 60 else words[:57] + "...")


def blank(value: object) -> bool:
    """Whether a cell holds nothing but spaces."""
    if isinstance(value, str):
        return not value.strip()
    return value is None or value is pd.NaT or value is pd.NA or (isinstance(value, float) and math.isnan(value))


def text(value: object) -> str | None:
    """Return a cell's text without stray spaces; None where it is empty; 7.0 as "7".

    Raises
    ------
    PydanticCustomError
        Where the cell holds a spreadsheet's error or characters that cannot be shown.
    """
    if blank(value):
        return None
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (float, np.floating)):
        return str(int(value)) if float(value).is_integer() else str(value)
    return _tidy(value.isoformat() if isinstance(value, dt.date) else str(value))


@lru_cache(maxsize=4096)
def _tidy(words: str) -> str | None:
    tidy = " ".join(words.translate(_INVISIBLE).split())
    if tidy.isascii() and tidy.isprintable() and tidy not in _SHEET_ERRORS:
        return tidy or None
    tidy = unicodedata.normalize("NFC", tidy)
    if tidy in _SHEET_ERRORS:
        raise bad(Sentence("fault.sheet_error", cell=tidy), Sentence("remedy.sheet_error"))
    if unshowable(tidy):
        raise bad(Sentence("fault.unshowable", cell=show(tidy)), Sentence("remedy.type_again"))
    return tidy


def name(value: object, *, empty: str | None = None) -> str:
    """Return the name of a block, sample or cane; ``empty`` where the cell holds none, which is a fault by default."""
    if isinstance(value, (dt.datetime, dt.date, dt.time)):
        raise bad(Sentence("fault.date_for_name", date=value.isoformat()[:10]), Sentence("remedy.date_for_name"))
    words = text(value) or empty
    if words is None:
        raise bad(Sentence("fault.empty"), Sentence("remedy.name"))
    if len(words) > 200:
        raise bad(Sentence("fault.long_name", cell=show(words), count=str(len(words))), Sentence("remedy.long_name"))
    return words


def bare_name(words: str) -> str:
    """Return a name without capitals and spaces, by which two spellings of one name are one."""
    return "".join(words.casefold().split())


def number(
    value: object, *, low: float = -math.inf, high: float = math.inf, what: Sentence | None = None
) -> float | None:
    """Return a number, read with a decimal point or a decimal comma; None where the cell is empty.

    Parameters
    ----------
    value : object
        The cell.
    low, high : float
        Least and greatest value allowed.
    what : Sentence, optional
        What the number is, with its unit, for the message.
    """
    what = Sentence("asked.number") if what is None else what
    words = text(value)
    if words is None:
        return None
    if isinstance(value, (bool, np.bool_, dt.date, dt.time)):
        raise bad(Sentence("fault.no_number", cell=show(value)), Sentence("remedy.give", what=what))
    figure = _figure(words)
    if figure is None:
        raise bad(Sentence("fault.no_number", cell=show(words)), Sentence("remedy.digits", what=what))
    if not low <= figure <= high:
        raise bad(Sentence("fault.out_of_range", cell=show(words)), Sentence("remedy.give", what=what))
    return figure


def _figure(words: str) -> float | None:
    plain = _GROUPED.sub("", words.replace("−", "-"))
    point, comma = plain.rfind("."), plain.rfind(",")
    if comma >= 0:
        # The mark that comes last parts the decimals; the other one, if any, groups the thousands.
        plain = plain.replace(".", "").replace(",", ".", 1) if point < comma else plain.replace(",", "")
    if not _PLAIN_NUMBER.fullmatch(plain):
        return None
    figure = float(plain)
    return figure if math.isfinite(figure) else None


def whole(
    value: object, *, low: float = 0, high: float = 10_000_000, what: Sentence | None = None, needed: bool = False
) -> int | None:
    """Return a whole number; None where the cell is empty; the arguments are those of `number` and `choice`.

    Text such as 8,000 or 8.000 is refused: it is eight thousand to some and eight to others.
    """
    what = Sentence("asked.whole") if what is None else what
    words = text(value)
    if isinstance(value, str) and words is not None and _AMBIGUOUS.fullmatch(words):
        digits = words.replace(".", "").replace(",", "")
        raise bad(Sentence("fault.two_ways", cell=show(words)), Sentence("remedy.two_ways", digits=digits))
    figure = number(value, what=what)
    if figure is None and needed:
        raise bad(Sentence("fault.empty"), Sentence("remedy.give", what=what))
    if figure is None:
        return None
    if not figure.is_integer():
        raise bad(Sentence("fault.not_whole", cell=show(value)), Sentence("remedy.give", what=what))
    if figure < low:
        raise bad(Sentence("fault.below", cell=show(value), low=f"{low:g}"), Sentence("remedy.give", what=what))
    if figure > high:
        raise bad(Sentence("fault.out_of_range", cell=show(value)), Sentence("remedy.give", what=what))
    return int(figure)


def status(value: object, *, before: bool = True) -> str:
    """Return what the razor showed: alive, dead, dead_before or unread (an empty cell is unread).

    Parameters
    ----------
    value : object
        The cell.
    before : bool
        Whether it may say that a bud had died before the freeze.
    """
    words = text(value)
    if words is None:
        return State.UNREAD.value
    word = words.casefold()
    if word in _ALIVE:
        return State.ALIVE.value
    if word in _DEAD:
        return State.DEAD.value
    if word == State.UNREAD:
        return State.UNREAD.value
    if before and _bare(word) in _DEAD_BEFORE:
        return State.DEAD_BEFORE.value
    raise bad(Sentence("fault.no_state", cell=show(words)), Sentence(f"remedy.state{'.before' if before else ''}"))


def yes_no(value: object) -> bool | None:
    """Return whether a cell says yes; None where it is empty."""
    words = text(value)
    if words is None:
        return None
    if words.casefold() in _YES:
        return True
    if words.casefold() in _NO:
        return False
    raise bad(Sentence("fault.yes_no", cell=show(words)), Sentence("remedy.yes_no"))


def choice(value: object, *, among: Mapping[str, str], empty: str | None = None, needed: bool = False) -> str | None:
    """Return one of a few words, matched without regard to case, spaces, hyphens and underscores.

    Parameters
    ----------
    value : object
        The cell.
    among : mapping
        Words accepted and what each stands for.
    empty : str or None
        What an empty cell stands for.
    needed : bool
        Whether an empty cell is a fault.
    """
    words = text(value)
    remedy = Sentence("remedy.one_of", words=Listed(dict.fromkeys(among.values()), most=None))
    if words is None:
        if needed:
            raise bad(Sentence("fault.empty"), remedy)
        return empty
    meaning = {_bare(word): meant for word, meant in among.items()}.get(_bare(words))
    if meaning is None:
        raise bad(Sentence("fault.unknown_word", cell=show(words)), remedy)
    return meaning


def _bare(words: str) -> str:
    return re.sub(r"[\s_-]", "", words.casefold())


def day(value: object, info: ValidationInfo) -> dt.date | None:
    """Return a date from ISO 8601 or another usual form; None where the cell is empty.

    The context may hold ``day_first``: how to read a date such as 3/4/2025 that its own figures leave open.
    """
    words = text(value)
    if words is None:
        return None
    context: Mapping[str, Any] = info.context or {}
    found = value if isinstance(value, dt.date) else _date(words, context.get("day_first"))
    if found is None:
        raise bad(Sentence("fault.no_date", cell=show(words)), Sentence("remedy.date"))
    if not 1900 <= found.year <= 2100:
        raise bad(Sentence("fault.out_of_range", cell=show(words)), Sentence("remedy.date"))
    return dt.date(found.year, found.month, found.day)


def _date(words: str, day_first: bool | None) -> dt.date | None:
    figures = date_figures(words)
    if figures is not None:
        first, second, year = figures
        if first > 12 or second > 12:
            day_first = first > 12
        if day_first is None:
            return None
        try:
            return dt.date(year, second, first) if day_first else dt.date(year, first, second)
        except ValueError:
            return None
    try:
        return dt.datetime.fromisoformat(words)
    except ValueError:
        pass
    for form in _WORDED_DATES:
        try:
            return dt.datetime.strptime(words.replace(",", ""), form)
        except ValueError:
            continue
    return None


def date_figures(words: str) -> tuple[int, int, int] | None:
    """Return the figures of a date such as 22/1/2025, in the order written, the year in full; None for other text."""
    match = _NUMERIC_DATE.fullmatch(words)
    if match is None:
        return None
    first, _, second, year = match.groups()
    return int(first), int(second), int(year) if len(year) == 4 else 2000 + int(year)


def moment(value: object, day_first: bool | None = None, clock: object = None) -> dt.datetime | None:
    """Return a date with its time of day, from one cell or two; None where they are empty.

    Parameters
    ----------
    value : object
        The cell of the date, or of both.
    day_first : bool or None
        How to read a date such as 3/4/2025 that its own figures leave open; None where nothing says.
    clock : object
        The cell of the time of day, where it has one of its own.

    Returns
    -------
    datetime or None
        With an offset from UTC where the cell states one. A date alone is its midnight.
    """
    if isinstance(value, dt.datetime) and blank(clock):
        return value
    day_words = value.date().isoformat() if isinstance(value, dt.datetime) else text(value)
    # What a spreadsheet makes of a time alone has a day of its own.
    time = clock.time() if isinstance(clock, dt.datetime) else clock
    clock_words = time.isoformat("seconds") if isinstance(time, dt.time) else text(time)
    words = " ".join(filter(None, (day_words, clock_words)))
    if not words:
        return None
    found = _moment(words, day_first)
    if found is None or not 1900 <= found.year <= 2100:
        raise bad(Sentence("fault.no_moment", cell=show(words)), Sentence("remedy.moment"))
    return found


def _moment(words: str, day_first: bool | None) -> dt.datetime | None:
    """Read a date and a time of day, parted by a space or by ISO 8601's T."""
    day_words, clock_words = split_moment(words)
    date = _known_date(day_words, day_first)
    clock = _clock(clock_words) if clock_words else dt.time()
    return None if date is None or clock is None else dt.datetime.combine(date, clock)


@lru_cache(maxsize=4096)
def _clock(words: str) -> dt.time | None:
    """Read a time of day, on 12 hours or on 24, with its offset from UTC where it has one."""
    match = _CLOCK.fullmatch(words)
    if match is None:
        return None
    hour, half, zone = int(match["hour"]), (match["half"] or "").casefold(), (match["zone"] or "").casefold()
    if half:
        # A thirteenth hour of the morning is none.
        hour = hour % 12 + 12 * (half == "p") if 1 <= hour <= 12 else 24
    try:
        return dt.time(hour, int(match["minute"]), int(match["second"] or 0), tzinfo=_zone(zone) if zone else None)
    except ValueError:
        return None


def _zone(words: str) -> dt.timezone:
    """Read an offset from UTC; raise ValueError where it is a day or more."""
    bare = words.replace(":", "") if words[0] in "+-" else "+0000"
    offset = dt.timedelta(hours=int(bare[1:3]), minutes=int(bare[3:]))
    return dt.timezone(-offset if bare[0] == "-" else offset)


def split_moment(words: str) -> tuple[str, str]:
    """Return the date and the time of day of a text that holds both; the second empty where it holds a date alone."""
    match = re.search(r"(?<=[0-9])(T|,? )(?=[0-9]{1,2}:)", words)
    return (words, "") if match is None else (words[: match.start()], words[match.end() :])


@lru_cache(maxsize=4096)
def _known_date(words: str, day_first: bool | None) -> dt.date | None:
    return _date(words, day_first)


def _when(value: object, info: ValidationInfo) -> dt.datetime | None:
    """Return a date and time in a table whose rows are models, as `day` does a date."""
    context: Mapping[str, Any] = info.context or {}
    return moment(value, context.get("day_first"))


def check_of(column: Column) -> Callable[..., Any]:
    """Return the check that reads a column's cells, by its kind and limits."""
    key, needed = asked_keys().get(column.asks), column.filled
    what = None if key is None else Sentence(key)
    limits = {} if column.low is None or column.high is None else {"low": column.low, "high": column.high}
    checks: dict[Kind, Callable[..., Any]] = {
        Kind.NAME: partial(name, empty=column.empty),
        Kind.TEXT: text,
        Kind.WORD: partial(choice, among=same(column.words), empty=column.empty, needed=needed),
        Kind.STATE: partial(status, before=column.words != TISSUE_STATES),
        Kind.NUMBER: partial(number, what=what, **limits),
        Kind.WHOLE: partial(whole, what=what, needed=needed, **limits),
        Kind.YES_NO: yes_no,
        Kind.DATE: day,
        Kind.TIME: _when,
    }
    return checks[column.kind]


def same(words: Iterable[str]) -> dict[str, str]:
    """Return words that stand for themselves, for `choice`."""
    return {str(word): str(word) for word in words}
