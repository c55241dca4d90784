"""The bulletin's tables: worked by hand, and with nothing in them that tells of a grower."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from tests.region.simulated import region, vineyard
from vinemap.region.members import Member
from vinemap.region.totals import ALL, Tables, bulletin_tables
from vinemap.settings import RegionSettings
from vinemap.states import Disclosure

KINDS = ("varieties", "districts", "groups")
FIGURES = ("vineyards", "buds", "area_ha", "injury_pct", "net_injury_pct", "crop_loss_pct", "range_low_pct")


def _tables(count: int, seed: int = 0) -> Tables:
    home, outcomes = region(count, seed)
    return bulletin_tables(home.members, outcomes, home.settings)


def test_a_cell_worked_by_hand() -> None:
    """Three growers: 1 ha with 20 %, 2 ha with 50 %, 1 ha that counts twice with 80 % dead."""
    members = [
        Member("a", "N", "A"),
        Member("b", "N", "B"),
        Member("c", "N", "C", 2.0),
        Member("d", "N", "D", share=False),
    ]
    parts = {"a": (1.0, 20.0), "b": (2.0, 50.0), "c": (1.0, 80.0), "d": (9.0, 99.0)}
    outcomes = {name: vineyard([("Riesling", "vinifera", *part)]) for name, part in parts.items()}
    table = bulletin_tables(members, outcomes, RegionSettings()).varieties
    row = table[(table["variety"] == "Riesling") & (table["district"] == "N")].iloc[0]
    assert row["state"] == Disclosure.SHOWN
    assert row[["vineyards", "canes", "buds", "area_ha"]].tolist() == [3, 48, 480, 4.0]
    # (1 × 20 + 2 × 50 + 2 × 80) / 5
    assert row["injury_pct"] == pytest.approx(56.0)
    assert row["survival_pct"] == pytest.approx(44.0)
    assert row["crop_loss_pct"] == pytest.approx(0.8 * 56.0)
    assert (row["range_low_pct"], row["range_high_pct"]) == (20.0, 80.0)
    assert row["injury_low_pct"] < 56 < row["injury_high_pct"]
    assert 50 < row["over_pct"] < 95


def test_who_has_no_results_is_said() -> None:
    """A district of the table without a mapped vineyard stands there, and says so; so does one of the outlines."""
    members = [Member(name, district, name) for name, district in zip("abcd", "NNNS", strict=True)]
    outcomes = {name: vineyard([("Riesling", "vinifera", 1.0, 30.0)]) for name in "abc"}
    outcomes["d"] = region(12)[1]["plot11"]
    districts = bulletin_tables(members, outcomes, RegionSettings(), ["W"]).districts.set_index("district")["state"]
    assert districts.to_dict() == {"N": "shown", "S": "no_results", "W": "no_results"}


def test_growers_that_are_not_named_count_as_one() -> None:
    """Ten vineyards of nobody knows whom may all be one grower's."""
    members = [Member(f"v{k}", "N") for k in range(10)]
    outcomes = {member.folder: vineyard([("Riesling", "vinifera", 1.0, 30.0)]) for member in members}
    tables = bulletin_tables(members, outcomes, RegionSettings())
    assert set(tables.varieties["state"]) == {"withheld"}
    assert set(tables.heights["state"]) == {"withheld", "no_results"}


def test_what_few_know_of_is_not_told_by_it() -> None:
    """Four growers, of whom two know what was dead before: injury is shown, what this freeze killed is not."""
    members = [Member(name, "N", name) for name in "abcd"]
    outcomes = {name: vineyard([("Riesling", "vinifera", 1.0, 30.0)]) for name in "abcd"}
    for name in "cd":
        figures = outcomes[name].figures or {}
        figures["varieties"][0] |= {"net_pct": None, "net_ha": 0.0}
    table = bulletin_tables(members, outcomes, RegionSettings()).varieties
    assert table["injury_pct"].notna().all()
    assert table["net_injury_pct"].isna().all()


@pytest.mark.parametrize("seed", range(3))
def test_withheld_rows_are_empty_and_some_are_shown(seed: int) -> None:
    """A row that is not shown has no figure at all, whatever the table."""
    tables = _tables(40, seed)
    for name in KINDS:
        table = getattr(tables, name)
        hidden = table[table["state"] != Disclosure.SHOWN]
        assert hidden[list(FIGURES)].isna().all(axis=None)
        assert table.loc[table["state"] == Disclosure.SHOWN, ["injury_pct", "area_ha"]].notna().all(axis=None)
    assert (tables.varieties["state"] == Disclosure.SHOWN).sum() >= 6
    assert (tables.varieties["state"] == Disclosure.WITHHELD).any()


@pytest.mark.parametrize("seed", range(4))
def test_the_tables_as_printed_give_nobody_away(seed: int) -> None:
    """The attack on the printed rows of all tables together: no sum or difference is about one grower or two."""
    home, outcomes = region(24, seed)
    tables = bulletin_tables(home.members, outcomes, home.settings)
    atoms = [
        (member.grower, row["variety"], member.district, row["group"])
        for member in home.members
        for row in (outcomes[member.folder].figures or {"varieties": []})["varieties"]
    ]
    shown = tables.varieties[tables.varieties["state"] == Disclosure.SHOWN]
    equations = [
        [(v in (ALL, atom[1])) * (d in (ALL, atom[2])) for atom in atoms]
        for v, d in zip(shown["variety"], shown["district"], strict=True)
    ]
    groups = tables.groups[tables.groups["state"] == Disclosure.SHOWN]["group"]
    equations += [[group == atom[3] for atom in atoms] for group in groups]
    A, grower = np.array(equations, float), np.array([atom[0] for atom in atoms])
    assert len(A) >= 3
    rank = np.linalg.matrix_rank(A)
    for pair in combinations(sorted(set(grower)), 2):
        assert np.linalg.matrix_rank(A[:, ~np.isin(grower, pair)]) == rank, pair


def test_districts_and_sums_agree() -> None:
    """The table of districts has the rows that the table of varieties sums them to."""
    tables = _tables(40)
    sums = tables.varieties[(tables.varieties["variety"] == ALL) & (tables.varieties["district"] != ALL)]
    pd.testing.assert_frame_equal(
        sums.drop(columns="variety").reset_index(drop=True), tables.districts.reset_index(drop=True)
    )
