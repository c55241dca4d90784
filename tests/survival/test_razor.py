"""The razor against what grew: hand sums, chance that is called chance, and readers told apart."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from tests.builders import shoot_rows
from vinemap.columns import BUDS_BY_COUNT, SPRING_RAZOR
from vinemap.survival.growth import growth
from vinemap.survival.razor import razor_table

NO_COUNTS = pd.DataFrame(columns=BUDS_BY_COUNT.names)


def node_rows(read: list[int], dead: list[int], reader: list[str | None] | None = None) -> pd.DataFrame:
    """A row a node: so many read, so many of them with no live bud."""
    rows = [
        {"sample": f"s{k}", "cane": "1", "node": node + 1, "primary": state, "secondary": state, "tertiary": "unread"}
        | {"reader": reader[k] if reader else None}
        for k, (all_, gone) in enumerate(zip(read, dead, strict=True))
        for node in range(all_)
        for state in ["dead" if node < gone else "alive"]
    ]
    return pd.DataFrame(rows)


def held(
    read: list[int], dead: list[int], nodes: list[int], shoots: list[int], reader: list[str | None] | None = None
) -> pd.DataFrame:
    names = [f"s{k}" for k in range(len(read))]
    grown = growth(shoot_rows(sample=names, nodes=nodes, shoots=shoots), 10)
    return razor_table(node_rows(read, dead, reader), NO_COUNTS, pd.Series(99, index=names), grown, 0.9)


def test_one_vine_by_hand() -> None:
    """8 of 20 read dead, 10 of 40 blind: 15 points fewer, and chance alone would do that.

    The common share with one more of each is (18 + 1) / (60 + 2) = 0.306; its standard error for 20 against 40 nodes is
    sqrt(0.306 x 0.694 x (1/20 + 1/40)) = 0.1262, times 1.645 = 20.8 points.
    """
    table = held([20], [8], [40], [30])
    assert list(table) == SPRING_RAZOR.names
    row = table.iloc[0]
    assert row["difference_pct"] == pytest.approx(-15)
    share = 19 / 62
    half = 100 * norm.ppf(0.95) * np.sqrt(share * (1 - share) * (1 / 20 + 1 / 40))
    assert half == pytest.approx(20.8, abs=0.05)
    assert row[["difference_low_pct", "difference_high_pct", "by_chance_pct"]].tolist() == pytest.approx(
        [-15 - half, -15 + half, half]
    )
    # Frechet: shares of 40 % and 25 % agree on 85 % of the nodes at the most; with no difference on all.
    assert row[["agreement_pct", "agreement_high_pct"]].tolist() == pytest.approx([85, 100])
    assert row[["read_too_dead", "read_too_alive"]].tolist() == [0, 0]


def test_vines_are_strata() -> None:
    """A vine half dead and one sound, both read right, show no difference, however unequal their nodes are.

    Summed over both, 10 of 30 nodes were read dead and 5 of 50 are blind, which would look like 23 points.
    """
    row = held([20, 10], [10, 0], [10, 40], [5, 40]).iloc[0]
    assert row["difference_pct"] == pytest.approx(0)
    assert row["read_dead_pct"] == pytest.approx(100 / 3)
    assert row["blind_pct"] == pytest.approx(10)


def test_a_reader_who_calls_live_nodes_dead_is_told_from_one_who_does_not() -> None:
    """Ana reads half of the live nodes dead, Lee reads them right; the row of all comes first."""
    ten = [20] * 10
    table = held(ten + ten, [12] * 10 + [4] * 10, [40] * 20, [32] * 20, ["Ana"] * 10 + ["Lee"] * 10)
    assert table["reader"].fillna("").tolist() == ["", "Ana", "Lee"]
    ana, lee = table.iloc[1], table.iloc[2]
    assert ana["difference_pct"] == pytest.approx(-40)
    assert ana["difference_high_pct"] < 0
    assert ana["read_too_dead"] == 10
    assert lee["difference_pct"] == pytest.approx(0)
    assert lee["read_too_dead"] == lee["read_too_alive"] == 0


def test_chance_is_called_chance() -> None:
    """Where every reading is right, no bias is found in about nine surveys of ten, however few the nodes."""
    rng = np.random.default_rng(3)
    found = []
    for _ in range(60):
        vines = int(rng.integers(3, 25))
        share = rng.beta(2, 3, vines)
        cut, left = rng.integers(6, 30, vines), rng.integers(10, 60, vines)
        table = held(
            cut.tolist(), rng.binomial(cut, share).tolist(), left.tolist(), rng.binomial(left, 1 - share).tolist()
        )
        row = table.iloc[0]
        found.append(row["difference_low_pct"] <= 0 <= row["difference_high_pct"])
    assert 0.8 < np.mean(found) <= 1


def test_only_primaries_read() -> None:
    """Where no secondary was read under a dead primary nothing can be held against what grew."""
    nodes = node_rows([20], [8]).assign(secondary="unread")
    grown = growth(shoot_rows(sample=["s0"], nodes=[40], shoots=[30]), 10)
    assert razor_table(nodes, NO_COUNTS, pd.Series(99, index=["s0"]), grown, 0.9).empty
