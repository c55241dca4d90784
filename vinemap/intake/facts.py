"""Facts of blocks in a table keyed by their names: spacing, direction of rows, first vine, variety, vines, nodes."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pydantic_core import PydanticCustomError
from pyproj import CRS, Transformer

from vinemap.arrays import Array
from vinemap.columns import BLOCKS, Column, Kind
from vinemap.errors import Findings
from vinemap.intake.headings import Headed, plain
from vinemap.intake.lexicon import fold, role_of, tokens
from vinemap.intake.measures import Length, bearing, lengths, unit_of, wind
from vinemap.intake.naming import match_names
from vinemap.intake.questions import Choice, Proposal, settled
from vinemap.reading.cells import blank, check_of, show
from vinemap.reading.crs import LONLAT
from vinemap.reading.schema import in_own_unit, squeeze
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.units import HECTARES_PER_ACRE, METRES_PER_FOOT

ROWS, VINES = "row_spacing_m", "vine_spacing_m"
# Metres from post to post, of which no table of ours has a column: they become vines.
_POSTS = "post_space_m"
_FIRST = ("first_vine_lon", "first_vine_lat")

# Metres from row to row and from vine to vine: what vineyards have (common practice), and what any may have.
_USUAL = {ROWS: (1.5, 4.0), VINES: (0.8, 3.0), _POSTS: (4.0, 9.0)}
_POSSIBLE = {ROWS: (0.9, 6.0), VINES: (0.4, 4.0), _POSTS: (2.0, 15.0)}
# So near to a whole number of vines is the space between two posts that holds it.
_WHOLE_OFF = 0.15
_UNITS = {"metres": 1.0, "feet": METRES_PER_FOOT}
# How far an area, or a count of vines, may be from what the outline has.
_AREA_OFF, _VINES_OFF = 0.2, 2.0
# A corner lies within so many degrees of the direction that names it, once a block's sides are made equal.
_CORNER_OFF = 30.0


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Shapefiles cut headings after ten letters.
_ROW_SPACING, _VINE_SPACING = (
    _words("rowsp rowspac rowspace rowspacing"),
    _words("vinesp vinespac vinespace vinespacing"),
)
_SPACING_WORDS = _words("spacing marco distance distancia espaciamiento") | _ROW_SPACING | _VINE_SPACING
_ROW_WORDS = _words("row rows hilera hileras fila filas surco surcos calle alley") | _ROW_SPACING
_VINE_WORDS = _words("vine vines plant plants planta plantas cepa cepas vid vides") | _VINE_SPACING
_BEARING_WORDS = _words("bearing orientation orientacion direction direccion rumbo azimuth azimut aspect")
_ACRES, _HECTARES = _words("acre acres acreage ac"), _words("ha hectare hectares hectarea hectareas")
_AREA_WORDS = _ACRES | _HECTARES | _words("area superficie")
_NODE_WORDS = _words("node nodes bud buds nudo nudos yema yemas")
_COUNT_WORDS = _words("no number num nr count of total totals de numero n totales the block per cuartel")
_KEPT_WORDS = _words("kept keep retained left per target")
_GAP_WORDS = _words("missing gap gaps blanks falla fallas falta faltas faltan faltante faltantes marra marras huecos")
_POST_WORDS = _words("post posts bay bays panel panels poste postes vano vanos")
_PLAIN_FACTS: tuple[tuple[str, frozenset[str]], ...] = (
    ("variety", _words("variety varieties variedad cultivar cv grape cepaje var varietal")),
    ("planted", _words("planted plantado plantada plantacion")),
    ("pruning", _words("pruning poda")),
    ("species_group", _words("species especie")),
    ("trunks", _words("trunks troncos")),
)
_CORNER = re.compile("corner|esquina", re.IGNORECASE)
_PRUNING = {
    **dict.fromkeys(("spur", "spurs", "cordon", "piton", "pitones", "pulgar", "pulgares"), "spur"),
    **dict.fromkeys(("cane", "canes", "guyot", "cargador", "cargadores", "vara", "varas"), "cane"),
}


@dataclass
class Facts:
    """What a table says of blocks.

    Attributes
    ----------
    blocks : GeoDataFrame
        The blocks with the columns of `vinemap.columns.BLOCKS` that the table fills.
    proposals : list of Proposal
    notes : list of Sentence
    findings : Findings
        What has to be mended in the table.
    """

    blocks: gpd.GeoDataFrame
    proposals: list[Proposal] = field(default_factory=list)
    notes: list[Sentence] = field(default_factory=list)
    findings: Findings = field(default_factory=Findings)


@dataclass
class _Reading:
    """A table of facts while it is read.

    Attributes
    ----------
    table : Headed
    rows : list of (int, str, sequence)
        Number of the row, block, cells.
    values : dict
        By field, then by block: the value, and the row and the column it comes from.
    """

    table: Headed
    rows: list[tuple[int, str, Sequence[object]]]
    found: Facts
    values: dict[str, dict[str, tuple[Any, int, int]]] = field(default_factory=dict)

    def put(self, name: str, block: str, value: Any, row: int, place: int) -> None:
        """Keep a value; name one that contradicts an earlier one of the same table."""
        if value is None:
            return
        earlier = self.values.setdefault(name, {}).setdefault(block, (value, row, place))
        if earlier[0] != value:
            self.found.findings.problem(
                self.table.source,
                row,
                self.table.names[place],
                Sentence(
                    "fault.two_facts",
                    cell=show(plain(value)),
                    block=show(block),
                    other=show(plain(earlier[0])),
                    row=str(earlier[1]),
                ),
                Sentence("remedy.right_one"),
            )

    def cells(self, place: int) -> Iterable[tuple[int, str, object]]:
        """Yield the filled cells of a column, each with its row and block."""
        for number, block, cells in self.rows:
            if not blank(cells[place]):
                yield number, block, cells[place]

    def strange(self, place: int, rows: Sequence[tuple[int, object]], wanted: str) -> None:
        """Name cells that do not say what is wanted: one problem a column."""
        if rows:
            number, cell = rows[0]
            more = Sentence("fault.rows_so", count=Figure(len(rows))) if len(rows) > 1 else ""
            message = Sentence(f"fault.strange.{wanted}", cell=show(plain(cell)), more=more)
            remedy = Sentence(f"remedy.strange.{wanted}")
            self.found.findings.problem(self.table.source, number, self.table.names[place], message, remedy)


def is_facts(table: Headed) -> bool:
    """Whether a table says of blocks what `block_facts` reads, and nothing of samples."""
    roles = {role_of(name) for name in table.names}
    return not roles & {"sample", "primary", "primary_dead"} and any(_meaning(name) for name in table.names)


def block_facts(table: Headed, blocks: gpd.GeoDataFrame, answers: Mapping[str, str]) -> Facts:
    """Read what a table says of blocks, and put it beside their outlines.

    Parameters
    ----------
    table : Headed
        A row a block; a column with their names, and any of: row and vine spacing (metres, feet, feet and inches, both
        in one cell), area, direction of the rows, corner of row 1 and vine 1, variety, vines, nodes, pruning, year, and
        the columns of `vinemap.columns.BLOCKS` by their own names.
    blocks : GeoDataFrame
        block and outlines, in longitude and latitude; facts that are there already are kept.
    answers : mapping
        To proposals, by their key.

    Returns
    -------
    Facts
        Names that no outline has are noted. Figures that may be feet or metres are asked, once a table. A corner
        becomes first_vine_lon and first_vine_lat; areas are held against the outlines.
    """
    found = Facts(blocks.copy())
    meanings = {place: _meaning(name) or _shown(table, place) for place, name in enumerate(table.names)}
    key = _key_column(table, meanings)
    if key is None or not any(meanings.values()):
        return found
    names = [plain(cells[key]) for _, cells in table.rows]
    known = list(dict.fromkeys(blocks["block"]))
    matches = match_names([name for name in names if name], known, answers, where=table.source, needed=())
    found.proposals += matches.proposals
    asked = {proposal.examples[0] for proposal in matches.proposals if proposal.key.startswith("name.")}
    strangers = [name for name in matches.unmatched if name not in asked]
    if strangers:
        found.notes.append(
            Sentence.counted("import.note.no_such_outline", len(strangers), file=table.source, names=Listed(strangers))
        )
    rows = [
        (number, matches.mapping[name], cells)
        for name, (number, cells) in zip(names, table.rows, strict=True)
        if name in matches.mapping
    ]
    reading = _Reading(table, rows, found)
    for place, meaning in meanings.items():
        if place != key and meaning is not None:
            _READERS.get(meaning, _own)(reading, place, meaning)
    _spacings(reading, {place: meaning for place, meaning in meanings.items() if meaning in _SPACED}, answers)
    unused = [table.names[place] for place, meaning in meanings.items() if place != key and meaning is None]
    unused = [name for name in unused if name and role_of(name) != "notes" and not _empty(table, name)]
    if unused:
        found.notes.append(Sentence("import.note.unused_facts", file=table.source, names=Listed(unused)))
    _count_between_posts(reading)
    _joined(reading)
    _hold_against_outlines(reading)
    return found


def _meaning(heading: str) -> str | None:
    """Return what a heading says of a block: a column's own name, or one of the kinds that are read here."""
    squeezed = squeeze(heading)
    own = {squeeze(name): name for column in BLOCKS.columns[1:] for name in _names_of(column)}
    if squeezed in own and own[squeezed] not in ("variety", "pruning", "planted", "vines", ROWS, VINES):
        return own[squeezed]
    words = frozenset(tokens(heading))
    vine = bool(words & _VINE_WORDS)
    spaced = bool(words & _words("between entre")) or unit_of(tokens(heading)) is not None
    if words & _POST_WORDS:
        return "vines_between_posts" if vine else _POSTS if spaced or words & _SPACING_WORDS else None
    if words & _SPACING_WORDS or (spaced and words & (_ROW_WORDS | _VINE_WORDS)):
        return _spacing(heading)
    kinds = {
        "missing_vines": bool(words & _GAP_WORDS) and words <= _GAP_WORDS | _VINE_WORDS | _COUNT_WORDS,
        "corner": bool(words & _words("corner esquina")) or (vine and bool(words & _words("first primera"))),
        "row_bearing_deg": bool(words & _BEARING_WORDS or (words & _ROW_WORDS and words & _words("run corren van"))),
        "nodes_per_vine": bool(words & _NODE_WORDS) and (vine or bool(words & _KEPT_WORDS)),
        "vines": vine and words <= _VINE_WORDS | _COUNT_WORDS,
        "area": bool(words & _AREA_WORDS) and not vine,
        **{name: bool(words & its) for name, its in _PLAIN_FACTS},
    }
    return next((kind for kind, holds in kinds.items() if holds), None)


def _shown(table: Headed, place: int) -> str | None:
    """Return what the cells of a column say by themselves that it is: both ends of rows, corners, spacings."""
    cells = [plain(cells[place]) for _, cells in table.rows if not blank(cells[place])]
    if not cells or not all(any(letter.isalpha() for letter in cell) for cell in cells):
        return None
    if all(wind(cell) is None and bearing(cell) is not None for cell in cells):
        return "row_bearing_deg"
    starts = bool(set(tokens(table.names[place])) & _words("1 first start starts inicio empieza primera"))
    if (starts or any(_CORNER.search(cell) for cell in cells)) and all(wind(cell) is not None for cell in cells):
        return "corner"
    return "row_by_vine" if all(len(lengths(cell)) == 2 for cell in cells) else None


def _empty(table: Headed, name: str) -> bool:
    return all(blank(cells[table.names.index(name)]) for _, cells in table.rows)


def _spacing(heading: str) -> str:
    """Return which spacing a heading of one means, or which comes first where it means both or does not say."""
    words = tokens(heading)
    if {"in", "row"} <= set(words) and not _VINE_WORDS & set(words):
        return VINES
    row, vine = (next((k for k, word in enumerate(words) if word in its), None) for its in (_ROW_WORDS, _VINE_WORDS))
    if row is None or vine is None:
        return ROWS if row is not None else VINES if vine is not None else "row_by_vine"
    return "vine_by_row" if vine < row else "row_by_vine"


def _names_of(column: Column) -> list[str]:
    return [column.name, *column.spellings, *(other.name for other in column.in_units)]


_SPACED = (ROWS, VINES, "row_by_vine", "vine_by_row", _POSTS)


def _key_column(table: Headed, meanings: Mapping[int, str | None]) -> int | None:
    """Return the column of the blocks' names."""
    roles = [role_of(name) for name in table.names]
    for role in ("block", "name"):
        places = [place for place, its in enumerate(roles) if its == role and meanings[place] is None]
        if places:
            return places[0]
    return next((place for place in range(len(roles)) if meanings[place] is None), None)


def _own(reading: _Reading, place: int, name: str) -> None:
    """Read a column that has the name of one of ours, or holds what one of ours does."""
    column = next(column for column in BLOCKS.columns if name in _names_of(column))
    unit = next((other for other in column.in_units if other.name == name), None)
    check = check_of(column)
    for number, block, cell in reading.cells(place):
        try:
            plain_cell = cell if unit is None else in_own_unit(cell, column, unit)
            value = _checked(check, column, _cell_of(column, plain_cell))
        except PydanticCustomError as error:
            context = error.context or {}
            reading.found.findings.problem(
                reading.table.source, number, reading.table.names[place], context["problem"], context["remedy"]
            )
            continue
        reading.put(column.name, block, value, number, place)


def _checked(check: Callable[..., Any], column: Column, cell: object) -> Any:
    return check(cell, None) if column.kind is Kind.DATE else check(cell)


def _cell_of(column: Column, cell: object) -> object:
    """Take out of a cell what people write around a count: 1,250 vines; about nothing else."""
    words = plain(cell)
    if column.name == "pruning":
        known = {_PRUNING[word] for word in tokens(words) if word in _PRUNING}
        return known.pop() if len(known) == 1 else cell
    if column.kind is not Kind.WHOLE:
        return cell
    digits = words.replace(" ", "").replace("'", "")
    for mark in (",", "."):
        groups = digits.split(mark)
        if len(groups) > 1 and 1 <= len(groups[0]) <= 3 and all(len(group) == 3 for group in groups[1:]):
            digits = "".join(groups)
    return digits if digits.isascii() and digits.isdecimal() else cell


def _bearings(reading: _Reading, place: int, name: str) -> None:
    wrong = []
    for number, block, cell in reading.cells(place):
        figure = bearing(plain(cell))
        if figure is None:
            wrong.append((number, cell))
        reading.put(name, block, figure, number, place)
    reading.strange(place, wrong, "bearing")


def _corners(reading: _Reading, place: int, _: str) -> None:
    """Turn the corner of row 1 and vine 1 into the place of that corner of the outline."""
    wrong, unclear = [], []
    shapes = dict(zip(reading.found.blocks["block"], reading.found.blocks.geometry, strict=True))
    for number, block, cell in reading.cells(place):
        direction = wind(plain(cell))
        if direction is None:
            wrong.append((number, cell))
            continue
        corner = corner_of(shapes[block], direction)
        if corner is None:
            unclear.append((number, cell))
            continue
        for name, degrees in zip(_FIRST, corner, strict=True):
            reading.put(name, block, round(float(degrees), 7), number, place)
    reading.strange(place, wrong, "corner")
    reading.strange(place, unclear, "unclear_corner")


@lru_cache(maxsize=256)
def _metres_around(lon: float, lat: float) -> Transformer:
    """Return what turns longitude and latitude into metres from a place; kept, for a block has many samples."""
    local = CRS.from_proj4(f"+proj=aeqd +lon_0={lon} +lat_0={lat} +datum=WGS84")
    return Transformer.from_crs(LONLAT, local, always_xy=True)


def corner_of(outline: shapely.Geometry, direction: float) -> tuple[float, float] | None:
    """Return the corner of an outline that lies in a direction, as longitude and latitude.

    Parameters
    ----------
    outline : Polygon or MultiPolygon
        In longitude and latitude.
    direction : float
        Degrees clockwise from north: 315 for the north-west corner.

    Returns
    -------
    (float, float) or None
        The corner nearest to that of the smallest rectangle around the outline; None where two corners may be meant, as
        of a block that stands on its corner.
    """
    to_metres = _metres_around(outline.centroid.x, outline.centroid.y)
    flat = shapely.transform(outline, lambda xy: np.column_stack(to_metres.transform(*xy.T)))
    box = shapely.get_coordinates(shapely.oriented_envelope(flat))[:4]
    sides = np.diff(np.vstack([box, box[:1]]), axis=0)
    lengths_ = np.hypot(*sides.T)
    units = sides[:2] / lengths_[:2, None]
    # The rectangle with its sides made equal: a long block has its corners where a square has them.
    square = (box - box.mean(axis=0)) @ units.T / (lengths_[:2] / 2) @ units
    bearings = np.degrees(np.arctan2(square[:, 0], square[:, 1])) % 360
    off = np.abs((bearings - direction + 180) % 360 - 180)
    if off.min() > _CORNER_OFF:
        return None
    corners: Array = shapely.get_coordinates(flat)
    nearest = corners[np.hypot(*(corners - box[off.argmin()]).T).argmin()]
    lon, lat = to_metres.transform(nearest[0], nearest[1], direction="INVERSE")
    return float(lon), float(lat)


def _areas(reading: _Reading, place: int, _: str) -> None:
    """Keep the hectares that a table states; where it names no unit, the one that fits the outline better."""
    words = frozenset(tokens(reading.table.names[place]))
    outlines = _hectares(reading.found.blocks)
    stated: list[tuple[int, str, float, float | None]] = []
    for number, block, cell in reading.cells(place):
        one = _area(plain(cell))
        if one is not None:
            stated.append((number, block, *one))
    unit = HECTARES_PER_ACRE if words & _ACRES else 1.0 if words & _HECTARES else None
    if unit is None and stated:
        ratios = [np.log(figure / outlines[block]) for _, block, figure, own in stated if own is None and figure > 0]
        acres = abs(np.median(ratios) + np.log(HECTARES_PER_ACRE)) < abs(np.median(ratios)) if ratios else False
        unit = HECTARES_PER_ACRE if acres else 1.0
    for number, block, figure, own in stated:
        reading.put("area", block, figure * (own or unit or 1.0), number, place)


def _area(words: str) -> tuple[float, float | None] | None:
    """Return a figure of ground, and the hectares of its unit where it names one."""
    known = frozenset(tokens(words))
    digits = "".join(letter for letter in words if letter.isdecimal() or letter in ".,").strip(".,")
    try:
        figure = float(digits.replace(",", "."))
    except ValueError:
        return None
    return figure, HECTARES_PER_ACRE if known & _ACRES else 1.0 if known & _HECTARES else None


def _hectares(blocks: gpd.GeoDataFrame) -> dict[str, float]:
    metric = blocks.to_crs(blocks.estimate_utm_crs())
    return dict(zip(metric["block"], metric.geometry.area / 1e4, strict=True))


def _spacings(reading: _Reading, places: Mapping[int, str | None], answers: Mapping[str, str]) -> None:
    """Read spacings; ask for the unit of those that state none, once a table, where both feet and metres may be."""
    written: list[tuple[str, str, Length, int, int]] = []
    for place, meaning in places.items():
        unit = unit_of(tokens(reading.table.names[place]))
        wrong = []
        for number, block, cell in reading.cells(place):
            found = lengths(plain(cell))
            names = {"row_by_vine": (ROWS, VINES), "vine_by_row": (VINES, ROWS)}.get(meaning or "", (meaning or ROWS,))
            if len(found) == 2 and len(names) == 1:
                names = (ROWS, VINES)
            if len(found) != len(names):
                wrong.append((number, cell))
                continue
            written += [
                (name, block, Length(one.figure, one.metres or unit), number, place)
                for name, one in zip(names, found, strict=True)
            ]
        reading.strange(place, wrong, "spacing")
    open_ = [one for one in written if one[2].metres is None]
    unit = _unit(reading, open_, list(places), answers) if open_ else None
    for name, block, length, number, place in written:
        size = length.metres or unit
        if size is None:
            continue
        metres = round(length.figure * size, 4)
        least, most = _limits(name)
        if not least <= metres <= most:
            reading.found.findings.problem(
                reading.table.source,
                number,
                reading.table.names[place],
                Sentence(
                    "fault.spacing_size",
                    figure=show(plain(length.figure)),
                    metres=Figure(float(f"{metres:.3g}"), None),
                ),
                Sentence("remedy.spacing_size"),
            )
            continue
        reading.put(name, block, metres, number, place)


def _count_between_posts(reading: _Reading) -> None:
    """Turn the space between two posts into the vines that stand in it; note where that is no whole number."""
    blocks = reading.found.blocks
    before = dict(zip(blocks["block"], blocks[VINES], strict=True)) if VINES in blocks else {}
    between = {block: value for block, (value, _, _) in reading.values.get(VINES, {}).items()}
    uneven = []
    for block, (metres, row, place) in reading.values.get(_POSTS, {}).items():
        spacing = between.get(block, before.get(block))
        vines = np.nan if spacing is None or blank(spacing) else metres / float(spacing)
        if vines >= 1 - _WHOLE_OFF and abs(vines - round(vines)) <= _WHOLE_OFF:
            reading.put("vines_between_posts", block, round(vines), row, place)
        else:
            uneven.append(block)
    if uneven:
        reading.found.notes.append(Sentence("import.note.posts", file=reading.table.source, blocks=Listed(uneven)))


def _limits(name: str) -> tuple[float, float]:
    column = BLOCKS.find(name)
    if column is None or column.low is None or column.high is None:
        return 0.0, np.inf
    return column.low, column.high


def _unit(
    reading: _Reading,
    written: Sequence[tuple[str, str, Length, int, int]],
    places: Sequence[int],
    answers: Mapping[str, str],
) -> float | None:
    """Return the metres of the unit of spacings that state none; None where it is asked and not answered."""
    possible = [unit for unit in _UNITS if _fits(written, unit, _POSSIBLE) and _holds_vines(reading, written, unit)]
    usual = [unit for unit in _UNITS if _fits(written, unit, _USUAL)]
    certain = len(possible) == 1
    likely = possible[0] if certain else usual[0] if len(usual) == 1 else None
    rows = dict.fromkeys(number for *_, number, _ in written)
    shown = {number: cells for number, _, cells in reading.rows if number in rows}
    columns = ", ".join(show(reading.table.names[place]) for place in places)
    proposal = Proposal(
        key=f"facts.unit.{reading.table.layout}",
        about=Sentence("import.facts.unit", file=reading.table.source, columns=columns),
        choices=tuple(Choice(unit, Sentence(f"import.facts.unit.{unit}")) for unit in _UNITS),
        value=likely,
        certain=certain,
        examples=tuple(" | ".join(plain(cells[place]) for place in places) for cells in list(shown.values())[:3]),
    )
    reading.found.proposals.append(proposal)
    answer = settled(proposal, answers)
    return None if answer is None else _UNITS[answer]


def _fits(
    written: Sequence[tuple[str, str, Length, int, int]], unit: str, limits: Mapping[str, tuple[float, float]]
) -> bool:
    return all(limits[name][0] <= one.figure * _UNITS[unit] <= limits[name][1] for name, _, one, _, _ in written)


def _holds_vines(reading: _Reading, written: Sequence[tuple[str, str, Length, int, int]], unit: str) -> bool:
    """Whether the ground has room for the vines that the table counts, at spacings of a unit, and not for many more."""
    vines = reading.values.get("vines", {})
    ground = _hectares(reading.found.blocks)
    spaced: dict[str, dict[str, float]] = {}
    for name, block, one, _, _ in written:
        spaced.setdefault(block, {})[name] = one.figure * _UNITS[unit]
    ratios = [
        vines[block][0] * its[ROWS] * its[VINES] / (1e4 * ground[block])
        for block, its in spaced.items()
        if block in vines and {ROWS, VINES} <= its.keys()
    ]
    return not ratios or 1 / _VINES_OFF <= float(np.median(ratios)) <= _VINES_OFF


def _joined(reading: _Reading) -> None:
    """Put the values beside the blocks; what is there already stays, and what says otherwise is noted."""
    blocks = reading.found.blocks
    for column in BLOCKS.columns:
        new = {block: value for block, (value, _, _) in reading.values.get(column.name, {}).items()}
        if not new:
            continue
        before = blocks[column.name] if column.name in blocks else pd.Series([None] * len(blocks), index=blocks.index)
        given = blocks["block"].map(new).astype(object).where(blocks["block"].isin(new), None)
        both = before.notna() & given.notna()
        other = [
            name
            for name, one, two in zip(blocks.loc[both, "block"], before[both], given[both], strict=True)
            if not _same(one, two)
        ]
        if other:
            reading.found.notes.append(
                Sentence("import.note.otherwise", file=reading.table.source, column=column.name, blocks=Listed(other))
            )
        blocks[column.name] = before.astype(object).where(before.notna(), given)


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, (int, float)) and isinstance(other, (int, float)):
        return bool(np.isclose(one, other, rtol=0.01))
    return fold(one) == fold(other)


def _hold_against_outlines(reading: _Reading) -> None:
    """Note areas that are far from those of the outlines."""
    ground = _hectares(reading.found.blocks)
    off = [
        Sentence("import.note.areas.one", block=block, stated=Figure(stated, 2), drawn=Figure(ground[block], 2))
        for block, (stated, _, _) in reading.values.get("area", {}).items()
        if not abs(stated - ground[block]) <= _AREA_OFF * ground[block]
    ]
    if off:
        reading.found.notes.append(Sentence("import.note.areas", file=reading.table.source, blocks=Listed(off)))


_READERS: dict[str, Callable[[_Reading, int, str], None]] = {
    **dict.fromkeys(_SPACED, lambda reading, place, name: None),
    "row_bearing_deg": _bearings,
    "corner": _corners,
    "area": _areas,
}
