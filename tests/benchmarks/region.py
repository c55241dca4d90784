"""A region's engine: two workers against one, a vineyard's cost in few and in many, kills, what the driver holds.

Each stage is asked for by its size, and 0 leaves it out; small vineyards have two blocks, 12 to 20 samples and wide
cells.

Run: python -m tests.benchmarks.region [--few 10] [--many 100] [--kills 20] [--driver 5000]
    [--published 50000] [--home FOLDER]
A thousand: python -m tests.benchmarks.region --few 0 --many 10 100 1000 --small --kills 0 --driver 0 --published 0
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.simulate import KINDS, simulate
from tests.region.simulated import DISTRICTS, VARIETIES, vineyard
from vinemap.region.bulletin import Bulletin
from vinemap.region.engine import cluster, outcomes
from vinemap.region.held import Held
from vinemap.region.members import Member, Region
from vinemap.region.ranking import index_page, vineyards_table
from vinemap.region.region import Done, faults, map_region
from vinemap.region.task import Outcome, Task
from vinemap.region.totals import bulletin_tables
from vinemap.settings import RegionSettings
from vinemap.states import Mapped

_PROCESSORS = ("user", "system", "children_user", "children_system")


def write_region(home: Path, count: int, *, small: bool = False) -> Path:
    """Write so many simulated vineyards, of a grower each, and region.csv."""
    rows = []
    for number in range(count):
        name = f"vineyard {number:05d}"
        (home / name).mkdir(parents=True)
        _write_vineyard(home / name, number, small=small)
        rows.append({"folder": name, "district": DISTRICTS[number % 4], "grower": f"grower {number}"})
    pd.DataFrame(rows).to_csv(home / "region.csv", index=False)
    return home


def _write_vineyard(folder: Path, number: int, *, small: bool) -> None:
    """Write a simulated vineyard of 12 to 60 samples in four blocks, or of 12 to 20 in two."""
    rng, one = np.random.default_rng(number), simulate(KINDS[number % len(KINDS)], number)
    blocks = one.blocks[:2] if small else one.blocks
    within = one.samples[one.samples["block"].isin(blocks["block"])]
    most = int(rng.integers(12, 21 if small else 61))
    chosen = within.sample(min(most, len(within)), random_state=number)
    blocks.drop(columns="area_ha").to_file(folder / "blocks.gpkg")
    points = chosen.to_crs(4326)
    table = pd.DataFrame({"sample": points["sample"], "lon": points.geometry.x, "lat": points.geometry.y})
    table.to_csv(folder / "samples.csv", index=False)
    counts = one.counts[one.counts["sample"].isin(chosen["sample"])]
    counts[["sample", "nodes", "primary_dead"]].to_csv(folder / "buds.csv", index=False)
    step = 2 if small else 1
    one.elevation[::step, ::step].rio.to_raster(folder / "elevation.tif")
    if small:
        (folder / "vinemap.toml").write_text("[surface]\ncell_m = 15\n", encoding="utf-8")


def _megabytes() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@dataclass(frozen=True)
class Cost:
    """Seconds a vineyard of either round, from the first one's end to the last's, and of processors' time in all."""

    taught: float
    mapped: float
    processors: float


def _cost(home: Path, out: Path, workers: int) -> Cost:
    """Map a region; workers start before the first vineyard's end, which is not counted."""
    times: dict[str, list[float]] = {"taught": [], "done": []}
    before, count = os.times(), len(list(home.iterdir())) - 1

    def note(what: str) -> Done:
        def noted(*_: object) -> None:
            times[what].append(time.perf_counter())
            if len(times[what]) % 100 == 0:
                print(f"  {what} {len(times[what])}; driver {_megabytes():.0f} MB", flush=True)

        return noted

    run = map_region(home, out, workers=workers, taught=note("taught"), done=note("done"))
    after = os.times()
    assert run.count(Mapped.MAPPED) == count == len(times["done"]), list(map(str, faults(run)))
    each = [(ends[-1] - ends[workers - 1]) / (len(ends) - workers) for ends in times.values()]
    # Workers have ended, so that their time is among that of the driver's children.
    used = sum(getattr(after, name) - getattr(before, name) for name in _PROCESSORS)
    return Cost(*each, used / count)


def _kills(home: Path, out: Path, count: int, say: Callable[[str, str], None]) -> int:
    """Kill a random worker so many times, the next one as a vineyard comes; return how many vineyards came, each once.

    Where all are mapped before, the rest of the kills go over runs that find them so.
    """
    rng, killed = np.random.default_rng(1), 0
    tasks = [Task(str(path), str(out / "private")) for path in sorted(home.iterdir()) if path.is_dir()]
    found: list[str] = []
    with cluster(None, 2) as opened:
        with opened() as client:
            workers = client.cluster.workers
        while killed < count:
            found.clear()
            for task, outcome in outcomes(tasks, opened):
                assert outcome.state in (Mapped.MAPPED, Mapped.UNCHANGED), outcome.problems
                found.append(task.name)
                # Not client.run: it waits for an answer from the worker that was just killed.
                alive = [nanny.pid for nanny in workers.values() if nanny.pid is not None]
                if killed < count and alive:
                    killed += 1
                    os.kill(int(rng.choice(alive)), signal.SIGKILL)
                    say(f"kill {killed}", f"as {task.name} came, {outcome.state}")
            assert sorted(found) == [task.name for task in tasks]
    return len(found)


def nothing(task: Task) -> Outcome:
    """What a vineyard's figures weigh, without its map."""
    number = int(task.name)
    kind = VARIETIES[number % len(VARIETIES)]
    return vineyard(
        [(*kind, 1.0 + number % 7, float(number % 90)), ("Pinot noir", "vinifera", 2.0, float(number % 70))]
    )


def _driver(count: int, say: Callable[[str, str], None]) -> None:
    """Measure a driver that gives out so many vineyards that cost nothing, and keeps what they say."""
    tasks = (Task(f"/v/{number}", "/out") for number in range(count))
    held, start, before = Held(), time.process_time(), _megabytes()
    with cluster(None, 1) as opened:
        for task, outcome in outcomes(tasks, opened, nothing):
            held.keep(task.name, outcome)
    assert len(held) == count
    say(f"driver, milliseconds of its processor for each of {count:,}", f"{1e3 * _since(start) / count:.1f}")
    say("driver, megabytes before and after them", f"{before:.0f}, {_megabytes():.0f}")


def _published(count: int, say: Callable[[str, str], None]) -> None:
    """Measure what the driver does with so many vineyards once all are mapped."""
    members = [Member(str(number), DISTRICTS[number % 4], f"grower {number}") for number in range(count)]
    held, region = Held(), Region("Quillfoot county", members, RegionSettings(), None, [])
    for member in members:
        held.keep(member.folder, nothing(Task(f"/v/{member.folder}", "/out")))
    say(f"driver, megabytes that holds {count:,}", f"{_megabytes():.0f}")
    start = time.process_time()
    tables = bulletin_tables(members, held, region.settings)
    page = Bulletin(region, held, tables, "2026-01-30", "0").html()
    say("driver, seconds of its processor to the bulletin", f"{_since(start):.0f}")
    start = time.process_time()
    listed = index_page(region, vineyards_table(members, held), held)
    say("driver, seconds of its processor to the list", f"{_since(start):.0f}")
    say("kilobytes of the bulletin, of the list", f"{len(page) // 1000}, {len(listed) // 1000}")
    say("driver, megabytes after them", f"{_megabytes():.0f}")


def _since(start: float) -> float:
    return time.process_time() - start


def main() -> None:
    """Measure, and print each figure as it is known."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--few", type=int, default=10)
    parser.add_argument("--many", type=int, nargs="*", default=[100])
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--driver", type=int, default=5000)
    parser.add_argument("--published", type=int, default=50_000)
    parser.add_argument("--home", type=Path)
    given = parser.parse_args()

    def say(measure: str, value: str) -> None:
        print(f"{measure}: {value}", flush=True)

    def measured(home: Path, out: Path, workers: int) -> Cost:
        cost = _cost(home, out, workers)
        what = f"seconds a vineyard, {home.name}, {workers} workers"
        say(f"{what}: to learn from it, to map it", f"{cost.taught:.2f}, {cost.mapped:.2f}")
        say(f"{what}: of processors' time, both", f"{cost.processors:.2f}")
        say("driver, megabytes", f"{_megabytes():.0f}")
        return cost

    say("cores", str(os.cpu_count()))
    with tempfile.TemporaryDirectory() as scratch:
        home = given.home or Path(scratch)
        if given.few or given.kills:
            few = write_region(home / f"of {given.few or 10}", given.few or 10, small=given.small)
        if given.few:
            one, two = (measured(few, home / f"out {workers}", workers) for workers in (1, 2))
            say("times as fast with two", f"{one.mapped / two.mapped:.2f}")
        for count in given.many:
            measured(write_region(home / f"many of {count}", count, small=given.small), home / f"out of {count}", 2)
        if given.kills:
            found = _kills(few, home / "out kills", given.kills, say)
            say(f"mapped once through {given.kills} kills", str(found))
        if given.driver:
            _driver(given.driver, say)
        if given.published:
            _published(given.published, say)


if __name__ == "__main__":
    main()
