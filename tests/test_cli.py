"""The command line: exit codes, plain words, nothing written when the input is wrong."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from rich import progress

from tests.builders import DEMO, write_demo_again, write_hollow_vineyard, write_part_of_demo
from tests.conftest import Run
from vinemap import __version__, cli


def test_version_by_module() -> None:
    """``python -m vinemap --version`` prints the version."""
    done = subprocess.run([sys.executable, "-m", "vinemap", "--version"], capture_output=True, text=True, check=True)
    assert __version__ in done.stdout


def test_every_command_has_an_example() -> None:
    """Each command's help shows how to call it."""
    for name, command in cli.commands.commands.items():
        text = CliRunner().invoke(cli.commands, [name, "--help"]).output
        assert f"Example: vinemap {name} " in text, command


def test_the_readme_names_every_command_and_no_other() -> None:
    """Each command stands in the README as it is called, and the README calls none that does not exist."""
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`vinemap (\w+)", readme)) | set(re.findall(r"bin/vinemap (\w+)", readme))
    assert named == set(cli.commands.commands)


def test_check_says_what_is_there(run: Run) -> None:
    """A good folder: a summary, exit code 0."""
    code, out, _ = run("check", str(DEMO))
    assert code == 0
    assert "8 blocks" in out
    assert "ready to map" in out


def test_a_vineyard_is_told_in_its_own_language(tmp_path: Path, run: Run) -> None:
    """What check, plan and explain print is in the language of the settings."""
    (tmp_path / "v").mkdir()
    write_hollow_vineyard(tmp_path / "v")
    toml = tmp_path / "v" / "vinemap.toml"
    toml.write_text(f'language = "es"\n{toml.read_text(encoding="utf-8")}', encoding="utf-8")
    for arguments, words in (
        (("check",), "24 muestras, todas en un cuartel."),
        (("plan", "--first", "-o", str(tmp_path / "plan")), "de 2 cuarteles, "),
        (("explain", "--block", "Hollow"), "Por tanto: "),
    ):
        code, out, _ = run(arguments[0], str(tmp_path / "v"), *arguments[1:])
        assert code == 0
        assert words in out


def test_wrong_input_is_named_and_nothing_written(tmp_path: Path, run: Run) -> None:
    """A bad folder: each problem once with file and row, exit code 2, the last output as it was."""
    shutil.copytree(DEMO, tmp_path / "v")
    buds = (tmp_path / "v" / "buds.csv").read_text(encoding="utf-8").splitlines()
    buds[5] = buds[5].replace(",", ",x", 3)
    (tmp_path / "v" / "buds.csv").write_text("\n".join(buds), encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    (out / "map.html").write_text("last", encoding="utf-8")
    code, _, err = run("map", str(tmp_path / "v"), "-o", str(out))
    assert code == 2
    assert "buds.csv:6:" in err
    assert "Traceback" not in err
    assert [path.name for path in out.iterdir()] == ["map.html"]
    assert (out / "map.html").read_text(encoding="utf-8") == "last"


@pytest.mark.parametrize(
    "arguments", [("map", "no_such_folder"), ("map",), ("fly", "demo_blocks"), ("map", "x", "--no")]
)
def test_wrong_calls_exit_with_2(arguments: tuple[str, ...], run: Run) -> None:
    """A missing folder, argument, command or an unknown option: a sentence and exit code 2."""
    code, _, err = run(*arguments)
    assert code == 2
    assert err.strip()
    assert "Traceback" not in err


def test_a_fault_of_ours_is_told_as_one(monkeypatch, run: Run) -> None:
    """An unforeseen error: one sentence, exit code 1, no traceback."""
    monkeypatch.setattr("vinemap.pipeline.fit_to_map.check_folder", lambda _: 1 / 0)
    code, _, err = run("check", "anything")
    assert code == 1
    assert "fault of vinemap" in err
    assert "Traceback" not in err


def test_map_ends_with_the_page(tmp_path: Path, monkeypatch, run: Run) -> None:
    """A run says which block froze worst, and its last line is the page's path; --open opens it."""
    write_part_of_demo(tmp_path / "v", "Larkrise", "Dipper")
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", opened.append)
    code, out, _ = run("map", str(tmp_path / "v"), "-o", str(tmp_path / "out"), "--open")
    assert code == 0
    assert out.splitlines()[-1] == str(tmp_path / "out" / "map.html")
    assert "% of primary buds dead" in out
    assert opened == [(tmp_path / "out" / "map.html").as_uri()]


def test_demo_writes_a_vineyard_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    """The demonstration goes to a new folder, and never over somebody's files."""
    monkeypatch.setattr("vinemap.demo.write_demo", write_demo_again)
    assert run("demo", str(tmp_path / "d"))[0] == 0
    code, _, err = run("demo", str(tmp_path / "d"))
    assert code == 2
    assert "already there" in err


def test_explain_shows_the_sums(tmp_path: Path, run: Run) -> None:
    """The chain of one block begins with its counts and ends with its action; a wrong name gets the nearest one."""
    (tmp_path / "v").mkdir()
    write_hollow_vineyard(tmp_path / "v")
    code, out, _ = run("explain", str(tmp_path / "v"), "--block", "Hollow")
    assert code == 0
    assert "primary" in out.splitlines()[0]
    assert "So: " in out
    code, _, err = run("explain", str(tmp_path / "v"), "--block", "hollow")
    assert code == 2
    assert "'Hollow'" in err
    samples = pd.read_csv(tmp_path / "v" / "samples.csv")["sample"]
    pd.DataFrame({"sample": samples, "nodes": 30, "shoots": 12}).to_csv(tmp_path / "shoots.csv", index=False)
    shoots = ("--shoots", str(tmp_path / "shoots.csv"))
    code, out, _ = run("explain", str(tmp_path / "v"), "--block", "Hollow", *shoots)
    assert code == 0
    assert "Counted after budbreak on all" in out


def test_spring_holds_shoots_against_the_map(tmp_path: Path, run: Run) -> None:
    """Shoot counts give a calibration table and a corrected map."""
    write_part_of_demo(tmp_path / "v", "Larkrise", "Dipper")
    samples = pd.read_csv(tmp_path / "v" / "samples.csv")["sample"]
    pd.DataFrame({"sample": samples, "nodes": 30, "shoots": 12}).to_csv(tmp_path / "shoots.csv", index=False)
    arguments = ("spring", str(tmp_path / "v"), str(tmp_path / "shoots.csv"), "-o", str(tmp_path / "out"))
    code, out, _ = run(*arguments)
    assert code == 0
    assert f"{18 * len(samples):,} of {30 * len(samples):,} nodes" in out
    assert (tmp_path / "out" / "map.html").exists()
    blocks = pd.read_csv(tmp_path / "out" / "blocks.csv")
    assert set(blocks["action"]) <= {
        "carry_on",
        "keep_shoots",
        "keep_suckers",
        "retrain",
        "replant_candidate",
        "no_data",
        "work_by_zone",
    }
    assert blocks["nodes_to_keep"].isna().all()
    assert "The map rests on 600 nodes counted on 20 samples after budbreak" in out
    sheet = (tmp_path / "out" / "crew_sheet_en.html").read_text(encoding="utf-8")
    plain = re.sub(r"<style.*?</style>|<[^>]+>", " ", sheet, flags=re.DOTALL)
    for said in (out, plain, blocks.to_csv()):
        assert not re.search(r"look again after budbreak|Wait for budbreak|\b[Pp]rune\b|Keep [^.]{1,20} nodes", said)
    calibration = pd.read_csv(tmp_path / "out" / "spring_calibration.csv")
    assert calibration["nodes"].sum() == 30 * len(samples)
    assert "no more than chance would give" in out or "more than chance would give" in out
    told = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["spring"]
    assert told["razor"][0]["samples"] == len(samples)
    assert told["razor_published_pct"] == 83.0


def test_bench_merge_and_template(tmp_path: Path, run: Run) -> None:
    """The bench page for a folder's samples, two tables put into one, and empty tables to fill."""
    page = tmp_path / "bench.html"
    assert run("bench", str(DEMO / "samples.csv"), "-o", str(page))[0] == 0
    assert "RA01" in page.read_text(encoding="utf-8")
    buds = pd.read_csv(DEMO / "buds.csv", keep_default_na=False)
    first = buds["sample"] < "K"
    for name, part in (("one.csv", buds[first]), ("two.csv", buds[~first])):
        part.to_csv(tmp_path / name, index=False)
    tables = [str(tmp_path / name) for name in ("one.csv", "two.csv")]
    code, out, _ = run("merge", *tables, "-o", str(tmp_path / "all.csv"))
    assert code == 0
    assert f"{len(buds):,}" in out
    assert len(pd.read_csv(tmp_path / "all.csv")) == len(buds)
    assert run("template", str(tmp_path / "t"))[0] == 0
    assert list((tmp_path / "t").iterdir())


def test_plan_writes_the_sheet_and_the_bench(tmp_path: Path, run: Run) -> None:
    """A first round on the demonstration's blocks: how many canes, the printed sheet, points for a phone, the bench."""
    out = tmp_path / "plan"
    code, told, _ = run("plan", str(DEMO), "--first", "-o", str(out))
    assert code == 0
    points = pd.read_csv(out / "samples.csv")
    assert f"{len(points)} canes from 8 blocks" in told
    assert told.splitlines()[-1] == str(out / "plan.html")
    assert {"plan.html", "plan.gpx", "plan.kml", "plan.geojson", "buds.csv", "bench.html"} <= {
        p.name for p in out.iterdir()
    }
    assert points["sample"][0] in (out / "bench.html").read_text(encoding="utf-8")


def test_nobody_s_tables_are_replaced(tmp_path: Path, run: Run) -> None:
    """The vineyard's own folder, a filled table of buds, and tables that were not named are refused, and stay."""
    shutil.copytree(DEMO, tmp_path / "v")
    buds, samples = (tmp_path / "v" / name for name in ("buds.csv", "samples.csv"))
    filled = tmp_path / "plan"
    filled.mkdir()
    (filled / "buds.csv").write_bytes(buds.read_bytes())
    (tmp_path / "other.csv").write_text("mine", encoding="utf-8")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    calls = [
        ("map", str(tmp_path / "v"), "-o", str(tmp_path / "v")),
        ("plan", str(tmp_path / "v"), "--first", "-o", str(tmp_path / "v")),
        ("plan", str(tmp_path / "v"), "--first", "-o", str(filled)),
        ("merge", str(buds), "-o", str(tmp_path / "other.csv")),
        ("bench", str(samples), "-o", str(samples)),
    ]
    for call in calls:
        code, _, err = run(*call)
        assert code == 2, call
        assert "nothing was written" in err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_a_path_that_cannot_be_used_is_no_fault_of_ours(tmp_path: Path, run: Run) -> None:
    """An output folder that is a file, or a table that is not there: named, exit code 2."""
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    calls = [
        ("map", str(DEMO), "-o", str(tmp_path / "taken")),
        ("spring", str(DEMO), str(tmp_path / "missing.csv")),
    ]
    for call in calls:
        code, _, err = run(*call)
        assert code == 2, call
        assert Path(call[-1]).name in err
        assert "fault of vinemap" not in err


def test_check_refuses_what_map_would(tmp_path: Path, run: Run) -> None:
    """Two samples are too few to map, and check says so in the words of map."""
    shutil.copytree(DEMO, tmp_path / "v")
    for name in ("samples.csv", "buds.csv"):
        table = pd.read_csv(tmp_path / "v" / name, dtype=str)
        table[table["sample"].isin(["RA01", "RA02"])].to_csv(tmp_path / "v" / name, index=False)
    wood = tmp_path / "v" / "wood.csv"
    wood.unlink(missing_ok=True)
    told = [run(command, str(tmp_path / "v"))[::2] for command in ("check", "map")]
    assert told[0] == told[1]
    assert told[0][0] == 2
    assert "2 samples with a primary bud read lie in a block" in told[0][1]


def test_each_round_of_a_region_has_its_own_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Once all have taught, the bar is not done: the maps begin anew, and the time of the lessons is none of theirs."""
    bars: list[progress.Progress] = []

    class Kept(progress.Progress):
        def __init__(self, *columns: object, **options: object) -> None:
            super().__init__(*columns, **options)
            bars.append(self)

    monkeypatch.setattr(progress, "Progress", Kept)
    with cli._counted() as counted:
        (bar,) = bars[0].tasks
        for total in (3, 3):
            for done in range(1, total + 1):
                counted(done, total, f"plot{done}", None)
                assert (bar.completed, bar.total, bar.finished) == (done, total, done == total)
