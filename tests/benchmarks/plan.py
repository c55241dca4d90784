"""What spread points are worth: RMSE of the finished map against random points, and a second round against its promise.

Run: python -m tests.benchmarks.plan [vineyards a kind]
"""

from __future__ import annotations

import sys
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pyproj
import xarray as xr
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.special import expit, logit

from tests.benchmarks.accuracy import vinemap_surface
from tests.benchmarks.simulate import CELL, CRS, EAST, NORTH, SIDE, Simulated, simulate
from vinemap.plan.points import spread_points
from vinemap.plan.second import fit_posterior, next_points
from vinemap.reading.inside import inner
from vinemap.settings import Settings
from vinemap.survival.tally import tally
from vinemap.terrain.layers import terrain_layers

KINDS = ("hollow", "ridge", "slope", "no_terrain", "wall", "vine_spread")
EACH, NODES, EDGE_M, NEXT = 10, 10, 8.0, 12


def random_points(case: Simulated, each: int, rng: np.random.Generator) -> np.ndarray:
    """Independent uniform points in the same inner ground of each block, shape (4 × each, 2)."""
    found = []
    for shape in case.blocks.geometry:
        left, bottom, right, top = inner(shape, EDGE_M).bounds
        found.append(np.column_stack([rng.uniform(left, right, each), rng.uniform(bottom, top, each)]))
    return np.vstack(found)


def spread(case: Simulated, each: int, terrain: xr.Dataset | None, rng: np.random.Generator) -> np.ndarray:
    """Points as `vinemap plan` chooses them."""
    chosen = spread_points(case.blocks, [each] * 4, terrain, [None] * 4, EDGE_M, rng)
    return chosen[["x", "y"]].to_numpy()


def collected(case: Simulated, kind: str, xy: np.ndarray, rng: np.random.Generator) -> Simulated:
    """The vineyard with one cane of 10 nodes cut at each point in the place of its own samples."""
    column, row = np.floor((xy - (EAST, NORTH)) / CELL).astype(int).T
    own = (1.0 if kind == "vine_spread" else 0.4) * rng.standard_normal(len(xy))
    dead = rng.binomial(NODES, expit(logit(case.truth[SIDE - 1 - row, column]) + own))
    east, north = ((xy - (EAST, NORTH)) > SIDE * CELL / 2).T
    names = [str(k) for k in range(len(xy))]
    counts = pd.DataFrame({"sample": names, "part": "all", "nodes": NODES, "primary_dead": dead})
    samples = pd.DataFrame({"sample": names, "block": [f"block {2 * e + n}" for e, n in zip(east, north, strict=True)]})
    points = type(case.blocks)(samples, geometry=type(case.blocks.geometry).from_xy(*xy.T), crs=CRS)
    return replace(case, samples=points, counts=counts.assign(secondary_dead=np.nan, tertiary_dead=np.nan))


def joined(one: Simulated, other: Simulated) -> Simulated:
    """Both collections of one vineyard."""
    renamed = [frame.assign(sample="second " + frame["sample"].astype(str)) for frame in (other.samples, other.counts)]
    samples, counts = (
        pd.concat([first, second], ignore_index=True)
        for first, second in zip((one.samples, one.counts), renamed, strict=True)
    )
    return replace(one, samples=samples, counts=counts)


def rmse(case: Simulated) -> float:
    """Root mean squared error of the finished map."""
    return float(np.sqrt(np.mean((vinemap_surface(case)[0] - case.truth.ravel()) ** 2)))


def misclassified(case: Simulated, threshold: float) -> float:
    """Share of the ground that the finished map puts on the wrong side of a threshold."""
    return float(np.mean((vinemap_surface(case)[0] > threshold) != (case.truth.ravel() > threshold)))


def first_rounds(vineyards: int, kinds: tuple[str, ...] = KINDS) -> pd.DataFrame:
    """RMSE by kind, seed and points: 'random' and 'spread', as the plan chooses them."""
    rows = []
    for kind in kinds:
        for seed in track(range(vineyards), kind):
            case = simulate(kind, seed)
            terrain = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
            ways = {
                "random": lambda rng, case=case: random_points(case, EACH, rng),
                "spread": lambda rng, case=case, terrain=terrain: spread(case, EACH, terrain, rng),
            }
            for name, way in ways.items():
                rng = np.random.default_rng([seed, 7])
                rows.append(
                    {"kind": kind, "seed": seed, "points": name, "rmse": rmse(collected(case, kind, way(rng), rng))}
                )
    return pd.DataFrame(rows)


def second_rounds(vineyards: int, kinds: tuple[str, ...] = KINDS) -> pd.DataFrame:
    """Share of ground misclassified after one round, promised and found after a second, and after random points."""
    rows = []
    for kind in kinds:
        for seed in track(range(vineyards), f"{kind}, second round"):
            case = simulate(kind, seed)
            terrain = terrain_layers(case.elevation, pyproj.CRS(CRS), tuple(case.blocks.total_bounds))
            rng = np.random.default_rng([seed, 8])
            # The decision that matters lies within the vineyard's own spread.
            threshold = float(np.quantile(case.truth, 0.5))
            settings = Settings.model_validate({"surface": {"threshold": threshold}})
            first = collected(case, kind, spread(case, EACH, terrain, rng), rng)
            nodes = pd.DataFrame(columns=["sample", "node", "primary", "secondary", "tertiary"])
            tallies = tally(nodes, first.counts, pd.Series(dtype=int))
            posterior = fit_posterior(first.samples, case.blocks, tallies, terrain, settings, NODES)
            chosen = next_points(posterior, case.blocks, terrain, [None] * 4, EDGE_M, NEXT)
            area = case.blocks.geometry.area.sum() / 1e4
            next_xy = chosen.points[["x", "y"]].to_numpy()
            other_xy = random_points(case, NEXT // 4, rng)
            rows.append(
                {
                    "kind": kind,
                    "seed": seed,
                    "expected before": chosen.misclassified_ha / area,
                    "found before": misclassified(first, threshold),
                    "expected after": chosen.after_ha / area,
                    "found after": misclassified(joined(first, collected(case, kind, next_xy, rng)), threshold),
                    "found after random": misclassified(joined(first, collected(case, kind, other_xy, rng)), threshold),
                }
            )
    return pd.DataFrame(rows)


def show(first: pd.DataFrame, second: pd.DataFrame) -> None:
    """Print both tables."""
    console = Console(width=140)
    means = first.pivot_table(index="points", columns="kind", values="rmse", sort=False)
    ratio = means / means.loc["random"]
    table = Table("points", *ratio.columns, "all", "standard error", title="RMSE of the map / that of random points")
    wide = first.pivot_table(index=["kind", "seed"], columns="points", values="rmse", sort=False)
    for name, row in ratio.iterrows():
        each = np.log(wide[name] / wide["random"])
        table.add_row(name, *(f"{v:.2f}" for v in row), f"{np.exp(each.mean()):.3f}", f"{each.sem():.3f}")
    console.print(table)
    columns = [name for name in second.columns if name not in ("kind", "seed")]
    table = Table("kind", *columns, title=f"Share of ground misclassified, {NEXT} more canes")
    by_kind = second.groupby("kind", sort=False)[columns].mean()
    for name, row in [*by_kind.iterrows(), ("all", second[columns].mean())]:
        table.add_row(str(name), *(f"{100 * v:.1f} %" for v in row))
    console.print(table)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    show(first_rounds(count), second_rounds(count))
