"""What wood checks ask for next: how many vines more until they decide, which, and what else."""

from __future__ import annotations

import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from vinemap.decisions.checks import check_table, checks_needed
from vinemap.rules import default_rules
from vinemap.sentences import said
from vinemap.settings import Settings
from vinemap.survival.intervals import wilson

MOST = default_rules().wood.most_more_checks


@pytest.mark.parametrize(
    ("vines", "read", "limit", "more"),
    [
        # A score interval leaves the limit L out where n (p - L)² > z² L (1 - L), with z² = 2.7055 (E. B. Wilson, J.
        # Am. Stat. Assoc. 22 (1927) 209). Printed to a tenth, 50 % is passed at 50.05 %.
        (3, 5, 50.0, 64),  # n > 0.6764 / 0.0995² = 68.3, so 69
        (0, 1, 50.0, 2),  # none of n: z² / (n + z²) < 0.4995 from n = 2.71 on, so 3
        (2, 2, 50.0, 1),  # all of n: n / (n + z²) > 0.5005 likewise
        (1, 5, 50.0, 3),  # n > 0.6764 / 0.2995² = 7.5, so 8
        (11, 20, 50.0, None),  # n > 0.6764 / 0.0495² = 276
        (1, 2, 50.0, None),  # the share is the limit: no number will do
    ],
)
def test_how_many_more_by_hand(vines: int, read: int, limit: float, more: int | None) -> None:
    """The smallest further number at the present share whose interval clears the limit, up to a cap."""
    assert checks_needed(vines, read, limit, 0.9, MOST) == more


@pytest.mark.parametrize(("vines", "read", "limit"), [(3, 5, 50.0), (2, 7, 10.0), (4, 5, 50.0), (3, 4, 50.0)])
def test_the_number_is_the_smallest(vines: int, read: int, limit: float) -> None:
    """With one vine less the interval of statsmodels still holds the limit, and with that number it does not."""
    more = checks_needed(vines, read, limit, 0.9, MOST)
    assert more is not None
    for size, holds in ((read + more - 1, True), (read + more, False)):
        low, high = proportion_confint(vines / read * size, size, alpha=0.1, method="wilson")
        assert (round(100 * low, 1) <= limit <= round(100 * high, 1)) is holds


def block(grade: str, hurt: int, dead: int, read: int, **others: object) -> pd.DataFrame:
    row: dict[str, object] = {"grade": grade, "trunk_unchecked": "S7; S2; S9"}
    for state, vines in (("phloem", hurt), ("hurt", hurt), ("dead", dead)):
        low, high = wilson(vines, read, 0.9)
        row |= {f"trunk_{state}_read": read, f"trunk_{state}_vines": vines}
        row |= {f"trunk_{state}_pct": 100 * vines / read if read else float("nan")}
        row |= {f"trunk_{state}_low_pct": 100 * float(low), f"trunk_{state}_high_pct": 100 * float(high)}
    return pd.DataFrame([{**row, **others}])


@pytest.mark.parametrize(
    ("grade", "hurt", "dead", "read", "of", "limit", "more"),
    [
        ("most_trunks_hurt", 3, 0, 5, "hurt", 50, 64),
        ("most_trunks_hurt", 5, 0, 5, None, None, None),  # 64.9 to 100 %: decided
        ("no_live_bud", 2, 2, 2, "dead", 50, 1),  # would be renewed, were the low end above 50 %
        ("trunks_dead", 4, 4, 4, None, None, None),
        ("most_primaries", 0, 0, 1, "hurt", 50, 2),  # sound from the third on
        ("by_number", 0, 0, 6, None, None, None),  # at most 31.1 %
        ("by_number", 1, 0, 5, "hurt", 50, 3),
        ("trunks_hurt", 2, 0, 5, None, None, None),  # 14.0 to 73 %: above 10 %, and above 50 % changes nothing
        ("trunks_hurt", 1, 0, 6, "hurt", 10, 50),  # n > 2.7055 x 0.0904 / (1/6 - 0.1005)² = 55.9, so 56
        ("by_number", 0, 0, 0, None, None, None),
    ],
)
def test_only_what_would_change_the_action_is_asked(
    grade: str, hurt: int, dead: int, read: int, of: str | None, limit: float | None, more: int | None
) -> None:
    """A limit within the interval matters only where the other side of it means another action."""
    row = check_table(block(grade, hurt, dead, read), Settings()).iloc[0]
    assert (row["trunk_checks_of"] if isinstance(row["trunk_checks_of"], str) else None) == of
    assert (None if pd.isna(row["trunk_checks_limit_pct"]) else row["trunk_checks_limit_pct"]) == limit
    assert (None if pd.isna(row["trunk_checks_more"]) else row["trunk_checks_more"]) == more


def test_sentences() -> None:
    """Three of five hurt: its interval, how many more, where to begin; then depth, disease, the next visit."""
    seen = {"trunk_deeper_vines": 2, "wedge_vines": 1, "trunk_visit": "winter"}
    text = check_table(block("most_trunks_hurt", 3, 0, 5, **seen), Settings())["wood_text"].iloc[0]
    assert "3 of 5 vines checked are hurt, which can be 27 to 86 % of all. The limit is 50 %." in text
    assert "it would take 64 vines more" in text
    assert "Begin with the vines of samples S7; S2; S9, then" in text
    assert "cut no deeper: 2." in text
    assert "stained wedge across: 1." in text
    assert text.endswith(said("en", "page.check.after.winter"))
    later = check_table(block("most_trunks_hurt", 3, 0, 5, trunk_visit="after_sap_rise"), Settings())
    assert later["wood_text"].iloc[0].endswith(said("en", "page.check.after.after_sap_rise"))
    assert not check_table(block("by_number", 0, 0, 6, trunk_visit="winter"), Settings())["wood_text"].iloc[0]
    never = check_table(block("most_trunks_hurt", 11, 0, 20), Settings())["wood_text"].iloc[0]
    assert "not even 100 vines more" in never
