"""Outlines of blocks out of layers that people drew: named polygons, lines that close, parts of one block."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import LineString, MultiLineString, Polygon
from shapely.geometry.base import BaseGeometry

from vinemap.errors import Findings
from vinemap.intake.headings import Headed, layout_mark, plain
from vinemap.intake.lexicon import fold, role_of
from vinemap.intake.naming import folded_name
from vinemap.intake.questions import Choice, Proposal, settled
from vinemap.intake.sources import Layer
from vinemap.reading.blocks import FARTHEST_LAT, made_valid, polygons_of
from vinemap.reading.cells import blank, text
from vinemap.reading.crs import LONLAT, layer_crs
from vinemap.reading.metric import metric_crs
from vinemap.reading.tabular import Cells, Table
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings

# Ground below which a drawing is a slip of the hand and no block, and the share of a block below which a part of it is.
_SLIP_M2, _SLIP_SHARE = 25.0, 0.01
# A line closes where its ends are so near, as a share of its length, and what it goes round is no thin strip.
_GAP_M, _GAP_SHARE = 15.0, 0.05
_LEAST_ROUND = 0.1
# Two drawings of one outline share so much of their ground; parts of one block lie so near each other.
_TWICE, _OVERLAP, _NEAR_M = 0.9, 0.2, 150.0
_HELD, _HOLDS = 0.9, 2
# How programs begin the name of a shape that nobody named.
_UNNAMED = (
    "untitled",
    "polygon",
    "path",
    "new polygon",
    "sin titulo",
    "poligono",
    "ruta sin",
    "track",
    "line",
    "shape",
)
_FORMAT_FIELDS = (
    "description timestamp begin end altitudemode tessellate extrude visibility draworder icon snippet fid id"
)
_OWN_FIELDS = frozenset(_FORMAT_FIELDS.split())
# What GPX has twice: the single points of its lines.
_POINTS_OF_LINES = ("route_points", "track_points")
_POLYGON = "draw the block's outline as a polygon"


@dataclass
class Outlines:
    """What drawn layers hold.

    Attributes
    ----------
    blocks : GeoDataFrame or None
        block (str, each once) and polygons in longitude and latitude; None where nothing is an outline.
    points : list of Layer
        The points, in longitude and latitude, with what their layers say of them.
    facts : list of Headed
        What the layers say of the outlines, by the name in ``blocks``.
    proposals : list of Proposal
    notes : list of Sentence
    findings : Findings
        What has to be mended in the files.
    unnamed : int
        Outlines that were given a name here.
    crss : list of CRS
        Projected ones, in which the outlines were drawn.
    """

    blocks: gpd.GeoDataFrame | None = None
    points: list[Layer] = field(default_factory=list)
    facts: list[Headed] = field(default_factory=list)
    proposals: list[Proposal] = field(default_factory=list)
    notes: list[Sentence] = field(default_factory=list)
    findings: Findings = field(default_factory=Findings)
    unnamed: int = 0
    crss: list[CRS] = field(default_factory=list)


@dataclass(frozen=True)
class _Drawn:
    """One shape that is, or may be, an outline.

    Attributes
    ----------
    name : str
    shape : BaseGeometry
        Longitude and latitude, later metres.
    file, layer : str
    row : int
        Of its feature, as an attribute table under its header numbers it.
    line : bool
        Whether it was drawn as a line.
    """

    name: str
    shape: BaseGeometry
    file: str
    layer: str
    row: int
    line: bool = False


def outlines(layers: Sequence[Layer], answers: Mapping[str, str]) -> Outlines:
    """Find the outlines of blocks in drawn layers.

    Parameters
    ----------
    layers : sequence of Layer
        All layers and folders of all files.
    answers : mapping
        To proposals, by their key.

    Returns
    -------
    Outlines
        What is no polygon is noted; points are left for samples. Asked are lines that close, outlines of one name that
        lie far apart or over each other, one outline under two names, and an outline around others.
    """
    found = Outlines()
    drawn: list[_Drawn] = []
    for layer in layers:
        drawn += _drawn_in(layer, answers, found)
    if not drawn:
        return found
    frame = gpd.GeoDataFrame(
        {"block": [one.name for one in drawn], "file": [one.file for one in drawn], "row": [one.row for one in drawn]},
        geometry=[one.shape for one in drawn],
        crs=LONLAT,
    )
    crs = metric_crs(frame, Settings(), found.findings)
    if crs is None:
        return found
    metric = frame.to_crs(crs).geometry
    drawn = [replace(one, shape=shape) for one, shape in zip(drawn, metric, strict=True)]
    drawn = _mended(_closed(drawn, answers, found), found)
    drawn = _without_boundaries(_one_a_name(_once_each(drawn, answers, found), answers, found), answers, found)
    if not drawn:
        return found
    names = [one.name for one in drawn]
    shapes = gpd.GeoSeries([one.shape for one in drawn], crs=crs).to_crs(LONLAT)
    found.blocks = gpd.GeoDataFrame({"block": names}, geometry=shapes.to_numpy(), crs=LONLAT)
    return found


def _drawn_in(layer: Layer, answers: Mapping[str, str], found: Outlines) -> list[_Drawn]:
    """Return what of a layer may be outlines; put its points aside, and note the rest."""
    frame = layer.frame
    if layer.file.lower().endswith(".gpx") and layer.layer in _POINTS_OF_LINES:
        return []
    there = frame.geometry.notna() & ~frame.geometry.is_empty
    if not there.all():
        found.notes.append(Sentence.counted("import.note.shapeless", int((~there).sum()), file=_where(layer)))
    numbers = np.arange(2, len(frame) + 2)[there]
    frame = frame[there].reset_index(drop=True)
    crs = layer_crs(Table(layer.file, (), [], [], frame.geometry), Settings(), found.findings) if len(frame) else None
    if crs is None:
        return []
    found.crss += [crs] if crs.is_projected and crs not in found.crss else []
    shapes = gpd.GeoSeries(shapely.force_2d(frame.geometry.to_numpy()), crs=crs).to_crs(LONLAT)
    frame = frame.set_geometry(_unswapped(shapes, layer, found))
    is_point = frame.geom_type.isin(("Point", "MultiPoint")).to_numpy()
    if is_point.any():
        found.points.append(Layer(layer.file, layer.layer, frame[is_point].reset_index(drop=True)))
    frame, numbers = frame[~is_point].reset_index(drop=True), numbers[~is_point]
    return _named(layer, frame, numbers, answers, found) if len(frame) else []


def _where(layer: Layer) -> str:
    inner = layer.layer is not None and fold(layer.layer) != fold(layer.file.rpartition(".")[0])
    return f"{layer.file}[{layer.layer}]" if inner else layer.file


def _unswapped(shapes: gpd.GeoSeries, layer: Layer, found: Outlines) -> gpd.GeoSeries:
    """Exchange the axes of a layer whose latitudes no vineyard has, and whose longitudes are some vineyard's."""
    corners = np.abs(shapely.get_coordinates(shapes.to_numpy()))
    if not (corners[:, 1].min() > FARTHEST_LAT >= corners[:, 0].max()):
        return shapes
    found.notes.append(Sentence("import.note.swapped", file=_where(layer)))
    exchanged = shapely.transform(shapes.to_numpy(), lambda xy: xy[:, ::-1])
    return gpd.GeoSeries(exchanged, crs=LONLAT)


def _named(
    layer: Layer, frame: gpd.GeoDataFrame, numbers: Sequence[int], answers: Mapping[str, str], found: Outlines
) -> list[_Drawn]:
    """Give the polygons and lines of a layer their names, and put aside what else the layer says of them."""
    shapes = [polygons_of(shape) for shape in frame.geometry]
    is_polygon = np.array([shape is not None for shape in shapes])
    column = _name_column(layer, frame[is_polygon] if is_polygon.any() else frame, answers, found)
    names = [_given(cell) for cell in frame[column]] if column is not None else [""] * len(frame)
    drawn, lines, unnamed = [], [], []
    for place, (name, shape) in enumerate(zip(names, shapes, strict=True)):
        line = None if shape is not None else _ring(frame.geometry.iloc[place])
        if shape is None and line is None:
            lines.append(name or f"({numbers[place]})")
            continue
        if not name:
            alone = int(is_polygon.sum()) == 1 and layer.layer is not None
            called = _given(layer.layer) if alone else ""
            found.unnamed += not called
            name = called or f"Outline {found.unnamed}"  # noqa: PLW2901
            unnamed += [] if called else [name]
        drawn.append(_Drawn(name, shape or line, layer.file, layer.layer or "", int(numbers[place]), shape is None))
    if lines:
        found.notes.append(
            Sentence.counted("import.note.no_outline", len(lines), file=_where(layer), names=Listed(lines))
        )
    if unnamed:
        found.notes.append(Sentence("import.note.unnamed", file=_where(layer), names=Listed(unnamed)))
    said = [str(name) for name in frame.drop(columns=frame.geometry.name) if name != column]
    said = [name for name in said if fold(name) not in _own_fields(layer) and not frame[name].map(blank).all()]
    if said and drawn:
        place_of = {int(number): place for place, number in enumerate(numbers)}
        rows: list[tuple[int, Cells]] = [(one.row, [one.name, *frame.loc[place_of[one.row], said]]) for one in drawn]
        found.facts.append(Headed(layer.file, layer.layer, 1, ("block", *said), rows))
    return drawn


def _given(cell: object) -> str:
    """Return a shape's name; "" where it has none of its own but what a program gave it."""
    words = text(cell) or ""
    plain_words = fold(words)
    return "" if any(plain_words == word or plain_words.startswith(f"{word} ") for word in _UNNAMED) else words


def _name_column(layer: Layer, frame: gpd.GeoDataFrame, answers: Mapping[str, str], found: Outlines) -> str | None:
    """Return the column that holds the blocks' names, as far as that is settled."""
    columns = [str(name) for name in frame.drop(columns=frame.geometry.name) if fold(name) not in _own_fields(layer)]
    filled = [name for name in columns if not frame[name].map(blank).all()]
    roles = {name: role_of(name) for name in filled}
    by_role = {role: [name for name in filled if roles[name] == role] for role in ("block", "name")}
    certain = next((names[0] for names in by_role.values() if len(names) == 1), None)
    if by_role["block"] and len(by_role["block"]) > 1:
        certain = None
    likely = by_role["block"] or by_role["name"] or [name for name in filled if _tells_apart(frame[name])]
    if not likely:
        return None
    if certain is not None and len(likely) == 1:
        likely = [certain]
    asked = Proposal(
        key=f"outlines.name.{layout_mark(columns)}",
        about=Sentence("import.outlines.name", file=_where(layer)),
        choices=tuple(Choice(name, Sentence("import.outlines.name.is", column=name)) for name in likely),
        value=certain or max(likely, key=lambda name: frame[name].nunique()),
        certain=certain is not None,
        examples=tuple(" | ".join(plain(cell) for cell in cells) for cells in frame[likely].head(3).to_numpy()),
    )
    # The formats of globes and receivers have one name for a shape, and it says nothing to show.
    if not layer.file.lower().endswith((".kml", ".kmz", ".gpx")) or certain is None:
        found.proposals.append(asked)
    return settled(asked, answers) or asked.value


def _own_fields(layer: Layer) -> frozenset[str]:
    """Return the fields that a format gives every shape."""
    return _OWN_FIELDS if layer.file.lower().endswith((".kml", ".kmz", ".gpx")) else frozenset(("fid",))


def _tells_apart(values: pd.Series[str]) -> bool:
    """Whether every shape has a text or a whole number of its own."""
    if pd.api.types.is_float_dtype(values) and not (values.dropna() % 1 == 0).all():
        return False
    return bool(values.notna().all() and values.map(str).is_unique)


def _ring(shape: BaseGeometry) -> Polygon | None:
    """Return what a line goes round, where its ends come near each other by the look of it; None where it does not."""
    if isinstance(shape, MultiLineString):
        merged = shapely.line_merge(shape)
        shape = merged if isinstance(merged, LineString) else shape
    if not isinstance(shape, LineString) or len(shape.coords) < 4:
        return None
    xy = shapely.get_coordinates(shape) * (math.cos(math.radians(shape.centroid.y)), 1) * 111_195
    gap, length = float(np.hypot(*(xy[0] - xy[-1]))), float(np.hypot(*np.diff(xy, axis=0).T).sum())
    flat = Polygon(xy)
    roundness = 4 * math.pi * flat.area / max(length + gap, 1e-9) ** 2
    closes = gap <= max(_GAP_M, _GAP_SHARE * length) and gap < length / 4
    return Polygon(shape.coords) if closes and flat.area >= _SLIP_M2 and roundness >= _LEAST_ROUND else None


def _closed(drawn: list[_Drawn], answers: Mapping[str, str], found: Outlines) -> list[_Drawn]:
    """Ask whether lines that close are outlines; where outlines lie there already, they are none."""
    polygons = [one for one in drawn if not one.line]
    lines = [one for one in drawn if one.line]
    if not lines:
        return polygons
    ground = shapely.union_all([shapely.make_valid(one.shape) for one in polygons])
    free = [one for one in lines if _share(shapely.make_valid(one.shape), ground) < _OVERLAP]
    if free:
        proposal = Proposal(
            key="outlines.lines",
            about=Sentence.counted("import.outlines.lines", len(free)),
            choices=_choices("import.outlines.lines", "outlines", "aside"),
            value="outlines",
            certain=False,
            examples=tuple(f"{one.file}: {one.name}" for one in free[:3]),
        )
        found.proposals.append(proposal)
        answer = settled(proposal, answers)
        if answer == "outlines":
            return [*polygons, *free]
        lines = [one for one in lines if answer is not None or one not in free]
    for file in dict.fromkeys(one.file for one in lines):
        names = [one.name for one in lines if one.file == file]
        found.notes.append(Sentence.counted("import.note.no_outline", len(names), file=file, names=Listed(names)))
    return polygons


def _choices(key: str, *values: str) -> tuple[Choice, ...]:
    return tuple(Choice(value, Sentence(f"{key}.{value}")) for value in values)


def _share(shape: BaseGeometry, other: BaseGeometry) -> float:
    """Return how much of a shape lies in another one."""
    return float(shape.intersection(other).area / shape.area) if shape.area > 0 else 0.0


def _mended(drawn: list[_Drawn], found: Outlines) -> list[_Drawn]:
    """Make shapes valid, without slips of the hand; one note for each kind of repair."""
    mended, crossed, slips = [], [], []
    for one in drawn:
        shape, reason = made_valid(_in_order(one.shape))
        reason = reason or ("" if one.shape.is_valid else "crossed")
        parts = [] if shape is None else list(shapely.get_parts(shape))
        whole = sum(part.area for part in parts)
        kept = [part for part in parts if part.area >= max(1.0, _SLIP_SHARE * whole if reason else 0.0)]
        if whole < _SLIP_M2 or not kept:
            slips.append(one.name)
            continue
        outline = kept[0] if len(kept) == 1 else shapely.MultiPolygon(kept)
        if reason:
            crossed.append(Sentence("import.note.crossed.one", block=one.name, area=Figure(outline.area / 1e4, 2)))
        mended.append(replace(one, shape=outline))
    if crossed:
        found.notes.append(Sentence("import.note.crossed", blocks=Listed(crossed)))
    if slips:
        found.notes.append(Sentence.counted("import.note.slips", len(slips), blocks=Listed(slips)))
    return mended


def _in_order(shape: BaseGeometry) -> BaseGeometry:
    """Return a figure of four corners with its corners in turn, where it was drawn across itself."""
    if not isinstance(shape, Polygon) or shape.is_valid or shape.interiors or len(shape.exterior.coords) != 5:
        return shape
    around = shape.convex_hull
    return around if isinstance(around, Polygon) and len(around.exterior.coords) == 5 else shape


def _once_each(drawn: list[_Drawn], answers: Mapping[str, str], found: Outlines) -> list[_Drawn]:
    """Keep an outline that was drawn twice once: of one name silently but for a note, of two names by an answer."""
    left = list(drawn)
    twice: list[str] = []
    for one, other in _pairs(drawn, lambda a, b: _alike(a, b) >= _TWICE):
        if one not in left or other not in left:
            continue
        if folded_name(one.name) == folded_name(other.name):
            left.remove(other)
            twice.append(one.name)
            continue
        proposal = Proposal(
            key=f"outlines.same.{one.name}/{other.name}",
            about=Sentence("import.outlines.same", one=one.name, other=other.name),
            choices=(
                Choice("first", Sentence("import.outlines.same.is", name=one.name)),
                Choice("second", Sentence("import.outlines.same.is", name=other.name)),
                Choice("both", Sentence("import.outlines.same.both")),
            ),
            value="first",
            certain=False,
            examples=(f"{one.file}: {one.name}", f"{other.file}: {other.name}"),
        )
        found.proposals.append(proposal)
        answer = settled(proposal, answers)
        if answer in ("first", "second"):
            left.remove(other if answer == "first" else one)
    if twice:
        found.notes.append(Sentence.counted("import.note.twice", len(twice), blocks=Listed(dict.fromkeys(twice))))
    return left


def _pairs(drawn: Sequence[_Drawn], holds: Callable[[BaseGeometry, BaseGeometry], bool]) -> list[tuple[_Drawn, _Drawn]]:
    """Return pairs of shapes that touch and of which something holds, in their order."""
    shapes = np.array([one.shape for one in drawn], dtype=object)
    first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects") if len(drawn) else ((), ())
    pairs = sorted((int(i), int(j)) for i, j in zip(first, second, strict=True) if i < j)
    return [(drawn[i], drawn[j]) for i, j in pairs if holds(shapes[i], shapes[j])]


def _alike(one: BaseGeometry, other: BaseGeometry) -> float:
    """Return the ground that two shapes share, of all that either covers."""
    shared = one.intersection(other).area
    return float(shared / (one.area + other.area - shared))


def _one_a_name(drawn: list[_Drawn], answers: Mapping[str, str], found: Outlines) -> list[_Drawn]:
    """Make one block of the outlines of one name, where they are its parts."""
    groups: dict[str, list[_Drawn]] = {}
    for one in drawn:
        groups.setdefault(folded_name(one.name), []).append(one)
    whole: list[_Drawn] = []
    joined: list[str] = []
    for group in groups.values():
        if len(group) == 1:
            whole += group
            continue
        parts = _parts(group, answers, found)
        whole += parts
        if len(parts) == 1 and len(group) > 1 and shapely.get_num_geometries(parts[0].shape) > 1:
            joined.append(parts[0].name)
    if joined:
        found.notes.append(Sentence.counted("import.note.parts", len(joined), blocks=Listed(joined)))
    return whole


def _parts(group: list[_Drawn], answers: Mapping[str, str], found: Outlines) -> list[_Drawn]:
    """Return the block, or the blocks, that several outlines of one name are."""
    name = group[0].name
    over = any(_overlap(a.shape, b.shape) >= _OVERLAP for a, b in combinations(group, 2))
    if over:
        singly = [
            Choice(str(k), Sentence("import.outlines.over.is", file=one.file, area=Figure(one.shape.area / 1e4, 2)))
            for k, one in enumerate(group, start=1)
        ]
        choices = (*singly, Choice("one", Sentence("import.outlines.parts.one")))
        proposal = _asked("over", name, group, choices, None)
    elif not _together(group):
        choices = _choices("import.outlines.parts", "one", "apart")
        proposal = _asked("parts", name, group, choices, None)
    else:
        return [_joined(group)]
    found.proposals.append(proposal)
    answer = settled(proposal, answers)
    if answer == "apart":
        folders = [one.layer for one in group]
        marks = folders if len(set(folders)) == len(group) and all(folders) else [str(k + 1) for k in range(len(group))]
        return [replace(one, name=f"{one.name} ({mark})") for one, mark in zip(group, marks, strict=True)]
    if answer is not None and answer.isdecimal():
        return [group[int(answer) - 1]]
    return [_joined(group)]


def _asked(kind: str, name: str, group: Sequence[_Drawn], choices: tuple[Choice, ...], value: str | None) -> Proposal:
    return Proposal(
        key=f"outlines.{kind}.{name}",
        about=Sentence(f"import.outlines.{kind}", name=name, count=Figure(len(group))),
        choices=choices,
        value=value,
        certain=False,
        examples=tuple(f"{one.file}: {one.name}, {one.shape.area / 1e4:.2f} ha" for one in group[:3]),
    )


def _overlap(one: BaseGeometry, other: BaseGeometry) -> float:
    """Return how much of the smaller shape lies in the larger one."""
    return float(one.intersection(other).area / min(one.area, other.area))


def _together(group: Sequence[_Drawn]) -> bool:
    """Whether outlines hang together over gaps of no more than a headland and a road."""
    reached, left = [group[0]], list(group[1:])
    while near := [one for one in left if any(one.shape.distance(other.shape) <= _NEAR_M for other in reached)]:
        reached += near
        left = [one for one in left if one not in near]
    return not left


def _joined(group: Sequence[_Drawn]) -> _Drawn:
    return replace(group[0], shape=shapely.union_all([one.shape for one in group]))


def _without_boundaries(drawn: list[_Drawn], answers: Mapping[str, str], found: Outlines) -> list[_Drawn]:
    """Ask whether an outline around others is a boundary and no block."""
    kept: list[_Drawn] = []
    aside: list[str] = []
    for one in drawn:
        inside = [other for other in drawn if other is not one and _share(other.shape, one.shape) >= _HELD]
        smaller = [other for other in inside if other.shape.area < one.shape.area]
        if len(smaller) < _HOLDS:
            kept.append(one)
            continue
        proposal = Proposal(
            key=f"outlines.around.{one.name}",
            about=Sentence("import.outlines.around", name=one.name, count=Figure(len(smaller))),
            choices=_choices("import.outlines.around", "boundary", "block"),
            value="boundary",
            certain=False,
            examples=tuple(other.name for other in smaller[:3]),
        )
        found.proposals.append(proposal)
        if settled(proposal, answers) == "boundary":
            aside.append(one.name)
        else:
            kept.append(one)
    if aside:
        found.notes.append(Sentence("import.note.around", names=Listed(aside)))
    return kept
