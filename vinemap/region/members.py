"""region.csv and region.toml: which vineyards a region has, whose they are, and what is published."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
from pydantic import ValidationError
from shapely.geometry.base import BaseGeometry

from vinemap.columns import REGION, REGION_SETTINGS_FILE
from vinemap.doors import barred
from vinemap.errors import Findings
from vinemap.exports.record import RUN_FILE
from vinemap.reading.blocks import is_tangled, made_valid
from vinemap.reading.cells import bare_name, show
from vinemap.reading.crs import LONLAT
from vinemap.reading.files import LAYERS, TABLES, find_file, inputs_in
from vinemap.reading.schema import Checked, Row, check_rows, match_columns, refuse_repeats, with_columns
from vinemap.reading.tabular import folded, read_table
from vinemap.reading.vector import read_layer
from vinemap.sentences import Listed, Sentence
from vinemap.settings import RegionSettings, parse_toml, what_is_wrong

RESERVED = ("index.html", "vineyards.csv")
"""Names in ``private/`` that no vineyard's folder may have."""

_STEM = "region"
_MOST_TOML_BYTES = 100_000
_NEAREST = 12


@with_columns(REGION)
class MemberRow(Row):
    """A row of region.*: a vineyard."""


@dataclass(frozen=True)
class Member:
    """A vineyard of a region.

    Attributes
    ----------
    folder : str
        Name of its folder.
    district : str
        "" where it is not known.
    grower : str
        "" where it is not known.
    area_weight : float
        How often its area counts.
    share : bool
        Whether its figures enter the bulletin.
    """

    folder: str
    district: str = ""
    grower: str = ""
    area_weight: float = 1.0
    share: bool = True


@dataclass(frozen=True)
class Region:
    """What a region's folder says of it.

    Attributes
    ----------
    name : str
    members : list of Member
        In the order of region.csv, then those that it does not name.
    settings : RegionSettings
    districts : GeoDataFrame or None
        district and its outline in longitude and latitude; None where no outlines are given.
    warnings : list of Sentence
    """

    name: str
    members: list[Member]
    settings: RegionSettings
    districts: gpd.GeoDataFrame | None
    warnings: list[Sentence]


def folders_in(home: Path) -> dict[str, bool]:
    """Return the names of the folders right below a local one, and whether they hold a vineyard's files.

    Outputs, hidden folders and links are passed over.
    """
    found = (path for path in home.iterdir() if path.is_dir() and not path.is_symlink() and path.name[:1] != ".")
    return {path.name: bool(inputs_in(path)) for path in sorted(found) if not (path / RUN_FILE).exists()}


def read_region(home: Path, folders: Mapping[str, bool], name: str) -> Region:
    """Read region.*, region.toml and the outlines of the districts.

    Parameters
    ----------
    home : Path
        Local folder that holds them.
    folders : mapping of str to bool
        Names of the folders that region.csv may name, and whether each is mapped where it does not.
    name : str
        Of the region, where the settings have none.

    Raises
    ------
    InputError
        With every problem of these files, or where there is no vineyard.
    """
    findings = Findings()
    settings = _settings(home, findings)
    members = _members(home, folders, findings)
    districts = _districts(home, findings)
    if not findings.problems and not members:
        findings.problem(str(home), None, "", Sentence("fault.members.none"), Sentence("remedy.members.none"))
    findings.refuse()
    _warn(members, findings)
    return Region(settings.name or name, members, settings, districts, findings.warnings)


def _members(home: Path, folders: Mapping[str, bool], findings: Findings) -> list[Member]:
    path = find_file(home, _STEM, TABLES, None, findings)
    if path is None:
        if not any(file.stem.casefold() == _STEM and file.suffix.lower() in TABLES for file in home.iterdir()):
            findings.warn(Sentence("region.warning.no_table"))
        return [Member(folder) for folder, mapped in folders.items() if mapped]
    table = read_table(path, _STEM, findings)
    if table is None:
        return []
    columns = match_columns(table, MemberRow, {}, findings)
    checked = check_rows(table, MemberRow, columns, findings)
    with folded(findings, len(table.rows)):
        refuse_repeats(checked, "folder", Sentence("remedy.members.once"), findings, alike=True)
        _refuse_unknown(checked, folders, findings)
    districts: dict[str, str] = {}
    growers: dict[str, str] = {}
    # Two spellings of one grower must not count as two.
    members = [
        Member(
            row.folder,
            _one_spelling(row.district, districts),
            _one_spelling(row.grower, growers),
            1.0 if row.area_weight is None else row.area_weight,
            row.share is not False,
        )
        for _, row in checked.good()
    ]
    unlisted = sorted({folder for folder, mapped in folders.items() if mapped} - {member.folder for member in members})
    if unlisted:
        findings.warn(Sentence("region.warning.unlisted", file=table.file, folders=Listed(unlisted)))
    return [*members, *(Member(folder, share=False) for folder in unlisted)]


def _one_spelling(name: str | None, known: dict[str, str]) -> str:
    """Return a name as it was first spelt, whatever its capitals and spaces."""
    return "" if name is None else known.setdefault(bare_name(name), " ".join(name.split()))


def _refuse_unknown(checked: Checked[MemberRow], folders: Mapping[str, bool], findings: Findings) -> None:
    for place, row in checked.good():
        if row.folder in folders and row.folder not in RESERVED:
            continue
        what = Sentence("fault.members.no_folder", folder=show(row.folder))
        known = Listed(sorted(folders)[:_NEAREST], most=None)
        none = Sentence("remedy.members.no_folder.none")
        remedy = Sentence("remedy.members.no_folder", names=known) if folders else none
        if row.folder in RESERVED:
            what = Sentence("fault.members.reserved", folder=show(row.folder))
            remedy = Sentence("remedy.rename_folder")
        findings.problem(checked.table.file, checked.table.numbers[place], checked.column("folder"), what, remedy)


def _warn(members: Sequence[Member], findings: Findings) -> None:
    """Say what keeps vineyards out of the bulletin, or together in it."""
    shared = [member for member in members if member.share]
    for field in ("grower", "district"):
        without = [member.folder for member in shared if not getattr(member, field)]
        if without:
            findings.warn(Sentence(f"region.warning.no_{field}", folders=Listed(without)))


def _settings(home: Path, findings: Findings) -> RegionSettings:
    path = home / REGION_SETTINGS_FILE
    if not path.exists():
        return RegionSettings()
    fault = barred(path, _MOST_TOML_BYTES, within=home)
    if fault is not None:
        findings.problem(path.name, None, "", *fault)
        return RegionSettings()
    text = ""
    try:
        text = path.read_text(encoding="utf-8-sig")
        return RegionSettings.model_validate(parse_toml(text))
    except ValidationError as error:
        for one in error.errors(include_url=False):
            _name_fault(path.name, text, one, findings)
    except (ValueError, RecursionError) as error:
        what = " ".join(str(error).split())[:200]
        syntax = Sentence("fault.region.no_toml", reason=what)
        findings.problem(path.name, None, "", syntax, Sentence("remedy.region.no_toml"))
    return RegionSettings()


def _name_fault(file: str, text: str, fault: Any, findings: Findings) -> None:
    key = str(fault["loc"][0])
    lines = text.splitlines()
    row = next((number for number, line in enumerate(lines, 1) if re.match(rf"\s*{re.escape(key)}\s*=", line)), None)
    if fault["type"] == "extra_forbidden":
        known = Sentence("remedy.region.keys", keys=Listed(RegionSettings.model_fields, most=None))
        findings.problem(file, row, key, Sentence("fault.no_key"), known)
        return
    field = RegionSettings.model_fields[key]
    what = Sentence("fault.value", value=repr(str(fault["input"])[:60]), what=what_is_wrong(fault))
    meaning = Sentence(f"setting.region.{key}")
    remedy = Sentence("remedy.region.value", meaning=meaning, default=str(field.default))
    findings.problem(file, row, key, what, remedy)


def _districts(home: Path, findings: Findings) -> gpd.GeoDataFrame | None:
    """Read the outlines of the districts, where they are given: ``districts.geojson`` and the like."""
    path = find_file(home, "districts", LAYERS, None, findings)
    table = None if path is None else read_layer(path, "districts", None, findings)
    if table is None or table.geometry is None:
        return None
    places = [place for place, column in enumerate(table.columns) if bare_name(column) in ("district", "name")]
    if not places:
        findings.problem(table.file, None, "district", Sentence("fault.no_column"), Sentence("remedy.district.column"))
        return None
    names = [" ".join(str(row[places[0]] or "").split()) for row in table.rows]
    if table.geometry.crs is None:
        findings.problem(table.file, None, "", Sentence("fault.district.no_crs"), Sentence("remedy.district.no_crs"))
        return None
    outlines: list[BaseGeometry | None] = []
    for number, name, shape in zip(table.numbers, names, table.geometry, strict=True):
        if not name or shape is None or shape.geom_type not in ("Polygon", "MultiPolygon"):
            findings.problem(
                table.file, number, "", Sentence("fault.district.shape"), Sentence("remedy.district.shape")
            )
            continue
        outline, _ = made_valid(shape)
        if outline is None:
            what = Sentence(f"fault.district.{'tangled' if is_tangled(shape) else 'no_ground'}")
            findings.problem(table.file, number, "geometry", what, Sentence("remedy.draw_again"))
        outlines.append(outline)
    if findings.problems:
        return None
    frame = gpd.GeoDataFrame({"district": names}, geometry=outlines, crs=table.geometry.crs)
    return frame.to_crs(LONLAT).dissolve("district", as_index=False)
