"""The settings of a vineyard: every key of ``vinemap.toml`` with its default."""

from __future__ import annotations

import datetime as dt
import difflib
import json
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
)
from pydantic_core import ErrorDetails, PydanticCustomError, PydanticUndefined

from vinemap.characters import unshowable
from vinemap.doors import barred, unreadable
from vinemap.errors import Findings, InputError
from vinemap.rules import Rules, default_rules
from vinemap.states import Action, Pruning

SETTINGS_FILE = "vinemap.toml"
_MOST_BYTES = 100_000
_DEEPEST = 20
# tomllib takes the square of a dotted key's length in time.
# Looked for once at the start of each word, for the pattern would else do the same.
_LONG_KEY = re.compile(r"(?<![\w\"'-])(?:[\w\"'-]++[ \t]*+\.[ \t]*+){20}")
_MOST_FAULTS = 100


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Files(_Section):
    """File names inside the folder, where they are not found by their stem."""

    blocks: str | None = Field(None, description="file of the block outlines")
    blocks_layer: str | None = Field(None, description="its layer, where it holds several")
    rows: str | None = Field(None, description="file of the vine rows drawn as lines")
    rows_layer: str | None = Field(None, description="its layer, where it holds several")
    samples: str | None = Field(None, description="file of the sample points")
    samples_layer: str | None = Field(None, description="its layer, where it holds several")
    buds: str | None = Field(None, description="file of what the razor showed")
    elevation: str | None = Field(None, description="elevation grid")
    wood: str | None = Field(None, description="file of the wood checks")
    loggers: str | None = Field(None, description="file of the temperature loggers")
    hardiness: str | None = Field(None, description="file of the buds' lethal temperatures")
    protection: str | None = Field(None, description="file of what stood against the frost")
    protection_layer: str | None = Field(None, description="its layer, where it holds several")


class Layer(_Section):
    """What a grid of ``layers/`` is, where its file's name does not say."""

    file: str | None = Field(None, description="its file in layers/, where it is not called as the table")
    label: str | None = Field(None, min_length=1, max_length=60, description="what readers call it")
    unit: str = Field("", max_length=20, description="of its figures")


class Columns(_Section):
    """Column names, ours = yours, a table for each file (``[columns.blocks] variety = "Sorte"``)."""

    blocks: dict[str, str] = Field(default_factory=dict, description="of the blocks file")
    rows: dict[str, str] = Field(default_factory=dict, description="of the file of vine rows")
    samples: dict[str, str] = Field(default_factory=dict, description="of the samples file")
    buds: dict[str, str] = Field(default_factory=dict, description="of the buds file")
    wood: dict[str, str] = Field(default_factory=dict, description="of the wood file")
    protection: dict[str, str] = Field(default_factory=dict, description="of the protection file")
    loggers: dict[str, str] = Field(default_factory=dict, description="of the loggers file, and of files of readings")
    hardiness: dict[str, str] = Field(default_factory=dict, description="of the hardiness file")


class Loggers(_Section):
    """How files of temperature loggers are read, where they do not say it themselves."""

    unit: Literal["C", "F"] | None = Field(None, description="degrees of temperatures whose heading names none")
    height_m: float = Field(
        1.5, ge=0.0, le=30.0, description="height of sensors above the ground, where the loggers file gives none"
    )


class Survival(_Section):
    """How cut buds are counted."""

    spur_nodes_kept: int = Field(5, gt=0, le=1000, description="nodes from the base that spur pruning keeps")
    cane_nodes_kept: int = Field(15, gt=0, le=1000, description="nodes from the base that cane pruning keeps")
    confidence: float = Field(0.90, gt=0.5, le=0.999, description="of the intervals of what was cut")

    @property
    def kept_nodes(self) -> dict[Pruning, int]:
        """Nodes from the base that each way of pruning keeps."""
        return {Pruning.SPUR: self.spur_nodes_kept, Pruning.CANE: self.cane_nodes_kept}


class Surface(_Section):
    """How the injury surface is made."""

    cell_m: float = Field(3.0, ge=0.1, le=100.0, description="side of a grid cell")
    max_cells: int = Field(
        4_000_000, ge=1000, le=20_000_000, description="cells inside blocks past which they are widened"
    )
    threshold: float = Field(0.5, ge=0.01, le=0.99, description="injury for prob_over_threshold")
    max_width: float = Field(
        0.6, ge=0.01, le=1.0, description="credible interval wider than this: too few samples here"
    )
    hardiness: dict[str, Annotated[float, Field(ge=-20.0, le=20.0)]] = Field(
        default_factory=dict, description="known log-odds offsets of injury by variety; + is more tender"
    )
    seed: int = Field(20, ge=0, le=2**63 - 1, description="of the joint draws behind block averages")


class Actions(_Section):
    """How injury is turned into work."""

    rule: Literal["proportional", "stepped", "replacement"] = Field("proportional", description="of rules.toml")
    smallest_zone_ha: float = Field(
        0.1, ge=0.0, le=1000.0, description="smaller pieces join the neighbour with the longest border"
    )
    whole_rows_share: float = Field(
        0.85,
        ge=0.0,
        le=1.0,
        description="zones are whole vine rows where so much of a block keeps its step by that",
    )
    post_space_m: float = Field(
        7.0,
        ge=0.0,
        le=50.0,
        description="metres from post to post, assumed where a block does not say vines_between_posts; where rows and "
        "vines are known, borders of zones follow rows and post spaces; 0 leaves them where the ground has them",
    )
    rules: Rules = Field(default_factory=default_rules, description="numbers in place of those of rules.toml")


class Page(_Section):
    """What the map page may ask of the network: nothing unless set, and not before the reader switches it on."""

    model_config = ConfigDict(regex_engine="python-re")

    online_tiles: str | None = Field(
        None,
        pattern=r"^https://(\{s\}\.)?[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+(:\d+)?/(?=.*\{z\})(?=.*\{x\})(?=.*\{y\})",
        description="https address of an open tile service, with {z}, {x} and {y}",
    )
    online_credit: str = Field("", description="whom to credit for its tiles")
    online_zoom: int = Field(19, gt=0, le=30, description="greatest zoom that it carries")


def _asks_for_work(action: Action) -> Action:
    """Refuse the action that asks for none, and the one that only points to the zones' own."""
    if action in (Action.NO_DATA, Action.BY_ZONE):
        raise PydanticCustomError("enum", "Input should be an action that asks for work")
    return action


Task = Annotated[Action, AfterValidator(_asks_for_work)]


class Work(_Section):
    """What work takes and costs; what is not given is assumed as ``rules.toml`` has it, and called assumed."""

    crew: int = Field(4, ge=1, le=1000, description="people who work at the same time")
    hours_a_day: float = Field(8.0, ge=0.5, le=24.0, description="hours that they work in a day")
    vines_per_hour: dict[Task, Annotated[float, Field(ge=0.01, le=100_000.0)]] = Field(
        default_factory=dict, description="vines that one person does in an hour, by action"
    )
    canes_per_hour: float = Field(
        6.0, ge=0.01, le=1000.0, description="canes that one person collects, cuts and reads in an hour"
    )
    materials: dict[Task, dict[str, Annotated[float, Field(ge=0.0, le=1e6)]]] = Field(
        default_factory=dict, description="pieces for each vine, by action, e.g. retrain = { stakes = 1, ties = 3 }"
    )
    prices: dict[str, Annotated[float, Field(ge=0.0, le=1e9)]] = Field(
        default_factory=dict, description='price of a piece of each material, and of an "hour"'
    )
    currency: str = Field("", max_length=40, description="of the prices, for the heading")
    order: Literal["urgent", "worst", "route"] = Field(
        "urgent", description="of the work list: what cannot wait first, worst ground first, or nearest next"
    )


class Import(_Section):
    """What `vinemap import` was told of files of your own, so that next year's of the same layout need no question."""

    answers: dict[str, str] = Field(default_factory=dict, description="question = answer, as the command lists them")
    written: dict[str, str] = Field(default_factory=dict, description="file = SHA-256, of what it wrote; not for you")

    @field_validator("written")
    @classmethod
    def _of_this_folder(cls, written: dict[str, str]) -> dict[str, str]:
        for name in written:
            if name in (".", "..") or re.search(r"[/\\:]", name):
                raise ValueError(f"{name!r} is no file of this folder")
        return written


class Report(_Section):
    """What the report says beside its figures, and the limits that it holds losses against."""

    prepared_for: str = Field("", max_length=200, description="owner, insurer, programme or file that it is for")
    cut_by: str = Field("", max_length=200, description="who cut and read the buds")
    crop_loss_over_pct: float = Field(
        40.0, ge=0.0, le=100.0, description="crop lost of a variety past which a rule may ask; one state's is 40"
    )
    stand_loss_over_pct: float = Field(
        15.0, ge=0.0, le=100.0, description="vines dead past normal mortality; one programme's is 15 (7 CFR 1416.400)"
    )
    normal_mortality_pct: float | None = Field(
        None, ge=0.0, le=100.0, description="vines that die here in an ordinary year; unknown where not given"
    )
    deadlines: dict[str, dt.date] = Field(
        default_factory=dict, description='days not to miss, e.g. "notice of loss" = 2026-02-20'
    )


REGION_SETTINGS_FILE = "region.toml"


class RegionSettings(_Section):
    """Everything that ``region.toml``, beside ``region.csv``, may hold; each key has a default."""

    name: str | None = Field(None, max_length=200, description="of the region; the folder's name by default")
    language: Literal["en", "es"] = Field("en", description="of the bulletin")
    units: Literal["metric", "us"] = Field("metric", description="of the bulletin's areas")
    event_date: dt.date | None = Field(None, description="date of the freeze; the vineyards' own by default")
    confidence: float = Field(0.90, gt=0.5, le=0.999, description="of the intervals between vineyards")
    crop_loss_over_pct: float = Field(
        40.0, gt=0.0, lt=100.0, description="crop lost past which a programme may ask; one state's is 40"
    )
    fewest_growers: int = Field(
        3, ge=3, le=1000, description="growers below which no figure is published; never fewer than 3"
    )
    most_share_pct: float = Field(
        50.0, gt=0.0, le=90.0, description="share of a figure's area past which one grower has most of it"
    )


class Settings(_Section):
    """Everything that ``vinemap.toml`` may hold; each key has a default."""

    name: str | None = Field(None, max_length=200, description="of the vineyard; the folder's name by default")
    crs: str | None = Field(None, description="CRS of easting/northing columns, e.g. EPSG:32618")
    metric_crs: str | None = Field(None, description="CRS to work in; the UTM zone by default")
    elevation_units: Literal["m", "ft"] | None = Field(
        None, description="unit of the elevation grid's heights; as its file states, else metres, by default"
    )
    units: Literal["metric", "us"] = Field("metric", description="that the page and the sentences begin with")
    language: Literal["en", "es"] = Field("en", description="that the page and the plan begin with")
    event_date: dt.date | None = Field(None, description="date of the freeze")
    dead_before_pct: float | None = Field(
        None, ge=0.0, lt=100.0, description="primary buds dead before the freeze, where no block and no bud says"
    )
    gps_tolerance_m: float = Field(
        10.0, ge=0.0, le=10_000.0, description="a sample this far outside a block still joins it"
    )
    default_pruning: Pruning = Field(Pruning.CANE, description="of blocks that state none")
    quote_formulas: bool = Field(
        False, description="in CSV files an apostrophe goes before text that a spreadsheet would run (= + - @)"
    )
    layers: dict[str, Layer] = Field(
        default_factory=dict,
        description='what grids of layers/ are: [layers.vigour] file = "v.tif", label = "vigour", unit = "%"',
    )
    files: Files = Files()
    columns: Columns = Columns()
    survival: Survival = Survival()
    surface: Surface = Surface()
    loggers: Loggers = Loggers()
    actions: Actions = Actions()
    work: Work = Work()
    page: Page = Page()
    report: Report = Report()
    import_: Import = Field(Import(), alias="import")  # a word that Python keeps for itself


def empty_settings() -> str:
    """Return a ``vinemap.toml`` to fill in: every key with its meaning and default, none of them in force yet."""
    lines = [
        "# Settings of the vineyard. Take the # away from the start of a line to set a key.",
        *_commented(Settings, ""),
    ]
    return "\n".join(lines) + "\n"


def _commented(model: type[BaseModel], section: str) -> Iterator[str]:
    """Yield the keys of a section as comments, then its inner sections; rules and imports are left out."""
    inner: list[tuple[str, type[BaseModel]]] = []
    for name, field in model.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            if kind not in (Rules, Import):
                inner.append((name, kind))
            continue
        yield f"\n# {field.description}"
        yield f"# {name} = {_example(field.get_default(call_default_factory=True), str(kind))}"
    for name, kind in inner:
        yield f"\n[{section}{name}]"
        yield from _commented(kind, f"{section}{name}.")


def _example(default: Any, kind: str) -> str:
    """Return a default as TOML has it, or something of its kind where there is none."""
    if default is None:
        return "2026-01-20" if "date" in kind else "0.0" if "float" in kind else '""'
    return "{}" if default == {} else json.dumps(default)


def read_settings(folder: str | os.PathLike[str]) -> Settings:
    """Read ``vinemap.toml``; the defaults where there is none.

    Parameters
    ----------
    folder : path
        The vineyard folder.

    Returns
    -------
    Settings

    Raises
    ------
    InputError
        With every key that is unknown or whose value cannot be used.
    """
    findings = Findings()
    settings = load_settings(Path(folder), findings)
    if findings.problems:
        raise InputError(findings.problems)
    return settings


def load_settings(folder: Path, findings: Findings) -> Settings:
    """Read ``vinemap.toml`` and go on after a fault, so that the other files can be checked in the same run.

    Parameters
    ----------
    folder : Path
        The vineyard folder.
    findings : Findings
        Gets every fault, with its line as the row.

    Returns
    -------
    Settings
        With the defaults in place of what is at fault.
    """
    path = _settings_file(folder, findings)
    if path is None:
        return Settings()
    fault = barred(path, _MOST_BYTES, within=folder)
    if fault is not None:
        findings.problem(SETTINGS_FILE, None, "", *fault)
        return Settings()
    try:
        text = path.read_text(encoding="utf-8-sig")
        data = _parsed(text)
    except OSError as error:
        findings.problem(SETTINGS_FILE, None, "", *unreadable(error))
        return Settings()
    except UnicodeDecodeError:
        findings.problem(SETTINGS_FILE, None, "", "is not UTF-8 text", "save it again with the encoding UTF-8")
        return Settings()
    except (ValueError, RecursionError) as error:
        _refuse_syntax(error, findings)
        return Settings()
    return _validated(data, text, findings)


def _parsed(text: str) -> dict[str, Any]:
    """Parse TOML; raise ValueError also where tables and lists lie deeper in each other than any setting.

    What checks them calls itself for each level.
    """
    deep = ValueError("tables or lists lie too deep in each other")
    if _LONG_KEY.search(text):
        raise deep
    data = tomllib.loads(text)
    level: list[Any] = [data]
    for _ in range(_DEEPEST):
        inner = [part for part in level if isinstance(part, dict | list)]
        level = [value for part in inner for value in (part.values() if isinstance(part, dict) else part)]
    if any(isinstance(part, dict | list) for part in level):
        raise deep
    try:
        json.dumps(data, default=str)
    except ValueError:
        # tomllib reads numbers of any length where they are hexadecimal, and Python writes none of them.
        raise ValueError("a number has thousands of digits") from None
    return data


def _settings_file(folder: Path, findings: Findings) -> Path | None:
    """Return the settings' file, its name in whatever capitals; refuse two of them, and one that has another ending."""
    if (folder / SETTINGS_FILE).exists():
        return folder / SETTINGS_FILE
    names = sorted(path.name for path in folder.iterdir() if path.name.casefold().startswith(SETTINGS_FILE))
    found = [name for name in names if name.casefold() == SETTINGS_FILE]
    if len(found) == 1:
        return folder / found[0]
    # Editors for plain text add an ending of their own, which file managers then hide.
    misnamed = [name for name in names if name.casefold().startswith(f"{SETTINGS_FILE}.")]
    for name in found or misnamed:
        findings.problem(
            name,
            None,
            "",
            "is one of several files of settings" if found else "is not read, for the settings are vinemap.toml alone",
            f"keep one, called {SETTINGS_FILE}" if found else f"rename it to {SETTINGS_FILE}, or take it out",
        )
    return None


def _refuse_syntax(error: Exception, findings: Findings) -> None:
    words = " ".join(str(error).split())[:200]
    place = re.search(r" \(at line (\d+), column (\d+)\)", words)
    line = int(place.group(1)) if place else None
    what = words[: place.start()] if place else words.replace(" (at end of document)", " at the end of the file")
    findings.problem(
        SETTINGS_FILE,
        line,
        "",
        f"is not valid TOML: {what[:1].lower()}{what[1:]}" + (f" (at character {place.group(2)})" if place else ""),
        'correct it first, as in key = "text" or key = 3.5; until then all settings stand at their defaults',
    )


def _validated(data: dict[str, Any], text: str, findings: Findings) -> Settings:
    """Check the keys; take out those at fault and check again, until the rest stands."""
    for keys in list(_unshowable(data)):
        line = _line(text, keys)
        remedy = "type it again, on one line"
        findings.problem(SETTINGS_FILE, line, ".".join(keys), "holds characters that cannot be shown", remedy)
        _take_out(data, keys)
    named = 0
    while True:
        try:
            # By way of JSON, strict means what a writer of TOML means: no number in quotes, but lists and dates.
            return Settings.model_validate_json(json.dumps(data, default=str), strict=True)
        except ValidationError as error:
            faults = error.errors(include_url=False)
        taken = False
        for fault in faults:
            keys = [str(key) for key in fault["loc"]]
            named += 1
            if named <= _MOST_FAULTS:
                message, remedy = _words(fault, keys)
                findings.problem(SETTINGS_FILE, _line(text, keys), ".".join(keys), message, remedy)
            elif named == _MOST_FAULTS + 1:
                findings.problem(SETTINGS_FILE, None, "", f"has more than {_MOST_FAULTS} faults", "mend these first")
            taken |= _take_out(data, keys)
        if not taken:
            return Settings()  # what is at fault is not there: a number that is missing


def _unshowable(value: Any, keys: tuple[str, ...] = ()) -> Iterator[list[str]]:
    """Find the keys that hold, or are, text with characters that cannot be shown."""
    if (isinstance(value, str) and unshowable(value)) or (keys and unshowable(keys[-1])):
        yield list(keys)
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _unshowable(inner, (*keys, key))
    elif isinstance(value, list):
        for inner in value:
            yield from _unshowable(inner, keys)


def _take_out(data: dict[str, Any], keys: list[str]) -> bool:
    """Take the innermost of the keys out; return whether it was there."""
    for depth, key in enumerate(keys):
        inner = data.get(key)
        if depth < len(keys) - 1 and isinstance(inner, dict):
            data = inner
        else:
            return data.pop(key, data) is not data
    return False


def _words(fault: ErrorDetails, keys: list[str]) -> tuple[str, str]:
    if fault["type"] == "extra_forbidden":
        near = _nearest(keys)
        return "there is no such key", f"did you mean {near}?" if near else "take it out"
    value = json.dumps(fault["input"], ensure_ascii=False)
    what = fault["msg"].replace("Input should be", "should be")
    field = _field(keys)
    default = "" if field is None or field[1] in (None, "") else f", {field[1]}"
    meaning = f" ({field[0]})" if field is not None and field[0] else ""
    return (
        f"{value if len(value) <= 60 else value[:57] + '...'} cannot be used: {what[:1].lower()}{what[1:]}",
        f"correct it{meaning}, or take the key out for its default{default}",
    )


def _keys(model: type[BaseModel], above: str = "") -> Iterator[str]:
    for attribute, field in model.model_fields.items():
        name = field.alias or attribute
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield from _keys(field.annotation, f"{above}{name}.")
        yield above + name


def _nearest(keys: list[str]) -> str | None:
    """Return the known key nearest to an unknown one: in its own section by choice, else in any."""
    known = list(_keys(Settings))
    section = ".".join(keys[:-1])
    siblings = {key.rpartition(".")[2]: key for key in known if key.rpartition(".")[0] == section}
    near = difflib.get_close_matches(keys[-1], siblings, n=1, cutoff=0.6)
    if near:
        return siblings[near[0]]
    ends = {key.rpartition(".")[2]: key for key in known}
    near = difflib.get_close_matches(keys[-1], ends, n=1, cutoff=0.6)
    if near:
        return ends[near[0]]
    near = difflib.get_close_matches(".".join(keys), known, n=1, cutoff=0.0)
    return near[0] if near else None


def _field(keys: list[str]) -> tuple[str | None, Any] | None:
    """Return a key's description and default; None where it is a table or a key in a free table."""
    model: type[BaseModel] = Settings
    for depth, key in enumerate(keys):
        field = next((one for name, one in model.model_fields.items() if (one.alias or name) == key), None)
        if field is None:
            return None
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            model = field.annotation
        else:
            default = None if field.default is PydanticUndefined else field.default
            return (field.description, default) if depth == len(keys) - 1 else None
    return None


def _line(text: str, keys: list[str]) -> int | None:
    """Return the line of a key, found by its table's header and its name; None where it is written in another way."""
    section: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        bare = line.split("#")[0].strip()
        header = re.fullmatch(r"\[+([^\]]*)\]+", bare)
        if header:
            section = _parts(header.group(1))
            if section == keys:
                return number
        elif "=" in bare and [*section, *_parts(bare.split("=")[0])] == keys:
            return number
    return None


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]
