"""Slices under the bark: vines counted once, hurt and dead kept apart."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
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
        # Phloem alone stops nothing: Keller & Mills, Am. J. Enol. Vitic. 58 (2007) 351 (read); this was 'dead' before
        ([("dead", "alive")], "alive", "alive"),
        ([("dead", "dead")], "dead", "dead"),
        ([("alive", "dead")], "dead", "alive"),
        ([("dead", "unread")], "unread", "unread"),
        ([("alive", "unread")], "alive", "alive"),
        ([("unread", "unread")], "unread", "unread"),
        ([("unread", "alive")], "alive", "alive"),
        ([("dead", "dead"), ("alive", "alive")], "dead", "alive"),
        ([("dead", "dead"), ("dead", "dead")], "dead", "dead"),
        ([("dead", "dead"), ("dead", "unread")], "dead", "unread"),
    ],
)
def test_a_vine_is_counted_once(pieces: list[tuple[str, str]], hurt: str, dead: str) -> None:
    """Hurt: dead xylem in any trunk. Dead: phloem and xylem dead in every one; one living trunk is life."""
    wood = checks(*(("v", "trunk", phloem, xylem) for phloem, xylem in pieces))
    assert state(wood, "trunk_hurt") == {"v": hurt}
    assert state(wood, "trunk_dead") == {"v": dead}
    read = [phloem for phloem, _ in pieces if phloem != "unread"]
    assert state(wood, "trunk_phloem") == {"v": "dead" if "dead" in read else "alive" if read else "unread"}


@pytest.mark.parametrize(
    ("piece", "phloem", "hurt", "dead"),
    [
        # order of injury: phloem, xylem, then cambium (Lake Erie, "Looking at Trunk Damage", read)
        ({"phloem": "dead", "cambium": "dead", "xylem": "alive"}, "dead", "dead", "alive"),
        ({"phloem": "dead", "cambium": "alive", "xylem": "dead"}, "dead", "dead", "alive"),
        ({"phloem": "dead", "cambium": "alive"}, "dead", "unread", "alive"),
        ({"phloem": "dead", "cambium": "dead", "xylem": "dead"}, "dead", "dead", "dead"),
        ({"cambium": "dead", "xylem": "dead"}, "unread", "dead", "dead"),
        # 20 to 100 % of the phloem browned (Keller & Mills 2007, read) says nothing yet of the xylem
        ({"browned_pct": 60.0}, "alive", "unread", "alive"),
        ({"browned_pct": 0.0}, "alive", "alive", "alive"),
        ({"browned_pct": 100.0, "xylem": "alive"}, "dead", "alive", "alive"),
        # the six figures of "Looking at Trunk Damage" (read): A dead, B dies to the ground, C and D suckers, E, F well
        ({"grade": "dry"}, "unread", "dead", "dead"),
        ({"grade": "dying_back", "cambium": "alive"}, "unread", "dead", "dead"),
        ({"grade": "failing"}, "unread", "dead", "alive"),
        ({"grade": "weakened", "xylem": "alive"}, "unread", "dead", "alive"),
        ({"grade": "recovering", "phloem": "dead", "xylem": "dead"}, "dead", "alive", "alive"),
        ({"grade": "sound"}, "unread", "alive", "alive"),
        # a stained wedge is fungal, not cold (Univ. of Minnesota, read)
        ({"phloem": "dead", "xylem": "dead", "wedge": True}, "unread", "unread", "unread"),
        ({"phloem": "dead", "xylem": "dead", "wedge": False}, "dead", "dead", "dead"),
    ],
)
def test_a_piece_is_judged_by_its_tissues_or_its_grade(
    piece: dict[str, object], phloem: str, hurt: str, dead: str
) -> None:
    """Xylem or cambium makes hurt; a grade comes before the slice; a piece with a wedge is not read."""
    row = {"sample": "v", "tissue": "trunk", "phloem": "unread", "cambium": "unread", "xylem": "unread", **piece}
    wood = pd.DataFrame([row])
    found = [state(wood, f"trunk_{name}")["v"] for name in ("phloem", "hurt", "dead")]
    assert found == [phloem, hurt, dead]


def test_a_later_visit_takes_the_place_of_an_earlier_one() -> None:
    """Sound in winter, dead in late summer counts as dead once; what a later visit did not look at stands."""
    rows = [
        ("v", "trunk", "alive", "alive", "winter"),
        ("v", "cane", "dead", "dead", "winter"),
        ("v", "trunk", "dead", "dead", "late_summer"),
        ("w", "trunk", "dead", "dead", "after_sap_rise"),
        ("w", "trunk", "unread", "unread", "late_summer"),
    ]
    wood = pd.DataFrame(rows, columns=["sample", "tissue", "phloem", "xylem", "visit"])
    assert state(wood, "trunk_dead") == {"v": "dead", "w": "dead"}
    assert state(wood, "cane_dead") == {"v": "dead"}
    table = wood_table(wood, pd.DataFrame({"sample": [*"vw"], "block": "A"}), pd.DataFrame({"block": ["A"]}), 0.9)
    assert table.loc[0, ["trunk_hurt_read", "trunk_hurt_vines", "trunk_visit"]].tolist() == [2, 2, "late_summer"]


def test_what_the_shares_leave_out() -> None:
    """Cuts too shallow, the mean share browned, wedges; vines to check next lie far from those checked."""
    wood = pd.DataFrame(
        {
            "sample": ["s0", "s1", "s2"],
            "tissue": "trunk",
            "phloem": ["dead", "alive", "dead"],
            "xylem": ["unread", "unread", "dead"],
            "browned_pct": [80.0, 0.0, np.nan],
            "wedge": [None, None, True],
        }
    )
    names = [f"s{k}" for k in range(6)]
    points = gpd.points_from_xy(X + 10.0 * np.arange(6), [Y] * 6)
    samples = gpd.GeoDataFrame({"sample": names, "block": "A"}, geometry=points, crs=CRS)
    row = wood_table(wood, samples, pd.DataFrame({"block": ["A", "B"]}), 0.9)
    assert row["trunk_deeper_vines"].tolist() == [1, 0]
    assert row["trunk_browned_pct"].tolist() == pytest.approx([40.0, np.nan], nan_ok=True)
    assert row["wedge_vines"].tolist() == [1, 0]
    # only s1 is read: s5 is 40 m from it, then s3 20 m from both, then s0 and s4 10 m from the nearest
    assert row.loc[0, "trunk_unchecked"].split("; ")[:2] == ["s5", "s3"]
    assert sorted(row.loc[0, "trunk_unchecked"].split("; ")) == ["s0", "s2", "s3", "s4", "s5"]


def test_shares_by_block() -> None:
    """Two of five trunks hurt, one of five dead; the interval is Wilson's (statsmodels)."""
    wood = checks(
        *(("s1", "trunk", "dead", "dead"), ("s2", "trunk", "alive", "dead"), ("s3", "trunk", "alive", "alive")),
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
