"""GeoParquet, read within bounds: a few bytes of it may stand for any number of rows."""

from __future__ import annotations

import io
import json
import struct
from pathlib import Path
from typing import Any

import geopandas as gpd

from vinemap.doors import megabytes
from vinemap.errors import RefusedError
from vinemap.reading.crs import opens_files
from vinemap.reading.tabular import MOST_CELLS, MOST_ROWS, too_many_cells, too_many_rows
from vinemap.reading.vetting import MOST_FIELDS, too_many_fields
from vinemap.sentences import Sentence

_MOST_BYTES = 100_000_000
_BATCH = 1000
_DEEPEST = 8
_TEXTS = ("BYTE_ARRAY", "FIXED_LEN_BYTE_ARRAY")
_POINT, _LINE, _POLYGON, _COLLECTIONS = 1, 2, 3, (4, 5, 6, 7)


def read_geoparquet(path: Path) -> gpd.GeoDataFrame:
    """Read a GeoParquet file.

    Parameters
    ----------
    path : Path

    Raises
    ------
    ImportError
        Where pyarrow is not installed.
    RefusedError
        Where it holds too much, or shapes or a CRS that the libraries below must not see.
    """
    from pyarrow import parquet  # noqa: PLC0415 - an extra

    data = path.read_bytes()
    file = parquet.ParquetFile(io.BytesIO(data))
    if file.metadata.num_rows > MOST_ROWS:
        raise too_many_rows()
    geo = _metadata((file.metadata.metadata or {}).get(b"geo"))
    stated = geo.get("columns")
    columns = stated if isinstance(stated, dict) else {}
    texts = _refuse_large(file)
    size = 0
    for batch in parquet.ParquetFile(io.BytesIO(data), read_dictionary=texts).iter_batches(_BATCH):
        size += sum(_unpacked_bytes(column) for column in batch.columns)
        if size > _MOST_BYTES:
            raise _too_large()
        for name in columns:
            place = batch.schema.get_field_index(name)
            for shape in batch.column(place).to_pylist() if place >= 0 else ():
                if isinstance(shape, bytes):
                    _refuse_deep(shape)
    return gpd.read_parquet(io.BytesIO(data)).reset_index(drop=True)


def _refuse_large(file: Any) -> list[str]:
    """Raise where a file states more than is read; return the columns of text, by their names.

    A few bytes may stand for any number of values in a cell, or say often which text of a list a cell holds.
    """
    schema = file.schema
    if len(schema) > MOST_FIELDS:
        raise too_many_fields()
    texts = [schema.column(place) for place in range(len(schema)) if schema.column(place).physical_type in _TEXTS]
    if any(column.max_repetition_level for column in texts):
        raise RefusedError(Sentence("fault.lists_of_text"), Sentence("remedy.lists_of_text"))
    groups = [file.metadata.row_group(group) for group in range(file.metadata.num_row_groups)]
    if sum(group.total_byte_size for group in groups) > _MOST_BYTES:
        raise _too_large()
    if sum(group.column(place).num_values for group in groups for place in range(len(schema))) > MOST_CELLS:
        raise too_many_cells(MOST_CELLS)
    return [str(column.path) for column in texts]


def _unpacked_bytes(column: Any) -> int:
    """Return the bytes that a column takes once every cell holds its own text."""
    import pyarrow  # noqa: PLC0415 - an extra
    from pyarrow import compute  # noqa: PLC0415

    if not pyarrow.types.is_dictionary(column.type):
        return int(column.nbytes)
    lengths = compute.binary_length(column.dictionary).take(column.indices)
    return int(compute.sum(lengths).as_py() or 0) + 4 * len(column)


def _too_large() -> RefusedError:
    return RefusedError(Sentence("fault.unpacks_more", most=megabytes(_MOST_BYTES)), Sentence("remedy.only_ours"))


def _metadata(text: bytes | None) -> dict[str, Any]:
    geo = json.loads(text or b"{}")
    if opens_files(json.dumps(geo, ensure_ascii=False)):
        raise RefusedError(Sentence("fault.own_files"), Sentence("remedy.plain_crs"))
    return geo if isinstance(geo, dict) else {}


def _refuse_deep(wkb: bytes) -> None:
    """Raise where well-known binary (OGC 06-103r4, with the dimensions of ISO 13249-3) nests collections too deeply.

    GEOS reads a collection within a collection by calling itself, and a few thousand of them end the process.
    """
    left = [1]
    place = 0
    try:
        while left:
            if not left[-1]:
                left.pop()
                continue
            left[-1] -= 1
            order = "<" if wkb[place] else ">"
            (kind,) = struct.unpack_from(f"{order}I", wkb, place + 1)
            place += 9 if kind & 0x20000000 else 5
            kind, more = kind & 0xFFFF, bool(kind & 0x80000000) + bool(kind & 0x40000000)
            kind, point = kind % 1000, 8 * (2 + more + (0, 1, 1, 2)[kind // 1000])
            if kind == _POINT:
                place += point
                continue
            (count,) = struct.unpack_from(f"{order}I", wkb, place)
            place += 4
            if kind in _COLLECTIONS:
                left.append(count)
            for _ in range(count if kind == _POLYGON else 0):
                (corners,) = struct.unpack_from(f"{order}I", wkb, place)
                place += 4 + corners * point
            place += count * point if kind == _LINE else 0
            if len(left) > _DEEPEST or kind not in (_LINE, _POLYGON, *_COLLECTIONS):
                raise RefusedError(Sentence("fault.odd_shapes"), Sentence("remedy.export_layer"))
    except (struct.error, IndexError):
        raise RefusedError(Sentence("fault.damaged_shape"), Sentence("remedy.export_layer")) from None
