"""What the model found, and how well it predicts samples that it has not seen."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from vinemap.model.field import BinomialField
from vinemap.model.prediction import TAIL
from vinemap.model.scores import brier_score, held_out_means, score, spatial_folds
from vinemap.surface.design import Design
from vinemap.surface.observations import Observations

# A gain that rounds to nought per cent is none.
_BETTER = 0.995


def describe(field: BinomialField, design: Design, observed: Observations) -> dict[str, Any]:
    """Say what the model found: what it weighed, over what range places are alike, how much varies."""
    probability = field.model_weights_ @ field.models_[:, design.first_terrain :]
    names = [*(one.name for one in design.covariates), *(one.evidence.name for one in design.known)]
    length, field_sd, between_vine_sd = np.exp(field.theta_)
    half = np.exp(TAIL * field.theta_sd_[0])
    return {
        "samples": observed.samples,
        "covariates_weighed": {name: float(probability[k]) for k, name in enumerate(names)},
        "evidence": [
            *({"name": one.evidence.name, "label": one.evidence.label, "unknown": one.unknown} for one in design.known),
            *({"name": one.name, "label": one.label, "unknown": None} for one in design.silent),
        ],
        "relief_m": design.relief_m,
        "level": design.level,
        "range_m": float(2 * length),
        "range_low_m": float(2 * length / half),
        "range_high_m": float(2 * length * half),
        "field_sd": float(field_sd),
        "between_vine_sd": float(between_vine_sd),
    }


def cross_validate(field: BinomialField, observed: Observations) -> dict[str, Any]:
    """Score the surface and block means on samples held out singly and by patches; singly where all are one patch."""
    patches = spatial_folds(observed.xy, int(np.clip(observed.samples // 5, 2, 10)))
    schemes = {"leave_one_out": observed.sample, "blocked": patches if np.ptp(patches) else observed.sample}
    result: dict[str, Any] = {}
    for name, groups in schemes.items():
        held = field.predict_held_out(groups)
        surface = score(observed.dead, observed.read, held.logit_mean, held.logit_sd)
        means = held_out_means(observed.dead, observed.read, observed.block, groups)
        result[name] = {**asdict(surface), "block_means_brier": brier_score(observed.dead, observed.read, means)}
    single = result["leave_one_out"]
    result["better_than_block_means"] = bool(single["brier"] < _BETTER * single["block_means_brier"])
    return result
