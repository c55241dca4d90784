"""What differs between winter and spring in cutting zones: the figure that decides, how it classifies, what follows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from vinemap.decisions.actions import prescribe
from vinemap.decisions.classes import Classifier
from vinemap.settings import Settings


@dataclass(frozen=True)
class Season:
    """How zones are cut at a time of the year.

    Attributes
    ----------
    stem : str
        Of the columns of the figure that decides: 'injury' or 'no_live_bud'.
    classifier : type of Classifier
        Classifies cells and pieces.
    prescribe : callable
        As `vinemap.decisions.actions.prescribe`.
    """

    stem: str
    classifier: type[Classifier]
    prescribe: Callable[[pd.DataFrame, Settings], pd.DataFrame]


WINTER = Season("injury", Classifier, prescribe)
"""Before budbreak, by the buds that the razor showed."""
