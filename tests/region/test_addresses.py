"""Folders by their addresses: nothing that a stranger put there leads to anything else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from vinemap.errors import FetchError
from vinemap.region.addresses import brought, is_address, sent, text_at, without_scheme
from vinemap.region.task import fingerprint


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
