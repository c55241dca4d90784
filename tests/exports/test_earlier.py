"""Earlier runs on the same ground: read back safely, weighed in the next map, and never counted twice."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.builders import write_hollow_vineyard, write_vineyard
from vinemap.errors import InputError
from vinemap.exports.earlier import kept_outputs, read_earlier, refuse_twice
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.reading.vineyard import read_site
from vinemap.settings import EvidenceOf, Settings


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A vineyard with a hollow, and the run of a freeze in 2024."""
    home = tmp_path_factory.mktemp("before")
    folder = home / "hollow"
    folder.mkdir()
    write_hollow_vineyard(folder)
    settings = folder / "vinemap.toml"
    settings.write_text(f"event_date = 2024-01-20\n{settings.read_text()}", encoding="utf-8")
    write_map(make_map(folder), home / "out")
    return folder, home / "out"


@pytest.fixture
def now(before: tuple[Path, Path], tmp_path: Path) -> Path:
    """The same vineyard after a freeze in 2026, with other counts and fewer canes."""
    folder = tmp_path / "now"
    shutil.copytree(before[0], folder)
    settings = folder / "vinemap.toml"
    settings.write_text(settings.read_text().replace("2024", "2026"), encoding="utf-8")
    lines = (folder / "buds.csv").read_text().splitlines()
    (folder / "buds.csv").write_text("\n".join(line for line in lines if not line.startswith("s1,1,1,")) + "\n")
    return folder


def test_the_next_map_learns_from_it(before: tuple[Path, Path], now: Path) -> None:
    """The freeze stands in run.json, is among what was weighed, and what it shows is told in plain words."""
    run = make_map(now, after=[before[1]])
    assert run.report["after"] == ["2024-01-20"]
    assert run.report["model"]["covariates_weighed"]["winters"] > 0.5
    assert any(str(said).startswith("Where earlier freezes did most harm, against where") for said in run.findings)
    assert "after" not in make_map(now).report


def test_the_same_canes_or_freeze_are_refused(before: tuple[Path, Path], now: Path) -> None:
    """A map of these very canes, of the same night, or one run named twice would count evidence twice."""
    folder, out = before
    with pytest.raises(InputError, match="is a map of the same cut canes"):
        make_map(folder, after=[out])
    settings = now / "vinemap.toml"
    settings.write_text(settings.read_text().replace("2026", "2024"), encoding="utf-8")
    with pytest.raises(InputError, match="is a map of the same freeze, 2024-01-20"):
        make_map(now, after=[out])
    with pytest.raises(InputError, match="is a map of the same cut canes"):
        refuse_twice([read_earlier(out), read_earlier(out)])


def test_a_map_that_learnt_from_another_is_not_named_beside_it(before: tuple[Path, Path]) -> None:
    """What a map took over from an earlier freeze would count twice beside that freeze's own map."""
    first = read_earlier(before[1])
    second = replace(first, winter=replace(first.winter, name="2026-01-22"), digests={}, after=("2024-01-20",))
    refuse_twice([second])
    with pytest.raises(InputError, match="has learnt from the freeze of 2024-01-20, which is named too"):
        refuse_twice([first, second])


def test_other_ground_and_other_folders_are_refused(before: tuple[Path, Path], tmp_path: Path) -> None:
    """A run of other ground is no evidence, and a folder without a run is named."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    write_vineyard(elsewhere)
    ground = read_site(elsewhere).blocks
    with pytest.raises(InputError, match="holds the map of other ground"):
        read_earlier(before[1], ground.set_geometry(ground.geometry.translate(50_000)))
    with pytest.raises(InputError, match="is no output folder of vinemap"):
        read_earlier(elsewhere)


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        '{"settings": {"language": [], "units": {}}}',
        '{"event_date": 5, "inputs": [1], "made": "x"}',
        "null",
        "[" * 100_000,
    ],
)
def test_a_strange_record_says_nothing(before: tuple[Path, Path], tmp_path: Path, text: str) -> None:
    """run.json that is broken or of another make leaves the surface, under the folder's name."""
    out = tmp_path / "copy"
    shutil.copytree(before[1], out)
    (out / "run.json").write_text(text, encoding="utf-8")
    found = read_earlier(out)
    assert (found.winter.name, found.dated, found.cut) == ("copy", False, {})


def test_the_record_names_the_freeze(before: tuple[Path, Path]) -> None:
    """Date and digests come from run.json, and all three bands from injury.tif."""
    found = read_earlier(before[1])
    written = json.loads((before[1] / "run.json").read_text(encoding="utf-8"))["inputs"]
    assert (found.winter.name, found.dated) == ("2024-01-20", True)
    assert found.cut == {name: written[name] for name in ("samples.csv", "buds.csv")}
    assert set(found.winter.surface) == {"primary_injury", "primary_low", "primary_high"}


@pytest.mark.parametrize("name", ["vineyard.gpkg", "injury.tif"])
def test_a_run_reads_nothing_beyond_its_folder(before: tuple[Path, Path], tmp_path: Path, name: str) -> None:
    """A stranger's output folder may hold links to files that are not theirs to give."""
    out = tmp_path / "run"
    shutil.copytree(before[1], out)
    read_earlier(out)
    shutil.move(out / name, tmp_path / name)
    (out / name).symlink_to(tmp_path / name)
    with pytest.raises(InputError, match="is no output folder of vinemap"):
        read_earlier(out)


def test_the_settings_name_outputs_inside_the_folder_alone(tmp_path: Path) -> None:
    """``[evidence] after`` is read from the vineyard's folder on; a way out of it is refused by key."""
    kept = Settings(evidence=EvidenceOf(after=["winter_2023", "old/2021"]))
    assert kept_outputs(tmp_path, kept) == [tmp_path / "winter_2023", tmp_path / "old" / "2021"]
    (tmp_path / "link").symlink_to(tmp_path.parent)
    for name in ("../elsewhere", str(tmp_path.parent), "link"):
        with pytest.raises(InputError, match=r"vinemap\.toml: evidence\.after: .* leads out of the vineyard's folder"):
            kept_outputs(tmp_path, Settings(evidence=EvidenceOf(after=[name])))


def test_a_surface_too_large_to_read_back_is_named(before: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Its cells are counted before any is read."""
    monkeypatch.setattr("vinemap.exports.formats._MOST_CELLS", 100)
    with pytest.raises(InputError, match=r"injury\.tif: has [\d,]+ cells, and at most 100 are read back"):
        read_earlier(before[1])
