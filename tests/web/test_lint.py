"""The rules that the pages' scripts are linted by: each kind of fault is found, and the scripts have none."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FAULTS = {
    "no-undef": "makes();\n",
    "no-unused-vars": "const unused = 1;\n",
    "import-x/no-unresolved": 'import { x } from "./nowhere.js";\nx();\n',
    "import-x/named": 'import { x } from "./b.js";\nx();\n',
    "import-x/no-cycle": 'import { c } from "./c.js";\nexport const a = c;\n',
    "import-x/no-restricted-paths": 'import { d } from "../../bench/script/d.js";\nd();\n',
    "import-x/no-mutable-exports": "export let x = 1;\nx = 2;\n",
    "import-x/no-default-export": "export default 1;\n",
    "no-restricted-syntax": 'import("./b.js");\n',
    "import-x/extensions": 'import { b } from "./b";\nb();\n',
}
BESIDE = {
    "page/script/b.js": "export const b = () => 1;\n",
    "page/script/c.js": 'import { a } from "./a.js";\nexport const c = () => a;\n',
    "bench/script/d.js": "export const d = () => L.map();\n",
}


@pytest.fixture(scope="module")
def eslint() -> list[str]:
    """ESLint as .ci/package-lock.json pins it; where it is not installed the tests are skipped, but never on CI."""
    command = ROOT / ".ci/node_modules/.bin/eslint"
    if shutil.which("node") is None or not command.exists():
        if os.environ.get("CI"):
            pytest.fail("no ESLint, and CI is set: npm ci --prefix .ci")
        pytest.skip("no ESLint: npm ci --prefix .ci")
    return [str(command), "--config", str(ROOT / ".ci/eslint.config.mjs"), "--format", "json"]


def _found(command: list[str], folder: Path) -> dict[str, set[str]]:
    """Rules that files break, by the file's path under vinemap/."""
    done = subprocess.run([*command, "vinemap"], cwd=folder, capture_output=True, text=True, check=False)
    assert done.stdout, done.stderr
    found = defaultdict(set)
    for file in json.loads(done.stdout):
        name = Path(file["filePath"]).relative_to(folder.resolve() / "vinemap").as_posix()
        found[name] |= {message["ruleId"] for message in file["messages"]}
    return found


def test_the_scripts_are_clean(eslint: list[str]) -> None:
    """No undeclared global, no unused name, no import that does not resolve, no circle, in any script."""
    found = _found(eslint, ROOT)
    assert len(found) > 35
    assert not any(found.values()), {file: rules for file, rules in found.items() if rules}


def test_each_kind_of_fault_is_found(eslint: list[str], tmp_path: Path) -> None:
    """The rule that is meant to find a fault does, all in one run; Leaflet's L is the map page's alone."""
    for place, text in enumerate(FAULTS.values()):
        for name, content in {**BESIDE, "page/script/a.js": text}.items():
            room, rest = name.split("/", 1)
            path = tmp_path / "vinemap" / room / f"case{place}" / rest
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(content.replace("../../bench/", f"../../../bench/case{place}/"), encoding="utf-8")
    found = _found(eslint, tmp_path)
    for place, rule in enumerate(FAULTS):
        assert rule in found[f"page/case{place}/script/a.js"], rule
    assert found["bench/case0/script/d.js"] == {"no-undef"}
    assert not found["page/case0/script/b.js"]
