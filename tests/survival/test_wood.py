"""Slices under the bark: vines counted once, hurt and dead kept apart."""

from __future__ import annotations

import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from vinemap.survival.wood import tally_wood, wood_table

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_800_000.0


def checks(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=["sample", "tissue", "phloem", "xylem"])


def state(wood: pd.DataFrame, name: str) -> dict[str, str]:
    counts = tally_wood(wood)
    counts = counts[counts["tissue"] == name].set_index("sample")
    return {s: "unread" if not row["read"] else "dead" if row["dead"] else "alive" for s, row in counts.iterrows()}


@pytest.mark.parametrize(
    ("pieces", "hurt", "dead"),
    [
        ([("alive", "alive")], "alive", "alive"),
        ([("dead", "alive")], "dead", "alive"),
        ([("dead", "dead")], "dead", "dead"),
        ([("dead", "unread")], "dead", "unread"),
        ([("alive", "unread")], "alive", "alive"),
        ([("unread", "unread")], "unread", "unread"),
        ([("unread", "alive")], "unread", "alive"),
        ([("dead", "dead"), ("alive", "alive")], "dead", "alive"),
        ([("dead", "dead"), ("dead", "dead")], "dead", "dead"),
        ([("dead", "dead"), ("dead", "unread")], "dead", "unread"),
    ],
)
def test_a_vine_is_counted_once(pieces: list[tuple[str, str]], hurt: str, dead: str) -> None:
    """Hurt: dead phloem in any trunk. Dead: phloem and xylem dead in every one; one living trunk is life."""
    wood = checks(*(("v", "trunk", phloem, xylem) for phloem, xylem in pieces))
    assert state(wood, "trunk_hurt") == {"v": hurt}
    assert state(wood, "trunk_dead") == {"v": dead}


def test_shares_by_block() -> None:
    """Two of five trunks hurt, one of five dead; the interval is Wilson's (statsmodels)."""
    wood = checks(
        *(("s1", "trunk", "dead", "dead"), ("s2", "trunk", "dead", "alive"), ("s3", "trunk", "alive", "alive")),
        *(("s4", "trunk", "alive", "alive"), ("s5", "trunk", "alive", "unread"), ("s5", "cane", "dead", "dead")),
        ("out", "trunk", "dead", "dead"),
    )
    samples = pd.DataFrame({"sample": ["s1", "s2", "s3", "s4", "s5", "out"], "block": ["A"] * 5 + [None]})
    table = wood_table(wood, samples, pd.DataFrame({"block": ["A", "B"]}), 0.9)
    first = table.iloc[0]
    assert (first["trunk_hurt_read"], first["trunk_hurt_vines"], first["trunk_hurt_pct"]) == (5, 2, 40)
    assert (first["trunk_dead_read"], first["trunk_dead_vines"], first["trunk_dead_pct"]) == (5, 1, 20)
    low, high = proportion_confint(2, 5, alpha=0.1, method="wilson")
    assert (first["trunk_hurt_low_pct"], first["trunk_hurt_high_pct"]) == pytest.approx((100 * low, 100 * high))
    assert (first["cane_dead_read"], first["cordon_hurt_read"]) == (1, 0)
    assert table.iloc[1].filter(like="_pct").isna().all()
    assert (table.iloc[1].filter(like="_read") == 0).all()


def test_no_checks() -> None:
    """An empty file gives rows of nothing."""
    table = wood_table(checks(), pd.DataFrame({"sample": [], "block": []}), pd.DataFrame({"block": ["A"]}), 0.9)
    assert table["trunk_hurt_read"].tolist() == [0]
    assert table["trunk_hurt_pct"].isna().all()
