"""The table of columns is whole and plain, and what derives from it follows it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import vinemap
from tests.builders import blocks, write_vineyard
from vinemap.columns import (
    BLOCKS,
    BLOCKS_CSV,
    INPUTS,
    OUTPUTS,
    WORK_LIST,
    Column,
    Kind,
    Layout,
    dictionary,
)


@pytest.mark.parametrize("layout", [*INPUTS, *OUTPUTS], ids=lambda layout: layout.files)
def test_every_column_is_explained(layout: Layout) -> None:
    """No table names a column twice; each has a meaning, words where it holds words, limits both or none."""
    assert len(set(layout.names)) == len(layout.names)
    for column in layout.columns:
        assert column.meaning == column.meaning.strip() != "", column.name
        assert "\n" not in column.meaning
        assert bool(column.words) == (column.kind in (Kind.WORD, Kind.STATE)), column.name
        assert (column.low is None) == (column.high is None), column.name
        assert column.empty is None or not column.words or column.empty in column.words, column.name
        assert column.is_figure or (column.unit, column.decimals, column.low) == ("", None, None), column.name


def test_a_name_with_braces_stands_for_many() -> None:
    """A material's pieces are one column of the table, whatever the settings call the material."""
    pieces = WORK_LIST.find("young_vines_pieces")
    assert pieces is not None
    assert pieces.unit == "pieces"
    assert WORK_LIST.find("_pieces") is None
    assert WORK_LIST.find("vines_to_wor") is None


def test_blocks_csv_begins_with_what_a_manager_asks() -> None:
    """The first columns: which block, what to do, how much died, what crop is left, how large it is."""
    assert BLOCKS_CSV.names[:13] == [
        *("block", "variety", "action", "nodes_to_keep", "zone_nodes", "target_nodes", "map_injury_pct"),
        *("map_low_pct", "map_high_pct", "injury_pct", "crop_after_pct", "area_ha", "vines"),
    ]
    assert set(BLOCKS.names) <= set(BLOCKS_CSV.names)


def test_arranged_and_rounded() -> None:
    """A table takes the order and the decimals of its layout; a column that the layout lacks comes last, as it is."""
    layout = Layout("f", "r", (Column("a_pct", Kind.NUMBER, "m", "%", 1), Column("{x}_t", Kind.NUMBER, "m", "t")))
    table = pd.DataFrame({"other": [0.123], "hay_t": [1.234], "a_pct": [50.04]})
    found = layout.rounded(layout.arranged(table))
    assert list(found) == ["a_pct", "hay_t", "other"]
    assert found.iloc[0].tolist() == [50.0, 1.234, 0.123]


def test_the_dictionary_explains_every_column() -> None:
    """It has a row a column of every table."""
    table = dictionary()
    assert list(table["column"]) == [column.name for layout in (*INPUTS, *OUTPUTS) for column in layout.columns]
    spacing = table[table["column"] == "row_spacing_m"].iloc[0]
    assert spacing[["unit", "decimals", "holds"]].tolist() == ["m", 3, "number"]


def test_a_new_input_column_is_a_line_of_the_table(tmp_path: Path) -> None:
    """One line put into the table, and nothing else: the column is read, checked, and written in blocks.csv."""
    package = tmp_path / "src" / "vinemap"
    shutil.copytree(Path(vinemap.__file__).parent, package)  # with what is compiled already
    source = (package / "columns.py").read_text(encoding="utf-8")
    before = '        Column("variety", Kind.TEXT, "variety", on_page=True),\n'
    assert source.count(before) == 1
    line = '        Column("rootstock_age", Kind.WHOLE, "age in years, 1 to 200", "years", low=1, high=200),\n'
    (package / "columns.py").write_text(source.replace(before, line + before), encoding="utf-8")
    for name, age in (("wrong", "300"), ("right", "30")):
        (tmp_path / name).mkdir()
        frame = blocks(**{"Rootstock age": ["12", age, None]}).to_crs(4326)
        frame.to_file(write_vineyard(tmp_path / name) / "blocks.geojson", driver="GeoJSON")
    call = [sys.executable, "-c", _WRONG_THEN_RIGHT, str(tmp_path / "wrong"), str(tmp_path / "right"), str(tmp_path)]
    done = subprocess.run(call, capture_output=True, text=True, cwd=package.parent, check=False)
    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "blocks.geojson:3: Rootstock age: '300' is out of range; give age in years, 1 to 200" in said
    assert pd.read_csv(tmp_path / "blocks.csv")["rootstock_age"].tolist()[:2] == [12, 30]


# In one process, whose modules take longer to load than both vineyards to map.
_WRONG_THEN_RIGHT = """
import sys
from pathlib import Path
from vinemap.columns import BLOCKS_CSV
from vinemap.errors import InputError
from vinemap.exports.formats import write_csv
from vinemap.pipeline.mapping import make_map

wrong, right, out = map(Path, sys.argv[1:])
try:
    make_map(wrong)
except InputError as error:
    print(error)
write_csv(make_map(right).blocks, out / "blocks.csv", BLOCKS_CSV)
"""
