"""A region as a whole: vineyards as `vinemap map` has them, faults that stop nobody, and a run that goes on."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import pandas as pd
import pytest

from tests.builders import blocks, samples, samples_table, write_elevation, write_vineyard
from tests.forks import forked_workers
from tests.region.chores import until
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.region.region import RegionRun, faults, map_region, told
from vinemap.region.task import Outcome, Task, map_member
from vinemap.states import Mapped

ROOT = Path(__file__).parents[2]
GROWERS = ("Amaranth Vale", "Brackenridge", "Cobblewick", "Dunmorrow")


def write_region(home: Path) -> Path:
    """Write four vineyards of four growers in one district, the last with a fault, and one more of the third."""
    rows = ["folder,district,grower"]
    for number, name in enumerate(("quillfoot", "rookhaven", "saltmarch", "thistledown", "umberlea")):
        (home / name).mkdir(parents=True)
        write_vineyard(home / name)
        varieties = ["Riesling", "Cab Franc", "Riesling"]
        blocks(block=[f"{name} {part}" for part in "xyz"], variety=varieties).to_crs(4326).to_file(
            home / name / "blocks.geojson", driver="GeoJSON"
        )
        (home / name / "vinemap.toml").write_text("[surface]\ncell_m = 10.0\n", encoding="utf-8")
        rows.append(f"{name},Lakeside,{GROWERS[min(number, 3)] if number != 4 else GROWERS[2]}")
    buds = pd.read_csv(home / "quillfoot" / "buds.csv")
    buds.assign(primary=buds["primary"].where(buds["node"] != 2, "dead")).to_csv(
        home / "quillfoot" / "buds.csv", index=False
    )
    write_elevation(home / "quillfoot" / "elevation.tif")
    broken = home / "thistledown" / "buds.csv"
    broken.write_text(broken.read_text(encoding="utf-8").replace("A1,1,2,alive", "A1,1,2,purple"), encoding="utf-8")
    (home / "region.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return home


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RegionRun, list[tuple[int, int, str]]]:
    """One region, mapped by two processes: its home, with ``county`` and ``out``, what was found, what was reported."""
    home = tmp_path_factory.mktemp("region")
    reported: list[tuple[int, int, str]] = []

    def done(count: int, total: int, name: str, _: Outcome) -> None:
        reported.append((count, total, name))

    with forked_workers():
        found = map_region(write_region(home / "county"), home / "out", workers=2, done=done)
    return home, found, reported


def test_one_fault_stops_no_other(run) -> None:
    """The faulty vineyard stands in the table with its message, the others are mapped, each reported once."""
    home, found, reported = run
    assert [count for count, _, _ in reported] == [1, 2, 3, 4, 5]
    assert len({name for _, _, name in reported}) == 5
    assert found.count(Mapped.MAPPED) == 4
    (fault,) = faults(found)
    assert str(fault).startswith("thistledown: buds.csv:3: primary:")
    assert "4 vineyards mapped, 0 as they were before, 1 could not be mapped." in map(str, told(found))
    table = pd.read_csv(home / "out" / "private" / "vineyards.csv")
    assert table["state"].tolist() == ["mapped"] * 4 + ["wrong input"]
    assert table["folder"].iloc[0] == "quillfoot"
    assert "buds.csv:3: primary:" in table["message"].iloc[-1]
    assert sorted(table["more_canes"].dropna()) == [1, 2, 3, 4]
    assert not (home / "out" / "private" / "thistledown").exists()


def _plain(path: Path) -> bytes:
    """Return a file without the moment at which it was made."""
    return re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", b"", path.read_bytes())


def test_each_is_mapped_as_map_does(run) -> None:
    """Tables, grids and pages of a vineyard are those of `vinemap map` to the byte, but for the time of day."""
    home, _, _ = run
    county, out = home / "county", home / "alone"
    written = write_map(make_map(county / "quillfoot"), out)
    ours = home / "out" / "private" / "quillfoot"
    assert {path.name for path in ours.iterdir()} == {path.name for path in written}
    compared = [path for path in written if path.suffix in (".csv", ".tif", ".html", ".qml", ".sld")]
    assert len(compared) >= 10
    for path in compared:
        assert _plain(path) == _plain(ours / path.name), path.name


def _public_text(out: Path) -> dict[str, str]:
    """Return the text of every file that is for everybody, of workbooks too."""
    found = {}
    for path in sorted(out.iterdir()):
        if path.suffix == ".xlsx":
            parts = zipfile.ZipFile(path)
            found[path.name] = "".join(parts.read(name).decode("utf-8", "replace") for name in parts.namelist())
        elif path.is_file():
            found[path.name] = path.read_text(encoding="utf-8")
    return found


def test_no_public_file_tells_of_a_vineyard(run) -> None:
    """No grower, folder, file, block or sample of anybody's, and no coordinate, stands in any file beside private."""
    home, found, _ = run
    public = _public_text(home / "out")
    assert {"bulletin.html", "bulletin.csv", "bulletin.xlsx", "districts.geojson", "run.json"} == set(public)
    secret = {*GROWERS, *found.outcomes, "buds.csv", "samples.csv", "blocks.geojson", "elevation.tif", "A1", "C2"}
    points = samples_table()
    secret |= {f"{value:.3f}" for name in ("lon", "lat") for value in points[name]}
    secret |= {f"{value:.0f}" for value in (*samples().geometry.x, *samples().geometry.y)}
    for name, text in public.items():
        # Cells of a workbook are called A1 too.
        words = {word for word in secret if len(word) > 2} if name.endswith(".xlsx") else secret
        told = [word for word in sorted(words) if re.search(rf"(?<![\w.]){re.escape(word)}", text, re.IGNORECASE)]
        assert told == [], name
    assert '"geometry": null' in public["districts.geojson"]
    assert "Lakeside,shown,4,24," in public["bulletin.csv"]


def test_what_is_unchanged_is_not_mapped_again(run) -> None:
    """The same files and version: nothing is done; a changed cell, or an output that was taken away: it is."""
    home, _, _ = run
    task = Task(str(home / "county" / "rookhaven"), str(home / "out" / "private"))
    page = home / "out" / "private" / "rookhaven" / "map.html"
    before = page.stat().st_mtime_ns
    first = map_member(task)
    assert first.state == Mapped.UNCHANGED
    assert page.stat().st_mtime_ns == before
    shutil.rmtree(page.parent)
    again = map_member(task)
    assert again.state == Mapped.MAPPED
    assert again.figures == first.figures
    samples = home / "county" / "rookhaven" / "samples.csv"
    samples.write_text(samples.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert map_member(task).state == Mapped.MAPPED


def test_a_vineyard_by_an_address_goes_back_to_one(folder: Path, tmp_path: Path) -> None:
    """Through fsspec's own memory: read, mapped, sent back whole, and known again by the next run."""
    import fsspec  # noqa: PLC0415

    memory = fsspec.filesystem("memory")
    memory.put(str(folder), "/county/hill", recursive=True)
    task = Task("memory://county/hill", "memory://out/private")
    try:
        first = map_member(task)
        assert first.state == Mapped.MAPPED, first.problems
        assert b"<html" in memory.cat_file("/out/private/hill/map.html")
        run = json.loads(memory.cat_file("/out/private/hill/run.json"))
        assert all(memory.exists(f"/out/private/hill/{place}") for place in run["files"])
        assert map_member(task).state == Mapped.UNCHANGED
        missing = map_member(Task("memory://county/nothing", "memory://out/private"))
        assert missing.state == Mapped.FAILED
        assert "memory://county/nothing" in missing.problems[0]["en"]
    finally:
        memory.rm("/county", recursive=True)
        memory.rm("/out", recursive=True)


def test_ctrl_c_leaves_what_is_done_and_says_so(run, tmp_path: Path) -> None:
    """The command ends with 1 and one line that counts; what it had mapped is not mapped again."""
    home, _, _ = run
    out = tmp_path / "out"
    command = [sys.executable, "-m", "vinemap", "region", str(home / "county"), "-o", str(out), "--workers", "1"]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    records = "private/.records/*.json"
    until(lambda: process.poll() is not None or len(list(out.glob(records))) >= 2, "no vineyard was mapped")
    # As a terminal does it: the workers hear it too.
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate()
    assert process.returncode == 1
    assert re.fullmatch(r"Stopped; \d of 5 vineyards had been written, whole\.\n", said), said
    assert not (out / "bulletin.html").exists()
    name = min(path.stem for path in out.glob(records))
    assert map_member(Task(str(home / "county" / name), str(out / "private"))).state == Mapped.UNCHANGED
