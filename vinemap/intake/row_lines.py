"""Vine rows that people drew as lines: which layers hold them, and which row of which block each is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import pandas as pd

from vinemap.errors import Findings
from vinemap.intake.headings import plain
from vinemap.intake.lexicon import role_of, tokens
from vinemap.intake.naming import match_names
from vinemap.intake.questions import Proposal
from vinemap.intake.sources import Layer
from vinemap.intake.sums import figure
from vinemap.reading.crs import LONLAT
from vinemap.reading.row_layer import read_rows
from vinemap.sentences import Sentence
from vinemap.settings import Settings

_CALLED = frozenset(("row", "rows", "hilera", "hileras", "fila", "filas", "surco", "surcos"))
_VINES = frozenset(("vines", "plants", "cepas", "plantas", "vides"))
_LINES = ("LineString", "MultiLineString")
_FIRST = ("first_vine_lon", "first_vine_lat")


@dataclass
class RowLines:
    """What drawn layers say of vine rows.

    Attributes
    ----------
    rows : GeoDataFrame or None
        block (as the outlines are called; None where not named), row, vines (both missing where not given) and lines in
        longitude and latitude; None where there are none.
    placed : GeoDataFrame or None
        The same as `vinemap.reading.row_layer.read_rows` reads them, in the metric CRS of the blocks.
    proposals : list of Proposal
    notes : list of Sentence
    findings : Findings
        What has to be mended in the layers.
    """

    rows: gpd.GeoDataFrame | None = None
    placed: gpd.GeoDataFrame | None = None
    proposals: list[Proposal] = field(default_factory=list)
    notes: list[Sentence] = field(default_factory=list)
    findings: Findings = field(default_factory=Findings)


def of_rows(layer: Layer) -> bool:
    """Whether a layer holds vine rows: nothing but lines, in a file or a layer that is called so."""
    called = called_rows(Path(layer.file).stem) or called_rows(layer.layer or "")
    return called and len(layer.frame) > 0 and bool(layer.frame.geom_type.isin(_LINES).all())


def called_rows(name: str) -> bool:
    """Whether a file, or a layer, is called after vine rows."""
    return not _CALLED.isdisjoint(tokens(name))


def row_lines(layers: Sequence[Layer], blocks: gpd.GeoDataFrame, answers: Mapping[str, str]) -> RowLines:
    """Read vine rows, and place them in their blocks.

    Parameters
    ----------
    layers : sequence of Layer
        Those that are `of_rows`.
    blocks : GeoDataFrame
        block and outlines in longitude and latitude, and the first vines where they are known.
    answers : mapping
        To proposals, by their key.

    Returns
    -------
    RowLines
        A row that names no block is of the block that it lies in.
    """
    found = RowLines()
    parts = [_rows_of(layer, blocks, answers, found) for layer in layers]
    if not parts:
        return found
    found.rows = gpd.GeoDataFrame(pd.concat(parts, ignore_index=True), crs=LONLAT)
    known = [pd.to_numeric(blocks[name], errors="coerce") for name in _FIRST if name in blocks]
    metric = blocks.assign(**{str(column.name): column for column in known}).to_crs(blocks.estimate_utm_crs())
    own = Findings()
    # The check of a vineyard's own rows is the check of these: they become its rows.geojson.
    with TemporaryDirectory(prefix="vinemap-") as home:
        found.rows.to_file(Path(home) / "rows.geojson", driver="GeoJSON")
        found.placed = read_rows(Path(home), Settings(), metric, own)
    found.findings.problems += [replace(problem, file=layers[0].file) for problem in own.problems]
    found.notes.append(Sentence.counted("import.note.rows", len(found.rows), file=layers[0].file))
    return found


def _rows_of(layer: Layer, blocks: gpd.GeoDataFrame, answers: Mapping[str, str], found: RowLines) -> gpd.GeoDataFrame:
    frame = layer.frame if layer.frame.crs is not None else layer.frame.set_crs(LONLAT)
    attributes = [str(name) for name in frame.columns if name != frame.geometry.name]
    roles = {role: name for name in reversed(attributes) if (role := role_of(name)) is not None}
    vines = next((name for name in attributes if set(tokens(name)) <= _VINES and tokens(name)), None)
    names = [plain(cell) for cell in frame[roles["block"]]] if "block" in roles else [""] * len(frame)
    matches = match_names([name for name in names if name], list(blocks["block"]), answers, where=layer.file, needed=())
    found.proposals += matches.proposals
    table = {
        "block": [matches.mapping.get(name, name or None) for name in names],
        "row": _figures(frame, roles.get("row") or roles.get("name")),
        "vines": _figures(frame, vines),
    }
    return gpd.GeoDataFrame(table, geometry=list(frame.geometry), crs=frame.crs).to_crs(LONLAT)


def _figures(frame: gpd.GeoDataFrame, name: str | None) -> pd.Series[int]:
    """Return the whole number in each cell of a column, missing where it holds none; "Row 12" holds 12."""
    cells = [None] * len(frame) if name is None else list(frame[name])
    digits = ("".join(letter for letter in plain(cell) if letter.isdecimal() or letter == ".") for cell in cells)
    values = [figure(words) if words.strip(".") else None for words in digits]
    return pd.Series([None if value is None else round(value) for value in values], dtype="Int64")
