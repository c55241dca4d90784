"""The injury surface: its rows, its choice of terrain, its intervals and its averages."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import xarray as xr
from shapely import box

from tests.benchmarks.simulate import CRS, Simulated, simulate
from vinemap.errors import TooFewSamplesError
from vinemap.settings import Surface
from vinemap.surface.design import Design, most_covariates
from vinemap.surface.fit import InjuryMap, injury_map
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid
from vinemap.terrain.layers import terrain_layers

NO_NODES = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])
SETTINGS = Surface(cell_m=10.0)


def _tally(counts: pd.DataFrame) -> pd.DataFrame:
    return tally(NO_NODES, counts, pd.Series(dtype=int))


def _map(case: Simulated, *, terrain: bool = True, settings: Surface = SETTINGS) -> InjuryMap:
    grid = block_grid(case.blocks, settings.cell_m, settings.max_cells)
    layers = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds)) if terrain else None
    return injury_map(case.samples, case.blocks, _tally(case.counts), grid, layers, settings)


def _few(case: Simulated, count: int) -> Simulated:
    return Simulated(case.blocks, case.samples[:count], case.counts[:count], case.elevation, case.truth)


@pytest.fixture(scope="module")
def hollow() -> tuple[Simulated, InjuryMap]:
    case = simulate("hollow", 101)
    return case, _map(case)


def _coarse(truth: np.ndarray) -> np.ndarray:
    return truth.reshape(60, 2, 60, 2).mean(axis=(1, 3))


def test_the_map_is_nearer_the_truth_than_block_means(hollow: tuple[Simulated, InjuryMap]) -> None:
    """In a vineyard with hollows the surface has at most 0.7 of the error of block means."""
    case, found = hollow
    truth, surface = _coarse(case.truth), found.grid["primary_injury"].to_numpy()
    block = pd.Index(case.blocks["block"]).get_indexer(case.samples["block"])
    dead, read = np.bincount(block, case.counts["primary_dead"]), np.bincount(block, case.counts["nodes"])
    means = (dead / read)[found.grid["block_index"].to_numpy()]
    error = np.sqrt(np.mean((surface - truth) ** 2))
    assert error < 0.7 * np.sqrt(np.mean((means - truth) ** 2))


def test_low_ground_is_found_to_matter(hollow: tuple[Simulated, InjuryMap]) -> None:
    """The low ground is told to be hurt more than the high, each within its own interval."""
    _, found = hollow
    first = found.model["effects"][0]
    assert (first["family"], first["told"]) == ("low_ground", True)
    assert first["low_pct"] < first["pct"] < first["high_pct"]
    assert first["other_low_pct"] < first["other_pct"] < first["other_high_pct"]
    assert first["pct"] > first["other_pct"] + 10


def test_block_averages_lie_within_their_bounds(hollow: tuple[Simulated, InjuryMap]) -> None:
    """A block's average is that of its cells, its intervals contain it, and are narrower than a single cell's."""
    _, found = hollow
    for row, block in found.blocks.iterrows():
        cells = found.grid.where(found.grid["block_index"] == row)
        assert block["map_injury_pct"] == pytest.approx(100 * float(cells["primary_injury"].mean()), abs=0.01)
        assert block["map_low_pct"] < block["map_injury_pct"] < block["map_high_pct"]
        width = 100 * float((cells["primary_high"] - cells["primary_low"]).mean())
        assert block["map_high_pct"] - block["map_low_pct"] < width


def test_any_ground_has_the_bounds_of_the_same_draws(hollow: tuple[Simulated, InjuryMap]) -> None:
    """The outline of a block gets the block's own intervals, and ground without a cell gets none."""
    case, found = hollow
    low, high = found.joint.credible_interval(case.blocks.geometry)
    np.testing.assert_allclose(100 * low, found.blocks["map_low_pct"])
    np.testing.assert_allclose(100 * high, found.blocks["map_high_pct"])
    speck = gpd.GeoSeries([case.blocks.geometry[0].centroid.buffer(0.5)], crs=CRS)
    assert np.isnan(found.joint.credible_interval(speck)[0]).all()


def test_area_over_the_threshold_adds_up(hollow: tuple[Simulated, InjuryMap]) -> None:
    """The blocks' areas above the threshold sum to the vineyard's, and agree with the chance layer."""
    _, found = hollow
    mean, low, high = found.area_over_ha
    assert found.blocks["area_over_ha"].sum() == pytest.approx(mean)
    assert low < mean < high
    by_chance = float(found.grid["prob_over_threshold"].sum()) * 100 / 1e4
    assert mean == pytest.approx(by_chance, rel=0.05)


def test_layers_are_ordered_fractions(hollow: tuple[Simulated, InjuryMap]) -> None:
    """Low <= mean <= high, all between 0 and 1, wherever a block is, and nowhere else."""
    _, found = hollow
    inside = found.grid["block_index"].to_numpy() >= 0
    low, mean, high = (found.grid[f"primary_{n}"].to_numpy() for n in ("low", "injury", "high"))
    assert np.array_equal(np.isfinite(mean), inside)
    assert (low[inside] > 0).all()
    assert (low[inside] <= mean[inside]).all()
    assert (mean[inside] <= high[inside]).all()
    assert (high[inside] < 1).all()


def test_scores_prefer_the_surface(hollow: tuple[Simulated, InjuryMap]) -> None:
    """Where terrain drives injury, held-out samples are predicted better than by block means."""
    _, found = hollow
    assert found.scores["better_than_block_means"]
    for scheme in ("leave_one_out", "blocked"):
        assert 0.75 <= found.scores[scheme]["coverage_90"] <= 1.0


def test_position_alone_makes_a_map() -> None:
    """With no elevation grid there is a map, with no covariate."""
    found = _map(simulate("hollow", 101), terrain=False)
    assert not [one for one in found.model["effects"] if one["of"] == "terrain"]
    assert found.model["relief_m"] is None
    assert np.isfinite(found.grid["primary_injury"]).any()


def test_three_samples_make_a_wide_map_and_two_none() -> None:
    """Three samples give intervals that say how little is known; two are refused in words."""
    case = simulate("no_terrain", 3)
    found = _map(_few(case, 3))
    width = (found.grid["primary_high"] - found.grid["primary_low"]).to_numpy()
    assert np.nanmean(width) > 0.35
    with pytest.raises(TooFewSamplesError, match="2 samples"):
        _map(_few(case, 2))


@pytest.mark.parametrize("share", [0, 1])
def test_all_alive_or_all_dead(share: int) -> None:
    """Buds all alive, or all dead, give a finite map near 0 or 1."""
    case = simulate("no_terrain", 4)
    counts = case.counts.assign(primary_dead=share * case.counts["nodes"])
    found = _map(Simulated(case.blocks, case.samples, counts, case.elevation, case.truth))
    mean = float(found.grid["primary_injury"].mean())
    assert abs(mean - share) < 0.03
    assert float((found.grid["primary_high"] - found.grid["primary_low"]).mean()) < 0.2


def test_two_samples_on_one_vine() -> None:
    """Two samples at the very same place are no trouble."""
    case = simulate("slope", 5)
    samples = case.samples.copy()
    samples.loc[1, "geometry"] = samples.loc[0, "geometry"]
    samples.loc[1, "block"] = samples.loc[0, "block"]
    found = _map(Simulated(case.blocks, samples, case.counts, case.elevation, case.truth))
    assert np.isfinite(found.blocks["map_injury_pct"]).all()


def test_a_block_without_a_sample_has_wider_bounds() -> None:
    """A block of its own variety with no sample still has a mean, and intervals wider than a sampled block's."""
    case = simulate("no_terrain", 6)
    blocks = case.blocks.copy()
    blocks.loc[3, "variety"] = "another"
    keep = (case.samples["block"] != "block 3").to_numpy()
    part = Simulated(blocks, case.samples[keep].reset_index(drop=True), case.counts[keep], case.elevation, case.truth)
    widths = _map(part).blocks.eval("map_high_pct - map_low_pct")
    assert widths[3] > 1.5 * widths[:3].max()


def test_known_hardiness_moves_an_unsampled_variety() -> None:
    """A variety known to be more tender is mapped as hurt more where it has no sample."""
    case = simulate("no_terrain", 6)
    blocks = case.blocks.copy()
    blocks.loc[3, "variety"] = "another"
    keep = (case.samples["block"] != "block 3").to_numpy()
    part = Simulated(blocks, case.samples[keep].reset_index(drop=True), case.counts[keep], case.elevation, case.truth)
    plain, tender = (
        _map(part, settings=Surface(cell_m=10.0, hardiness=offsets)).blocks["map_injury_pct"]
        for offsets in ({}, {"another": 1.5})
    )
    assert tender[3] > plain[3] + 10
    np.testing.assert_allclose(tender[:3], plain[:3], atol=2.5)


def test_apical_nodes_inform_but_do_not_set_the_basal_map() -> None:
    """Where apical nodes are hurt more, the map shows the basal ones' injury."""
    rng = np.random.default_rng(7)
    points = rng.uniform(0, 300, (40, 2))
    blocks = gpd.GeoDataFrame(
        {"block": ["a"], "variety": ["v"], "area_ha": [9.0]}, geometry=[box(0, 0, 300, 300)], crs=CRS
    )
    samples = gpd.GeoDataFrame(
        {"sample": [str(k) for k in range(40)], "block": "a"}, geometry=gpd.points_from_xy(*points.T), crs=CRS
    )
    rows = [
        {"sample": str(k), "part": part, "nodes": 30, "primary_dead": rng.binomial(30, p)}
        for k in range(40)
        for part, p in (("basal", 0.3), ("apical", 0.6))
    ]
    counts = pd.DataFrame(rows).assign(secondary_dead=np.nan, tertiary_dead=np.nan)
    found = injury_map(samples, blocks, _tally(counts), block_grid(blocks, 10.0, 10_000), None, SETTINGS)
    assert found.blocks["map_injury_pct"][0] == pytest.approx(30, abs=4)
    (part,) = [one for one in found.model["effects"] if one["of"] == "part"]
    assert part["pct"] == pytest.approx(60, abs=4)
    assert part["other_pct"] == pytest.approx(30, abs=4)


def test_rows_take_the_whole_where_a_part_is_unknown() -> None:
    """A sample with some nodes of unknown position enters once, with all its nodes."""
    case = simulate("slope", 1)
    counts = pd.DataFrame(
        {
            "sample": ["0", "0", "1", "1"],
            "part": ["basal", "all", "basal", "apical"],
            "nodes": [10, 12, 8, 6],
            "primary_dead": [1, 2, 3, 4],
            "secondary_dead": np.nan,
            "tertiary_dead": np.nan,
        }
    )
    rows = Observations.of(case.samples, case.blocks, _tally(counts), "primary")
    found = sorted(zip(rows.sample.tolist(), rows.apical.tolist(), rows.read.tolist(), strict=True))
    assert found == [(0, 0.0, 22.0), (1, 0.0, 8.0), (1, 1.0, 6.0)]


def test_few_samples_get_few_covariates() -> None:
    """With 5 samples no covariate is weighed, with 10 one at most, and never more than four."""
    assert [most_covariates(samples) for samples in (5, 10, 40, 500)] == [0, 1, 4, 4]


def test_flat_ground_offers_no_covariate() -> None:
    """On perfectly level ground no terrain figure varies, so none is offered."""
    case = simulate("slope", 2)
    flat: xr.DataArray = case.elevation * 0 + 150
    grid = block_grid(case.blocks, 10.0, 4_000_000)
    terrain = terrain_layers(flat.rio.write_crs(CRS), pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
    assert Design.over(case.blocks, grid, terrain, {}).covariates == ()
