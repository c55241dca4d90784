"""Shoots counted after budbreak: how the map did, and the map again with what grew."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from vinemap.decisions.spring import SpringCheck, check_forecast, corrected, spring_findings
from vinemap.pipeline.fit_to_map import tallied
from vinemap.pipeline.map_run import MapRun, Progress, quiet
from vinemap.pipeline.mapping import before, ground_of, injury_of, mapped
from vinemap.reading.shoots import read_shoots
from vinemap.reading.vineyard import read_vineyard
from vinemap.sentences import Figure, Sentence
from vinemap.states import Bud
from vinemap.survival.growth import growth
from vinemap.survival.razor import razor_table
from vinemap.survival.tally import kept_nodes


def check_spring(folder: Path, counts: Path, progress: Progress = quiet) -> tuple[SpringCheck, MapRun]:
    """Hold shoots counted after budbreak against the map, and map again with them.

    Parameters
    ----------
    folder : Path
        Of the vineyard.
    counts : Path
        Table of shoots, as `vinemap.columns.SHOOTS` has it.
    progress : callable
        Called with words for what is being done.

    Returns
    -------
    check : SpringCheck
        How the map did.
    run : MapRun
        The map with what grew in the place of what the razor said of whole nodes.

    Raises
    ------
    InputError
        When the folder or the table cannot be used.
    """
    progress("reading")
    vineyard = read_vineyard(folder)
    shoots = read_shoots(counts, set(vineyard.samples["sample"]))  # a wrong table is told before the map is made
    earlier = before(vineyard)
    progress("survival")
    tallies = tallied(vineyard)
    progress("terrain")
    ground = ground_of(vineyard, earlier)
    forecast = injury_of(vineyard, tallies, ground, progress).grid
    grown = growth(shoots, vineyard.site.settings.actions.rules.spring.fewest_nodes)
    settings, samples = vineyard.site.settings, vineyard.samples
    confidence, kept = settings.survival.confidence, kept_nodes(samples, vineyard.site.blocks, settings)
    razor = razor_table(vineyard.nodes, vineyard.counts, kept, grown, confidence)
    check = check_forecast(grown, samples, forecast, confidence, razor)
    run = mapped(vineyard, corrected(tallies, grown), ground, progress, grown, earlier)
    return check, replace(run, report=run.report | {"spring": _spring_report(check, run)})


def _spring_report(check: SpringCheck, run: MapRun) -> dict[str, Any]:
    """Return what run.json and the page say of the shoots."""
    settings = run.vineyard.site.settings
    return {
        "samples": len(check.grown),
        "nodes": int(check.grown["nodes"].sum()),
        "blind": int(check.grown["blind"].sum()),
        "findings": [_rests(check, run), *spring_findings(check, settings)],
        "razor": [] if check.razor is None else check.razor.to_dict("records"),
        "razor_published_pct": settings.actions.rules.razor.agreement_pct,
    }


def _rests(check: SpringCheck, run: MapRun) -> Sentence:
    """Say what the map rests on, and what is not said any more."""
    if f"{Bud.NO_LIVE_BUD}_injury" not in run.surface:
        return Sentence("spring.unchanged")
    counted = check.grown[check.grown["nodes"] > 0]
    nodes = Figure(counted["nodes"].sum())
    samples = Sentence.counted("count.samples", len(counted))
    rest = len(run.vineyard.samples) - len(counted)
    if not rest:
        return Sentence("spring.rests.all", nodes=nodes, counted=samples)
    return Sentence("spring.rests", nodes=nodes, counted=samples, rest=Sentence.counted("count.samples", rest))
