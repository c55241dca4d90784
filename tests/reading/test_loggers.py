"""Temperature loggers in the layouts that people have, and what is wrong with them."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest

from tests.builders import CRS, EAST, NORTH, only_problem, problems, write_vineyard
from vinemap.reading.vineyard import read_site, read_vineyard, summary

EVENT = dt.date(2026, 1, 22)
NAMES = ("N1", "N2", "N3", "N4")
START = dt.datetime(2026, 1, 20)


def write_places(folder: Path, names: tuple[str, ...] = NAMES, **columns: object) -> None:
    """Write loggers.csv with a row a logger, 60 m apart, through the blocks."""
    points = gpd.GeoSeries(
        gpd.points_from_xy(EAST + 50 + 60 * np.arange(len(names)), [NORTH + 50] * len(names)), crs=CRS
    )
    lonlat = points.to_crs(4326)
    frame = pd.DataFrame({"logger": names, "lon": lonlat.x, "lat": lonlat.y, "height_m": 1.5, **columns})
    frame.to_csv(folder / "loggers.csv", index=False)


def readings(
    *, coldest: float = -20.0, minutes: int = 30, days: int = 4, seed: int = 0
) -> list[tuple[dt.datetime, float]]:
    """Return a cold spell whose coldest hour is 7 in the morning of the freeze, in °C."""
    count = days * 24 * 60 // minutes
    times = [START + dt.timedelta(minutes=minutes * k) for k in range(count)]
    hours = np.array([(time - dt.datetime(2026, 1, 22, 7)).total_seconds() / 3600 for time in times])
    from_dawn = (hours + 12) % 24 - 12
    # By day the air is mixed and loggers agree; by night they part.
    cold = (coldest + 12) * np.exp(-((from_dawn / 5) ** 2)) * np.exp(-((hours / 30) ** 2))
    wander = 0.8 * np.sin(hours / 7) + 0.05 * np.random.default_rng(seed).standard_normal(count)
    return list(zip(times, (cold - 12 + wander).round(2).tolist(), strict=True))


def write_readings(path: Path, rows: list[tuple[dt.datetime, float]], heading: str = "time,temp_c") -> None:
    path.parent.mkdir(exist_ok=True)
    lines = [f"{time:%Y-%m-%d %H:%M},{value}" for time, value in rows]
    path.write_text("\n".join([heading, *lines]) + "\n", encoding="utf-8")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A vineyard of which the event is known, with four loggers and a file of readings each."""
    write_vineyard(tmp_path)
    (tmp_path / "vinemap.toml").write_text(f"event_date = {EVENT}\n")
    write_places(tmp_path)
    for k, name in enumerate(NAMES):
        write_readings(tmp_path / "loggers" / f"{name}.csv", readings(coldest=-20.0 - k, seed=k))
    return tmp_path


def loggers(folder: Path) -> gpd.GeoDataFrame:
    found = read_site(folder).loggers
    assert found is not None
    return found


def test_minima_in_either_unit(tmp_path: Path) -> None:
    """A row a logger with its minimum, in °C or °F; heights where given, else the settings'."""
    write_vineyard(tmp_path)
    write_places(tmp_path, min_f=[-4.0, 5.0, 14.0, 23.0], height_m=[1.0, None, 1.2, 1.5])
    found = loggers(tmp_path)
    assert found["min_c"].round(6).tolist() == [-20.0, -15.0, -10.0, -5.0]
    assert found["height_m"].tolist() == [1.0, 1.5, 1.2, 1.5]
    assert found.crs.to_epsg() == 32618
    assert found.geometry.x.round(3).tolist() == [EAST + 50 + 60 * k for k in range(4)]


def test_the_night_is_from_noon_to_noon(site: Path) -> None:
    """The minimum is that of the night that ends on the day of the freeze, not of the whole series."""
    rows = readings()
    rows[2] = (rows[2][0], -35.0)
    write_readings(site / "loggers" / "N1.csv", rows)
    found = loggers(site).set_index("logger")
    inside = [value for time, value in rows if dt.datetime(2026, 1, 21, 12) <= time < dt.datetime(2026, 1, 22, 12)]
    assert found.loc["N1", "min_c"] == min(inside)
    assert abs(found.loc["N1", "at"] - pd.Timestamp(2026, 1, 22, 7)) < pd.Timedelta(hours=1.5)


LAYOUTS = {
    "titles, one column of both, Fahrenheit in the heading": lambda rows: "\n".join(
        ['"Plot Title: N1"', '"#","Date Time, GMT-05:00","Temp, °F (LGR S/N: 1, SEN S/N: 1)","Logged"']
        + [f"{k},{t:%m/%d/%y %I:%M:%S %p},{v * 1.8 + 32:.3f}," for k, (t, v) in enumerate(rows)]
    ),
    "date and time apart, semicolons and commas": lambda rows: "\n".join(
        ["Fecha;Hora;Temperatura (°C);Humedad (%)"]
        + [f"{t:%d.%m.%Y};{t:%H:%M:%S};{v:.2f};80".replace(".", ",", 0) for t, v in rows]
    ),
    "a row of units": lambda rows: "\n".join(
        ["Timestamp,Air temp,Dew point", ",°C,°C"] + [f"{t.isoformat()},{v},-9" for t, v in rows]
    ),
    "the unit above": lambda rows: "\n".join(
        ["Serial,123", "Temperature unit: °F", "", "Date,Time,Temp"]
        + [f"{t:%d-%b-%Y},{t:%H:%M},{v * 1.8 + 32:.3f}" for t, v in rows]
    ),
    "the unit in the cells": lambda rows: "\n".join(
        ["Time\tTemperature"] + [f"{t:%Y/%m/%d %H:%M}\t{v} °C" for t, v in rows] + ["End of file\t"]
    ),
    "in UTC, and says so": lambda rows: "\n".join(
        ["DateTime (UTC),Celsius"] + [f"{t + dt.timedelta(hours=5):%Y-%m-%d %H:%M},{v}" for t, v in rows]
    ),
    "offsets in the cells": lambda rows: "\n".join(
        ["timestamp,temp_c"] + [f"{(t + dt.timedelta(hours=5)).isoformat()}Z,{v}" for t, v in rows]
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_usual_layouts(site: Path, layout: str) -> None:
    """Title rows, two columns or one, days first or months, °C or °F: the same minimum, to the rounding."""
    rows = readings(coldest=-19.0)
    (site / "loggers" / "N1.csv").write_text(LAYOUTS[layout](rows), encoding="utf-8")
    vineyard = read_site(site)
    assert vineyard.loggers is not None
    found = vineyard.loggers.set_index("logger").loc["N1"]
    assert found["min_c"] == pytest.approx(
        min(v for t, v in rows if abs((t - dt.datetime(2026, 1, 22)).days) < 1), abs=0.01
    )
    assert abs(found["at"] - pd.Timestamp(2026, 1, 22, 7)) < pd.Timedelta(hours=1.5)
    assert not any("N1" in warning for warning in vineyard.warnings)


def test_a_workbook_of_a_sheet_a_logger(site: Path) -> None:
    """Places on one sheet, each logger's readings on a sheet of its name, dates as a spreadsheet has them."""
    table = pd.read_csv(site / "loggers.csv")
    for path in [site / "loggers.csv", *(site / "loggers").iterdir()]:
        path.unlink()
    book = openpyxl.Workbook()
    book.active.title = "places"
    for row in [list(table), *table.to_numpy().tolist()]:
        book.active.append(row)
    for k, name in enumerate(NAMES):
        sheet = book.create_sheet(name)
        for row in [["Date/Time", "Temp (°C)"], *readings(coldest=-15.0 - k)]:
            sheet.append(list(row))
    book.save(site / "loggers.xlsx")
    assert loggers(site)["min_c"].round(0).tolist() == [-15.0, -16.0, -17.0, -18.0]


def test_one_table_of_readings_with_places(site: Path) -> None:
    """A row a reading with the logger's name and place beside it is enough."""
    places = pd.read_csv(site / "loggers.csv").set_index("logger")[["lon", "lat"]]
    for path in (site / "loggers").iterdir():
        path.unlink()
    rows = [
        (name, *places.loc[name], time, value)
        for k, name in enumerate(NAMES)
        for time, value in readings(coldest=-14.0 - k)
    ]
    pd.DataFrame(rows, columns=["logger", "lon", "lat", "time", "temp_c"]).to_csv(site / "loggers.csv", index=False)
    assert loggers(site)["logger"].tolist() == list(NAMES)


def test_files_are_matched_by_how_they_begin_and_by_titles(site: Path) -> None:
    """A file may be called as its logger and more; a title names it where its file does not."""
    home = site / "loggers"
    (home / "N1.csv").rename(home / "n1 2026-01-25 10_22.csv")
    text = (home / "N2.csv").read_text()
    (home / "N2.csv").unlink()
    (home / "export (4).csv").write_text(f"Logger: N2\n{text}")
    (home / "N3.csv").rename(site / "logger_N3.csv")
    assert kept(site) == list(NAMES)


def fault(site: Path) -> str:
    """Return the only warning about a logger, and see that the map goes on without it."""
    found = read_vineyard(site)
    said = [str(warning) for warning in found.warnings if warning.key.startswith("warning.logger")]
    assert len(said) == 1, said
    return said[0]


def kept(site: Path) -> list[str]:
    found = read_site(site).loggers
    return [] if found is None else found["logger"].tolist()


FAULTS = {
    "offset": ([(t, v + 3.0) for t, v in readings()], "3.", "warmer than the others by day and by night alike"),
    "cold offset": ([(t, v - 6.0) for t, v in readings()], "", "colder than the others by day and by night alike"),
    "stuck": (
        [(t, -12.0 if dt.datetime(2026, 1, 21, 22) <= t <= dt.datetime(2026, 1, 22, 6) else v) for t, v in readings()],
        "loggers/N1.csv:94",
        "stays at -12.0 °C for 8 h",
    ),
    "ends at midnight": (
        [(t, v) for t, v in readings() if t < dt.datetime(2026, 1, 22)],
        "",
        "has no readings for 8 h",
    ),
    "another week": (
        [(t + dt.timedelta(days=7), v) for t, v in readings()],
        "2026-01-27 00:00",
        "and none of the night",
    ),
    "afternoon for morning": ([(t + dt.timedelta(hours=9), v) for t, v in readings(days=5)], "9 h ahead", "left aside"),
    "the same twice": (readings(coldest=-21.0, seed=1), "N2", "has the very readings of N1; it was left aside"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_faults_are_named_and_set_aside(site: Path, name: str) -> None:
    """Each planted fault is named with its file and logger; the others are used."""
    rows, *words = FAULTS[name]
    write_readings(site / "loggers" / "N1.csv", rows)
    said = fault(site)
    assert said.startswith("loggers/N")
    assert all(word in said for word in words), said
    assert kept(site) == (["N1", "N3", "N4"] if name == "the same twice" else ["N2", "N3", "N4"])


def test_a_clock_a_few_hours_off_is_named_and_used(site: Path) -> None:
    """Three hours off, the minimum is still the night's."""
    write_readings(site / "loggers" / "N1.csv", [(t + dt.timedelta(hours=3), v) for t, v in readings(days=5)])
    assert "seems 3 h ahead of the others'. Its minimum was taken all the same." in fault(site)
    assert kept(site) == list(NAMES)


def test_a_cold_hollow_and_a_sunlit_sensor_are_no_faults(site: Path) -> None:
    """Seven degrees colder by night alone, or ten warmer at noon alone, is what loggers are hung up for."""
    hollow = [(t, v - (7.0 if t.hour < 9 or t.hour > 18 else 0.0)) for t, v in readings(seed=5)]
    sunny = [(t, v + (10.0 if 10 <= t.hour <= 15 else 0.0)) for t, v in readings(seed=6)]
    write_readings(site / "loggers" / "N1.csv", hollow)
    write_readings(site / "loggers" / "N2.csv", sunny)
    assert not [w for w in read_site(site).warnings if w.key.startswith("warning.logger")]
    assert kept(site) == list(NAMES)


def test_another_night_was_colder(site: Path) -> None:
    """Where most loggers were colder in the next night, the date of the freeze is questioned."""
    (site / "vinemap.toml").write_text("event_date = 2026-01-21\n")
    said = fault(site)
    assert "in the night to 2026-01-22 than in that to 2026-01-21" in said
    assert kept(site) == list(NAMES)


def test_minima_alone(tmp_path: Path) -> None:
    """Of minima alone: a unit exchanged, one far off, one far away, one with none, heights apart: each is named."""
    write_vineyard(tmp_path)
    write_places(
        tmp_path,
        tuple("ABCDEFG"),
        min_c=[-20.0, -21.0, -19.5, -20.5, -4.9, None, -38.0],
        height_m=[1, 1, 1, 4, 1, 1, 1],
    )
    table = pd.read_csv(tmp_path / "loggers.csv")
    table.loc[1, "lon"] += 0.05
    table.to_csv(tmp_path / "loggers.csv", index=False)
    found = [str(warning) for warning in read_site(tmp_path).warnings]
    assert [line[:26] for line in found] == [
        "loggers.csv:7: logger F ha",
        "loggers.csv:3: logger B hu",
        "loggers.csv:6: logger E ha",
        "loggers.csv:8: logger G ha",
        "loggers.csv: loggers hung ",
    ]
    assert "degrees Celsius and Fahrenheit seem exchanged" in found[2]
    assert kept(tmp_path) == ["A", "C", "D"]


PROBLEMS = {
    "no unit": ("time,temp", "loggers/N1.csv:1: temp: names neither °C nor °F; write it into the heading, or set unit"),
    "two temperatures": ("time,temp_c,temp probe c", "loggers/N1.csv:1: has several columns of temperatures: 'temp_c'"),
}


@pytest.mark.parametrize("name", PROBLEMS)
def test_what_could_be_two_things_is_asked(site: Path, name: str) -> None:
    """Nothing is guessed of a heading."""
    heading, start = PROBLEMS[name]
    path = site / "loggers" / "N1.csv"
    lines = path.read_text().splitlines()[1:]
    path.write_text("\n".join([heading, *(line + ",1" * (heading.count(",") - 1) for line in lines)]))
    assert only_problem(site).startswith(start)
    with (site / "vinemap.toml").open("a") as stream:
        stream.write('[loggers]\nunit = "C"\n[columns.loggers]\ntemp_c = "temp_c"\n' if name != "no unit" else "")
        stream.write('[loggers]\nunit = "C"\n' if name == "no unit" else "")
    if name == "no unit":
        assert kept(site) == list(NAMES)


def test_cells_that_cannot_be_are_named(site: Path) -> None:
    """Impossible temperatures and times that are none, by row and column; a logger twice; one without a place."""
    path = site / "loggers" / "N1.csv"
    lines = path.read_text().splitlines()
    lines[5], lines[7] = "2026-01-20 02:00,-999", "yesterday,-9"
    path.write_text("\n".join(lines))
    write_readings(site / "loggers" / "P9.csv", readings())
    table = pd.read_csv(site / "loggers.csv")
    pd.concat([table, table.tail(1)]).to_csv(site / "loggers.csv", index=False)
    starts = [
        "loggers/N1.csv:6: temp_c: '-999' is out of range; give a temperature in °C",
        "loggers/N1.csv:8: time: 'yesterday' is not a date and time that can be read; write them as",
        "loggers.csv:6: logger: 'N4' stands in row 5 already; ",
    ]
    found = problems(site)
    assert len(found) == len(starts)
    for start in starts:
        assert any(one.startswith(start) for one in found), found


def test_a_logger_without_a_place(site: Path) -> None:
    """Readings that no row of loggers.csv is of are named, with the nearest name."""
    (site / "loggers" / "N1.csv").rename(site / "loggers" / "M1.csv")
    assert only_problem(site).startswith(
        "loggers/M1.csv:2: logger 'M1' has no place; call it as loggers.csv does ('N1'?"
    )


def test_dates_that_two_readings_fit(site: Path) -> None:
    """Days and months are told apart by the order of the readings, else by the freeze, else refused."""
    rows = [(t.replace(day=t.day - 19, month=2), v) for t, v in readings()]
    path = site / "loggers" / "N1.csv"
    path.write_text("time,temp_c\n" + "".join(f"{t:%d/%m/%Y %H:%M},{v}\n" for t, v in rows))
    (site / "vinemap.toml").write_text("event_date = 2026-02-03\n")
    assert kept(site) == ["N1"]


def test_several_nights_and_no_date(site: Path) -> None:
    """Without the day of the freeze, readings of several nights are refused, and those of one are not."""
    (site / "vinemap.toml").unlink()
    assert only_problem(site).startswith("vinemap.toml: event_date: the loggers hold several nights")
    first, last = dt.datetime(2026, 1, 21, 15), dt.datetime(2026, 1, 22, 10)
    for k, name in enumerate(NAMES):
        night = [(time, value) for time, value in readings(coldest=-18.0 - k) if first <= time <= last]
        write_readings(site / "loggers" / f"{name}.csv", night)
    assert kept(site) == list(NAMES)


def test_a_link_out_of_the_folder_is_refused(site: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A file of readings that leads elsewhere is not opened."""
    other = tmp_path_factory.mktemp("other") / "secret.csv"
    other.write_text("time,temp_c\n2026-01-20 00:00,-3\n")
    (site / "loggers" / "N1.csv").unlink()
    (site / "loggers" / "N1.csv").symlink_to(other)
    assert only_problem(site).startswith("N1.csv: leads out of the vineyard's folder")


def test_readings_are_bounded_together(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three hundred files, each of which could be read by itself, could not together."""
    monkeypatch.setattr("vinemap.reading.loggers._MOST_ROWS", 500)
    assert only_problem(site).startswith("loggers/: the files of loggers hold more than 500 rows together")


def test_the_summary_tells_of_them(site: Path) -> None:
    """`vinemap check` says how many there are, and how cold it was, by the unit system."""
    assert "4 temperature loggers: the lowest temperature of the night was -22.9 to -20.0 °C." in str(
        summary(read_vineyard(site))[-1]
    )
    with (site / "vinemap.toml").open("a") as stream:
        stream.write('units = "us"\n')
    assert str(summary(read_vineyard(site))[-1]).endswith("°F.")
