"""What terrain, variety and part of the cane do to injury, over what the blocks hold, and whether the data show it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, cast

import numpy as np
import xarray as xr

from vinemap.arrays import Array
from vinemap.model.field import BinomialField
from vinemap.sentences import Figure, Sentence
from vinemap.settings import Settings
from vinemap.surface.design import Design
from vinemap.surface.draws import QUANTILES, JointDraws
from vinemap.surface.observations import Observations
from vinemap.terrain.grid import read_layers
from vinemap.units import length_unit

_PLACES = 2000
_END_SHARE = 1 / 20


def effects(joint: JointDraws, field: BinomialField, observed: Observations, max_width: float) -> list[dict[str, Any]]:
    """Predict injury at either end of what the blocks hold of each term, all else equal.

    Parameters
    ----------
    joint : JointDraws
        Of primary buds; a draw of a model without a term says that the term does nothing.
    field : BinomialField
        That they were drawn from.
    observed : Observations
        That it was fitted to.
    max_width : float
        Widest credible interval that still says something of an end, a fraction.

    Returns
    -------
    list of dict
        One of each family of terrain statistics (``of`` is terrain), the most probable first; then the varieties, the
        worst hurt against the least (variety); then nodes beyond those that pruning keeps against those (part). Every
        one has ``told``: whether the 90 % interval of the difference leaves out zero and both ends' intervals are no
        wider than ``max_width``; and ``sign_probability``, that the difference has its sign. Only what is told has
        figures, in percent: pct, low_pct and high_pct at the first end, and other_pct, other_low_pct and other_high_pct
        at the other.

        Terrain has ``name`` and ``probability``, of the family's most probable statistic and of any of the family;
        ``shown``, ``around_m``, ``here`` and ``there``: the layer that readers know it by, how far around a place it
        looks, and its mean over either end. An end is a twentieth of the blocks' ground.

    Notes
    -----
    Each draw is averaged over the ground of all blocks, once with the term at its one end everywhere and once at the
    other (a marginal standardisation: J. Robins, Math. Model. 7 (1986) 1393). Statistics of one family measure one
    thing, so they move together, each to its mean over the same end.
    """
    return [one for one in _Effects(joint, field, observed, max_width).all() if one]


class _Effects:
    """Ground evenly taken from the blocks, and what each term does there."""

    def __init__(self, joint: JointDraws, field: BinomialField, observed: Observations, max_width: float) -> None:
        self.joint, self.field, self.observed, self.max_width = joint, field, observed, max_width
        self.design: Design = joint.design
        some = slice(None, None, max(1, len(joint.cells) // _PLACES))
        self.xy, self.X, self.offset = self.design.at_cells(joint.cells, some)

    def all(self) -> Iterator[dict[str, Any]]:
        yield from self.terrain()
        yield self.varieties()
        yield self.part()

    def injury(self, X: Array, offset: Array | float) -> Array:
        """Mean injury over the ground in each draw, shape (draws,)."""
        return np.asarray(self.joint.draws.at(self.xy, X, offset).mean(axis=0))

    def told(self, one: Array, other: Array) -> dict[str, Any]:
        """Say whether two ends differ, and by draws (n,) of each what they are, where the data show it."""
        intervals = np.quantile([one, other], QUANTILES, axis=1).T
        low, high = np.quantile(one - other, QUANTILES)
        told = bool((low > 0 or high < 0) and (np.ptp(intervals, axis=1) <= self.max_width).all())
        more = one.mean() > other.mean()
        known: dict[str, Any] = {
            "told": told,
            "sign_probability": float(np.mean(one > other if more else one < other)),
        }
        for stem, draws, interval in zip(("", "other_"), (one, other), intervals, strict=True):
            for name, value in zip(("pct", "low_pct", "high_pct"), (draws.mean(), *interval), strict=True):
                known[stem + name] = float(100 * value) if told else None
        return known

    def terrain(self) -> list[dict[str, Any]]:
        """Either end of each family of terrain statistics, the most probable family first."""
        first = self.design.first_terrain
        used = self.field.models_[:, first:]
        weights = self.field.model_weights_
        single = weights @ used
        families: dict[str, list[int]] = {}
        for k, covariate in enumerate(self.design.covariates):
            families.setdefault(covariate.family or covariate.name, []).append(k)
        found = []
        for family, members in families.items():
            probability = float(weights @ used[:, members].any(axis=1))
            lead = members[int(np.argmax(single[members]))]
            found.append({"of": "terrain", "family": family, "probability": probability, **self.ends(lead, members)})
        return sorted(found, key=lambda one: (not one["told"], -one["probability"]))

    def ends(self, lead: int, members: list[int]) -> dict[str, Any]:
        """One family between the ground where its leading statistic is at one end, and at the other."""
        covariate, first = self.design.covariates[lead], self.design.first_terrain
        # The first end is the one that the covariate's step leads to: the lowest, the steepest, the most northern.
        order = np.argsort(-np.sign(covariate.step) * self.X[:, first + lead], kind="stable")
        size = max(1, round(_END_SHARE * len(order)))
        columns = [first + k for k in members]
        shown, layers = covariate.shown or covariate.name, cast("xr.Dataset", self.design.terrain)
        injury, value = [], []
        for end in (order[:size], order[-size:]):
            X = self.X.copy()
            X[:, columns] = self.X[end][:, columns].mean(axis=0)
            injury.append(self.injury(X, self.offset))
            value.append(float(read_layers(layers, [shown], self.xy[end]).mean()))
        return {
            "name": covariate.name,
            "shown": shown,
            "around_m": covariate.around_m,
            "here": value[0],
            "there": value[1],
            **self.told(*injury),
        }

    def varieties(self) -> dict[str, Any]:
        """Take the worst hurt variety and the least hurt one, on the same ground; nothing of fewer than two."""
        variety = self.design.variety_of_block[self.observed.block]
        seen = np.unique(variety[variety >= 0])
        drawn = {}
        for k in seen:
            X = self.X.copy()
            X[:, 2 : self.design.first_terrain] = 0.0
            X[:, 2 + k] = 1.0
            draws = self.injury(X, self.design.offset_of_block[self.design.variety_of_block == k][0])
            low, high = np.quantile(draws, QUANTILES)
            if high - low <= self.max_width:
                drawn[self.design.varieties[k]] = draws
        if len(drawn) < 2:
            return {}
        worst = max(drawn, key=lambda name: float(drawn[name].mean()))
        least = min(drawn, key=lambda name: float(drawn[name].mean()))
        return {"of": "variety", "name": worst, "other": least, **self.told(drawn[worst], drawn[least])}

    def part(self) -> dict[str, Any]:
        """Nodes beyond those that pruning keeps, and those; nothing where one of them was not read."""
        if len(np.unique(self.observed.apical)) < 2:
            return {}
        X = self.X.copy()
        X[:, 1] = 1.0
        return {"of": "part", **self.told(self.injury(X, self.offset), self.injury(self.X, self.offset))}


def effect_sentences(model: dict[str, Any], settings: Settings) -> list[Sentence]:
    """Say what injury follows, as far as the data show it, and that they do not where they do not.

    Parameters
    ----------
    model : dict
        ``effects``, as `effects` gives them, and ``relief_m``, as `vinemap.surface.diagnostics.describe` does.
    settings : Settings
        Units.
    """
    told = [one for one in model["effects"] if one["told"]]
    terrain = [_terrain(one, settings) for one in told if one["of"] == "terrain"]
    if not terrain and model["relief_m"] is not None:
        terrain = [_nothing(model, settings)]
    return [*terrain, *(_other(one) for one in told if one["of"] != "terrain")]


def _nothing(model: dict[str, Any], settings: Settings) -> Sentence:
    """Say why no effect of the terrain is told."""
    if model["level"]:
        per_metre, unit = length_unit(settings.units)
        return Sentence("page.effect.level", relief=Figure(model["relief_m"] * per_metre, 2, unit))
    return Sentence("page.effect.none")


def _terrain(one: dict[str, Any], settings: Settings) -> Sentence:
    per_metre, unit = length_unit(settings.units)
    ends = Sentence(
        f"page.covariate.{one['name']}",
        distance=Figure(one["around_m"] * per_metre, 0, unit),
        here=_measured(one["shown"], one["here"], settings),
        there=_measured(one["shown"], one["there"], settings),
    )
    return Sentence("page.effect.terrain", ends=ends, **_shares(one))


def _measured(layer: str, value: float, settings: Settings) -> Figure:
    """Return a terrain statistic in the unit that its layer's name ends in; what has none is a share of fall."""
    if layer.endswith("_m"):
        per_metre, unit = length_unit(settings.units)
        return Figure(value * per_metre, 1, unit)
    return Figure(value, 1, "°") if layer.endswith("_deg") else Figure(100 * value, 0, "%")


def _other(one: dict[str, Any]) -> Sentence:
    names = {"name": one["name"], "other": one["other"]} if one["of"] == "variety" else {}
    return Sentence(f"page.effect.{one['of']}", **names, **_shares(one))


def _shares(one: dict[str, Any]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for stem in ("", "other_"):
        values[f"{stem}pct"] = Figure(one[f"{stem}pct"], 0, "%")
        low, high = Figure(one[f"{stem}low_pct"]), Figure(one[f"{stem}high_pct"], 0, "%")
        values[f"{stem}range"] = Sentence("page.range", low=low, high=high)
    return values
