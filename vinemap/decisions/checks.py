"""What wood checks ask for next: more vines until they decide, deeper cuts, another visit, an eye for disease."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from vinemap.decisions.actions import SOUND_BELOW_PCT
from vinemap.rules import Rules
from vinemap.sentences import Figure, Sentence
from vinemap.settings import Settings
from vinemap.states import Grade, Visit, WoodState
from vinemap.survival.intervals import wilson

_UNDECIDED = (Grade.BY_NUMBER, Grade.NO_LIVE_BUD, Grade.MOST_PRIMARIES)


class Asked(NamedTuple):
    """What further checks would settle.

    Attributes
    ----------
    state : WoodState
        Of the trunks, whose share is held against a limit.
    limit_pct : float
        The limit that the interval of the share includes.
    """

    state: WoodState
    limit_pct: float


def checks_needed(vines: int, read: int, limit_pct: float, confidence: float, most: int) -> int | None:
    """Return how many more vines have to be checked until the interval of their share clears a limit.

    The smallest number n at which, with the share as it is now, Wilson's interval of read + n vines lies on one side of
    the limit, both as they are printed.

    Parameters
    ----------
    vines, read : int
        Vines found so, of those read; at least one read.
    limit_pct : float
        Percent.
    confidence : float
        Of the interval.
    most : int
        No more than so many are tried.

    Returns
    -------
    int or None
        None where not even ``most`` are enough.
    """
    size = read + np.arange(1, most + 1)
    low, high = (np.round(100 * end, 1) for end in wilson(vines / read * size, size, confidence))
    clear = np.flatnonzero((low > limit_pct) | (high < limit_pct))
    return int(clear[0]) + 1 if len(clear) else None


def fewest_checks(confidence: float) -> int:
    """Return the fewest vines whose checks can decide where none was made: all of them sound, or none.

    Parameters
    ----------
    confidence : float
        Of Wilson's interval, which then lies on one side of one half.

    Examples
    --------
    >>> from vinemap.decisions.checks import fewest_checks
    >>> fewest_checks(0.90)
    3
    """
    size = np.arange(1, 1000)
    _, high = wilson(np.zeros(len(size)), size, confidence)
    return int(size[np.round(100 * high, 1) < SOUND_BELOW_PCT][0])


def asked(row: Mapping[Any, Any], rules: Rules) -> Asked | None:
    """Say which limit a block's trunks have to clear before the checks decide; None where they do, or none was made.

    Parameters
    ----------
    row : mapping
        grade of `vinemap.decisions.actions.decide`; the trunk columns of `vinemap.survival.wood.wood_table`.
    rules : Rules
    """
    grade, limits = row["grade"], rules.wood
    if grade == Grade.TRUNKS_DEAD or not row.get("trunk_hurt_read"):
        return None
    dead, hurt = (_rounded(row, f"trunk_{state}") for state in (WoodState.DEAD, WoodState.HURT))
    if dead.share > limits.dead_low_over_pct >= dead.low:
        return Asked(WoodState.DEAD, limits.dead_low_over_pct)
    if grade == Grade.MOST_TRUNKS_HURT and hurt.low <= limits.hurt_most_over_pct:
        return Asked(WoodState.HURT, limits.hurt_most_over_pct)
    if grade == Grade.TRUNKS_HURT and hurt.low <= limits.hurt_over_pct:
        return Asked(WoodState.HURT, limits.hurt_over_pct)
    limit = limits.hurt_most_over_pct if grade == Grade.BY_NUMBER else SOUND_BELOW_PCT
    if grade in _UNDECIDED and hurt.high >= limit:
        return Asked(WoodState.HURT, limit)
    return None


class _Share(NamedTuple):
    share: float
    low: float
    high: float


def _rounded(row: Mapping[Any, Any], stem: str) -> _Share:
    """Return a share with its ends as they are printed; NaN, which passes no limit, where it is not known."""
    return _Share(*(round(float(row.get(f"{stem}{end}_pct", np.nan)), 1) for end in ("", "_low", "_high")))


def check_table(blocks: pd.DataFrame, settings: Settings, *, spring: bool = False) -> pd.DataFrame:
    """Return the columns of blocks.csv that say what to look at next in the wood.

    Parameters
    ----------
    blocks : DataFrame
        With the columns of `vinemap.survival.wood.wood_table` and of `vinemap.decisions.actions.decide`.
    settings : Settings
    spring : bool
        Whether the sap has risen: the second visit is then the present one.

    Returns
    -------
    DataFrame, same index
        trunk_checks_of ('hurt' or 'dead'), trunk_checks_limit_pct, trunk_checks_more: which share of trunks is too
        uncertain to decide, the limit within its interval, how many more checks would clear it. All missing where the
        checks decide, or none was made; the last one alone where ``wood.most_more_checks`` would not do. wood_text: all
        that the wood asks for, in sentences.
    """
    rules, rows = settings.actions.rules, []
    for block in blocks.to_dict("records"):
        question = asked(block, rules)
        found: dict[str, Any] = {"trunk_checks_of": None, "trunk_checks_limit_pct": np.nan, "trunk_checks_more": pd.NA}
        if question is not None:
            stem = f"trunk_{question.state}"
            vines, read = int(block[f"{stem}_vines"]), int(block[f"{stem}_read"])
            more = checks_needed(
                vines, read, question.limit_pct, settings.survival.confidence, rules.wood.most_more_checks
            )
            found = {
                "trunk_checks_of": question.state,
                "trunk_checks_limit_pct": question.limit_pct,
                "trunk_checks_more": pd.NA if more is None else more,
            }
        said = wood_sentences({**block, **found}, rules, spring=spring)
        rows.append({**found, "wood_text": " ".join(sentence.said(settings.language) for sentence in said)})
    table = pd.DataFrame(rows, index=blocks.index)
    return table.astype({"trunk_checks_more": "Int64"})


def wood_sentences(row: Mapping[Any, Any], rules: Rules, *, spring: bool = False) -> list[Sentence]:
    """Say what a block's wood asks for.

    Parameters
    ----------
    row : mapping
        Of `check_table` and `vinemap.survival.wood.wood_table`; what is missing is not said.
    rules : Rules
    spring : bool
        As in `check_table`.
    """
    return [*_more(row, rules), *_deeper(row), *_wedge(row), *_next_visit(row, spring=spring)]


def _more(row: Mapping[Any, Any], rules: Rules) -> list[Sentence]:
    state, more = row.get("trunk_checks_of"), row.get("trunk_checks_more")
    if state is None or pd.isna(state):
        return []
    limit, stem = Figure(row["trunk_checks_limit_pct"], None), f"trunk_{state}"
    found = {"vines": Figure(row[f"{stem}_vines"]), "read": Figure(row[f"{stem}_read"])}
    ends = {end: Figure(row[f"{stem}_{end}_pct"], 0) for end in ("low", "high")}
    few = Sentence(f"page.check.few.{state}", **found, **ends, limit=limit)
    if more is None or pd.isna(more):
        return [few, Sentence("page.check.never", most=Figure(rules.wood.most_more_checks))]
    sentences = [few, Sentence("page.check.more", more=Figure(more))]
    names = [name for name in str(row.get("trunk_unchecked") or "").split("; ") if name][: int(more)]
    if names:
        sentences.append(Sentence("page.check.begin", samples="; ".join(names)))
    return sentences


def _deeper(row: Mapping[Any, Any]) -> list[Sentence]:
    vines = row.get("trunk_deeper_vines") or 0
    return [Sentence("page.check.deeper", vines=Figure(vines))] if vines else []


def _wedge(row: Mapping[Any, Any]) -> list[Sentence]:
    vines = row.get("wedge_vines") or 0
    return [Sentence("page.check.wedge", vines=Figure(vines))] if vines else []


def _next_visit(row: Mapping[Any, Any], *, spring: bool) -> list[Sentence]:
    """Say when to look again, where the last visit found anything dead in a trunk."""
    found = any(row.get(f"trunk_{state}_vines") for state in WoodState)
    visit = row.get("trunk_visit")
    if not found or visit not in (Visit.WINTER, Visit.AFTER_SAP_RISE):
        return []
    return [Sentence(f"page.check.after.{Visit.AFTER_SAP_RISE if spring else visit}")]
