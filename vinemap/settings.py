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
from vinemap.columns import SETTINGS_FILE
from vinemap.doors import barred, unreadable
from vinemap.errors import Findings
from vinemap.rules import Rules, default_rules
from vinemap.sentences import Figure, Sentence, languages
from vinemap.states import Action, Pruning

_MOST_BYTES = 100_000
_DEEPEST = 20
# tomllib takes the square of a dotted key's length in time.
# Looked for once at the start of each word, for the pattern would else do the same.
_LONG_KEY = re.compile(r"(?<![\w\"'-])(?:[\w\"'-]++[ \t]*+\.[ \t]*+){20}")
_MOST_FAULTS = 100
# Of the parser's messages.
_AT_END = " (at end of document)"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Files(_Section):
    """File names inside the folder, where they are not found by their stem."""

    blocks: str | None = Field(None, description=Sentence("setting.files.blocks"))
    blocks_layer: str | None = Field(None, description=Sentence("setting.files.layer"))
    rows: str | None = Field(None, description=Sentence("setting.files.rows"))
    rows_layer: str | None = Field(None, description=Sentence("setting.files.layer"))
    samples: str | None = Field(None, description=Sentence("setting.files.samples"))
    samples_layer: str | None = Field(None, description=Sentence("setting.files.layer"))
    buds: str | None = Field(None, description=Sentence("setting.files.buds"))
    elevation: str | None = Field(None, description=Sentence("setting.files.elevation"))
    wood: str | None = Field(None, description=Sentence("setting.files.wood"))
    loggers: str | None = Field(None, description=Sentence("setting.files.loggers"))
    hardiness: str | None = Field(None, description=Sentence("setting.files.hardiness"))
    protection: str | None = Field(None, description=Sentence("setting.files.protection"))
    protection_layer: str | None = Field(None, description=Sentence("setting.files.layer"))


class EvidenceOf(_Section):
    """What else is known of the ground, beside the files of the folder."""

    after: list[str] = Field(default_factory=list, max_length=30, description=Sentence("setting.evidence.after"))


class Layer(_Section):
    """What a grid of ``layers/`` is, where its file's name does not say."""

    file: str | None = Field(None, description=Sentence("setting.layer.file"))
    label: str | None = Field(None, min_length=1, max_length=60, description=Sentence("setting.layer.label"))
    unit: str = Field("", max_length=20, description=Sentence("setting.layer.unit"))


class Columns(_Section):
    """Column names, ours = yours, a table for each file (``[columns.blocks] variety = "Sorte"``)."""

    blocks: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.blocks"))
    rows: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.rows"))
    samples: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.samples"))
    buds: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.buds"))
    wood: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.wood"))
    protection: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.protection"))
    loggers: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.loggers"))
    hardiness: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.columns.hardiness"))


class Loggers(_Section):
    """How files of temperature loggers are read, where they do not say it themselves."""

    unit: Literal["C", "F"] | None = Field(None, description=Sentence("setting.loggers.unit"))
    height_m: float = Field(1.5, ge=0.0, le=30.0, description=Sentence("setting.loggers.height_m"))


class Survival(_Section):
    """How cut buds are counted."""

    spur_nodes_kept: int = Field(5, gt=0, le=1000, description=Sentence("setting.survival.spur_nodes_kept"))
    cane_nodes_kept: int = Field(15, gt=0, le=1000, description=Sentence("setting.survival.cane_nodes_kept"))
    confidence: float = Field(0.90, gt=0.5, le=0.999, description=Sentence("setting.survival.confidence"))

    @property
    def kept_nodes(self) -> dict[Pruning, int]:
        """Nodes from the base that each way of pruning keeps."""
        return {Pruning.SPUR: self.spur_nodes_kept, Pruning.CANE: self.cane_nodes_kept}


class Surface(_Section):
    """How the injury surface is made."""

    cell_m: float = Field(3.0, ge=0.1, le=100.0, description=Sentence("setting.surface.cell_m"))
    max_cells: int = Field(4_000_000, ge=1000, le=20_000_000, description=Sentence("setting.surface.max_cells"))
    threshold: float = Field(0.5, ge=0.01, le=0.99, description=Sentence("setting.surface.threshold"))
    max_width: float = Field(0.6, ge=0.01, le=1.0, description=Sentence("setting.surface.max_width"))
    hardiness: dict[str, Annotated[float, Field(ge=-20.0, le=20.0)]] = Field(
        default_factory=dict, description=Sentence("setting.surface.hardiness")
    )
    seed: int = Field(20, ge=0, le=2**63 - 1, description=Sentence("setting.surface.seed"))


class Actions(_Section):
    """How injury is turned into work."""

    rule: Literal["proportional", "stepped", "replacement"] = Field(
        "proportional", description=Sentence("setting.actions.rule")
    )
    smallest_zone_ha: float = Field(0.1, ge=0.0, le=1000.0, description=Sentence("setting.actions.smallest_zone_ha"))
    whole_rows_share: float = Field(
        0.85,
        ge=0.0,
        le=1.0,
        description=Sentence("setting.actions.whole_rows_share"),
    )
    post_space_m: float = Field(
        7.0,
        ge=0.0,
        le=50.0,
        description=Sentence("setting.actions.post_space_m"),
    )
    rules: Rules = Field(default_factory=default_rules, description=Sentence("setting.actions.rules"))


class Page(_Section):
    """What the map page may ask of the network: nothing unless set, and not before the reader switches it on."""

    model_config = ConfigDict(regex_engine="python-re")

    online_tiles: str | None = Field(
        None,
        pattern=r"^https://(\{s\}\.)?[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+(:\d+)?/(?=.*\{z\})(?=.*\{x\})(?=.*\{y\})",
        description=Sentence("setting.page.online_tiles"),
    )
    online_credit: str = Field("", description=Sentence("setting.page.online_credit"))
    online_zoom: int = Field(19, gt=0, le=30, description=Sentence("setting.page.online_zoom"))


def _asks_for_work(action: Action) -> Action:
    """Refuse the action that asks for none, and the one that only points to the zones' own."""
    if action in (Action.NO_DATA, Action.BY_ZONE):
        raise PydanticCustomError("no_work", "Input should be an action that asks for work")
    return action


Task = Annotated[Action, AfterValidator(_asks_for_work)]


class Work(_Section):
    """What work takes and costs; what is not given is assumed as ``rules.toml`` has it, and called assumed."""

    crew: int = Field(4, ge=1, le=1000, description=Sentence("setting.work.crew"))
    hours_a_day: float = Field(8.0, ge=0.5, le=24.0, description=Sentence("setting.work.hours_a_day"))
    vines_per_hour: dict[Task, Annotated[float, Field(ge=0.01, le=100_000.0)]] = Field(
        default_factory=dict, description=Sentence("setting.work.vines_per_hour")
    )
    canes_per_hour: float = Field(6.0, ge=0.01, le=1000.0, description=Sentence("setting.work.canes_per_hour"))
    materials: dict[Task, dict[str, Annotated[float, Field(ge=0.0, le=1e6)]]] = Field(
        default_factory=dict, description=Sentence("setting.work.materials")
    )
    prices: dict[str, Annotated[float, Field(ge=0.0, le=1e9)]] = Field(
        default_factory=dict, description=Sentence("setting.work.prices")
    )
    currency: str = Field("", max_length=40, description=Sentence("setting.work.currency"))
    order: Literal["urgent", "worst", "route"] = Field("urgent", description=Sentence("setting.work.order"))


class Import(_Section):
    """What `vinemap import` was told of files of your own, so that next year's of the same layout need no question."""

    answers: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.import.answers"))
    written: dict[str, str] = Field(default_factory=dict, description=Sentence("setting.import.written"))

    @field_validator("written")
    @classmethod
    def _of_this_folder(cls, written: dict[str, str]) -> dict[str, str]:
        for name in written:
            if name in (".", "..") or re.search(r"[/\\:]", name):
                raise ValueError(f"{name!r} is no file of this folder")
        return written


class Report(_Section):
    """What the report says beside its figures, and the limits that it holds losses against."""

    prepared_for: str = Field("", max_length=200, description=Sentence("setting.report.prepared_for"))
    cut_by: str = Field("", max_length=200, description=Sentence("setting.report.cut_by"))
    crop_loss_over_pct: float = Field(40.0, ge=0.0, le=100.0, description=Sentence("setting.report.crop_loss_over_pct"))
    stand_loss_over_pct: float = Field(
        15.0, ge=0.0, le=100.0, description=Sentence("setting.report.stand_loss_over_pct")
    )
    normal_mortality_pct: float | None = Field(
        None, ge=0.0, le=100.0, description=Sentence("setting.report.normal_mortality_pct")
    )
    deadlines: dict[str, dt.date] = Field(default_factory=dict, description=Sentence("setting.report.deadlines"))


class RegionSettings(_Section):
    """Everything that ``region.toml``, beside ``region.csv``, may hold; each key has a default."""

    name: str | None = Field(None, max_length=200, description=Sentence("setting.region.name"))
    language: Literal["en", "es"] = Field("en", description=Sentence("setting.region.language"))
    units: Literal["metric", "us"] = Field("metric", description=Sentence("setting.region.units"))
    event_date: dt.date | None = Field(None, description=Sentence("setting.region.event_date"))
    confidence: float = Field(0.90, gt=0.5, le=0.999, description=Sentence("setting.region.confidence"))
    crop_loss_over_pct: float = Field(40.0, gt=0.0, lt=100.0, description=Sentence("setting.region.crop_loss_over_pct"))
    fewest_growers: int = Field(3, ge=3, le=1000, description=Sentence("setting.region.fewest_growers"))
    most_share_pct: float = Field(50.0, gt=0.0, le=90.0, description=Sentence("setting.region.most_share_pct"))


class Settings(_Section):
    """Everything that ``vinemap.toml`` may hold; each key has a default."""

    name: str | None = Field(None, max_length=200, description=Sentence("setting.name"))
    crs: str | None = Field(None, description=Sentence("setting.crs"))
    metric_crs: str | None = Field(None, description=Sentence("setting.metric_crs"))
    elevation_units: Literal["m", "ft"] | None = Field(None, description=Sentence("setting.elevation_units"))
    units: Literal["metric", "us"] = Field("metric", description=Sentence("setting.units"))
    language: Literal["en", "es"] = Field("en", description=Sentence("setting.language"))
    event_date: dt.date | None = Field(None, description=Sentence("setting.event_date"))
    dead_before_pct: float | None = Field(None, ge=0.0, lt=100.0, description=Sentence("setting.dead_before_pct"))
    gps_tolerance_m: float = Field(10.0, ge=0.0, le=10_000.0, description=Sentence("setting.gps_tolerance_m"))
    default_pruning: Pruning = Field(Pruning.CANE, description=Sentence("setting.default_pruning"))
    quote_formulas: bool = Field(False, description=Sentence("setting.quote_formulas"))
    layers: dict[str, Layer] = Field(
        default_factory=dict,
        description=Sentence("setting.layers"),
    )
    files: Files = Files()
    columns: Columns = Columns()
    survival: Survival = Survival()
    surface: Surface = Surface()
    loggers: Loggers = Loggers()
    evidence: EvidenceOf = EvidenceOf()
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
    findings.refuse()
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
        data = parse_toml(text)
    except OSError as error:
        findings.problem(SETTINGS_FILE, None, "", *unreadable(error))
        return Settings()
    except UnicodeDecodeError:
        findings.problem(SETTINGS_FILE, None, "", Sentence("fault.toml.utf8"), Sentence("remedy.toml.utf8"))
        return Settings()
    except (ValueError, RecursionError) as error:
        _refuse_syntax(error, findings)
        return Settings()
    return _validated(data, text, findings)


def parse_toml(text: str) -> dict[str, Any]:
    """Parse TOML; raise ValueError also where tables and lists lie deeper in each other than any setting.

    What checks them calls itself for each level.
    """
    deep = ValueError(Sentence("fault.toml.deep"))
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
        raise ValueError(Sentence("fault.toml.digits")) from None
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
            Sentence("fault.toml.one_of_several" if found else "fault.toml.not_read"),
            Sentence("remedy.toml.keep_one" if found else "remedy.toml.rename", file=SETTINGS_FILE),
        )
    return None


def _refuse_syntax(error: Exception, findings: Findings) -> None:
    words = " ".join(str(error).split())[:200]
    place = re.search(r" \(at line (\d+), column (\d+)\)", words)
    what = words[: place.start()] if place else words.removesuffix(_AT_END)
    own = next((one for one in error.args if isinstance(one, Sentence)), f"{what[:1].lower()}{what[1:]}")
    if place:
        fault = Sentence("fault.toml.syntax.at", reason=own, place=place.group(2))
    else:
        fault = Sentence(f"fault.toml.syntax{'.end' if words.endswith(_AT_END) else ''}", reason=own)
    line = int(place.group(1)) if place else None
    findings.problem(SETTINGS_FILE, line, "", fault, Sentence("remedy.toml.syntax"))


def _validated(data: dict[str, Any], text: str, findings: Findings) -> Settings:
    """Check the keys; take out those at fault and check again, until the rest stands."""
    for keys in list(_unshowable(data)):
        line = _line(text, keys)
        hidden, again = Sentence("fault.toml.unshowable"), Sentence("remedy.toml.unshowable")
        findings.problem(SETTINGS_FILE, line, ".".join(keys), hidden, again)
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
                many = Sentence("fault.toml.many", most=Figure(_MOST_FAULTS))
                findings.problem(SETTINGS_FILE, None, "", many, Sentence("remedy.toml.many"))
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


def _words(fault: ErrorDetails, keys: list[str]) -> tuple[Sentence, Sentence]:
    if fault["type"] == "extra_forbidden":
        near = _nearest(keys)
        meant = Sentence("remedy.meant", near=near) if near else Sentence("remedy.take_out")
        return Sentence("fault.no_key"), meant
    value = json.dumps(fault["input"], ensure_ascii=False)
    field = _field(keys)
    default = (
        "" if field is None or field[1] in (None, "") else Sentence("remedy.setting.default", default=str(field[1]))
    )
    meaning = Sentence("remedy.setting.meaning", meaning=field[0]) if field is not None and field[0] else ""
    shown = value if len(value) <= 60 else value[:57] + "..."
    return (
        Sentence("fault.value", value=shown, what=what_is_wrong(fault)),
        Sentence("remedy.setting", meaning=meaning, default=default),
    )


def what_is_wrong(fault: ErrorDetails) -> Sentence | str:
    """Return what pydantic has against a value, as a phrase: "should be less than 3"."""
    key = f"fault.value.{fault['type']}"
    if key in languages()["en"]:
        return Sentence(key, **{name: _limit(value) for name, value in fault.get("ctx", {}).items()})
    own = getattr(fault.get("ctx", {}).get("error"), "args", ())
    if own and isinstance(own[0], Sentence):
        return own[0]
    what = fault["msg"].replace("Input should be", "should be")
    return f"{what[:1].lower()}{what[1:]}"


def _limit(value: object) -> Sentence | str:
    """Return a limit, or words to choose from, as a sentence has them."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    *others, last = str(value).split(" or ")
    return Sentence("list.or", shown=others[0], last=last) if len(others) == 1 else str(value)


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
