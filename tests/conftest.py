"""Fixtures that several test files share."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.builders import write_vineyard


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A faultless vineyard folder."""
    home = tmp_path / "vineyard"
    home.mkdir()
    return write_vineyard(home)
