"""Layers of shapes, in any format that geopandas reads, as tables with geometries."""

from __future__ import annotations

import warnings
from pathlib import Path

import geopandas as gpd
import pyogrio
import shapely

from vinemap.errors import Findings
from vinemap.reading.tabular import Cells, Table
from vinemap.sentences import Sentence


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
    # GDAL meets damaged files with errors of many classes, so the net is wide here and only here.
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            frame = _frame(path, stem, layer, findings)
    except ImportError:
        findings.problem(
            path.name,
            None,
            "",
            "Parquet files need the package pyarrow, which is not installed",
            "install it with: pip install 'vinemap[parquet]', or save the file as .gpkg",
        )
        return None
    except Exception as error:
        reason = " ".join(str(error).split())[:200].rstrip(".")
        findings.problem(
            path.name, None, "", f"cannot be read as {path.suffix} ({reason})", "export it again, for instance as .gpkg"
        )
        return None
    if any("closed ring" in str(word.message) for word in said):
        findings.warn(Sentence("warning.not_closed", file=path.name))
    return None if frame is None else _table(path, frame, findings)


def _table(path: Path, frame: gpd.GeoDataFrame, findings: Findings) -> Table | None:
    if frame.empty:
        findings.problem(path.name, None, "", "the layer holds no shapes", "draw them and save the layer again")
        return None
    plain = frame.drop(columns=frame.geometry.name)
    columns = [plain.iloc[:, i].astype(object).tolist() for i in range(plain.shape[1])]
    rows: list[Cells] = list(zip(*columns, strict=True)) if columns else [()] * len(frame)
    flat = gpd.GeoSeries(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    names = tuple(str(name).strip() for name in plain.columns)
    return Table(path.name, names, rows, list(range(2, len(frame) + 2)), flat)


def _frame(path: Path, stem: str, layer: str | None, findings: Findings) -> gpd.GeoDataFrame | None:
    if path.suffix.lower() == ".parquet":
        return gpd.read_parquet(path).reset_index(drop=True)
    chosen = _layer(path, stem, layer, findings)
    if chosen is None:
        return None
    frame = pyogrio.read_dataframe(path, layer=chosen, on_invalid="fix")
    if not isinstance(frame, gpd.GeoDataFrame):
        frame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([None] * len(frame)))
    return frame


def _layer(path: Path, stem: str, layer: str | None, findings: Findings) -> str | None:
    """Return the name of the layer to read: the one named, the only one, or the one called as the file's job."""
    listed = pyogrio.list_layers(path)
    names = [str(name) for name, _ in listed]
    if layer is not None:
        if layer in names:
            return layer
        findings.problem(
            "vinemap.toml",
            None,
            f"files.{stem}_layer",
            f"{path.name} has no layer {layer!r}",
            f"name one of its layers: {', '.join(names)}",
        )
        return None
    if path.suffix.lower() == ".gpx":
        return "waypoints"
    drawn = [str(name) for name, kind in listed if kind is not None] or names
    fitting = [name for name in drawn if name.casefold() == stem]
    if len(drawn) == 1 or len(fitting) == 1:
        return (fitting or drawn)[0]
    what = f"has several layers: {', '.join(drawn)}" if drawn else "has no layer"
    findings.problem(
        path.name,
        None,
        "",
        what,
        f"call the one to read '{stem}', or name it as files.{stem}_layer in vinemap.toml",
    )
    return None
