"""The work list adds up by hand and invents no price."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from shapely.geometry import box

from vinemap.decisions.worklist import terms, totals, visiting_order, work_list
from vinemap.settings import Settings
from vinemap.states import Action

X, Y = 500_000.0, 4_800_000.0
ACTIONS = ("as_usual", "keep_more", "retrain", "replant_candidate", "no_data")


def zones(south: bool = False, **columns: object) -> gpd.GeoDataFrame:
    """Five zones of 1 ha in a row, 1000 vines each."""
    table = {
        "zone": range(1, 6),
        "block": ["A", "A", "B", "C", "D"],
        "action": ACTIONS,
        "area_ha": 1.0,
        "vines": pd.array([1000] * 5, dtype="Int64"),
        "nodes_to_keep": [40.0, 54.0, np.nan, np.nan, np.nan],
        "injury_pct": [10.0, 35.0, 90.0, 99.0, 50.0],
    }
    shapes = [box(X + 100 * k, Y, X + 100 * (k + 1), Y + 100) for k in range(5)]
    return gpd.GeoDataFrame(table | columns, geometry=shapes, crs="EPSG:32718" if south else "EPSG:32618")


def blocks() -> pd.DataFrame:
    """Trunks were checked in B (8 of 10 dead) and C (all of 12)."""
    return pd.DataFrame(
        {
            "block": ["A", "B", "C", "D"],
            "trunk_dead_pct": [np.nan, 80.0, 100.0, np.nan],
            "trunk_dead_low_pct": [np.nan, 55.0, 82.0, np.nan],
            "trunk_dead_high_pct": [np.nan, 93.0, 100.0, np.nan],
        }
    )


PRICED = {
    "event_date": "2026-01-22",
    "work": {
        "vines_per_hour": {"as_usual": 20, "keep_more": 16, "retrain": 10, "replant_candidate": 5},
        "materials": {"retrain": {"stakes": 1, "ties": 3}, "replant_candidate": {"stakes": 1, "ties": 2}},
        "prices": {"hour": 20, "stakes": 1.5, "ties": 0.02, "young_vines": 4},
        "currency": "$",
    },
}


def listed(settings: dict[str, object] | None = None, **columns: object) -> pd.DataFrame:
    return work_list(zones(**columns), blocks(), Settings.model_validate(settings or {}))


def test_hand_sums() -> None:
    """Hours, pieces and cost of every line as worked by hand."""
    table = listed(PRICED).set_index("action")
    assert table["vines_to_work"].to_dict() == {
        "replant_candidate": 1000, "retrain": 800, "keep_more": 1000, "as_usual": 1000, "no_data": 0,
    }  # fmt: skip
    assert table.loc["retrain", ["vines_to_work_low", "vines_to_work_high"]].tolist() == [550, 930]
    assert table.loc["replant_candidate", "hours"] == 200  # 1000 / 5
    assert table.loc["keep_more", "hours"] == 62.5  # 1000 / 16
    assert table.loc["retrain", ["stakes_pieces", "ties_pieces", "young_vines_pieces"]].tolist() == [800, 2400, 0]
    # 80 h x 20 + 800 x 1.5 + 2400 x 0.02 = 1600 + 1200 + 48
    assert table.loc["retrain", "cost"] == pytest.approx(2848)
    # 200 h x 20 + 1000 x 1.5 + 2000 x 0.02 + 1000 x 4 = 4000 + 1500 + 40 + 4000
    assert table.loc["replant_candidate", "cost"] == pytest.approx(9540)
    assert table.loc["keep_more", "cost"] == pytest.approx(1250)
    sums = totals(listed(PRICED))
    assert sums["cost"] == pytest.approx(2848 + 9540 + 1250 + 1000)
    assert sums["hours"] == pytest.approx(200 + 80 + 62.5 + 50)
    assert sums["stakes_pieces"] == 1800


def test_what_is_not_given_is_assumed_and_says_so() -> None:
    """Nothing given: hours and cost by the assumptions of rules.toml, called assumed line by line."""
    table = listed().set_index("action")
    work = Settings().actions.rules.work
    assert table.loc["keep_more", "hours"] == pytest.approx(1000 / work.vines_per_hour[Action.KEEP_MORE])
    # 1000 vines: a young vine, a stake and two ties each, and the hours.
    each = work.prices["young_vines"] + work.prices["stakes"] + 2 * work.prices["ties"]
    hours = 1000 / work.vines_per_hour[Action.REPLANT]
    assert table.loc["replant_candidate", "cost"] == pytest.approx(1000 * each + hours * work.prices["hour"])
    working = table[table.index != "no_data"]
    assert working[["hours_from", "days_from", "cost_from"]].eq("assumed").all(axis=None)
    assert terms(Settings()).currency == "US$"


def test_no_price_no_cost() -> None:
    """A currency of one's own and no price: no cost, and no total of what is not known; hours stay."""
    table = listed({"work": {"currency": "EUR"}})
    working = table[table["action"] != "no_data"]
    assert working["cost"].isna().all()
    assert pd.isna(totals(table)["cost"])
    assert totals(table)["hours"] > 0
    assert table.set_index("action")["young_vines_pieces"].to_dict()["replant_candidate"] == 1000


def test_given_rates_are_not_called_assumed() -> None:
    """All that a line takes given: given; the crew's days stay assumed until its size and hours are given too."""
    table = listed(PRICED).set_index("action")
    assert table.loc["retrain", ["hours_from", "days_from", "cost_from"]].tolist() == ["given", "assumed", "given"]
    crew = {"work": PRICED["work"] | {"crew": 5, "hours_a_day": 8}}
    table = listed(crew).set_index("action")
    assert table.loc["retrain", "days_from"] == "given"
    assert table.loc["retrain", "crew_days"] == 2.0  # 80 hours by five people for eight hours


def test_what_cannot_wait_comes_first() -> None:
    """Wood checks, canes by the ground in doubt, pruning from the surest zone on, held zones, then later seasons."""
    table = work_list(
        zones(
            action=["as_usual", "keep_more", "prune_long_wait", "no_data", "replant_candidate"],
            sure_pct=[80.0, 60.0, 90.0, np.nan, np.nan],
            canes_more=pd.array([0, 5, 0, 7, 0], dtype="Int64"),
        ),
        blocks()
        .assign(action="keep_more", trunk_checks_more=pd.array([4, None, None, None], dtype="Int64"))
        .assign(trunk_checks_of=["hurt", None, None, None]),
        Settings.model_validate({"work": {"crew": 2, "hours_a_day": 10, "vines_per_hour": {"prune_long_wait": 100}}}),
    )
    assert list(zip(table["task"], table["zone"].fillna(0), strict=True)) == [
        ("check_wood", 0), ("more_canes", 4), ("more_canes", 2), ("prune_long_wait", 3), ("as_usual", 1),
        ("keep_more", 2), ("cut_back", 3), ("replant_candidate", 5),
    ]  # fmt: skip
    assert table["vines_to_work"].tolist()[:3] == [4, 7, 5]
    assert table["when"].tolist() == ["now"] * 3 + ["before budbreak"] * 3 + ["after budbreak", "planting season"]
    # 4 / 12 + 12 / 6 hours on the first day; 10 hours of pruning long end it within 20 man-hours, 50 more take three.
    assert table["day_from"].tolist()[:5] == [1, 1, 1, 1, 1]
    assert table["day_to"].tolist()[3:5] == [1, 4]
    assert table["day_from"].isna().tolist() == [False] * 6 + [True] * 2
    assert totals(table)["area_ha"] == 5.0


def test_an_unknown_line_leaves_the_days_behind_it_open() -> None:
    """A zone whose vines are not known: no day is given to it, nor to what comes after it."""
    vines = pd.array([1000, pd.NA, 1000, 1000, 1000], dtype="Int64")
    table = listed(None, vines=vines, sure_pct=[70.0, 90.0, np.nan, np.nan, np.nan])
    days = table.set_index("action")["day_to"]
    assert days[["keep_more", "as_usual"]].isna().all()


def test_wood_checks_of_zones() -> None:
    """Where nobody looked, the fewest checks that can decide; what a block lacks is shared by its zones' ground."""
    actions = ["check_wood", "check_wood", "check_wood", "as_usual", "as_usual"]
    lacking = pd.array([5, None, None, None], dtype="Int64")
    known = blocks().assign(trunk_checks_more=lacking, trunk_checks_of=["hurt", None, None, None])
    table = work_list(zones(action=actions), known).set_index("zone")
    assert table.loc[[1, 2], "vines_to_work"].tolist() == [3, 3]  # of 5, a half each, rounded up
    assert table.loc[3, "vines_to_work"] == 3  # 0 of 3: Wilson's interval at 90 % ends at 47.4 %; 0 of 2 at 57.5 %
    never = known.assign(trunk_checks_more=pd.array([None] * 4, dtype="Int64"))
    assert work_list(zones(action=actions), never).set_index("zone").loc[[1, 2], "vines_to_work"].isna().all()


def test_one_missing_price_leaves_its_lines_without_cost() -> None:
    """No price of stakes: the lines that need stakes have no cost, the others do."""
    prices = {key: value for key, value in PRICED["work"]["prices"].items() if key != "stakes"}
    table = listed({"work": PRICED["work"] | {"prices": prices}}).set_index("action")
    assert table.loc[["retrain", "replant_candidate"], "cost"].isna().all()
    assert table.loc["keep_more", "cost"] == pytest.approx(1250)


@hypothesis_settings(max_examples=30)
@given(st.integers(1, 50))
def test_linear_in_vines(times: int) -> None:
    """So many times the vines: so many times the hours, pieces and cost."""
    once, more = listed(PRICED), listed(PRICED, vines=pd.array([1000 * times] * 5, dtype="Int64"))
    for column in ("vines_to_work", "hours", "ties_pieces", "cost"):
        np.testing.assert_allclose(more[column], once[column] * times)


def test_order() -> None:
    """Worst first: dead trunks, then by injury, then what is not known; by route, the nearest neighbour next."""
    worst = listed({"work": {"order": "worst"}})
    assert worst["action"].tolist() == ["replant_candidate", "retrain", "keep_more", "as_usual", "no_data"]
    assert worst["visit"].tolist() == [1, 2, 3, 4, 5]
    assert visiting_order(zones(), "route") == [3, 2, 1, 0, 4]
    assert visiting_order(zones().iloc[:0], "route") == []


def test_years_to_a_full_crop() -> None:
    """Retrained in two years (Bordelon, Purdue 2015: a couple), replanted in four (common practice)."""
    table = listed(PRICED).set_index("action")["full_crop_year"]
    assert table["retrain"] == 2028
    assert table["replant_candidate"] == 2030
    assert pd.isna(table["keep_more"])
    assert listed()["full_crop_year"].isna().all()


def test_the_spring_after_the_freeze() -> None:
    """A freeze in November counts from the next spring in the north; one in July from the same year in the south."""
    autumn = Settings.model_validate({"event_date": "2025-11-20"})
    assert work_list(zones(), blocks(), autumn)["full_crop_year"].max() == 2030
    winter = Settings.model_validate({"event_date": "2025-07-20"})
    south = zones().set_geometry([box(X, 6_000_000.0, X + 9, 6_000_009.0)] * 5, crs="EPSG:32718")
    assert work_list(south, blocks(), winter)["full_crop_year"].max() == 2029


def test_blocks_without_vines() -> None:
    """No vines known: no hours and no cost rather than none needed."""
    table = listed(PRICED, vines=pd.array([pd.NA] * 5, dtype="Int64"))
    assert table.loc[table["action"] != "no_data", ["vines_to_work", "hours", "cost"]].isna().all(axis=None)


def test_vines_to_retrain_are_the_zone_s_own() -> None:
    """90 % of the zone's trunks are dead (60 to 97) where the block's are 80: 900 of 1000 vines; else the block's."""
    own = {"": [np.nan, np.nan, 90.0, np.nan, np.nan], "_low": [np.nan, np.nan, 60.0, np.nan, np.nan]}
    own["_high"] = [np.nan, np.nan, 97.0, np.nan, np.nan]
    table = work_list(zones(**{f"trunk_dead{b}_pct": v for b, v in own.items()}), blocks(), Settings())
    line = table.set_index("zone").loc[3]
    assert (line["vines_to_work"], line["vines_to_work_low"], line["vines_to_work_high"]) == (900, 600, 970)
    assert table.set_index("zone").loc[4, "vines_to_work"] == 1000
