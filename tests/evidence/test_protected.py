"""Protection as evidence: full inside the reach, none beyond it, and nothing of what did not run."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit
from shapely import LineString, Point, box

from tests.benchmarks.simulate import CRS, EAST, NORTH, Simulated, simulate
from vinemap.evidence.protected import protection_evidence, within
from vinemap.settings import Settings, Surface
from vinemap.surface.effects import effect_sentences
from vinemap.surface.fit import InjuryMap, injury_map
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid

NONE = np.zeros(0, int)


def _frame(rows: list[tuple[str, float | None, bool | None]], shapes: list[object]) -> gpd.GeoDataFrame:
    frame = pd.DataFrame(rows, columns=["kind", "reach_m", "ran"])
    frame["ran"] = frame["ran"].astype(object)
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS)


def test_a_reach_ends_softly_at_its_edge() -> None:
    """By hand, reach 100 m: 1 to 75 m, a half at 100 m, 0 from 125 m; a quarter of the way 0.5 + cos(pi/4)/2."""
    points = np.array([Point(x, 0) for x in (0, 75, 87.5, 100, 125, 400)])
    assert within(Point(0, 0), 100.0, points) == pytest.approx([1, 1, 0.5 + np.sqrt(0.5) / 2, 0.5, 0, 0])
    assert within(LineString([(0, -500), (0, 500)]), 100.0, points) == pytest.approx([1, 1, 0.853553, 0.5, 0, 0])


def test_a_polygon_without_a_reach_is_the_ground_itself() -> None:
    """Inside counts 1, its edge included, and a metre off 0."""
    points = np.array([Point(5, 5), Point(10, 5), Point(11, 5)])
    assert within(box(0, 0, 10, 10), 0.0, points).tolist() == [1.0, 1.0, 0.0]


def test_kinds_are_apart_and_what_did_not_run_says_nothing() -> None:
    """Of several of one kind the nearest counts; one that stood still, or of which nobody knows, is no evidence."""
    rows = [("wind_machine", 50.0, True), ("wind_machine", 50.0, True), ("wind_machine", 50.0, False)]
    rows += [("heater", 20.0, None), ("cover", None, True)]
    shapes = [Point(0, 0), Point(200, 0), Point(400, 0), Point(0, 0), box(0, 0, 10, 10)]
    fans, covers = protection_evidence(_frame(rows, shapes))
    assert (fans.name, covers.name) == ("protection.wind_machine", "protection.cover")
    xy = np.array([[0.0, 0.0], [200.0, 0.0], [400.0, 0.0], [100.0, 0.0]])
    assert fans.read(xy, NONE).tolist() == [1.0, 1.0, 0.0, 0.0]
    assert protection_evidence(_frame([("heater", 20.0, False)], [Point(0, 0)])) == ()


def _protected(case: Simulated, effect: float, seed: int) -> InjuryMap:
    """Map a vineyard in whose middle a wind machine changed the log-odds by so much."""
    middle = Point(EAST + 300, NORTH + 300)
    (fan,) = protection_evidence(_frame([("wind_machine", 150.0, True)], [middle]))
    xy = np.column_stack([case.samples.geometry.x, case.samples.geometry.y])
    row, column = ((NORTH + 600 - xy[:, 1]) / 5).astype(int), ((xy[:, 0] - EAST) / 5).astype(int)
    share = expit(logit(case.truth[row.clip(0, 119), column.clip(0, 119)]) + effect * fan.read(xy, NONE))
    nodes = case.counts["nodes"].to_numpy()
    dead = np.random.default_rng(seed).binomial(nodes, share)
    counts = case.counts.assign(primary_dead=dead)
    tallies = tally(
        pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"]), counts, pd.Series(dtype=int)
    )
    grid = block_grid(case.blocks, 20.0)
    return injury_map(case.samples, case.blocks, tallies, grid, None, Surface(cell_m=20.0), evidence=[fan])


def test_a_machine_that_saved_buds_is_told_and_one_that_did_nothing_is_not() -> None:
    """An eighth of the odds inside its reach is told in percent of buds dead; no effect is not told."""
    case = simulate("no_terrain", 11)
    said = [str(line) for line in effect_sentences(_protected(case, -2.0, 1).model, Settings())]
    (line,) = [line for line in said if line.startswith("Inside the reach of the wind machines that ran, against")]
    first, second = (float(part.split("%")[0].split()[-1]) for part in line.split(": ")[1].split(" against "))
    assert first < second
    assert "odds" not in line
    idle = [str(line) for line in effect_sentences(_protected(case, 0.0, 1).model, Settings())]
    assert not [line for line in idle if "wind machines" in line]
