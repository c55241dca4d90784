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


def _seconds(home: Path, out: Path, workers: int) -> tuple[float, float]:
    """Return the seconds a vineyard of each round, from the first one's end to the last's: workers start before."""
    taught: list[float] = []
    ends: list[float] = []
    run = map_region(
        home,
        out,
        workers=workers,
        taught=lambda *_: taught.append(time.perf_counter()),
        done=lambda *_: ends.append(time.perf_counter()),
    )
    assert run.count(Mapped.MAPPED) == len(ends), [outcome.problems for outcome in run.outcomes.values()]
    first, last = ((times[-1] - times[workers - 1]) / (len(times) - workers) for times in (taught, ends))
    return first, last


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
                # Not client.run: it waits for an answer from the worker that was just killed.
                pids = [nanny.pid for nanny in client.cluster.workers.values()] if killed < count else []
                if alive := [pid for pid in pids if pid is not None]:
                    os.kill(int(rng.choice(alive)), signal.SIGKILL)
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
    """Measure, and print each figure as it is known."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--few", type=int, default=10)
    parser.add_argument("--many", type=int, default=100)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--driver", type=int, default=5000)
    parser.add_argument("--home", type=Path)
    given = parser.parse_args()
    console = Console(width=100)

    def say(measure: str, value: str) -> None:
        console.print(f"{measure}: {value}")

    say("cores", str(os.cpu_count()))
    with tempfile.TemporaryDirectory() as scratch:
        home = given.home or Path(scratch)
        few = write_region(home / "few", given.few)
        seconds = {}
        for workers in (1, 2):
            taught, mapped = _seconds(few, home / f"out{workers}", workers)
            say(f"seconds a vineyard, {given.few}, {workers} workers: to learn from it", f"{taught:.2f}")
            say(f"seconds a vineyard, {given.few}, {workers} workers: to map it", f"{mapped:.2f}")
            seconds[workers] = mapped
        say("times as fast with two", f"{seconds[1] / seconds[2]:.2f}")
        if given.many:
            taught, mapped = _seconds(write_region(home / "many", given.many), home / "out_many", 2)
            say(f"seconds a vineyard, {given.many}, two workers: to learn from it", f"{taught:.2f}")
            say(f"seconds a vineyard, {given.many}, two workers: to map it", f"{mapped:.2f}")
            say("driver, megabytes", f"{_megabytes():.0f}")
        if given.kills:
            killed, found = _kills(few, home / "out_kills", given.kills)
            say(f"mapped once through {killed} kills", f"{found} of {given.few}")
        if given.driver:
            each, held = _driver(given.driver)
            say(f"driver, microseconds a vineyard of {given.driver:,} that cost nothing", f"{each:.0f}")
            say("driver, megabytes after them", f"{held:.0f}")


if __name__ == "__main__":
    main()
