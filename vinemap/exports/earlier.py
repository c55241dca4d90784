"""Earlier runs, read back as what they know of the ground: which freeze, its blocks, its surface."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
from shapely import box

from vinemap.characters import for_xml
from vinemap.columns import SETTINGS_FILE
from vinemap.doors import barred
from vinemap.errors import InputError, Problem
from vinemap.evidence.winters import Winter
from vinemap.exports.exchange import settle
from vinemap.exports.formats import read_run
from vinemap.exports.record import MOST_BYTES, RUN_FILE
from vinemap.reading.cells import show
from vinemap.sentences import Sentence, languages
from vinemap.settings import Settings

_MOST_NAME = 200
CUT = ("samples.", "buds.")
"""How the files begin by which a run is known to rest on the same canes."""


@dataclass(frozen=True)
class EarlierRun:
    """An earlier run.

    Attributes
    ----------
    out : Path
        Its output folder.
    winter : Winter
        Its surface, called by the freeze.
    blocks : GeoDataFrame
        The layer ``blocks`` of its vineyard.gpkg.
    digests : dict of str to str
        SHA-256 of each of its inputs; empty where run.json does not say.
    dated : bool
        Whether it says which freeze it is of.
    after : tuple of str
        Names of the freezes that its map has learnt from (``--after``).
    name, language, units : str
        Of the vineyard, and that its page begins with; the folder's name, English and metric where it does not say.
    """

    out: Path
    winter: Winter
    blocks: gpd.GeoDataFrame
    digests: dict[str, str]
    dated: bool
    name: str = ""
    language: str = "en"
    units: str = "metric"
    after: tuple[str, ...] = ()

    @property
    def cut(self) -> dict[str, str]:
        """Digests of the files of samples and buds."""
        return {name: sha for name, sha in self.digests.items() if name.startswith(CUT)}


def read_earlier(out: Path, ground: gpd.GeoDataFrame | None = None) -> EarlierRun:
    """Read an earlier run back.

    Parameters
    ----------
    out : Path
        Its output folder.
    ground : GeoDataFrame, optional
        Blocks that it has to share ground with.

    Raises
    ------
    InputError
        When the folder holds no run, or one of other ground.
    """
    settle(out)
    blocks, surface = read_run(out)
    if ground is not None and not box(*blocks.to_crs(ground.crs).total_bounds).intersects(box(*ground.total_bounds)):
        raise _refused(out, Sentence("fault.run.other_ground"), Sentence("remedy.run.other_ground"))
    report = _report(out)
    date, made = _day(report.get("event_date")), _day(report.get("made"))
    inputs = report.get("inputs")
    digests = {str(name): str(sha) for name, sha in inputs.items()} if isinstance(inputs, dict) else {}
    folder = " ".join(for_xml(out.resolve().name).split())
    winter = Winter(date or made or folder, surface)
    called = " ".join(for_xml(str(report.get("name") or folder)).split())[:_MOST_NAME]
    settings = report.get("settings")
    own = settings if isinstance(settings, dict) else {}
    language = own["language"] if str(own.get("language")) in languages() else "en"
    units = "us" if own.get("units") == "us" else "metric"
    after = report.get("after")
    learnt = tuple(map(str, after)) if isinstance(after, list) else ()
    return EarlierRun(out, winter, blocks, digests, date is not None, called, language, units, learnt)


def kept_outputs(folder: Path, settings: Settings) -> list[Path]:
    """Return the outputs of earlier runs that the settings name.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    settings : Settings
        ``evidence.after``.

    Raises
    ------
    InputError
        For one that does not stand inside the folder.
    """
    for name in settings.evidence.after:
        if not (folder / name).resolve().is_relative_to(folder.resolve()):
            what = Sentence("fault.after_outside", name=show(name))
            raise InputError([Problem(SETTINGS_FILE, None, "evidence.after", what, Sentence("remedy.after_outside"))])
    return [folder / name for name in settings.evidence.after]


def refuse_twice(runs: list[EarlierRun], cut: dict[str, str] | None = None, date: str | None = None) -> None:
    """Refuse runs that rest on the same canes or freeze, or learnt from each other: what is counted twice looks surer.

    Parameters
    ----------
    runs : list of EarlierRun
        In the order that they were named.
    cut : dict of str to str, optional
        Digests of the samples and buds that are mapped now.
    date : str, optional
        Of the freeze that is mapped now, ISO 8601.
    """
    canes = [cut] if cut else []
    dates = [date] if date else []
    for run in runs:
        if run.cut and run.cut in canes:
            raise _refused(run.out, Sentence("fault.run.same_canes"), Sentence("remedy.run.once"))
        if run.dated and run.winter.name in dates:
            what = Sentence("fault.run.same_freeze", freeze=run.winter.name)
            raise _refused(run.out, what, Sentence("remedy.run.once"))
        taken = [other.winter.name for other in runs if other.winter.name in run.after]
        if taken:
            what = Sentence("fault.run.learnt", freeze=taken[0])
            raise _refused(run.out, what, Sentence("remedy.run.learnt"))
        canes += [run.cut] if run.cut else []
        dates += [run.winter.name] if run.dated else []


def _report(out: Path) -> dict[str, Any]:
    """Return run.json as it is; nothing of one that is missing or no object."""
    path = out / RUN_FILE
    if not path.is_file() or barred(path, MOST_BYTES, within=out) is not None:
        return {}
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _day(value: object) -> str | None:
    """Return the day that a date or a time begins with; None where it is none."""
    try:
        return dt.date.fromisoformat(str(value)[:10]).isoformat()
    except ValueError:
        return None


def _refused(out: Path, what: Sentence, remedy: Sentence) -> InputError:
    return InputError([Problem(str(out), None, "", what, remedy)])
