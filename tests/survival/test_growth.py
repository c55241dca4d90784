"""What grew after budbreak, by sample."""

from __future__ import annotations

import numpy as np

from tests.builders import shoot_rows
from vinemap.survival.growth import growth


def test_rows_of_a_sample_add_up() -> None:
    """Nodes, shoots and frost are sums over the rows that carry them; vines only where every row does."""
    rows = shoot_rows(
        sample=["a", "b", "a"],
        nodes=[20, 40, 20],
        shoots=[15, 30, 0],
        primary_frozen=[5, None, None],
        secondary_frozen=[2, None, None],
        suckers=[None, None, 3],
        vines=[1, None, 1],
        stage=["E-L 7", None, "E-L 9"],
    )
    table = growth(rows, 10).set_index("sample")
    assert table.loc["a", ["nodes", "shoots", "blind"]].tolist() == [40, 15, 25]
    assert table.loc["a", ["frost_shoots", "primary_frozen", "secondary_read", "secondary_frozen"]].tolist() == [
        15,
        5,
        5,
        2,
    ]
    assert table.loc["a", ["rows", "no_shoot", "with_suckers", "nothing"]].tolist() == [2, 1, 1, 0]
    assert table.loc["a", "stage"] == "E-L 7, E-L 9"
    assert table["vines"].tolist()[0] == 2
    assert np.isnan(table.loc["b", "vines"])


def test_few_nodes_say_nothing_of_a_vine() -> None:
    """No shoot on six nodes is no vine without a shoot; on forty it is, and suckers or none are told apart."""
    table = growth(shoot_rows(sample=[*"abc"], nodes=[6, 40, 40], shoots=0, suckers=[1, 1, 0]), 10)
    assert table["no_shoot"].tolist() == [0, 1, 1]
    assert table["with_suckers"].tolist() == [0, 1, 0]
    assert table["nothing"].tolist() == [0, 0, 1]
