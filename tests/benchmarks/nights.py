"""Regions of one simulated night: vineyards whose cold follows one rule, or each a rule of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, percentile_filter, zoom
from scipy.special import expit

from tests.benchmarks.simulate import (
    CELL,
    FAR_PAD,
    SIDE,
    Simulated,
    _blocks,
    _counts,
    _elevation,
    _noise,
    _relief,
    _samples,
)

VARIETIES = ("Riesling", "Chardonnay", "Marquette", "Concord", "Vidal blanc")
CANES = ((12, 20), (21, 59), (60, 60))
_VARIES = 0.4
_INNER = slice(FAR_PAD, -FAR_PAD)


@dataclass(frozen=True)
class Rule:
    """How a night's cold follows the ground, and what terrain does not explain.

    Attributes
    ----------
    ideas : list of (figure of the ground, log-odds per unit)
    field_sd, length_cells, vine_sd : float
    tender : array
        Log-odds of each of `VARIETIES`.
    """

    ideas: list[tuple[Callable[[np.ndarray], np.ndarray], float]]
    field_sd: float
    length_cells: float
    vine_sd: float
    tender: np.ndarray


def _height(reach_m: float) -> Callable[[np.ndarray], np.ndarray]:
    """Height above the lowest tenth of the ground within a disc."""
    reach = reach_m / CELL
    away = np.arange(-int(reach / 4), int(reach / 4) + 1)
    disc = np.hypot(*np.meshgrid(away, away)) <= reach / 4

    def figure(z: np.ndarray) -> np.ndarray:
        low = percentile_filter(z[::4, ::4], 10, footprint=disc, mode="nearest")
        low = zoom(low, 4, order=1, grid_mode=True, mode="nearest")
        return z - gaussian_filter(low, reach / 3, mode="nearest")

    return figure


def _idea(rng: np.random.Generator, kind: int) -> Callable[[np.ndarray], np.ndarray]:
    """Cold by height above low ground, by pools of a depth, on what stands out, or on slopes that face one way."""
    if kind < 2:
        height, depth = _height(np.exp(rng.uniform(np.log(60), np.log(600)))), rng.uniform(2, 8)
        return (lambda z: -height(z)) if kind == 0 else (lambda z: np.exp(-np.maximum(height(z), 0) / depth))
    if kind == 2:
        within = rng.uniform(100, 400) / CELL / 2
        return lambda z: z - gaussian_filter(z, within)
    turn = rng.uniform(0, 2 * np.pi)

    def facing(z: np.ndarray) -> np.ndarray:
        up, across = np.gradient(gaussian_filter(z, 4), CELL)
        return across * np.cos(turn) + up * np.sin(turn)

    return facing


def _rule(rng: np.random.Generator, grounds: list[np.ndarray]) -> Rule:
    """Draw one night: low ground and, every other night, something else beside it, 0.7 to 1.6 logits a usual sd."""
    kinds = [int(rng.integers(2)), *([int(rng.integers(2, 4))] if rng.random() < 0.5 else [])]
    ideas = []
    for kind in kinds:
        figure = _idea(rng, kind)
        usual = np.sqrt(np.mean([figure(z)[_INNER, _INNER].var() for z in grounds]))
        ideas.append((figure, rng.uniform(0.7, 1.6) / usual / np.sqrt(len(kinds))))
    parameters = rng.uniform(0.3, 0.7), rng.uniform(8, 30), rng.uniform(0.3, 0.9)
    return Rule(ideas, *parameters, rng.normal(0, 0.7, len(VARIETIES)))


def _varied(rule: Rule, rng: np.random.Generator) -> Rule:
    """What one vineyard makes of the region's rule: its effects vary by two fifths."""
    return Rule(
        [(figure, slope * (1 + _VARIES * rng.standard_normal())) for figure, slope in rule.ideas],
        rule.field_sd * np.exp(0.3 * rng.standard_normal()),
        rule.length_cells * np.exp(0.3 * rng.standard_normal()),
        rule.vine_sd * np.exp(0.2 * rng.standard_normal()),
        rule.tender + rng.normal(0, 0.25, len(VARIETIES)),
    )


def simulate_night(seed: int, vineyards: int = 30, *, common: bool = True) -> list[Simulated]:
    """Simulate a region's vineyards: a third of 12 to 20 canes, a third of 21 to 59, a third of 60.

    Parameters
    ----------
    seed : int
    vineyards : int
    common : bool
        Whether all follow one night's rule, each with effects of its own; else each has a rule of its own.
    """
    rng = np.random.default_rng([seed, vineyards, common])
    steps = (np.arange(SIDE + 2 * FAR_PAD) - FAR_PAD + 0.5) * CELL
    grounds = [_relief(rng, *np.meshgrid(steps, steps)) for _ in range(vineyards)]
    region = _rule(rng, grounds)
    found = []
    for number, z in enumerate(grounds):
        rule = _varied(region, rng) if common else _varied(_rule(rng, [z]), rng)
        cold = sum(slope * figure(z)[_INNER, _INNER] for figure, slope in rule.ideas)
        cold = cold - np.mean(cold) + rule.field_sd * _noise(rng, z.shape, rule.length_cells)[_INNER, _INNER]
        planted = rng.permutation(len(VARIETIES))[:2]
        east = (np.arange(SIDE) + 0.5) * CELL > SIDE * CELL / 2
        logit = rng.uniform(-1.5, 1.0) + cold + rule.tender[planted][east.astype(int)]
        fewest, most = CANES[number % len(CANES)]
        xy = rng.uniform(0, (SIDE - 1) * CELL, (int(rng.integers(fewest, most + 1)), 2))
        column, row = np.floor(xy / CELL).astype(int).T
        read = rng.integers(8, 16, len(xy))
        dead = rng.binomial(read, expit(logit[row, column] + rule.vine_sd * rng.standard_normal(len(xy))))
        blocks = _blocks()
        blocks["variety"] = [VARIETIES[planted[int(name == "east")]] for name in blocks["variety"]]
        found.append(Simulated(blocks, _samples(xy), _counts(read, dead), _elevation(z, steps), expit(logit)[::-1]))
    return found
