"""Crop lost over varieties and the vineyard, on paper and by the draws."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from vinemap.decisions.actions import decide
from vinemap.decisions.crop_loss import crop_losses
from vinemap.settings import Report, Settings


def table(**columns: list[object]) -> pd.DataFrame:
    """Blocks as blocks.csv has them, with the crop that the rules leave."""
    count = len(next(iter(columns.values())))
    given = {"area_ha": [1.0] * count, "vines": [1000.0] * count, "variety": [None] * count}
    rows = pd.DataFrame({"block": [f"b{n}" for n in range(count)]} | given | columns)
    for name in ("normal_yield_t_ha", "secondary_pct", "secondary_low_pct", "secondary_high_pct", "species_group"):
        rows[name] = rows.get(name, pd.Series(np.nan, rows.index))
    return rows.join(decide(rows, Settings())[["crop_before_pct"]])


def test_worked_on_paper_by_area_and_by_yield() -> None:
    """Secondaries unread crop nothing: 60 and 20 % dead on 1 and 3 ha lose (60 + 3 x 20) / 4 = 30 %; with normal yields
    of 12 and 4 t/ha both blocks weigh 12 t, so that the loss is 40 %."""
    blocks = table(map_injury_pct=[60.0, 20.0], area_ha=[1.0, 3.0], variety=["Riesling", "Riesling"])
    draws = np.repeat([[0.6], [0.2]], 40, axis=1)
    by_area = crop_losses(draws, blocks, Settings()).iloc[-1]
    assert (by_area["loss_pct"], by_area["loss_low_pct"], by_area["loss_high_pct"]) == pytest.approx((30, 30, 30))
    assert not by_area["by_yield"]
    by_yield = crop_losses(draws, blocks.assign(normal_yield_t_ha=[12.0, 4.0]), Settings()).iloc[-1]
    assert by_yield["loss_pct"] == pytest.approx(40)
    assert by_yield["by_yield"]
    assert (by_yield["area_ha"], by_yield["counted_ha"], by_yield["vines"]) == (4, 4, 2000)


def test_one_line_a_variety_and_one_for_all() -> None:
    """Varieties in their order, unknown ones together, the whole last; a block without a figure is left out."""
    blocks = table(map_injury_pct=[80.0, 10.0, np.nan], variety=["Concord", None, "Concord"])
    found = crop_losses(np.array([[0.8] * 9, [0.1] * 9, [np.nan] * 9]), blocks, Settings())
    assert found["variety"].tolist() == ["Concord", "", ""]
    assert found["whole"].tolist() == [False, False, True]
    assert found["counted_ha"].tolist() == [1, 1, 2]
    assert found["area_ha"].tolist() == [2, 1, 3]
    assert found["loss_pct"].tolist() == pytest.approx([80, 10, 45])


def test_no_figure_is_no_loss() -> None:
    """Where no block has a figure, none is made up."""
    found = crop_losses(np.full((1, 9), np.nan), table(map_injury_pct=[np.nan]), Settings())
    assert found[["loss_pct", "loss_low_pct", "loss_high_pct", "over_pct"]].isna().all(axis=None)


def test_blocks_that_err_together_have_a_wider_interval() -> None:
    """Draws of two like blocks that go together: the sum is as wide as one; apart: narrower by the root of two."""
    rng = np.random.default_rng(1)
    one, other = rng.normal(0.5, 0.03, (2, 20_000))
    blocks = table(map_injury_pct=[50.0, 50.0])
    width = {}
    for name, draws in {"together": [one, one], "apart": [one, other]}.items():
        last = crop_losses(np.array(draws), blocks, Settings()).iloc[-1]
        width[name] = last["loss_high_pct"] - last["loss_low_pct"]
    assert width["together"] == pytest.approx(2 * norm.ppf(0.95) * 3, rel=0.03)
    assert width["together"] / width["apart"] == pytest.approx(np.sqrt(2), rel=0.03)


def test_the_share_of_secondaries_is_one_draw_a_variety() -> None:
    """All primaries dead, all secondaries alive: what is left is the share, whose ends are those of the rules, however
    many blocks the variety has (varieties.toml: Concord)."""
    rows = table(map_injury_pct=[100.0] * 4, secondary_pct=[0.0] * 4, variety=["Concord"] * 4)
    share = Settings().actions.rules.secondary_share(next(iter(Settings().actions.rules.varieties.kinds(rows))))[1]
    found = crop_losses(np.ones((4, 20_000)), rows, Settings()).iloc[0]
    assert found["loss_pct"] == pytest.approx(100 * (1 - share.share))
    assert found["loss_low_pct"] == pytest.approx(100 * (1 - share.high), abs=1)
    assert found["loss_high_pct"] == pytest.approx(100 * (1 - share.low), abs=1)


@pytest.mark.parametrize(("limit", "over"), [(30.0, 95.0), (50.0, 50.0), (99.0, 0.0)])
def test_how_likely_a_limit_is_passed(limit: float, over: float) -> None:
    """The share of draws beyond the limit of the settings: 50 % dead with an sd of 12.16 points is past 30 at 95 %."""
    draws = np.random.default_rng(2).normal(0.5, 0.2 / norm.ppf(0.95), (1, 40_000)).clip(0, 1)
    settings = Settings(report=Report(crop_loss_over_pct=limit))
    assert crop_losses(draws, table(map_injury_pct=[50.0]), settings).iloc[-1]["over_pct"] == pytest.approx(over, abs=1)
