"""What is known before a round: the ground alone, or a first survey with the variation between its canes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.builders import blocks, write_vineyard
from vinemap.errors import InputError
from vinemap.plan.survey import read_survey
from vinemap.reading.vineyard import read_site, read_vineyard
from vinemap.survival.intervals import intraclass_correlation


@pytest.mark.parametrize("missing", [("samples", "buds"), ("buds",), ("samples",)])
def test_without_samples_and_buds_it_is_a_first_round(tmp_path: Path, missing: tuple[str, ...]) -> None:
    """A folder that lacks either has no survey, and its blocks count no canes."""
    survey = read_survey(write_vineyard(tmp_path, skip=missing))
    assert survey.vineyard is None
    assert survey.table["samples"].tolist() == [0, 0, 0]
    assert not survey.correlation.known


def test_a_first_round_may_be_asked_for(folder: Path) -> None:
    """A survey can be left out."""
    assert read_survey(folder, first=True).vineyard is None


def test_a_survey_brings_its_counts_and_correlation(folder: Path) -> None:
    """Canes a block are counted, and their buds are as alike as `intraclass_correlation` says."""
    rng = np.random.default_rng(0)
    buds = pd.read_csv(folder / "buds.csv")
    states = np.where(rng.random(len(buds)) < 0.4, "dead", "alive")
    buds.assign(primary=states).to_csv(folder / "buds.csv", index=False)
    survey = read_survey(folder)
    dead = (states == "dead").reshape(6, 4).sum(axis=1)
    wanted = intraclass_correlation(dead, np.full(6, 4), np.repeat([0, 1, 2], 2))
    assert survey.table["samples"].tolist() == [2, 2, 2]
    assert survey.correlation.rho == pytest.approx(wanted.rho)
    assert survey.correlation.freedom == wanted.freedom


def test_the_site_is_the_vineyard_without_its_samples(folder: Path) -> None:
    """Blocks, CRS and name are those that reading the whole vineyard gives."""
    site, vineyard = read_site(folder), read_vineyard(folder)
    assert site.blocks.equals(vineyard.site.blocks)
    assert site.crs == vineyard.site.crs
    assert (site.name, site.settings, site.elevation) == (vineyard.site.name, vineyard.site.settings, None)


def test_vines_come_from_the_spacing(tmp_path: Path) -> None:
    """One hectare at 2.5 by 1.5 m has 2,667 vines; a number that is given goes before."""
    frame = blocks(row_spacing_m=[2.5, 2.5, None], vine_spacing_m=[1.5, 1.5, None], vines=[None, 100, None])
    frame.to_crs(4326).to_file(tmp_path / "blocks.geojson", driver="GeoJSON")
    vines = read_survey(tmp_path).table["vines"]
    assert vines.iloc[0] == pytest.approx(2667, abs=6)
    assert vines.iloc[1] == 100
    assert pd.isna(vines.iloc[2])


def test_every_problem_of_the_site_is_named(tmp_path: Path) -> None:
    """Settings and blocks that are both wrong are both named in one run."""
    (tmp_path / "vinemap.toml").write_text("unit = 3\n", encoding="utf-8")
    frame = blocks().assign(pruning=["cane", "spur", "goblet"])
    frame.to_crs(4326).to_file(tmp_path / "blocks.geojson", driver="GeoJSON")
    with pytest.raises(InputError) as caught:
        read_site(tmp_path)
    assert {problem.file for problem in caught.value.problems} == {"vinemap.toml", "blocks.geojson"}
