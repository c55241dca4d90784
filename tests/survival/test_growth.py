"""What grew after budbreak, by sample."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.builders import shoot_rows
from vinemap.survival.growth import block_growth, growth, trunks_grown
from vinemap.survival.wood import tally_wood


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
    assert table.loc["a", ["living", "no_shoot", "with_suckers", "nothing"]].tolist() == [1, 1, 1, 0]
    assert table.loc["a", "stage"] == "E-L 7, E-L 9"
    assert table["vines"].tolist()[0] == 2
    assert np.isnan(table.loc["b", "vines"])


def test_few_nodes_say_nothing_of_a_vine() -> None:
    """No shoot on six nodes is no vine without a shoot; on forty it is, and suckers or none are told apart."""
    table = growth(shoot_rows(sample=[*"abc"], nodes=[6, 40, 40], shoots=0, suckers=[1, 1, 0]), 10)
    assert table["no_shoot"].tolist() == [0, 1, 1]
    assert table["with_suckers"].tolist() == [0, 1, 0]
    assert table["nothing"].tolist() == [0, 0, 1]


def test_what_grew_goes_before_a_slice() -> None:
    """A vine with a shoot has no dead trunk, one with suckers alone has, unless a slice shows living wood."""
    wood = pd.DataFrame(
        {
            "sample": [*"abcd"],
            "tissue": "trunk",
            "phloem": "dead",
            "xylem": ["dead", "dead", "alive", "dead"],
        }
    )
    shoots = shoot_rows(sample=[*"abce"], nodes=40, shoots=[5, 0, 0, 0], suckers=[np.nan, 3, 0, np.nan])
    tallies = trunks_grown(tally_wood(wood), growth(shoots, 10))
    dead = tallies[tallies["tissue"] == "trunk_dead"].set_index("sample")
    assert dead["dead"].to_dict() == {"a": 0, "b": 1, "c": 0, "d": 1}
    assert (dead["read"] == 1).all()
    hurt = tallies[tallies["tissue"] == "trunk_hurt"]
    pd.testing.assert_frame_equal(hurt, tally_wood(wood).query("tissue == 'trunk_hurt'"))


def test_blocks_of_what_grew() -> None:
    """Samples counted, vines without a shoot, nodes left a vine; nothing is said of a block where none was counted."""
    shoots = shoot_rows(
        sample=["a", "b"],
        nodes=[50, 44],
        shoots=[40, 0],
        suckers=[0, 2],
        vines=[1, 1],
        primary_frozen=[8, 0],
        secondary_frozen=[2, 0],
    )
    samples = pd.DataFrame({"sample": [*"abc"], "block": ["A", "A", "B"]})
    table = block_growth(growth(shoots, 10), samples, pd.DataFrame({"block": ["A", "B"]}))
    assert table.iloc[0].tolist() == [2, 1, 1, 47, 25]
    assert table.iloc[1, :3].tolist() == [0, 0, 0]
    assert table.iloc[1, 3:].isna().all()
