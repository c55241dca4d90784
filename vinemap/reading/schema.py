"""The columns of each file, and the check of every row against them.

Rows are pydantic models, because the settings are too, and because its errors carry the field, the value and a message
of one's own, which a spreadsheet row then turns into a `Problem`. Their fields are the columns of `vinemap.columns`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Generic, TypeVar

import numpy as np
import pandas as pd
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    ValidationError,
    ValidationInfo,
    create_model,
    field_validator,
)
from pydantic_core import PydanticCustomError

from vinemap.columns import (
    BLOCKS,
    BUDS_BY_CANE,
    BUDS_BY_COUNT,
    BUDS_BY_NODE,
    DRAWN_ROWS,
    PROTECTION,
    SAMPLES,
    WOOD,
    Column,
    InUnit,
    Kind,
    Layout,
)
from vinemap.errors import Findings
from vinemap.guesses import Guesses
from vinemap.reading import cells
from vinemap.reading.cells import bad
from vinemap.reading.tabular import Table, folded
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.states import State, TrunkGrade


class Row(BaseModel):
    """A row of some file; its fields are the columns of its layout, but for those whose name is a pattern.

    Attributes
    ----------
    layout : Layout
        Of the file.
    """

    model_config = ConfigDict(frozen=True)
    layout: ClassVar[Layout]

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """Return a cell; the fields are made from the layout, where no type checker sees them."""


Model = TypeVar("Model", bound=Row)


def with_columns(layout: Layout) -> Callable[[type[Model]], type[Model]]:
    """Give a row model the columns of a layout as its fields, each with the check of its kind."""

    def made(model: type[Model]) -> type[Model]:
        fields: dict[str, Any] = {
            column.name: (
                Annotated[Any, BeforeValidator(cells.check_of(column))],
                ... if column.required else column.empty,
            )
            for column in layout.columns
            if not column.is_pattern
        }
        whole = create_model(
            model.__name__, __base__=model, __doc__=model.__doc__, __module__=model.__module__, **fields
        )
        whole.layout = layout
        return whole

    return made


@with_columns(BLOCKS)
class BlockRow(Row):
    """A row of blocks.*: a block of vines."""


@with_columns(DRAWN_ROWS)
class LineRow(Row):
    """A row of rows.*: a vine row drawn as a line."""


@with_columns(SAMPLES)
class SampleRow(Row):
    """A row of samples.*: where canes were collected."""


@with_columns(BUDS_BY_NODE)
class NodeRow(Row):
    """A row of buds.*: a node cut."""


@with_columns(BUDS_BY_CANE)
class CaneRow(Row):
    """A row of buds.* with a column a node: a cane."""


@with_columns(BUDS_BY_COUNT)
class CountRow(Row):
    """A row of buds.*: counts of a sample, or of a part of its canes."""

    @field_validator("primary_dead", "secondary_dead", "tertiary_dead", check_fields=False)
    @classmethod
    def _no_more_than_nodes(cls, dead: int | None, info: ValidationInfo) -> int | None:
        nodes = info.data.get("nodes")
        if dead is not None and nodes is not None and dead > nodes:
            raise bad(Sentence("fault.more_dead", dead=dead, nodes=nodes), Sentence("remedy.more_dead"))
        return dead

    @field_validator("primary_dead_before", check_fields=False)
    @classmethod
    def _no_more_than_dead(cls, before: int | None, info: ValidationInfo) -> int | None:
        dead = info.data.get("primary_dead")
        if before is not None and dead is not None and before > dead:
            raise bad(Sentence("fault.more_before", before=before, dead=dead), Sentence("remedy.more_before"))
        return before


@with_columns(PROTECTION)
class ProtectionRow(Row):
    """A row of protection.*: what stood against the frost."""


@with_columns(WOOD)
class WoodRow(Row):
    """A row of wood.*: a slice under the bark."""

    @field_validator("browned_pct", check_fields=False)
    @classmethod
    def _as_the_phloem_says(cls, browned: float | None, info: ValidationInfo) -> float | None:
        phloem = info.data.get("phloem")
        if browned is not None and (phloem, browned) in ((State.ALIVE, 100), (State.DEAD, 0)):
            figures = {"browned": Figure(browned, None), "phloem": str(phloem)}
            raise bad(Sentence("fault.browned", **figures), Sentence("remedy.browned"))
        return browned

    @field_validator("grade", check_fields=False)
    @classmethod
    def _as_the_tissues_say(cls, grade: str | None, info: ValidationInfo) -> str | None:
        contrary = {TrunkGrade.DRY.value: State.ALIVE, TrunkGrade.SOUND.value: State.DEAD}.get(grade or "")
        for tissue in ("phloem", "cambium", "xylem"):
            if contrary is not None and info.data.get(tissue) == contrary:
                fault = Sentence("fault.grade", grade=str(grade), tissue=tissue, state=str(contrary))
                raise bad(fault, Sentence("remedy.grade"))
        return grade


_SHAPEFILE_NAME = 10


class Places(dict[str, int]):
    """Fields found in a table, and the place of each in its rows.

    Attributes
    ----------
    units : dict
        The unit of the fields whose column is in another one than their own.
    """

    def __init__(self) -> None:
        super().__init__()
        self.units: dict[str, InUnit] = {}


# Formats that give every shape a dozen fields of their own, which nobody misses.
_OWN_FIELDS = (".kml", ".kmz", ".gpx")


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


def typed(column: Column, cells_: Sequence[Any]) -> pd.Series[Any]:
    """Return a column's cells in the type that tables hold them in.

    Names, states and words that always stand for something are text, figures that no row may lack are whole, other
    figures are floats, NaN where missing; days are datetimes; all else is left as it is, None where missing.
    """
    values = pd.Series(cells_, dtype=object)
    if column.is_figure:
        return pd.Series(values.astype(np.int64 if column.filled else np.float64))
    if column.kind is Kind.DATE:
        return pd.to_datetime(values)
    always = column.kind in (Kind.NAME, Kind.STATE) or column.filled or column.empty is not None
    return values.astype(str) if always else values


def squeeze(name: str) -> str:
    """Return a column's name without case, spaces and underscores."""
    return "".join(name.casefold().replace("_", " ").split())


def match_columns(table: Table, model: type[Row], mapping: Mapping[str, str], findings: Findings) -> Places:
    """Find the columns of a table that a row model knows.

    Parameters
    ----------
    table : Table
        What was read.
    model : type
        Row model; its fields are the columns.
    mapping : mapping
        Field, or its name in another unit, to column name, from the settings.
    findings : Findings
        Gets doubled columns and columns that the settings name in vain; a warning names columns that were not used.

    Returns
    -------
    Places
    """
    squeezed = [squeeze(column) for column in table.columns]
    found = Places()
    for field in model.model_fields:
        known = model.layout.find(field)
        units = {other.name: other for other in ([] if known is None else known.in_units)}
        mapped = [name for name in (field, *units) if name in mapping]
        if mapped:
            found_as = {name: _named(table, mapping[name], name, squeezed, findings) for name in mapped}
        else:
            found_as = {field: _places(table, field, squeezed, model)}
            found_as |= {name: [i for i, column in enumerate(squeezed) if column == squeeze(name)] for name in units}
        places = [place for alike in found_as.values() for place in alike]
        other = next((units[name] for name, alike in found_as.items() if alike and name in units), None)
        if other is not None:
            found.units[field] = other
        if len(places) > 1:
            names = Listed([repr(table.columns[i]) for i in places], together=True, most=None)
            findings.problem(
                table.file,
                None,
                field,
                Sentence("fault.both_read", names=names, field=field),
                Sentence("remedy.keep_or_rename"),
            )
        if places:
            found[field] = places[0]
    _warn_unused(table, model, found, findings)
    return found


def _named(table: Table, name: str, field: str, squeezed: Sequence[str], findings: Findings) -> list[int]:
    """Return the places of the column that the settings name for a field."""
    places = [i for i, column in enumerate(squeezed) if column == squeeze(name)]
    if not places:
        findings.problem(
            table.file,
            None,
            name,
            Sentence("fault.named_in_vain", field=field),
            Sentence("remedy.named_in_vain", columns=Listed(filter(None, table.columns), most=None)),
        )
    return places


def _places(table: Table, field: str, squeezed: Sequence[str], model: type[Row]) -> list[int]:
    """Return the places of a field's column by its own name, else by a usual spelling, else by the format's name."""
    known = model.layout.find(field)
    names = [field] if known is None else [field, *known.spellings]
    places = [i for i, column in enumerate(squeezed) if column in map(squeeze, names)]
    if not places and table.file.lower().endswith(".shp"):
        # Column names in a shapefile end after ten characters; two fields that begin alike cannot be told apart then.
        cut = field[:_SHAPEFILE_NAME]
        alone = len(field) > _SHAPEFILE_NAME and sum(other.startswith(cut) for other in model.model_fields) == 1
        places = [i for i, column in enumerate(squeezed) if alone and column.startswith(squeeze(cut))]
    if not places and table.geometry is not None and known is not None and known.format_name:
        places = [i for i, column in enumerate(squeezed) if column == known.format_name]
    return places


def _warn_unused(table: Table, model: type[Row], found: Mapping[str, int], findings: Findings) -> None:
    missing = {squeeze(field): field for field in model.model_fields if field not in found}
    guesses = Guesses(missing, 0.75)
    unused: list[str] = []
    for place, column in enumerate(table.columns):
        if place in found.values() or not column or all(cells.blank(row[place]) for row in table.rows):
            continue
        near = guesses.of(squeeze(column))
        if near is not None:
            unused.append(Sentence("warning.unused.meant", column=repr(column), near=missing[near]))
        elif not table.file.lower().endswith(_OWN_FIELDS):
            unused.append(repr(column))
    if unused:
        findings.warn(Sentence("warning.unused", file=table.file, columns=Listed(unused)))


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
    columns : Places
        From `match_columns`; figures in another unit are taken into the column's own.
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
            findings.problem(table.file, None, field, Sentence("fault.no_column"), _where_is(field, table, section))
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
    units = columns.units if isinstance(columns, Places) else {}
    for cells_, number in zip(table.rows, table.numbers, strict=True):
        row: Model | None = None
        faults: list[tuple[str, Mapping[str, Any]]] = []
        values = {field: cells_[place] for field, place in columns.items()}
        for field, unit in units.items():
            try:
                values[field] = in_own_unit(values[field], model.layout.find(field), unit)
            except PydanticCustomError as error:
                values[field] = None
                faults.append((field, error.context or {}))
        try:
            row = model.model_validate(values, context=context)
        except ValidationError as error:
            # A column that is missing has been named once for the file.
            found = (
                fault for fault in error.errors(include_url=False, include_input=False) if fault["type"] != "missing"
            )
            faults += [(str(fault["loc"][0]), fault["ctx"]) for fault in found]
        checked.append(None if faults else row)
        for field, fault in faults:
            findings.problem(table.file, number, table.columns[columns[field]], fault["problem"], fault["remedy"])
    return checked


def in_own_unit(cell: object, column: Column | None, unit: InUnit) -> float | None:
    """Return a figure that is given in another unit, in the column's own; raise as the check of a cell does."""
    least = -math.inf if column is None or column.low is None else column.low
    most = math.inf if column is None or column.high is None else column.high
    low, high = least / unit.size + unit.zero, most / unit.size + unit.zero
    bounds = {"low": Figure(float(f"{low:.3g}"), None), "high": Figure(float(f"{high:.3g}"), None)}
    what = Sentence("asked.in_unit", unit=unit.unit, **bounds)
    figure = cells.number(cell, low=low, high=high, what=what)
    return None if figure is None else min(max((figure - unit.zero) * unit.size, least), most)


def _where_is(field: str, table: Table, section: str | None) -> Sentence:
    listed = list(filter(None, table.columns)) or [Sentence("fault.none")]
    named = "" if section is None else Sentence("remedy.name_column", section=section, field=field)
    title = Sentence("remedy.title_above") if ".xlsx" in table.file.casefold() else ""
    return Sentence("remedy.add_column", named=named, columns=Listed(listed, most=None), title=title)


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
    checked: Checked[Model], field: str, remedy: Sentence, findings: Findings, *, alike: bool = False
) -> None:
    """Name every row whose name stands in an earlier row already; with ``alike``, but for capitals and spaces too."""
    first: dict[str, tuple[str, int]] = {}
    for number, name in zip(checked.table.numbers, names_of(checked, field), strict=True):
        if name is None:
            continue
        earlier, row = first.setdefault(cells.bare_name(name) if alike else name, (name, number))
        if row != number:
            known = {"name": cells.show(name), "row": str(row)}
            fault = Sentence("fault.repeated", **known)
            if earlier != name:
                fault = Sentence("fault.repeated_as", **known, other=cells.show(earlier))
            findings.problem(
                checked.table.file,
                number,
                checked.column(field),
                fault,
                remedy,
            )
