"""A block whose zones differ says so wherever its action stands, and names every zone's task."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from tests.builders import CRS, Html, write_hollow_vineyard
from vinemap.decisions.actions import NODES_TWICE, decide, task_sentence
from vinemap.decisions.by_zone import settled, tasks
from vinemap.decisions.explain import explain_block
from vinemap.pipeline.map_run import MapRun
from vinemap.pipeline.mapping import make_map
from vinemap.pipeline.writing import write_map
from vinemap.sentences import section
from vinemap.settings import Settings


@dataclass(frozen=True)
class Hollow:
    """A finished run over a block half in a hollow."""

    run: MapRun
    out: Path

    @property
    def block(self) -> pd.Series:
        return self.run.block("Hollow")

    @property
    def zones(self) -> pd.DataFrame:
        return self.run.zones_of("Hollow")


@pytest.fixture(scope="module")
def hollow(tmp_path_factory: pytest.TempPathFactory) -> Hollow:
    home = tmp_path_factory.mktemp("hollow")
    run = make_map(write_hollow_vineyard(home))
    write_map(run, home / "out")
    return Hollow(run, home / "out")


def test_the_case_has_zones_that_differ(hollow: Hollow) -> None:
    """Half of the block is nearly dead and half fine: its mean gives a number that suits neither."""
    zones = hollow.zones
    assert zones["action"].iloc[0] == "prune_long_wait"
    assert zones["action"].iloc[-1] == "as_usual"
    assert zones["injury_pct"].iloc[0] > 80
    by_mean = decide(pd.DataFrame([hollow.block]), Settings())
    assert by_mean["nodes_to_keep"].item() > 40


def test_the_row_of_the_block_gives_no_number(hollow: Hollow) -> None:
    """In blocks.csv and the GeoPackage: an action of its own, no nodes to keep, and the zones' nodes in a column."""
    written = pd.read_csv(hollow.out / "blocks.csv").set_index("block").loc["Hollow"]
    layer = gpd.read_file(hollow.out / "vineyard.gpkg", layer="blocks").set_index("block").loc["Hollow"]
    zones = hollow.zones
    nodes = "; ".join(
        f"{row.zone}: {row.action if np.isnan(row.nodes_to_keep) else int(row.nodes_to_keep)}"
        for row in zones.itertuples()
    )
    for row in (written, layer):
        assert row["action"] == "work_by_zone"
        assert row["grade"] == "by_zone"
        assert row["zone_nodes"] == nodes
        empty = ["nodes_to_keep", "nodes_to_keep_low", "nodes_to_keep_high", "extra_pct", "crop_after_pct"]
        assert row[empty].isna().all()
    # Its ground and its vines are those of its zones, once.
    assert zones["vines"].sum() == written["vines"] == 4000
    assert zones["area_ha"].sum() == pytest.approx(written["area_ha"], abs=1e-3)


def test_every_text_of_the_block_names_every_zone(hollow: Hollow) -> None:
    """The console's findings, blocks.csv and explain say "Work by zone", each zone's vines and its own task."""
    finding = next(text for text in hollow.run.findings if text.startswith("Hollow"))
    settings = hollow.run.vineyard.site.settings
    sums = explain_block(hollow.block, settings, hollow.zones)
    assert len([text for text in sums if text.startswith("Zone ")]) == len(hollow.zones)
    for text in (finding, hollow.block["action_text"], next(text for text in sums if text.startswith("So: "))):
        assert "Work by zone. Zone " in text
        for zone in hollow.zones.to_dict("records"):
            (task,) = re.findall(rf"Zone {zone['zone']} \({zone['vines']:,} vines; [^)]*\): ([^.]*)\.", text)
            keep = zone["nodes_to_keep"]
            assert ("Prune twice: now leave" if np.isnan(keep) else f"{keep:.0f} nodes on each vine") in task
        # A zone has its number, or both counts of pruning twice.
        counts = hollow.zones["nodes_to_keep"].notna().sum() + 2 * hollow.zones["nodes_now_low"].notna().sum()
        assert len(re.findall(r"\d+ nodes (?:on|that)", text)) == counts


def test_sums_need_the_zones(hollow: Hollow) -> None:
    """A block that is worked by zone is not explained by its mean."""
    with pytest.raises(ValueError, match="its sums need its zones"):
        explain_block(hollow.block, hollow.run.vineyard.site.settings)


def test_what_crews_carry_follows_the_zones(hollow: Hollow) -> None:
    """Crew sheets, the work list and the files for a phone have a task a zone, and none for the block."""
    words = " ".join(Html((hollow.out / "crew_sheet_en.html").read_text(encoding="utf-8")).words)
    assert re.search(r"Work by zone\.\s+Each zone has a task of its own", words)
    assert "Keep more nodes than usual" not in words
    zones = pd.read_csv(hollow.out / "zones.csv").set_index("zone")
    work = pd.read_csv(hollow.out / "worklist.csv").drop_duplicates("zone").set_index("zone").loc[zones.index]
    assert work["action"].tolist() == zones["action"].tolist()
    named = gpd.read_file(hollow.out / "navigation" / "zones.geojson").set_index("zone")["description"]
    for zone, row in zones.iterrows():
        named_so = {"keep_more": "usual: 30", "prune_long_wait": "Prune twice: now leave 60 to 90 nodes"}
        task = named_so.get(row["action"]) or section("page")["en"][f"action.{row['action']}"]
        assert task in named[zone] or row["action"] == "no_data"


def test_sums_by_action_count_ground_once(hollow: Hollow) -> None:
    """run.json has hectares and vines by action from the zones alone: together the vineyard's own."""
    report = json.loads((hollow.out / "run.json").read_text(encoding="utf-8"))
    work = pd.DataFrame(report["work"])
    assert "work_by_zone" not in work["action"].tolist()
    assert work["area_ha"].sum() == pytest.approx(hollow.run.blocks["area_ha"].sum(), abs=2e-3)
    assert work["vines"].sum() == hollow.run.blocks["vines"].sum() == 6000


def _case(*zones: tuple[str, float, float], **columns: object) -> pd.Series:
    """A block of 3 ha at 40 % injury, with zones of so many hectares."""
    figures = {"block": "B", "map_injury_pct": 40.0, "map_low_pct": 35.0, "map_high_pct": 45.0, "nodes_per_vine": 30.0}
    rows = pd.DataFrame([figures | {"area_ha": 3.0, "normal_yield_t_ha": 10.0} | columns])
    decided = decide(rows, Settings())
    blocks = gpd.GeoDataFrame(rows.assign(**decided), geometry=[box(0, 0, 300, 100)], crs=CRS)
    table = pd.DataFrame(zones, columns=["action", "nodes_to_keep", "area_ha"])
    crops = {f"crop_after{end}_pct": 60.0 + 20 * np.arange(len(table)) + more for end, more in END_CROPS.items()}
    ends = {f"extra{end}_pct": 40.0 for end in END_CROPS} | {f"nodes_to_keep{end}": 42.0 for end in ("_low", "_high")}
    table = table.assign(block="B", zone=np.arange(1, len(table) + 1), grade="by_number", injury_pct=40.0, vines=100)
    twice = dict.fromkeys(NODES_TWICE, np.nan)
    table = table.assign(target_nodes=30.0, **crops, **ends, **twice, samples=3, canes=6, nodes=60)
    return settled(blocks, gpd.GeoDataFrame(table, geometry=[box(0, 0, 1, 1)] * len(table), crs=CRS), Settings()).iloc[
        0
    ]


END_CROPS = {"": 0.0, "_low": -5.0, "_high": 5.0}


def test_zones_of_one_task_leave_the_block_as_it_is() -> None:
    """Two zones that say what the block's mean says: one action, one number."""
    row = _case(("keep_more", 42.0, 1.0), ("keep_more", 42.0, 2.0))
    assert row["action"] == "keep_more"
    assert row["nodes_to_keep"] == 42.0
    assert row["zone_nodes"] is None


def test_other_nodes_alone_make_a_block_one_to_work_by_zone() -> None:
    """Two numbers of nodes are two tasks; the crop is the zones' by area: (1 x 60 + 2 x 80) / 3 of 30 tonnes."""
    row = _case(("keep_more", 42.0, 1.0), ("keep_more", 39.0, 2.0))
    assert row["action"] == "work_by_zone"
    assert row["zone_nodes"] == "1: 42; 2: 39"
    assert row["crop_after_pct"] == pytest.approx(220 / 3)
    assert row["crop_after_low_pct"] == pytest.approx(220 / 3 - 5)
    assert row["crop_after_t"] == pytest.approx(22.0)


def test_one_task_other_than_the_mean_s_is_the_block_s_too() -> None:
    """A block must not say what none of its ground is to get."""
    row = _case(("check_wood", np.nan, 3.0))
    assert row["action"] == "check_wood"
    assert np.isnan(row["nodes_to_keep"])
    assert row["action_text"].startswith("Before pruning, cut into canes")


@pytest.mark.parametrize(
    ("grade", "words"), [("trunks_hurt", "Look again after budbreak."), ("trunks_dead", "rootstock")]
)
def test_dead_trunks_on_unknown_roots_are_told_from_hurt_ones(grade: str, words: str) -> None:
    """A zone's task in one line does not call dead trunks hurt: it asks for suckers, and where they grow from."""
    zone = {"action": "look_again", "grade": grade, "nodes_to_keep": np.nan}
    assert words in task_sentence(zone)


def test_without_a_usual_number_the_percentage_tells_zones_apart() -> None:
    """Where nodes are not known, zones differ by how many percent more."""
    zones = {"action": "keep_more", "nodes_to_keep": np.nan}
    table = pd.DataFrame([zones | {"extra_pct": 30.2}, zones | {"extra_pct": 51.0}, zones | {"action": "as_usual"}])
    assert tasks(table) == ["+30 %", "+51 %", "as_usual"]
