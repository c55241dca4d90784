"""Every column that vinemap reads or writes: name, kind, unit, decimals, meaning, source, file.

What reads, checks, rounds, orders, heads or explains a column goes by this table. A new input column is a line here:
the reader then takes it, the check holds it to its kind and limits, blocks.csv (or samples.csv) carries it on, the
empty tables of `vinemap template` have it, and the data dictionary explains it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from operator import itemgetter
from typing import TYPE_CHECKING, TypeVar

from vinemap.states import (
    DECISIVE,
    MARKS,
    NONCOUNT,
    TASKS,
    TISSUE_STATES,
    WORK,
    Action,
    Bud,
    Differs,
    Disclosure,
    Evidence,
    Grade,
    Interval,
    Known,
    Mapped,
    Origin,
    Part,
    Protection,
    Pruning,
    Rate,
    Side,
    SpeciesGroup,
    State,
    Third,
    Tissue,
    TrunkGrade,
    Verdict,
    VineFrom,
    Visit,
    When,
    WoodState,
)
from vinemap.units import HECTARES_PER_ACRE, KILOGRAMS_PER_POUND, METRES_PER_FOOT, TONNES_PER_SHORT_TON

if TYPE_CHECKING:
    import pandas as pd

Frame = TypeVar("Frame", bound="pd.DataFrame")


class Kind(StrEnum):
    """What the cells of a column hold."""

    NAME = "name"
    TEXT = "text"
    WORD = "word"
    STATE = "state"
    NUMBER = "number"
    WHOLE = "whole number"
    YES_NO = "yes or no"
    DATE = "date"
    TIME = "date and time"


@dataclass(frozen=True)
class InUnit:
    """A name that an input column has where its figures are in another unit.

    Attributes
    ----------
    name : str
        As the file spells it.
    unit : str
        In words.
    size : float
        Of that unit, in the column's own.
    zero : float
        Where the column's own zero lies in that unit: 32 for degrees Fahrenheit.
    """

    name: str
    unit: str
    size: float
    zero: float = 0.0


@dataclass(frozen=True)
class Column:
    """A column of a file.

    Attributes
    ----------
    name : str
        As the file spells it. ``{…}`` stands for what differs from file to file, as the number of a node.
    kind : Kind
        What its cells hold.
    meaning : str
        A plain line; of a number with limits also what the message of a wrong cell asks for.
    unit : str
        Of the figures; "" for words and plain counts.
    decimals : int or None
        Figures are rounded to so many where they are written; None writes them as they are.
    source : str
        Of the formula or the figure.
    words : tuple of str
        What a cell of a `Kind.WORD` or `Kind.STATE` may hold.
    required : bool
        Whether an input file must have the column.
    filled : bool
        Whether no cell of it may be empty.
    empty : str or None
        What an empty cell, or the missing column, stands for.
    low, high : float or None
        Limits of an input figure, themselves included.
    asked : str
        What the message of a wrong cell asks for; ``meaning`` by default.
    spellings : tuple of str
        Other names that an input file may give it.
    in_units : tuple of InUnit
        Names that an input file may give it for figures in another unit.
    format_name : str
        Column that formats of shapes have of themselves, which fills it where the file has none of its own name.
    carried : bool
        Whether an input column goes on into the outputs; places do as geometry.
    on_page : bool
        Whether the map page carries it.
    shown : int
        Decimals in a workbook, which keeps the figure itself.
    spring : bool
        Whether `vinemap spring` alone writes it.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    decimals: int | None = None
    source: str = ""
    words: tuple[str, ...] = ()
    required: bool = False
    filled: bool = False
    empty: str | None = None
    low: float | None = None
    high: float | None = None
    asked: str = ""
    spellings: tuple[str, ...] = ()
    in_units: tuple[InUnit, ...] = ()
    format_name: str = ""
    carried: bool = True
    on_page: bool = False
    shown: int = 0
    spring: bool = False

    @property
    def is_figure(self) -> bool:
        """Whether the cells are figures."""
        return self.kind in (Kind.NUMBER, Kind.WHOLE)

    @property
    def is_pattern(self) -> bool:
        """Whether the name stands for many."""
        return "{" in self.name

    @property
    def asks(self) -> str:
        """What the message of a wrong figure asks for."""
        return self.asked or self.meaning

    @property
    def explained(self) -> str:
        """What it holds, with the other units that an input file may give it in."""
        return "; ".join([self.meaning, *(f"or {other.name}, in {other.unit}" for other in self.in_units)])

    def matches(self, name: str) -> bool:
        """Whether a name is this column's, or one of those that its name in braces stands for."""
        if not self.is_pattern:
            return name == self.name
        fixed = re.split(r"\{\w+\}", self.name)
        return re.fullmatch(".+".join(map(re.escape, fixed)), name) is not None


@dataclass(frozen=True)
class Layout:
    """The columns of a table, in the order of its files.

    Attributes
    ----------
    files : str
        Files, sheets and layers that hold it.
    rows : str
        What a row is.
    columns : tuple of Column
    """

    files: str
    rows: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Names of the columns."""
        return [column.name for column in self.columns]

    @property
    def on_page(self) -> list[str]:
        """Names of the columns that the map page carries."""
        return [column.name for column in self.columns if column.on_page]

    def find(self, name: str) -> Column | None:
        """Return the column of a name; None where the table has none."""
        return next((column for column in self.columns if column.matches(name)), None)

    def arranged(self, table: Frame) -> Frame:
        """Return a table with its columns in the layout's order; any other column comes last."""
        names = [str(name) for name in table]
        places = [next((k for k, c in enumerate(self.columns) if c.matches(name)), len(self.columns)) for name in names]
        return table[[name for _, name in sorted(zip(places, names, strict=True), key=itemgetter(0))]]

    def rounded(self, table: Frame) -> Frame:
        """Return a table with its figures rounded as they are written: midway to the even digit."""
        known = {name: column.decimals for name in map(str, table) if (column := self.find(name)) is not None}
        return table.round({name: decimals for name, decimals in known.items() if decimals is not None})


def _pct(name: str, meaning: str, source: str = "", *, on_page: bool = True) -> Column:
    return Column(name, Kind.NUMBER, meaning, "%", 1, source, on_page=on_page)


def _ha(name: str, meaning: str, source: str = "") -> Column:
    return Column(name, Kind.NUMBER, meaning, "ha", 3, source, on_page=True, shown=2)


def _pace(name: str, meaning: str) -> Column:
    return Column(name, Kind.NUMBER, meaning, "m", 1, on_page=True)


def _count(name: str, meaning: str, unit: str, source: str = "", *, on_page: bool = True) -> Column:
    return Column(name, Kind.WHOLE, meaning, unit, source=source, on_page=on_page)


def _in_feet(column: Column) -> Column:
    """Let an input column in metres be given in feet too."""
    feet = InUnit(column.name.removesuffix("_m") + "_ft", "feet", METRES_PER_FOOT)
    return replace(column, in_units=(feet,))


def _in_fahrenheit(column: Column) -> Column:
    """Let an input column in degrees Celsius be given in degrees Fahrenheit too."""
    fahrenheit = InUnit(column.name.removesuffix("_c") + "_f", "degrees Fahrenheit", 5 / 9, 32.0)
    return replace(column, in_units=(fahrenheit,))


def _nodes(name: str, meaning: str, source: str = "", *, on_page: bool = True) -> Column:
    return Column(name, Kind.NUMBER, meaning, "nodes a vine", source=source, on_page=on_page)


_WILSON = "E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209"
_CLUSTERED = (
    "J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577; C. Franco, R. J. A. Little, T. A. Louis & E. V. Slud, "
    "J. Surv. Stat. Methodol. 7 (2019) 334"
)
_MODEL = "C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning (2006), chapters 3 and 5"
_DRAWS = "J. T. Wilson et al., J. Mach. Learn. Res. 22 (2021) 105"
_STRATA = "S. Greenland & J. M. Robins, Biometrics 41 (1985) 55"
_GAIN = "H. Raiffa & R. Schlaifer, Applied Statistical Decision Theory (1961), from memory"
_EXACT = "R. A. Fisher's exact test (1935)"
_RULES = "rules.toml"
_VARIETIES = "varieties.toml"
_PLACES = 7
"""Decimals of a degree: a centimetre on the ground."""
CURRENCY = "currency"
"""Unit of what is counted in the settings' currency."""

# What goes in.

_SAMPLE = Column("sample", Kind.NAME, "name of the sample", required=True, filled=True)
_LON = Column(
    "lon",
    Kind.NUMBER,
    "longitude in decimal degrees, -180 to 180",
    "°",
    _PLACES,
    low=-180,
    high=180,
    spellings=("longitude",),
    carried=False,
)
_LAT = Column(
    "lat",
    Kind.NUMBER,
    "latitude in decimal degrees, -90 to 90",
    "°",
    _PLACES,
    low=-90,
    high=90,
    spellings=("latitude",),
    carried=False,
)

BLOCKS = Layout(
    "blocks.geojson, .gpkg, .shp, .fgb, .kml, .kmz, .parquet",
    "a block, drawn as a polygon",
    (
        Column("block", Kind.NAME, "name of the block", required=True, filled=True, format_name="name", on_page=True),
        Column("variety", Kind.TEXT, "variety", on_page=True),
        Column(
            "species_group",
            Kind.WORD,
            "kin of the variety: how secondaries crop, and how many nodes a vine carries",
            words=tuple(SpeciesGroup),
            on_page=True,
        ),
        _in_feet(Column("row_spacing_m", Kind.NUMBER, "metres from row to row, 0.5 to 20", "m", 3, low=0.5, high=20)),
        _in_feet(
            Column("vine_spacing_m", Kind.NUMBER, "metres from vine to vine, 0.2 to 20", "m", 3, low=0.2, high=20)
        ),
        Column("vines", Kind.WHOLE, "the number of vines, 1 or more", "vines", low=1, high=10_000_000),
        Column(
            "missing_vines",
            Kind.WHOLE,
            "gaps and vines too young to prune, of these vines, 0 or more: counted out of the vines to work",
            "vines",
            low=0,
            high=10_000_000,
        ),
        Column(
            "nodes_per_vine",
            Kind.NUMBER,
            "nodes kept on a vine, 1 to 1000",
            "nodes a vine",
            low=1,
            high=1000,
            on_page=True,
        ),
        Column("trunks", Kind.WHOLE, "trunks of a vine, 1 to 20", low=1, high=20),
        Column("planted", Kind.WHOLE, "the year of planting", low=1800, high=2100),
        Column(
            "pruning",
            Kind.WORD,
            "how canes are cut back; the settings' default_pruning where not given",
            words=tuple(Pruning),
            on_page=True,
        ),
        Column("own_rooted", Kind.YES_NO, "whether the vines stand on their own roots", on_page=True),
        Column("hilled", Kind.YES_NO, "whether earth covered the graft unions through the freeze", on_page=True),
        Column(
            "pruning_weight_kg",
            Kind.NUMBER,
            "cane prunings of one vine in kilograms",
            "kg",
            low=0,
            high=100,
            in_units=(InUnit("pruning_weight_lb", "pounds", KILOGRAMS_PER_POUND),),
        ),
        Column(
            "dead_before_pct",
            Kind.NUMBER,
            "percent of the primary buds dead before the freeze, 0 to 99",
            "%",
            low=0,
            high=99,
        ),
        Column(
            "normal_yield_t_ha",
            Kind.NUMBER,
            "tonnes a hectare in a normal year",
            "t/ha",
            low=0,
            high=1000,
            in_units=(
                InUnit("normal_yield_tons_acre", "short tons an acre", TONNES_PER_SHORT_TON / HECTARES_PER_ACRE),
            ),
        ),
        Column(
            "row_bearing_deg",
            Kind.NUMBER,
            "degrees clockwise from true north, 0 to 360",
            "°",
            low=0,
            high=360,
        ),
        Column(
            "vines_between_posts",
            Kind.WHOLE,
            "vines between two posts of a row, 1 to 50, counted from its first vine",
            "vines",
            low=1,
            high=50,
        ),
        replace(_LON, name="first_vine_lon", spellings=(), carried=True),
        replace(_LAT, name="first_vine_lat", spellings=(), carried=True),
    ),
)

DRAWN_ROWS = Layout(
    "rows.geojson, .gpkg, .shp, .fgb, .kml, .kmz, .parquet",
    "a vine row, drawn as a line from its first vine to its last",
    (
        Column("block", Kind.TEXT, "block of the row; where not given, the one that it is drawn in"),
        Column(
            "row",
            Kind.WHOLE,
            "the number of the row in its block, 1 or more; rows without numbers are counted across the block",
            low=1,
            high=100_000,
        ),
        Column(
            "vines",
            Kind.WHOLE,
            "places of vines in the row; where not given, as many as the vine spacing makes room for",
            "vines",
            low=1,
            high=100_000,
            asked="the number of vines, 1 or more",
        ),
    ),
)

SAMPLES = Layout(
    "samples.csv, .xlsx, .geojson, .gpkg, .shp, .fgb, .kml, .kmz, .gpx, .parquet",
    "a sample: the canes of one vine, with lon and lat, easting and northing, a point, row and vine, or a block alone",
    (
        replace(_SAMPLE, format_name="name", on_page=True),
        _LON,
        _LAT,
        Column("easting", Kind.NUMBER, "easting in the unit of the CRS", low=-1e8, high=1e8, carried=False),
        Column("northing", Kind.NUMBER, "northing in the unit of the CRS", low=-1e8, high=1e8, carried=False),
        Column("block", Kind.TEXT, "block where the sample was meant to be collected", carried=False),
        Column("row", Kind.WHOLE, "the number of the vine row, 1 or more", low=1, high=100_000, carried=False),
        Column(
            "vine",
            Kind.WHOLE,
            "the number of the vine in its row, 1 or more",
            low=1,
            high=100_000,
            carried=False,
        ),
        Column("date", Kind.DATE, "day on which the canes were collected", format_name="time", on_page=True),
    ),
)

_CANE = Column("cane", Kind.NAME, "cane of the sample; 1 where it is a single one", filled=True, empty="1")
_BUD = Column("", Kind.STATE, "", words=tuple(State), empty=State.UNREAD.value)
_READER = Column("reader", Kind.TEXT, "who read the buds; empty where one person did, or gave no name")
_TISSUE = replace(_BUD, words=TISSUE_STATES)
_DEAD = Column("", Kind.WHOLE, "", "buds", low=0, high=10_000_000, asked="a whole number, 0 or more")
_BASAL = "basal buds of the cane, crowded at its very base, which are no nodes and enter none of their counts"
_NONCOUNT = (
    replace(_DEAD, name=NONCOUNT[0], meaning=f"{_BASAL}: those alive; on one row of the cane or on all"),
    replace(_DEAD, name=NONCOUNT[1], meaning=f"{_BASAL}: those dead; empty where nobody looked"),
)

BUDS_BY_NODE = Layout(
    "buds.csv, .xlsx",
    "a node that was cut",
    (
        _SAMPLE,
        _CANE,
        Column("node", Kind.WHOLE, "the place on the cane, 1 = nearest the base", low=1, high=1000),
        replace(_BUD, name=Bud.PRIMARY, meaning="what the razor showed of the primary bud", required=True),
        replace(_BUD, name=Bud.SECONDARY, meaning="what the razor showed of the secondary bud"),
        replace(_BUD, name=Bud.TERTIARY, meaning="what the razor showed of the tertiary bud"),
        *_NONCOUNT,
        _READER,
    ),
)
BUDS_BY_CANE = Layout(
    "buds.csv, .xlsx",
    "a cane",
    (
        _SAMPLE,
        _CANE,
        Column(
            "node {number}",
            Kind.TEXT,
            "a letter each for primary, secondary and tertiary bud: A alive, D dead, B dead before the freeze, "
            "- unread; empty: no node cut",
        ),
        *_NONCOUNT,
        _READER,
    ),
)
BUDS_BY_COUNT = Layout(
    "buds.csv, .xlsx",
    "counts of a sample, or of a part of its canes",
    (
        _SAMPLE,
        Column("part", Kind.WORD, "part of the canes that was counted", words=tuple(Part), empty=Part.ALL.value),
        replace(_DEAD, name="nodes", meaning="nodes that were cut", unit="nodes", required=True, filled=True),
        replace(_DEAD, name="primary_dead", meaning="dead primary buds", required=True, filled=True),
        replace(_DEAD, name="secondary_dead", meaning="dead secondary buds; empty where they were not read"),
        replace(_DEAD, name="tertiary_dead", meaning="dead tertiary buds; empty where they were not read"),
        replace(
            _DEAD,
            name="primary_dead_before",
            meaning="of the dead primary buds those from before the freeze; empty where nobody told them apart",
        ),
        *_NONCOUNT,
        _READER,
    ),
)
WOOD = Layout(
    "wood.csv, .xlsx",
    "a slice under the bark",
    (
        _SAMPLE,
        Column("tissue", Kind.WORD, "wood that was sliced", words=tuple(Tissue), required=True, filled=True),
        replace(_TISSUE, name="phloem", meaning="what the slice showed of the phloem", required=True),
        replace(_TISSUE, name="cambium", meaning="what the slice showed of the cambium"),
        replace(_TISSUE, name="xylem", meaning="what the slice showed of the xylem"),
        Column(
            "browned_pct", Kind.NUMBER, "percent of the ring of phloem that is brown, 0 to 100", "%", low=0, high=100
        ),
        Column(
            "grade",
            Kind.WORD,
            "the trunk or cordon as a whole, from no sap to sound; comes before what the slice showed",
            words=tuple(TrunkGrade),
            source="after the six figures of Lake Erie Regional Grape Program, Looking at Trunk Damage",
        ),
        Column(
            "visit",
            Kind.WORD,
            "when the wood was looked at; a later visit to a vine takes the place of an earlier one",
            words=tuple(Visit),
            empty=Visit.WINTER.value,
        ),
        Column(
            "wedge",
            Kind.YES_NO,
            "whether the cut across shows a stained wedge, as of a fungus, not of cold: such a piece is in no share",
        ),
    ),
)
PROTECTION = Layout(
    "protection.geojson, .gpkg, .shp, .fgb, .kml, .kmz, .gpx, .parquet, .csv, .xlsx",
    "a wind machine, heater, sprinkler, cover, hilled piece, hedge or wall: a point, line or polygon, or lon and lat",
    (
        Column("name", Kind.TEXT, "what it is called", format_name="name"),
        Column("kind", Kind.WORD, "what it is", words=tuple(Protection), required=True, filled=True),
        _in_feet(
            Column(
                "reach_m",
                Kind.NUMBER,
                "metres from it within which it works, 1 to 1000; empty where a polygon is the ground that it protects",
                "m",
                low=1,
                high=1000,
            )
        ),
        Column(
            "ran",
            Kind.YES_NO,
            "whether it ran in the night of the freeze; what only stands there did where not given",
        ),
        _LON,
        _LAT,
    ),
)
_SEEN = "; empty where nobody looked"
SHOOTS = Layout(
    "shoots.csv, .xlsx: the table that `vinemap spring` takes",
    "a vine after budbreak, or a few of one sample; rows of one sample are added up",
    (
        _SAMPLE,
        replace(_DEAD, name="nodes", meaning="nodes left at pruning", unit="nodes", required=True, filled=True),
        replace(
            _DEAD,
            name="shoots",
            meaning="nodes on which at least one shoot grew, frozen since or not",
            unit="nodes",
            required=True,
            filled=True,
        ),
        replace(
            _DEAD,
            name="primary_frozen",
            meaning=f"of these, nodes whose first (primary) shoot froze after budbreak{_SEEN}",
            unit="nodes",
        ),
        replace(
            _DEAD,
            name="secondary_frozen",
            meaning=f"of those, nodes whose secondary shoot froze too{_SEEN}",
            unit="nodes",
        ),
        replace(
            _DEAD,
            name="suckers",
            meaning=f"shoots from the foot of the trunk or below the ground{_SEEN}",
            unit="shoots",
        ),
        Column(
            "vines",
            Kind.WHOLE,
            "vines that the row counts, 1 or more; where every row has it, nodes left a vine enter the crop",
            "vines",
            low=1,
            high=10_000,
            asked="a whole number, 1 or more",
        ),
        Column("stage", Kind.TEXT, "growth stage, as BBCH 11 or E-L 7 (modified Eichhorn-Lorenz)"),
    ),
)

_LOGGER = Column("logger", Kind.NAME, "name of the logger", required=True, filled=True)
_CELSIUS = Column("", Kind.NUMBER, "", "°C", low=-60, high=60)
LOGGERS = Layout(
    "loggers.csv, .xlsx, .geojson, .gpkg, .shp, .fgb, .kml, .kmz, .gpx, .parquet",
    "a temperature logger: its place, and its minimum of the night where its readings stand in no file of their own",
    (
        replace(_LOGGER, format_name="name"),
        _LON,
        _LAT,
        *(column for column in SAMPLES.columns if column.name in ("easting", "northing")),
        _in_fahrenheit(replace(_CELSIUS, name="min_c", meaning="the lowest temperature of the night, -60 to 60")),
        _in_feet(
            Column("height_m", Kind.NUMBER, "metres of the sensor above the ground, 0 to 30", "m", low=0, high=30)
        ),
    ),
)
READINGS = Layout(
    "loggers.csv, .xlsx, and each file of the folder loggers/",
    "a reading, under any title rows; the file, or its sheet, is called as the logger where it holds one logger alone",
    (
        replace(_LOGGER, required=False, meaning="name of the logger, where a file holds several"),
        Column(
            "time",
            Kind.TIME,
            "date and time of the reading, in one column or two",
            required=True,
            filled=True,
        ),
        _in_fahrenheit(replace(_CELSIUS, name="temp_c", meaning="the temperature, -60 to 60", required=True)),
    ),
)
TICKS = Layout(
    "done.csv, .xlsx",
    "a mark on a task of the work list, as phones send it; of one task the later mark of a kind stands",
    (
        Column("block", Kind.NAME, "block of the task", required=True, filled=True),
        Column("zone", Kind.WHOLE, "the number of the zone, 1 or more", low=1, high=10_000_000, empty=None),
        Column("task", Kind.WORD, "the task, as in worklist.csv", words=WORK, required=True, filled=True),
        Column("mark", Kind.WORD, "what was marked", words=MARKS, required=True, filled=True),
        Column("set", Kind.YES_NO, "yes where it was set, no where taken back", required=True, filled=True),
        Column("initials", Kind.TEXT, "of who marked it"),
        Column("time", Kind.TEXT, "when, with its zone, as 2026-02-14T09:30:00Z", required=True, filled=True),
        Column(
            "vines",
            Kind.NUMBER,
            "vines that the task took then, 0 or more: a zone with others is another",
            "vines",
            low=0,
            high=100_000_000,
        ),
    ),
)

HARDINESS = Layout(
    "hardiness.csv, .xlsx",
    "lethal temperatures of the buds of a variety, or of a group, on a day, from the adviser's own service",
    (
        Column("variety", Kind.TEXT, "variety, as the blocks name it; else the row is of the group"),
        Column("species_group", Kind.WORD, "kin of the varieties that the row is of", words=tuple(SpeciesGroup)),
        Column("date", Kind.DATE, "day of the figures; empty where they are those of the night"),
        _in_fahrenheit(
            replace(_CELSIUS, name="lt10_c", meaning="temperature that kills 10 % of primary buds, -60 to 60")
        ),
        _in_fahrenheit(
            replace(
                _CELSIUS,
                name="lt50_c",
                meaning="temperature that kills half of the primary buds, -60 to 60",
                required=True,
            )
        ),
        _in_fahrenheit(
            replace(_CELSIUS, name="lt90_c", meaning="temperature that kills 90 % of primary buds, -60 to 60")
        ),
    ),
)

# What comes out.


def _cut(stem: str, what: str, read: str, dead: str, unread: str, source: str) -> tuple[Column, ...]:
    """Return the columns of a figure of what was cut: buds read, unread and dead, and the percentage dead."""
    columns = [_count(read, f"{what}: read", "nodes")]
    if unread:
        columns.append(_count(unread, f"{what}: cut and not read", "nodes"))
    return (
        *columns,
        _count(dead, f"{what}: dead", "nodes"),
        _pct(f"{stem}_pct", f"{what}: dead, of those read"),
        _pct(f"{stem}_low_pct", f"{what}: low end of the confidence interval", source),
        _pct(f"{stem}_high_pct", f"{what}: high end of the confidence interval", source),
    )


def _in_spring(*columns: Column) -> tuple[Column, ...]:
    """Return columns that `vinemap spring` alone writes."""
    return tuple(replace(column, spring=True) for column in columns)


def _cuts(source: str) -> tuple[Column, ...]:
    """Return the columns of everything that is cut."""
    kept = "primary buds of the nodes that pruning keeps"
    beyond = "primary buds of the nodes beyond those that pruning keeps"
    figures = [
        _cut("injury", "primary buds", "nodes", "primary_dead", "unread", source),
        _cut("basal", kept, "basal_nodes", "basal_dead", "", source),
        _cut("apical", beyond, "apical_nodes", "apical_dead", "", source),
    ]
    rest = {
        Bud.SECONDARY: "secondary buds",
        Bud.TERTIARY: "tertiary buds",
        Bud.NO_LIVE_BUD: "nodes with no live bud; from `vinemap spring`, nodes with no shoot",
        Bud.NONCOUNT: "basal buds, which are no nodes",
        Bud.FROZEN: "first shoots frozen after budbreak, from `vinemap spring`",
    }
    for stem, what in rest.items():
        read, unread = (f"{stem}_read", "") if stem is Bud.NONCOUNT else (f"{stem}_nodes", f"{stem}_unread")
        figures.append(_cut(stem, what, read, f"{stem}_dead", unread, source))
        if stem is Bud.FROZEN:
            figures[-1] = _in_spring(*figures[-1])
    return tuple(column for figure in figures for column in figure)


def _checked(tissue: Tissue) -> Iterator[Column]:
    """Yield the columns of the wood checks of one tissue."""
    states = {
        WoodState.PHLOEM: "with dead phloem",
        WoodState.HURT: "with dead xylem or cambium",
        WoodState.DEAD: "dead through",
    }
    for state, words in states.items():
        stem, what = f"{tissue}_{state}", f"{tissue}s {words}"
        yield _count(f"{stem}_read", f"{what}: vines checked", "vines")
        yield _count(f"{stem}_vines", f"{what}: vines found so", "vines")
        yield _pct(f"{stem}_pct", f"{what}: share of the vines checked")
        yield _pct(f"{stem}_low_pct", f"{what}: low end of the confidence interval", _WILSON)
        yield _pct(f"{stem}_high_pct", f"{what}: high end of the confidence interval", _WILSON)


_WOOD_BESIDE = (
    _count("trunk_deeper_vines", "vines with brown phloem in a trunk whose xylem was not read: cut deeper", "vines"),
    _pct("trunk_browned_pct", "trunks: mean share of the phloem that is brown, where it was noted"),
    Column("trunk_visit", Kind.WORD, "last visit that looked at trunks", words=tuple(Visit)),
    Column("trunk_unchecked", Kind.TEXT, "samples whose trunks nobody checked, to be checked in this order"),
    Column(
        "trunk_checks_of",
        Kind.WORD,
        "which share of trunks is too uncertain to decide; empty where the checks decide, or none was made",
        words=tuple(DECISIVE),
    ),
    Column(
        "trunk_checks_limit_pct",
        Kind.NUMBER,
        "limit that lies within its interval",
        "%",
        source=f"{_RULES}: wood",
    ),
    _count(
        "trunk_checks_more",
        "vines more to check until the interval clears the limit; empty where most_more_checks would not do",
        "vines",
        _WILSON,
    ),
    Column("wood_text", Kind.TEXT, "what the wood asks for next, in sentences"),
    _count("wedge_vines", "vines whose wood shows a stained wedge, as of a fungus, not of cold", "vines"),
)


def _crop(when: str, nodes: str) -> Iterator[Column]:
    """Yield the columns of the crop with some number of nodes, as a share and in tonnes."""
    ends = {"": "", "_low": ": low end, by the injury and by how secondaries crop", "_high": ": high end"}
    for side, end in ends.items():
        meaning = f"crop with {nodes}, as a share of a normal year's{end}"
        yield _pct(f"crop_{when}{side}_pct", meaning, f"{_RULES}: secondary_crop; {_VARIETIES}")
    for side, end in ends.items():
        yield Column(f"crop_{when}{side}_t", Kind.NUMBER, f"crop of the block with {nodes}{end}", "t")


def _kept(what: str, stem: str) -> tuple[Column, Column, Column]:
    """Return the columns of the nodes to keep."""
    source = f"{_RULES}: pruning, ceiling"
    return (
        _nodes(stem, f"{what}; empty where the rule gives no number: keep all", source),
        _nodes(f"{stem}_low", f"{what}, with the injury at its low end", source),
        _nodes(f"{stem}_high", f"{what}, with the injury at its high end", source),
    )


_ACTION = Column("action", Kind.WORD, "what to do", source=_RULES, words=TASKS, on_page=True)
_ZONE_NODES = Column(
    "zone_nodes",
    Kind.TEXT,
    "where zones differ: each zone's nodes to keep, else its action, as in 3: prune_long_wait; 4: 39",
    source=_RULES,
)
_GRADE = Column("grade", Kind.WORD, "which figure decides", source=_RULES, words=tuple(Grade), on_page=True)
_VINES = _count("vines", "vines; as given, else from ground and spacings, less those missing", "vines")
_AREA = _ha("area_ha", "ground of the outline, on the map projection")
_TARGET = _nodes("target_nodes", "nodes in a normal year", f"{_RULES}: balanced, nodes_per_foot")
_TARGET_FROM = Column(
    "target_from",
    Kind.WORD,
    "where the nodes of a normal year come from; spacing is an assumption",
    words=tuple(filter(None, Origin)),
    on_page=True,
)
_KEEP, _KEEP_LOW, _KEEP_HIGH = _kept("nodes to keep", "nodes_to_keep")
_TWICE = f"{_RULES}: double_pruning"
_NOW_AND_THEN = (
    _nodes("nodes_now_low", "pruning twice: the fewest nodes to leave now; empty where pruned otherwise", _TWICE),
    _nodes("nodes_now_high", "pruning twice: the most nodes to leave now", _TWICE),
    _nodes("nodes_after_budbreak", "pruning twice: nodes that grew, to cut back to after budbreak", _TWICE),
)
_EXTRA = _pct("extra_pct", "more nodes than in a normal year", f"{_RULES}: pruning")
_EXTRA_ENDS = (
    _pct("extra_low_pct", "more nodes, with the injury at its low end", f"{_RULES}: pruning"),
    _pct("extra_high_pct", "more nodes, with the injury at its high end", f"{_RULES}: pruning"),
)
_CROPS = (
    *_crop("before", "the nodes of a normal year"),
    *_crop("after", "the nodes to keep"),
)

_DECIDED = (
    replace(_ACTION, words=tuple(Action), meaning="what to do; work_by_zone where zones differ: see zones.csv"),
    _ZONE_NODES,
    Column("action_text", Kind.TEXT, "what to do, as a sentence"),
    _GRADE,
    Column(
        "trunks_hurt",
        Kind.YES_NO,
        "whether hurt trunks call for a second look before nodes are cut to a number",
        source=f"{_RULES}: wood",
        on_page=True,
    ),
    _TARGET,
    _TARGET_FROM,
    _KEEP,
    _KEEP_LOW,
    _KEEP_HIGH,
    *_NOW_AND_THEN,
    _EXTRA,
    *_EXTRA_ENDS,
    *_CROPS,
)
_MAPPED = (
    _pct("map_injury_pct", "primary buds dead over the whole block, by the map", _MODEL),
    _pct("map_low_pct", "low end of its 90 % credible interval", _DRAWS),
    _pct("map_high_pct", "high end of its 90 % credible interval", _DRAWS),
    _ha("area_over_ha", "ground with more injury than the threshold", _DRAWS),
    _ha("area_over_low_ha", "low end of its 90 % credible interval", _DRAWS),
    _ha("area_over_high_ha", "high end of its 90 % credible interval", _DRAWS),
    _pct(
        "map_no_live_bud_pct",
        "nodes with no live bud (in spring: no shoot) over the block, by the map",
        _MODEL,
    ),
    *_in_spring(
        _pct("map_no_live_bud_low_pct", "low end of its 90 % credible interval, from `vinemap spring`", _DRAWS),
        _pct("map_no_live_bud_high_pct", "high end of its 90 % credible interval, from `vinemap spring`", _DRAWS),
        _pct("map_frozen_pct", "first shoots frozen over the whole block, by the map, from `vinemap spring`", _MODEL),
        _pct("map_frozen_low_pct", "low end of its 90 % credible interval", _DRAWS),
        _pct("map_frozen_high_pct", "high end of its 90 % credible interval", _DRAWS),
    ),
    _pct("too_few_pct", "ground with too few samples to say", on_page=False),
)
_ABBOTT = "W. S. Abbott, J. Econ. Entomol. 18 (1925) 265"
_NET = (
    _pct("net_injury_pct", "primary buds that this freeze killed, of those alive before it", _ABBOTT),
    _pct("net_low_pct", "low end of its interval", _ABBOTT),
    _pct("net_high_pct", "high end of its interval", _ABBOTT),
)
_BEFORE = (
    _pct("dead_before_pct", "primary buds that had died before the freeze"),
    _pct("dead_before_low_pct", "low end of its confidence interval", _CLUSTERED),
    _pct("dead_before_high_pct", "high end of its confidence interval", _CLUSTERED),
    Column(
        "dead_before_from",
        Kind.WORD,
        "how that is known; empty where it is not",
        words=tuple(filter(None, Known)),
        on_page=True,
    ),
    *_NET,
)
_CANES = _count("canes", "canes cut; empty where buds came as counts", "canes")
_EVIDENCE = Column(
    "evidence",
    Kind.WORD,
    "what the figures rest on; only with enough are they called sure",
    source=f"{_RULES}: evidence",
    words=tuple(Evidence),
    on_page=True,
)
_RESTS_ON = (
    _CANES,
    _pct("covered_pct", "ground within the reach that as many samples, spread evenly, would need to reach all of it"),
    _EVIDENCE,
    _pct("map_at_samples_pct", "primary buds dead by the map, mean over the places of the samples", _MODEL),
    Column(
        "samples_above_m",
        Kind.NUMBER,
        "height of the samples above the block's mean; minus: they stand lower",
        "m",
        1,
        on_page=True,
    ),
    Column(
        "differs",
        Kind.WORD,
        "why what was cut and the map lie far apart; empty where they do not",
        source=f"{_RULES}: evidence",
        words=tuple(filter(None, Differs)),
        on_page=True,
    ),
)
_COUNTED = (
    _count("samples", "samples with a primary bud read", "samples"),
    Column(
        "interval",
        Kind.WORD,
        "how the confidence intervals of what was cut were found",
        words=tuple(Interval),
        on_page=True,
    ),
    *_cuts(_CLUSTERED),
)
_GREW = _in_spring(
    _count("counted_samples", "samples on which shoots were counted, from `vinemap spring`", "samples"),
    _count("no_shoot_vines", "vines of these on which no node left at pruning grew a shoot", "vines"),
    _count("sucker_vines", "vines of these that have suckers", "vines"),
    replace(_nodes("nodes_left", "nodes left at pruning, where the vines were counted"), decimals=1, shown=1),
    _pct("both_frozen_pct", "nodes of which the first shoot froze: the second froze too, of those looked at again"),
)
_SIZE = (
    _AREA,
    _VINES,
    Column(
        "vines_from",
        Kind.WORD,
        "where the number of vines comes from",
        words=(Origin.GIVEN, Origin.SPACING),
        on_page=True,
    ),
)


def _blocks_csv() -> Iterator[Column]:
    """Yield the columns of blocks.csv: first the dozen that answer most questions, then all else by stages."""
    first = (
        *("block", "variety", "action", "nodes_to_keep", "zone_nodes", "target_nodes", "map_injury_pct"),
        *("map_low_pct", "map_high_pct", "injury_pct", "crop_after_pct", "area_ha", "vines"),
    )
    found = {column.name: column for column in (*_DECIDED, *_COUNTED, *_MAPPED, *_RESTS_ON, *_BEFORE, *_GREW, *_SIZE)}
    given = {column.name: column for column in BLOCKS.columns if column.carried and column.name not in found}
    checked = (column for tissue in Tissue for column in _checked(tissue))
    wood = {column.name: column for column in (*checked, *_WOOD_BESIDE)}
    known = given | found | wood
    yield from (known.pop(name) for name in first)
    yield from (known.pop(name) for name in found if name in known)
    yield from known.values()


BLOCKS_CSV = Layout("blocks.csv; vineyard.gpkg, layer blocks", "a block", tuple(_blocks_csv()))

SAMPLES_CSV = Layout(
    "samples.csv; vineyard.gpkg, layer samples",
    "a sample",
    (
        SAMPLES.columns[0],
        Column("block", Kind.NAME, "block that the sample lies in or joins; empty outside every block"),
        Column("row", Kind.WHOLE, "vine row; as given, else the nearest where the block's rows are known"),
        Column("vine", Kind.WHOLE, "vine in that row; as given, else the nearest", on_page=True),
        Column(
            "vine_from",
            Kind.WORD,
            "where row and vine come from; by a position they are as good as that is",
            words=tuple(filter(None, VineFrom)),
            on_page=True,
        ),
        Column("stated_block", Kind.TEXT, "block that the samples' file states", on_page=True),
        Column("distance_m", Kind.NUMBER, "metres to the block; 0 inside it", "m", 3, on_page=True),
        *(column for column in SAMPLES.columns[1:] if column.carried),
        _LON,
        _LAT,
        _CANES,
        *_cuts(_WILSON),
    ),
)

_DEAD_TRUNKS = tuple(
    _pct(f"trunk_dead{side}_pct", f"vines whose trunks are dead{end}", _MODEL, on_page=False)
    for side, end in (("", ""), ("_low", ": low end"), ("_high", ": high end"))
)

_SURE = _pct(
    "sure_pct",
    "how likely the ground is to belong in this zone, mean over it; empty without evidence, at most 95",
    f"{_RULES}: evidence",
)
_CANES_MORE = _count(
    "canes_more",
    "canes to cut, each from another vine, before the zone is acted on; 0 where it is sure enough; empty where no "
    "number would tell",
    "canes",
    _GAIN,
)
_ROWS = (
    Column("rows_whole", Kind.TEXT, "vine rows that lie in the zone whole, where rows are measured", on_page=True),
    Column("rows_part", Kind.TEXT, "vine rows of which a part lies in it; rows.csv has their vines", on_page=True),
)

ZONES_CSV = Layout(
    "zones.csv; vineyard.gpkg, layer zones",
    "a zone: connected ground of a block with one action",
    (
        Column("zone", Kind.WHOLE, "number of the zone, over the whole vineyard", on_page=True),
        Column("block", Kind.NAME, "block that the zone lies in"),
        _ACTION,
        _KEEP,
        _KEEP_LOW,
        _KEEP_HIGH,
        *_NOW_AND_THEN,
        replace(_TARGET, on_page=False),
        replace(_TARGET_FROM, on_page=False),
        _EXTRA,
        *(replace(column, on_page=False) for column in _EXTRA_ENDS),
        _AREA,
        replace(_VINES, meaning="the block's vines, shared by area, or by their places where rows and vines are known"),
        *_ROWS,
        Column(
            "corner",
            Kind.WORD,
            "where rows are not known: corner of the block that the distances count from; empty in blocks of one zone",
            words=tuple(Side),
            on_page=True,
        ),
        Column("side", Kind.WORD, "side of the block that leads from that corner", words=tuple(Side), on_page=True),
        _pace("along_from_m", "where the zone begins, along that side; empty where it reaches from end to end"),
        _pace("along_to_m", "where it ends, along that side"),
        _pace("in_from_m", "where it begins, in from that side; empty where it reaches across the block"),
        _pace("in_to_m", "where it ends, in from that side"),
        _pct("injury_pct", "primary buds dead, mean over the zone", _MODEL),
        _pct("injury_low_pct", "low end of its 90 % credible interval", _DRAWS),
        _pct("injury_high_pct", "high end of its 90 % credible interval", _DRAWS),
        _SURE,
        _count("samples", "samples in the zone with a primary bud read", "samples"),
        _CANES,
        _count("nodes", "primary buds read in the zone", "nodes"),
        _EVIDENCE,
        _CANES_MORE,
        *(replace(column, on_page=False) for column in _CROPS if column.unit == "%"),
        *_DEAD_TRUNKS,
        *(replace(column, on_page=False) for column in _NET),
        _pct("trunk_hurt_pct", "vines with hurt trunks", _MODEL, on_page=False),
        _pct("no_live_bud_pct", "nodes with no live bud (in spring: no shoot), mean over the zone", _MODEL),
        _pct("no_live_bud_low_pct", "low end of its 90 % credible interval, from `vinemap spring`", _DRAWS),
        _pct("no_live_bud_high_pct", "high end of its 90 % credible interval, from `vinemap spring`", _DRAWS),
        _GRADE,
    ),
)

ROWS_CSV = Layout(
    "rows.csv",
    "a run of neighbouring vines of one row and zone, where rows are known",
    (
        Column("block", Kind.NAME, "block"),
        Column("row", Kind.WHOLE, "vine row, 1 that of the first vine"),
        Column("zone", Kind.WHOLE, "number of the zone, as in zones.csv"),
        Column("vine_from", Kind.WHOLE, "first vine of the run, 1 at the first vine's end of the row"),
        Column("vine_to", Kind.WHOLE, "last vine of the run"),
        Column(
            "vines",
            Kind.WHOLE,
            "places of vines in the run, by the spacing, gaps and young vines among them: only the vines of blocks, "
            "zones and work leave missing_vines out",
            "vines",
        ),
        _ACTION,
        _KEEP,
    ),
)

_ASSUMED = "given where the settings have all that it takes, else assumed"
WORK_LIST = Layout(
    "worklist.csv",
    "a task, in the order of the work; a zone may have several",
    (
        Column("visit", Kind.WHOLE, "place in the order", on_page=True),
        Column(
            "task",
            Kind.WORD,
            "what to do: the zone's action, or what comes before or after it",
            words=WORK,
            on_page=True,
        ),
        Column("when", Kind.WORD, "when it is due", words=tuple(When), on_page=True),
        Column(
            "zone",
            Kind.WHOLE,
            "number of the zone, as in zones.csv; empty where the block as a whole is meant",
            on_page=True,
        ),
        Column("block", Kind.NAME, "block that the zone lies in", on_page=True),
        replace(_ACTION, meaning="what to do in the zone"),
        replace(_AREA, meaning="ground of the zone, on each of its lines", on_page=False),
        replace(_VINES, meaning="vines of the zone, on each of its lines", on_page=False),
        *(replace(column, on_page=False) for column in (*_ROWS, _KEEP, _TARGET_FROM, _SURE)),
        _count("samples", "samples in the zone with a primary bud read", "samples", on_page=False),
        _count("nodes", "primary buds read in the zone", "nodes", on_page=False),
        Column(
            "vines_to_work",
            Kind.NUMBER,
            "vines that the task takes: of retraining and replanting those dead, of canes one a cane, of wood checks "
            "those to check",
            "vines",
            on_page=True,
        ),
        Column("vines_to_work_low", Kind.NUMBER, "low end of vines_to_work", "vines"),
        Column("vines_to_work_high", Kind.NUMBER, "high end of vines_to_work", "vines"),
        Column("hours", Kind.NUMBER, "hours of one person", "h", 2, f"{_RULES}: work", shown=1, on_page=True),
        Column("hours_from", Kind.WORD, f"where hours come from: {_ASSUMED}", words=tuple(Rate), on_page=True),
        Column("crew_days", Kind.NUMBER, "working days of the crew", "days", 2, shown=1, on_page=True),
        Column("days_from", Kind.WORD, f"where days come from: {_ASSUMED}", words=tuple(Rate), on_page=True),
        Column("day_from", Kind.WHOLE, "first of the crew's days, where the task is due before budbreak", on_page=True),
        Column("day_to", Kind.WHOLE, "last of the crew's days", on_page=True),
        Column("{material}_pieces", Kind.NUMBER, "pieces of a material", "pieces", source=f"{_RULES}: work"),
        Column(
            "cost",
            Kind.NUMBER,
            "cost of hours and materials",
            CURRENCY,
            2,
            source=f"{_RULES}: work",
            shown=2,
            on_page=True,
        ),
        Column("cost_from", Kind.WORD, f"where the cost comes from: {_ASSUMED}", words=tuple(Rate), on_page=True),
        Column("full_crop_year", Kind.WHOLE, "year of a full crop again", source=f"{_RULES}: recovery", on_page=True),
        Column("done", Kind.YES_NO, "whether it was ticked as done, by done.csv; empty where not", on_page=True),
        Column("done_by", Kind.TEXT, "who ticked it", on_page=True),
        Column("done_at", Kind.TEXT, "when, in UTC", on_page=True),
        Column("flagged", Kind.YES_NO, "whether it was flagged for whoever leads the work", on_page=True),
        Column("flagged_by", Kind.TEXT, "who flagged it", on_page=True),
        Column("flagged_at", Kind.TEXT, "when, in UTC", on_page=True),
    ),
)

MORE_CANES_CSV = Layout(
    "more_canes.csv",
    "a cane to cut in a zone that is not sure enough, the most telling one of each zone first",
    (
        replace(_SAMPLE, meaning="name for the new sample", on_page=True),
        Column("block", Kind.NAME, "block that the place lies in"),
        Column("zone", Kind.WHOLE, "number of the zone, as in zones.csv", on_page=True),
        _LON,
        _LAT,
        Column("row", Kind.WHOLE, "row of the vine, where rows are measured", on_page=True),
        Column("vine", Kind.WHOLE, "place of the vine in its row", on_page=True),
        Column("nodes", Kind.WHOLE, "nodes to cut, counted from the base", "nodes"),
    ),
)

_BLIND = (
    _pct("blind_pct", "blind nodes, of those left at pruning"),
    _pct("blind_low_pct", "low end of its confidence interval", _WILSON),
    _pct("blind_high_pct", "high end of its confidence interval", _WILSON),
)
SPRING_SAMPLES = Layout(
    "spring_samples.csv",
    "a sample counted after budbreak",
    (
        _SAMPLE,
        Column("block", Kind.NAME, "block that the sample lies in or joins"),
        *SHOOTS.columns[1:3],
        _count("blind", "nodes on which no bud grew", "nodes"),
        *_BLIND,
        _pct("predicted_pct", "blind nodes, by the map", _MODEL),
        _pct("predicted_low_pct", "low end of its 90 % credible interval", _MODEL),
        _pct("predicted_high_pct", "high end of its 90 % credible interval", _MODEL),
        Column(
            "verdict",
            Kind.WORD,
            "whether more or fewer nodes are blind than the map says; empty where it agrees",
            words=tuple(filter(None, Verdict)),
        ),
    ),
)
SPRING_CALIBRATION = Layout(
    "spring_calibration.csv",
    "a class of samples by what the map says",
    (
        _pct("from_pct", "low limit of the class, blind nodes by the map"),
        _pct("to_pct", "high limit of the class"),
        _count("samples", "samples of the class", "samples"),
        _count("nodes", "nodes left at pruning", "nodes"),
        _pct("predicted_pct", "blind nodes by the map, mean over the nodes", _MODEL),
        *_BLIND,
    ),
)

SPRING_RAZOR = Layout(
    "spring_razor.csv",
    "what one reader saw of the buds, held against what grew; the first row has all readers",
    (
        replace(_READER, meaning="who read the buds; empty in the row of all"),
        _count("samples", "samples cut and counted", "samples"),
        _count("nodes_cut", "nodes of these that were cut, of which it is known whether a bud was alive", "nodes"),
        _pct("read_dead_pct", "of these, read as having no live bud"),
        _count("nodes_left", "nodes of these that were left at pruning and counted", "nodes"),
        _pct("blind_pct", "of these, with no shoot"),
        _pct("difference_pct", "blind less read dead, vine by vine, in points", _STRATA),
        _pct("difference_low_pct", "low end of its confidence interval", _STRATA),
        _pct("difference_high_pct", "high end of its confidence interval", _STRATA),
        _pct("by_chance_pct", "points by which chance alone makes them differ where every reading is right", _STRATA),
        _pct("agreement_pct", "nodes on which readings and shoots can agree at the most", "M. Fréchet (1935)"),
        _pct("agreement_low_pct", "low end of its confidence interval", "M. Fréchet (1935)"),
        _pct("agreement_high_pct", "high end of its confidence interval", "M. Fréchet (1935)"),
        _count("read_too_dead", "samples with fewer blind nodes than were read dead, beyond chance", "samples", _EXACT),
        _count("read_too_alive", "samples with more blind nodes than were read dead, beyond chance", "samples", _EXACT),
        Column(
            "samples_by_chance",
            Kind.NUMBER,
            "samples that chance alone would put into the two columns before, at the most",
            "samples",
            1,
            _EXACT,
        ),
    ),
)

PLAN_SAMPLES = Layout(
    "samples.csv of a plan",
    "a point to collect at, as `vinemap map` reads it",
    tuple(column for name in ("sample", "block", "lon", "lat", "date") if (column := SAMPLES.find(name)) is not None),
)
PLAN_POINTS = Layout(
    "plan.geojson",
    "a point to collect at, in walking order",
    (
        _SAMPLE,
        Column("stop", Kind.WHOLE, "place in the walk"),
        Column("block", Kind.NAME, "block that the point lies in"),
        Column("variety", Kind.TEXT, "variety of the block"),
        Column(
            "terrain",
            Kind.WORD,
            "how the ground lies: hollow, foot of a slope, else a third of the block by height; or unknown",
            words=tuple(Third),
        ),
        Column("row", Kind.WHOLE, "row of the vine, counted from the block's first vine"),
        Column("vine", Kind.WHOLE, "place of the vine in its row"),
        Column("nodes", Kind.WHOLE, "nodes to cut", "nodes"),
        Column("elevation_m", Kind.NUMBER, "height above sea level", "m", 1),
        Column("probability_pct", Kind.NUMBER, "how likely injury is above the threshold, by the first survey", "%", 0),
    ),
)
NAVIGATION = Layout(
    "navigation/zones_shp/, navigation/zones.geojson (with name and description)",
    "a zone, for the terminal of a tractor; names of up to ten characters",
    (
        Column("zone", Kind.WHOLE, "number of the zone, as in zones.csv"),
        Column("block", Kind.NAME, "block that the zone lies in"),
        _ACTION,
        _AREA,
        _VINES,
        _nodes("nodes", "nodes to keep; empty where the rule gives no number"),
        _pct("dead_pct", "primary buds dead, mean over the zone"),
        _count("nodes_cut", "primary buds read in the zone", "nodes"),
    ),
)

CROP_LOSS = Layout(
    "run.json, crop_loss",
    "a variety; the last one the whole vineyard",
    (
        Column("variety", Kind.TEXT, "variety; empty where it is not given, and for the whole vineyard"),
        Column("whole", Kind.YES_NO, "whether the row is of the whole vineyard"),
        _AREA,
        _ha("counted_ha", "ground of the blocks that have a figure"),
        _VINES,
        _pct("loss_pct", "crop of a normal year that is lost, before longer pruning makes up for any of it", _MODEL),
        _pct("loss_low_pct", "low end of its 90 % credible interval", _DRAWS),
        _pct("loss_high_pct", "high end of its 90 % credible interval", _DRAWS),
        _pct("over_pct", "how likely the loss is past the settings' crop_loss_over_pct", _DRAWS),
        Column("by_yield", Kind.YES_NO, "whether blocks count by their normal yield, else by their area"),
    ),
)

REGION = Layout(
    "region.csv, .tsv, .xlsx, beside the vineyards' folders",
    "a vineyard of the region",
    (
        Column(
            "folder", Kind.NAME, "name of the vineyard's folder", required=True, filled=True, spellings=("vineyard",)
        ),
        Column("district", Kind.TEXT, "district that its figures are published under"),
        Column("grower", Kind.TEXT, "who owns it; those without one count together as one grower"),
        Column(
            "area_weight",
            Kind.NUMBER,
            "how often its area counts, above 0 to 1,000,000; 1 where it stands for itself alone",
            low=0.000001,
            high=1_000_000,
        ),
        Column("share", Kind.YES_NO, "whether its figures enter the bulletin; yes where not given"),
    ),
)
"""What `vinemap region` reads beside the vineyards themselves, which are read by `INPUTS`."""

_ULTIMATE = "M. H. Hansen, W. N. Hurwitz & W. G. Madow, Sample Survey Methods and Theory (1953): ultimate clusters"
_SHOWN = "not shown: too few growers, or told by subtraction"


def _between(stem: str, meaning: str, source: str = "") -> tuple[Column, ...]:
    """Return a percentage's columns with the interval between vineyards."""
    return (
        _pct(f"{stem}_pct", meaning, source, on_page=False),
        _pct(f"{stem}_low_pct", "low end of its interval between vineyards", _ULTIMATE, on_page=False),
        _pct(f"{stem}_high_pct", "high end of its interval between vineyards", _ULTIMATE, on_page=False),
    )


_POOLED = (
    Column("state", Kind.WORD, f"shown, withheld ({_SHOWN}) or no_results", words=tuple(Disclosure)),
    _count("vineyards", "vineyards with a figure", "vineyards", on_page=False),
    _count("canes", "canes cut; empty where a vineyard's buds came as counts", "canes", on_page=False),
    _count("buds", "primary buds read", "nodes", on_page=False),
    replace(_AREA, meaning="area of the blocks in hectares", decimals=2, on_page=False),
    *_between("injury", "primary buds dead, mean of the vineyards by their area", _ULTIMATE),
    _pct("range_low_pct", "at most the lowest vineyard's injury, down to a whole ten", on_page=False),
    _pct("range_high_pct", "at least the highest vineyard's injury, up to a whole ten", on_page=False),
    _pct("survival_pct", "primary buds alive: 100 less injury_pct", on_page=False),
    *_between("net_injury", "primary buds that this freeze killed, of those alive before it", _ABBOTT),
    *_between("crop_loss", "of a normal crop lost before pruning, mean of the vineyards by their area", _RULES),
    _pct("over_pct", "how likely the crop loss is past the limit of region.toml", _ULTIMATE, on_page=False),
)
BULLETIN = Layout(
    "bulletin.csv; bulletin.xlsx, sheet varieties",
    "a variety in a district; all stands for every variety, or every district",
    (
        Column("variety", Kind.TEXT, "variety; all for every one"),
        Column("district", Kind.TEXT, "district; all for every one"),
        *_POOLED,
    ),
)
BULLETIN_DISTRICTS = Layout(
    "districts.geojson; bulletin.xlsx, sheet districts",
    "a district",
    (Column("district", Kind.TEXT, "district"), *_POOLED),
)
BULLETIN_GROUPS = Layout(
    "bulletin.xlsx, sheet groups",
    "a species group",
    (Column("group", Kind.TEXT, "species group; unknown where it is not known"), *_POOLED),
)
BULLETIN_HEIGHTS = Layout(
    "bulletin.xlsx, sheet heights",
    "ground by its height above the low ground within 150 m",
    (
        Column("from_m", Kind.NUMBER, "height above low ground from which", "m", 0),
        Column("to_m", Kind.NUMBER, "height above low ground to which; empty for all above", "m", 0),
        Column("state", Kind.WORD, f"shown, withheld ({_SHOWN}) or no_results", words=tuple(Disclosure)),
        _count("vineyards", "vineyards with such ground", "vineyards", on_page=False),
        *_between("injury", "primary buds dead, mean of the vineyards by their area", _ULTIMATE),
        _pct("survival_pct", "primary buds alive: 100 less injury_pct", on_page=False),
    ),
)
VINEYARDS = Layout(
    "private/vineyards.csv",
    "a vineyard of the region, the worst first; those that could not be mapped last",
    (
        Column("folder", Kind.NAME, "name of its folder, and of that of its outputs beside this file"),
        Column("district", Kind.TEXT, "district, from region.csv"),
        Column("grower", Kind.TEXT, "grower, from region.csv"),
        Column("share", Kind.YES_NO, "whether its figures enter the bulletin"),
        Column("state", Kind.WORD, "mapped, or why not", words=tuple(Mapped)),
        Column("message", Kind.TEXT, "what was wrong, where it could not be mapped"),
        _count("samples", "samples with a primary bud read", "samples", on_page=False),
        _CANES,
        _count("buds", "primary buds read", "nodes", on_page=False),
        replace(_AREA, on_page=False),
        _pct("injury_pct", "primary buds dead, mean over the blocks by their area", _MODEL, on_page=False),
        _pct("survival_pct", "primary buds alive: 100 less injury_pct", on_page=False),
        _pct("crop_loss_pct", "of a normal crop lost before pruning", _RULES, on_page=False),
        _pct("crop_loss_low_pct", "low end of its 90 % interval", _DRAWS, on_page=False),
        _pct("crop_loss_high_pct", "high end of its 90 % interval", _DRAWS, on_page=False),
        _count("warnings", "warnings of its run", "", on_page=False),
        Column("widest_block", Kind.TEXT, "block where ten more canes are worth most"),
        _pct(
            "narrower_points",
            "by which ten more canes there would narrow the interval, if its width goes with 1 / √canes",
            "common practice",
            on_page=False,
        ),
        Column("more_canes", Kind.WHOLE, "place by what ten more canes are worth: narrower_points × area; 1 is first"),
    ),
)

INPUTS = (
    BLOCKS,
    DRAWN_ROWS,
    SAMPLES,
    BUDS_BY_NODE,
    BUDS_BY_CANE,
    BUDS_BY_COUNT,
    WOOD,
    SHOOTS,
    LOGGERS,
    READINGS,
    HARDINESS,
    PROTECTION,
    TICKS,
)
SETTINGS_FILE = "vinemap.toml"
"""Of a vineyard, beside the files of `INPUTS`."""
REGION_SETTINGS_FILE = "region.toml"
"""Of a region, beside region.csv."""
HISTORY_CSV = Layout(
    "history.csv, of `vinemap history`",
    "a block, those that froze worst again and again first",
    (
        Column("block", Kind.NAME, "name of the block"),
        _ha("area_ha", "area"),
        _count("winters", "freezes in which the block was mapped or cut", "winters", on_page=False),
        _pct(
            "worst_third_each_pct",
            "of the block's ground expected among the worst third of the vineyard in every freeze",
            f"{_MODEL}; product over the winters, whose canes are different ones",
            on_page=False,
        ),
        _pct("by_chance_pct", "the same, if the freezes had nothing in common: a third to the power of the winters"),
        _count(
            "half_dead_winters", "freezes in which half or more of the primary buds were dead", "winters", on_page=False
        ),
        _count(
            "half_dead_sure_winters",
            "of these, freezes in which the low estimate was half or more too",
            "winters",
            on_page=False,
        ),
        _count(
            "half_crop_winters",
            "freezes in which half or more of a normal crop was lost, before longer pruning makes up for any; empty "
            "where no run says",
            "winters",
            on_page=False,
        ),
    ),
)
HISTORY_ROWS_CSV = Layout(
    "history_rows.csv, of `vinemap history`",
    "a vine row that can be counted, block by block",
    (
        Column("block", Kind.NAME, "name of the block"),
        Column("row", Kind.WHOLE, "number of the vine row"),
        _count("vines", "vines of the row with a map of every freeze", "vines", on_page=False),
        _pct(
            "worst_third_each_pct",
            "of these vines expected among the worst third of the vineyard's ground in every freeze",
            f"{_MODEL}; product over the winters, whose canes are different ones",
            on_page=False,
        ),
    ),
)
OUTPUTS = (
    *(BLOCKS_CSV, SAMPLES_CSV, ZONES_CSV, ROWS_CSV, WORK_LIST, MORE_CANES_CSV),
    *(SPRING_SAMPLES, SPRING_CALIBRATION, SPRING_RAZOR, CROP_LOSS, PLAN_SAMPLES, PLAN_POINTS, NAVIGATION),
    *(HISTORY_CSV, HISTORY_ROWS_CSV),
    *(BULLETIN, BULLETIN_DISTRICTS, BULLETIN_GROUPS, BULLETIN_HEIGHTS, VINEYARDS),
)


def _ends(*stems: str) -> tuple[str, ...]:
    """Return the names of percentages with both ends of their intervals."""
    return tuple(f"{stem}{end}_pct" for stem in stems for end in ("", "_low", "_high"))


_MAP = ("map_injury_pct", "map_low_pct", "map_high_pct")
_GROUND = ("block", "variety", "area_ha", "vines")
WORKBOOK: dict[str, tuple[Layout, tuple[str, ...]]] = {
    "blocks": (
        BLOCKS_CSV,
        (
            *(*_GROUND, *_MAP, *_ends("map_no_live_bud", "injury"), "action", "target_nodes", "nodes_to_keep"),
            *_ends("crop_before", "crop_after"),
        ),
    ),
    "work": (
        WORK_LIST,
        (
            *("visit", "task", "when", "zone", "block", "area_ha", "vines", "nodes_to_keep", "target_from"),
            *("vines_to_work", "vines_to_work_low", "vines_to_work_high", "hours", "hours_from", "crew_days"),
            *("days_from", "day_from", "day_to", "{material}_pieces", "cost", "cost_from", "full_crop_year"),
        ),
    ),
    "rows": (ROWS_CSV, tuple(ROWS_CSV.names)),
    "cut": (
        SAMPLES_CSV,
        (
            *("sample", "block", "date", "canes", "nodes", "primary_dead", *_ends("injury")),
            *("secondary_nodes", "secondary_dead", *_ends("secondary")),
            *("no_live_bud_nodes", "no_live_bud_dead", *_ends("no_live_bud")),
        ),
    ),
    "sure": (BLOCKS_CSV, ("block", "samples", "canes", "nodes", *_ends("injury"), *_MAP, "covered_pct", "evidence")),
    "crop": (CROP_LOSS, ("variety", "area_ha", "vines", *_ends("loss"), "over_pct")),
    "wood": (
        BLOCKS_CSV,
        (
            *("block", "trunk_visit", "trunk_hurt_read", "trunk_hurt_vines", *_ends("trunk_hurt")),
            *("trunk_dead_read", "trunk_dead_vines", *_ends("trunk_dead"), "trunk_checks_more"),
        ),
    ),
}
"""What each sheet of the workbook shows of a table, in its order: such columns speak every language."""


def note_keys() -> dict[tuple[str, str], str]:
    """Return the key of what a column of a sheet of the workbook holds; columns that mean the same share one."""
    first: dict[str, str] = {}
    keys = {}
    for sheet, (layout, names) in WORKBOOK.items():
        for name in names:
            meaning = _found(layout, name).meaning
            short = _short(name)
            shared = first.setdefault(short, meaning) == meaning
            keys[sheet, name] = f"column.{short}" if shared else f"column.{sheet}.{short}"
    return keys


def meanings() -> dict[str, str]:
    """Return what the columns of the workbook hold and what figures are asked for, in English, by their keys."""
    asked = {key: english for english, key in asked_keys().items()}
    return asked | {key: _found(WORKBOOK[sheet][0], name).meaning for (sheet, name), key in note_keys().items()}


@cache
def asked_keys() -> dict[str, str]:
    """Return the key of what a wrong figure's message asks for, by its English: of the first column that asks it."""
    figures = ((layout, column) for layout in INPUTS for column in layout.columns if column.is_figure)
    keys: dict[str, str] = {}
    for layout, column in figures:
        keys.setdefault(column.asks, f"asked.{layout.files.partition('.')[0]}.{column.name}")
    return keys


def heading_key(name: str) -> str:
    """Return the key of the heading that a column has in the workbook."""
    return f"workbook.head.{_short(name)}"


def _found(layout: Layout, name: str) -> Column:
    return next(column for column in layout.columns if column.name == name)


def _short(name: str) -> str:
    """Return a name without what stands in braces."""
    return re.sub(r"\{\w+\}_?", "", name)


def dictionary(layouts: Iterable[Layout] = (*INPUTS, *OUTPUTS)) -> pd.DataFrame:
    """Return the data dictionary: what every column of every file holds.

    Parameters
    ----------
    layouts : iterable of Layout
        Tables to explain; all by default.

    Returns
    -------
    DataFrame
        A row a column: files, row (what a row of the file is), column, needed ('yes' where an input file must have
        it), holds, unit, decimals (missing where figures are written as they are), meaning, source.

    Examples
    --------
    >>> from vinemap.columns import ZONES_CSV, dictionary
    >>> dictionary([ZONES_CSV]).set_index("column").loc["injury_pct", "meaning"]
    'primary buds dead, mean over the zone'
    """
    import pandas as pd  # noqa: PLC0415 - the sentences take meanings from here, and they load before any table

    rows = [
        {
            "files": layout.files,
            "row": layout.rows,
            "column": column.name,
            "needed": "yes" if column.required else "",
            "holds": ", ".join(column.words) or str(column.kind),
            "unit": column.unit,
            "decimals": column.decimals,
            "meaning": column.explained,
            "source": column.source,
        }
        for layout in layouts
        for column in layout.columns
    ]
    return pd.DataFrame(rows).astype({"decimals": "Int64"})
