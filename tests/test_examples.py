"""The examples in the docstrings run as they stand, from the top of the repository."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from functools import cache
from pathlib import Path

import matplotlib as mpl
import pytest

import vinemap
from vinemap.pipeline import make_map

TOP = Path(__file__).parents[1]
FINDER = doctest.DocTestFinder(exclude_empty=True)
MODULES = sorted(module.name for module in pkgutil.walk_packages(vinemap.__path__, "vinemap."))


def _examples(name: str) -> list[doctest.DocTest]:
    module = importlib.import_module(name)
    return [test for test in FINDER.find(module, name, globs={"vinemap": vinemap}) if test.examples]


@pytest.mark.parametrize("name", [name for name in MODULES if not name.endswith("__main__")])
def test_examples(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each prints what it says that it prints."""
    mpl.use("agg")
    monkeypatch.chdir(TOP)
    # The demonstration is mapped once for all the examples that map it.
    monkeypatch.setitem(vars(vinemap), "make_map", _mapped)
    for test in _examples(name):
        runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS)
        report: list[str] = []
        runner.run(test, out=report.append)
        assert not runner.failures, "".join(report)


@cache
def _mapped(folder: str) -> vinemap.MapRun:
    return make_map(folder)


def test_the_front_door_has_examples() -> None:
    """Each public function shows a call that can be copied."""
    for name in ("read", "make_map", "write_map"):
        assert ">>>" in (getattr(vinemap, name).__doc__ or ""), name
