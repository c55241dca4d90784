"""What one vineyard teaches others of its night: its information on effects, in units that all of them share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from vinemap.arrays import Array
from vinemap.model.field import BinomialField
from vinemap.surface.design import Design


@dataclass(frozen=True)
class Lesson:
    """A vineyard's information on terrain and variety effects, and on the covariance parameters.

    Attributes
    ----------
    terrain : list of str
        Names of the terrain statistics.
    scale : array
        Standard deviation of each over the vineyard's ground.
    varieties : list of str
        Usual names of the varieties.
    precision, pull : array (q, q), array (q,)
        As `vinemap.model.information.Information`, of the varieties, then of terrain per unit of its statistics.
    theta_precision, theta_pull : array (3, 3), array (3,)
        Of log length scale (metres), log field sd, log between-vine sd.
    """

    terrain: list[str]
    scale: Array
    varieties: list[str]
    precision: Array
    pull: Array
    theta_precision: Array
    theta_pull: Array

    @classmethod
    def of(cls, field: BinomialField, design: Design, usual: Mapping[str, str]) -> Lesson:
        """Take the lesson of a vineyard's fit.

        Parameters
        ----------
        field : BinomialField
            Fitted to the primary buds.
        design : Design
            Of the vineyard.
        usual : mapping of str to str
            Usual names of varieties by the vineyard's own. A variety that is not in it, or whose hardiness the settings
            state, teaches nothing.
        """
        own = [k for k, name in enumerate(design.varieties) if name in usual and not design.is_offset(k)]
        names = sorted({usual[design.varieties[k]] for k in own})
        asked = np.zeros(design.columns, bool)
        asked[[2 + k for k in own]] = True
        asked[design.first_terrain : design.first_known] = True
        # Two names of one variety share its effect; a coefficient per unit is that per sd over the sd.
        share = np.zeros((int(asked.sum()), len(names) + len(design.covariates)))
        share[np.arange(len(own)), [names.index(usual[design.varieties[k]]) for k in own]] = 1.0
        share[len(own) :, len(names) :] = np.diag(design.scale)
        found = field.information(asked)
        return cls(
            [covariate.name for covariate in design.covariates],
            design.scale,
            names,
            share.T @ found.precision @ share,
            share.T @ found.pull,
            found.theta_precision,
            found.theta_pull,
        )

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON holds it."""
        return {name: value.tolist() if isinstance(value, np.ndarray) else value for name, value in vars(self).items()}

    @classmethod
    def from_json(cls, found: Mapping[str, Any]) -> Lesson:
        """Take it back from what `to_json` gave."""
        arrays = {name: np.array(value, float) for name, value in found.items() if name not in ("terrain", "varieties")}
        size = len(arrays["pull"])
        arrays["precision"] = arrays["precision"].reshape(size, size)
        return cls(list(found["terrain"]), varieties=list(found["varieties"]), **arrays)
