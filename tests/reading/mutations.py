"""A folder in every format that is read, and damage done to its files."""

from __future__ import annotations

import datetime as dt
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from random import Random

import geopandas as gpd
import numpy as np
import pandas as pd
import rioxarray  # noqa: F401 - registers the .rio accessor
import xarray as xr
from shapely import Point

from tests.builders import CRS, EAST, NORTH, blocks, buds_table, samples, samples_table, vine_rows, write_elevation
from vinemap.errors import Findings, InputError
from vinemap.exports.earlier import read_earlier
from vinemap.exports.formats import BANDS, write_geopackage, write_injury
from vinemap.intake.understand import understand
from vinemap.reading.blocks import read_blocks
from vinemap.reading.buds import read_buds, read_wood
from vinemap.reading.elevation import read_elevation
from vinemap.reading.ground_layers import read_ground_layers
from vinemap.reading.hardiness import read_hardiness
from vinemap.reading.loggers import read_loggers
from vinemap.reading.protection import read_protection
from vinemap.reading.row_layer import read_rows
from vinemap.reading.samples import read_samples
from vinemap.reading.shoots import read_shoots
from vinemap.reading.ticks import read_done
from vinemap.region.members import folders_in, read_region
from vinemap.settings import Settings, load_settings

Reader = Callable[[Path, Findings], object]

_SETTINGS = """name = "Hof"
crs = "EPSG:32618"
event_date = 2025-01-22
gps_tolerance_m = 5.5
[files]
blocks = "blocks.gpkg"
[columns.blocks]
variety = "Sorte"
[surface]
cell_m = 3.0
max_cells = 4_000_000
hardiness = { Riesling = -0.4 }
[work.materials]
retrain = { stakes = 1, ties = 3 }
"""
# What a number, a name or a structure is often put in the place of.
_TOKENS = (
    *(b"\x00", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"-1", b"1e309", b"NaN", b"99999999999999999999", b"''", b'"'),
    *(
        b"{",
        b"}",
        b"[",
        b"]",
        b"<",
        b"]]>",
        b"&x;",
        b"<!DOCTYPE x>",
        b"\r\n",
        b"\xef\xbb\xbf",
        b"../x",
        b"\xed\xa0\x80",
    ),
)


def _blocks(folder: Path, findings: Findings) -> object:
    return read_blocks(folder, Settings(), findings)


def _rows(folder: Path, findings: Findings) -> object:
    return read_rows(folder, Settings(), blocks(), findings)


def _samples(folder: Path, findings: Findings) -> object:
    return read_samples(folder, Settings(), None, None, findings)


def _buds(folder: Path, findings: Findings) -> object:
    return read_buds(folder, Settings(), None, "samples.csv", findings)


def _elevation(folder: Path, findings: Findings) -> object:
    return read_elevation(folder, Settings(), blocks(), findings)


def _settings(folder: Path, findings: Findings) -> object:
    return load_settings(folder, findings)


def _wood(folder: Path, findings: Findings) -> object:
    return read_wood(folder, Settings(), None, "samples.csv", findings)


def _loggers(folder: Path, findings: Findings) -> object:
    found = read_loggers(folder, Settings(event_date=dt.date(2026, 1, 22)), blocks(), findings)
    # A logger that must be wrong is set aside with a warning.
    return found if found is not None else findings.warnings or None


def _hardiness(folder: Path, findings: Findings) -> object:
    return read_hardiness(folder, Settings(), blocks(variety="Riesling"), findings)


def _protection(folder: Path, findings: Findings) -> object:
    return read_protection(folder, Settings(), blocks(), findings)


def _layers(folder: Path, findings: Findings) -> object:
    return read_ground_layers(folder, Settings(), blocks(), findings) or None


def _done(folder: Path, findings: Findings) -> object:
    return read_done(folder, findings)


def _understood(folder: Path, findings: Findings) -> object:
    found = understand(sorted(folder.iterdir()))
    findings.problems += found.problems
    return found


def _told(read: Callable[[Path], object]) -> Reader:
    """Make a reader of one that raises what it finds."""

    def told(folder: Path, findings: Findings) -> object:
        try:
            return read(folder)
        except InputError as error:
            findings.problems += error.problems
            return None

    return told


_shoots = _told(lambda folder: read_shoots(folder / "shoots.csv", {"A1", "B1"}))
_region = _told(lambda folder: read_region(folder, folders_in(folder), "Lake"))
_run = _told(lambda folder: read_earlier(folder, blocks()))

READERS: dict[str, Reader] = {
    **dict.fromkeys(
        (f"blocks.{ending}" for ending in ("geojson", "gpkg", "shp", "fgb", "kml", "kmz", "parquet")), _blocks
    ),
    **dict.fromkeys(("blocks.prj", "blocks.dbf", "blocks.shx"), _blocks),
    "rows.geojson": _rows,
    **dict.fromkeys(("samples.csv", "samples.gpx"), _samples),
    **dict.fromkeys(("buds.csv", "buds.xlsx"), _buds),
    "wood.csv": _wood,
    "shoots.csv": _shoots,
    **dict.fromkeys(("elevation.tif", "elevation.tif.aux.xml"), _elevation),
    "layers/vigour.tif": _layers,
    **dict.fromkeys(("loggers.csv", "loggers/N1.csv"), _loggers),
    "hardiness.csv": _hardiness,
    "protection.geojson": _protection,
    "done.csv": _done,
    "vinemap.toml": _settings,
    **dict.fromkeys(("region.csv", "region.toml", "districts.geojson"), _region),
    **dict.fromkeys(("run.json", "vineyard.gpkg", "injury.tif"), _run),
    **dict.fromkeys(("field sheet.xlsx", "field sheet.csv", "outlines.kml"), _understood),
}
"""Each file, and what reads the input that it belongs to."""

_TABLES = {
    "vinemap.toml": _SETTINGS,
    "wood.csv": "sample,tissue,phloem,visit\nA1,trunk,alive,winter\nA1,cane,dead,\n",
    "shoots.csv": "sample,nodes,shoots,stage\nA1,20,12,E-L 7\nB1,18,3,BBCH 11\n",
    "hardiness.csv": "variety,date,lt10_c,lt50_c,lt90_c\nRiesling,2026-01-22,-19.5,-22.1,-24.0\n",
    "done.csv": "block,zone,task,mark,set,initials,time,vines\n"
    "Ash,1,keep_more,done,yes,AB,2026-02-14T09:30:00Z,800\nAsh,,check_wood,flagged,no,,2026-02-14T09:30:00Z,\n",
}


def write_every_format(home: Path) -> dict[str, Path]:
    """Write a faultless input for each file of `READERS`, each in a folder of its own; return the folders."""
    folders = {}
    for name in READERS:
        folder = folders[name] = home / name.replace(".", "_").replace("/", "_")
        folder.mkdir()
        _write(folder, name)
    return folders


def _write(folder: Path, name: str) -> None:
    """Write an input, and what is read with it."""
    path = folder / name
    if name in _TABLES:
        path.write_text(_TABLES[name])
    elif name in _WRITERS:
        _WRITERS[name](path)
    else:
        _write_shapes(path.with_suffix(".shp") if path.suffix in (".prj", ".dbf", ".shx") else path)


def _write_table(path: Path) -> None:
    table: pd.DataFrame = samples_table() if path.stem == "samples" else buds_table()
    if path.stem == "field sheet":
        table = samples_table().merge(table, on="sample").drop(columns=["tertiary"])
    if path.suffix == ".xlsx":
        table.to_excel(path, index=False)
    else:
        table.to_csv(path, index=False)


def _write_field_sheet(path: Path) -> None:
    """Write outlines, and a table with samples, their places and buds."""
    _write_shapes(path.with_name("outlines.kml"))
    _write_table(path if path.stem == "field sheet" else path.with_name("field sheet.csv"))


def _write_region(path: Path) -> None:
    (path.parent / "hill").mkdir()
    (path.parent / "hill" / "samples.csv").write_text("sample,lon,lat\n")
    path.with_name("region.csv").write_text("folder,district,grower,area_weight,share\nhill,Lakeside,Ana,1.5,yes\n")
    path.with_name("region.toml").write_text('name = "Lake"\nfewest_growers = 4\nevent_date = 2026-01-22\n')
    outline = blocks().iloc[:1].rename(columns={"block": "district"}).assign(district="Lakeside")
    outline.to_crs(4326).to_file(path.with_name("districts.geojson"))


def _write_protection(path: Path) -> None:
    points = [Point(EAST + 50, NORTH + 50), Point(EAST + 170, NORTH + 50)]
    frame = {"kind": ["wind_machine", "heater"], "reach_m": [60.0, 20.0], "ran": ["yes", "no"]}
    gpd.GeoDataFrame(frame, geometry=points, crs=CRS).to_file(path)


def _write_shapes(path: Path) -> None:
    frame = vine_rows() if path.stem == "rows" else blocks(variety="Riesling", vines=2000)
    if path.suffix in (".geojson", ".fgb", ".shp"):
        frame.to_file(path)
    elif path.suffix == ".gpkg":
        frame.to_file(path, layer="blocks")
    elif path.suffix == ".kml":
        frame.to_crs(4326).rename(columns={"block": "Name"}).to_file(path, driver="LIBKML")
    elif path.suffix == ".kmz":
        _write_shapes(path.with_suffix(".kml"))
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.write(path.with_suffix(".kml"), "doc.kml")
        path.with_suffix(".kml").unlink()
    elif path.suffix == ".parquet":
        frame.to_parquet(path)
    else:
        points = samples().to_crs(4326).rename(columns={"sample": "name"})
        gpd.GeoDataFrame(points).to_file(path, driver="GPX", layer="waypoints")


def _write_grid(path: Path) -> None:
    path.parent.mkdir(exist_ok=True)
    grid = path.with_name("elevation.tif") if path.suffix == ".xml" else path
    write_elevation(grid, compress="deflate")
    if path.stem == "vigour":
        return
    band = '<PAMRasterBand band="1"><NoDataValue>7</NoDataValue><UnitType>m</UnitType></PAMRasterBand>'
    notes = f"<PAMDataset><SRS>EPSG:32618</SRS>{band}</PAMDataset>"
    grid.with_name("elevation.tif.aux.xml").write_text(notes)


def _write_loggers(path: Path) -> None:
    folder = path.parent.parent if path.parent.name == "loggers" else path.parent
    (folder / "loggers").mkdir()
    points = gpd.GeoSeries([Point(EAST + 50, NORTH + 50), Point(EAST + 170, NORTH + 50)], crs=CRS).to_crs(4326)
    pd.DataFrame({"logger": ["N1", "N2"], "lon": points.x, "lat": points.y}).to_csv(folder / "loggers.csv", index=False)
    for name in ("N1", "N2"):
        times = [dt.datetime(2026, 1, 20) + dt.timedelta(minutes=30 * step) for step in range(192)]
        cold = [f"{time:%Y-%m-%d %H:%M},{-12 - abs(time.hour - 15) - time.minute / 60:.1f}" for time in times]
        (folder / "loggers" / f"{name}.csv").write_text("\n".join(["time,temp_c", *cold]) + "\n")


def _write_run(path: Path) -> None:
    """Write what is read of an earlier run."""
    out = path.parent
    y, x = NORTH + 100 - 10 * (np.arange(10) + 0.5), EAST + 10 * (np.arange(34) + 0.5)
    share = np.full((10, 34), 0.4, np.float32)
    grid = xr.Dataset({name: (("y", "x"), share) for name in BANDS}, coords={"y": y, "x": x}).rio.write_crs(CRS)
    write_injury(grid, out / "injury.tif")
    write_geopackage({"blocks": blocks(injury_pct=40.0, map_injury_pct=40.0)}, out / "vineyard.gpkg")
    own = {"vinemap": "1", "name": "Hof", "event_date": "2024-01-20", "made": "2024-02-01T09:00:00+00:00"}
    settings = {"language": "es", "units": "us"}
    report = {**own, "settings": settings, "inputs": {"buds.csv": "0"}, "after": ["2022-01-20"]}
    (out / "run.json").write_text(json.dumps(report))


_WRITERS: dict[str, Callable[[Path], None]] = {
    **dict.fromkeys(("samples.csv", "buds.csv", "buds.xlsx"), _write_table),
    **dict.fromkeys(("elevation.tif", "elevation.tif.aux.xml", "layers/vigour.tif"), _write_grid),
    **dict.fromkeys(("loggers.csv", "loggers/N1.csv"), _write_loggers),
    "protection.geojson": _write_protection,
    **dict.fromkeys(("region.csv", "region.toml", "districts.geojson"), _write_region),
    **dict.fromkeys(("run.json", "vineyard.gpkg", "injury.tif"), _write_run),
    **dict.fromkeys(("field sheet.xlsx", "field sheet.csv", "outlines.kml"), _write_field_sheet),
}


def damaged(data: bytes, chance: Random) -> bytes:
    """Return bytes with one to six faults: bits turned, pieces cut out, doubled, moved, or replaced by tokens."""
    found = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(found) + 1)
        length = chance.choice((1, 2, 4, 8, chance.randint(1, 300)))
        fault = chance.randrange(6)
        if fault == 0 and at < len(found):
            found[at] ^= 1 << chance.randrange(8)
        elif fault == 1:
            del found[at : at + length]
        elif fault == 2:
            found[at:at] = found[at : at + length]
        elif fault == 3:
            source = chance.randrange(len(found) + 1)
            found[at : at + length] = found[source : source + length]
        elif fault == 4:
            token = chance.choice(_TOKENS)
            found[at : at + chance.choice((0, len(token)))] = token
        elif chance.randrange(4) == 0:
            del found[at:]
    return bytes(found)
