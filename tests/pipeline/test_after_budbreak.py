"""A whole run after budbreak: what is written rests on shoots, and follows from what grew."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from tests.builders import write_hollow_vineyard
from vinemap.errors import InputError
from vinemap.pipeline.after_budbreak import check_spring
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_spring
from vinemap.states import Action


@pytest.fixture(scope="module")
def hollow(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A vineyard whose west half the winter's razor called 89 % dead; primaries alone were read."""
    home = tmp_path_factory.mktemp("spring") / "hollow"
    home.mkdir()
    return write_hollow_vineyard(home)


def shoots(folder: Path, path: Path, grew: dict[bool, int], rows: int | None = None) -> Path:
    """Forty nodes on a vine of each sample, of which so many grew in the winter's bad half and elsewhere."""
    samples = pd.read_csv(folder / "samples.csv").head(rows or 1000)
    buds = pd.read_csv(folder / "buds.csv")
    bad = buds["primary"].eq("dead").groupby(buds["sample"]).mean().reindex(samples["sample"]) > 0.5
    table = pd.DataFrame({"sample": samples["sample"], "nodes": 40, "shoots": bad.map(grew).to_numpy(), "vines": 1})
    table.assign(suckers=3).to_csv(path, index=False)
    return path


def test_what_grew_decides(hollow: Path, tmp_path: Path) -> None:
    """The razor's bad half grew like the rest: no zone asks for more than to carry on, in any file that is written."""
    winter = make_map(hollow)
    assert "work_by_zone" in set(winter.blocks["action"])
    check, run = check_spring(hollow, shoots(hollow, tmp_path / "shoots.csv", {True: 38, False: 38}))
    assert set(run.zones["action"]) == {Action.CARRY_ON}
    assert set(run.blocks["action"]) == {Action.CARRY_ON}
    # 40 nodes a vine were counted and 30 are usual, of primaries: the crop is that of the live ones, times 4 / 3.
    row = run.block("Level")
    assert row["nodes_left"] == 40
    assert row["crop_after_pct"] == pytest.approx(row["crop_before_pct"] * 40 / 30)
    written = write_spring(check, run, tmp_path / "out")
    assert written[0].name == "map.html"
    for name in ("blocks.csv", "zones.csv", "worklist.csv"):
        assert pd.read_csv(tmp_path / "out" / name)["nodes_to_keep"].isna().all()
    report = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["spring"]
    assert report["findings"][0].startswith("The map rests on 960 nodes counted on 24 samples after budbreak")
    assert any("cannot be held against what grew" in text for text in report["findings"])


def test_where_nothing_grew_suckers_decide(hollow: Path, tmp_path: Path) -> None:
    """No node grew on the vines of the bad half, which have suckers: their trunks count as dead, by what grew alone."""
    _, run = check_spring(hollow, shoots(hollow, tmp_path / "shoots.csv", {True: 0, False: 38}))
    block = run.block("Hollow")
    assert block["action"] == Action.BY_ZONE
    assert block["no_shoot_vines"] == block["sucker_vines"] == 10
    assert block["trunk_dead_vines"] == 10
    tasks = run.zones_of("Hollow").set_index("action")
    # The roots of this block are not known: suckers are kept until they are.
    assert (tasks.loc[[Action.KEEP_SUCKERS], "no_live_bud_pct"] > 80).all()
    assert (tasks.loc[[Action.CARRY_ON], "no_live_bud_pct"] < 15).all()


def test_two_counts_are_no_map(hollow: Path, tmp_path: Path) -> None:
    """Where too few were counted to map, that is said first, and nothing is prescribed."""
    check, run = check_spring(hollow, shoots(hollow, tmp_path / "shoots.csv", {True: 38, False: 38}, rows=2))
    assert run.report["spring"]["findings"][0].key == "spring.unchanged"
    assert set(run.blocks["action"]) == {Action.NO_DATA}
    assert (tmp_path / "out" / "map.html") in write_spring(check, run, tmp_path / "out")


def test_a_wrong_table_is_told_before_the_map_is_made(hollow: Path, tmp_path: Path) -> None:
    """Nobody waits for a map to hear that the table of shoots is not there."""
    stages: list[str] = []
    with pytest.raises(InputError, match=r"missing\.csv"):
        check_spring(hollow, tmp_path / "missing.csv", stages.append)
    assert stages == ["reading"]
