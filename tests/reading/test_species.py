"""Species groups: asked for where a figure hangs on them, with the column to fill, and nowhere else."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tests.builders import blocks, buds_table, write_vineyard
from vinemap.reading.vineyard import Vineyard, read_vineyard

POUND = 0.45359237


def vineyard(folder: Path, *, secondaries: bool = True, **columns: object) -> Vineyard:
    write_vineyard(folder, skip=("blocks",))
    blocks(**columns).to_crs(4326).to_file(folder / "blocks.geojson", driver="GeoJSON")
    if not secondaries:
        buds_table().drop(columns=["secondary", "tertiary"]).to_csv(folder / "buds.csv", index=False)
    return read_vineyard(folder)


def asked(*args: object, **columns: object) -> list[str]:
    return [one for one in vineyard(*args, **columns).warnings if getattr(one, "key", "").startswith("warning.group")]


def test_secondaries_of_nobody_knows_what(tmp_path: Path) -> None:
    """Two blocks without variety and group are named with the share that was taken, where secondaries were read."""
    (said,) = asked(tmp_path, variety=["Norton", None, "Hillside Seedling"])
    assert said.startswith("Blocks Birch, Cedar: neither variety nor species group is known")
    assert "0.25 of the primaries' crop, 0 to 0.6: fill variety or species_group" in said
    assert asked(tmp_path, variety=["Norton", None, "Hillside Seedling"], secondaries=False) == []


def test_hybrids_that_may_be_either(tmp_path: Path) -> None:
    """Past a pound 20 + 10 nodes (French) and 20 + 20 (new) part (Ohio State 2023), so the kind is asked.

    Marquette and Vidal need no asking, nor does a hybrid of half a pound, nor one whose nodes are given.
    """
    weights = {"pruning_weight_kg": [2 * POUND, 0.5 * POUND, 2 * POUND]}
    (said,) = asked(tmp_path, species_group="hybrid", variety=["Solaris", "Solaris", "Marquette"], **weights)
    assert said.startswith("Block Ash: a hybrid that may be French (20 + 10 nodes")
    assert "new (20 + 20); the French hybrids' was taken" in said
    assert "french_hybrid or new_hybrid into species_group" in said
    assert asked(tmp_path, species_group="hybrid", pruning_weight_kg=1.0, nodes_per_vine=40) == []


def test_prunings_of_nobody_knows_what(tmp_path: Path) -> None:
    """Prunings weighed in a block of no known group set no nodes, and that is said."""
    (said,) = asked(tmp_path, secondaries=False, variety=["Norton", None, "Vidal"], pruning_weight_kg=1.0)
    assert said.startswith("Block Birch: cane prunings were weighed")
    assert "species_group in the blocks file, or nodes_per_vine" in said


def test_a_block_that_contradicts_its_variety(tmp_path: Path) -> None:
    """Concord said to be vinifera is taken as stated, and named; Marquette said to be a hybrid is no contradiction."""
    groups = ["vinifera", "Hybrid", "New hybrid"]
    (said,) = asked(tmp_path, variety=["Concord", "Marquette", "Itasca"], species_group=groups)
    assert said == (
        "Block Ash states the species group vinifera, and its variety is counted as american: vinifera was taken."
    )


@pytest.mark.parametrize("written", ["French hybrid", "french-hybrid", "FRENCH_HYBRID", " french  hybrid "])
def test_groups_of_two_words(tmp_path: Path, written: str) -> None:
    """A group of two words may be written with a blank, a hyphen or an underscore."""
    table = vineyard(tmp_path, species_group=written).site.blocks
    assert isinstance(table, pd.DataFrame)
    assert set(table["species_group"]) == {"french_hybrid"}
