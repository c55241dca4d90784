"""The columns of each file, and the check of every row against them.

Rows are pydantic models, because the settings are too, and because its errors carry the field, the value and a message
of one's own, which a spreadsheet row then turns into a `Problem`.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any, ClassVar, Generic, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from vinemap.errors import Findings
from vinemap.reading import cells
from vinemap.reading.cells import Cane, Count, CountOrNone, Day, Name, NodeOrNone, Status, Words, YesNo, bad
from vinemap.reading.tables import Table, folded


def _number(low: float, high: float, what: str) -> BeforeValidator:
    return BeforeValidator(partial(cells.number, low=low, high=high, what=what))


def _whole(low: int, high: int, what: str) -> BeforeValidator:
    return BeforeValidator(partial(cells.whole, low=low, high=high, what=what))


class Row(BaseModel):
    """A row of some file.

    Attributes
    ----------
    format_names : dict
        Columns that formats of shapes have of themselves, by the field that they fill where the file has none of its
        name.
    """

    model_config = ConfigDict(frozen=True)
    format_names: ClassVar[dict[str, str]] = {}


class BlockRow(Row):
    """A row of blocks.*: a block of vines."""

    format_names = {"block": "name"}

    block: Name
    variety: Words = None
    species_group: Annotated[
        str | None, BeforeValidator(partial(cells.choice, among=cells.same("vinifera", "hybrid", "american")))
    ] = None
    row_spacing_m: Annotated[float | None, _number(0.5, 20, "metres from row to row, 0.5 to 20")] = None
    vine_spacing_m: Annotated[float | None, _number(0.2, 20, "metres from vine to vine, 0.2 to 20")] = None
    vines: Annotated[int | None, _whole(1, 10_000_000, "the number of vines, 1 or more")] = None
    nodes_per_vine: Annotated[float | None, _number(1, 1000, "nodes kept on a vine, 1 to 1000")] = None
    trunks: Annotated[int | None, _whole(1, 20, "trunks of a vine, 1 to 20")] = None
    planted: Annotated[int | None, _whole(1800, 2100, "the year of planting")] = None
    pruning: Annotated[str | None, BeforeValidator(partial(cells.choice, among=cells.same("spur", "cane")))] = None
    own_rooted: YesNo = None
    pruning_weight_kg: Annotated[float | None, _number(0, 100, "cane prunings of one vine in kilograms")] = None
    normal_yield_t_ha: Annotated[float | None, _number(0, 1000, "tonnes a hectare in a normal year")] = None
    row_bearing_deg: Annotated[float | None, _number(0, 360, "degrees clockwise from true north, 0 to 360")] = None
    first_vine_lon: Annotated[float | None, _number(-180, 180, "longitude in decimal degrees, -180 to 180")] = None
    first_vine_lat: Annotated[float | None, _number(-90, 90, "latitude in decimal degrees, -90 to 90")] = None


class SampleRow(Row):
    """A row of samples.*: where canes were collected."""

    format_names = {"sample": "name", "date": "time"}

    sample: Name
    lon: Annotated[float | None, _number(-180, 180, "longitude in decimal degrees, -180 to 180")] = None
    lat: Annotated[float | None, _number(-90, 90, "latitude in decimal degrees, -90 to 90")] = None
    easting: Annotated[float | None, _number(-1e8, 1e8, "easting in the unit of the CRS")] = None
    northing: Annotated[float | None, _number(-1e8, 1e8, "northing in the unit of the CRS")] = None
    block: Words = None
    row: Annotated[int | None, _whole(1, 100_000, "the number of the vine row, 1 or more")] = None
    vine: Annotated[int | None, _whole(1, 100_000, "the number of the vine in its row, 1 or more")] = None
    date: Day = None


class NodeRow(Row):
    """A row of buds.*: a node cut."""

    sample: Name
    cane: Cane = "1"
    node: NodeOrNone = None
    primary: Status
    secondary: Status = "unread"
    tertiary: Status = "unread"


class CaneRow(Row):
    """A row of buds.* with a column a node: a cane."""

    sample: Name
    cane: Cane = "1"


class CountRow(Row):
    """A row of buds.*: counts of a sample, or of a part of its canes."""

    sample: Name
    part: Annotated[
        str, BeforeValidator(partial(cells.choice, among=cells.same("basal", "apical", "all"), empty="all"))
    ] = "all"
    nodes: Count
    primary_dead: Count
    secondary_dead: CountOrNone = None
    tertiary_dead: CountOrNone = None

    @field_validator("primary_dead", "secondary_dead", "tertiary_dead")
    @classmethod
    def _no_more_than_nodes(cls, dead: int | None, info: ValidationInfo) -> int | None:
        nodes = info.data.get("nodes")
        if dead is not None and nodes is not None and dead > nodes:
            raise bad(f"{dead} dead of {nodes} nodes", "no more buds can be dead than nodes were cut: correct either")
        return dead


class WoodRow(Row):
    """A row of wood.*: a slice under the bark."""

    sample: Name
    tissue: Annotated[
        str, BeforeValidator(partial(cells.choice, among=cells.same("cane", "cordon", "trunk"), needed=True))
    ]
    phloem: Status
    xylem: Status = "unread"


Model = TypeVar("Model", bound=Row)

_SPELLINGS = {"lon": ("longitude",), "lat": ("latitude",)}
_SHAPEFILE_NAME = 10

# Formats that give every shape a dozen fields of their own, which nobody misses.
_OWN_FIELDS = (".kml", ".gpx")


@dataclass(frozen=True)
class Checked(Generic[Model]):
    """Rows of a table after the check.

    Attributes
    ----------
    table : Table
        What was checked.
    columns : dict
        Fields found, and the place of each in the table's rows.
    rows : list
        A model a row; None where the row has a problem.
    """

    table: Table
    columns: dict[str, int]
    rows: list[Model | None]

    def column(self, field: str) -> str:
        """Return a field's column as the file spells it; the field's own name where the file has none."""
        return self.table.columns[self.columns[field]] if field in self.columns else field

    def cell(self, position: int, field: str) -> object:
        """Return the raw cell of a field, None where the file has no such column."""
        return self.table.rows[position][self.columns[field]] if field in self.columns else None

    def good(self) -> list[tuple[int, Model]]:
        """Return the rows without a problem, each with its place in the table."""
        return [(position, row) for position, row in enumerate(self.rows) if row is not None]


def squeeze(name: str) -> str:
    """Return a column's name without case, spaces and underscores."""
    return "".join(name.casefold().replace("_", " ").split())


def match_columns(table: Table, model: type[Row], mapping: Mapping[str, str], findings: Findings) -> dict[str, int]:
    """Find the columns of a table that a row model knows.

    Parameters
    ----------
    table : Table
        What was read.
    model : type
        Row model; its fields are the columns.
    mapping : mapping
        Field to column name, from the settings.
    findings : Findings
        Gets doubled columns and columns that the settings name in vain; a warning names columns that were not used.

    Returns
    -------
    dict
        Field to place in the rows.
    """
    squeezed = [squeeze(column) for column in table.columns]
    found: dict[str, int] = {}
    for field in model.model_fields:
        if field in mapping:
            places = [i for i, column in enumerate(squeezed) if column == squeeze(mapping[field])]
            if not places:
                findings.problem(
                    table.file,
                    None,
                    mapping[field],
                    f"there is no such column, though vinemap.toml names it for {field}",
                    f"correct vinemap.toml; the columns are {', '.join(filter(None, table.columns))}",
                )
        else:
            places = _places(table, field, squeezed, model)
        if len(places) > 1:
            names = " and ".join(repr(table.columns[i]) for i in places)
            findings.problem(
                table.file, None, field, f"{names} are both read as {field}", "keep one of them, or rename the other"
            )
        if places:
            found[field] = places[0]
    _warn_unused(table, model, found, findings)
    return found


def _places(table: Table, field: str, squeezed: Sequence[str], model: type[Row]) -> list[int]:
    """Return the places of a field's column by its own name, else by a usual spelling, else by the format's name."""
    names = [field, *_SPELLINGS.get(field, ())]
    places = [i for i, column in enumerate(squeezed) if column in map(squeeze, names)]
    if not places and table.file.lower().endswith(".shp"):
        # Column names in a shapefile end after ten characters; two fields that begin alike cannot be told apart then.
        cut = field[:_SHAPEFILE_NAME]
        alone = len(field) > _SHAPEFILE_NAME and sum(other.startswith(cut) for other in model.model_fields) == 1
        places = [i for i, column in enumerate(squeezed) if alone and column.startswith(squeeze(cut))]
    if not places and table.geometry is not None:
        places = [i for i, column in enumerate(squeezed) if column == model.format_names.get(field)]
    return places


def _warn_unused(table: Table, model: type[Row], found: Mapping[str, int], findings: Findings) -> None:
    missing = {squeeze(field): field for field in model.model_fields if field not in found}
    unused = []
    for place, column in enumerate(table.columns):
        if place in found.values() or not column or all(cells.blank(row[place]) for row in table.rows):
            continue
        near = difflib.get_close_matches(squeeze(column), missing, n=1, cutoff=0.75)
        if near:
            unused.append(f"{column!r} (meant as {missing[near[0]]}?)")
        elif not table.file.lower().endswith(_OWN_FIELDS):
            unused.append(repr(column))
    if unused:
        shown = ", ".join(unused[:12]) + (f" and {len(unused) - 12} more" if len(unused) > 12 else "")
        findings.warn(f"{table.file}: columns not used: {shown}.")


def check_rows(
    table: Table,
    model: type[Model],
    columns: dict[str, int],
    findings: Findings,
    context: Mapping[str, Any] | None = None,
    section: str | None = None,
) -> Checked[Model]:
    """Check every row of a table against its model.

    Parameters
    ----------
    table : Table
        What was read.
    model : type
        Row model.
    columns : dict
        Field to place, from `match_columns`.
    findings : Findings
        Gets a problem for each missing column and each cell that is wrong.
    context : mapping, optional
        Passed on to the cells' checks.
    section : str, optional
        The table of ``[columns]`` in the settings that may name this file's columns; None where none does.

    Returns
    -------
    Checked
    """
    for field, info in model.model_fields.items():
        if info.is_required() and field not in columns:
            findings.problem(table.file, None, field, "the column is missing", _where_is(field, table, section))
    with folded(findings, len(table.rows)):
        return Checked(table, columns, _models(table, model, columns, findings, context))


def _models(
    table: Table,
    model: type[Model],
    columns: dict[str, int],
    findings: Findings,
    context: Mapping[str, Any] | None,
) -> list[Model | None]:
    checked: list[Model | None] = []
    for cells_, number in zip(table.rows, table.numbers, strict=True):
        try:
            checked.append(model.model_validate({f: cells_[i] for f, i in columns.items()}, context=context))
        except ValidationError as error:
            checked.append(None)
            for fault in error.errors(include_url=False, include_input=False):
                # A column that is missing has been named once for the file.
                if fault["type"] != "missing":
                    column = table.columns[columns[str(fault["loc"][0])]]
                    findings.problem(table.file, number, column, fault["ctx"]["problem"], fault["ctx"]["remedy"])
    return checked


def _where_is(field: str, table: Table, section: str | None) -> str:
    listed = ", ".join(filter(None, table.columns)) or "none"
    named = "" if section is None else f', or name yours in vinemap.toml as [columns.{section}] {field} = "..."'
    title = "; if a title stands above the header, delete it" if ".xlsx" in table.file.casefold() else ""
    return f"add it{named}; the columns are {listed}{title}"


def names_of(checked: Checked[Model], field: str) -> list[str | None]:
    """Return the name in every row, also where another cell of the row has a problem; None where there is none."""
    found: list[str | None] = []
    for position, row in enumerate(checked.rows):
        try:
            found.append(getattr(row, field) if row is not None else cells.name(checked.cell(position, field)))
        except PydanticCustomError:
            found.append(None)
    return found


def refuse_repeats(
    checked: Checked[Model], field: str, remedy: str, findings: Findings, *, alike: bool = False
) -> None:
    """Name every row whose name stands in an earlier row already; with ``alike``, but for capitals and spaces too."""
    first: dict[str, tuple[str, int]] = {}
    for number, name in zip(checked.table.numbers, names_of(checked, field), strict=True):
        if name is None:
            continue
        earlier, row = first.setdefault(cells.bare_name(name) if alike else name, (name, number))
        if row != number:
            spelt = "" if earlier == name else f" as {cells.show(earlier)}"
            findings.problem(
                checked.table.file,
                number,
                checked.column(field),
                f"{cells.show(name)} stands in row {row} already{spelt}",
                remedy,
            )
