"""Figures measured at a few places that rise and fall with the log-odds, such as temperatures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from vinemap.arrays import Array
from vinemap.model.gaussian import GaussianField, Priors

LEVEL_SD = 10.0
"""Prior standard deviation of the readings' own level, in their unit: that tells nothing of the counts."""


@dataclass(frozen=True)
class Readings:
    """Readings y that may see the covariates and the field of the counts.

    Where they do, ``slope * y = level + X b + f(x, y) + error``: the log-odds of a place without what belongs to counts
    alone (known offsets, clusters, columns that are 0 in ``X``), up to a level of their own. Where they do not, they
    follow covariates and a field of their own (`GaussianField`), and tell the counts nothing, or, by ``column``, what
    that field says, as one more covariate.

    Attributes
    ----------
    xy : array (k, 2)
        Easting and northing in metres.
    X : array (k, p)
        Covariates, in the columns of the counts.
    values : array (k,)
        What was read.
    error_sd : array (k,)
        Standard errors.
    slope, slope_sd : float
        Log-odds per unit, expected and standard deviation; its sign is certain.
    column : int or None
        Covariate of the counts that is worked out from the readings, 0 in ``X``; no model in which they see the counts
        themselves has it too.
    coefficient_sd : float
        Prior standard deviation, in log-odds, of what one standard deviation of a covariate does.
    log_odds : float
        Prior log-odds that they see what the counts see, against that they tell nothing.
    """

    xy: Array
    X: Array
    values: Array
    error_sd: Array
    slope: float
    slope_sd: float
    column: int | None = None
    coefficient_sd: float = 1.0
    log_odds: float = 0.0

    def __len__(self) -> int:
        return len(self.values)

    @cached_property
    def slopes(self) -> dict[float, float]:
        """Slopes to fit, the expected one first, each with its share: Gauss and Hermite's three points of its log."""
        if not self.slope_sd:
            return {self.slope: 1.0}
        away = float(np.sqrt(3 * np.log1p((self.slope_sd / self.slope) ** 2)))
        return {self.slope: 2 / 3, self.slope * np.exp(-away): 1 / 6, self.slope * np.exp(away): 1 / 6}

    @cached_property
    def _apart(self) -> float:
        """Log evidence of the readings by themselves."""
        priors = Priors(intercept_sd=LEVEL_SD, coefficient_sd=self.coefficient_sd / abs(self.slope))
        moving = self.X[:, np.any(self.X != 0, axis=0)]
        return GaussianField(priors).fit(self.xy, self.values, self.error_sd, moving).log_evidence_

    def log_weight(self, slope: float) -> float:
        """Log of what the evidence of a model with this slope is multiplied by; slope 0 is that of readings apart.

        Apart, that is their own evidence. Where they see what counts see, their density is in the model's evidence
        already, per log-odds: it is brought to their own unit.
        """
        if not slope:
            return self._apart
        return float(self.log_odds + np.log(self.slopes[slope]) + len(self) * np.log(abs(slope)))

    def scaled(self, slope: float) -> tuple[Array, Array]:
        """Return the log-odds (k,) that readings stand for, around their mean, and their precision (k,); 0 apart."""
        if not slope:
            return np.zeros(len(self)), np.zeros(len(self))
        return slope * (self.values - self.values.mean()), (slope * self.error_sd) ** -2.0
