"""A region's engine: two workers against one, a vineyard's cost in few and in many, kills, what the driver holds.

Run: python -m tests.benchmarks.region [--few 10] [--many 100] [--kills 20] [--driver 5000] [--home FOLDER]
A thousand: python -m tests.benchmarks.region --few 10 --many 1000 --kills 0 --driver 50000
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

from tests.benchmarks.simulate import KINDS, simulate
from vinemap.region.engine import cluster, outcomes
from vinemap.region.region import map_region
from vinemap.region.task import Outcome, Task
from vinemap.states import Mapped

DISTRICTS = ("Lakeside", "North ridge", "South bench", "Valley floor")


def write_region(home: Path, count: int) -> Path:
    """Write so many simulated vineyards of 12 to 60 samples, of a grower each, and region.csv."""
    rows = []
    for number in range(count):
        name, rng = f"vineyard {number:05d}", np.random.default_rng(number)
        folder = home / name
        folder.mkdir(parents=True)
        one = simulate(KINDS[number % len(KINDS)], number)
        chosen = one.samples.sample(min(int(rng.integers(12, 61)), len(one.samples)), random_state=number)
        one.blocks.drop(columns="area_ha").to_file(folder / "blocks.gpkg")
        points = chosen.to_crs(4326)
        table = pd.DataFrame({"sample": points["sample"], "lon": points.geometry.x, "lat": points.geometry.y})
        table.to_csv(folder / "samples.csv", index=False)
        counts = one.counts[one.counts["sample"].isin(chosen["sample"])]
        counts[["sample", "nodes", "primary_dead"]].to_csv(folder / "buds.csv", index=False)
        one.elevation.rio.to_raster(folder / "elevation.tif")
        rows.append({"folder": name, "district": DISTRICTS[number % 4], "grower": f"grower {number}"})
    pd.DataFrame(rows).to_csv(home / "region.csv", index=False)
    return home


def _megabytes() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _seconds(home: Path, out: Path, workers: int) -> float:
    """Return the seconds from the first vineyard's end to the last one's, of each after it: workers start before."""
    ends: list[float] = []
    run = map_region(home, out, workers=workers, done=lambda *_: ends.append(time.perf_counter()))
    assert run.count(Mapped.MAPPED) == len(ends), [outcome.problems for outcome in run.outcomes.values()]
    return (ends[-1] - ends[workers - 1]) / (len(ends) - workers)


def _kills(home: Path, out: Path, count: int) -> tuple[int, int]:
    """Kill a random worker so many times, the next one as a vineyard comes; return kills and vineyards mapped."""
    rng, killed = np.random.default_rng(1), 0
    tasks = [Task(str(path), str(out / "private")) for path in sorted(home.iterdir()) if path.is_dir()]
    found: list[str] = []
    with cluster(None, 2) as opened:
        client = opened()
        while True:
            for task, outcome in outcomes(tasks, opened):
                assert outcome.state in (Mapped.MAPPED, Mapped.UNCHANGED), outcome.problems
                found.append(task.name)
                workers = list(client.run(os.getpid).values()) if killed < count else []
                if workers:
                    os.kill(int(rng.choice(workers)), signal.SIGKILL)
                    killed += 1
            if killed >= count:
                break
            found.clear()  # all are there already: the rest of the kills go over a run that finds them unchanged
        client.close()
    assert sorted(found) == sorted(task.name for task in tasks)
    return killed, len(found)


def nothing(task: Task) -> Outcome:
    """What a vineyard's figures weigh, without its map."""
    row = dict.fromkeys(("samples", "canes", "buds", "area_ha", "injury_pct", "net_pct", "net_ha", "loss_pct"), 1.5)
    figures: dict[str, Any] = {"name": task.name, "whole": dict(row), "varieties": [dict(row) for _ in range(4)]}
    return Outcome(Mapped.MAPPED, (), figures | {"warnings": [{"en": "x" * 200, "es": "x" * 200}] * 3})


def _driver(count: int) -> tuple[float, float]:
    """Return microseconds a vineyard and megabytes of a driver that gives out so many that cost nothing."""
    tasks = (Task(f"/v/{number}", "/out") for number in range(count))
    with cluster(None, 1) as opened:
        start = time.perf_counter()
        held = {task.name: outcome for task, outcome in outcomes(tasks, opened, nothing)}
        spent = time.perf_counter() - start
    assert len(held) == count
    return 1e6 * spent / count, _megabytes()


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--few", type=int, default=10)
    parser.add_argument("--many", type=int, default=100)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--driver", type=int, default=5000)
    parser.add_argument("--home", type=Path)
    given = parser.parse_args()
    table = Table("measure", "value", title=f"{os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as scratch:
        home = given.home or Path(scratch)
        few = write_region(home / "few", given.few)
        one, two = (_seconds(few, home / f"out{workers}", workers) for workers in (1, 2))
        table.add_row(f"seconds a vineyard, {given.few}, one worker", f"{one:.2f}")
        table.add_row(f"seconds a vineyard, {given.few}, two workers", f"{two:.2f}")
        table.add_row("times as fast with two", f"{one / two:.2f}")
        if given.many:
            many = _seconds(write_region(home / "many", given.many), home / "out_many", 2)
            table.add_row(f"seconds a vineyard, {given.many}, two workers", f"{many:.2f}")
            table.add_row("driver, megabytes", f"{_megabytes():.0f}")
        if given.kills:
            killed, mapped = _kills(few, home / "out_kills", given.kills)
            table.add_row(f"mapped once through {killed} kills", f"{mapped} of {given.few}")
        if given.driver:
            each, held = _driver(given.driver)
            table.add_row(f"driver, microseconds a vineyard of {given.driver:,} that cost nothing", f"{each:.0f}")
            table.add_row("driver, megabytes after them", f"{held:.0f}")
    Console().print(table)


if __name__ == "__main__":
    main()
