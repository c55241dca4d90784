"""A vineyard's folder from somebody else, opened on the desk: nothing leads out of it, and nothing breaks the pages."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.desk.conftest import Desk
from tests.reading.strangers import state
from vinemap.desk.vineyards import Vineyards
from vinemap.errors import InputError
from vinemap.reading.vineyard import read_vineyard

HERE = "/vineyards/vineyard"


def _lines(home: Path, *entries: object) -> None:
    home.mkdir()
    (home / "journal.jsonl").write_text("\n".join(map(json.dumps, entries)) + "\n" + "[" * 100_000 + "\n")


@pytest.mark.parametrize("link", ["", "/journal.jsonl", "/given", "/given/buds.csv.part", "/former", "/copy"])
def test_a_folder_from_somebody_else_takes_nothing_elsewhere(folder: Path, tmp_path: Path, link: str) -> None:
    """What the desk would write, by a link in its own folder, to another place: the folder is not opened."""
    target = tmp_path / "elsewhere"
    target.mkdir()
    (folder / f".desk{link}").parent.mkdir(parents=True, exist_ok=True)
    (folder / f".desk{link}").symlink_to(target)
    with pytest.raises(InputError, match=r"\.desk.* is a link"):
        Vineyards(folder)
    assert state(target) == {}


def test_a_journal_that_is_a_pipe_is_not_waited_for(folder: Path) -> None:
    """It is named as what it is."""
    (folder / ".desk").mkdir()
    os.mkfifo(folder / ".desk" / "journal.jsonl")
    with pytest.raises(InputError, match="is a pipe or a device"):
        Vineyards(folder)


def test_a_journal_from_somebody_else_changes_what_it_may(folder: Path) -> None:
    """Files of other folders, cells past any table, layers that are none, shapes that are none: as if not written."""
    cell = {"kind": "cell", "file": "buds.csv", "row": 2, "column": 0, "value": "x"}
    feature = {"kind": "feature", "layer": "blocks", "id": "2", "feature": {"geometry": {"type": "Polygon"}}}
    _lines(
        folder / ".desk",
        *({**cell, "file": name} for name in ("../other.csv", "/etc/hosts", "..", "")),
        *({**cell, "row": row} for row in (0, -1, 10**12)),
        *({**cell, "column": column} for column in (-1, 10**12)),
        {**feature, "layer": "rows"},
        {**feature, "id": "../2"},
        feature,
    )
    desk = Desk(folder)
    try:
        client = desk.client()
        for page in ("", "/check", "/places.json", "/faults.json", "/table/buds.csv"):
            assert client.get(f"{HERE}{page}").status_code == 200
        before = state(folder)
        assert client.post(f"{HERE}/save", follow_redirects=False).status_code == 303
        assert {name for name in state(folder) if not name.startswith(".")} == {
            name for name in before if not name.startswith(".")
        }
        assert (folder / "buds.csv").read_text().startswith("sample,cane")
        assert len(read_vineyard(folder).site.blocks) == 3
    finally:
        desk.close()


def test_a_shape_that_is_none_of_a_layers_has_no_place(client: TestClient, folder: Path) -> None:
    """A collection among the outlines, as one program or another writes, is drawn as what it is not: nothing."""
    layer = json.loads((folder / "blocks.geojson").read_text())
    shape = layer["features"][0]["geometry"]
    layer["features"][0]["geometry"] = {"type": "GeometryCollection", "geometries": [shape]}
    (folder / "blocks.geojson").write_text(json.dumps(layer))
    found = client.get(f"{HERE}/places.json").json()["blocks"]["features"]
    assert [one["geometry"] is None for one in found] == [True, False, False]


@pytest.mark.parametrize(
    "table", ["block,map_injury_pct\nAsh,much\nBirch,inf\n", 'block,map_injury_pct\n"Ash', "\x00\x00", "", None]
)
def test_outputs_of_somebody_else_are_compared_or_refused(client: TestClient, folder: Path, table: str | None) -> None:
    """Tables that are none, and pipes, hold nothing up."""
    out = folder / "outputs" / "2026-01-23-080000-map"
    out.mkdir(parents=True)
    (out / "run.json").write_text('{"vinemap": "1", "name": "Hof"}')
    (out / "map.html").write_text("<p>")
    if table is None:
        os.mkfifo(out / "blocks.csv")
    else:
        (out / "blocks.csv").write_text(table)
    answer = client.get(f"{HERE}/compare?then={out.name}&now={out.name}")
    assert answer.status_code in (200, 404, 409)
    assert client.get(f"{HERE}/results").status_code == 200
