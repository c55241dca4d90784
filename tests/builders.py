"""Write small vineyard folders for tests: three square blocks of 1 ha in a row, two samples in each."""

from __future__ import annotations

import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely import LineString, Polygon

from vinemap.demo import SEED, Truth, write_demo
from vinemap.errors import InputError
from vinemap.reading.vineyard import read_vineyard

CRS = "EPSG:32618"
EAST, NORTH = 500_000.0, 4_800_000.0
BLOCKS = ("Ash", "Birch", "Cedar")
DEMO = Path(__file__).parents[1] / "demo_blocks"
"""The demonstration as it is committed, and, says `tests/test_demo.py`, as it is written: to read, or to copy."""
HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script></text></svg>",
    "<!--<script>",
    "{{ 7*7 }} {name} $block",
    "{% x %} {# y #}",
    "${alert(3)} `back` \"double\" 'single' \\",
    "\u202egnp.exe\u2066 \u2028\u2029",
    "🍇 Ñandú & Søn <b> &lt; ]]>",
)
"""Names that would do harm where they are taken for markup, a template or a script."""


class Html(HTMLParser):
    """A page's elements with their attributes, and its text in pieces, no-break spaces made plain."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(re.sub("[\u00a0\u202f]", " ", data))

    @property
    def frame(self) -> list[tuple[str, list[str]]]:
        """Every element with the names of its attributes: what no name of a block can change."""
        return [(tag, list(attributes)) for tag, attributes in self.elements]


def square(left: float, bottom: float, side: float = 100.0) -> Polygon:
    """Return a square, its corner so many metres east and north of the origin."""
    x, y = EAST + left, NORTH + bottom
    return Polygon([(x, y), (x + side, y), (x + side, y + side), (x, y + side)])


def blocks(**columns: object) -> gpd.GeoDataFrame:
    """Return the three blocks, of vinifera by default, 120 m from corner to corner, in UTM zone 18."""
    said = {"variety", "species_group", "Species Group"} & set(columns)
    frame = {"block": list(BLOCKS), **({} if said else {"species_group": "vinifera"}), **columns}
    return gpd.GeoDataFrame(frame, geometry=[square(120.0 * i, 0.0) for i in range(3)], crs=CRS)


def vine_rows(*numbers: int, block: str = "Ash", **columns: object) -> gpd.GeoDataFrame:
    """Return vine rows of the first block, 1 to 4 by default: 3 m apart from 1.5 m on, north from 1 m to 99 m."""
    numbers = numbers or (1, 2, 3, 4)
    lines = [LineString([(EAST + 3 * n - 1.5, NORTH + north) for north in (1, 99)]) for n in numbers]
    return gpd.GeoDataFrame({"block": block, "row": list(numbers), **columns}, geometry=lines, crs=CRS)


def samples() -> gpd.GeoDataFrame:
    """Return samples A1, A2, B1, … C2, two to a block, in UTM zone 18."""
    east = [EAST + 120 * i + step for i in range(3) for step in (30, 70)]
    names = [f"{block[0]}{number}" for block in BLOCKS for number in (1, 2)]
    points = gpd.points_from_xy(east, [NORTH + 50.0] * 6)
    return gpd.GeoDataFrame({"sample": names}, geometry=points, crs=CRS)


def samples_table() -> pd.DataFrame:
    """Return the samples with lon and lat."""
    points = samples().to_crs(4326)
    return pd.DataFrame({"sample": points["sample"], "lon": points.geometry.x, "lat": points.geometry.y})


def buds_table() -> pd.DataFrame:
    """Return four nodes on one cane of each sample; the third one is dead."""
    rows = [
        (name, 1, node, "dead" if node == 3 else "alive", "alive", "")
        for name in samples()["sample"]
        for node in range(1, 5)
    ]
    return pd.DataFrame(rows, columns=["sample", "cane", "node", "primary", "secondary", "tertiary"])


def write_elevation(path: Path, left: float = -100, top: float = 200, size: int = 60, **profile: object) -> np.ndarray:
    """Write a grid of 10 m cells whose height is its column plus its row, and return the heights."""
    z = np.add.outer(np.arange(size), np.arange(size)).astype("float32")
    settings = {"driver": "GTiff", "height": size, "width": size, "count": 1, "dtype": "float32", "crs": CRS}
    settings |= {"transform": from_origin(EAST + left, NORTH + top, 10, 10), **profile}
    with rasterio.open(path, "w", **settings) as grid:
        for band in grid.indexes:
            grid.write(z.astype(settings["dtype"]), band)
    return z


def write_vineyard(folder: Path, *, skip: tuple[str, ...] = ()) -> Path:
    """Write a faultless folder, without the stems that ``skip`` names."""
    if "blocks" not in skip:
        blocks().to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    if "samples" not in skip:
        samples_table().to_csv(folder / "samples.csv", index=False)
    if "buds" not in skip:
        buds_table().to_csv(folder / "buds.csv", index=False)
    return folder


def write_demo_again(folder: Path, seed: int = SEED) -> Truth:
    """Write the demonstration anew, but for the map of its earlier freeze, which is copied as it is committed."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("vinemap.demo._earlier_run", lambda _: None)
        patch.setattr("vinemap.demo._write_earlier", lambda _, out: shutil.copytree(DEMO / out.name, out))
        return write_demo(folder, seed)


def write_part_of_demo(folder: Path, *names: str, loggers: bool = False) -> Path:
    """Write the demonstration's vineyard with the blocks of these names alone: with two, and with no loggers, it is
    mapped in a sixth of the time."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    if not loggers:
        (folder / "loggers.csv").unlink()
    outlines = gpd.read_file(DEMO / "blocks.geojson")
    outlines[outlines["block"].isin(names)].to_file(folder / "blocks.geojson", driver="GeoJSON")
    samples = pd.read_csv(DEMO / "samples.csv", dtype=str, keep_default_na=False)
    samples = samples[samples["block"].isin(names)]
    samples.to_csv(folder / "samples.csv", index=False)
    for stem in ("buds", "wood", "shoots"):
        table = pd.read_csv(DEMO / f"{stem}.csv", dtype=str, keep_default_na=False)
        table[table["sample"].isin(samples["sample"])].to_csv(folder / f"{stem}.csv", index=False)
    return folder


def write_hollow_vineyard(folder: Path) -> Path:
    """Write one block of 2 ha and 4,000 vines: its west half in a hollow, where 89 % of buds are dead, the east fine.

    Beside it stands a block of one task. Thirty samples, of two canes of ten nodes each, are spread over both.
    """
    frame = {"block": ["Hollow", "Level"], "vines": [4000, 2000], "nodes_per_vine": 30.0}
    outlines = [square(0, 0, 200), square(260, 0, 140)]
    gpd.GeoDataFrame(frame, geometry=outlines, crs=CRS).to_file(folder / "blocks.gpkg")
    places = [(20.0 + 40 * i, 20.0 + 40 * j) for i in range(5) for j in range(5) if i != 2]
    places += [(280.0 + 50 * i, 20.0 + 50 * j) for i in range(2) for j in range(2)]
    names = [f"s{k}" for k in range(len(places))]
    points = gpd.GeoSeries(gpd.points_from_xy(*(np.array(places) + np.array([EAST, NORTH])).T), crs=CRS).to_crs(4326)
    pd.DataFrame({"sample": names, "lon": points.x, "lat": points.y}).to_csv(folder / "samples.csv", index=False)
    rows = []
    for name, (east, _) in zip(names, places, strict=True):
        dead = 18 if east < 100 else 1
        rows += [(name, 1 + k // 10, 1 + k % 10, "dead" if (7 * k) % 20 < dead else "alive") for k in range(20)]
    pd.DataFrame(rows, columns=["sample", "cane", "node", "primary"]).to_csv(folder / "buds.csv", index=False)
    (folder / "vinemap.toml").write_text("[surface]\ncell_m = 10.0\n", encoding="utf-8")
    return folder


def write_large_vineyard(folder: Path, count: int = 500) -> Path:
    """Write so many blocks in rows of 25, ten samples in each, fifteen nodes of each; all primaries dead."""
    places = np.array([(120.0 * (i % 25), 120.0 * (i // 25)) for i in range(count)])
    frame = {"block": [f"b{i}" for i in range(count)]}
    gpd.GeoDataFrame(frame, geometry=[square(*place) for place in places], crs=CRS).to_file(folder / "blocks.gpkg")
    owner = np.repeat(np.arange(count), 10)
    east = EAST + places[owner, 0] + np.tile(np.arange(5, 95, 9), count)
    points = gpd.GeoSeries(gpd.points_from_xy(east, NORTH + 50 + places[owner, 1]), crs=CRS).to_crs(4326)
    names = [f"s{i}" for i in range(len(owner))]
    pd.DataFrame({"sample": names, "lon": points.x, "lat": points.y}).to_csv(folder / "samples.csv", index=False)
    buds = {"sample": np.repeat(names, 15), "cane": 1, "node": np.tile(np.arange(1, 16), len(names))}
    buds |= {"primary": "dead", "secondary": "alive", "tertiary": ""}
    pd.DataFrame(buds).to_csv(folder / "buds.csv", index=False)
    return folder


def problems(folder: Path) -> list[str]:
    """Return the problems of a folder as they are printed; none where it reads."""
    try:
        read_vineyard(folder)
    except InputError as error:
        return [str(problem) for problem in error.problems]
    return []


def only_problem(folder: Path) -> str:
    """Return the one problem of a folder."""
    (problem,) = problems(folder)
    return problem


def shoot_rows(**columns: object) -> pd.DataFrame:
    """Return rows of shoots as they are read: what is not given was not looked at."""
    rows = pd.DataFrame(columns)
    for name in ("primary_frozen", "secondary_frozen", "suckers", "vines"):
        rows[name] = rows[name].astype(float) if name in rows else float("nan")
    if "stage" not in rows:
        rows["stage"] = None
    return rows
