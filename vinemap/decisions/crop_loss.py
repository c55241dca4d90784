"""How much of a normal year's crop is lost by the cold, over varieties and over the whole vineyard, before pruning."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from vinemap.arrays import Array
from vinemap.decisions.actions import crop_left, secondary_crop
from vinemap.settings import Settings
from vinemap.surface.draws import QUANTILES

_FIGURES = ("loss_pct", "loss_low_pct", "loss_high_pct", "over_pct")
_END = ndtri(QUANTILES[1])


def crop_losses(injury: Array, blocks: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Return the crop lost by variety, and last over the whole vineyard.

    Parameters
    ----------
    injury : array (blocks, draws)
        Mean injury of the primary buds of each block, a fraction, over surfaces that were drawn together.
    blocks : DataFrame
        Rows of blocks.csv, in the same order: variety, area_ha, vines, crop_before_pct, normal_yield_t_ha, the
        secondaries' columns and those that name the species group.
    settings : Settings
        The rules' shares of the crop that secondaries bear; `report.crop_loss_over_pct`.

    Returns
    -------
    DataFrame
        variety ("" for unknown ones and for the whole; ``whole`` tells them apart), area_ha, counted_ha (of blocks
        with a figure), vines, loss_pct with low and high, over_pct (how likely the loss is past the limit), by_yield
        (whether blocks count by their normal yield, else by their area). NaN where no block has a figure.

    Notes
    -----
    A block counts by its normal yield where every block that is summed has one, else by its area. The loss is that of
    the blocks' own ``crop_before_pct``. Its interval is of the draws: a block's secondaries lie as high in their own
    interval as its primaries in theirs (they die together), and the share of the crop that a variety's secondaries bear
    is drawn once for all its blocks, apart from the rest. Both are taken as normal on either side of the middle, with
    their ends as 5 % and 95 % quantiles.
    """
    crop = _drawn_crop(injury, blocks, settings)
    variety = blocks["variety"].fillna("").to_numpy()
    rows = [
        {"variety": name, "whole": False} | _loss(blocks, crop, variety == name, settings)
        for name in dict.fromkeys(variety)
    ]
    whole = _loss(blocks, crop, np.ones(len(blocks), bool), settings)
    return pd.DataFrame([*rows, {"variety": "", "whole": True} | whole])


def _loss(blocks: pd.DataFrame, crop: Array, here: NDArray[np.bool_], settings: Settings) -> dict[str, Any]:
    """Sum blocks up."""
    counted = here & blocks["crop_before_pct"].notna().to_numpy()
    area, vines = _floats(blocks["area_ha"]), _floats(blocks["vines"])
    found: dict[str, Any] = {
        "area_ha": area[here].sum(),
        "counted_ha": area[counted].sum(),
        "vines": np.nansum(vines[here]) if np.isfinite(vines[here]).any() else np.nan,
    }
    if not counted.any():
        return found | dict.fromkeys(_FIGURES, np.nan) | {"by_yield": False}
    tonnes = area * _floats(blocks["normal_yield_t_ha"])
    by_yield = bool(np.isfinite(tonnes[counted]).all() and tonnes[counted].sum() > 0)
    weight = (tonnes if by_yield else area)[counted]
    weight = weight / weight.sum()
    loss = 100 * (1 - weight @ crop[counted])
    low, high = np.quantile(loss, QUANTILES)
    return found | {
        "loss_pct": 100 - float(weight @ _floats(blocks["crop_before_pct"])[counted]),
        "loss_low_pct": low,
        "loss_high_pct": high,
        "over_pct": 100 * float((loss > settings.report.crop_loss_over_pct).mean()),
        "by_yield": by_yield,
    }


def _drawn_crop(injury: Array, blocks: pd.DataFrame, settings: Settings) -> Array:
    """Draw the crop that each block has left, as a share of a normal one, shape as the injury."""
    share = secondary_crop(blocks, settings.actions.rules)
    middle = share["secondary_crop"].to_numpy(np.float64)[:, None]
    ranks = pd.DataFrame(injury).rank(axis=1).to_numpy()
    score = ndtri((ranks - 0.5) / injury.shape[1])
    # Hard-hit primaries go with hard-hit secondaries, which is the side of the low crop.
    by_injury = _two_sided(score, middle, share["secondary_crop_low"], share["secondary_crop_high"])
    drawn = np.random.default_rng(settings.surface.seed).standard_normal((len(blocks), injury.shape[1]))
    first = pd.factorize(blocks["variety"].fillna(""))[0]
    by_share = _two_sided(drawn[first], middle, share["secondary_crop_most"], share["secondary_crop_least"])
    secondary = np.clip(middle + by_injury + by_share, 0.0, 1.0)
    return np.clip(crop_left(100 * injury, secondary), 0.0, 1.0)


def _two_sided(score: Array, middle: Array, at_low: pd.Series[float], at_high: pd.Series[float]) -> Array:
    """Return the distance from the middle at a normal score, with a scale of its own on either side."""
    low, high = (ends.to_numpy(np.float64)[:, None] - middle for ends in (at_low, at_high))
    return np.where(score < 0, -score * low, score * high) / _END


def _floats(column: pd.Series[Any]) -> Array:
    """Return a column as floats, NaN where it holds nothing, whatever type that is in."""
    return column.astype("Float64").to_numpy(np.float64, na_value=np.nan)
