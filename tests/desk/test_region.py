"""All vineyards of the desk together: listed with whose they are, mapped as one run, what was made given out."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.builders import write_vineyard
from tests.desk.conftest import Desk
from vinemap.desk.runs import region_file, region_files, region_folder


@pytest.fixture
def county(tmp_path: Path) -> Path:
    """Two vineyards, of which region.csv knows whose they are."""
    for name in ("quillfoot", "rookhaven"):
        (tmp_path / name).mkdir()
        write_vineyard(tmp_path / name)
    (tmp_path / "region.csv").write_text(
        "folder,district,grower,share\nquillfoot,Lakeside,Ana <b>,yes\nrookhaven,Lakeside,Lee,no\n", encoding="utf-8"
    )
    return tmp_path


def test_vineyards_stand_with_whose_they_are(county: Path) -> None:
    """The page lists each with district and grower, escaped; the list of vineyards leads to it."""
    desk = Desk(county)
    try:
        client = desk.client()
        assert 'href="/region"' in client.get("/").text
        page = client.get("/region").text
        assert "Lakeside · Ana &lt;b&gt;" in page
        assert page.count("not in the bulletin") == 1
        (county / "region.csv").write_text("folder,share\nquillfoot,perhaps\n", encoding="utf-8")
        wrong = client.get("/region").text
        assert "region.csv:2" in wrong
        assert "disabled" in wrong
        assert client.get("/region/job").status_code == 404
    finally:
        desk.close()


def test_the_run_is_a_job_that_can_be_stopped(county: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It starts one process for all, in the region's one output folder, is followed by its count, and stopped."""
    desk = Desk(county)
    try:
        begun: list[tuple[object, ...]] = []
        stopped: list[object] = []
        start = type(desk.jobs).start

        def noted(jobs, vineyard: str, work: str, command: str, out: Path, **more: object):
            begun.append((vineyard, work, out, more["folder"]))
            # A folder that is not there ends at once, and says so.
            return start(jobs, vineyard, work, command, out, folder=str(county / "missing"))

        monkeypatch.setattr(type(desk.jobs), "start", noted)
        monkeypatch.setattr(type(desk.jobs), "stop", lambda _, job: stopped.append(job))
        client = desk.client()
        assert client.post("/region", follow_redirects=False).headers["location"] == "/region"
        assert begun == [("", "region", region_folder(county), str(county))]
        job = desk.jobs.of("")
        assert job is not None
        job.stages.append("vineyard 1 of 2: quillfoot")
        assert client.get("/region/job").json()["stage"] == "1 of 2 vineyards done"
        assert job.share == pytest.approx(0.2)
        client.post("/region/stop")
        assert stopped == [job]
    finally:
        desk.close()
    assert job.state == "wrong"
    assert job.problems[0].message["en"] == "there is no such folder"


def test_only_what_was_made_is_given(county: Path) -> None:
    """Pages and tables of the run, the vineyards' own too; no record of ours, and nothing beside the folder."""
    out = region_folder(county)
    for way in ("bulletin.html", "private/quillfoot/map.html", "private/.records/quillfoot.json"):
        (out / way).parent.mkdir(parents=True, exist_ok=True)
        (out / way).write_text("<p>made</p>", encoding="utf-8")
    (out / "link.html").symlink_to(county / "region.csv")
    assert region_files(county) == ["bulletin.html"]
    for way in ("private/.records/quillfoot.json", "../../region.csv", "link.html", "nothing.html"):
        assert region_file(county, way) is None
    desk = Desk(county)
    try:
        client = desk.client()
        given = client.get("/region/made/private/quillfoot/map.html")
        assert given.text == "<p>made</p>"
        assert given.headers["content-security-policy"].startswith("sandbox")
        assert client.get("/region/made/private/.records/quillfoot.json").status_code == 404
    finally:
        desk.close()
