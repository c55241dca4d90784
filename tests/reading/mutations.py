"""A folder in every format that is read, and damage done to its files."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path
from random import Random

import geopandas as gpd
import pandas as pd

from tests.builders import blocks, buds_table, samples, samples_table, vine_rows, write_elevation
from vinemap.errors import Findings
from vinemap.reading.blocks import read_blocks
from vinemap.reading.buds import read_buds
from vinemap.reading.elevation import read_elevation
from vinemap.reading.row_layer import read_rows
from vinemap.reading.samples import read_samples
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


READERS: dict[str, Reader] = {
    **dict.fromkeys(
        (f"blocks.{ending}" for ending in ("geojson", "gpkg", "shp", "fgb", "kml", "kmz", "parquet")), _blocks
    ),
    **dict.fromkeys(("blocks.prj", "blocks.dbf", "blocks.shx"), _blocks),
    "rows.geojson": _rows,
    **dict.fromkeys(("samples.csv", "samples.gpx"), _samples),
    **dict.fromkeys(("buds.csv", "buds.xlsx"), _buds),
    **dict.fromkeys(("elevation.tif", "elevation.tif.aux.xml"), _elevation),
    "vinemap.toml": _settings,
}
"""Each file, and what reads the input that it belongs to."""


def write_every_format(home: Path) -> dict[str, Path]:
    """Write a faultless input for each file of `READERS`, each in a folder of its own; return the folders."""
    folders = {}
    for name in READERS:
        stem, _, ending = name.partition(".")
        kind = "shp" if ending in ("prj", "dbf", "shx") else ending
        folder = folders[name] = home / name.replace(".", "_")
        folder.mkdir()
        _write(folder / f"{stem}.{kind}")
    return folders


def _write(path: Path) -> None:
    frame = vine_rows() if path.stem == "rows" else blocks(variety="Riesling", vines=2000)
    if path.suffix in (".geojson", ".fgb", ".shp"):
        frame.to_file(path)
    elif path.suffix == ".gpkg":
        frame.to_file(path, layer="blocks")
    elif path.suffix == ".kml":
        frame.to_crs(4326).rename(columns={"block": "Name"}).to_file(path, driver="LIBKML")
    elif path.suffix == ".kmz":
        _write(path.with_suffix(".kml"))
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.write(path.with_suffix(".kml"), "doc.kml")
        path.with_suffix(".kml").unlink()
    elif path.suffix == ".parquet":
        frame.to_parquet(path)
    elif path.suffix == ".gpx":
        points = samples().to_crs(4326).rename(columns={"sample": "name"})
        gpd.GeoDataFrame(points).to_file(path, driver="GPX", layer="waypoints")
    elif path.suffix in (".tif", ".xml"):
        write_elevation(path.with_name("elevation.tif"), compress="deflate")
        band = '<PAMRasterBand band="1"><NoDataValue>7</NoDataValue><UnitType>m</UnitType></PAMRasterBand>'
        notes = f"<PAMDataset><SRS>EPSG:32618</SRS>{band}</PAMDataset>"
        path.with_name("elevation.tif.aux.xml").write_text(notes)
    elif path.suffix == ".xlsx":
        buds_table().to_excel(path, index=False)
    elif path.suffix == ".toml":
        path.write_text(_SETTINGS)
    else:
        table: pd.DataFrame = samples_table() if path.stem == "samples" else buds_table()
        table.to_csv(path, index=False)


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
