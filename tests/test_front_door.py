"""``import vinemap``: few public names, each loaded when it is used, so that the command line answers at once."""

from __future__ import annotations

import subprocess
import sys

import pytest

import vinemap
from vinemap.reading.vineyard import read_vineyard


def test_every_public_name_is_there() -> None:
    """Each name of ``__all__`` loads and is listed; ``read`` is the reader of a vineyard folder."""
    assert set(vinemap.__all__) <= set(dir(vinemap))
    assert all(getattr(vinemap, name) is not None for name in vinemap.__all__)
    assert vinemap.read is read_vineyard


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    """A misspelt name fails as in any module."""
    with pytest.raises(AttributeError, match="no attribute 'raed'"):
        vinemap.raed  # noqa: B018


def test_the_command_line_starts_without_the_stages() -> None:
    """``vinemap --help`` loads neither tables, grids nor the library that colours, and keeps under 60 MB."""
    code = """
import re, sys
from pathlib import Path
sys.argv = ["vinemap", "--help"]
from vinemap.cli import main
try:
    main()
finally:
    status = Path("/proc/self/status")
    peak_kb = re.search(r"VmHWM:\\s*(\\d+)", status.read_text())[1] if status.exists() else 0
    heavy = {"numpy", "pandas", "rasterio", "rich", "pydantic", "shapely"}
    print(peak_kb, *(heavy & set(sys.modules)), file=sys.stderr)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Example: vinemap map demo_blocks" in done.stdout
    peak_kb, *heavy = done.stderr.split()
    assert heavy == []
    assert int(peak_kb) < 60 * 1024
