"""Long work beside the server: it answers meanwhile, the bar moves, a stop leaves nothing half done."""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.desk.conftest import Desk, ended
from vinemap.desk.jobs import DONE, RUNNING, STOPPED, WRONG, Job
from vinemap.intake.elevation_tiles import elevation_sources
from vinemap.sentences import languages

HERE = "/vineyards/vineyard"


def test_a_map_from_the_desk(desk: Desk, client: TestClient, folder: Path) -> None:
    """The server answers while it runs; then the outputs are there, to open, to keep and to compare."""
    assert client.post(f"{HERE}/map").status_code == 200
    now = client.get(f"{HERE}/job").json()
    assert now["state"] == RUNNING, "answered while the work went on"
    assert client.post(f"{HERE}/map").status_code == 200, "a second click starts nothing new"
    job = ended(desk)
    assert (job.state, job.share, job.error) == (DONE, 1.0, {})
    out = folder / "outputs" / job.out
    assert len(list((folder / "outputs").iterdir())) == 1
    made = client.get(f"{HERE}/results/{job.out}/map.html")
    assert made.text == (out / "map.html").read_text(encoding="utf-8")
    assert made.headers["content-security-policy"].startswith("sandbox ")
    assert "allow-same-origin" not in made.headers["content-security-policy"]
    kept = client.get(f"{HERE}/results/{job.out}/blocks.csv")
    assert kept.headers["content-disposition"].startswith("attachment")
    assert client.get(f"{HERE}/results/{job.out}/nothing.html").status_code == 404
    compared = client.get(f"{HERE}/compare?then={job.out}&now={job.out}")
    assert compared.text.count("<td>0</td>") == 3, "three blocks, unchanged"
    assert languages()["en"]["desk.state.done"] in client.get(f"{HERE}/map").text
    # Learnt from itself it would be surer than it is: named as an earlier freeze it is refused.
    client.post(f"{HERE}/map", data={"after": job.out})
    again = ended(desk)
    assert again.state == WRONG
    assert f"--after {out}" in again.command
    assert "is a map of the same cut canes" in again.problems[0].message["en"]


def test_a_stop_leaves_nothing(desk: Desk, client: TestClient, folder: Path) -> None:
    """As Ctrl-C does: the work ends, and no outputs are there."""
    client.post(f"{HERE}/map")
    client.post(f"{HERE}/stop")
    assert ended(desk).state == STOPPED
    assert not list((folder / "outputs").glob("*/map.html"))
    assert languages()["en"]["desk.state.stopped"] in client.get(f"{HERE}/map").text


def test_the_bar_moves_with_the_stages() -> None:
    """Each stage brings it on; one that reports again does not, and after the last it is full."""
    job = Job("k", "v", "map", "vinemap map v", "out")
    shares = []
    for stage in ("reading", "survival", "terrain", "injury surface: primary", "injury surface: wood", "writing"):
        job.stages.append(stage)
        shares.append(job.share)
    assert shares == sorted(shares)
    assert shares[3] == shares[4] < shares[5] < 1
    twice = Job("k", "v", "spring", "", "")
    twice.stages = ["reading", "survival", "terrain", "injury surface: primary", "injury surface: secondary"]
    # In spring the surface is fitted twice.
    assert twice.share < shares[3]
    first = twice.share
    twice.stages += ["block averages", "scores", "injury surface: primary"]
    assert first < twice.share < shares[5]


def test_elevation_is_fetched_once_somebody_said_so(
    desk: Desk, client: TestClient, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page says what would be asked of whom, and begins nothing; its button does."""
    begun = []
    monkeypatch.setattr(desk.jobs, "start", lambda *words, **_: begun.append(words[:2]))
    (folder / "elevation.tif").unlink(missing_ok=True)
    assert f'href="{HERE}/elevation"' in client.get(f"{HERE}/files").text
    page = client.get(f"{HERE}/elevation").text
    assert "MB" in page
    assert "amazonaws.com" in page
    assert begun == []
    client.post(f"{HERE}/elevation")
    assert begun == [("vineyard", "elevation")]
    (folder / "elevation.tif").write_bytes(b"there")
    assert '<form method="post"><button' not in client.get(f"{HERE}/elevation").text
    job = Job("k", "v", "elevation", "", "")
    job.stages = ["Copernicus, tile 1 of 2: 0.1 MB", "Copernicus, tile 2 of 2: 0.1 MB"]
    assert 0.5 < job.share < 1


def test_how_much_elevation_has_come_is_said_in_the_readers_language(desk: Desk, client: TestClient) -> None:
    """The source, the tile and the megabytes, with the marks of the language."""
    source = next(iter(elevation_sources().values()))
    desk.jobs._jobs["k"] = job = Job("k", "vineyard", "elevation", "", "")
    job.stages = [f"{source.label}, tile 1 of 2: 1.5 MB"]
    for language, said in (("en", "tile 1 of 2: 1.5 MB"), ("es", "tesela 1 de 2: 1,5 MB")):
        stage = client.get(f"{HERE}/job", headers={"Accept-Language": language}).json()["stage"]
        assert stage == f"{source.said.said(language)}, {said}"
