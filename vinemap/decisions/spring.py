"""After budbreak: shoots and blind nodes against what the map predicted, and the map corrected by them."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from vinemap.arrays import Array
from vinemap.sentences import Figure, Listed, Sentence, ruled
from vinemap.settings import Settings
from vinemap.states import Bud, Verdict
from vinemap.survival.growth import growth_tallies
from vinemap.survival.intervals import wilson
from vinemap.terrain.sparse import read_nearest
from vinemap.units import temperature

EDGES = (0.0, 10.0, 20.0, 40.0, 60.0, 80.0, 100.0)
"""Of the classes of the calibration table, percent of blind nodes predicted."""


@dataclass(frozen=True)
class SpringCheck:
    """What spring said of the map.

    Attributes
    ----------
    grown : DataFrame
        Of `vinemap.survival.growth.growth`: everything that was counted.
    samples : DataFrame
        The columns of `vinemap.columns.SPRING_SAMPLES`.
    calibration : DataFrame
        The columns of `vinemap.columns.SPRING_CALIBRATION`; NaN where a class is empty.
    layer : Bud
        What was compared: 'no_live_bud', or 'primary' where nodes with no live bud cannot be counted.
    not_compared : dict of str to Sentence
        Samples that were counted but could not be compared, and why.
    razor : DataFrame or None
        Of `vinemap.survival.razor.razor_table`.
    """

    grown: pd.DataFrame
    samples: pd.DataFrame
    calibration: pd.DataFrame
    layer: Bud
    not_compared: dict[str, Sentence]
    razor: pd.DataFrame | None = None


def check_forecast(
    grown: pd.DataFrame,
    samples: gpd.GeoDataFrame,
    grid: xr.Dataset,
    confidence: float,
    razor: pd.DataFrame | None = None,
) -> SpringCheck:
    """Hold spring counts against the map.

    Parameters
    ----------
    grown : DataFrame
        Of `vinemap.survival.growth.growth`.
    samples : GeoDataFrame
        sample, block, geometry in the CRS of the grid.
    grid : Dataset (y, x)
        ``block_index`` as `vinemap.terrain.grid.block_grid` gives it; no_live_bud_injury, no_live_bud_low,
        no_live_bud_high, else the primary_* layers: fractions.
    confidence : float
        Of the intervals of what was counted.
    razor : DataFrame, optional
        Of `vinemap.survival.razor.razor_table`, to be told with the rest.

    Returns
    -------
    SpringCheck
        A sample is held against the nearest cell of its own block. Not compared are samples in no block, those with no
        place but a block, those with no node counted, and those of a block without a cell.

    Notes
    -----
    A node is blind when no bud grew. The map predicts nodes with no live bud; where only primaries were read it can
    but give a ceiling, for secondaries grow where primaries are dead. Some nodes stay blind on sound vines too, so a
    few more than predicted are no fault of the map. A sample differs from what was predicted when its interval and the
    map's do not meet.
    """
    layer = Bud.NO_LIVE_BUD if "no_live_bud_injury" in grid else Bud.PRIMARY
    table = grown.merge(pd.DataFrame(samples[["sample", "block"]]), on="sample")
    layers = [f"{layer}_{name}" for name in ("injury", "low", "high")]
    table[["predicted_pct", "predicted_low_pct", "predicted_high_pct"]] = 100 * _predicted(table, samples, grid, layers)
    reasons = {
        "outside": table["block"].isna(),
        "no_place": table["sample"].isin(samples.loc[samples.geometry.isna(), "sample"]),
        "no_node": table["nodes"] == 0,
        "no_cell": table["predicted_pct"].isna(),
    }
    why = np.select(list(reasons.values()), list(reasons), "")
    not_compared = {
        str(sample): Sentence(f"spring.left_out.{reason}")
        for sample, reason in zip(table["sample"], why, strict=True)
        if reason
    }
    table = table[why == ""].reset_index(drop=True)
    table = table.assign(**_shares(table, confidence))
    less = table["blind_high_pct"] < table["predicted_low_pct"]
    more = table["blind_low_pct"] > table["predicted_high_pct"]
    table["verdict"] = np.select([more, less], [Verdict.MORE, Verdict.LESS], Verdict.AGREES)
    order = ["sample", "block", "nodes", "shoots", "blind", "blind_pct", "blind_low_pct", "blind_high_pct"]
    table = table[[*order, "predicted_pct", "predicted_low_pct", "predicted_high_pct", "verdict"]]
    return SpringCheck(grown, table, _calibration(table, confidence), layer, not_compared, razor)


def _predicted(table: pd.DataFrame, samples: gpd.GeoDataFrame, grid: xr.Dataset, layers: list[str]) -> Array:
    """Read layers at the nearest cell of each sample's block, (rows, layers); NaN in no block and where it has none."""
    points = samples.set_index("sample").geometry.loc[table["sample"]]
    return read_nearest(grid, layers, np.column_stack([points.x, points.y]), table["block"].to_numpy(object))


def corrected(tallies: pd.DataFrame, grown: pd.DataFrame) -> pd.DataFrame:
    """Put what grew in the place of what the razor said of whole nodes; then map and cut zones again.

    Parameters
    ----------
    tallies : DataFrame
        Of `vinemap.survival.tally.tally`.
    grown : DataFrame
        Of `vinemap.survival.growth.growth`.

    Returns
    -------
    DataFrame
        ``tallies`` with blind nodes as the 'no_live_bud' rows of the samples that were counted, and shoots that froze.
    """
    whole = tallies["tissue"] == Bud.NO_LIVE_BUD
    kept = tallies[~(whole & tallies["sample"].isin(grown["sample"]))]
    return pd.concat([kept, growth_tallies(grown)], ignore_index=True)


def spring_findings(check: SpringCheck, settings: Settings = Settings()) -> list[Sentence]:
    """Say in plain sentences how the map did, where it erred, and what froze since.

    After a frost nothing is prescribed: in the trials that the rules name no way of pruning paid.
    """
    rest = [*_razor(check.razor, settings), *_frost(check.grown, settings), *_stages(check.grown, settings)]
    if check.samples.empty:
        return [Sentence("spring.nothing"), *_left_out(check), *rest]
    ceiling = [Sentence("spring.ceiling")] if check.layer is Bud.PRIMARY else []
    return [_blind(check.samples), *ceiling, *_erred(check.samples), *_left_out(check), *rest]


def _razor(razor: pd.DataFrame | None, settings: Settings) -> Iterator[Sentence]:
    """Say how what was read agrees with what grew: all readers together, then each who gave a name."""
    if razor is None:
        return
    if razor.empty:
        yield Sentence("spring.razor.none")
        return
    every, *readers = razor.to_dict("records")
    published = settings.actions.rules.razor
    yield Sentence(
        "spring.razor",
        samples=Sentence.counted("count.samples", every["samples"]),
        dead=Figure(every["read_dead_pct"]),
        cut=Figure(every["nodes_cut"]),
        blind=Figure(every["blind_pct"]),
        left=Figure(every["nodes_left"]),
        verdict=_agreed(every),
    )
    yield Sentence(
        "spring.razor.agreement",
        agreement=Figure(every["agreement_pct"]),
        low=Figure(every["agreement_low_pct"]),
        high=Figure(every["agreement_high_pct"]),
        published=Figure(published.agreement_pct, None),
        source=ruled("razor.source", published.source),
    )
    yield Sentence(
        "spring.razor.samples",
        dead=every["read_too_dead"],
        alive=every["read_too_alive"],
        chance=Figure(every["samples_by_chance"], 1),
    )
    for reader in readers:
        samples = Sentence.counted("count.samples", reader["samples"])
        yield Sentence("spring.razor.reader", reader=reader["reader"], samples=samples, verdict=_agreed(reader))
    yield Sentence("spring.razor.how")


def _agreed(row: dict[Hashable, Any]) -> Sentence:
    """Say whether the razor erred to one side by more than chance gives."""
    low, high = row["difference_low_pct"], row["difference_high_pct"]
    signed = {"points": row["difference_pct"], "low": low, "high": high}
    if low <= 0 <= high:
        return Sentence("spring.razor.chance", **{name: Figure(value, 1) for name, value in signed.items()})
    if low > 0:
        return Sentence("spring.razor.alive", **{name: Figure(value, 1) for name, value in signed.items()})
    turned = {"points": -row["difference_pct"], "low": -high, "high": -low}
    return Sentence("spring.razor.dead", **{name: Figure(value, 1) for name, value in turned.items()})


def _frost(grown: pd.DataFrame, settings: Settings) -> Iterator[Sentence]:
    counted = ["frost_shoots", "primary_frozen", "secondary_read", "secondary_frozen"]
    shoots, frozen, first, both = (int(grown[name].sum()) for name in counted)
    if not shoots:
        return
    low, high = wilson(frozen, shoots, settings.survival.confidence)
    yield Sentence(
        "spring.frost",
        frozen=Figure(frozen),
        shoots=Figure(shoots),
        share=Figure(100 * frozen / shoots),
        low=Figure(100 * float(low)),
        high=Figure(100 * float(high)),
    )
    if frozen:
        yield Sentence("spring.frost.both", both=both, first=first) if first else Sentence("spring.frost.one")
        yield Sentence("spring.frost.prescribes", source=settings.actions.rules.frost.no_pruning)


def _stages(grown: pd.DataFrame, settings: Settings) -> Iterator[Sentence]:
    """Name the critical temperatures of each stage that was noted."""
    frost = settings.actions.rules.frost
    source, caution = (ruled(f"frost.{key}", getattr(frost, key)) for key in ("source", "caution"))
    noted = dict.fromkeys(stage for stages in grown["stage"] for stage in stages.split(", ") if stage)
    for stage in sorted(noted, key=lambda stage: (stage.split()[0], int(stage.split()[1]))):
        scale, number = stage.split()
        found = frost.at("bbch" if scale == "BBCH" else "el", int(number))
        if found is None:
            yield Sentence("spring.stage.none", stage=stage, source=source)
        else:
            yield Sentence(
                "spring.stage",
                stage=stage,
                name=Sentence(f"spring.stage.{found.name}"),
                some=_temperature(found.kill_10_c, settings),
                most=_temperature(found.kill_90_c, settings),
                source=source,
                caution=caution,
            )


def _temperature(celsius: float, settings: Settings) -> Figure:
    value, unit = temperature(celsius, settings.units)
    return Figure(value, 1, unit)


def _blind(table: pd.DataFrame) -> Sentence:
    nodes, blind = int(table["nodes"].sum()), int(table["blind"].sum())
    predicted = float((table["predicted_pct"] * table["nodes"]).sum() / nodes)
    return Sentence(
        "spring.blind",
        blind=Figure(blind),
        nodes=Figure(nodes),
        samples=Sentence.counted("count.samples", len(table)),
        share=Figure(100 * blind / nodes),
        predicted=Figure(predicted),
    )


def _erred(table: pd.DataFrame) -> list[Sentence]:
    """Name the samples that differ from what was predicted."""
    found = []
    for key, verdict in (("spring.more", Verdict.MORE), ("spring.fewer", Verdict.LESS)):
        here = table[table["verdict"] == verdict]
        if len(here):
            names = ", ".join(f"{row['sample']} ({row['block']})" for row in here.to_dict("records"))
            found.append(Sentence(key, samples=names))
    return found or [Sentence("spring.agrees")]


def _left_out(check: SpringCheck) -> list[Sentence]:
    if not check.not_compared:
        return []
    # No table has these samples, so none goes unnamed.
    named = Listed(
        (Sentence("spring.left_out.sample", sample=sample, why=why) for sample, why in check.not_compared.items()),
        most=None,
    )
    return [Sentence("spring.left_out", samples=named)]


def _shares(table: pd.DataFrame, confidence: float) -> dict[str, pd.Series[float]]:
    low, high = wilson(table["blind"], table["nodes"], confidence)
    share = 100 * table["blind"] / table["nodes"].where(table["nodes"] > 0)
    return {
        "blind_pct": share,
        "blind_low_pct": pd.Series(100 * low, table.index),
        "blind_high_pct": pd.Series(100 * high, table.index),
    }


def _calibration(table: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Return the classes of what was predicted with what came; each holds its lower end, the last one both."""
    number = np.clip(np.searchsorted(EDGES, table["predicted_pct"], side="right") - 1, 0, len(EDGES) - 2)
    weighted = table.assign(number=number, sum=table["predicted_pct"] * table["nodes"])
    sums = weighted.groupby("number")[["nodes", "blind", "sum"]].sum().reindex(range(len(EDGES) - 1), fill_value=0)
    found = pd.DataFrame(
        {
            "from_pct": EDGES[:-1],
            "to_pct": EDGES[1:],
            "samples": weighted["number"].value_counts().reindex(sums.index, fill_value=0),
            "nodes": sums["nodes"],
            "blind": sums["blind"],
            "predicted_pct": sums["sum"] / sums["nodes"].where(sums["nodes"] > 0),
        }
    )
    return found.assign(**_shares(found, confidence)).drop(columns="blind")
