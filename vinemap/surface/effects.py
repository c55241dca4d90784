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
from vinemap.surface.design import Design, Known
from vinemap.surface.draws import QUANTILES, JointDraws
from vinemap.surface.observations import Observations
from vinemap.terrain.grid import read_layers
from vinemap.units import length_unit, temperature

_PLACES = 2000
_END_SHARE = 1 / 20
# As few as a map is made from.
_BEHIND = 3


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

        After terrain comes other evidence (evidence), with ``name``, ``label``, ``unit``, ``decimals`` and ``said``
        of its `vinemap.evidence.covariate.Evidence`, ``probability`` as of terrain, and ``here`` and ``there``; it is
        told only where three samples or more lie nearer to either end than to the other.

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
        yield from self.evidence()
        yield self.varieties()
        yield self.part()

    def injury(self, X: Array, offset: Array | float) -> Array:
        """Mean injury over the ground in each draw, shape (draws,)."""
        return np.asarray(self.joint.draws.at(self.xy, X, offset).mean(axis=0))

    def told(self, one: Array, other: Array, *, behind: bool = True) -> dict[str, Any]:
        """Say whether two ends differ, and by draws (n,) of each what they are, where the data show it.

        ``behind`` says whether data stand behind the difference at all.
        """
        intervals = np.quantile([one, other], QUANTILES, axis=1).T
        low, high = np.quantile(one - other, QUANTILES)
        told = bool(behind and (low > 0 or high < 0) and (np.ptp(intervals, axis=1) <= self.max_width).all())
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
        names = [covariate.family or covariate.name for covariate in self.design.covariates]
        found = [
            {"of": "terrain", **family, **self.ends(lead - first, members)}
            for family, lead, members in self.families(first, names)
        ]
        return sorted(found, key=lambda one: (not one["told"], -one["probability"]))

    def families(self, first: int, names: list[str]) -> Iterator[tuple[dict[str, Any], int, list[int]]]:
        """Yield each family of some columns by the names of theirs, its most probable column, and all of them."""
        weights, used = self.field.model_weights_, self.field.models_
        members: dict[str, list[int]] = {}
        for column, name in enumerate(names, start=first):
            members.setdefault(name, []).append(column)
        for name, columns in members.items():
            probability = float(weights @ used[:, columns].any(axis=1))
            lead = columns[int(np.argmax(weights @ used[:, columns]))]
            yield {"family": name, "probability": probability}, lead, columns

    def at_ends(self, lead: int, step: float) -> tuple[Array, Array]:
        """Return the ground, by number, at either end of a column; the first is the one that the step leads to.

        That is the lowest, the steepest, the most northern.
        """
        order = np.argsort(-np.sign(step) * self.X[:, lead], kind="stable")
        size = max(1, round(_END_SHARE * len(order)))
        return order[:size], order[-size:]

    def moved(self, columns: list[int], values: Array, by: Array | float = 0.0, slopes: Array | float = 0.0) -> Array:
        """Mean injury (draws,) with columns at the same values everywhere.

        Where a draw sees what one of them was made from, its log-odds move with it: by so much a place, times a slope.
        """
        X = self.X.copy()
        X[:, columns] = values
        return self.injury(X, self.offset if np.ndim(slopes) == 0 else self.offset[:, None] + np.outer(by, slopes))

    def ends(self, lead: int, columns: list[int]) -> dict[str, Any]:
        """One family between the ground where its leading statistic is at one end, and at the other."""
        covariate, layers = self.design.covariates[lead], cast("xr.Dataset", self.design.terrain)
        shown = covariate.shown or covariate.name
        ends = self.at_ends(self.design.first_terrain + lead, covariate.step)
        here, there = (float(read_layers(layers, [shown], self.xy[end]).mean()) for end in ends)
        return {
            "name": covariate.name,
            "shown": shown,
            "around_m": covariate.around_m,
            "here": here,
            "there": there,
            **self.told(*(self.moved(columns, self.X[end][:, columns].mean(axis=0)) for end in ends)),
        }

    def evidence(self) -> list[dict[str, Any]]:
        """Either end of what else is known, the most probable first."""
        first = self.design.first_known
        names = [one.evidence.family or one.evidence.name for one in self.design.known]
        found = [
            {"of": "evidence", **family, **self.known_ends(self.design.known[lead - first], lead, columns)}
            for family, lead, columns in self.families(first, names)
        ]
        return sorted(found, key=lambda one: (not one["told"], -one["probability"]))

    def known_ends(self, known: Known, lead: int, columns: list[int]) -> dict[str, Any]:
        """Evidence between the figures at its ends, told where samples stand near both."""
        evidence = known.evidence
        ends = self.at_ends(lead, evidence.step)
        values = [self.X[end][:, columns].mean(axis=0) for end in ends]
        if evidence.ends is not None:
            for value, figure in zip(values, evidence.ends, strict=True):
                value[columns.index(lead)] = known.standardised(figure)
        here, there = (float(value[columns.index(lead)]) for value in values)
        slopes = 0.0 if evidence.measured is None else known.scale * self.joint.draws.slopes
        injuries = (
            self.moved(columns, value, value[columns.index(lead)] - self.X[:, lead], slopes) for value in values
        )
        told = self.told(*injuries, behind=self.is_behind(known, here, there))
        return {
            **{name: getattr(evidence, name) for name in ("name", "label", "unit", "decimals", "said")},
            "here": known.centre + known.scale * here,
            "there": known.centre + known.scale * there,
            **told,
        }

    def is_behind(self, known: Known, here: float, there: float) -> bool:
        """Whether samples stand on both sides of the middle between two standardised ends."""
        values = known.evidence.read(self.observed.xy, self.observed.block)
        nearer = np.sign(known.standardised(values) - (here + there) / 2)
        return all(len(np.unique(self.observed.sample[nearer == side])) >= _BEHIND for side in (-1, 1))

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
        ``effects``, as `effects` gives them, and ``relief_m``, as `vinemap.surface.diagnostics.describe` does;
        ``borrowed``, how many vineyards have taught this one, where any has.
    settings : Settings
        Units.
    """
    told = [one for one in model["effects"] if one["told"]]
    terrain = [_terrain(one, settings) for one in told if one["of"] == "terrain"]
    if not terrain and model["relief_m"] is not None:
        terrain = [_nothing(model, settings, beside=any(one["of"] == "evidence" for one in told))]
    known = [_known(one, settings) for one in told if one["of"] == "evidence"]
    others = [_other(one) for one in told if one["of"] not in ("terrain", "evidence")]
    borrowed = [Sentence("page.effect.borrowed", vineyards=Figure(model["borrowed"]))] if "borrowed" in model else []
    return [*terrain, *known, *others, *borrowed]


def _nothing(model: dict[str, Any], settings: Settings, *, beside: bool) -> Sentence:
    """Say why no effect of the terrain is told: none is shown, or none beside what else is known."""
    if model["level"]:
        per_metre, unit = length_unit(settings.units)
        return Sentence("page.effect.level", relief=Figure(model["relief_m"] * per_metre, 2, unit))
    return Sentence("page.effect.beside" if beside else "page.effect.none")


def _terrain(one: dict[str, Any], settings: Settings) -> Sentence:
    per_metre, unit = length_unit(settings.units)
    ends = Sentence(
        f"page.covariate.{one['name']}",
        distance=Figure(one["around_m"] * per_metre, 0, unit),
        here=_measured(one["shown"], one["here"], settings),
        there=_measured(one["shown"], one["there"], settings),
    )
    return Sentence("page.effect.terrain", ends=ends, **_shares(one))


def _known(one: dict[str, Any], settings: Settings) -> Sentence:
    measured = [(one[end], one["unit"]) for end in ("here", "there")]
    if one["unit"] == "°C":
        measured = [temperature(value, settings.units) for value, _ in measured]
    here, there = (Figure(value, one["decimals"], unit) for value, unit in measured)
    ends = Sentence(one["said"], name=one["label"], here=here, there=there)
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
