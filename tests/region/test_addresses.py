"""Folders by their addresses: nothing that a stranger put there leads to anything else."""

from __future__ import annotations

import os
import threading
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from tests.builders import write_vineyard
from tests.forks import forked_workers
from vinemap.errors import FetchError
from vinemap.region.addresses import brought, is_address, sent, text_at, without_scheme
from vinemap.region.region import map_region
from vinemap.region.task import Task, fingerprint, map_member
from vinemap.states import Mapped


def test_an_address_on_this_disk_is_a_path() -> None:
    """So that links and pipes in it are judged as those of any folder."""
    assert without_scheme("file:///srv/county/hill") == "/srv/county/hill"
    assert without_scheme("LOCAL:///srv/county") == "/srv/county"
    assert not is_address(without_scheme("file:///srv/county"))
    assert without_scheme("s3://bucket/county") == "s3://bucket/county"


def test_what_an_earlier_run_is_said_to_have_written_is_its_own() -> None:
    """run.json at an address may be somebody else's: no file outside the folder is removed for it."""
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    try:
        for place in ("/county/hill/map.html", "/county/other.csv", "/elsewhere.csv"):
            memory.pipe_file(place, b"x")
        former = {"../other.csv", "/elsewhere.csv", "a/../../other.csv", "map.html"}
        with brought("memory://county/hill") as local:
            (local / "map.html").unlink()
            (local / "run.json").write_text("{}")
            sent(local, "memory://county/hill", former, "run.json")
        assert sorted(memory.find("/")) == ["/county/hill/run.json", "/county/other.csv", "/elsewhere.csv"]
    finally:
        memory.rm("/", recursive=True)


def test_a_record_is_read_where_versions_come_before_ranges(monkeypatch: pytest.MonkeyPatch) -> None:
    """S3's `cat_file` takes a version second (s3fs 2026.9, with which vinemap was run against moto's server)."""
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    plain = type(memory).cat_file

    def versioned(self: object, path: str, version: str | None = None, start: int = 0, end: int | None = None) -> bytes:
        assert version is None
        return bytes(plain(self, path, start, end))

    monkeypatch.setattr(type(memory), "cat_file", versioned)
    try:
        memory.pipe_file("/county/run.json", b"{}")
        assert text_at("memory://county/run.json") == "{}"
        assert text_at("memory://county/none.json") is None
    finally:
        memory.rm("/", recursive=True)


def test_a_region_behind_http_is_mapped_as_at_its_path(tmp_path: Path) -> None:
    """A server of this machine and a worker of its own process: the figures are those of the folders themselves."""
    names = ("upper creek", "Piñón")
    for name in names:
        (tmp_path / "county" / name).mkdir(parents=True)
        write_vineyard(tmp_path / "county" / name)
        (tmp_path / "county" / name / "vinemap.toml").write_text("[surface]\ncell_m = 10.0\n", encoding="utf-8")
    rows = ["folder,district,grower", *(f"{name},Lakeside,{name}'s" for name in names)]
    (tmp_path / "county" / "region.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    served = partial(_Silent, directory=str(tmp_path))
    with ThreadingHTTPServer(("127.0.0.1", 0), served) as server:
        threading.Thread(target=server.serve_forever).start()
        try:
            home = f"http://127.0.0.1:{server.server_port}/county"
            with forked_workers():
                found = map_region(home, tmp_path / "out", workers=1)
            # Here, and not by another worker: once nothing is new, once a file is.
            task = Task(f"{home}/{names[0]}", str(tmp_path / "out" / "private"))
            assert map_member(task).state == Mapped.UNCHANGED
            with (tmp_path / "county" / names[0] / "samples.csv").open("a", encoding="utf-8") as table:
                table.write("\n")
            assert map_member(task).state == Mapped.MAPPED
        finally:
            server.shutdown()
    assert set(found.outcomes) == set(names)
    for name, outcome in found.outcomes.items():
        assert outcome.state == Mapped.MAPPED, outcome.problems
        assert (tmp_path / "out" / "private" / name / "map.html").exists()
    there = map_member(Task(str(tmp_path / "county" / names[1]), str(tmp_path / "there")))
    assert found.outcomes[names[1]].figures == there.figures
    assert found.region.name == "county"


class _Silent(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        """Print no line a request."""


def test_records_are_small_plain_files(tmp_path: Path) -> None:
    """A pipe is not waited for, bytes that are no text stop nothing, a link out of a folder is no part of it."""
    os.mkfifo(tmp_path / "pipe")
    assert text_at(str(tmp_path / "pipe")) is None
    (tmp_path / "bytes").write_bytes(b"\xff\xfe{")
    assert isinstance(text_at(str(tmp_path / "bytes")), str)
    (tmp_path / "hill").mkdir()
    (tmp_path / "hill" / "samples.csv").write_text("sample")
    mark = fingerprint(tmp_path / "hill", pdf=False)
    (tmp_path / "hill" / "more.csv").symlink_to(tmp_path / "bytes")
    assert fingerprint(tmp_path / "hill", pdf=False) == mark


def test_more_than_a_vineyard_holds_is_not_brought(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes of a folder are added up before any is copied here."""
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    monkeypatch.setattr("vinemap.region.addresses._MOST_BYTES", 10)
    try:
        memory.pipe_file("/county/hill/elevation.tif", b"x" * 11)
        with pytest.raises(FetchError, match="holds more than"), brought("memory://county/hill"):
            pass
    finally:
        memory.rm("/", recursive=True)
