"""From a folder of vineyards to their maps, the adviser's list and the bulletin."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import geopandas as gpd
import pandas as pd
from openpyxl import Workbook
from shapely import orient_polygons
from shapely.geometry import mapping

from vinemap.columns import BULLETIN, BULLETIN_DISTRICTS, BULLETIN_GROUPS, BULLETIN_HEIGHTS, VINEYARDS, Layout
from vinemap.errors import InputError, Problem
from vinemap.evidence.region_prior import FEWEST_VINEYARDS, PRIOR_FILE
from vinemap.exports.exchange import claimed, staged
from vinemap.exports.formats import write_csv
from vinemap.exports.record import RUN_FILE
from vinemap.exports.spreadsheet import Shown, freeze, put_line, put_table, to_print
from vinemap.interrupts import note_written
from vinemap.reading.tabular import NOTES_SHEET
from vinemap.region.addresses import (
    below,
    brought,
    folders_at,
    is_address,
    last_name,
    place_on_disk,
    sent,
    without_scheme,
)
from vinemap.region.bulletin import Bulletin
from vinemap.region.engine import cluster, outcomes
from vinemap.region.held import Held
from vinemap.region.learning import Learnt, Teacher, learnt_from, teaching
from vinemap.region.members import Region, folders_in, read_region
from vinemap.region.ranking import index_page, vineyards_table
from vinemap.region.task import Outcome, Task, teach_member
from vinemap.region.totals import bulletin_tables
from vinemap.resources import write_json
from vinemap.sentences import Figure, Sentence
from vinemap.states import Mapped
from vinemap.surface.lesson import Lesson
from vinemap.web.pdf import write_pdf

PRIVATE = "private"
"""Folder of the outputs for the adviser alone."""

Done = Callable[[int, int, str, Outcome], None]


def _quiet(done: int, total: int, name: str, outcome: Outcome) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class RegionRun:
    """What a region's run found.

    Attributes
    ----------
    region : Region
    outcomes : mapping of str to Outcome
        By the name of the vineyard's folder.
    written : list of str
        Paths or addresses of the region's own files, the bulletin first.
    learnt : Learnt
        What they taught each other.
    """

    region: Region
    outcomes: Mapping[str, Outcome]
    written: list[str]
    learnt: Learnt = field(default_factory=Learnt)

    def count(self, *states: Mapped) -> int:
        """Return how many vineyards fared so."""
        return sum(outcome.state in states for outcome in self.outcomes.values())


def map_region(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    scheduler: str | None = None,
    workers: int | None = None,
    alone: bool = False,
    pdf: bool = False,
    taught: Done = _quiet,
    done: Done = _quiet,
) -> RegionRun:
    """Map every vineyard of a region, and write what they say together.

    Vineyards that share their figures teach each other, where there are enough of them: each is fitted to its own
    counts first, and then mapped with what the others teach (`vinemap.region.learning`) as its prior.

    What one vineyard has wrong stops no other. Each one's outputs and its record stand as soon as it is mapped, so that
    a run that was stopped goes on where it was: vineyards whose files, teachers and version of vinemap are as they were
    are not mapped again.

    Parameters
    ----------
    folder, out : str or Path
        Paths, or addresses that fsspec knows; with a ``scheduler`` they must mean the same to every worker.
    scheduler, workers
        As `vinemap.region.engine.cluster` has them.
    alone : bool
        Let no vineyard borrow from the others.
    pdf : bool
        Write PDF too.
    taught, done : callable
        Called after each vineyard that was fitted to its own counts, and after each that was mapped: with how many
        are, how many there are, its name and its outcome.

    Raises
    ------
    InputError
        When region.csv, region.toml or the folder cannot be used; then nothing is written.
    VinemapError
        When Dask is not installed or no scheduler answers.
    """
    home, target = _place(folder), _place(out)
    region = _read(home)
    private = below(target, PRIVATE)
    tasks = [Task(below(home, member.folder), private, pdf) for member in region.members]
    found = Held()
    with _held(target, home), cluster(scheduler, workers) as opened:
        learnt = Learnt() if alone else learnt_from(_teachers(region, tasks, opened, taught), region.settings)
        taught_tasks = (replace(task, prior=learnt.text_for(task.name)) for task in tasks)
        for task, outcome in outcomes(taught_tasks, opened):
            former = _so_far(len(found), len(tasks))
            found.keep(task.name, outcome)
            note_written(_so_far(len(found), len(tasks)), former)
            done(len(found), len(tasks), task.name, outcome)
        written = _write(region, found, home, target, learnt, pdf=pdf)
    return RegionRun(region, found, written, learnt)


def _teachers(region: Region, tasks: Sequence[Task], opened: Callable[[], Any], taught: Done) -> dict[str, Teacher]:
    """Fit vineyards that share their figures to their own counts, where they are enough to teach each other."""
    growers = {member.folder: member.grower for member in region.members if member.share}
    chosen = teaching(growers)
    asked = [task for task in tasks if task.name in chosen]
    if len(asked) < FEWEST_VINEYARDS:
        return {}
    lessons = {}
    for number, (task, outcome) in enumerate(outcomes(asked, opened, teach_member), start=1):
        taught(number, len(asked), task.name, outcome)
        if outcome.figures is not None:
            lessons[task.name] = Lesson.from_json(outcome.figures)
    # In the order of the tasks, so that the same vineyards make the same folds.
    return {task.name: Teacher(growers[task.name], lessons[task.name]) for task in asked if task.name in lessons}


def _so_far(count: int, total: int) -> str:
    return f"{count} of {total} vineyards"


def _place(given: str | os.PathLike[str]) -> str:
    """Return an address as it is, a path as it is from the root, which is what other processes can use."""
    text = without_scheme(os.fspath(given))
    return text.rstrip("/") if is_address(text) else str(Path(text).absolute())


def _read(home: str) -> Region:
    if is_address(home):
        with brought(home, deep=False) as local:
            return read_region(local, dict.fromkeys(folders_at(home), True), last_name(home))
    if not Path(home).is_dir():
        remedy = Sentence("remedy.region.folder")
        raise InputError([Problem(home, None, "", Sentence("fault.no_folder"), remedy)])
    return read_region(Path(home), folders_in(Path(home)), last_name(home))


@contextmanager
def _held(target: str, home: str) -> Iterator[None]:
    """Hold a local output folder, so that no second run writes into it."""
    with ExitStack() as stack:
        if not is_address(target):
            stack.enter_context(claimed(Path(target), place_on_disk(home)))
        yield


def _write(
    region: Region, found: Mapping[str, Outcome], home: str, target: str, learnt: Learnt, *, pdf: bool
) -> list[str]:
    """Write the region's own files, all or none."""
    report = {
        "name": region.name,
        "made": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "vinemap": version("vinemap"),
        "vineyards": len(found),
        "settings": region.settings.model_dump(mode="json"),
        "taught_by": learnt.vineyards,
    }
    with ExitStack() as stack:
        local = Path(stack.enter_context(TemporaryDirectory(prefix="vinemap-"))) if is_address(target) else Path(target)
        with staged(local / "out" if is_address(target) else local, place_on_disk(home), "region", report) as stage:
            _fill(stage, region, found, report, borrowed=bool(learnt.each), pdf=pdf)
            if learnt.shown is not None:
                (stage / PRIOR_FILE).write_text(learnt.shown.to_json(), encoding="utf-8")
            names = sorted(path.relative_to(stage).as_posix() for path in stage.rglob("*") if path.is_file())
        if is_address(target):
            sent(local / "out", target, set(), RUN_FILE)
    names.sort(key=lambda name: name != "bulletin.html")
    return [below(target, *name.split("/")) for name in names]


def _fill(
    stage: Path, region: Region, found: Mapping[str, Outcome], report: Mapping[str, Any], *, borrowed: bool, pdf: bool
) -> None:
    """Write what is for everybody, and below `PRIVATE` what is for the adviser alone."""
    outlined = [] if region.districts is None else [str(name) for name in region.districts["district"]]
    tables = bulletin_tables(region.members, found, region.settings, outlined)
    page = Bulletin(region, found, tables, report["made"][:10], report["vinemap"], borrowed=borrowed)
    html = page.html()
    (stage / "bulletin.html").write_text(html, encoding="utf-8")
    if pdf:
        write_pdf(html, stage / "bulletin.pdf")
    write_csv(tables.varieties, stage / "bulletin.csv", BULLETIN, quoted=True)
    sheets = {
        "varieties": (tables.varieties, BULLETIN),
        "districts": (tables.districts, BULLETIN_DISTRICTS),
        "groups": (tables.groups, BULLETIN_GROUPS),
        "heights": (tables.heights, BULLETIN_HEIGHTS),
    }
    _write_workbook(sheets, [*page.method, page("crossed.note"), page("caution")], stage / "bulletin.xlsx")
    write_json(districts_geojson(tables.districts, region.districts), stage / "districts.geojson")
    (stage / PRIVATE).mkdir()
    table = vineyards_table(region.members, found)
    write_csv(table, stage / PRIVATE / "vineyards.csv", VINEYARDS, quoted=True)
    (stage / PRIVATE / "index.html").write_text(index_page(region, table, found), encoding="utf-8")


def _write_workbook(tables: Mapping[str, tuple[pd.DataFrame, Layout]], notes: Sequence[str], path: Path) -> None:
    """Write the tables as a spreadsheet, a sheet each with what its columns mean, and notes on a sheet of their own."""
    book = Workbook()
    book.remove(book.active)
    for title, (table, layout) in tables.items():
        sheet = book.create_sheet(title)
        shown = layout.rounded(table)
        columns = [
            Shown(column.name, shown[column.name].tolist(), column.meaning, "0.0" if column.decimals else "0")
            for column in layout.columns
        ]
        put_table(sheet, columns)
        freeze(sheet, 2, len(table))
        to_print(sheet)
    sheet = book.create_sheet(NOTES_SHEET)
    sheet.column_dimensions["A"].width = 120
    for row, note in enumerate(notes, start=1):
        put_line(sheet, row, note, across=1)
    book.save(path)


def districts_geojson(table: pd.DataFrame, outlines: gpd.GeoDataFrame | None) -> dict[str, Any]:
    """Return the districts as GeoJSON: with the outlines that were given for them, else with none.

    References
    ----------
    RFC 7946: a feature without a place has the geometry null; outer rings turn anticlockwise.
    """
    shapes = {} if outlines is None else dict(zip(outlines["district"], outlines.geometry, strict=True))
    rounded = BULLETIN_DISTRICTS.rounded(table).astype(object)
    rows = rounded.where(rounded.notna(), None).to_dict("records")
    features = [
        {
            "type": "Feature",
            "properties": {str(name): value for name, value in row.items()},
            "geometry": None if (shape := shapes.get(row["district"])) is None else mapping(orient_polygons(shape)),
        }
        for row in rows
    ]
    return {"type": "FeatureCollection", "features": features}


def faults(run: RegionRun) -> list[Sentence]:
    """Return what was wrong with vineyards that could not be mapped, a sentence each."""
    return [
        Sentence("region.fault", folder=name, what=next((one["en"] for one in outcome.problems), str(outcome.state)))
        for name, outcome in run.outcomes.items()
        if outcome.figures is None
    ]


def told(run: RegionRun) -> list[Sentence]:
    """Return in a few sentences how the vineyards fared."""
    counts: dict[str, Any] = {
        "mapped": Sentence.counted("region.mapped", run.count(Mapped.MAPPED)),
        "unchanged": Sentence.counted("region.unchanged", run.count(Mapped.UNCHANGED)),
        "wrong": Sentence.counted("region.not_mapped", run.count(Mapped.WRONG, Mapped.FAILED)),
    }
    borrowed = [Sentence("region.borrowed", count=Figure(run.learnt.vineyards))] if run.learnt.each else []
    return [Sentence("region.told", **counts), *borrowed]
