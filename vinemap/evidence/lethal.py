"""What the buds could bear that night, and how many of them the cold may have killed, before any is cut."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from vinemap.arrays import Array
from vinemap.model.prediction import Prediction
from vinemap.rules import Rules
from vinemap.varieties import Kin, folded

_TENTH = math.log(9)
"""Log-odds from half to a tenth, and from half to nine tenths."""

_FILE_SD_C = 1.0
_SLOPE_SHARE = 0.2


@dataclass(frozen=True)
class Lethal:
    """The cold that kills buds of a block.

    Attributes
    ----------
    lt50_c, sd_c : float
        Temperature that kills half of the primary buds, and its standard deviation.
    slope, slope_sd : float
        Log-odds of a dead bud for each degree colder.
    known_by : str
        ``variety``, ``group`` (both of the file), ``published`` (starts of injury of the group), or ``unknown``.
    """

    lt50_c: float
    sd_c: float
    slope: float
    slope_sd: float
    known_by: str


def slope_of(lt10_c: float, lt90_c: float) -> float:
    """Return log-odds for each degree, from the temperatures that kill a tenth and nine tenths of the buds.

    Examples
    --------
    >>> from vinemap.evidence.lethal import slope_of
    >>> round(slope_of(-20.0, -23.05), 2)  # Merlot, Washington State University: 3.05 °C apart
    1.44
    """
    return 2 * _TENTH / (lt10_c - lt90_c)


def lethal_temperatures(
    blocks: pd.DataFrame, table: pd.DataFrame | None, event: dt.date | None, rules: Rules
) -> list[Lethal]:
    """Say what the buds of each block could bear.

    Parameters
    ----------
    blocks : DataFrame
        variety, species_group.
    table : DataFrame or None
        As `vinemap.reading.hardiness.read_hardiness` gives it.
    event : date or None
        Of the freeze. Figures of other days are taken, between two of them in proportion, and are the less certain the
        farther off they are; without it the last ones.
    rules : Rules
        Whose ``hardiness`` has the published starts of injury, where the table has neither variety nor group.
    """
    return [
        _of_block(kin, name, table, event, rules)
        for kin, name in zip(rules.varieties.kinds(blocks), blocks["variety"], strict=True)
    ]


def _of_block(kin: Kin, name: str | None, table: pd.DataFrame | None, event: dt.date | None, rules: Rules) -> Lethal:
    published = rules.hardiness
    if table is not None:
        ours = {folded(word) for word in (name, kin.variety) if isinstance(word, str)}
        by_name = table["variety"].map(lambda word: isinstance(word, str) and folded(word) in ours)
        group = "" if kin.group is None else kin.group.value
        by_group = table["variety"].isna() & (table["species_group"] == group)
        for rows, known_by in ((table[by_name], "variety"), (table[by_group], "group")):
            if len(rows):
                return _of_rows(rows, event, known_by, rules)
    begins = None if kin.group is None else published.begins_c(kin.group)
    known_by = "unknown" if begins is None else "published"
    start = published.unknown_c if begins is None else begins
    sd = published.unknown_sd_c if begins is None else published.sd_c
    # Injury is taken to begin where a tenth of the buds die.
    return Lethal(start - _TENTH / published.slope, sd, published.slope, published.slope_sd, known_by)


def _of_rows(rows: pd.DataFrame, event: dt.date | None, known_by: str, rules: Rules) -> Lethal:
    published = rules.hardiness
    dated = rows.dropna(subset="date").sort_values("date")
    if dated.empty or rows["date"].isna().any():
        chosen, away = rows[rows["date"].isna()].iloc[-1:] if rows["date"].isna().any() else rows.iloc[-1:], 0.0
        figures = chosen[["lt10_c", "lt50_c", "lt90_c"]].iloc[0]
    else:
        days = (dated["date"] - pd.Timestamp("1970-01-01")).dt.days.to_numpy(float)
        day = days[-1] if event is None else float((pd.Timestamp(event) - pd.Timestamp("1970-01-01")).days)
        figures = pd.Series({name: np.interp(day, days, dated[name]) for name in ("lt10_c", "lt50_c", "lt90_c")})
        away = float(np.abs(days - day).min())
    sd = math.hypot(_FILE_SD_C if known_by == "variety" else published.sd_c, published.drift_c_per_day * away)
    half, tenth, most = (float(figures[name]) for name in ("lt50_c", "lt10_c", "lt90_c"))
    spans = [_TENTH / span for span in (tenth - half, half - most) if math.isfinite(span)]
    if not spans:
        return Lethal(half, sd, published.slope, published.slope_sd, known_by)
    slope = float(np.mean(spans))
    return Lethal(half, sd, slope, _SLOPE_SHARE * slope, known_by)


def expected_kill(mean_c: Array, sd_c: Array, block: Array, lethal: list[Lethal]) -> Prediction:
    """Return the share of primary buds that the cold may have killed, with all that is uncertain in it.

    ``logit p = s (LT50 - T)``: temperature, lethal temperature and slope are taken for independent and normal, and the
    log-odds for normal with their moments.

    Parameters
    ----------
    mean_c, sd_c : array (m,)
        Minimum of the night, °C.
    block : array of int (m,)
        Row of each place's block.
    lethal : list of Lethal
        By block row.

    Returns
    -------
    Prediction
        Fractions, with 5 % and 95 % bounds.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.evidence.lethal import Lethal, expected_kill
    >>> buds = [Lethal(-22.0, 1.0, 1.25, 0.15, "variety")]
    >>> expected_kill(np.array([-18.0, -22.0, -26.0]), np.full(3, 0.5), np.zeros(3, int), buds).mean.round(2).tolist()
    [0.02, 0.5, 0.98]
    """
    half, sd, slope, slope_sd = (
        np.array([getattr(one, name) for one in lethal])[block] for name in ("lt50_c", "sd_c", "slope", "slope_sd")
    )
    colder = half - mean_c
    spread = sd**2 + sd_c**2
    variance = slope**2 * spread + slope_sd**2 * (colder**2 + spread)
    return Prediction.of(np.asarray(slope * colder), np.asarray(variance))
