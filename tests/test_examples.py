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
from vinemap.pipeline.mapping import make_map

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


STAGES = {
    "vinemap": ("read", "make_map", "write_map"),
    "vinemap.survival.tally": ("tally",),
    "vinemap.survival.intervals": ("wilson", "intraclass_correlation", "cluster_interval"),
    "vinemap.survival.tables": ("sample_table", "block_table"),
    "vinemap.survival.wood": ("wood_table",),
    "vinemap.terrain.grid": ("block_grid",),
    "vinemap.terrain.layers": ("terrain_layers", "height_above_low"),
    "vinemap.model.field": ("BinomialField",),
    "vinemap.surface.fit": ("injury_map",),
    "vinemap.decisions.actions": ("decide",),
    "vinemap.decisions.zones": ("action_zones",),
    "vinemap.decisions.worklist": ("work_list",),
    "vinemap.decisions.explain": ("explain_block",),
    "vinemap.plan.sizes": ("simple_size", "canes_needed"),
}


@pytest.mark.parametrize("module", STAGES)
def test_the_front_door_and_every_stage_have_examples(module: str) -> None:
    """Each shows a call that can be copied."""
    for name in STAGES[module]:
        assert ">>>" in (getattr(importlib.import_module(module), name).__doc__ or ""), name
