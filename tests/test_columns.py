"""The table of columns is whole and plain, and what derives from it follows it."""

from __future__ import annotations

import pandas as pd
import pytest

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
    """The first dozen columns: which block, what to do, how much died, what crop is left, how large it is."""
    assert BLOCKS_CSV.names[:12] == [
        *("block", "variety", "action", "nodes_to_keep", "target_nodes", "map_injury_pct", "map_low_pct"),
        *("map_high_pct", "injury_pct", "crop_after_pct", "area_ha", "vines"),
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
