"""Series of temperatures as loggers write them: title rows, any usual heading, one column for date and time or two."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from pydantic_core import PydanticCustomError

from vinemap.arrays import Array
from vinemap.columns import READINGS
from vinemap.errors import Findings
from vinemap.reading import cells
from vinemap.reading.schema import in_own_unit, squeeze
from vinemap.reading.tabular import Cells, Sheet, folded
from vinemap.sentences import Listed, Sentence

_LOOKED_AT = 100
_DATE = frozenset({"date", "datetime", "timestamp", "fecha", "datum", "day", "dia"})
_TIME = frozenset({"time", "datetime", "timestamp", "hora", "zeit", "utc"})
_TEMPERATURE = frozenset(
    {"temp", "temperature", "temperatura", "temperatur", "temps", "tair", "airtemp", "celsius", "fahrenheit"}
)
_NOT_OF_AIR = frozenset(
    {"dew", "dewpoint", "rocio", "wet", "bulb", "chill", "heat", "index", "soil", "suelo", "leaf", "hoja", "humidity"}
    | {"humedad", "alarm", "battery", "bateria", "water", "agua", "ground", "internal", "board"}
    | {"max", "maximum", "maxima", "high", "hi", "min", "minimum", "minima", "low", "lo"}
)
_AIR = frozenset({"air", "aire", "ambient", "ambiente", "outside", "exterior"})
_NAME = frozenset({"logger", "sensor", "station", "device", "registrador", "estacion"})
_C = frozenset({"c", "celsius", "centigrade", "centigrados", "degc"})
_F = frozenset({"f", "fahrenheit", "degf"})
_MISSING = frozenset({"nan", "na", "n/a", "-", "--", "---", "null", "none"})
_OFFSET = re.compile(r"(?:GMT|UTC)\s*([+-])\s*([0-9]{1,2})(?::?([0-9]{2}))?|\b(GMT|UTC)\b", re.IGNORECASE)
_WITH_UNIT = re.compile(r"(?P<figure>.*[0-9])\s*(?:°|º|deg)?\s*(?P<unit>[CF])", re.IGNORECASE)
_OURS = {"time": "both", "temp_c": "temperature", "temp_f": "temperature"}
_UNITS = {"C": None, "F": next(column for column in READINGS.columns if column.name == "temp_c").in_units[0]}


@dataclass(frozen=True)
class Series:
    """Readings of one logger, as its file has them.

    Attributes
    ----------
    file : str
        Name of the file and, in a workbook, the sheet.
    name : str or None
        In the file's own column; None where it has none.
    titles : tuple of str
        What stands above the header.
    times : array (n,)
        datetime64[s] by the clock of the file, in the file's order.
    celsius : array (n,)
        Degrees Celsius.
    rows : array (n,)
        Row of each reading, as a spreadsheet numbers it.
    utc_offset_h : float or None
        Hours that the file's clock is ahead of UTC, where the file states it.
    xy : tuple of float or None
        Longitude and latitude in the file's own columns.
    """

    file: str
    name: str | None
    titles: tuple[str, ...]
    times: Array
    celsius: Array
    rows: Array
    utc_offset_h: float | None = None
    xy: tuple[float, float] | None = None


@dataclass(frozen=True)
class _Header:
    """Where a sheet's readings begin, and what its columns are."""

    place: int
    names: tuple[str, ...]
    date: int | None
    clock: int | None
    temperature: int
    logger: int | None
    lon: int | None
    lat: int | None
    unit: str | None


def read_series(
    sheet: Sheet, mapping: Mapping[str, str], unit: str | None, event: dt.date | None, findings: Findings
) -> list[Series] | None:
    """Read the readings of a sheet.

    Parameters
    ----------
    sheet : Sheet
        Of `vinemap.reading.tabular.read_sheets`.
    mapping : mapping
        ``logger``, ``time``, ``temp_c`` or ``temp_f`` to column name, from the settings.
    unit : str or None
        ``C`` or ``F`` where no heading, title or cell says it.
    event : date or None
        Of the freeze, by which dates such as 3/4/2025 are told apart where nothing else tells.
    findings : Findings
        Gets what is wrong.

    Returns
    -------
    list of Series or None
        One a logger; None where no row of the sheet heads a time and a temperature.
    """
    file = sheet.file if sheet.title is None else f"{sheet.file}[{sheet.title}]"
    header = _header(file, sheet, mapping, findings)
    if header is None:
        return None
    if header.temperature < 0:
        return []
    return _series(file, sheet, header, unit, event, findings)


def _bare(words: str) -> str:
    """Return words without capitals and accents."""
    parts = unicodedata.normalize("NFKD", words.casefold())
    return "".join(letter for letter in parts if not unicodedata.combining(letter))


def _words(heading: object) -> tuple[str, ...]:
    return tuple(re.findall(r"[a-z]+", _bare(heading))) if isinstance(heading, str) else ()


def unit_of(*texts: object) -> str | None:
    """Return C or F where the words of a heading name one of the two alone."""
    said = {word for text in texts for word in _words(text)}
    celsius, fahrenheit = bool(said & _C), bool(said & _F)
    return None if celsius == fahrenheit else "C" if celsius else "F"


def _header(file: str, sheet: Sheet, mapping: Mapping[str, str], findings: Findings) -> _Header | None:
    """Find the row that heads a time and a temperature; ``temperature`` is -1 where several could be meant."""
    ours = {squeeze(name): field for field, name in mapping.items()}
    for place, (_, row) in enumerate(sheet.rows[:_LOOKED_AT]):
        roles: dict[str, list[int]] = {}
        for column, heading in enumerate(row):
            role = _role(heading, ours)
            if role is not None:
                roles.setdefault(role, []).append(column)
        temperatures = roles.get("temperature", [])
        if not temperatures or not (roles.get("date") or roles.get("clock") or roles.get("both")):
            continue
        names = tuple("" if cell is None else str(cell).strip() for cell in row)
        chosen = _one_of(temperatures, names)
        if chosen is None:
            listed = Listed((repr(names[k]) for k in temperatures), most=None)
            what, remedy = Sentence("fault.temperatures", columns=listed), Sentence("remedy.temperatures")
            findings.problem(file, sheet.rows[place][0], "", what, remedy)
            chosen = -1
        whole, date, clock = (roles.get(role, [None])[0] for role in ("both", "date", "clock"))
        if whole is not None or date is None:
            date, clock = (whole if whole is not None else clock), None
        logger, lon, lat = (roles.get(role, [None])[0] for role in ("logger", "lon", "lat"))
        unit = ours_unit(names[chosen], ours) if chosen >= 0 else None
        return _Header(place, names, date, clock, chosen, logger, lon, lat, unit)
    return None


def ours_unit(name: str, ours: Mapping[str, str]) -> str | None:
    """Return the unit that the settings or the heading give a column of temperatures."""
    field = ours.get(squeeze(name))
    return {"temp_c": "C", "temp_f": "F"}.get(field or "") or unit_of(name)


def _role(heading: object, ours: Mapping[str, str]) -> str | None:
    """Return what a heading says that its column is; None where it says nothing of a reading."""
    words = _words(heading)
    said = set(words)
    field = ours.get(squeeze(heading)) if isinstance(heading, str) else None
    if field is not None or said & _NOT_OF_AIR:
        return _OURS.get(field or "", field)
    of_temperature = bool(said & _TEMPERATURE) or words in (("t",), ("t", "c"), ("t", "f"))
    roles = {
        "temperature": of_temperature,
        "both": bool(said & _DATE and said & _TIME),
        "date": bool(said & _DATE),
        "clock": bool(said & _TIME),
        "lon": words[:1] in (("lon",), ("longitude",), ("longitud",)),
        "lat": words[:1] in (("lat",), ("latitude",), ("latitud",)),
        "logger": bool(said & _NAME),
    }
    return next((role for role, fits in roles.items() if fits), None)


def _one_of(places: Sequence[int], names: Sequence[str]) -> int | None:
    """Return the one column of the air's temperature; of the same figures in both units the one in Celsius."""
    if len(places) == 1:
        return places[0]
    air = [place for place in places if set(_words(names[place])) & _AIR]
    if len(air) == 1:
        return air[0]
    stems = {tuple(word for word in _words(names[place]) if word not in _C | _F) for place in places}
    celsius = [place for place in places if unit_of(names[place]) == "C"]
    return celsius[0] if len(places) == 2 and len(stems) == 1 and len(celsius) == 1 else None


def _series(
    file: str, sheet: Sheet, header: _Header, unit: str | None, event: dt.date | None, findings: Findings
) -> list[Series]:
    above = [str(cell) for _, row in sheet.rows[: header.place] for cell in row if not cells.blank(cell)]
    below = sheet.rows[header.place + 1 :]
    unit_row = _unit_row(below, header)
    said = header.unit or unit_row or unit_of(*(words for words in above if _speaks_of_unit(words)))
    rows = below[1:] if unit_row else below
    said = said or _unit_of_cells(rows, header.temperature) or unit
    if said is None:
        findings.problem(
            file,
            sheet.rows[header.place][0],
            header.names[header.temperature],
            Sentence("fault.no_degree"),
            Sentence("remedy.no_degree"),
        )
        return []
    readings = _readings(file, rows, header, said, event, findings)
    offset = _offset([header.names[k] for k in (header.date, header.clock) if k is not None])
    found: list[Series] = []
    for name in dict.fromkeys(one.name for one in readings):
        own = [one for one in readings if one.name == name]
        offsets = {one.offset for one in own if one.offset is not None}
        found.append(
            Series(
                file,
                name,
                tuple(above),
                np.array([one.time for one in own], dtype="datetime64[s]"),
                np.array([one.celsius for one in own]),
                np.array([one.row for one in own]),
                offsets.pop() if len(offsets) == 1 else offset,
                next((one.xy for one in own if one.xy is not None), None),
            )
        )
    return found


def _speaks_of_unit(words: str) -> bool:
    """Whether a title is of the unit: ``Temperature unit: °F``, or the mark alone."""
    said = _words(words)
    return len(said) <= 6 and bool(
        set(said) & {"unit", "units", "unidad", "unidades"} or "°" in words or len(said) == 1
    )


def _cell(row: Cells, place: int | None) -> object:
    return None if place is None or place >= len(row) else row[place]


def _unit_row(below: Sequence[tuple[int, Cells]], header: _Header) -> str | None:
    """Return the unit that a row of units under the header gives the temperature."""
    if not below:
        return None
    cell = _cell(below[0][1], header.temperature)
    return unit_of(cell) if isinstance(cell, str) and not any(map(str.isdigit, cell)) else None


def _unit_of_cells(rows: Iterable[tuple[int, Cells]], place: int) -> str | None:
    for _, row in rows:
        cell = _cell(row, place)
        if isinstance(cell, str) and (match := _WITH_UNIT.fullmatch(cell.strip())):
            return match["unit"].upper()
    return None


@dataclass(frozen=True)
class _Reading:
    row: int
    name: str | None
    time: dt.datetime
    offset: float | None
    celsius: float
    xy: tuple[float, float] | None


def _readings(
    file: str,
    rows: Sequence[tuple[int, Cells]],
    header: _Header,
    unit: str,
    event: dt.date | None,
    findings: Findings,
) -> list[_Reading]:
    when = header.names[header.date] if header.date is not None else ""
    day_first = _day_first(rows, header, event)
    found: list[_Reading] = []
    with folded(findings, len(rows)):
        for number, row in rows:
            column = header.names[header.temperature]
            try:
                celsius = _celsius(_cell(row, header.temperature), unit)
                if celsius is None:
                    continue
                column = when
                time = cells.moment(_cell(row, header.date), day_first, _cell(row, header.clock))
                if time is None:
                    raise cells.bad(Sentence("fault.empty"), Sentence("remedy.reading_time"))
                column = header.names[header.logger] if header.logger is not None else ""
                name = None if header.logger is None else cells.name(_cell(row, header.logger))
                xy = _place(row, header)
            except PydanticCustomError as error:
                context = error.context or {}
                findings.problem(file, number, column, context["problem"], context["remedy"])
                continue
            zone = time.utcoffset()
            offset = None if zone is None else zone.total_seconds() / 3600
            found.append(_Reading(number, name, time.replace(tzinfo=None), offset, celsius, xy))
    return found


def _celsius(cell: object, unit: str) -> float | None:
    if isinstance(cell, str):
        match = _WITH_UNIT.fullmatch(cell.strip())
        if match is not None and match["unit"].upper() != unit:
            raise cells.bad(Sentence("fault.other_degree", cell=cells.show(cell)), Sentence("remedy.other_degree"))
        cell = match["figure"] if match is not None else cell
        if str(cell).strip().casefold() in _MISSING:
            return None
    column = next(column for column in READINGS.columns if column.name == "temp_c")
    other = _UNITS[unit]
    if other is not None:
        return in_own_unit(cell, column, other)
    return cells.number(cell, low=column.low or 0, high=column.high or 0, what=Sentence("asked.celsius"))


def _place(row: Cells, header: _Header) -> tuple[float, float] | None:
    if header.lon is None or header.lat is None:
        return None
    lon = cells.number(_cell(row, header.lon), low=-180, high=180, what=Sentence("asked.lon"))
    lat = cells.number(_cell(row, header.lat), low=-90, high=90, what=Sentence("asked.lat"))
    return None if lon is None or lat is None else (lon, lat)


def _offset(headings: Iterable[str]) -> float | None:
    """Return the hours ahead of UTC that a heading states: ``Date Time, GMT-05:00``."""
    match = next(filter(None, map(_OFFSET.search, headings)), None)
    if match is None:
        return None
    if match[1] is None:
        return 0.0
    hours = int(match[2]) + int(match[3] or 0) / 60
    return -hours if match[1] == "-" else hours


def _day_first(rows: Sequence[tuple[int, Cells]], header: _Header, event: dt.date | None) -> bool | None:
    """Decide how to read dates such as 3/4/2025: by the others, by the order of the readings, by the day of the freeze.

    None where nothing tells: such a date is then refused.
    """
    cells_ = (_cell(row, header.date) for _, row in rows)
    dates = dict.fromkeys(cells.split_moment(" ".join(cell.split()))[0] for cell in cells_ if isinstance(cell, str))
    figures = [found for found in map(cells.date_figures, dates) if found and all(found[:2])]
    if any(max(first, second) > 12 for first, second, _ in figures):
        day_first, month_first = (any(figure[place] > 12 for figure in figures) for place in (0, 1))
        # A column that mixes both is told row by row, and what could be either is refused.
        return None if day_first and month_first else day_first
    either = {True: [_day(y, b, a) for a, b, y in figures], False: [_day(y, a, b) for a, b, y in figures]}
    if either[True] == either[False]:
        return True
    jumps = {key: max((abs(b - a) for a, b in itertools.pairwise(days)), default=0) for key, days in either.items()}
    if jumps[True] != jumps[False]:
        return jumps[True] < jumps[False]
    if event is None:
        return None
    near = {key: min(abs(day - event.toordinal()) for day in days) for key, days in either.items()}
    return None if near[True] == near[False] else near[True] < near[False]


def _day(year: int, month: int, day: int) -> int:
    return dt.date(year, month, day).toordinal()
