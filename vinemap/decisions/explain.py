"""The chain from counts to action of one block, in sentences that a person can follow with a pencil."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from vinemap.columns import BLOCKS_CSV, ZONES_CSV
from vinemap.decisions.actions import NODES_TWICE, action_sentences, chosen_rule
from vinemap.decisions.aftercare import care_sentences, care_sources
from vinemap.decisions.by_zone import by_zone_sentences
from vinemap.decisions.checks import wood_sentences
from vinemap.decisions.evidence import cut_sentence, differs_sentence
from vinemap.rules import PruningRule, Rules, Step
from vinemap.sentences import Figure, Listed, Sentence, ruled
from vinemap.settings import Settings
from vinemap.states import Action, Grade, Origin, Pruning, Tissue, WoodState
from vinemap.surface.effects import effect_sentences
from vinemap.units import KILOGRAMS_PER_POUND, METRES_PER_FOOT
from vinemap.varieties import Kin

_BY_RULE = (Grade.BY_NUMBER, Grade.BY_LENGTH)


def explain_block(
    block: pd.Series[Any],
    settings: Settings,
    zones: pd.DataFrame | None = None,
    model: dict[str, Any] | None = None,
) -> list[Sentence]:
    """Say how a block's action follows from what was cut.

    Parameters
    ----------
    block : Series
        A row of blocks.csv with every column of `vinemap.survival.tables.block_table`, the surface,
        `vinemap.survival.wood.wood_table` and `vinemap.decisions.actions.decide`; what is missing is not said.
    settings : Settings
        Of the run.
    zones : DataFrame, optional
        The block's rows of zones.csv: needed where it is worked by zone, for each zone then has sums of its own.
    model : dict, optional
        ``model`` of run.json, for what injury follows over the vineyard.

    Returns
    -------
    list of Sentence
        Counts, their interval, the map's average, what injury follows, the wood; what decides: the rule's step with its
        source, the target and the nodes, or the figure that takes the rule's place; the crop, the action, cautions.
        Every figure is printed as the tables have it.

    Raises
    ------
    ValueError
        When the zones of a block that is worked by zone are not given.

    Examples
    --------
    >>> from vinemap.decisions.explain import explain_block
    >>> run = vinemap.make_map("demo_blocks")
    >>> print(explain_block(run.block("Larkrise"), run.vineyard.site.settings, run.zones)[0])
    Cut: ... primary buds of 10 samples, ... Dead: ...
    """
    row = printed_row(block)
    caution = ruled(f"pruning.{settings.actions.rule}.caution", chosen_rule(settings).caution)
    if row["action"] != Action.BY_ZONE:
        decided, so = _decided(row, settings), action_sentences(row, settings.actions.rules)
    elif zones is None:
        raise ValueError(f"block {row['block']} is worked by zone: its sums need its zones")
    else:
        decided, so = _zones(row, zones, settings), by_zone_sentences(zones)
    actions = {row["action"]} if zones is None else {row["action"], *zones["action"]}
    care = care_sentences(row, actions, settings.actions.rules)
    if zones is not None:
        # The usual number is the block's, and so are both counts of pruning twice, in whichever zone it is done.
        row |= {name: zones[name].max() for name in NODES_TWICE}
    return [
        *_counts(row, settings),
        *_map(row),
        *filter(None, [differs_sentence(row)]),
        *_net(row),
        *(Sentence("explain.follows", effect=one) for one in (effect_sentences(model, settings) if model else [])),
        *wood_found(row, settings.actions.rules),
        *decided,
        *_crop(row, settings),
        *care_sources(row, actions, settings.actions.rules),
        Sentence("explain.so", action=Listed([*so, *care], between=" ", most=None)),
        Sentence("explain.mind", caution=caution),
        Sentence("explain.advice"),
    ]


def _decided(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    """Say what decides over a block, or over one of its zones."""
    yield from _numbers(row, settings) if row["grade"] in _BY_RULE else by_grade(row, settings)


def _zones(row: dict[str, Any], zones: pd.DataFrame, settings: Settings) -> Iterator[Sentence]:
    """Say of each zone what the map has for it and what follows, as for a block of its own."""
    yield Sentence("explain.zones")
    yield from _target(row, settings)
    for zone in zones.to_dict("records"):
        here = printed_row(pd.Series(zone))
        figures = {"map_injury_pct": here["injury_pct"], "map_no_live_bud_pct": here.get("no_live_bud_pct")}
        ends = {f"map_{end}_pct": here[f"injury_{end}_pct"] for end in ("low", "high")}
        here = row | here | figures | ends
        if has_all(here, "map_injury_pct"):
            share = Figure(here["map_injury_pct"], 1)
            values = {"share": share, "interval": ends_of(here, "map"), "cut": cut_sentence(zone)}
            yield Sentence("explain.zone", zone=here["zone"], **values)
        if here["grade"] in _BY_RULE:
            yield from _step(here, settings)
            yield from _nodes(here)
        else:
            yield from by_grade(here, settings)


def _numbers(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    """Say what follows from the map's figure by the pruning rule."""
    yield from _step(row, settings)
    yield from _target(row, settings)
    yield from _nodes(row)


def by_grade(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    """Say what decided in the place of the pruning rule, or of what grew."""
    limits, grade = settings.actions.rules.wood, row["grade"]
    points = Figure(100 * settings.surface.max_width)
    if grade == Grade.TOO_FEW:
        yield Sentence("explain.decides.too_few", points=points)
    elif grade == Grade.TOO_WIDE:
        yield Sentence("explain.decides.too_wide", points=points)
    elif grade == Grade.UNKNOWN:
        yield Sentence("explain.decides.unknown")
    else:
        key, name, limit = {
            Grade.NO_LIVE_BUD: ("no_live_bud", "no_live_bud_pct", limits.no_live_bud_over_pct),
            Grade.MOST_PRIMARIES: ("most_primaries", "map_injury_pct", limits.primary_over_pct),
            Grade.TRUNKS_DEAD: ("trunks_dead", "trunk_dead_low_pct", limits.dead_low_over_pct),
            Grade.MOST_TRUNKS_HURT: ("trunks_hurt", "trunk_hurt_pct", limits.hurt_most_over_pct),
        }.get(grade, ("trunks_hurt", "trunk_hurt_pct", limits.hurt_over_pct))
        if grade == Grade.NO_LIVE_BUD and has_all(row, "map_no_live_bud_pct"):
            name = "map_no_live_bud_pct"
        yield Sentence(
            f"explain.decides.{key}",
            share=Figure(row[name], 1),
            limit=Figure(limit, None),
            source=ruled("wood.source", limits.source),
        )


def printed_row(row: pd.Series[Any]) -> dict[str, Any]:
    """Return a row of blocks.csv or zones.csv with its figures as they are printed."""
    return {str(name): _printed(str(name), value) for name, value in row.items()}


def _printed(name: str, value: Any) -> Any:
    """Return a figure as blocks.csv has it."""
    column = BLOCKS_CSV.find(name) or ZONES_CSV.find(name)
    if column is None or column.decimals is None or pd.isna(value):
        return value
    return float(np.round(value, column.decimals))


def has_all(row: dict[str, Any], *names: str) -> bool:
    """Whether a row has every one of these figures."""
    return all(pd.notna(row.get(name)) for name in names)


def _counts(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    if not row.get("samples"):
        yield Sentence("explain.no_cut", block=row["block"])
        return
    yield Sentence(
        "explain.cut.unread" if row.get("unread") else "explain.cut",
        unread=row.get("unread"),
        samples=row["samples"],
        **_share(row, "primary_dead", "nodes", "injury"),
    )
    if has_all(row, "basal_nodes", "basal_pct"):
        yield Sentence(
            f"explain.basal.{row['pruning']}",
            kept=settings.survival.kept_nodes[Pruning(row["pruning"])],
            **_share(row, "basal_dead", "basal_nodes", "basal"),
        )
    if has_all(row, "no_live_bud_pct"):
        yield Sentence("explain.no_live_bud", **_share(row, "no_live_bud_dead", "no_live_bud_nodes", "no_live_bud"))


def _share(row: dict[str, Any], dead: str, read: str, stem: str) -> dict[str, Any]:
    """Return a count, its share and its interval as values for a sentence."""
    return {
        "dead": row[dead],
        "nodes": row[read],
        "share": Figure(row[f"{stem}_pct"], 1),
        "interval": ends_of(row, stem),
    }


def ends_of(row: dict[str, Any], stem: str) -> Sentence | str:
    """Return the ends of an interval in brackets; nothing where they are not known."""
    low, high = f"{stem}_low_pct", f"{stem}_high_pct"
    if not has_all(row, low, high):
        return ""
    return Sentence("explain.interval", low=Figure(row[low], 1), high=Figure(row[high], 1))


def _map(row: dict[str, Any]) -> Iterator[Sentence]:
    if has_all(row, "map_injury_pct"):
        key = "explain.map.decides" if row["grade"] in _BY_RULE else "explain.map"
        yield Sentence(key, share=Figure(row["map_injury_pct"], 1), interval=ends_of(row, "map"))


def _net(row: dict[str, Any]) -> Iterator[Sentence]:
    """Say what of the map's figure the freeze itself did."""
    if not has_all(row, "map_injury_pct"):
        return
    if not has_all(row, "dead_before_pct"):
        yield Sentence("explain.net.unknown")
        return
    dead, before = Figure(row["map_injury_pct"], 1), Figure(row["dead_before_pct"], 1)
    known = f"explain.before.{row['dead_before_from']}"
    yield Sentence(known, share=before, interval=ends_of(row, "dead_before"))
    if not has_all(row, "net_injury_pct"):
        return
    if row["map_injury_pct"] < row["dead_before_pct"]:
        yield Sentence("explain.net.none", dead=dead, before=before)
    else:
        net = Figure(row["net_injury_pct"], 1)
        yield Sentence("explain.net", dead=dead, before=before, net=net, interval=ends_of(row, "net"))


def _step(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    if not has_all(row, "map_injury_pct"):
        return
    rule, name = chosen_rule(settings), f"pruning.{settings.actions.rule}"
    number = int(rule.step_of(row["map_injury_pct"]))
    yield Sentence(
        "explain.rule",
        label=ruled(f"{name}.label", rule.label),
        source=ruled(f"{name}.source", rule.source),
        span=_span(rule, number),
        step=_what(rule.steps[number]),
    )


def _span(rule: PruningRule, number: int) -> Sentence:
    end = rule.steps[number].end
    start = rule.steps[number - 1].end if number else None
    if start is None:
        return Sentence("explain.span.any") if end is None else Sentence("explain.span.up_to", end=Figure(end, None))
    if end is None:
        return Sentence("explain.span.over", start=Figure(start, None))
    return Sentence("explain.span.between", start=Figure(start, None), end=Figure(end, None))


def _what(step: Step) -> Sentence:
    if isinstance(step.add, str):
        return Sentence(f"explain.step.{step.add}")
    return Sentence("explain.step.add", add=Figure(step.add, None)) if step.add else Sentence("explain.step.none")


def _target(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    rules, nodes = settings.actions.rules, Figure(row["target_nodes"]) if has_all(row, "target_nodes") else None
    if row.get("target_from") == Origin.GIVEN:
        yield Sentence("explain.target.given", nodes=nodes)
    elif row.get("target_from") == Origin.PRUNING_WEIGHT:
        kin = _kin(row, settings)
        budget = rules.balanced.of(kin.group)
        if budget is None:
            return
        yield Sentence(
            "explain.target.pruning_weight",
            group=Sentence(f"explain.group.{kin.group}"),
            nodes=nodes,
            first=Figure(budget.first, None),
            further=Figure(budget.further, None),
            pounds=Figure(row["pruning_weight_kg"] / KILOGRAMS_PER_POUND, 2),
            source=ruled("balanced.source", rules.balanced.source),
        )
    elif row.get("target_from") == Origin.SPACING:
        yield Sentence(
            "explain.target.spacing",
            nodes=nodes,
            low=Figure(rules.nodes_per_foot.low, None),
            high=Figure(rules.nodes_per_foot.high, None),
            feet=Figure(row["vine_spacing_m"] / METRES_PER_FOOT, 1),
            source=ruled("nodes_per_foot.source", rules.nodes_per_foot.source),
        )
    else:
        yield Sentence("explain.target.unknown")


def _nodes(row: dict[str, Any]) -> Iterator[Sentence]:
    if row["grade"] != Grade.BY_NUMBER or not has_all(row, "nodes_to_keep"):
        return
    target, extra, keep = Figure(row["target_nodes"]), Figure(row["extra_pct"], 1), Figure(row["nodes_to_keep"])
    sums = [Sentence("explain.nodes.sum", target=target, extra=extra, keep=keep)]
    for end in ("low", "high"):
        nodes = row[f"nodes_to_keep_{end}"]
        if pd.isna(nodes):
            sums.append(Sentence(f"explain.nodes.none_at_{end}"))
        elif nodes != row["nodes_to_keep"]:
            sums.append(Sentence(f"explain.nodes.at_{end}", nodes=Figure(nodes)))
    yield Sentence("explain.nodes", sums=Listed(sums))


def _crop(row: dict[str, Any], settings: Settings) -> Iterator[Sentence]:
    if not has_all(row, "crop_before_pct"):
        return
    injury = Figure(row["map_injury_pct"] / 100, 3)
    second = Sentence("explain.crop.unread")
    if has_all(row, "secondary_pct"):
        sentence, share = secondary_sentence(row, settings)
        alive = Figure(1 - row["secondary_pct"] / 100, 3)
        second = Sentence("explain.crop.secondaries", injury=injury, alive=alive, share=Figure(share, None))
        yield sentence
    after: Sentence | str = ""
    if has_all(row, "crop_after_pct"):
        names = {"after": "crop_after_pct", "low": "crop_after_low_pct", "high": "crop_after_high_pct"}
        after = Sentence("explain.crop.after", **{place: Figure(row[name], 1) for place, name in names.items()})
    before, interval = Figure(row["crop_before_pct"], 1), ends_of(row, "crop_before")
    yield Sentence("explain.crop", injury=injury, second=second, before=before, interval=interval, after=after)
    if has_all(row, "crop_before_t"):
        tonnes = Figure(row["crop_before_t"], 1)
        if has_all(row, "crop_after_t"):
            yield Sentence("explain.tonnes.after", before=tonnes, after=Figure(row["crop_after_t"], 1))
        else:
            yield Sentence("explain.tonnes", before=tonnes)


def secondary_sentence(row: dict[str, Any], settings: Settings) -> tuple[Sentence, float]:
    """Say what a secondary's crop is taken to be, with its source; return the share too."""
    kin = _kin(row, settings)
    name, share = settings.actions.rules.secondary_share(kin)
    sentence = Sentence(
        "explain.secondaries",
        of=_named(kin, name),
        share=Figure(share.share, None),
        low=Figure(share.low, None),
        high=Figure(share.high, None),
        source=ruled(f"{name}.source", share.source),
    )
    return sentence, share.share


def _kin(row: dict[str, Any], settings: Settings) -> Kin:
    """Return what the block's variety is known to be."""
    return settings.actions.rules.varieties.kinds(pd.DataFrame([row]))[0]


def _named(kin: Kin, table: str) -> Sentence | str:
    """Return what a share is for: the variety itself, else its species group, else that neither is known."""
    if kin.variety is not None and table.startswith("varieties."):
        return kin.variety
    return Sentence(f"explain.group.{kin.group or 'unknown'}")


def wood_found(row: dict[str, Any], rules: Rules) -> Iterator[Sentence]:
    """Say what the checks of the wood found."""
    found = [f"{tissue}_{state}" for tissue in reversed(Tissue) for state in WoodState]
    checked = [stem for stem in found if row.get(f"{stem}_read")]
    for stem in checked:
        yield Sentence(
            f"explain.wood.{stem}",
            vines=Figure(row[f"{stem}_vines"]),
            read=Figure(row[f"{stem}_read"]),
            interval=ends_of(row, stem),
        )
    if row.get("trunk_phloem_vines"):
        yield Sentence("explain.wood.phloem_alone")
    if has_all(row, "trunk_browned_pct"):
        yield Sentence("explain.wood.browned", share=Figure(row["trunk_browned_pct"], 1))
    yield from wood_sentences(row, rules)
    if not checked and row["action"] != Action.NO_DATA:
        yield Sentence("explain.wood.none")
