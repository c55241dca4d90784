"""Damaged files of every format: read or refused, and never a traceback."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as bounds
from hypothesis import strategies as st

from tests.reading.mutations import READERS, damaged, write_every_format
from vinemap.errors import Findings, InputError
from vinemap.reading.vineyard import read_vineyard


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_every_format(tmp_path_factory.mktemp("formats"))


@pytest.mark.parametrize("name", READERS)
def test_the_undamaged_file_is_read(folders: dict[str, Path], name: str) -> None:
    """What is damaged below is faultless before: otherwise the damage would prove nothing."""
    findings = Findings()
    assert READERS[name](folders[name], findings) is not None
    assert findings.problems == []


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", READERS)
@bounds(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(chance=st.randoms(use_true_random=False))
def test_damage_is_named(folders: dict[str, Path], tmp_path: Path, name: str, chance: Random) -> None:
    """Whatever is wrong is found and told: nothing is raised, and there is a problem where there is no result."""
    folder = tmp_path / "damaged"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(folders[name], folder)
    (folder / name).write_bytes(damaged((folder / name).read_bytes(), chance))
    findings = Findings()
    found = READERS[name](folder, findings)
    assert found is not None or findings.problems
    for problem in findings.problems:
        assert problem.file
        assert problem.message
        assert problem.remedy


@bounds(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=300), name=st.sampled_from(("blocks.geojson", "samples.csv", "buds.csv")))
def test_a_folder_with_any_bytes_in_a_file(folder: Path, data: bytes, name: str) -> None:
    """The whole reading ends in a vineyard or in problems."""
    before = (folder / name).read_bytes()
    (folder / name).write_bytes(data)
    with contextlib.suppress(InputError):
        read_vineyard(folder)
    (folder / name).write_bytes(before)
