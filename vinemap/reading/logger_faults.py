"""What a night's readings say against a logger: stuck, off by a constant, wrong clock or unit, one under two names.

A logger that is set aside keeps nobody from mapping: it is named, with its file and row, and the rest is used. The
limits are judgements, wide enough that cold air in a hollow, degrees colder than the crest all night, is no fault.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.sentences import Figure, Sentence
from vinemap.units import degrees, temperature

_STEP = np.timedelta64(15, "m")
_DUSK_H, _DAWN_H = 6, 20
"""Hours from noon between which a night must be covered: 18:00 and 08:00."""

_GAP_H = 2.0
_STUCK_H = 6.0
_OFFSET_C, _ALIKE_C = 1.5, 1.0
_LEAST_SHARED = 40
_CLOCK_H, _LOST_CLOCK_H = 2.0, 6.0
_FAR_OFF_C = 8.0
_COLDER_C = 2.0
_FEW = 3
_UNKNOWN = np.datetime64("NaT", "s")


@dataclass(frozen=True)
class Record:
    """What one logger has of the night.

    Attributes
    ----------
    file, row : str, int or None
        Where its minimum stands.
    name : str
    min_c : float
        NaN where its readings do not cover the night.
    times, celsius, rows : array (n,)
        All its readings by local time, in order; none where it gave its minimum alone.
    at : datetime64
        Of the minimum; NaT where unknown.
    """

    file: str
    row: int | None
    name: str
    min_c: float
    times: Array = field(default_factory=lambda: np.empty(0, "datetime64[s]"))
    celsius: Array = field(default_factory=lambda: np.empty(0))
    rows: Array = field(default_factory=lambda: np.empty(0, int))
    at: np.datetime64 = _UNKNOWN

    @property
    def place(self) -> str:
        """Where it stands, as messages name it."""
        return self.file if self.row is None else f"{self.file}:{self.row}"


def noon_before(day: dt.date) -> np.datetime64:
    """Return where the night of a freeze begins: a freeze is dated by the morning that it is coldest on."""
    return np.datetime64(dt.datetime.combine(day, dt.time(12)) - dt.timedelta(days=1), "s")


def of_night(file: str, name: str, times: Array, celsius: Array, rows: Array, night: dt.date) -> Record:
    """Take the minimum of a night, from noon to noon, out of a logger's readings."""
    order = np.argsort(times, kind="stable")
    times, celsius, rows = times[order], celsius[order], rows[order]
    start = noon_before(night)
    inside = np.flatnonzero((times >= start) & (times < start + np.timedelta64(24, "h")))
    if not len(inside):
        return Record(file, None, name, np.nan, times, celsius, rows)
    coldest = inside[np.argmin(celsius[inside])]
    return Record(file, int(rows[coldest]), name, float(celsius[coldest]), times, celsius, rows, times[coldest])


def sound(records: list[Record], night: dt.date | None, units: str, findings: Findings) -> list[Record]:
    """Name what is wrong with loggers, and return those that are not set aside for it.

    Parameters
    ----------
    records : list of Record
    night : date or None
        Of the freeze; None where minima alone are known.
    units : str
        ``metric`` or ``us``, for the messages.
    findings : Findings
        Gets a warning for each fault.
    """
    faults = _Faults(units, findings)
    kept = list(records)
    if night is not None:
        kept = [one for one in kept if not len(one.times) or not faults.uncovered(one, night)]
        kept = [one for one in kept if not len(one.times) or not faults.stuck(one, night)]
        kept = list(faults.told_apart(kept))
        kept = faults.on_time(kept, night)
        kept = faults.level(kept, night)
        faults.other_night([one for one in kept if len(one.times)], night)
    if len(kept) > _FEW:
        kept = [one for one in kept if not faults.far_off(one, kept)]
    return kept


class _Faults:
    """Names each fault as a warning; every method returns whether the logger is set aside for it."""

    def __init__(self, units: str, findings: Findings) -> None:
        self.units, self.findings = units, findings

    def warn(self, fault: str, one: Record, **values: object) -> bool:
        self.findings.warn(Sentence(f"warning.logger.{fault}", place=one.place, name=one.name, **values))
        return True

    def figure(self, celsius: float) -> Figure:
        value, unit = temperature(celsius, self.units)
        return Figure(value, 1, unit)

    def difference(self, celsius: float) -> Figure:
        value, unit = degrees(abs(celsius), self.units)
        return Figure(value, 1, unit)

    def uncovered(self, one: Record, night: dt.date) -> bool:
        """Look for readings that begin after dusk, end before dawn, or stop for hours between."""
        start = noon_before(night)
        dusk, dawn = (start + np.timedelta64(hours, "h") for hours in (_DUSK_H, _DAWN_H))
        inside = one.times[(one.times >= dusk) & (one.times <= dawn)]
        gaps = np.diff(np.concatenate([[dusk], inside, [dawn]])).astype("timedelta64[s]").astype(float) / 3600
        if gaps.max() <= _GAP_H:
            return False
        if np.isnan(one.min_c):
            first, last = (str(time).replace("T", " ")[:16] for time in one.times[[0, -1]])
            return self.warn("other_night", one, night=night.isoformat(), first=first, last=last)
        return self.warn("gap", one, night=night.isoformat(), hours=Figure(gaps.max(), 0))

    def stuck(self, one: Record, night: dt.date) -> bool:
        """Look for one figure for hours, as from a sensor that is broken, indoors, or under snow."""
        start = noon_before(night)
        inside = np.flatnonzero((one.times >= start) & (one.times < start + np.timedelta64(24, "h")))
        celsius, times = one.celsius[inside], one.times[inside]
        edges = np.concatenate([[0], np.flatnonzero(np.diff(celsius) != 0) + 1, [len(celsius)]])
        hours = [(times[b - 1] - times[a]).astype(float) / 3600 for a, b in itertools.pairwise(edges)]
        longest = int(np.argmax(hours))
        if hours[longest] < _STUCK_H:
            return False
        place = Record(one.file, int(one.rows[inside[edges[longest]]]), one.name, one.min_c)
        return self.warn("stuck", place, value=self.figure(celsius[edges[longest]]), hours=Figure(hours[longest], 0))

    def told_apart(self, records: list[Record]) -> Iterator[Record]:
        """Leave out readings that stand under another name already."""
        seen: dict[bytes, Record] = {}
        for one in records:
            mark = one.times.tobytes() + one.celsius.tobytes() if len(one.times) else one.name.encode()
            first = seen.setdefault(mark, one)
            if first is one:
                yield one
            else:
                self.warn("twice", one, other=first.name)

    def on_time(self, records: list[Record], night: dt.date) -> list[Record]:
        """Look for clocks that run hours off the others', and leave out those that may have missed the night."""
        clock = _clock(night)
        kept = []
        for one in records:
            typical = _typical(one, records, clock)
            late = 0.0 if typical is None else _lateness(_at(one, clock), typical)
            lost = abs(late) >= _LOST_CLOCK_H
            if abs(late) >= _CLOCK_H:
                key = f"clock{'_lost' if lost else ''}.{'late' if late > 0 else 'early'}"
                self.warn(key, one, hours=Figure(abs(late), 0))
            kept += [] if lost else [one]
        return kept

    def level(self, records: list[Record], night: dt.date) -> list[Record]:
        """Leave out loggers that disagree with all others by a constant, by day as by night, the worst one first."""
        clock = _clock(night)
        kept = list(records)
        while True:
            offsets = [(_offset(one, kept, clock), one) for one in kept]
            offset, worst = max(offsets, key=lambda pair: abs(pair[0]), default=(0.0, None))
            if worst is None or abs(offset) < _OFFSET_C:
                return kept
            self.warn(f"offset.{'warm' if offset > 0 else 'cold'}", worst, difference=self.difference(offset))
            kept = [one for one in kept if one is not worst]

    def far_off(self, one: Record, among: list[Record]) -> bool:
        """Look for a minimum far from all others', as where degrees were taken for other ones, or a sign was lost."""
        rest = np.array([other.min_c for other in among if other is not one])
        middle = float(np.median(rest))
        spread = float(np.median(np.abs(rest - middle)))
        if abs(one.min_c - middle) < max(_FAR_OFF_C, 5 * spread):
            return False
        other_unit = min(abs(one.min_c * 9 / 5 + 32 - middle), abs((one.min_c - 32) * 5 / 9 - middle))
        near = max(3.0, 2 * spread)
        key = "unit" if other_unit <= near else "sign" if abs(one.min_c + middle) <= near else "far_off"
        return self.warn(key, one, value=self.figure(one.min_c), others=self.figure(middle))

    def other_night(self, records: list[Record], night: dt.date) -> bool:
        """Say where most loggers were colder in a night beside that of the freeze: its date may be wrong."""
        colder: dict[dt.date, list[float]] = {}
        for one in records:
            for days in (-2, -1, 1, 2):
                day = night + dt.timedelta(days=days)
                beside = of_night(one.file, one.name, one.times, one.celsius, one.rows, day)
                if beside.min_c < one.min_c - _COLDER_C:
                    colder.setdefault(day, []).append(one.min_c - beside.min_c)
        if not records or not colder:
            return False
        day = max(colder, key=lambda day: (len(colder[day]), sum(colder[day])))
        if len(colder[day]) <= len(records) / 2:
            return False
        values = {"night": night.isoformat(), "other": day.isoformat()}
        by = self.difference(float(np.median(colder[day])))
        self.findings.warn(Sentence("warning.logger.colder_night", difference=by, **values))
        return True


def _at(one: Record, clock: Array) -> Array:
    """Read a series at a clock's times; NaN where it has no reading within an hour."""
    seconds, wanted = one.times.astype(float), clock.astype(float)
    found = np.interp(wanted, seconds, one.celsius)
    after = np.searchsorted(seconds, wanted)
    before = np.clip(after - 1, 0, len(seconds) - 1)
    after = np.clip(after, 0, len(seconds) - 1)
    away = np.minimum(np.abs(seconds[before] - wanted), np.abs(seconds[after] - wanted))
    found[away > 3600] = np.nan
    return np.asarray(found)


def _clock(night: dt.date) -> Array:
    """Two days around a night in quarters of an hour, from midnight to midnight."""
    return np.asarray(noon_before(night) - np.timedelta64(12, "h") + _STEP * np.arange(192))


def _typical(one: Record, among: list[Record], clock: Array) -> Array | None:
    """Return the median of the other series at a clock's times; None of fewer than two, or of too short a time.

    Among two loggers nobody can tell which one is off.
    """
    others = [_at(other, clock) for other in among if other is not one and len(other.times)]
    if not len(one.times) or len(others) < _FEW - 1:
        return None
    rest = np.array(others)
    shared = np.isfinite(rest).sum(axis=0) >= _FEW - 1
    if shared.sum() < _LEAST_SHARED:
        return None
    typical = np.full(len(clock), np.nan)
    typical[shared] = np.nanmedian(rest[:, shared], axis=0)
    return typical


def _offset(one: Record, among: list[Record], clock: Array) -> float:
    """Return by how much a series lies above all others at noon as at night; 0 where it is not alike in both.

    The sun on a bare sensor is no offset, nor is cold air by night alone.
    """
    typical = _typical(one, among, clock)
    if typical is None:
        return 0.0
    difference = _at(one, clock) - typical
    hour = (clock - clock.astype("datetime64[D]")).astype("timedelta64[m]").astype(float) / 60
    by_day, by_night = (hour >= 11) & (hour <= 15), (hour >= 20) | (hour <= 6)
    if not all(np.isfinite(difference[part]).any() for part in (by_day, by_night)):
        return 0.0
    day, dark = (float(np.nanmedian(difference[part])) for part in (by_day, by_night))
    alike = min(abs(day), abs(dark)) >= _OFFSET_C and abs(day - dark) <= _ALIKE_C
    return (day + dark) / 2 if alike else 0.0


def _lateness(own: Array, typical: Array) -> float:
    """Hours by which a series runs behind the others, where moving it makes it follow them far better; else 0."""
    best, least, still = 0.0, np.inf, np.inf
    for steps in range(-56, 57):
        moved = np.full(len(own), np.nan)
        # What a late clock dates at noon happened before.
        source = slice(max(0, steps), len(own) + min(0, steps))
        target = slice(max(0, -steps), len(own) + min(0, -steps))
        moved[target] = own[source]
        difference = (moved - typical)[np.isfinite(moved - typical)]
        if len(difference) < 60:
            continue
        misfit = float(np.std(difference))
        if steps == 0:
            still = misfit
        if misfit < least:
            best, least = steps / 4, misfit
    return best if least < 0.5 * still else 0.0
