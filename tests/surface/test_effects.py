"""What injury follows: told over what the blocks hold, by injury and never by odds, and only where the data show it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import log

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from pyproj import CRS
from scipy.special import expit
from shapely import box

from vinemap.arrays import Array
from vinemap.settings import Settings, Surface
from vinemap.surface.design import Design
from vinemap.surface.draws import JointDraws
from vinemap.surface.effects import effect_sentences, effects
from vinemap.surface.fit import InjuryMap, injury_map
from vinemap.surface.observations import Observations
from vinemap.survival.tally import tally
from vinemap.terrain.grid import block_grid
from vinemap.terrain.layers import COVARIATES, terrain_layers
from vinemap.terrain.sparse import BlockCells

UTM, EAST, NORTH = "EPSG:32618", 500_000.0, 4_800_000.0
THIRD = log(3)


# --- by hand: draws are given, so that every figure can be worked out with a pencil --------------------------------


@dataclass(frozen=True)
class Draws:
    """Draws of coefficients (p, draws) over no field at all."""

    coefs: Array

    def at(self, xy: Array, X: Array, offset: Array | float = 0.0) -> Array:
        """Return the probability at each place in each draw."""
        return np.asarray(expit(X @ self.coefs + np.reshape(offset, (-1, 1))))


@dataclass(frozen=True)
class Field:
    """A fitted field, of which only the models and their weights are asked."""

    models_: Array
    model_weights_: Array


def _two_blocks(varieties: list[str | None]) -> gpd.GeoDataFrame:
    shapes = [box(EAST, NORTH, EAST + 100, NORTH + 100), box(EAST + 100, NORTH, EAST + 200, NORTH + 100)]
    return gpd.GeoDataFrame({"block": ["a", "b"], "variety": varieties}, geometry=shapes, crs=UTM)


def _slope(grid: xr.Dataset) -> xr.Dataset:
    """Return layers whose heights are 0 m in block a and 10 m in block b, and nothing else that varies."""
    west = np.asarray(grid.x.to_numpy() < EAST + 100)
    height = np.broadcast_to(np.where(west, 0.0, 10.0), grid["block_index"].shape)
    layers = {one.name: np.zeros_like(height) for one in COVARIATES} | {"elevation_m": height}
    return xr.Dataset({name: (("y", "x"), layer) for name, layer in layers.items()}, coords=grid.coords)


def _by_hand(
    coefs: Array,
    weights: list[float],
    varieties: list[str | None],
    samples: int = 8,
    apical: tuple[float, ...] = (0.0,),
) -> list[dict[str, object]]:
    blocks = _two_blocks(varieties)
    grid = block_grid(blocks, 10.0)
    design = Design.over(blocks, grid, _slope(grid), {})
    place = np.arange(samples) % 2
    observed = Observations(
        np.zeros((samples, 2)), place, np.arange(samples), np.resize(apical, samples), place * 1.0, place + 1.0
    )
    joint = JointDraws(Draws(coefs), design, BlockCells.of(grid), 10.0)  # type: ignore[arg-type]
    without = np.arange(design.columns) < design.first_terrain
    models = np.array([without, np.ones(design.columns, bool)])
    return effects(joint, Field(models, np.array(weights)), observed, 0.6)  # type: ignore[arg-type]


def _coefs(terrain: Array, draws: int = 100, part: float = 0.0, varieties: int = 0) -> Array:
    """Return an intercept of 0, the part's coefficient, as many varieties and the terrain's, one column a draw."""
    rows = [np.zeros(draws), np.full(draws, part), *np.zeros((varieties, draws)), np.broadcast_to(terrain, draws)]
    return np.array(rows, float)


def test_an_effect_is_injury_at_both_ends() -> None:
    """A standard deviation (5 m) lower triples even odds, one higher takes two thirds: 75 % and 25 %, by hand."""
    (found,) = _by_hand(_coefs(-np.full(100, THIRD)), [0.0, 1.0], [None, None])
    assert (found["name"], found["here"], found["there"]) == ("elevation_m", pytest.approx(0.0), pytest.approx(10.0))
    assert found["told"]
    for end, pct in (("", 75.0), ("other_", 25.0)):
        assert [found[f"{end}{name}"] for name in ("low_pct", "pct", "high_pct")] == pytest.approx([pct] * 3)
    assert found["sign_probability"] == 1.0
    assert found["probability"] == 1.0


def test_the_interval_is_that_of_the_draws() -> None:
    """Coefficients evenly from 0 to -2 ln 3: at the low end the 5 % and 95 % quantiles are 1 / (1 + 3^-q), by hand."""
    (found,) = _by_hand(_coefs(-np.linspace(0.2, 1.8, 1001) * THIRD, 1001), [0.0, 1.0], [None, None])
    low, high = (100 / (1 + 3.0**-q) for q in (0.2 + 0.05 * 1.6, 0.2 + 0.95 * 1.6))
    assert [found["low_pct"], found["high_pct"]] == pytest.approx([low, high], abs=0.1)


def test_what_the_data_do_not_show_is_not_told() -> None:
    """A sign that one draw in ten denies, and a term that a tenth of the draws leave out, have no figures."""
    doubtful = np.where(np.arange(100) < 10, 0.3, -THIRD)
    left_out = np.where(np.arange(100) < 10, 0.0, -THIRD)
    for terrain in (doubtful, left_out):
        (found,) = _by_hand(_coefs(terrain), [0.1, 0.9], [None, None])
        assert not found["told"]
        assert found["sign_probability"] == pytest.approx(0.9)
        assert {value for name, value in found.items() if name.endswith("pct")} == {None}


def test_an_end_as_wide_as_no_answer_is_not_told() -> None:
    """The low end may be anything from 6 to 94 %: no figure for it, though all but a few draws agree on the sign."""
    wild = np.array([_coefs(-np.full(100, THIRD))[k] for k in range(3)])
    wild[0] = np.linspace(-4.0, 4.0, 100)
    (found,) = _by_hand(wild, [0.0, 1.0], [None, None])
    assert not found["told"]
    assert found["sign_probability"] == 1.0


def test_varieties_stand_on_the_same_ground() -> None:
    """Two varieties half a height apart in log-odds are compared over both blocks, the worst hurt first."""
    coefs = _coefs(np.zeros(100), varieties=2)
    coefs[2], coefs[3] = -THIRD, THIRD
    found = [one for one in _by_hand(coefs, [1.0, 0.0], ["Verdelle", "Fennick"]) if one["of"] == "variety"]
    assert [(one["name"], one["other"]) for one in found] == [("Verdelle", "Fennick")]
    assert [found[0]["pct"], found[0]["other_pct"]] == pytest.approx([75.0, 25.0])
    assert not [one for one in _by_hand(_coefs(np.zeros(100)), [1.0, 0.0], [None, None]) if one["of"] == "variety"]


def test_nodes_farther_out_stand_against_those_kept() -> None:
    """Odds three times as high: 75 % against 50 %; nothing where all nodes were of one part."""
    coefs = _coefs(np.zeros(100), part=THIRD)
    (found,) = [one for one in _by_hand(coefs, [1.0, 0.0], [None, None], apical=(0, 0, 1, 1)) if one["of"] == "part"]
    assert [found["pct"], found["other_pct"]] == pytest.approx([75.0, 50.0])
    assert not [one for one in _by_hand(coefs, [1.0, 0.0], [None, None]) if one["of"] == "part"]


# --- vineyards that once were told "odds × 6.6e+51" and "odds × Infinity" --------------------------------------------


def _waves(relief: float, *, steep: float | None) -> InjuryMap:
    """Map 40 samples on ground with hollows and knolls; ``steep`` logits from middle to top, None kills all or none."""
    rng = np.random.default_rng(1)
    east, north = rng.uniform(0, 300, (2, 40))

    def wave(x: Array, y: Array) -> Array:
        return np.asarray(np.sin(x / 25) * np.sin(y / 30))

    height = wave(east, north)
    dead = np.where(height < 0, 40, 0) if steep is None else rng.binomial(40, expit(-steep * height))
    frame = {"block": ["a"], "variety": ["v"], "area_ha": [9.0]}
    blocks = gpd.GeoDataFrame(frame, geometry=[box(EAST, NORTH, EAST + 300, NORTH + 300)], crs=UTM)
    names = [str(k) for k in range(40)]
    points = gpd.points_from_xy(EAST + east, NORTH + north)
    samples = gpd.GeoDataFrame({"sample": names, "block": "a"}, geometry=points, crs=UTM)
    counts = pd.DataFrame({"sample": names, "part": "all", "nodes": 40, "primary_dead": dead})
    counts = counts.assign(secondary_dead=np.nan, tertiary_dead=np.nan)
    x, y = np.arange(-597.5, 900, 5), np.arange(897.5, -600, -5)
    heights = 100 + relief / 2 * wave(x[None, :], y[:, None])
    ground = xr.DataArray(heights, dims=("y", "x"), coords={"y": NORTH + y, "x": EAST + x}).rio.write_crs(UTM)
    terrain = terrain_layers(ground, CRS(UTM), tuple(blocks.total_bounds))
    nodes = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])
    tallies = tally(nodes, counts, pd.Series(dtype=int))
    return injury_map(samples, blocks, tallies, block_grid(blocks, 10.0), terrain, Surface(cell_m=10.0))


@pytest.mark.parametrize("steep", [2.5, None])
def test_ground_too_level_for_heights_tells_no_effect(steep: float | None) -> None:
    """Waves of 5 cm are less than heights are off by; a metre of them was told as 6.6e+51 times the odds."""
    found = _waves(0.05, steep=steep).model
    assert found["effects"] == []
    (said,) = effect_sentences(found, Settings())
    assert said == "The blocks are level to within 0.05 m: too flat for heights to tell places apart."
    assert "odds" not in json.dumps(found, allow_nan=False)


def test_low_all_dead_and_high_all_alive_is_told_in_injury() -> None:
    """Complete separation has no end of odds ratios, while injury at both ends stays between 0 and 100 %."""
    found = _waves(6.0, steep=None)
    first = found.model["effects"][0]
    assert first["told"]
    assert first["family"] == "low_ground"
    assert 60 < first["low_pct"] < first["pct"] < first["high_pct"] <= 100
    assert 0 <= first["other_low_pct"] < first["other_pct"] < first["other_high_pct"] < 40
    (said,) = effect_sentences(found.model, Settings())
    assert said.startswith("The lowest vines against the highest (")
    assert said.endswith("), all else equal.")
