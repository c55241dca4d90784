"""Sample points: where canes were collected."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely import MultiPoint, Point
from shapely.geometry.base import BaseGeometry

from vinemap.columns import SAMPLES
from vinemap.errors import Findings
from vinemap.reading.blocks import FARTHEST_LAT
from vinemap.reading.cells import bare_name, date_figures, show
from vinemap.reading.crs import LONLAT, layer_crs, named_crs
from vinemap.reading.files import POINTS, TABLES, find_file
from vinemap.reading.schema import (
    Checked,
    Model,
    Row,
    SampleRow,
    check_rows,
    match_columns,
    names_of,
    refuse_repeats,
    typed,
)
from vinemap.reading.tabular import Table, folded, read_table
from vinemap.reading.vector import read_layer
from vinemap.reading.vines import by_block_alone, counted_places, located_points
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings

_PAIRS = (("lon", "lat"), ("easting", "northing"))
# No survey has so many, and each takes its time.
_MOST_SAMPLES = 50_000


def read_samples(
    folder: Path,
    settings: Settings,
    blocks: gpd.GeoDataFrame | None,
    rows: gpd.GeoDataFrame | None,
    findings: Findings,
) -> tuple[gpd.GeoDataFrame | None, set[str] | None, str]:
    """Read and check samples.*.

    Parameters
    ----------
    folder : Path
    settings : Settings
    blocks : GeoDataFrame or None
        In the metric CRS, for samples that are placed by row and vine; None where they could not be read.
    rows : GeoDataFrame or None
        Vine rows that were drawn, in the same CRS.
    findings : Findings
        Gets problems and warnings.

    Returns
    -------
    samples : GeoDataFrame or None
        The samples without a problem, in the file's CRS: the columns of `vinemap.columns.SAMPLES` that are carried on,
        stated_block, stated_row, stated_vine (float, NaN where not stated), ``file``, ``row``, ``height_m`` (that its
        point carries), points, missing for samples that are known by their block alone; None where there are none.
    names : set of str or None
        Every sample that the file names, also those with a problem; None where it cannot be read.
    file : str
        Name of the file, "samples" where there is none.
    """
    path = find_file(folder, "samples", POINTS, settings.files.samples, findings)
    if path is None:
        return None, None, "samples"
    if path.suffix.lower() in TABLES:
        table = read_table(path, "samples", findings)
    else:
        table = read_layer(path, "samples", settings.files.samples_layer, findings)
    if table is not None and len(table.rows) > _MOST_SAMPLES:
        what = Sentence("fault.many.samples", count=Figure(len(table.rows)), most=Figure(_MOST_SAMPLES))
        findings.problem(table.file, None, "", what, Sentence("remedy.only_ours"))
        table = None
    if table is None:
        return None, None, path.name
    columns = match_columns(table, SampleRow, settings.columns.samples, findings)
    context = {"day_first": _day_first(table, columns, settings, findings)}
    checked = check_rows(table, SampleRow, columns, findings, context, section="samples")
    with folded(findings, len(table.rows)):
        refuse_repeats(checked, "sample", Sentence("remedy.name_each.sample"), findings)
    _warn_of_alike(checked, findings)
    _warn_of_early_dates(checked, settings, findings)
    names = {name for name in names_of(checked, "sample") if name is not None} if "sample" in columns else None
    return _placed(checked, settings, blocks, rows, findings), names, path.name


def _warn_of_alike(checked: Checked[SampleRow], findings: Findings) -> None:
    """Name samples whose names differ in capitals or spaces alone: one may be the other, misspelt."""
    alike: dict[str, dict[str, int]] = {}
    for number, name in zip(checked.table.numbers, names_of(checked, "sample"), strict=True):
        if name is not None:
            alike.setdefault(bare_name(name), {}).setdefault(name, number)
    for rows in alike.values():
        if len(rows) > 1:
            listed = Listed(
                (Sentence("warning.alike.one", name=show(name), row=number) for name, number in rows.items()),
                together=True,
            )
            findings.warn(Sentence("warning.alike", file=checked.table.file, names=listed, count=len(rows)))


def _warn_of_early_dates(checked: Checked[SampleRow], settings: Settings, findings: Findings) -> None:
    """Name samples collected before the freeze, whose buds cannot show its injury."""
    freeze = settings.event_date
    early = [row for _, row in checked.good() if freeze is not None and row.date is not None and row.date < freeze]
    if early:
        first = {"sample": early[0].sample, "date": early[0].date}
        findings.warn(Sentence.counted("warning.early", len(early), file=checked.table.file, freeze=freeze, **first))


def _day_first(table: Table, columns: dict[str, int], settings: Settings, findings: Findings) -> bool | None:
    """Decide how to read dates such as 3/4/2025: as the column's other dates show, else as the units suggest."""
    if "date" not in columns:
        return None
    cells = [cell for cell in (row[columns["date"]] for row in table.rows) if isinstance(cell, str)]
    figures = [found for found in map(_figures, cells) if found]
    day_first = any(first > 12 for first, _, _ in figures)
    month_first = any(second > 12 for _, second, _ in figures)
    if day_first != month_first:
        return day_first
    if day_first:
        return None
    guess = settings.units != "us"
    unclear = next((cell for cell in cells if _leaves_open(cell)), None)
    if unclear is not None:
        key = f"warning.dates.{'day' if guess else 'month'}_first"
        findings.warn(Sentence(key, file=table.file, date=unclear.strip()))
    return guess


def _figures(cell: str) -> tuple[int, int, int] | None:
    return date_figures(" ".join(cell.split()))


def _leaves_open(cell: str) -> bool:
    """Whether a date is another one when day and month are exchanged."""
    figures = _figures(cell)
    return figures is not None and figures[0] != figures[1]


def _placed(
    checked: Checked[SampleRow],
    settings: Settings,
    blocks: gpd.GeoDataFrame | None,
    vine_rows: gpd.GeoDataFrame | None,
    findings: Findings,
) -> gpd.GeoDataFrame | None:
    pointless = [place for place, row in checked.good() if not _has_own(checked, place, row)]
    counted = counted_places(checked, pointless)
    with folded(findings, len(checked.rows)):
        alone = by_block_alone(checked, pointless, blocks, findings)
    # What is wrong with the block that such a sample names has been told.
    rows = dict(checked.good())
    otherwise = [place for place in pointless if place in counted or rows[place].block is not None]
    crs, points = own_points(checked, settings, otherwise, findings)
    with folded(findings, len(checked.rows)):
        located = located_points(checked, counted, blocks, vine_rows, findings)
    if crs is not None and blocks is not None and located:
        points |= dict(zip(located, gpd.GeoSeries(located, crs=blocks.crs).to_crs(crs), strict=True))
    good = [(place, row) for place, row in checked.good() if place in points or place in alone]
    if crs is None or not good:
        return None
    heights = checked.table.heights
    frame = pd.DataFrame(
        {
            **{c.name: typed(c, [getattr(row, c.name) for _, row in good]) for c in SAMPLES.columns if c.carried},
            "stated_block": pd.Series([alone.get(place, row.block) for place, row in good], dtype=object),
            **{f"stated_{name}": np.array([getattr(row, name) for _, row in good], float) for name in ("row", "vine")},
            "file": checked.table.file,
            "row": [checked.table.numbers[place] for place, _ in good],
            "height_m": np.nan if heights is None else heights[[place for place, _ in good]],
        }
    )
    return gpd.GeoDataFrame(frame, geometry=[points.get(place) for place, _ in good], crs=crs)


def _has_own(checked: Checked[SampleRow], place: int, row: SampleRow) -> bool:
    """Whether a row has coordinates, or a part of them, or a shape of its own."""
    shapes = checked.table.geometry
    shape = None if shapes is None else shapes.iloc[place]
    figures = (getattr(row, field) for pair in _PAIRS for field in pair)
    return (shape is not None and not shape.is_empty) or any(figure is not None for figure in figures)


def own_points(
    checked: Checked[Model], settings: Settings, otherwise: list[int], findings: Findings, what: str = "sample"
) -> tuple[CRS | None, dict[int, Point]]:
    """Return the CRS and the points that the rows of a table have of themselves, by their places in it.

    Parameters
    ----------
    checked : Checked
        With the fields lon, lat, easting and northing.
    settings : Settings
    otherwise : list of int
        Rows that need no point.
    findings : Findings
        Gets a problem for every other row without one.
    what : str
        What a row is, for the messages: ``sample`` or ``logger``.
    """
    shapes = checked.table.geometry
    with folded(findings, len(checked.rows)):
        if shapes is not None and not shapes.isna().all():
            crs = layer_crs(checked.table, settings, findings)
            return crs, _points_of_shapes(checked, crs, otherwise, findings, what)
        return _points_of_columns(checked, settings, otherwise, findings, what)


def _points_of_shapes(
    checked: Checked[Model], crs: CRS | None, otherwise: list[int], findings: Findings, what: str
) -> dict[int, Point]:
    table, remedy = checked.table, Sentence(f"remedy.point.{what}")
    shapes = [] if table.geometry is None else list(table.geometry)
    found: dict[int, Point] = {}
    for place, (shape, number) in enumerate(zip(shapes, table.numbers, strict=True)):
        point = _single(shape)
        if place in otherwise:
            continue
        if shape is None or shape.is_empty:
            findings.problem(table.file, number, "geometry", Sentence(f"fault.no_point.{what}"), remedy)
        elif point is None:
            fault = Sentence(f"fault.drawn_as.{what}", kind=shape.geom_type)
            findings.problem(table.file, number, "geometry", fault, remedy)
        elif not np.isfinite((point.x, point.y)).all():
            findings.problem(table.file, number, "geometry", Sentence("fault.point.no_numbers"), remedy)
        elif crs is not None and crs.is_geographic and (abs(point.y) > 90 or abs(point.x) > 360):
            swapped = abs(point.x) <= 90 and abs(point.y) <= 360
            findings.problem(
                table.file,
                number,
                "geometry",
                Sentence(
                    "fault.point.no_lonlat",
                    x=f"{point.x:g}",
                    y=f"{point.y:g}",
                    swapped=Sentence("fault.point.swapped") if swapped else "",
                ),
                Sentence("remedy.lon_first" if swapped else "remedy.crs.own"),
            )
        else:
            found[place] = point
    return found


def _single(shape: BaseGeometry | None) -> Point | None:
    if isinstance(shape, MultiPoint) and len(shape.geoms) == 1:
        return shape.geoms[0]
    return shape if isinstance(shape, Point) else None


def _points_of_columns(
    checked: Checked[Model], settings: Settings, otherwise: list[int], findings: Findings, what: str
) -> tuple[CRS | None, dict[int, Point]]:
    table = checked.table
    pair = next((pair for pair in _PAIRS if all(field in checked.columns for field in pair)), None)
    if pair is None and otherwise and len(otherwise) == len(checked.good()):
        return LONLAT, {}
    if pair is None:
        half = [field for fields in _PAIRS for field in fields if field in checked.columns]
        findings.problem(
            table.file,
            None,
            "",
            Sentence("fault.half_points", names=Listed(half)) if half else Sentence("fault.no_points"),
            Sentence(f"remedy.points.{what}"),
        )
        return None, {}
    x, y = pair
    for place, row in checked.good():
        for field in pair:
            if getattr(row, field) is None and place not in otherwise:
                number = table.numbers[place]
                remedy = Sentence(f"remedy.point.{what}")
                findings.problem(table.file, number, checked.column(field), Sentence("fault.empty"), remedy)
    points = {place: Point(getattr(row, x), getattr(row, y)) for place, row in checked.good() if _has(row, pair)}
    if x == "lon":
        return LONLAT, points
    if settings.crs is None:
        findings.problem(
            table.file,
            None,
            f"{checked.column(x)}, {checked.column(y)}",
            Sentence("fault.projected_no_crs"),
            Sentence("remedy.projected_no_crs"),
        )
        return None, points
    return named_crs(settings.crs, "crs", findings), points


def _has(row: Row, pair: tuple[str, str]) -> bool:
    return all(getattr(row, field) is not None for field in pair)


def refuse_mistaken_axes(samples: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Name samples far from every block whose point would lie among the blocks with its axes or a sign exchanged.

    Parameters
    ----------
    samples : GeoDataFrame
        From `read_samples`, in the file's CRS.
    blocks : GeoDataFrame
        In any CRS.
    findings : Findings
        Gets a problem for each such sample, or one where all are alike.

    Returns
    -------
    GeoDataFrame
        The other samples.
    """
    bounds = blocks.to_crs(samples.crs).total_bounds
    if not np.isfinite(bounds).all():
        return samples
    home = shapely.box(*bounds)
    near, far = (1.0, 0.1) if samples.crs.is_geographic else (100_000.0, 10_000.0)
    x, y = samples.geometry.x.to_numpy(), samples.geometry.y.to_numpy()
    away = shapely.distance(shapely.points(x, y), home) > near
    geographic = samples.crs.is_geographic
    x_name, y_name = ("longitude", "latitude") if geographic else ("easting", "northing")
    guesses: tuple[tuple[str, NDArray[np.float64], NDArray[np.float64]], ...] = (
        (f"swapped.{'lonlat' if geographic else 'projected'}", y, x),
        (f"sign.{'lon' if geographic else 'east'}", -x, y),
        (f"sign.{'lat' if geographic else 'north'}", x, -y),
    )
    kept = np.ones(len(samples), dtype=bool)
    for mistake, guess_x, guess_y in guesses:
        mistaken = away & (shapely.distance(shapely.points(guess_x, guess_y), home) < far)
        away = away & ~mistaken
        kept &= ~mistaken
        places = np.flatnonzero(mistaken)
        axes = Sentence(f"fault.axes.{mistake}")
        if len(places) == len(samples):
            # Exchanged axes in one file look from the other as if they were exchanged there.
            either = geographic and mistake.startswith("swapped") and np.abs(y).max() <= FARTHEST_LAT
            here, there = str(samples["file"].iloc[0]), str(blocks["file"].iloc[0])
            first = {"axes": axes, "x": f"{x[0]:.10g}", "y": f"{y[0]:.10g}"}
            findings.problem(
                here,
                None,
                f"{x_name}, {y_name}",
                Sentence("fault.axes.either", file=there, **first) if either else Sentence("fault.axes.all", **first),
                Sentence("remedy.axes.either", here=here, there=there) if either else Sentence("remedy.axes.all"),
            )
            continue
        for place in places:
            findings.problem(
                samples["file"].iloc[place],
                int(samples["row"].iloc[place]),
                f"{x_name}, {y_name}",
                Sentence("fault.axes.one", axes=axes, x=f"{x[place]:.10g}", y=f"{y[place]:.10g}"),
                Sentence("remedy.row"),
            )
    return samples[kept].reset_index(drop=True)


def refuse_placeless(samples: gpd.GeoDataFrame, findings: Findings) -> gpd.GeoDataFrame:
    """Name samples so far off that the vineyard's CRS does not reach them; return the others.

    Parameters
    ----------
    samples : GeoDataFrame
        In the metric CRS; columns sample, file, row.
    findings : Findings
        Gets a problem for each.
    """
    placed = np.isfinite(samples.geometry.x) & np.isfinite(samples.geometry.y)
    with folded(findings, len(samples)):
        for name, file, row in samples.loc[~placed, ["sample", "file", "row"]].itertuples(index=False):
            fault = Sentence("fault.sample.no_earth", sample=show(name))
            findings.problem(file, row, "", fault, Sentence("remedy.row"))
    return samples[placed].reset_index(drop=True)
