"""Tables of shoots counted after budbreak."""

from __future__ import annotations

from pathlib import Path

import pytest

from vinemap.errors import InputError
from vinemap.reading.shoots import read_shoots


def test_reading(tmp_path: Path) -> None:
    """Rows of a sample add up; column names are matched as everywhere."""
    path = tmp_path / "counts.csv"
    path.write_text("Sample;Nodes;Shoots\ns0;20;15\ns1;40;30\ns0;20;13\n", encoding="utf-8")
    assert read_shoots(path, {"s0", "s1"}).to_dict("list") == {
        "sample": ["s0", "s1"],
        "nodes": [40, 40],
        "shoots": [28, 30],
    }


def test_faults_are_named(tmp_path: Path) -> None:
    """More shoots than nodes, an unknown sample, half a shoot: each with its row."""
    path = tmp_path / "counts.csv"
    path.write_text("sample,nodes,shoots\ns0,20,25\nzz,40,30\ns0,20,1.5\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_shoots(path, {"s0"})
    assert sorted(problem.row for problem in caught.value.problems) == [2, 3, 4]
    empty = tmp_path / "empty.csv"
    empty.write_text("")
    with pytest.raises(InputError):
        read_shoots(empty, {"s0"})
