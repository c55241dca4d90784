"""The house holds: imports go one way and in no circle, the model knows no vineyard, and names mean one thing."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import Counter
from functools import cache
from importlib import import_module
from pathlib import Path

import grimp
import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).parents[1]
SOURCES = sorted((ROOT / "vinemap").rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph("vinemap", cache_dir=None)


def test_import_contracts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The staircase of pyproject.toml holds, with every room on it, and no room has a circle (import-linter)."""
    monkeypatch.chdir(ROOT)
    assert lint_imports(no_cache=True) == 0


def test_the_model_knows_no_vineyard(graph: grimp.ImportGraph) -> None:
    """The model can be taken out and reused: of vinemap it needs the array type alone."""
    assert graph.find_upstream_modules("vinemap.model", as_package=True) == {"vinemap.arrays"}
    words = re.compile(r"\b(vine|vines|vineyard|bud|buds|cane|canes|injury|frost|freeze)\b", re.IGNORECASE)
    said = {
        path.name: words.findall(path.read_text(encoding="utf-8")) for path in (ROOT / "vinemap/model").glob("[!_]*.py")
    }
    assert said
    assert not any(said.values()), said


def test_no_file_is_taken_from_a_room_above() -> None:
    """What a room reads of the package's own files lies in it or lower down the staircase."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"][
        "contracts"
    ]
    steps = contracts[0]["layers"]
    step = {name.strip(): number for number, line in enumerate(steps) for name in re.split(r"[|:]", line)}
    taken = [
        (module_of(path).split(".")[1], room)
        for path in SOURCES
        for room in re.findall(r"(?:asset|files)\(\"vinemap\.(\w+)", path.read_text(encoding="utf-8"))
    ]
    assert taken
    assert [pair for pair in taken if step[pair[0]] > step[pair[1]]] == []


def test_no_two_modules_share_a_name() -> None:
    """A module's own name says which one it is, whatever its room."""
    names = Counter(path.name for path in SOURCES if not path.name.startswith("__"))
    assert [name for name, count in names.items() if count > 1] == []


@cache
def _defined(module: str) -> set[str]:
    """Names that a module defines itself."""
    path = ROOT / Path(*module.split("."))
    path = path.with_suffix(".py") if path.with_suffix(".py").exists() else path / "__init__.py"
    found: set[str] = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            found.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)}
    return found


@cache
def _submodules(module: str) -> set[str]:
    """Names of the modules inside a room."""
    return {file.stem for file in (ROOT / Path(*module.split("."))).glob("*.py")}


# As the formatter leaves it: to walk the trees of all modules takes many seconds.
_IMPORT = re.compile(r"^ *from (vinemap\.[\w.]+) import (\([^)]*\)|[^\n(]+)$", re.MULTILINE)


def test_names_are_imported_from_where_they_are_defined() -> None:
    """An import names the module that defines what it takes; only the front door hands on what others define."""
    wrong = []
    for path in [*SOURCES, *TESTS]:
        if path == ROOT / "vinemap/__init__.py":
            continue
        for module, names in _IMPORT.findall(path.read_text(encoding="utf-8")):
            plain = re.sub(r"#.*", "", names).strip("()")
            taken = {name.split(" as ")[0].strip() for name in plain.split(",") if name.strip()}
            strange = taken - _defined(module) - _submodules(module)
            wrong += [f"{module_of(path)}: {module}.{name}" for name in sorted(strange)]
    assert wrong == []


def test_references_in_docstrings_lead_somewhere() -> None:
    """Every dotted name of the package in a docstring is the name of something."""
    lost = []
    for path in [*SOURCES, *TESTS]:
        for reference in re.findall(r"`(vinemap\.\w+\.[\w.]+)`", path.read_text(encoding="utf-8")):
            parts = reference.split(".")
            depth = max(k for k in range(1, len(parts) + 1) if _is_module(".".join(parts[:k])))
            target: object = import_module(".".join(parts[:depth]))
            for name in parts[depth:]:
                fields = getattr(target, "__annotations__", {})
                if not hasattr(target, name) and name not in fields:
                    lost.append(f"{module_of(path)}: {reference}")
                    break
                target = getattr(target, name, None)
    assert lost == []


def _is_module(name: str) -> bool:
    path = ROOT / Path(*name.split("."))
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()


def test_the_contributors_guide_names_every_module_of_the_stages() -> None:
    """A newcomer finds each by its room: DEVELOPERS.md lists what stands there."""
    rows = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    table = {room[1]: row for row in rows if (room := re.match(r"\| `(\w+)/` \|", row))}
    stages = ("reading", "survival", "terrain", "model", "surface", "decisions", "exports", "plan", "intake")
    missing = {
        f"{room}/{path.stem}"
        for room in stages
        for path in (ROOT / "vinemap" / room).glob("[!_]*.py")
        if f"`{path.stem}`" not in table[room]
    }
    assert missing == set()
