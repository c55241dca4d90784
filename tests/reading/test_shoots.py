"""Tables of shoots counted after budbreak."""

from __future__ import annotations

from pathlib import Path

import pytest

from vinemap.columns import SHOOTS
from vinemap.errors import InputError
from vinemap.reading.shoots import read_shoots


def test_old_tables_still_read(tmp_path: Path) -> None:
    """Sample, nodes and shoots are enough; column names are matched as everywhere, and the rest was not looked at."""
    path = tmp_path / "counts.csv"
    path.write_text("Sample;Nodes;Shoots\ns0;20;15\ns1;40;30\ns0;20;13\n", encoding="utf-8")
    rows = read_shoots(path, {"s0", "s1"})
    assert list(rows) == SHOOTS.names
    assert rows[["sample", "nodes", "shoots"]].to_numpy().tolist() == [["s0", 20, 15], ["s1", 40, 30], ["s0", 20, 13]]
    assert rows[["primary_frozen", "secondary_frozen", "suckers", "vines", "stage"]].isna().all(axis=None)


def test_frost_and_stage(tmp_path: Path) -> None:
    """Frozen shoots, suckers and the stage on either scale, in the spellings that people use."""
    path = tmp_path / "counts.csv"
    head = "sample,nodes,shoots,primary frozen,secondary frozen,suckers,vines,stage\n"
    path.write_text(f"{head}s0,40,30,12,5,2,1,bbch 11\ns1,40,0,,,0,,EL-7\ns0,40,30,0,0,,2,E-L 12\n", encoding="utf-8")
    rows = read_shoots(path, {"s0", "s1"})
    assert rows["stage"].tolist() == ["BBCH 11", "E-L 7", "E-L 12"]
    assert rows.iloc[0, 3:7].tolist() == [12, 5, 2, 1]


@pytest.mark.parametrize(
    ("row", "column", "what"),
    [
        ("s0,20,25,,,", "shoots", "25 nodes with a shoot of 20 nodes"),
        ("zz,40,30,,,", "sample", "is no sample of the vineyard"),
        ("s0,20,1.5,,,", "shoots", "is not a whole number"),
        ("s0,20,10,11,,", "primary_frozen", "the shoot froze on 11 nodes, of 10 nodes with a shoot"),
        ("s0,20,10,5,6,", "secondary_frozen", "the secondary froze on 6 nodes, the primary on 5"),
        ("s0,20,10,,6,", "secondary_frozen", "stands without primary_frozen"),
        ("s0,20,10,,,12", "stage", "'12' is no growth stage of a known scale"),
        ("s0,20,10,,,E-L 60", "stage", "'E-L 60' is no growth stage of a known scale"),
    ],
)
def test_faults_are_named(tmp_path: Path, row: str, column: str, what: str) -> None:
    """Each with its row, its column and what to do."""
    path = tmp_path / "counts.csv"
    path.write_text(
        f"sample,nodes,shoots,primary_frozen,secondary_frozen,stage\ns0,20,15,,,\n{row}\n", encoding="utf-8"
    )
    with pytest.raises(InputError) as caught:
        read_shoots(path, {"s0"})
    (problem,) = caught.value.problems
    assert (problem.row, problem.column) == (3, column)
    assert what in str(problem)


def test_an_empty_table_is_named(tmp_path: Path) -> None:
    """Nothing in it is a problem, not a traceback."""
    empty = tmp_path / "empty.csv"
    empty.write_text("")
    with pytest.raises(InputError):
        read_shoots(empty, {"s0"})
