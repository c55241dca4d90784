"""Where samples lie: by coordinates in any usual writing, by a point, by block, row and vine, or by block alone."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import ProjError

from vinemap.arrays import Array
from vinemap.errors import Findings
from vinemap.intake.coordinates import Angle, angle, both
from vinemap.intake.headings import Headed, plain
from vinemap.intake.lexicon import fold, role_of
from vinemap.intake.naming import match_names
from vinemap.intake.questions import Choice, Proposal, settled
from vinemap.intake.sources import Layer
from vinemap.reading.cells import blank, show
from vinemap.reading.crs import LONLAT
from vinemap.reading.drawn_rows import DrawnRows
from vinemap.reading.frames import block_frames, countable
from vinemap.reading.rows import NoSuchVineError, locate
from vinemap.reading.vines import NEEDED
from vinemap.sentences import Figure, Listed, Sentence

COLUMNS = ("sample", "lon", "lat", "block", "row", "vine", "date")
"""Columns of the samples, as a vineyard folder has them."""

# In degrees: how near a block a sample may stand, and how far off it is in doubt. About 50 m and 2 km.
_NEAR, _FAR = 0.0005, 0.02
# Share of the places that have to fall into the blocks for a CRS to fit them.
_MOST = 0.8
# Two places of one sample, and two CRSs, are one within so many metres.
_SAME_M = 15.0
_GEOD = Geod(ellps="WGS84")
_NUMBERED = re.compile(r"(?:r|row|hilera|fila|h|v|vine|cepa|planta|plant|vid|c|p)?\s*[.#:-]?\s*([0-9]{1,6})(?:\.0+)?")
# What may be wrong with longitude and latitude, and what the right ones are then.
_READINGS = {
    "swapped": (1, 1, True),
    "east_west": (-1, 1, False),
    "north_south": (1, -1, False),
    "both_signs": (-1, -1, False),
    "swapped_east_west": (-1, 1, True),
    "swapped_north_south": (1, -1, True),
    "swapped_both_signs": (-1, -1, True),
}


@dataclass
class Placed:
    """What a table or a layer says of the places of samples.

    Attributes
    ----------
    samples : DataFrame
        A row a sample, with `COLUMNS`: lon and lat in degrees, NaN where no point is known; block as the outlines are
        called, row and vine where they can be counted; missing where nothing is said.
    proposals : list of Proposal
    notes : list of Sentence
    findings : Findings
        What has to be mended.
    """

    samples: pd.DataFrame
    proposals: list[Proposal] = field(default_factory=list)
    notes: list[Sentence] = field(default_factory=list)
    findings: Findings = field(default_factory=Findings)


@dataclass
class _Spot:
    """What rows say of one sample: cells by role, each with the number of its row."""

    name: str
    row: int
    said: dict[str, tuple[object, int]] = field(default_factory=dict)
    xy: tuple[float, float] | None = None


def sample_places(
    source: Headed | Layer,
    blocks: gpd.GeoDataFrame,
    answers: Mapping[str, str],
    known: Sequence[str] | None = None,
    hints: Iterable[CRS] = (),
    roles: Mapping[str, int] | None = None,
    drawn: gpd.GeoDataFrame | None = None,
) -> Placed:
    """Read where samples lie.

    Parameters
    ----------
    source : Headed or Layer
        A table, a sample in one row or in several; or points, in longitude and latitude.
    blocks : GeoDataFrame
        block, outlines in longitude and latitude, and the facts by which rows and vines are counted.
    answers : mapping
        To proposals, by their key.
    known : sequence of str, optional
        Samples as the table of buds calls them; what is like none of them is noted and left out.
    hints : iterable of CRS
        CRSs that eastings and northings may be in, beside the UTM zones of the blocks.
    roles : mapping, optional
        Which column of a table has which role of `vinemap.intake.lexicon.role_of`; by their headings by default.
    drawn : GeoDataFrame, optional
        Vine rows that were drawn, as `vinemap.reading.row_layer.read_rows` gives them.

    Returns
    -------
    Placed
        Longitude and latitude swapped, or of the wrong sign, are mended and noted where nothing but the mended reading
        falls into the blocks. A sample that has a row and a vine of a block that cannot be counted is known by the
        block alone.
    """
    found = Placed(pd.DataFrame(columns=list(COLUMNS)))
    roles = _roles(source.names) if roles is None and isinstance(source, Headed) else roles or {}
    spots = _spots_of_points(source) if isinstance(source, Layer) else _spots_of_rows(source, roles, found)
    where = _where(source)
    spots = _known(spots, known, answers, where, found)
    if not spots:
        return found
    if isinstance(source, Headed):
        _read_coordinates(source, roles, spots, found)
        _read_projected(source, spots, blocks, answers, hints, found)
    _mend_axes(spots, blocks, where, found)
    home = _home_blocks(spots, blocks, answers, where, found)
    counted = _counted(source, spots, home, _frames(blocks, drawn) if home else {}, blocks, found)
    found.samples = pd.DataFrame(
        [
            {
                "sample": spot.name,
                "lon": np.nan if spot.xy is None else round(spot.xy[0], 8),
                "lat": np.nan if spot.xy is None else round(spot.xy[1], 8),
                "block": home.get(spot.name),
                "row": counted.get(spot.name, (None, None))[0],
                "vine": counted.get(spot.name, (None, None))[1],
                "date": spot.said.get("date", (None, 0))[0],
            }
            for spot in spots
        ],
        columns=list(COLUMNS),
    )
    return found


def _where(source: Headed | Layer) -> str:
    return source.source if isinstance(source, Headed) else source.file


def _roles(names: Sequence[str]) -> dict[str, int]:
    """Return the first column of each role."""
    roles: dict[str, int] = {}
    for place, name in enumerate(names):
        role = role_of(name)
        if role is not None:
            roles.setdefault(role, place)
    if "sample" not in roles and "name" in roles:
        roles["sample"] = roles["name"]
    return roles


_SAID = ("lon", "lat", "easting", "northing", "place", "block", "row", "vine", "date")


def _spots_of_rows(table: Headed, roles: Mapping[str, int], found: Placed) -> list[_Spot]:
    """Return the samples of a table; name, once a sample, what its rows contradict each other in."""
    spots: dict[str, _Spot] = {}
    faulty: set[tuple[str, str]] = set()
    for number, cells in table.rows:
        name = plain(cells[roles["sample"]]) if "sample" in roles else ""
        if not name:
            continue
        spot = spots.setdefault(name, _Spot(name, number))
        for role in _SAID:
            cell = cells[roles[role]] if role in roles else None
            if blank(cell):
                continue
            earlier, row = spot.said.setdefault(role, (cell, number))
            differs = role != "date" and fold(plain(earlier)) != fold(plain(cell))
            if differs and (name, role) not in faulty:
                faulty.add((name, role))
                found.findings.problem(
                    table.source,
                    number,
                    table.names[roles[role]],
                    Sentence(
                        "fault.two_of_sample",
                        cell=show(plain(cell)),
                        sample=show(name),
                        other=show(plain(earlier)),
                        row=str(row),
                    ),
                    Sentence("remedy.two_of_sample"),
                )
    return list(spots.values())


def _spots_of_points(layer: Layer) -> list[_Spot]:
    """Return the points of a layer that have a name."""
    frame = layer.frame
    names = [str(name) for name in frame.drop(columns=frame.geometry.name) if not frame[name].map(blank).all()]
    # The formats of globes and receivers call it so.
    given = next((name for name in names if fold(name) == "name"), None)
    roles = _roles(names)
    if given is not None and layer.file.lower().endswith((".kml", ".kmz", ".gpx")):
        roles["sample"] = names.index(given)
    if "time" in names:
        roles.setdefault("date", names.index("time"))
    if "sample" not in roles:
        return []
    spots: dict[str, _Spot] = {}
    cells_of = frame[names].itertuples(index=False, name=None)
    for number, (cells, point) in enumerate(zip(cells_of, frame.geometry, strict=True), start=2):
        name = plain(cells[roles["sample"]])
        if not name or shapely.get_num_geometries(point) != 1:
            continue
        said = {
            role: (cells[roles[role]], number) for role in _SAID[5:] if role in roles and not blank(cells[roles[role]])
        }
        single = shapely.get_geometry(point, 0)
        spots.setdefault(name, _Spot(name, number, said, (single.x, single.y)))
    return list(spots.values())


def _known(
    spots: list[_Spot], known: Sequence[str] | None, answers: Mapping[str, str], where: str, found: Placed
) -> list[_Spot]:
    """Return the spots that are samples, named as the table of buds names them."""
    if known is None or not spots:
        return spots
    matches = match_names([spot.name for spot in spots], known, answers, "sample", where, needed=())
    if set(matches.mapping) != set(matches.mapping.values()) or len(matches.proposals) > 1:
        found.proposals += matches.proposals
    others = [name for name in matches.unmatched if not any(name in p.examples for p in matches.proposals)]
    if others:
        found.notes.append(Sentence.counted("import.note.no_sample", len(others), file=where, names=Listed(others)))
    kept: dict[str, _Spot] = {}
    for spot in spots:
        if spot.name in matches.mapping:
            name = matches.mapping[spot.name]
            kept.setdefault(name, _Spot(name, spot.row, spot.said, spot.xy))
    return list(kept.values())


def _read_coordinates(table: Headed, roles: Mapping[str, int], spots: Sequence[_Spot], found: Placed) -> None:
    """Read longitude and latitude of each spot; one problem a column for what is neither."""
    wrong: dict[str, list[tuple[int, object]]] = {}
    for spot in spots:
        pairs = [
            role for role in ("place", "lat", "lon") if role in spot.said and _pair(spot.said[role][0]) is not None
        ]
        if pairs:
            spot.xy = _ordered(*_pair(spot.said[pairs[0]][0]) or (None, None))
            continue
        angles = {role: angle(plain(spot.said[role][0])) for role in ("lon", "lat", "place") if role in spot.said}
        for role, one in angles.items():
            if one is None or role == "place":
                wrong.setdefault(role, []).append((spot.said[role][1], spot.said[role][0]))
        lat, lon = angles.get("lat"), angles.get("lon")
        if lat is not None and lon is not None and max(abs(lat.degrees), abs(lon.degrees)) <= 360:
            spot.xy = _ordered(lat, lon)
    for column, rows in wrong.items():
        number, cell = rows[0]
        more = Sentence("fault.rows_so", count=Figure(len(rows))) if len(rows) > 1 else ""
        found.findings.problem(
            table.source,
            number,
            table.names[roles[column]],
            Sentence("fault.strange.place", cell=show(plain(cell)), more=more),
            Sentence("remedy.strange.place"),
        )


def _pair(cell: object) -> tuple[Angle, Angle] | None:
    return both(cell) if isinstance(cell, str) else None


def _ordered(first: Angle | None, second: Angle | None) -> tuple[float, float] | None:
    """Return longitude and latitude of two angles: latitude first, where no letter says otherwise."""
    if first is None or second is None:
        return None
    if first.axis == "lon" or second.axis == "lat":
        first, second = second, first
    return second.degrees, first.degrees


def _read_projected(
    table: Headed,
    spots: Sequence[_Spot],
    blocks: gpd.GeoDataFrame,
    answers: Mapping[str, str],
    hints: Iterable[CRS],
    found: Placed,
) -> None:
    """Read eastings and northings, in the CRS in which they fall into the blocks."""
    placed: list[tuple[_Spot, float, float]] = []
    for spot in spots:
        pair = ("easting", "northing") if "easting" in spot.said else ("lon", "lat")
        figures = [_figure(spot.said[role][0]) if role in spot.said else None for role in pair]
        if spot.xy is None and figures[0] is not None and figures[1] is not None:
            placed.append((spot, figures[0], figures[1]))
    if not placed:
        return
    xy = np.array([(x, y) for _, x, y in placed])
    # X and Y may be degrees.
    degrees = bool((np.abs(xy) <= (180, 90)).all())
    crs = LONLAT if degrees else _crs_of(table, xy, blocks, answers, hints, found)
    if crs is None:
        return
    for (spot, _, _), (lon, lat) in zip(placed, _lonlat(crs, xy), strict=True):
        spot.xy = (float(lon), float(lat))


def _figure(cell: object) -> float | None:
    if isinstance(cell, (int, float)):
        return float(cell)
    words = plain(cell).replace(" ", "").casefold().removesuffix("m").removesuffix("e").removesuffix("n")
    if words.count(",") == 1 and "." not in words and len(words.rpartition(",")[2]) != 3:
        words = words.replace(",", ".")
    try:
        return float(words.replace(",", ""))
    except ValueError:
        return None


def _crs_of(
    table: Headed,
    xy: Array,
    blocks: gpd.GeoDataFrame,
    answers: Mapping[str, str],
    hints: Iterable[CRS],
    found: Placed,
) -> CRS | None:
    """Return the CRS of projected places, as far as it is settled."""
    ground = _ground(blocks)
    candidates = [*hints, *_utm_zones(blocks)]
    fitting = [crs for crs in candidates if _fits(crs, xy, ground)]
    if not fitting:
        fitting = _distinct((crs for crs in _regional(blocks) if _fits(crs, xy, ground)), xy)
    fitting = _distinct(fitting, xy)
    offered = fitting or _utm_zones(blocks)
    proposal = Proposal(
        key=f"places.crs.{table.layout}",
        about=Sentence("import.places.crs", file=table.source),
        choices=tuple(Choice(crs.to_string(), Sentence("import.places.crs.is", crs=crs.name)) for crs in offered),
        value=fitting[0].to_string() if fitting else None,
        certain=len(fitting) == 1,
        examples=tuple(f"{x:.10g}, {y:.10g}" for x, y in xy[:3]),
    )
    found.proposals.append(proposal)
    answer = settled(proposal, answers)
    return None if answer is None else CRS.from_user_input(answer)


def _ground(blocks: gpd.GeoDataFrame) -> shapely.Geometry:
    """Return the ground on which samples are at home, in degrees."""
    return shapely.buffer(shapely.union_all(shapely.make_valid(blocks.geometry.to_numpy())), _NEAR)


def _utm_zones(blocks: gpd.GeoDataFrame) -> list[CRS]:
    """Return the WGS 84 UTM zone of the blocks and its neighbours."""
    left, bottom, right, top = blocks.total_bounds
    zone = int(((left + right) / 2 + 180) // 6) + 1
    first = 32600 if bottom + top >= 0 else 32700
    return [CRS.from_epsg(first + (number - 1) % 60 + 1) for number in (zone, zone - 1, zone + 1)]


def _regional(blocks: gpd.GeoDataFrame) -> Iterable[CRS]:
    """Yield the projected CRSs of the EPSG dataset that are made for where the blocks lie."""
    area = AreaOfInterest(*blocks.total_bounds)
    for info in query_crs_info("EPSG", pj_types=PJType.PROJECTED_CRS, area_of_interest=area, contains=True):
        yield CRS.from_epsg(info.code)


def _lonlat(crs: CRS, xy: Array) -> Array:
    try:
        return np.column_stack(Transformer.from_crs(crs, LONLAT, always_xy=True).transform(*xy.T))
    except ProjError:
        return np.full(xy.shape, np.inf)


def _fits(crs: CRS, xy: Array, ground: shapely.Geometry) -> bool:
    lonlat = _lonlat(crs, xy)
    known = np.isfinite(lonlat).all(axis=1)
    inside = np.zeros(len(xy), dtype=bool)
    inside[known] = shapely.contains_xy(ground, *lonlat[known].T)
    return float(inside.mean()) >= _MOST


def _distinct(found: Iterable[CRS], xy: Array) -> list[CRS]:
    """Return CRSs of which no two put the places on the same ground."""
    kept: list[tuple[CRS, Array]] = []
    for crs in found:
        lonlat = _lonlat(crs, xy)
        if all(_GEOD.inv(*lonlat[0], *other[0])[2] > _SAME_M for _, other in kept):
            kept.append((crs, lonlat))
    return [crs for crs, _ in kept]


def _mend_axes(spots: Sequence[_Spot], blocks: gpd.GeoDataFrame, where: str, found: Placed) -> None:
    """Exchange axes and turn signs where nothing else brings a sample into the blocks; one note a fault."""
    ground = _ground(blocks)
    mended: dict[str, list[str]] = {}
    for spot in spots:
        if spot.xy is None or shapely.distance(ground, shapely.Point(spot.xy)) <= _FAR:
            continue
        right = {}
        for fault, (east, north, swapped) in _READINGS.items():
            lon, lat = spot.xy[::-1] if swapped else spot.xy
            reading = (east * lon, north * lat)
            if shapely.contains_xy(ground, *reading):
                right[fault] = reading
        if len(right) == 1:
            ((fault, spot.xy),) = right.items()
            mended.setdefault(fault, []).append(spot.name)
    for fault, names in mended.items():
        parts = Sentence(f"import.note.axes.{fault}")
        all_of = len(names) == sum(spot.xy is not None for spot in spots)
        key = "import.note.axes.all" if all_of else "import.note.axes"
        shown = {} if all_of else {"names": Listed(names)}
        found.notes.append(Sentence(key, file=where, fault=parts, count=Figure(len(names)), **shown))


def _home_blocks(
    spots: Sequence[_Spot], blocks: gpd.GeoDataFrame, answers: Mapping[str, str], where: str, found: Placed
) -> dict[str, str]:
    """Return the block that each sample is said to be from, as the outlines are called."""
    written = {spot.name: plain(spot.said["block"][0]) for spot in spots if "block" in spot.said}
    needed = {written[spot.name] for spot in spots if spot.xy is None and spot.name in written}
    matches = match_names(list(written.values()), list(blocks["block"]), answers, where=where, needed=needed)
    found.proposals += matches.proposals
    strangers = [name for name in matches.unmatched if name not in needed]
    strangers = [name for name in strangers if not any(name in proposal.examples for proposal in matches.proposals)]
    if strangers:
        found.notes.append(
            Sentence.counted("import.note.by_point", len(strangers), file=where, names=Listed(strangers))
        )
    return {name: matches.mapping[block] for name, block in written.items() if block in matches.mapping}


def _counted(
    source: Headed | Layer,
    spots: Sequence[_Spot],
    home: Mapping[str, str],
    frames: Mapping[str, Any],
    blocks: gpd.GeoDataFrame,
    found: Placed,
) -> dict[str, tuple[int, int]]:
    """Return row and vine of the samples that are placed by them."""
    where = _where(source)
    numbers: dict[str, tuple[int, int]] = {}
    uncounted: dict[str, list[str]] = {}
    drawn = {name for name, frame in frames.items() if isinstance(frame, DrawnRows) and countable(frame)}
    lacking = {name: [] if name in drawn else _lacks(blocks, name) for name in set(home.values())}
    for spot in spots:
        if not {"row", "vine"} <= spot.said.keys() or spot.name not in home:
            continue
        row, vine = (_NUMBERED.fullmatch(fold(plain(spot.said[role][0]))) for role in ("row", "vine"))
        if row is None or vine is None:
            role = "row" if row is None else "vine"
            if spot.xy is None:
                message = Sentence(f"fault.no_{role}_number", cell=show(plain(spot.said[role][0])))
                found.findings.problem(where, spot.said[role][1], role, message, Sentence("remedy.first_vine_count"))
            continue
        block, pair = home[spot.name], (int(row[1]), int(vine[1]))
        if spot.xy is not None:
            numbers[spot.name] = pair
        elif lacking[block]:
            uncounted.setdefault(block, []).append(spot.name)
        else:
            numbers[spot.name] = pair
            _refuse_beyond(spot, pair, frames[block], where, found)
    if uncounted:
        needed = dict.fromkeys(name for block in uncounted for name in lacking[block])
        samples = [name for names in uncounted.values() for name in names]
        found.notes.append(
            Sentence.counted(
                "import.note.uncounted",
                len(samples),
                file=where,
                blocks=Listed(uncounted),
                needed=Listed(needed, together=True),
            )
        )
    return numbers


def _lacks(blocks: gpd.GeoDataFrame, block: str) -> list[str]:
    """Return the columns without which rows and vines of a block cannot be counted."""
    row = blocks[blocks["block"] == block].iloc[0]
    return [name for name in NEEDED if name not in row or pd.isna(row[name])]


def _frames(blocks: gpd.GeoDataFrame, drawn: gpd.GeoDataFrame | None) -> dict[str, Any]:
    metric = blocks.to_crs(blocks.estimate_utm_crs())
    for name in NEEDED[:2]:
        if name not in metric:
            metric[name] = np.nan
    rows = None if drawn is None else drawn.to_crs(metric.crs)
    return dict(zip(metric["block"], block_frames(metric, rows)[1], strict=True))


def _refuse_beyond(spot: _Spot, pair: tuple[int, int], frame: Any, where: str, found: Placed) -> None:
    """Name a row or a vine that the block does not have."""
    try:
        locate(frame, *pair)
    except NoSuchVineError as error:
        remedy = Sentence("remedy.vine.spacings")
        found.findings.problem(where, spot.said[error.axis][1], error.axis, error.fault, remedy)


def joined_places(sources: Sequence[Placed], samples: Sequence[str], findings: Findings) -> pd.DataFrame:
    """Put together what several files say of the places of samples.

    Parameters
    ----------
    sources : sequence of Placed
        What is said first of a sample stands.
    samples : sequence of str
        Samples in the order of the survey; others follow.
    findings : Findings
        Gets one problem for all samples whose points contradict each other.

    Returns
    -------
    DataFrame
        A row a sample that is placed, with those of `COLUMNS` that any row fills.
    """
    rows: dict[str, dict[str, Any]] = {}
    apart: dict[str, None] = {}
    for source in sources:
        for said in source.samples.to_dict("records"):
            name = str(said["sample"])
            row = rows.setdefault(name, {"sample": name})
            if "lon" in row and not blank(said["lon"]):
                away = _GEOD.inv(said["lon"], said["lat"], row["lon"], row["lat"])[2]
                apart |= {name: None} if away > _SAME_M else {}
            for column, cell in said.items():
                if not blank(cell):
                    row.setdefault(str(column), cell)
    if apart:
        message = Sentence("fault.points_apart", count=Figure(len(apart)), samples=Listed(apart))
        findings.problem("samples.*", None, "", message, Sentence("remedy.points_apart"))
    order = {name: place for place, name in enumerate(samples)}
    ordered = sorted(rows.values(), key=lambda row: order.get(row["sample"], len(order)))
    table = pd.DataFrame(ordered, columns=list(COLUMNS)).astype({"row": "Int64", "vine": "Int64"})
    return table[[name for name in table if name == "sample" or table[name].notna().any()]]
