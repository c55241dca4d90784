"""From lessons to maps: who teaches, who borrows, what is written, and when it is done again."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.builders import write_elevation
from tests.region.simulated import vineyard
from tests.region.test_learning import region as teachers_of
from vinemap.cli import commands
from vinemap.region import region as region_module
from vinemap.region.learning import prior_of, teaching
from vinemap.region.region import map_region, told
from vinemap.region.task import Outcome, Task, map_member, teach_member
from vinemap.states import Mapped
from vinemap.surface.lesson import Lesson

NAMES = [f"plot{k:02d}" for k in range(9)]


@pytest.fixture
def county(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, dict[str, str]]:
    """Nine vineyards of nine growers, the last of which does not share and the first cannot be read; their priors."""
    home = tmp_path / "county"
    rows = ["folder,district,grower,share"]
    for name in NAMES:
        (home / name).mkdir(parents=True)
        (home / name / "blocks.geojson").touch()
        rows.append(f"{name},Lakeside,Grower {name},{'no' if name == NAMES[-1] else 'yes'}")
    (home / "region.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    lessons = dict(zip(NAMES, (one.lesson for one in teachers_of(len(NAMES)).values()), strict=True))
    priors: dict[str, str] = {}

    @contextmanager
    def cluster(*_: object) -> Iterator[None]:
        yield

    def outcomes(
        tasks: Iterable[Task], _: object, work: Callable[[Task], Outcome] = map_member
    ) -> Iterator[tuple[Task, Outcome]]:
        for task in tasks:
            if work is teach_member and task.name == NAMES[0]:
                yield task, Outcome(Mapped.WRONG, ({"en": "buds.csv: is empty"},))
            elif work is teach_member:
                yield task, Outcome(Mapped.MAPPED, (), json.loads(json.dumps(lessons[task.name].to_json())))
            else:
                priors[task.name] = task.prior
                yield task, vineyard([("Riesling", "vinifera", 1.0, 40.0)])

    monkeypatch.setattr(region_module, "cluster", cluster)
    monkeypatch.setattr(region_module, "outcomes", outcomes)
    return home, priors


def test_who_teaches_and_who_borrows(county, tmp_path: Path) -> None:
    """Each sharing vineyard borrows from the other six that taught; what did not teach borrows what all seven did."""
    home, priors = county
    found = map_region(home, tmp_path / "out")
    whole = (tmp_path / "out" / "prior.json").read_text(encoding="utf-8")
    assert json.loads(whole)["vineyards"] == 7
    assert priors[NAMES[0]] == priors[NAMES[-1]] == whole
    assert {json.loads(priors[name])["vineyards"] for name in NAMES[1:-1]} == {6}
    assert len(set(priors.values())) == 8
    assert not any(word in whole for word in ("plot", "rower", "Lakeside", "Riesling"))
    assert json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["taught_by"] == 7
    assert "7 vineyards taught" in " ".join(map(str, told(found)))


def test_of_very_many_some_teach(county, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where more share than are let teach, the lot falls by their names; the rest borrow what all of those taught."""
    monkeypatch.setattr("vinemap.region.learning.MOST_TEACHERS", 6)
    home, priors = county
    map_region(home, tmp_path / "out")
    chosen = teaching(NAMES[:-1])
    assert len(chosen) == 6
    taught = chosen - {NAMES[0]}
    whole = (tmp_path / "out" / "prior.json").read_text(encoding="utf-8")
    assert json.loads(whole)["vineyards"] == len(taught)
    assert {name for name in NAMES if priors[name] == whole} == set(NAMES) - taught
    # One more takes the place of one of them, or of none.
    assert len(teaching([*NAMES[:-1], "plot99"]) & chosen) >= 5


def test_alone_nobody_borrows(county, tmp_path: Path) -> None:
    """No prior travels, and none is written; nor where the vineyards that share are too few."""
    home, priors = county
    map_region(home, tmp_path / "out", alone=True)
    assert set(priors.values()) == {""}
    rows = (home / "region.csv").read_text(encoding="utf-8").splitlines()
    (home / "region.csv").write_text("\n".join(row.replace("yes", "no") for row in rows), encoding="utf-8")
    map_region(home, tmp_path / "none")
    assert set(priors.values()) == {""}
    assert not any((tmp_path / name / "prior.json").exists() for name in ("out", "none"))


def test_a_vineyard_teaches_and_is_mapped_with_a_prior(folder: Path, tmp_path: Path) -> None:
    """Its lesson is kept and known again; with another prior it is mapped again, and its run says what it borrowed."""
    write_elevation(folder / "elevation.tif")
    prior = prior_of(list(teachers_of(8).values())).to_json()
    task = Task(str(folder), str(tmp_path / "private"), prior=prior)
    first, again = teach_member(task), teach_member(task)
    assert (first.state, again.state) == (Mapped.MAPPED, Mapped.UNCHANGED)
    lesson = Lesson.from_json(again.figures)
    assert np.linalg.eigvalsh(lesson.precision).min() > -1e-9
    assert lesson.precision.shape == (len(lesson.varieties) + len(lesson.terrain),) * 2
    mapped = map_member(task)
    assert mapped.state == Mapped.MAPPED, mapped.problems
    run = json.loads((tmp_path / "private" / folder.name / "run.json").read_text(encoding="utf-8"))
    assert run["model"]["borrowed"] == 8
    assert map_member(task).state == Mapped.UNCHANGED
    page = (tmp_path / "private" / folder.name / "map.html").read_text(encoding="utf-8")
    assert re.search(r'"borrowed":\s*8\b', page)
    assert all(words in page for words in ("The map borrows from {vineyards}", "toma prestado de otros {vineyards}"))


def test_a_file_of_a_prior_on_the_command_line(folder: Path, tmp_path: Path) -> None:
    """`explain --prior` says what it borrowed; a file that is none is named; with shoots it is refused."""
    (tmp_path / "prior.json").write_text(prior_of(list(teachers_of(8).values())).to_json(), encoding="utf-8")
    call = ["explain", str(folder), "--block", "Ash", "--prior"]
    said = CliRunner().invoke(commands, [*call, str(tmp_path / "prior.json")])
    assert said.exit_code == 0, said.output
    assert "borrows from 8 other vineyards" in " ".join(said.output.split())
    refused = CliRunner().invoke(commands, [*call, str(tmp_path / "prior.json"), "--shoots", "shoots.csv"])
    assert refused.exit_code == 2
    (tmp_path / "prior.json").write_text("{}", encoding="utf-8")
    wrong = CliRunner().invoke(commands, [*call, str(tmp_path / "prior.json")])
    assert "vineyards" in str(wrong.output) + str(wrong.exception)
