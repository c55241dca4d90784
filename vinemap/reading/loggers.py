"""Temperature loggers: where they hung, and how cold the night of the freeze was there."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import Point

from vinemap.columns import LOGGERS, READINGS
from vinemap.errors import Findings
from vinemap.guesses import Guesses
from vinemap.reading.cells import bare_name, show
from vinemap.reading.crs import LONLAT
from vinemap.reading.files import POINTS, TABLES, find_file, usable
from vinemap.reading.logger_faults import Record, noon_before, of_night, sound
from vinemap.reading.samples import own_points, refuse_mistaken_axes
from vinemap.reading.schema import Checked, Row, check_rows, match_columns, refuse_repeats, squeeze, with_columns
from vinemap.reading.series import Series, read_series
from vinemap.reading.tabular import NOTES_SHEET, Sheet, Table, as_table, read_sheets
from vinemap.reading.vector import read_layer
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.units import length_unit

FOLDER = "loggers"
"""Folder of a vineyard that holds a file a logger."""

_MOST_FILES = 300
_MOST_LOGGERS = 1000
_MOST_ROWS = 2_000_000
_FARTHEST_M = 500.0
_HEIGHTS_APART_M = 1.0
_AGREE_C = 1.0
_HOURS_PER_DEGREE = 24 / 360
# What a table beside loggers.* is called so that it is found.
_PREFIX = re.compile(r"^loggers?[\s_-]*", re.IGNORECASE)


@with_columns(LOGGERS)
class LoggerRow(Row):
    """A row of loggers.*: where a logger hung, and its minimum where no readings are given."""


@with_columns(READINGS)
class ReadingRow(Row):
    """A reading of a logger; read by `vinemap.reading.series`, row by row, since series are long."""


@dataclass(frozen=True)
class _Placed:
    """A logger of loggers.*, in longitude and latitude."""

    name: str
    row: int
    point: Point
    min_c: float | None
    height_m: float | None


def read_loggers(
    folder: Path, settings: Settings, blocks: gpd.GeoDataFrame | None, findings: Findings
) -> gpd.GeoDataFrame | None:
    """Read and check loggers.*, other tables whose names begin with logger, and the files of the folder loggers.

    Parameters
    ----------
    folder : Path
    settings : Settings
    blocks : GeoDataFrame or None
        In the metric CRS; None where they could not be read.
    findings : Findings
        Gets problems, and a warning for each logger that is set aside.

    Returns
    -------
    GeoDataFrame or None
        A row a logger that can be used, in the CRS of the blocks: logger, min_c (°C, the lowest of the night, from the
        noon before event_date to its noon), height_m (of the sensor; the settings' where not given), at (datetime64 by
        local time; NaT where unknown), point. None where there are none.
    """
    given = len(findings.problems)
    path = find_file(folder, "loggers", POINTS, settings.files.loggers, findings)
    series, tables = _parted(_sheets(folder, path, findings), settings, path, findings)
    if path is not None and path.suffix.lower() not in TABLES:
        table = read_layer(path, "loggers", None, findings)
        tables += [] if table is None else [table]
    placed = _placed(tables, settings, findings)
    file = tables[0].file if tables else "loggers.csv"
    if len(findings.problems) > given or blocks is None or not (series or placed):
        return None
    known = _with_their_own(series, placed)
    named = _named(series, known, findings)
    night = _night(settings, named, findings)
    records = _records(named, known, file, night, settings, findings)
    if len(findings.problems) > given:
        return None
    records = _near(records, known, blocks, file, findings)
    kept = sound(records, night, settings.units, findings)
    _warn_of_heights([known[bare_name(one.name)] for one in kept], file, settings, findings)
    return _table(kept, known, settings, blocks)


# Files


def _sheets(folder: Path, path: Path | None, findings: Findings) -> list[Sheet]:
    """Return the sheets of all tables of loggers; one that is alone in its file has no title."""
    others = [other for other in _others(folder) if other != path]
    if len(others) > _MOST_FILES:
        what = Sentence("fault.many.files", count=Figure(len(others)), most=Figure(_MOST_FILES))
        findings.problem(f"{FOLDER}/", None, "", what, Sentence("remedy.loggers.files"))
        others = []
    sheets = [] if path is None or path.suffix.lower() not in TABLES else read_sheets(path, findings)
    for other in others:
        if usable(other, TABLES, findings, within=folder):
            name = other.relative_to(folder).as_posix()
            sheets += [replace(sheet, file=name) for sheet in read_sheets(other, findings)]
        if sum(len(sheet.rows) for sheet in sheets) > _MOST_ROWS:
            what = Sentence("fault.loggers.rows_together", most=Figure(_MOST_ROWS))
            findings.problem(f"{FOLDER}/", None, "", what, Sentence("remedy.loggers.files"))
            return []
    titled = [sheet for sheet in sheets if (sheet.title or "").strip().casefold() != NOTES_SHEET]
    counts = Counter(sheet.file for sheet in titled)
    return [replace(sheet, title=None) if counts[sheet.file] == 1 else sheet for sheet in titled]


def _others(folder: Path) -> list[Path]:
    """Return tables beside loggers.* whose names begin with logger, and those of the folder loggers."""
    beside = [path for path in folder.iterdir() if path.name.casefold().startswith("logger")]
    homes = [path for path in beside if path.is_dir() and path.name.casefold() == FOLDER]
    inside = [path for home in homes for path in home.iterdir() if not path.name.startswith((".", "~"))]
    alone = [path for path in beside if path.stem.casefold() != FOLDER and path.suffix.lower() in TABLES]
    return sorted([*alone, *inside])


def logger_files(folder: Path) -> list[str]:
    """Return the tables of readings beside loggers.*, as they are called within the vineyard's folder."""
    found = _others(folder) if folder.is_dir() else []
    return [path.relative_to(folder).as_posix() for path in found if path.suffix.lower() in TABLES]


def _parted(
    sheets: list[Sheet], settings: Settings, path: Path | None, findings: Findings
) -> tuple[list[Series], list[Table]]:
    """Part the sheets into series of readings and tables of loggers; name those that are neither."""
    mapping = settings.columns.loggers
    series: list[Series] = []
    tables: list[Table] = []
    aside: list[str] = []
    for sheet in sheets:
        found = read_series(sheet, mapping, settings.loggers.unit, settings.event_date, findings)
        source = sheet.file if sheet.title is None else f"{sheet.file}[{sheet.title}]"
        if found is not None:
            series += [replace(one, titles=(*one.titles, sheet.title or "")) for one in found]
        elif _heads_loggers(sheet, mapping.get("logger", "logger")) or sheet.file == (path and path.name):
            table = as_table(replace(sheet, file=source), findings)
            tables += [] if table is None else [table]
        else:
            aside.append(source)
    if aside:
        findings.warn(Sentence("warning.no_loggers_in", tables=Listed(aside)))
    return series, tables


def _heads_loggers(sheet: Sheet, name: str) -> bool:
    return any(isinstance(cell, str) and squeeze(cell) == squeeze(name) for cell in sheet.rows[0][1])


# Places


def _placed(tables: list[Table], settings: Settings, findings: Findings) -> dict[str, _Placed]:
    """Return the loggers of the tables, by their names without capitals and spaces."""
    found: dict[str, _Placed] = {}
    for table in tables:
        if len(table.rows) > _MOST_LOGGERS:
            what = Sentence("fault.many.loggers", count=Figure(len(table.rows)), most=Figure(_MOST_LOGGERS))
            findings.problem(table.file, None, "", what, Sentence("remedy.loggers.rows"))
            continue
        columns = match_columns(table, LoggerRow, settings.columns.loggers, findings)
        checked = check_rows(table, LoggerRow, columns, findings, section="loggers")
        refuse_repeats(checked, "logger", Sentence("remedy.name_each.logger"), findings, alike=True)
        for one in _of_table(checked, settings, findings):
            first = found.setdefault(bare_name(one.name), one)
            if first is not one and len(tables) > 1:
                what = Sentence("fault.logger.twice", logger=show(one.name))
                findings.problem(table.file, one.row, checked.column("logger"), what, Sentence("remedy.keep_one"))
    return found


def _of_table(checked: Checked[LoggerRow], settings: Settings, findings: Findings) -> list[_Placed]:
    crs, points = own_points(checked, settings, [], findings, "logger")
    rows = [(place, row) for place, row in checked.good() if place in points]
    if crs is None or not rows:
        return []
    shapes = gpd.GeoSeries([points[place] for place, _ in rows], crs=crs).to_crs(LONLAT)
    return [
        _Placed(row.logger, checked.table.numbers[place], shape, row.min_c, row.height_m)
        for (place, row), shape in zip(rows, shapes, strict=True)
    ]


def _with_their_own(series: list[Series], placed: dict[str, _Placed]) -> dict[str, _Placed]:
    """Add the loggers whose readings' own table has their places."""
    known = dict(placed)
    for one in series:
        name = one.name or _stem(one)
        if one.xy is not None and len(one.rows):
            known.setdefault(bare_name(name), _Placed(name, int(one.rows[0]), Point(*one.xy), None, None))
    return known


def _stem(one: Series) -> str:
    """Return the name of a series that has none in its own column: its sheet's, else its file's."""
    file, _, sheet = one.file.partition("[")
    if sheet:
        return sheet.rstrip("]")
    stem = Path(file).stem
    return stem if "/" in file else _PREFIX.sub("", stem) or stem


def _named(series: list[Series], known: dict[str, _Placed], findings: Findings) -> list[tuple[str, Series]]:
    """Return each series with the name of its logger, as ``known`` has it; name those that have no place."""
    found: list[tuple[str, Series]] = []
    guesses = Guesses([one.name for one in known.values()], 0.5)
    for one in series:
        name = _known_name(one, known)
        if name is not None:
            found.append((name, one))
            continue
        own = one.name or _stem(one)
        near = guesses.of(own)
        hint = Sentence("remedy.logger.near", near=repr(near)) if near else Sentence("remedy.logger.row")
        row = int(one.rows[0]) if len(one.rows) else None
        findings.problem(one.file, row, "", Sentence("fault.logger.no_place", logger=show(own)), hint)
    return found


def _known_name(one: Series, known: dict[str, _Placed]) -> str | None:
    """Return the known logger that a series is of: by its column, its file's or sheet's name, or a title above it."""
    own = bare_name(one.name or _stem(one))
    if own in known or one.name is not None:
        return own if own in known else None
    stem = _stem(one).casefold()
    begun = [name for name in known if re.match(rf"{re.escape(known[name].name.casefold())}(?![^\W_])", stem)]
    titled = [bare_name(words.rpartition(":")[2]) for words in one.titles]
    return max(begun, key=len, default=None) or next((name for name in titled if name in known), None)


def _near(
    records: list[Record], known: dict[str, _Placed], blocks: gpd.GeoDataFrame, file: str, findings: Findings
) -> list[Record]:
    """Set aside what hung far from every block; name points whose axes or signs are exchanged."""
    if not records:
        return []
    ours = [known[bare_name(one.name)] for one in records]
    frame = pd.DataFrame({"file": file, "row": [one.row for one in ours]})
    points = gpd.GeoDataFrame(frame, geometry=[one.point for one in ours], crs=LONLAT)
    refuse_mistaken_axes(points, blocks, findings)
    metric = points.to_crs(blocks.crs).geometry
    outline = blocks.geometry.union_all()
    kept = []
    for one, point, own in zip(records, metric, ours, strict=True):
        away = float(outline.distance(point)) if np.isfinite((point.x, point.y)).all() else np.inf
        if away <= _FARTHEST_M:
            kept.append(one)
            continue
        distance = Figure(min(away, 2e7) / 1000, 1, "km")
        place = f"{file}:{own.row}"
        findings.warn(Sentence("warning.logger.outside", place=place, name=own.name, distance=distance))
    return kept


# The night


def _night(settings: Settings, named: list[tuple[str, Series]], findings: Findings) -> dt.date | None:
    """Return the morning of the freeze: as the settings have it, else the only night that the readings hold."""
    if settings.event_date is not None or not named:
        return settings.event_date
    first = min(one.times.min() for _, one in named)
    last = max(one.times.max() for _, one in named)
    days = [day for day in pd.date_range(first, last + np.timedelta64(1, "D")).date]
    held = [day for day in days if noon_before(day) + np.timedelta64(20, "h") <= last]
    held = [day for day in held if noon_before(day) + np.timedelta64(6, "h") >= first]
    if len(held) == 1:
        return held[0]
    findings.problem("vinemap.toml", None, "event_date", Sentence("fault.nights"), Sentence("remedy.nights"))
    return None


def _records(
    named: list[tuple[str, Series]],
    known: dict[str, _Placed],
    file: str,
    night: dt.date | None,
    settings: Settings,
    findings: Findings,
) -> list[Record]:
    """Return the night of each logger; readings of one logger in several files are one series."""
    records: list[Record] = []
    for name, own in known.items():
        parts = [one for key, one in named if key == name]
        if not parts and own.min_c is None:
            place = f"{file}:{own.row}"
            findings.warn(Sentence("warning.logger.no_readings", place=place, name=own.name))
        elif not parts or night is None:
            records.append(Record(file, own.row, own.name, np.nan if own.min_c is None else own.min_c))
        else:
            record = _joined(own, parts, night)
            if np.isnan(record.min_c) and own.min_c is not None:
                record = Record(file, own.row, own.name, own.min_c)
            if own.min_c is not None and abs(own.min_c - record.min_c) > _AGREE_C:
                minima = {"here": Figure(own.min_c, None), "there": Figure(record.min_c, None)}
                what = Sentence("fault.logger.minimum", logger=show(own.name), place=record.place, **minima)
                findings.problem(file, own.row, "min_c", what, Sentence("remedy.logger.minimum"))
            records.append(record)
    return records


def _joined(own: _Placed, parts: list[Series], night: dt.date) -> Record:
    longitude = own.point.x
    times = np.concatenate([_local(one, longitude) for one in parts])
    celsius, rows = (np.concatenate([getattr(one, name) for one in parts]) for name in ("celsius", "rows"))
    record = of_night(parts[0].file, own.name, times, celsius, rows, night)
    if len(parts) == 1 or np.isnan(record.min_c):
        return record
    source = next(one for one in parts if record.at in _local(one, longitude))
    return replace(record, file=source.file)


def _local(one: Series, longitude: float) -> np.ndarray:
    """Return the times of a series by the local mean time of a longitude, where its offset from UTC is known."""
    if one.utc_offset_h is None:
        return one.times
    ahead = longitude * _HOURS_PER_DEGREE - one.utc_offset_h
    # A zone's clock may be an hour or two off the sun; what is farther off was set to another zone, or to UTC.
    return one.times if abs(ahead) <= 2 else one.times + np.timedelta64(round(3600 * ahead), "s")


def _warn_of_heights(ours: list[_Placed], file: str, settings: Settings, findings: Findings) -> None:
    """Say where nobody knows how high sensors hung, or they hung far apart: by night it is colder near the ground."""
    per_metre, unit = length_unit(settings.units)
    silent = [one.row for one in ours if one.height_m is None]
    if silent and "height_m" not in settings.loggers.model_fields_set:
        usual = Figure(settings.loggers.height_m * per_metre, 1, unit)
        findings.warn(Sentence("warning.logger.height", file=file, rows=Listed(silent), height=usual))
    heights = [settings.loggers.height_m if one.height_m is None else one.height_m for one in ours]
    if heights and max(heights) - min(heights) > _HEIGHTS_APART_M:
        low, high = Figure(min(heights) * per_metre, 1), Figure(max(heights) * per_metre, 1, unit)
        findings.warn(Sentence("warning.logger.heights", file=file, low=low, high=high))


def _table(
    kept: list[Record], known: dict[str, _Placed], settings: Settings, blocks: gpd.GeoDataFrame
) -> gpd.GeoDataFrame | None:
    if not kept:
        return None
    ours = [known[bare_name(one.name)] for one in kept]
    heights = [settings.loggers.height_m if one.height_m is None else one.height_m for one in ours]
    frame = pd.DataFrame(
        {
            "logger": [one.name for one in ours],
            "min_c": [one.min_c for one in kept],
            "height_m": heights,
            "at": pd.Series([one.at for one in kept], dtype="datetime64[s]"),
        }
    )
    return gpd.GeoDataFrame(frame, geometry=[one.point for one in ours], crs=LONLAT).to_crs(blocks.crs)
