"""The tables of rules behind every decision, ``rules.toml`` and ``varieties.toml``, and the arithmetic of a rule."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from vinemap.arrays import Array
from vinemap.resources import asset
from vinemap.sentences import Sentence
from vinemap.states import Action, SpeciesGroup
from vinemap.units import KILOGRAMS_PER_POUND, METRES_PER_FOOT
from vinemap.varieties import Kin, Share, Varieties


def _action(name: Any) -> Action:
    """Take a key of our own table, which is text however strictly the settings are read."""
    return Action(name)


_Task = Annotated[Action, BeforeValidator(_action)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Sourced(_Table):
    source: str
    caution: str


class Step(_Table):
    """A step of a pruning rule: from the end of the one before it, up to ``below`` or ``up_to``, add so many nodes."""

    below: float | None = Field(None, ge=0, le=100, description=Sentence("setting.rules.below"))
    up_to: float | None = Field(None, ge=0, le=100, description=Sentence("setting.rules.up_to"))
    add: Annotated[float, Field(ge=0, le=1000)] | Literal["injury", "replacement", "all"]

    @property
    def end(self) -> float | None:
        """Where the step ends, percent; None where it is open."""
        return self.up_to if self.below is None else self.below


class PruningRule(_Sourced):
    """How many nodes to keep for so many dead primary buds."""

    label: str
    steps: list[Step]

    @field_validator("steps")
    @classmethod
    def _in_order(cls, steps: list[Step]) -> list[Step]:
        ends = [step.end for step in steps]
        closed = [end for end in ends if end is not None]
        if not steps or len(closed) < len(steps) - 1 or ends[-1] is not None:
            raise ValueError(Sentence("fault.rules.ends"))
        if any(step.below is not None and step.up_to is not None for step in steps):
            raise ValueError(Sentence("fault.rules.both"))
        if sorted(set(closed)) != closed:
            raise ValueError(Sentence("fault.rules.rise"))
        return steps

    def step_of(self, injury_pct: ArrayLike) -> NDArray[np.intp]:
        """Return which step holds at each injury, counted from 0; the first where the injury is not known."""
        injury = np.asarray(injury_pct, np.float64)
        number = np.zeros(injury.shape, np.intp)
        for step in self.steps[:-1]:
            number += injury >= step.below if step.below is not None else injury > np.float64(step.up_to or 0)
        return number

    def more_nodes(self, injury_pct: ArrayLike, crop_left: ArrayLike, times_target: float) -> Array:
        """Return how many more nodes to keep, in percent of the target.

        Parameters
        ----------
        injury_pct : array_like
            Primary buds dead on the nodes that pruning keeps, percent.
        crop_left : array_like
            Crop of a node as a share of a sound node's, 0 to 1: what ``replacement`` divides by.
        times_target : float
            Most nodes that a vine bears, as a multiple of the target.

        Returns
        -------
        ndarray
            Percent; NaN where no number makes up for the injury, where it would pass ``times_target``, or where the
            injury is not known.
        """
        injury, crop = np.broadcast_arrays(np.asarray(injury_pct, np.float64), np.asarray(crop_left, np.float64))
        step = self.step_of(injury)
        extra = np.full(injury.shape, np.nan)
        for number, one in enumerate(self.steps):
            here = step == number
            if one.add == "injury":
                extra[here] = injury[here]
            elif one.add == "replacement":
                extra[here] = 100 * (np.divide(1.0, crop, out=np.full(crop.shape, np.inf), where=crop > 0)[here] - 1)
            elif one.add != "all":
                extra[here] = one.add
        known = np.isfinite(injury) & (extra <= 100 * (times_target - 1) + 1e-9)
        return np.where(known, extra, np.nan)


class PruningRules(_Table):
    """The pruning rules to choose from."""

    proportional: PruningRule
    stepped: PruningRule
    replacement: PruningRule


class Ceiling(_Sourced):
    """The most nodes that are ever asked for."""

    times_target: float = Field(ge=1, le=100)


class DoublePruning(_Sourced):
    """Pruning twice: nodes left before budbreak, as multiples of those wanted after it."""

    low: float = Field(ge=1, le=100)
    high: float = Field(ge=1, le=100)

    @model_validator(mode="after")
    def _in_order(self) -> DoublePruning:
        if self.low > self.high:
            raise ValueError(Sentence("fault.rules.low_high"))
        return self


class Hedging(_Sourced):
    """Hedging: every cane cut back to so many nodes, the cheap way with vines whose buds are mostly dead."""

    nodes: float = Field(gt=0, le=1000)


class Suckers(_Sourced):
    """Suckers left on a vine whose trunk is to be renewed."""

    keep: float = Field(gt=0, le=1000)


class Wood(_Sourced):
    """When dead buds say to look at the wood, and what the wood says; percent, itself excluded."""

    likely_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.likely_over_pct"))
    no_live_bud_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.no_live_bud_over_pct"))
    primary_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.primary_over_pct"))
    hurt_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.hurt_over_pct"))
    hurt_most_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.hurt_most_over_pct"))
    dead_low_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.dead_low_over_pct"))
    most_more_checks: int = Field(ge=1, le=10_000, description=Sentence("setting.rules.most_more_checks"))


class Evidence(_Sourced):
    """When a figure of the map may be called sure, and when what was cut and the map are both shown."""

    few_samples: int = Field(ge=1, le=1000, description=Sentence("setting.rules.few_samples"))
    covered_under_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.covered_under_pct"))
    most_sure_pct: float = Field(ge=50, le=100, description=Sentence("setting.rules.most_sure_pct"))
    differ_points: float = Field(ge=0, le=100, description=Sentence("setting.rules.differ_points"))
    unsure_under_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.unsure_under_pct"))
    most_more_canes: int = Field(ge=1, le=1000, description=Sentence("setting.rules.most_more_canes"))


class SecondaryCrop(_Sourced):
    """Crop of a secondary bud whose primary is dead, as a share of the primary's, by species group."""

    american: Share
    french_hybrid: Share
    new_hybrid: Share
    hybrid: Share = Field(description=Sentence("setting.rules.hybrid"))
    vinifera: Share
    seedless_table: Share
    unknown: Share


class Budget(_Table):
    """Nodes for the first pound of cane prunings, and for each further one."""

    first: float = Field(gt=0, le=1000)
    further: float = Field(ge=0, le=1000)

    def nodes(self, pruning_weight_kg: ArrayLike) -> Array:
        """Return the nodes that a vine of this pruning weight should carry; part of a pound counts in part."""
        pounds = np.asarray(pruning_weight_kg, np.float64) / KILOGRAMS_PER_POUND
        return self.first * np.minimum(pounds, 1) + self.further * np.maximum(pounds - 1, 0)


class Balanced(_Sourced):
    """Balanced pruning: node budgets by species group."""

    american: Budget
    french_hybrid: Budget
    new_hybrid: Budget
    vinifera: Budget
    seedless_table: Budget

    def of(self, group: SpeciesGroup | None) -> Budget | None:
        """Return the budget of a group; a hybrid that may be French or new has the French hybrids', the fewer nodes."""
        if group is None:
            return None
        budget: Budget = getattr(self, SpeciesGroup.FRENCH_HYBRID if group is SpeciesGroup.HYBRID else group)
        return budget


class NodesPerFoot(_Sourced):
    """Nodes for each foot of vine spacing."""

    low: float = Field(gt=0, le=1000)
    high: float = Field(gt=0, le=1000)

    def nodes(self, vine_spacing_m: ArrayLike) -> Array:
        """Return the middle of the range for this spacing."""
        return (self.low + self.high) / 2 * np.asarray(vine_spacing_m, np.float64) / METRES_PER_FOOT


class Recovery(_Sourced):
    """Years until a vine bears a full crop again."""

    retrain_years: float = Field(ge=0.1, le=100)
    replant_years: float = Field(ge=0.1, le=100)


class Labour(_Sourced):
    """What work takes and costs, assumed where the settings of a vineyard say nothing of it."""

    currency: str = Field(max_length=40, description=Sentence("setting.rules.currency"))
    vines_per_hour: dict[_Task, Annotated[float, Field(gt=0, le=100_000)]] = Field(
        description=Sentence("setting.rules.vines_per_hour")
    )
    materials: dict[_Task, dict[str, Annotated[float, Field(ge=0, le=1e6)]]] = Field(
        description=Sentence("setting.rules.materials")
    )
    prices: dict[str, Annotated[float, Field(ge=0, le=1e9)]] = Field(description=Sentence("setting.rules.prices"))


class Spring(_Sourced):
    """What the nodes that stay blind after budbreak say; percent, itself excluded."""

    some_blind_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.some_blind_over_pct"))
    most_blind_over_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.most_blind_over_pct"))
    fewest_nodes: float = Field(ge=1, le=1000, description=Sentence("setting.rules.fewest_nodes"))


class Razor(_Sourced):
    """How often a cut bud did what the razor had said of it, where others followed that."""

    agreement_pct: float = Field(ge=0, le=100, description=Sentence("setting.rules.agreement_pct"))


class Hardiness(_Sourced):
    """The cold that buds bear in midwinter, where no figures of the week are at hand."""

    vinifera_c: float = Field(ge=-60, le=0, description=Sentence("setting.rules.vinifera_c"))
    french_hybrid_c: float = Field(ge=-60, le=0, description=Sentence("setting.rules.french_hybrid_c"))
    american_c: float = Field(ge=-60, le=0, description=Sentence("setting.rules.american_c"))
    sd_c: float = Field(ge=0.1, le=20, description=Sentence("setting.rules.sd_c"))
    unknown_c: float = Field(ge=-60, le=0, description=Sentence("setting.rules.unknown_c"))
    unknown_sd_c: float = Field(ge=0.1, le=20, description=Sentence("setting.rules.unknown_sd_c"))
    slope: float = Field(gt=0, le=10, description=Sentence("setting.rules.slope"))
    slope_sd: float = Field(gt=0, le=5, description=Sentence("setting.rules.slope_sd"))
    drift_c_per_day: float = Field(ge=0, le=2, description=Sentence("setting.rules.drift_c_per_day"))

    def begins_c(self, group: SpeciesGroup) -> float | None:
        """Return where injury of a group usually begins; None where nothing was found that is published."""
        published = {
            SpeciesGroup.VINIFERA: self.vinifera_c,
            SpeciesGroup.FRENCH_HYBRID: self.french_hybrid_c,
            SpeciesGroup.HYBRID: self.french_hybrid_c,
            SpeciesGroup.AMERICAN: self.american_c,
        }
        return published.get(group)


class FrostStage(_Table):
    """A stage after budswell, where it begins on two scales, and what kills."""

    name: Literal["first_swell", "late_swell", "burst", "first_leaf", "second_leaf", "third_leaf", "fourth_leaf"]
    bbch: int = Field(ge=0, le=99, description=Sentence("setting.rules.bbch"))
    el: int = Field(ge=1, le=47, description=Sentence("setting.rules.el"))
    kill_10_c: float = Field(ge=-60, le=10, description=Sentence("setting.rules.kill_10_c"))
    kill_90_c: float = Field(ge=-60, le=10, description=Sentence("setting.rules.kill_90_c"))


class Frost(_Sourced):
    """Critical temperatures after budswell, for reference: nothing is decided by them."""

    no_pruning: str = Field(description=Sentence("setting.rules.no_pruning"))
    stages: list[FrostStage] = Field(min_length=1)

    def at(self, scale: Literal["bbch", "el"], number: int) -> FrostStage | None:
        """Return the stage that a number of a scale lies in; None before the first one and past the last."""
        begun = [stage for stage in self.stages if getattr(stage, scale) <= number]
        past = number > getattr(self.stages[-1], scale)
        return begun[-1] if begun and not past else None


class Rules(_Table):
    """Every rule, as ``rules.toml`` and ``varieties.toml`` have it, with whatever the caller gives in its place.

    ``Rules.model_validate({"wood": {"likely_over_pct": 40}})`` differs from the package's own table in one number:
    tables are laid over it key by key, lists as a whole.
    """

    pruning: PruningRules
    ceiling: Ceiling
    double_pruning: DoublePruning
    hedging: Hedging
    suckers: Suckers
    wood: Wood
    evidence: Evidence
    secondary_crop: SecondaryCrop
    balanced: Balanced
    nodes_per_foot: NodesPerFoot
    recovery: Recovery
    work: Labour
    varieties: Varieties
    spring: Spring
    razor: Razor
    frost: Frost
    hardiness: Hardiness

    def secondary_share(self, kin: Kin) -> tuple[str, Share]:
        """Return the crop of a variety's secondaries: the key of the table that has it, and the share.

        What is published of the variety goes before its group's, and that before the one for want of a group.
        """
        known = self.varieties.known.get(kin.variety or "")
        if known is not None and known.secondary_crop is not None:
            return f"varieties.known.{kin.variety}.secondary_crop", known.secondary_crop
        group = "unknown" if kin.group is None else kin.group.value
        return f"secondary_crop.{group}", getattr(self.secondary_crop, group)

    @model_validator(mode="before")
    @classmethod
    def _over_ours(cls, given: Any) -> Any:
        return _merged(_ours(), given) if isinstance(given, Mapping) else given


def default_rules() -> Rules:
    """Return the package's own table."""
    return Rules.model_validate({})


@cache
def _ours() -> dict[str, Any]:
    return tomllib.loads(asset("vinemap", "rules.toml")) | {
        "varieties": tomllib.loads(asset("vinemap", "varieties.toml"))
    }


def _merged(ours: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(ours)
    for key, value in given.items():
        both = isinstance(value, Mapping) and isinstance(merged.get(key), Mapping)
        merged[key] = _merged(merged[key], value) if both else value
    return merged
