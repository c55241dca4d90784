"""The output folders of a vineyard that were made at the desk, and what changed from one to the next."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vinemap.doors import barred
from vinemap.errors import Findings, InputError, Problem
from vinemap.exports.record import RUN_FILE, places, read_record, within
from vinemap.reading.files import usable
from vinemap.reading.tabular import read_table
from vinemap.sentences import Sentence

OUTPUTS = "outputs"
_NAME = re.compile(r"(\d{4}-\d\d-\d\d)-(\d{6})-(map|plan|spring)")
_OF_A_REGION = ("bulletin.html", "private/index.html", "bulletin.xlsx", "bulletin.csv", "districts.geojson")
_PAGES = ("map.html", "plan.html", "crew_sheet_en.html", "crew_sheet_es.html", "report.html", "bench.html")


@dataclass(frozen=True)
class Run:
    """An output folder.

    Attributes
    ----------
    name : str
        Of the folder.
    folder : Path
    files : dict of str to Path
        By the way to each from the folder; pages first.
    """

    name: str
    folder: Path
    files: dict[str, Path]

    @property
    def shown(self) -> tuple[str, str] | None:
        """Which work it was, and when; None where its name does not say."""
        found = _NAME.fullmatch(self.name)
        return None if found is None else (found[3], f"{found[1]}, {found[2][:2]}:{found[2][2:4]}")

    @property
    def pages(self) -> list[str]:
        """Files to look at and to print."""
        return [place for place in self.files if place in _PAGES]

    @property
    def tables(self) -> list[str]:
        """Files for a spreadsheet."""
        return [place for place in self.files if place.endswith((".xlsx", ".csv")) and "/" not in place]

    @property
    def rest(self) -> list[str]:
        """All other files."""
        return [place for place in self.files if place not in {*self.pages, *self.tables}]

    @property
    def has_map(self) -> bool:
        """Whether it holds a map, so that it can be compared."""
        return "map.html" in self.files and "blocks.csv" in self.files


def region_folder(root: Path) -> Path:
    """Return the output folder of all vineyards together: one, for a run goes on where the last one was."""
    return root / OUTPUTS / "region"


def region_files(root: Path) -> list[str]:
    """Return what of the region's own files is there, by the way to each."""
    return [way for way in _OF_A_REGION if region_file(root, way) is not None]


def region_file(root: Path, way: str) -> Path | None:
    """Return a file of the region's outputs, those of its vineyards too; None where there is none to give."""
    home = region_folder(root)
    path = home / way
    hidden = any(part.startswith(".") for part in way.split("/"))
    return path if not hidden and within(home, way) and path.is_file() and not path.is_symlink() else None


def new_folder(folder: Path, work: str) -> Path:
    """Return an output folder for work that begins now."""
    return folder / OUTPUTS / f"{dt.datetime.now():%Y-%m-%d-%H%M%S}-{work}"


def runs(folder: Path) -> list[Run]:
    """Return the output folders of a vineyard, the latest first."""
    home = folder / OUTPUTS
    if not home.is_dir() or home.is_symlink():
        return []
    found = (
        path for path in home.iterdir() if path.is_dir() and not path.is_symlink() and not path.name.startswith(".")
    )
    return [run for path in sorted(found, reverse=True) if (run := _run(path)) is not None]


def _run(folder: Path) -> Run | None:
    try:
        record = read_record(folder)
    except InputError:
        return None
    if record is None:
        return None
    there = [
        place
        for place in places(folder)
        if place.split("/")[0][:1] != "." and within(folder, place) and not (folder / place).is_symlink()
    ]
    order = {page: number for number, page in enumerate(_PAGES)}
    named = sorted(there, key=lambda place: (order.get(place, len(order)), place == RUN_FILE, place))
    return Run(folder.name, folder, {place: folder / place for place in named if barred(folder / place) is None})


def change_by_block(then: Run, now: Run) -> list[dict[str, Any]]:
    """Return what changed of each block from one run to another.

    Returns
    -------
    list of dict
        block, then, low_then, high_then, now, low, high (percent of primary buds dead by the map; None where the run
        has none), change (in points), action_then, action; blocks of the later run first, in its order.
    """
    before, after = (_blocks(run) for run in (then, now))
    names = [*after, *(name for name in before if name not in after)]
    return [_change(name, before.get(name, {}), after.get(name, {})) for name in names]


def _blocks(run: Run) -> dict[str, dict[str, Any]]:
    path, findings = run.files["blocks.csv"], Findings()
    table = read_table(path, "blocks", findings) if usable(path, (".csv",), findings, within=run.folder) else None
    if table is None or "block" not in table.columns:
        none = Problem(path.name, None, "block", Sentence("fault.no_column"), Sentence("remedy.map_again"))
        raise InputError(findings.problems or [none])
    rows = (dict(zip(table.columns, cells, strict=True)) for cells in table.rows)
    return {str(row["block"]): row for row in rows}


def _change(name: str, then: dict[str, Any], now: dict[str, Any]) -> dict[str, Any]:
    first, second = _figure(then, "map_injury_pct"), _figure(now, "map_injury_pct")
    return {
        "block": name,
        "then": first,
        "low_then": _figure(then, "map_low_pct"),
        "high_then": _figure(then, "map_high_pct"),
        "now": second,
        "low": _figure(now, "map_low_pct"),
        "high": _figure(now, "map_high_pct"),
        "change": None if first is None or second is None else second - first,
        "action_then": then.get("action"),
        "action": now.get("action"),
    }


def _figure(row: dict[str, Any], name: str) -> float | None:
    try:
        value = float(row.get(name) or "nan")
    except ValueError:
        return None
    return value if math.isfinite(value) else None
