"""Vine rows drawn as lines, among people's own files: samples known by block, row and vine stand on them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from shapely import LineString, Point

from tests.builders import CRS, square
from tests.intake.sheets import table
from vinemap.intake.tidy import write_folder
from vinemap.intake.understand import understand
from vinemap.reading.vineyard import read_vineyard

# Metres from the corner of the blocks: rows 3 m apart that run north, 31 vines 3 m apart in each.
FROM, APART, VINES = 2.0, 3.0, 31


def _given(home: Path, head: str, names: tuple[str, str], *, called: str = "Vine rows") -> list[Path]:
    """Write outlines, rows that are drawn, and counts of samples that are known by block, row and vine."""
    outlines = [square(0, 0), square(300, 0)]
    blocks = gpd.GeoDataFrame({"name": ["Blk 2 - Pinot N.", "Blk 12 - Chard"]}, geometry=outlines, crs=CRS)
    blocks.to_crs(4326).to_file(home / "farm.geojson", driver="GeoJSON")
    lines, rows = [], []
    for name, (west, south, *_) in zip(names, (outline.bounds for outline in outlines), strict=True):
        for row in range(1, 11):
            x, y = west + FROM + APART * (row - 1), south + FROM
            lines.append(LineString([(x, y), (x, y + APART * (VINES - 1))]))
            rows.append((name, row, VINES))
    drawn = gpd.GeoDataFrame(rows, columns=head.split(";"), geometry=lines, crs=CRS)
    drawn.to_crs(4326).to_file(home / f"{called}.geojson", driver="GeoJSON")
    counts = [["Sample", "Block", "Row", "Vine", "Dead", "Total"]]
    counts += [[f"S{k}", ("2", "12")[k % 2], 1 + k, 2 * k + 1, k, 20] for k in range(8)]
    return [home / "farm.geojson", home / f"{called}.geojson", table(home / "counts.csv", counts)]


@pytest.mark.parametrize(
    ("head", "names"), [("Block;Row;Vines", ("2", "12")), ("cuartel;hilera;cepas", ("Blk 2", "12"))]
)
def test_samples_stand_on_rows_that_are_drawn(tmp_path: Path, head: str, names: tuple[str, str]) -> None:
    """Each sample lies within a metre of its vine, and nothing is asked."""
    files = _given(tmp_path, head, names)
    understood = understand(files)
    assert understood.open == ()
    assert understood.problems == ()
    write_folder(understood, files, tmp_path / "tidy")
    samples = read_vineyard(tmp_path / "tidy").samples.set_index("sample").geometry
    for k in range(8):
        west, south, *_ = (square(0, 0), square(300, 0))[k % 2].bounds
        vine = Point(west + FROM + APART * k, south + FROM + APART * 2 * k)
        assert samples[f"S{k}"].distance(vine) < 1, k


def test_without_rows_it_is_said_what_would_do(tmp_path: Path) -> None:
    """Lines of a layer that is not called rows are no rows: the samples are their blocks' alone, and that is said."""
    understood = understand(_given(tmp_path, "Block;Row;Vines", ("2", "12"), called="fences"))
    assert "rows" not in understood.tables
    assert any("a layer of lines called rows" in note for note in understood.notes)


def test_a_row_that_is_not_drawn_is_named(tmp_path: Path) -> None:
    """Ten rows are drawn: a sample in the eleventh is a problem of the table, with its row."""
    files = _given(tmp_path, "Block;Row;Vines", ("2", "12"))
    text = files[2].read_text(encoding="utf-8").replace("S3,12,4,", "S3,12,11,")
    files[2].write_text(text, encoding="utf-8")
    (problem,) = understand(files).problems
    assert (problem.row, problem.column) == (5, "row")
    assert problem.message == "there is no row 11: 10 rows of the block are drawn, 1 to 10"
    assert "están dibujadas 10 hileras" in problem.message.said("es")
