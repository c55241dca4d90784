"""Open what people give, each file by the driver that its name promises and through reading's doors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd

from vinemap.columns import SETTINGS_FILE
from vinemap.errors import Findings
from vinemap.reading.files import GRIDS, LAYERS, TABLES, advice, usable
from vinemap.reading.tabular import Sheet, read_sheets
from vinemap.reading.vector import read_layers
from vinemap.sentences import Sentence

_BESIDE = (".md", ".pdf", ".jpg", ".jpeg", ".png", ".heic", ".doc", ".docx", ".html")
"""Endings of what people keep beside their tables."""

_COMPANIONS = (".shx", ".dbf", ".prj", ".cpg", ".sbn", ".sbx", ".qix", ".qmd")
SHAPES = tuple(dict.fromkeys((*LAYERS, ".gpx")))


@dataclass(frozen=True)
class Layer:
    """A layer of shapes as its file has it.

    Attributes
    ----------
    file : str
        Name of the file.
    layer : str or None
        Its name, or that of its folder; None where the file has one only and gives it none.
    frame : GeoDataFrame
        Attributes and geometries, in the file's CRS (None where it states none).
    """

    file: str
    layer: str | None
    frame: gpd.GeoDataFrame


@dataclass
class Sources:
    """All that the files hold, not yet understood.

    Attributes
    ----------
    sheets : list of Sheet
    layers : list of Layer
    grids : list of Path
        Elevation grids, opened by nobody yet.
    notes : list of Sentence
    """

    sheets: list[Sheet] = field(default_factory=list)
    layers: list[Layer] = field(default_factory=list)
    grids: list[Path] = field(default_factory=list)
    notes: list[Sentence] = field(default_factory=list)


def open_sources(files: Sequence[Path], findings: Findings) -> Sources:
    """Open every file.

    Parameters
    ----------
    files : sequence of Path
        Of any kind that people have; settings (``vinemap.toml``) are passed over here.
    findings : Findings
        Gets what cannot be opened, and why.

    Returns
    -------
    Sources
    """
    sources = Sources()
    for path in _each_once(files, sources):
        if path.name.casefold() == SETTINGS_FILE:
            continue
        opener = _OPENERS.get(path.suffix.lower())
        if accompanies(path, files):
            continue
        if path.suffix.lower() in _BESIDE:
            sources.notes.append(Sentence("import.note.beside", file=path.name))
        elif opener is None:
            findings.problem(path.name, None, "", Sentence("fault.ending"), advice(path.suffix))
        elif usable(path, (path.suffix.lower(),), findings):
            opener(path, sources, findings)
    return sources


def accompanies(path: Path, files: Sequence[Path]) -> bool:
    """Whether a file is part of a shapefile among those given."""
    shapefiles = [other for other in files if other.suffix.lower() == ".shp"]
    return path.suffix.lower() in _COMPANIONS and any(
        path.with_suffix("") == whole.with_suffix("") for whole in shapefiles
    )


def _each_once(files: Sequence[Path], sources: Sources) -> list[Path]:
    """Return the files without those that are given twice, by whatever way."""
    first: dict[Path, Path] = {}
    for path in files:
        if first.setdefault(path.resolve(), path) is not path:
            sources.notes.append(Sentence("import.note.given_twice", file=path.name))
    return list(first.values())


def _open_table(path: Path, sources: Sources, findings: Findings) -> None:
    sources.sheets.extend(read_sheets(path, findings))


def _open_shapes(path: Path, sources: Sources, findings: Findings) -> None:
    sources.layers.extend(Layer(path.name, name, frame) for name, frame in read_layers(path, findings))


def _open_grid(path: Path, sources: Sources, _: Findings) -> None:
    sources.grids.append(path)


_OPENERS: dict[str, Callable[[Path, Sources, Findings], None]] = {
    **dict.fromkeys(TABLES, _open_table),
    **dict.fromkeys(SHAPES, _open_shapes),
    **dict.fromkeys(GRIDS, _open_grid),
}
