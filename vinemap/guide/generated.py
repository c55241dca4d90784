"""The parts of the guide that are made from the code, so that they cannot lag behind it: columns, settings, rules."""

from __future__ import annotations

import types
from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from vinemap.columns import INPUTS, OUTPUTS, REGION, REGION_SETTINGS_FILE, Layout, dictionary
from vinemap.rules import PruningRule, Rules, Step, default_rules
from vinemap.sentences import languages, terms, unreviewed
from vinemap.settings import RegionSettings, Settings
from vinemap.states import SpeciesGroup
from vinemap.varieties import Varieties

_WORDS = {
    str: "text",
    float: "number",
    int: "whole number",
    bool: "true or false",
    dict: "table",
    list: "list",
    type(None): "",
}


def columns_tables() -> str:
    """Return the data dictionary as Markdown: a table a file."""
    parts = ["## What goes in", *map(_layout, INPUTS), "## What comes out", *map(_layout, OUTPUTS)]
    return "\n\n".join(parts)


def _layout(layout: Layout) -> str:
    table = dictionary([layout]).drop(columns=["files", "row"]).astype("string").fillna("")
    # A heading over nothing but empty cells says nothing.
    table = table.loc[:, [name == "column" or bool(table[name].ne("").any()) for name in table]]
    table.insert(1, "meaning", table.pop("meaning"))
    table["column"] = "`" + table["column"] + "`"
    rows = table.itertuples(index=False, name=None)
    return f"### {layout.files}\n\nA row is {layout.rows}.\n\n{_table(tuple(map(str, table)), rows)}"


def region_tables() -> str:
    """Return the columns of region.csv and the keys of region.toml as Markdown."""
    fields = RegionSettings.model_fields.items()
    keys = [(f"`{name}`", _kind(field.annotation), _default(field), field.description or "") for name, field in fields]
    table = _table(("key", "takes", "default", "meaning"), keys)
    return f"{_layout(REGION)}\n\n### {REGION_SETTINGS_FILE}, beside region.csv\n\n{table}"


def settings_tables() -> str:
    """Return every key of ``vinemap.toml`` as Markdown: a table a section, with its default and meaning."""
    return "\n\n".join(_sections(Settings, ""))


def _sections(model: type[BaseModel], above: str) -> Iterator[str]:
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    inner = {name: _model(field) for name, field in fields.items()}
    keys = [
        (f"`{name}`", _kind(field.annotation), _default(field), field.description or "")
        for name, field in fields.items()
        if inner[name] is None
    ]
    heading = f"## [{above}]\n\n" if above else "## At the top\n\n"
    yield f"{heading}{_lead(model)}\n\n" + _table(("key", "takes", "default", "meaning"), keys)
    for name, nested in inner.items():
        # The rules have tables of their own, under "How it decides".
        if nested is not None and nested is not Rules:
            yield from _sections(nested, f"{above}.{name}" if above else name)


def _lead(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").replace("``", "`").strip()


def _model(field: FieldInfo) -> type[BaseModel] | None:
    kind = field.annotation
    return kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def _kind(kind: Any) -> str:
    """Say in words what a key takes."""
    origin = get_origin(kind)
    if origin is Literal:
        return " or ".join(f"`{value}`" for value in get_args(kind))
    if origin in (Union, types.UnionType):
        return " or ".join(filter(None, map(_kind, get_args(kind))))
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        return " or ".join(f"`{word}`" for word in kind)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return "table"
    return _WORDS.get(origin or kind, getattr(kind, "__name__", "value"))


def _default(field: FieldInfo) -> str:
    value = field.get_default(call_default_factory=True)
    if isinstance(value, BaseModel) or value in (None, "", {}):
        return ""
    return f"`{value}`"


def rules_tables() -> str:
    """Return the rules as Markdown: the pruning rules step by step, then every other number, each with its source."""
    rules = default_rules()
    pruning = [_pruning(name, getattr(rules.pruning, name)) for name in type(rules.pruning).model_fields]
    special = {"pruning", "secondary_crop", "varieties"}
    others = [_numbers(name, getattr(rules, name)) for name in type(rules).model_fields if name not in special]
    return "\n\n".join([*pruning, *others, _shares(rules), _varieties(rules.varieties)])


def _shares(rules: Rules) -> str:
    """Return how secondaries crop, by variety and then by group, each with its source."""
    table = rules.secondary_crop
    shares = {name: one.secondary_crop for name, one in rules.varieties.known.items() if one.secondary_crop is not None}
    groups = {f"`{group}`": getattr(table, group) for group in (*SpeciesGroup, "unknown")}
    rows = [
        (name, f"{one.share:g}", f"{one.low:g} to {one.high:g}", one.source) for name, one in (shares | groups).items()
    ]
    listed = _table(("variety, or `species_group`", "share", "low to high", "source"), rows)
    return f"## `secondary_crop`\n\n{_lead(type(table))}\n\n{listed}\n\n{_sourced(table)}"


def _varieties(table: Varieties) -> str:
    """Return the varieties of each group, with their other spellings."""
    rows = []
    for group in SpeciesGroup:
        names = {name: one.also for name, one in table.known.items() if one.group is group}
        written = [f"{name} ({', '.join(also)})" if also else name for name, also in sorted(names.items())]
        rows.append((f"`{group}`", "; ".join(written)))
    return (
        f"## `varieties`\n\n{_lead(type(table))}\n\n{_table(('species_group', 'varieties'), rows)}\n\n{_sourced(table)}"
    )


def _pruning(name: str, rule: PruningRule) -> str:
    steps = _table(
        ("primary buds dead", "nodes to add"), zip(_ranges(rule.steps), map(_added, rule.steps), strict=True)
    )
    return f"## Rule `{name}`\n\n{steps}\n\n{_sourced(rule)}"


def _ranges(steps: list[Step]) -> Iterator[str]:
    start = "from 0 %"
    for step in steps:
        if step.end is None:
            yield start
        else:
            yield f"{start} {'to below' if step.below is not None else 'up to'} {step.end:g} %"
            start = f"{'from' if step.below is not None else 'above'} {step.end:g} %"


def _added(step: Step) -> str:
    named = {
        "injury": "the injury's own percentage",
        "replacement": "so many that the live buds bear the usual crop",
        "all": "no number makes up for it: keep all that the vine can carry",
    }
    return named.get(str(step.add)) or ("none" if step.add == 0 else f"{step.add:g} %")


def _numbers(name: str, table: Any) -> str:
    rows = []
    parts = [f"## `{name}`", _lead(type(table))]
    for key, field in type(table).model_fields.items():
        value = getattr(table, key)
        if isinstance(value, list):
            parts.append(_listing(value))
        elif key not in ("source", "caution"):
            rows.append((f"`{key}`", _shown(value), field.description or ""))
    if rows:
        parts.append(_table(("key", "value", "meaning"), rows))
    return "\n\n".join([*parts, _sourced(table)])


def _listing(entries: list[BaseModel]) -> str:
    """Return a list of tables as one table, a row an entry."""
    fields = type(entries[0]).model_fields
    heads = [field.description or name for name, field in fields.items()]
    return _table(tuple(heads), (tuple(_shown(value) for _, value in entry) for entry in entries))


def _shown(value: Any) -> str:
    if isinstance(value, BaseModel):
        return ", ".join(f"{key} {inner:g}" for key, inner in value)
    if isinstance(value, dict):
        between = "; " if any(isinstance(inner, dict) for inner in value.values()) else ", "
        return between.join(f"`{key}` {_shown(inner)}" for key, inner in value.items())
    return value.replace("_", " ") if isinstance(value, str) else f"{value:g}"


def _sourced(table: Any) -> str:
    return f"Source: {table.source.rstrip('.')}. {table.caution}"


def terms_table() -> str:
    """Return the word list of the trade as Markdown, a column a language."""
    rows = ((term.means, *(", ".join(term.says[code]) for code in languages())) for term in terms())
    return _table(("meaning", *(words["language"] for words in languages().values())), rows)


def unreviewed_languages() -> str:
    """Return a sentence that names the languages which no native reader has read yet."""
    names = [languages()[code]["language"] for code in unreviewed()]
    return f"Now that is so of: {', '.join(names)}." if names else "Now every language has been read."


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    """Return a Markdown table; bars within cells are escaped."""
    lines = [heads, tuple("---" for _ in heads), *rows]
    return "\n".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |" for line in lines)
