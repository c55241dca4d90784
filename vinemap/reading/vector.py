"""Layers of shapes, in any format that geopandas reads, as tables with geometries."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from vinemap.arrays import Array
from vinemap.errors import Findings, RefusedError
from vinemap.reading.drivers import Layers
from vinemap.reading.geoparquet import read_geoparquet
from vinemap.reading.tabular import Cells, Table
from vinemap.sentences import Listed, Sentence

_MOST_NAMED = 20
# What GDAL calls the bytes that it was given.
_IN_MEMORY = re.compile(r"['\"]?(/vsizip)?/vsimem/[^\s'\"]+['\"]?")


def read_layer(path: Path, stem: str, layer: str | None, findings: Findings) -> Table | None:
    """Read a layer of shapes.

    Parameters
    ----------
    path : Path
        A file of one of the formats of shapes.
    stem : str
        ``blocks`` or ``samples``: the layer to prefer in a file of several.
    layer : str or None
        Layer that the settings name.
    findings : Findings
        Gets what is wrong.

    Returns
    -------
    Table or None
        With geometries in two dimensions and rows numbered from 2, as an attribute table under its header; None where
        the file cannot be read.
    """
    with _sound(path, findings):
        frame = _frame(path, stem, layer, findings)
        return None if frame is None else _table(path, frame, findings)
    return None


def read_layers(path: Path, findings: Findings) -> list[tuple[str, gpd.GeoDataFrame]]:
    """Read every layer that holds shapes.

    Parameters
    ----------
    path : Path
        A file that `vinemap.reading.files.usable` lets through, of one of the formats of shapes.
    findings : Findings
        Gets what is wrong.

    Returns
    -------
    list of (str, GeoDataFrame)
        Each layer's name, the file's where it has none of its own, and the layer; none where the file cannot be read.
    """
    with _sound(path, findings):
        if path.suffix.lower() == ".parquet":
            return [(path.stem, read_geoparquet(path))]
        layers = Layers(path)
        return [(name, layers.read(place)) for place, (name, has_shapes) in enumerate(layers.names()) if has_shapes]
    return []


@contextmanager
def _sound(path: Path, findings: Findings) -> Iterator[None]:
    """Name what keeps a file of shapes from being read inside."""
    # GDAL meets damaged files with errors of many classes, so the net is wide here and only here.
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            yield
    except ImportError:
        findings.problem(
            path.name,
            None,
            "",
            Sentence("fault.no_pyarrow"),
            Sentence("remedy.no_pyarrow"),
        )
    except RefusedError as refusal:
        findings.problem(path.name, refusal.row, refusal.column, refusal.message, refusal.remedy)
    except Exception as error:
        reason = _IN_MEMORY.sub(path.name, " ".join(str(error).split()))[:200].rstrip(".")
        fault = Sentence("fault.not_as", ending=path.suffix, reason=reason)
        findings.problem(path.name, None, "", fault, Sentence("remedy.export_layer"))
    if any("closed ring" in str(word.message) for word in said):
        findings.warn(Sentence("warning.not_closed", file=path.name))


def _table(path: Path, frame: gpd.GeoDataFrame, findings: Findings) -> Table | None:
    if frame.empty:
        findings.problem(path.name, None, "", Sentence("fault.no_shapes"), Sentence("remedy.no_shapes"))
        return None
    plain = frame.drop(columns=frame.geometry.name)
    columns = [plain.iloc[:, i].astype(object).tolist() for i in range(plain.shape[1])]
    rows: list[Cells] = list(zip(*columns, strict=True)) if columns else [()] * len(frame)
    flat = gpd.GeoSeries(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    names = tuple(str(name).strip() for name in plain.columns)
    return Table(path.name, names, rows, list(range(2, len(frame) + 2)), flat, _heights(path, frame))


def _heights(path: Path, frame: gpd.GeoDataFrame) -> Array | None:
    """Return the heights that points carry: ``ele`` of GPX 1.1, in metres by its schema, or a third coordinate."""
    if path.suffix.lower() == ".gpx" and "ele" in frame:
        return frame["ele"].to_numpy(float, na_value=np.nan)
    points = frame.geometry.to_numpy()
    if not (shapely.get_type_id(points) == shapely.GeometryType.POINT).all() or not shapely.has_z(points).any():
        return None
    return np.asarray(shapely.get_z(points), float)


def _frame(path: Path, stem: str, layer: str | None, findings: Findings) -> gpd.GeoDataFrame | None:
    if path.suffix.lower() == ".parquet":
        return read_geoparquet(path)
    layers = Layers(path)
    chosen = _layer(path, layers, stem, layer, findings)
    return None if chosen is None else layers.read(chosen)


def _layer(path: Path, layers: Layers, stem: str, layer: str | None, findings: Findings) -> int | None:
    """Return the place of the layer to read: the one named, the only one, or the one called as the file's job."""
    listed = layers.names()
    names = [name for name, _ in listed]
    if layer is not None:
        if layer in names:
            return names.index(layer)
        findings.problem(
            "vinemap.toml",
            None,
            f"files.{stem}_layer",
            Sentence("fault.no_such_layer", file=path.name, layer=repr(layer)),
            Sentence("remedy.no_such_layer", layers=_listed(names)),
        )
        return None
    if path.suffix.lower() == ".gpx":
        return names.index("waypoints")
    drawn = [name for name, has_shapes in listed if has_shapes] or names
    fitting = [name for name in drawn if name.casefold() == stem]
    if len(drawn) == 1 or len(fitting) == 1:
        return names.index((fitting or drawn)[0])
    what = Sentence("fault.layers", layers=_listed(drawn)) if drawn else Sentence("fault.no_layer")
    findings.problem(
        path.name,
        None,
        "",
        what,
        Sentence("remedy.layers", stem=stem),
    )
    return None


def _listed(names: list[str]) -> Listed | Sentence:
    shown = Listed(names[:_MOST_NAMED], most=None)
    return Sentence("list.others", shown=shown) if len(names) > _MOST_NAMED else shown
