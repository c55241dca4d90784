"""What a plan is, in plain sentences, and lengths and areas in the keeper's units."""

from __future__ import annotations

import math

from vinemap.plan.options import PlanOptions
from vinemap.plan.plan import Plan
from vinemap.sentences import Figure
from vinemap.settings import Settings
from vinemap.units import METRES_PER_FOOT, METRES_PER_MILE, area_unit

_MOST_STOPS = 200


def way(metres: float, settings: Settings) -> Figure:
    """Return a length on foot: kilometres, or miles."""
    miles = settings.units == "us"
    return Figure(metres / (METRES_PER_MILE if miles else 1000), 1, "mi" if miles else "km")


def height(metres: float, settings: Settings) -> Figure:
    """Return a height: metres, or feet."""
    feet = settings.units == "us"
    return Figure(metres / (METRES_PER_FOOT if feet else 1), 0, "ft" if feet else "m")


def area(hectares: float, settings: Settings) -> Figure:
    """Return an area: hectares, or acres."""
    per_hectare, unit = area_unit(settings.units)
    return Figure(hectares * per_hectare, 2, unit)


def legs_of(plan: Plan) -> str:
    """Return the legs that cross rows, by the stops between which they lie; a round's own start has no number."""
    return ", ".join(f"{here or '○'}–{there or '○'}" for here, there in plan.walk.crossing)


def sentences(plan: Plan) -> list[str]:
    """Say what was planned, and on what assumptions."""
    return [_what(plan), *_unheeded(plan), _walk(plan), *_crossing(plan), *_assumptions(plan), *plan.warnings]


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
    now, after = (area(value, plan.settings) for value in (plan.gain.misclassified_ha, plan.gain.after_ha))
    threshold = f"{100 * plan.settings.surface.threshold:.0f} %"
    return (
        f"The first survey leaves about {now} on the wrong side of {threshold} injury; "
        f"{len(points)} more canes, {options.nodes_per_cane} nodes on each, should leave {after}."
    )


def _unheeded(plan: Plan) -> list[str]:
    """Say which of the keeper's choices had no bearing on this plan, or could not be met."""
    wanted, canes = plan.options.points, len(plan.points)
    if plan.gain is None:
        if wanted is None:
            return []
        return [f"The {wanted} points asked for were not heeded: in a first round the precision decides how many."]
    found = []
    if plan.options.half_width != PlanOptions.half_width:
        found.append(
            f"The precision of ±{100 * plan.options.half_width:g} points was not heeded: it sizes a first round, and "
            "this is a second one."
        )
    if wanted is not None and canes < wanted:
        found.append(f"Of the {wanted} points asked for only {canes} found room: the ground holds no more places.")
    return found


def _crossing(plan: Plan) -> list[str]:
    """Say where the line that is drawn leads through rows."""
    count = len(plan.walk.crossing)
    if not count:
        return []
    return [
        f"{count} of the walk's legs from row end to row end cut across rows of a block, so the way round them is "
        f"longer than counted: stops {legs_of(plan)}."
    ]


def _walk(plan: Plan) -> str:
    walk, settings = plan.walk, plan.settings
    climb = "" if math.isnan(walk.climb_m) else f" with {height(walk.climb_m, settings)} of climb"
    around = "out at the ends of the rows" if plan.options.fences else "straight across the rows"
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
