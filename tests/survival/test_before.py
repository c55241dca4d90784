"""Buds dead before the freeze: how many there were, and Abbott's account of what the freeze itself killed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from vinemap.decisions.explain import explain_block
from vinemap.settings import Settings
from vinemap.survival.before import dead_before, net_injury, net_table
from vinemap.survival.intervals import wilson

BLOCKS = pd.DataFrame({"block": ["A", "B", "C"]})
SAMPLES = pd.DataFrame({"sample": [*"abcdef", "out"], "block": [*"AAABBB", None]})


def net(p: tuple[float, float, float], b: tuple[float, float, float]) -> list[float]:
    return [float(share) for share in net_injury(p, b)]


@pytest.mark.parametrize(
    ("dead", "before", "killed"),
    [
        # (p - b) / (1 - b), W. S. Abbott, J. Econ. Entomol. 18 (1925) 265 (from memory), worked by hand
        (0.46, 0.10, 0.40),
        (0.82, 0.10, 0.80),
        (0.25, 0.25, 0.0),
        (0.30, 0.0, 0.30),
        (1.0, 0.10, 1.0),
    ],
)
def test_abbott_by_hand(dead: float, before: float, killed: float) -> None:
    """46 of 100 dead, 10 before: the freeze killed 36 of the 90 that were alive."""
    assert net_injury((dead, dead, dead), (before, before, before))[0] == pytest.approx(killed)


def test_never_below_nothing() -> None:
    """5 % dead after, 10 % before: nothing that can be told, never a negative figure; the high end may say more."""
    assert net((0.05, 0.02, 0.08), (0.1, 0.1, 0.1)) == [0, 0, 0]
    assert net((0.05, 0.02, 0.19), (0.1, 0.1, 0.1)) == pytest.approx([0, 0, 0.1])


def test_interval_is_carried_over() -> None:
    """Without error in b the ends are Abbott's own of the ends of p: (28 - 10) / 90 and (64 - 10) / 90."""
    assert net((0.46, 0.28, 0.64), (0.1, 0.1, 0.1)) == pytest.approx([0.4, 0.2, 0.6])
    assert net((1.0, 0.91, 1.0), (0.1, 0.1, 0.1)) == pytest.approx([1, 0.9, 1])
    wider = net((0.46, 0.28, 0.64), (0.1, 0.05, 0.2))
    assert wider[0] == pytest.approx(0.4)
    assert wider[1] < 0.2
    assert wider[2] > 0.6
    assert np.isnan(net_injury((0.4, 0.3, 0.5), (np.nan, np.nan, np.nan))).all()
    assert np.isnan(net_injury((1.0, 1.0, 1.0), (1.0, 1.0, 1.0))).all()


def test_interval_holds_what_it_says() -> None:
    """Of 2,000 surveys before and after with 100 buds each, 90 % intervals of the net injury hold 88 to 94 %."""
    rng = np.random.default_rng(1)
    b, killed, read = 0.1, 0.35, np.full(2000, 100)
    then, now = rng.binomial(read, b), rng.binomial(read, 1 - (1 - b) * (1 - killed))
    _, low, high = net_injury((now / 100, *wilson(now, read, 0.9)), (then / 100, *wilson(then, read, 0.9)))
    assert 0.88 < np.mean((low <= killed) & (killed <= high)) < 0.94


def told(*rows: tuple[str, str, int, int]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["sample", "part", "dead", "read"])
    return table.assign(tissue="dead_before", unread=0)


def test_what_is_known_best_is_taken() -> None:
    """A block's own figure, else the old dead buds on the kept nodes, else the settings, else nothing."""
    tallies = told(("a", "all", 9, 20), ("a", "basal", 2, 10), ("b", "basal", 1, 10), ("d", "all", 3, 30))
    blocks = BLOCKS.assign(dead_before_pct=[np.nan, 12.0, np.nan])
    found = dead_before(blocks, SAMPLES, tallies, Settings())
    assert found["dead_before_from"].tolist() == ["buds", "block", ""]
    assert found["dead_before_pct"].tolist() == pytest.approx([15.0, 12.0, np.nan], nan_ok=True)
    low, high = proportion_confint(3, 20, alpha=0.1, method="wilson")
    assert found.loc[0, ["dead_before_low_pct", "dead_before_high_pct"]].tolist() == pytest.approx(
        [100 * low, 100 * high]
    )
    usual = dead_before(BLOCKS, SAMPLES, told(), Settings(dead_before_pct=10))
    assert usual["dead_before_from"].tolist() == ["settings"] * 3
    assert usual["dead_before_high_pct"].tolist() == [10.0] * 3


def chain(**columns: object) -> str:
    row = {"block": "Knoll", "grade": "unknown", "action": "no_data", "map_injury_pct": 46.04, "map_low_pct": 28.0}
    return "\n".join(explain_block(pd.Series({**row, "map_high_pct": 64.0, **columns}), Settings()))


def test_a_pencil_gets_the_printed_figure() -> None:
    """46.04 % dead and 10 % before print (46.0 - 10.0) / (100 - 10.0) = 40.0 %."""
    before = {"dead_before_pct": 10.0, "dead_before_low_pct": 10.0, "dead_before_high_pct": 10.0}
    table = pd.DataFrame({"map_injury_pct": [46.04], "map_low_pct": [28.0], "map_high_pct": [64.0]})
    row = net_table(table, pd.DataFrame([before])).iloc[0]
    text = chain(**before, dead_before_from="settings", **row)
    assert "Dead before the freeze: 10.0 %, as the settings say." in text
    assert "(46.0 - 10.0) / (100 - 10.0) = 40.0 % of the buds alive before it (20.0 to 60.0 %)" in text
    assert "Pruning goes by all that are dead" in text


def test_what_is_not_known_is_said() -> None:
    """Unknown is said with the published figure; fewer dead than before gives 0 in words."""
    assert "about 10 % in December 2022" in chain(dead_before_pct=np.nan, dead_before_from="")
    text = chain(dead_before_pct=50.0, dead_before_from="block", net_injury_pct=0.0)
    assert "No more are dead (46.0 %) than were before the freeze (50.0 %)" in text
    assert "0 %." in text
