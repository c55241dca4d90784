"""Samples without coordinates: placed by row and vine, or known by their block alone."""

from __future__ import annotations

import geopandas as gpd
from shapely import Point

from vinemap.errors import Findings
from vinemap.reading.cells import bare_name, show
from vinemap.reading.frames import known_rows
from vinemap.reading.rows import Located, NoSuchVineError, RowFrame, locate
from vinemap.reading.schema import Checked, SampleRow
from vinemap.sentences import Figure, Listed, Sentence

NEEDED = ("row_spacing_m", "vine_spacing_m", "row_bearing_deg", "first_vine_lon", "first_vine_lat")


def counted_places(checked: Checked[SampleRow], pointless: list[int]) -> list[int]:
    """Return those of the rows without a point that name a row or a vine."""
    rows = dict(checked.good())
    return [place for place in pointless if rows[place].row is not None or rows[place].vine is not None]


def by_block_alone(
    checked: Checked[SampleRow], pointless: list[int], blocks: gpd.GeoDataFrame | None, findings: Findings
) -> dict[int, str]:
    """Return the blocks of samples that are known by their block and nothing else.

    Parameters
    ----------
    checked : Checked of SampleRow
        The samples' file.
    pointless : list of int
        Rows of its table without a point of their own.
    blocks : GeoDataFrame or None
        Their names; None where they could not be read, which is not held against the samples.
    findings : Findings
        Gets a problem for each sample whose block is not among them, and a warning that names the samples.

    Returns
    -------
    dict
        The block, as the blocks spell it, by place in the table.
    """
    rows = dict(checked.good())
    stated = {place: rows[place] for place in pointless if rows[place].block is not None}
    alone = {place: row for place, row in stated.items() if row.row is None and row.vine is None}
    if blocks is None:
        return {place: row.block for place, row in alone.items()}
    known = {bare_name(name): name for name in blocks["block"]}
    found = {place: known[bare_name(row.block)] for place, row in alone.items() if bare_name(row.block) in known}
    for place in alone.keys() - found.keys():
        message = Sentence("fault.block_alone", block=show(alone[place].block))
        remedy = Sentence("remedy.block_alone", names=Listed(sorted(known.values())))
        findings.problem(checked.table.file, checked.table.numbers[place], checked.column("block"), message, remedy)
    if found:
        samples = Listed(rows[place].sample for place in found)
        findings.warn(Sentence.counted("warning.block_alone", len(found), file=checked.table.file, samples=samples))
    return found


def located_points(
    checked: Checked[SampleRow],
    places: list[int],
    blocks: gpd.GeoDataFrame | None,
    drawn: gpd.GeoDataFrame | None,
    findings: Findings,
) -> dict[int, Point]:
    """Place samples by row and vine in their block.

    Parameters
    ----------
    checked : Checked of SampleRow
        The samples' file.
    places : list of int
        Rows of its table to place.
    blocks : GeoDataFrame or None
        In the metric CRS, with `row_spacing_m`, `vine_spacing_m`, `row_bearing_deg`, `first_vine_lon` and
        `first_vine_lat`; None where the blocks could not be read. Then, and where a first vine is at fault, nothing is
        held against the samples.
    drawn : GeoDataFrame or None
        Vine rows that were drawn, in the same CRS.
    findings : Findings
        Gets a problem for each row that cannot be placed, and a warning that states the error.

    Returns
    -------
    dict
        Point in the blocks' CRS, by place in the table.
    """
    if blocks is None or not places or any("first_vine" in problem.column for problem in findings.problems):
        return {}
    rows = dict(checked.good())
    known = known_rows(blocks, drawn)
    frames = {str(name): known.get(str(name)) for name in blocks["block"]}
    located: dict[int, Located] = {}
    for place in places:
        fault = _fault(rows[place], frames, located, place)
        if fault is not None:
            field, message, remedy = fault
            findings.problem(checked.table.file, checked.table.numbers[place], checked.column(field), message, remedy)
    if located:
        errors = [found.error_m for found in located.values()]
        findings.warn(
            Sentence(
                "warning.by_vine",
                file=checked.table.file,
                placed=Figure(len(located)),
                all=Figure(len(checked.rows)),
                low=Figure(min(errors)),
                high=Figure(max(errors)),
            )
        )
    return {place: found.point for place, found in located.items()}


def _fault(
    row: SampleRow,
    frames: dict[str, RowFrame | None],
    located: dict[int, Located],
    place: int,
) -> tuple[str, Sentence, Sentence] | None:
    """Place one sample, or return the column, what is wrong, and what to do."""
    if row.row is None or row.vine is None:
        empty = "row" if row.row is None else "vine"
        return empty, Sentence("fault.vine.empty"), Sentence("remedy.vine.empty")
    if row.block is None:
        return "block", Sentence("fault.vine.no_block"), Sentence("remedy.vine.no_block")
    if row.block not in frames:
        known = Sentence("remedy.name_one_of", names=Listed(sorted(frames)))
        return "block", Sentence("fault.no_block", block=show(row.block)), known
    frame = frames[row.block]
    if frame is None:
        message = Sentence("fault.vine.uncounted", block=show(row.block))
        return "block", message, Sentence("remedy.vine.uncounted", columns=Listed(NEEDED))
    try:
        located[place] = locate(frame, row.row, row.vine)
    except NoSuchVineError as error:
        return error.axis, error.fault, Sentence("remedy.vine.spacings")
    return None
