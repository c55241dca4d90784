"""Faults planted into loggers, layers and protection, one at a time: each is named with its file, row and remedy."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from shapely import Polygon

from tests.builders import CRS, EAST, NORTH, write_elevation, write_vineyard
from vinemap.errors import InputError
from vinemap.reading.vineyard import read_vineyard

NAMES = ("N1", "N2", "N3", "N4", "N5")
NIGHT = dt.datetime(2026, 1, 22, 7)


def readings(of: int) -> pd.DataFrame:
    """Return half-hourly readings of logger ``of`` over three days, coldest at seven of the freeze."""
    times = pd.date_range("2026-01-20", "2026-01-23 12:00", freq="30min")
    hours = (times - pd.Timestamp(NIGHT)).total_seconds().to_numpy() / 3600
    cold = -(8.0 + of) * np.exp(-((((hours + 12) % 24 - 12) / 5) ** 2)) * np.exp(-((hours / 30) ** 2))
    wander = 0.8 * np.sin(hours / 7) + 0.05 * np.random.default_rng(of).standard_normal(len(hours))
    return pd.DataFrame({"time": times, "temp_c": (cold - 12 + wander).round(2)})


def series(change: Callable[[pd.DataFrame], pd.DataFrame]) -> Callable[[Path], None]:
    """Plant a fault into the readings of N1."""

    def plant(folder: Path) -> None:
        change(readings(1)).to_csv(folder / "loggers" / "N1.csv", index=False, date_format="%Y-%m-%d %H:%M")

    return plant


def places(change: Callable[[pd.DataFrame], pd.DataFrame]) -> Callable[[Path], None]:
    """Plant a fault into loggers.csv."""

    def plant(folder: Path) -> None:
        change(pd.read_csv(folder / "loggers.csv")).to_csv(folder / "loggers.csv", index=False)

    return plant


def minima(change: Callable[[pd.DataFrame], pd.DataFrame]) -> Callable[[Path], None]:
    """Plant a fault into loggers of which minima alone are known."""

    def plant(folder: Path) -> None:
        for path in (folder / "loggers").iterdir():
            path.unlink()
        table = pd.read_csv(folder / "loggers.csv").assign(min_c=[-20.0, -21.5, -19.5, -20.5, -22.0])
        change(table).to_csv(folder / "loggers.csv", index=False)

    return plant


def cell(row: int, column: str, value: object) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Put a value into the cell of a row, as files count them."""

    def change(table: pd.DataFrame) -> pd.DataFrame:
        table = table.astype({column: object})
        table.loc[row - 2, column] = value
        return table

    return change


def grid(values: Callable[[np.ndarray], np.ndarray] | None = None, **profile: object) -> Callable[[Path], None]:
    """Plant a fault into the grid of layers/."""

    def plant(folder: Path) -> None:
        path = folder / "layers" / "soil.tif"
        z = write_elevation(path, **profile)
        if values is not None:
            with rasterio.open(path, "r+") as target:
                target.write(values(z.astype(np.float64)).astype(target.dtypes[0]), 1)

    return plant


def protection(row: str, head: str = "kind,reach_m,ran,lon,lat") -> Callable[[Path], None]:
    """Plant a row into protection.csv, after a faultless one."""

    def plant(folder: Path) -> None:
        sound = "heater,30,yes,-74.9995,43.3533\n" if head.startswith("kind,reach_m,ran,lon") else ""
        (folder / "protection.csv").write_text(f"{head}\n{sound}{row}\n", encoding="utf-8")

    return plant


def drawn(*shapes: Polygon, crs: str | None = CRS) -> Callable[[Path], None]:
    """Plant drawn protection."""

    def plant(folder: Path) -> None:
        frame = {"kind": ["cover"] * len(shapes), "ran": ["yes"] * len(shapes)}
        gpd.GeoDataFrame(frame, geometry=list(shapes), crs=crs).to_file(folder / "protection.gpkg")
        (folder / "protection.csv").unlink()

    return plant


def corners(*xy: tuple[float, float]) -> Polygon:
    """Return a polygon by metres from the origin of the blocks."""
    return Polygon([(EAST + x, NORTH + y) for x, y in xy])


def shifted(hours: float) -> Callable[[pd.DataFrame], pd.DataFrame]:
    return lambda table: table.assign(time=table["time"] + pd.Timedelta(hours=hours))


def warmer(by: float) -> Callable[[pd.DataFrame], pd.DataFrame]:
    return lambda table: table.assign(temp_c=table["temp_c"] + by)


def gap(start: str, end: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    return lambda table: table[(table["time"] < start) | (table["time"] > end)]


def as_text(pattern: str) -> Callable[[Path], None]:
    def plant(folder: Path) -> None:
        readings(1).to_csv(folder / "loggers" / "N1.csv", index=False, date_format=pattern)

    return plant


def flat(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(temp_c=-12.0)


def mixed(table: pd.DataFrame) -> pd.DataFrame:
    other = table["time"].dt.strftime("%d/%m/%Y %H:%M")
    times = table["time"].dt.strftime("%m/%d/%Y %H:%M").where(table.index < 100, other)
    return table.assign(time=[*times[:-1], "02/03/2026 10:00"])


def nothing(folder: Path) -> None:
    (folder / "loggers" / "N1.csv").write_text("time,temp_c\n", encoding="utf-8")


def renamed(folder: Path) -> None:
    (folder / "loggers" / "N1.csv").rename(folder / "loggers" / "M1.csv")


def no_date(folder: Path) -> None:
    (folder / "vinemap.toml").unlink()


def twice(folder: Path) -> None:
    readings(2).to_csv(folder / "loggers" / "N1.csv", index=False, date_format="%Y-%m-%d %H:%M")


def text_layer(folder: Path) -> None:
    (folder / "layers" / "soil.tif").write_text("no grid", encoding="utf-8")


def all_nan(z: np.ndarray) -> np.ndarray:
    return np.full_like(z, np.nan)


def constant(z: np.ndarray) -> np.ndarray:
    return np.full_like(z, 7.0)


def classes(z: np.ndarray) -> np.ndarray:
    return 1 + z % 5


def undeclared(mark: float) -> Callable[[np.ndarray], np.ndarray]:
    def change(z: np.ndarray) -> np.ndarray:
        z = z.copy()
        z[14:16, 12:16] = mark
        return z

    return change


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    """A vineyard with five loggers and their readings, a grid of another kind, and protection, all without fault."""
    write_vineyard(tmp_path)
    (tmp_path / "vinemap.toml").write_text("event_date = 2026-01-22\n", encoding="utf-8")
    points = gpd.GeoSeries(gpd.points_from_xy(EAST + 40 + 60.0 * np.arange(5), [NORTH + 50.0] * 5), crs=CRS).to_crs(
        4326
    )
    table = pd.DataFrame({"logger": NAMES, "lon": points.x, "lat": points.y, "height_m": 1.5})
    table.to_csv(tmp_path / "loggers.csv", index=False)
    (tmp_path / "loggers").mkdir()
    for number, name in enumerate(NAMES, start=1):
        readings(number).to_csv(tmp_path / "loggers" / f"{name}.csv", index=False, date_format="%Y-%m-%d %H:%M")
    (tmp_path / "layers").mkdir()
    grid()(tmp_path)
    protection("barrier,40,,-74.998,43.3533")(tmp_path)
    return tmp_path


def said(folder: Path) -> list[str]:
    """Return every problem, or every warning, of a folder."""
    try:
        return [str(line) for line in read_vineyard(folder).warnings]
    except InputError as error:
        return [str(problem) for problem in error.problems]


def test_nothing_is_said_of_a_sound_folder(sound: Path) -> None:
    """The vineyard into which the faults are planted has none itself."""
    assert said(sound) == []


PLANTED: dict[str, tuple[Callable[[Path], None], str, str]] = {
    "offset": (series(warmer(3.0)), "loggers/N1.csv", "Hold it beside another one"),
    "cold offset": (series(warmer(-5.0)), "loggers/N1.csv", "Hold it beside another one"),
    "flat line": (series(flat), "loggers/N1.csv:", "broken, indoors or under snow"),
    "clock hours off": (series(shifted(3)), "loggers/N1.csv:", "clock of logger N1 seems 3 h ahead"),
    "clock half a day off": (series(shifted(-9)), "loggers/N1.csv", "clock"),
    "wrong night": (series(shifted(24 * 7)), "loggers/N1.csv", "Correct event_date in vinemap.toml, or the file"),
    "no times in the night": (series(gap("2026-01-21 20:00", "2026-01-22 09:00")), "loggers/N1.csv", "left aside"),
    "gaps": (series(gap("2026-01-22 04:00", "2026-01-22 08:00")), "loggers/N1.csv", "the coldest hour may lie there"),
    "impossible reading": (series(cell(50, "temp_c", -999)), "loggers/N1.csv:50: temp_c", "give a temperature in °C"),
    "words for a reading": (series(cell(60, "temp_c", "cold")), "loggers/N1.csv:60: temp_c", "; "),
    "a time that is none": (series(cell(9, "time", "yesterday")), "loggers/N1.csv:9: time", "write them as"),
    "mixed order of dates": (series(mixed), f"loggers/N1.csv:{len(readings(1)) + 1}: time", "; "),
    "no unit": (series(lambda t: t.rename(columns={"temp_c": "temp"})), "loggers/N1.csv:1: temp", "set unit"),
    "F as C": (series(lambda t: t.assign(temp_c=(t["temp_c"] * 1.8 + 32))), "loggers/N1.csv", "correct"),
    "empty file of readings": (nothing, "loggers", "N1"),
    "the same readings twice": (twice, "loggers/N2.csv", "Give it its own file"),
    "readings with no place": (renamed, "loggers/M1.csv:2", "call it as loggers.csv does"),
    "no date of the freeze": (no_date, "vinemap.toml: event_date", "set event_date"),
    "logger twice": (places(lambda t: pd.concat([t, t.tail(1)])), "loggers.csv:7: logger", "take one out"),
    "no longitude": (places(cell(3, "lon", "")), "loggers.csv:3", "; "),
    "place outside": (places(cell(3, "lon", -74.9)), "loggers.csv:3", "Correct its place"),
    "lon and lat swapped": (
        places(lambda t: t.rename(columns={"lon": "lat", "lat": "lon"})), "loggers.csv: l", "correct the columns"),
    "sign of the longitude": (places(lambda t: t.assign(lon=-t["lon"])), "loggers.csv: l", "correct the columns"),
    "impossible height": (places(cell(4, "height_m", -1)), "loggers.csv:4: height_m", "; "),
    "heights apart": (places(cell(4, "height_m", 6)), "loggers.csv", "colder near the ground"),
    "no height": (places(lambda t: t.drop(columns="height_m")), "loggers.csv", "Give height_m"),
    "minimum in F as C": (minima(cell(3, "min_c", -5.8)), "loggers.csv:3", "correct its unit"),
    "minimum with wrong sign": (minima(cell(3, "min_c", 21.5)), "loggers.csv:3", "sign"),
    "minimum far off": (minima(cell(5, "min_c", -38.0)), "loggers.csv:5", "Correct it, or take it out"),
    "no minimum": (minima(cell(6, "min_c", None)), "loggers.csv:6", "no minimum"),
    "impossible minimum": (minima(cell(6, "min_c", -300)), "loggers.csv:6: min_c", "; "),
    "minimum against readings": (places(lambda t: t.assign(min_c=-30.0)), "loggers.csv:2: min_c", "correct it"),
    "grid without a CRS": (grid(crs=None), "layers/soil.tif", "save it with the CRS"),
    "grid elsewhere": (grid(left=50_000), "layers/soil.tif", "export a grid of the vineyard's ground"),
    "grid over half the blocks": (grid(left=150), "layers/soil.tif", "%"),
    "grid without a figure": (grid(all_nan), "layers/soil.tif", "export a grid"),
    "grid of one figure": (grid(constant), "layers/soil.tif", "tells nothing"),
    "grid of classes": (grid(classes, dtype="uint8"), "layers/soil.tif", "a grid for each"),
    "undeclared gaps": (grid(undeclared(-9999)), "layers/soil.tif", "-9999"),
    "huge figures for gaps": (grid(undeclared(3.4e38)), "layers/soil.tif", "gap"),
    "grid of several bands": (grid(count=3), "layers/soil.tif", "3 bands"),
    "grid that is none": (text_layer, "layers/soil.tif", "; "),
    "unknown kind": (protection("propeller,100,yes,-75,43.3533"), "protection.csv:3: kind", "; "),
    "no reach": (protection("heater,,yes,-75,43.3533"), "protection.csv:3: reach_m", "give the metres"),
    "negative reach": (protection("heater,-30,yes,-75,43.3533"), "protection.csv:3: reach_m", "; "),
    "ran unknown": (protection("heater,30,,-75,43.3533"), "protection.csv", "row 3"),
    "ran a riddle": (protection("heater,30,perhaps,-75,43.3533"), "protection.csv:3: ran", "; "),
    "machine outside": (protection("heater,30,yes,-74.97,43.3533"), "protection.csv", "row 3 reaches no block"),
    "machine's place swapped": (protection("heater,30,yes,43.3533,-75"), "protection.csv:3: geometry", "swapped"),
    "no kind": (protection("100,yes,-75,43.3533", "reach_m,ran,lon,lat"), "protection.csv: kind", "; "),
    "outline that crosses itself": (
        drawn(corners((0, 0), (60, 60), (60, 0), (0, 60))), "protection.gpkg:2", "crosses itself"),
    "outlines that overlap": (
        drawn(corners((0, 0), (60, 0), (60, 60)), corners((0, 0), (60, 0), (60, 50))),
        "protection.gpkg", "lies over another"),
    "the same outline twice": (
        drawn(*[corners((0, 0), (60, 0), (60, 60))] * 2), "protection.gpkg", "entered twice"),
    "outline elsewhere": (
        drawn(corners((9e5, 0), (9e5 + 60, 0), (9e5 + 60, 60))), "protection.gpkg:2: geometry", "correct"),
    "outline without a CRS": (
        drawn(corners((0, 0), (60, 0), (60, 60)), crs=None), "protection.gpkg", "CRS"),
}  # fmt: skip


@pytest.mark.parametrize("fault", PLANTED)
def test_a_planted_fault_is_named(sound: Path, fault: str) -> None:
    """One line begins with file and row, and says what to do; nothing else is said."""
    plant, place, remedy = PLANTED[fault]
    plant(sound)
    lines = said(sound)
    assert any(line.startswith(place) and remedy in line for line in lines), lines
