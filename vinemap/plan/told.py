"""What a plan is, in plain sentences, and lengths and areas in the keeper's units."""

from __future__ import annotations

import math

from vinemap.plan.plan import Plan
from vinemap.settings import Settings
from vinemap.units import HECTARES_PER_ACRE, METRES_PER_FOOT, METRES_PER_MILE

_MOST_STOPS = 200


def way(metres: float, settings: Settings) -> str:
    """Return a length on foot: kilometres, or miles."""
    miles = settings.units == "us"
    return f"{metres / (METRES_PER_MILE if miles else 1000):.1f} {'mi' if miles else 'km'}"


def height(metres: float, settings: Settings) -> str:
    """Return a height: metres, or feet."""
    feet = settings.units == "us"
    return f"{metres / (METRES_PER_FOOT if feet else 1):.0f} {'ft' if feet else 'm'}"


def area(hectares: float, settings: Settings) -> str:
    """Return an area: hectares, or acres."""
    acres = settings.units == "us"
    return f"{hectares / (HECTARES_PER_ACRE if acres else 1):.2f} {'acres' if acres else 'ha'}"


def sentences(plan: Plan) -> list[str]:
    """Say what was planned, and on what assumptions."""
    return [_what(plan), _walk(plan), *_assumptions(plan), *plan.warnings]


def _what(plan: Plan) -> str:
    points, options = plan.points, plan.options
    if plan.gain is None:
        low, high = plan.sizes["canes"].min(), plan.sizes["canes"].max()
        each = f"{low}" if low == high else f"{low} to {high}"
        return (
            f"{len(points)} canes from {points['block'].nunique()} blocks, {each} a block, {options.nodes_per_cane} "
            f"nodes on each: that gives each block's injury to within ±{plan.sizes['half_width_pct'].max():.0f} "
            f"points, {100 * options.confidence:g} times of 100."
        )
    now, after = (area(value, plan.settings) for value in (plan.gain.misjudged_ha, plan.gain.after_ha))
    threshold = f"{100 * plan.settings.surface.threshold:.0f} %"
    return (
        f"The first survey leaves about {now} on the wrong side of {threshold} injury; "
        f"{len(points)} more canes, {options.nodes_per_cane} nodes on each, should leave {after}."
    )


def _walk(plan: Plan) -> str:
    walk, settings = plan.walk, plan.settings
    climb = "" if math.isnan(walk.climb_m) else f" with {height(walk.climb_m, settings)} of climb"
    around = "round the ends of the rows" if plan.options.fences else "straight across the rows"
    return (
        f"The round, {around}, is {way(walk.metres, settings)}{climb}, about {walk.minutes / 60:.1f} hours with "
        f"{plan.options.minutes_per_stop:g} minutes a stop."
    )


def _assumptions(plan: Plan) -> list[str]:
    source = "as the first survey shows" if plan.rho_from == "survey" else "an assumption until buds are cut"
    found = [
        f"Sizes count {100 * plan.options.share:.0f} % injury and a correlation of {plan.rho:.2f} between buds of one "
        f"cane, {source}."
    ]
    guessed = [
        name for name, direction in zip(plan.blocks["block"], plan.directions, strict=True) if not direction.given
    ]
    if guessed:
        found.append(f"Rows were taken to run along the longest side of {', '.join(guessed)}: no direction is given.")
    if plan.land is None:
        found.append("There is no elevation grid: points are spread over the ground alone, not over high and low.")
    if len(plan.points) > _MOST_STOPS:
        found.append(f"The walking order of {len(plan.points)} stops may be some percent longer than need be.")
    return found
