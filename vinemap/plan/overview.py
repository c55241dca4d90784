"""What a plan is, in plain sentences, and lengths and areas in the keeper's units."""

from __future__ import annotations

import math

from vinemap.evidence.temperature import night_sentences
from vinemap.plan.options import PlanOptions
from vinemap.plan.plan import Plan
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.settings import Settings
from vinemap.units import METRES_PER_MILE, area_unit, length_unit

_MOST_STOPS = 200


def way(metres: float, settings: Settings) -> Figure:
    """Return a length on foot: kilometres, or miles."""
    miles = settings.units == "us"
    return Figure(metres / (METRES_PER_MILE if miles else 1000), 1, "mi" if miles else "km")


def height(metres: float, settings: Settings) -> Figure:
    """Return a height: metres, or feet."""
    per_metre, unit = length_unit(settings.units)
    return Figure(metres * per_metre, 0, unit)


def area(hectares: float, settings: Settings) -> Figure:
    """Return an area: hectares, or acres."""
    per_hectare, unit = area_unit(settings.units)
    return Figure(hectares * per_hectare, 2, unit)


def sentences(plan: Plan) -> list[Sentence]:
    """Say what was planned, and on what assumptions."""
    return [
        _what(plan),
        *expected(plan),
        *worth(plan),
        *_unheeded(plan),
        _walk(plan),
        *crossing(plan),
        *_assumptions(plan),
        *plan.warnings,
    ]


def _what(plan: Plan) -> Sentence:
    points, options = plan.points, plan.options
    if plan.gain is None:
        low, high = plan.sizes["canes"].min(), plan.sizes["canes"].max()
        return Sentence(
            "planned.first",
            canes=Sentence.counted("count.canes", len(points)),
            blocks=Sentence.counted("count.blocks", points["block"].nunique()),
            each=low if low == high else Sentence("planned.first.each", low=low, high=high),
            nodes=options.nodes_per_cane,
            width=Figure(plan.sizes["half_width_pct"].max()),
            confidence=Figure(100 * options.confidence, None),
        )
    now, after = (area(value, plan.settings) for value in (plan.gain.misclassified_ha, plan.gain.after_ha))
    threshold = Figure(100 * plan.settings.surface.threshold)
    return Sentence.counted(
        "planned.second", len(points), now=now, threshold=threshold, nodes=options.nodes_per_cane, after=after
    )


def expected(plan: Plan) -> list[Sentence]:
    """Say where to look first by the night's cold, of what that is made, and that it decides nothing."""
    if plan.outlook is None:
        return []
    ranked = plan.outlook.ranked().dropna(subset="expected_pct")
    first = Listed(
        Sentence(
            "planned.outlook.block",
            block=row["block"],
            pct=Figure(row["expected_pct"]),
            low=Figure(row["low_pct"]),
            high=Figure(row["high_pct"], 0, "%"),
        )
        for row in ranked.to_dict("records")
    )
    guessed = ranked.loc[~ranked["known_by"].isin(["variety", "group"]), "block"].tolist()
    return [
        *night_sentences(plan.outlook.night, plan.settings),
        Sentence("planned.outlook", blocks=first),
        *([Sentence("planned.outlook.published", blocks=Listed(guessed))] if guessed else []),
        Sentence("planned.outlook.forecast"),
    ]


def worth(plan: Plan) -> list[Sentence]:
    """Say how much ground the plan judges rightly, what more would be worth, and that both rest on the model."""
    found = plan.worth
    if found is None:
        return [Sentence("planned.worth.few")]
    threshold = Figure(100 * plan.settings.surface.threshold, 0, "%")
    said = [Sentence("planned.worth", right=Figure(100 * found.right, 0, "%"), threshold=threshold)]
    for one in found.gains:
        gain, low, high = (area(value, plan.settings) for value in (one.gain_ha, one.low_ha, one.high_ha))
        bounds = {"gain": gain, "low": low, "high": high}
        if one.of == "heights":
            said.append(Sentence("planned.worth.heights", **bounds))
        else:
            said.append(Sentence.counted(f"planned.worth.{one.of}", one.count, **bounds))
    return [*said, Sentence("planned.worth.surveyed" if found.surveyed else "planned.worth.before")]


def _unheeded(plan: Plan) -> list[Sentence]:
    """Say which of the keeper's choices had no bearing on this plan, or could not be met."""
    wanted, canes = plan.options.points, len(plan.points)
    if plan.gain is None:
        return [] if wanted is None else [Sentence("planned.unheeded.points", wanted=wanted)]
    found = []
    if plan.options.half_width != PlanOptions.half_width:
        found.append(Sentence("planned.unheeded.precision", width=Figure(100 * plan.options.half_width, None)))
    if wanted is not None and canes < wanted:
        found.append(Sentence("planned.unheeded.room", wanted=wanted, canes=canes))
    return found


def crossing(plan: Plan) -> list[Sentence]:
    """Say where the line that is drawn leads through rows, by the stops; a round's own start has no number."""
    legs = [f"{here or '○'}–{there or '○'}" for here, there in plan.walk.crossing]
    return [Sentence("plan.map.crossing", legs=Listed(legs, most=None))] if legs else []


def _walk(plan: Plan) -> Sentence:
    walk, settings = plan.walk, plan.settings
    climb = "" if math.isnan(walk.climb_m) else Sentence("plan.sum.climb", climb=height(walk.climb_m, settings))
    return Sentence(
        "planned.walk",
        around=Sentence("planned.walk.ends" if plan.options.fences else "planned.walk.straight"),
        way=way(walk.metres, settings),
        climb=climb,
        hours=Figure(walk.minutes / 60, 1),
        minutes=Figure(plan.options.minutes_per_stop, None),
    )


def rows_guessed(plan: Plan) -> list[Sentence]:
    """Name the blocks whose rows have no direction of the keeper's."""
    guessed = [
        name for name, direction in zip(plan.blocks["block"], plan.directions, strict=True) if not direction.given
    ]
    return [Sentence("plan.rows.guessed", blocks=Listed(guessed))] if guessed else []


def _assumptions(plan: Plan) -> list[Sentence]:
    found = [
        Sentence(
            f"planned.sizes.{plan.rho_from}{'.outlook' if plan.outlook else ''}",
            share=Figure(100 * plan.options.share),
            rho=Figure(plan.rho, 2),
        )
    ]
    found += rows_guessed(plan)
    if plan.terrain is None:
        found.append(Sentence("planned.no_elevation"))
    if len(plan.points) > _MOST_STOPS:
        found.append(Sentence("planned.order", stops=len(plan.points)))
    return found
