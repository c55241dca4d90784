"""Outcomes of a simulated region, as its vineyards' maps would leave them, without a map being made."""

from __future__ import annotations

from typing import Any

import numpy as np

from vinemap.region.members import Member, Region
from vinemap.region.task import Outcome
from vinemap.settings import RegionSettings
from vinemap.states import Mapped

VARIETIES = (("Riesling", "vinifera"), ("Chardonnay", "vinifera"), ("Marquette", "new_hybrid"), ("Concord", "american"))
DISTRICTS = ("Lakeside", "North ridge", "South bench", "Valley floor")

_PURPLE = {
    "en": "buds.csv:3: primary: 'purple' is none of the states; correct it",
    "es": "buds.csv:3: primary: «purple» no es ningún estado; corríjalo",
}


def vineyard(parts: list[tuple[str, str, float, float]], **more: Any) -> Outcome:
    """The outcome of a vineyard of (variety, group, hectares, percent of primaries dead)."""
    rows = [
        {
            "variety": variety,
            "group": group,
            "samples": 8,
            "canes": 16,
            "buds": 160,
            "area_ha": area,
            "injury_pct": dead,
            "net_pct": dead,
            "net_ha": area,
            "loss_pct": 0.8 * dead,
            "loss_low_pct": 0.6 * dead,
            "loss_high_pct": dead,
            "loss_ha": area,
        }
        for variety, group, area, dead in parts
    ]
    area = sum(part[2] for part in parts)
    dead = sum(part[2] * part[3] for part in parts) / area
    whole = {**rows[0], "canes": 16 * len(rows), "area_ha": area, "injury_pct": dead, "loss_pct": 0.8 * dead}
    figures = {
        "name": "x",
        "days": ["2026-01-12", "2026-01-20"],
        "freeze": "2026-01-08",
        "whole": whole,
        "varieties": rows,
        "heights": [{"from_m": low, "area_ha": area / 2, "injury_pct": dead} for low in (0.0, 3.0)],
        "warnings": [{"en": "No elevation.", "es": "Sin elevación."}],
        "widest": {"block": "Upper", "narrower_points": 3.2, "area_ha": 2.0},
    }
    return Outcome(Mapped.MAPPED, (), figures | more)


def region(count: int, seed: int = 0, **settings: Any) -> tuple[Region, dict[str, Outcome]]:
    """A region of so many vineyards, some of one grower, one in twelve of which could not be mapped."""
    rng = np.random.default_rng(seed)
    members: list[Member] = []
    outcomes: dict[str, Outcome] = {}
    for number in range(count):
        name = f"plot{number}"
        grower = f"Grower {number if rng.random() < 0.8 else 0}"
        members.append(Member(name, str(rng.choice(DISTRICTS)), grower, float(rng.choice([1.0, 2.0]))))
        planted = [VARIETIES[k] for k in rng.choice(len(VARIETIES), rng.integers(1, 4), replace=False)]
        parts = [(*kind, float(rng.lognormal(0.5, 0.6)), float(100 * rng.beta(2, 3))) for kind in planted]
        wrong = Outcome(Mapped.WRONG, (_PURPLE,))
        outcomes[name] = wrong if number % 12 == 11 else vineyard(parts)
    return Region("Quillfoot county", members, RegionSettings(**settings), None, []), outcomes
