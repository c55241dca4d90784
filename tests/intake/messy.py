"""A survey of an invented vineyard as people keep it, and the tidy folder of the same vines and buds."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd

from tests.builders import CRS, square

NAMES = ("Block 1 - Riesling N. 4", "Block 2 - Vidal", "Block 3 - Concord upper")
"""Of the outlines; the tables say Blk 1, 2 and Cuartel 3."""
TROUBLES = (
    "an outline with heights",
    "a point and a line among the outlines",
    "outlines in a folder",
    "names matched by number",
    "a title above the header",
    "headings of two rows, merged",
    "an empty column",
    "a totals row that is no sample",
    "a remark under the table",
    "a hidden sheet",
    "a sheet a block, its name in the title",
    "live and dead without a total",
    "one line a cane with a column a node",
    "codes with a legend",
    "a header repeated in the middle",
    "canes without a number",
    "a percentage and a count",
    "decimal commas and semicolons",
    "Windows-1252",
    "headings in Spanish",
    "an average row",
    "UTF-16",
    "codes of a whole cane in a cell",
    "1 and 0 that nothing explains",
    "a sample entered twice",
    "latitude and longitude swapped",
    "facts of blocks in feet and acres",
    "rows from north to south",
    "nodes and counts in one survey",
)


def truth() -> dict[str, list[list[bool]]]:
    """Return whether each node is dead, of each cane of each sample."""
    return {
        f"{block}{number}": [
            [(7 * node + 5 * cane + 3 * number + 2 * k) % 9 < 2 + 2 * k for node in range(8)] for cane in range(2)
        ]
        for k, block in enumerate("ABC")
        for number in range(1, 7)
    }


def _points() -> gpd.GeoSeries:
    east = [120.0 * k + 10 + 15 * number for k in range(3) for number in range(6)]
    north = [20.0 + 12 * (number % 5) for k in range(3) for number in range(6)]
    corners = [square(x, y, 1).exterior.coords[0] for x, y in zip(east, north, strict=True)]
    return gpd.GeoSeries(gpd.points_from_xy(*zip(*corners, strict=True)), index=list(truth()), crs=CRS).to_crs(4326)


def _outlines() -> gpd.GeoSeries:
    return gpd.GeoSeries([square(120.0 * k, 0.0) for k in range(3)], crs=CRS).to_crs(4326)


def write_tidy(folder: Path) -> Path:
    """Write the survey as vinemap wants it."""
    folder.mkdir()
    frame = {
        "block": NAMES,
        "variety": ["Riesling", "Vidal blanc", "Concord"],
        "row_spacing_m": 9 * 0.3048,
        "vine_spacing_m": 6 * 0.3048,
        "row_bearing_deg": 0.0,
    }
    gpd.GeoDataFrame(frame, geometry=_outlines().to_numpy(), crs=4326).to_file(
        folder / "blocks.geojson", driver="GeoJSON"
    )
    points = _points()
    pd.DataFrame(
        {"sample": points.index, "lon": points.x.round(7).to_numpy(), "lat": points.y.round(7).to_numpy()}
    ).to_csv(folder / "samples.csv", index=False)
    rows = [(name, sum(map(len, canes)), sum(map(sum, canes))) for name, canes in truth().items()]
    pd.DataFrame(rows, columns=["sample", "nodes", "primary_dead"]).to_csv(folder / "buds.csv", index=False)
    return folder


def write_messy(folder: Path) -> list[Path]:
    """Write the survey with all of `TROUBLES`; return the files."""
    folder.mkdir()
    return [_kml(folder / "vineyard.kml"), _book(folder / "Bud survey 2026.xlsx"), _spanish(folder / "cuartel 3.csv"),
            _checked_again(folder / "again.csv")]  # fmt: skip


def _kml(path: Path) -> Path:
    marks = []
    for name, shape in zip(NAMES, _outlines(), strict=True):
        ring = " ".join(f"{x:.12f},{y:.12f},212.0" for x, y in shape.exterior.coords)
        marks.append(
            f"<Placemark><name>{name}</name><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates>"
            "</LinearRing></outerBoundaryIs></Polygon></Placemark>"
        )
    x, y = _outlines()[0].exterior.coords[0]
    barn = f"<Placemark><name>Barn</name><Point><coordinates>{x},{y - 0.001}</coordinates></Point></Placemark>"
    way = f"{x},{y} {x},{y + 0.001}"
    lane = f"<Placemark><name>Lane</name><LineString><coordinates>{way}</coordinates></LineString></Placemark>"
    inside = f"<Folder><name>Blocks</name>{''.join(marks)}</Folder><Folder><name>Other</name>{barn}{lane}</Folder>"
    path.write_text(
        f'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{inside}</Document></kml>'
    )
    return path


def _book(path: Path) -> Path:
    book = openpyxl.Workbook()
    counts = book.active
    counts.title = "Blk 1"
    counts.append(["Winter bud survey, after the freeze"])
    counts.append(["Block: Blk 1"])
    counts.append([])
    counts.append(["Vine", None, "Primary", None])
    counts.append([None, None, "Live", "Dead"])
    counts.merge_cells("C4:D4")
    counts.merge_cells("A4:A5")
    sums = {name: (sum(map(sum, canes)), sum(map(len, canes))) for name, canes in truth().items()}
    ours = [name for name in sums if name.startswith("A")]
    for name in ours:
        counts.append([name, None, sums[name][1] - sums[name][0], sums[name][0]])
    total = [sum(sums[name][1] - sums[name][0] for name in ours), sum(sums[name][0] for name in ours)]
    counts.append(["Total", None, *total])
    counts.append([])
    counts.append(["Cut on the bench the day after; two canes a vine."])

    canes = book.create_sheet("Blk 2")
    head = ["Vine", *(f"N{node}" for node in range(1, 9))]
    canes.append(head)
    for name, its in truth().items():
        if name.startswith("B"):
            if name == "B4":
                canes.append(head)
            for nodes in its:
                canes.append([name, *("B" if gone else "G" for gone in nodes)])
    canes.append(["G = green, B = brown"])

    hidden = book.create_sheet("prices")
    hidden.append(["item", "cost"])
    hidden.append(["twine", 12])
    hidden.sheet_state = "hidden"

    places = book.create_sheet("GPS")
    places.append(["Vine", "Latitude", "Longitude"])
    for name, point in _points().items():
        if name.startswith("A"):
            places.append([name, round(point.x, 7), round(point.y, 7)])  # swapped
        elif name.startswith("B"):
            places.append([name, round(point.y, 7), round(point.x, 7)])
    facts = book.create_sheet("Blocks")
    facts.append(["Block", "Variety", "Spacing (ft)", "Acres", "Row direction"])
    for number, variety in enumerate(("Riesling", "Vidal blanc", "Concord"), start=1):
        facts.append([f"Blk {number}", variety, "9 x 6", 2.47, "N-S"])
    book.save(path)
    return path


def _spanish(path: Path) -> Path:
    lines = ["Muestra;Latitud;Longitud;% muertas;Yemas;Observación"]
    shares = []
    for name, point in _points().items():
        if name.startswith("C"):
            canes = truth()[name]
            gone, nodes = sum(map(sum, canes)), sum(map(len, canes))
            shares.append(100 * gone / nodes)
            share = f"{100 * gone / nodes:.1f}".replace(".", ",")
            lat, lon = (f"{value:.7f}".replace(".", ",") for value in (point.y, point.x))
            lines.append(f"{name};{lat};{lon};{share};{nodes};señal")
    lines.append(f"Promedio;;;{sum(shares) / len(shares):.1f};{16};".replace(".", ","))
    path.write_bytes("\r\n".join(lines).encode("cp1252"))
    return path


def _checked_again(path: Path) -> Path:
    """Write two samples read a second time, as 1 and 0, in UTF-16."""
    lines = ["Sample\tCane\tBuds"]
    for name in ("B1", "A2"):
        for cane, nodes in enumerate(truth()[name], start=1):
            lines.append(f"{name}\t{cane}\t{','.join('1' if gone else '0' for gone in nodes)}")
    path.write_bytes("\n".join(lines).encode("utf-16"))
    return path
