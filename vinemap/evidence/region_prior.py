"""What a region's vineyards have taught of one night, as a prior for another's map: a small file with nobody in it."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from vinemap.doors import barred
from vinemap.errors import InputError, Problem
from vinemap.model.hyperparameters import NormalPriors
from vinemap.sentences import Sentence
from vinemap.terrain.layers import COVARIATES

FEWEST_VINEYARDS = 5
"""Vineyards below which a region teaches nothing; common practice of random effects, whose spread fewer do not show."""

PRIOR_FILE = "prior.json"

_MOST_BYTES = 200_000
_DIGITS = 4
_TERRAIN = frozenset(covariate.name for covariate in COVARIATES)

_Mean = Annotated[float, Field(ge=-1e6, le=1e6)]
_Sd = Annotated[float, Field(gt=0, le=1e6)]
_Name = Annotated[str, Field(min_length=1, max_length=200)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Normal(_Part):
    """A normal distribution."""

    mean: _Mean
    sd: _Sd


class TerrainEffect(Normal):
    """A terrain statistic's coefficient where injury follows it, in log-odds per unit of the statistic."""

    probability: float = Field(gt=0, lt=1, description="that injury follows it in a vineyard of the region")


class CovarianceEffects(_Part):
    """The three covariance parameters, as natural logs."""

    log_length_m: Normal
    log_field_sd: Normal
    log_vine_sd: Normal


class RegionPrior(_Part):
    """The distribution of a further vineyard's effects, after so many of one night.

    No vineyard, place or count is in it, and a variety is only where it grows with several growers.

    Examples
    --------
    >>> from vinemap.evidence.region_prior import RegionPrior
    >>> spread = {"mean": 0.0, "sd": 1.0}
    >>> logs = {name: spread for name in ("log_length_m", "log_field_sd", "log_vine_sd")}
    >>> low = {"mean": -0.2, "sd": 0.1, "probability": 0.6}
    >>> prior = RegionPrior(vineyards=30, terrain={"height_above_low_m": low}, varieties={}, covariance=logs)
    >>> RegionPrior.model_validate_json(prior.to_json()) == prior
    True
    """

    format: Literal["vinemap region prior"] = "vinemap region prior"
    version: Literal[1] = 1
    vineyards: int = Field(ge=FEWEST_VINEYARDS, le=10_000_000, description="that it was learnt from")
    terrain: dict[_Name, TerrainEffect] = Field(max_length=100)
    varieties: dict[_Name, Normal] = Field(max_length=5000, description="log-odds of each against a usual variety")
    covariance: CovarianceEffects

    def to_json(self) -> str:
        """Return the file's text; figures have four digits, which is more than any of them is known to."""
        return json.dumps(_rounded(self.model_dump()), ensure_ascii=False, indent=1) + "\n"

    @property
    def covariance_priors(self) -> NormalPriors:
        """Priors of the covariance parameters, as the model takes them."""
        length, field, vine = self.covariance.log_length_m, self.covariance.log_field_sd, self.covariance.log_vine_sd
        return NormalPriors(mean=(length.mean, field.mean, vine.mean), sd=(length.sd, field.sd, vine.sd))

    def named(self, usual: Mapping[str, str]) -> RegionPrior:
        """Return the prior with varieties by a vineyard's own names for them; ``usual`` has the usual ones by these."""
        own = {name: self.varieties[known] for name, known in usual.items() if known in self.varieties}
        return self.model_copy(update={"varieties": own})


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}")
    return {name: _rounded(one) for name, one in value.items()} if isinstance(value, Mapping) else value


def read_prior(path: str | os.PathLike[str]) -> RegionPrior:
    """Read a region's ``prior.json``.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        Where it is no such file, or one of another version.
    """
    path = Path(path)
    fault = barred(path, _MOST_BYTES)
    if fault is not None:
        raise InputError([Problem(str(path), None, "", *fault)])
    remedy = Sentence("remedy.prior")
    try:
        prior = RegionPrior.model_validate_json(path.read_bytes())
    except ValidationError as error:
        faults = error.errors(include_url=False)[:5]
        raise InputError(
            [
                Problem(
                    str(path), None, ".".join(map(str, one["loc"])), Sentence("fault.prior", reason=one["msg"]), remedy
                )
                for one in faults
            ]
        ) from error
    strange = sorted(set(prior.terrain) - _TERRAIN)
    if strange:
        what = Sentence("fault.prior.statistic", name=strange[0])
        raise InputError([Problem(str(path), None, "terrain", what, remedy)])
    return prior
