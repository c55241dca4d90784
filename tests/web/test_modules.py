"""Joining ES modules into one script."""

from __future__ import annotations

import posixpath
from importlib.resources import files
from typing import Any

import pytest

from vinemap.web.modules import joined, modules_of

ENTRIES = ("page/script/app.js", "bench/script/app.js", "desk/script/app.js")
# Who may import from whom: what is shared knows no page, and no page knows another.
ALLOWED = {"web": {"web"}, "page": {"web", "page"}, "bench": {"web", "bench"}, "desk": {"web", "desk"}}


def _joined(**files: str) -> str:
    return joined("a.js", {f"{name}.js": text for name, text in files.items()}.__getitem__)


def test_each_module_runs_once_after_what_it_imports() -> None:
    """Depth first in the order of the imports, as ECMA-262 (16.2.1.5, evaluation of modules) has it."""
    texts = {
        "a.js": 'import "./b.js";\nimport { d } from "./c/d.js";\nd();\n',
        "b.js": 'import { d } from "./c/d.js";\nd();\n',
        "c/d.js": 'import { e } from "../e.js";\nexport function d() { e(); }\n',
        "e.js": "export const e = () => {};\n",
    }
    assert [module.file for module in modules_of("a.js", texts.__getitem__)] == ["e.js", "c/d.js", "b.js", "a.js"]


BROWSERS = {
    "a.js": """
import { one as first, add, late } from "./b.js";
import { Two, three } from "./c.js";
const hidden = 7;
window.seen = [first, add(2), late(), new Two().hidden(), three, hidden, typeof hers, String(this)];
""",
    "b.js": """
const hidden = 40;
export const one = hidden + 1;
export function add(more) { return one + more; }
export async function none() {}
const inner = () => after;
const after = 5;
export {
  inner as late,
};
""",
    "c.js": """
const hers = 3, hidden = 9, mine = 4;
export class Two { hidden() { return hidden; } }
export { mine as three };
""",
}


def test_modules_behave_as_in_a_browser(browser: Any) -> None:
    """Names renamed or used before their line, equal names in two files: as Chromium runs the modules unjoined."""
    page = browser.new_page()
    page.route("**/*", lambda route: route.fulfill(**_answer(route.request.url, BROWSERS)))
    page.goto("http://modules.test/")
    page.wait_for_function("window.seen")
    unjoined = page.evaluate("window.seen")
    page.evaluate("delete window.seen")
    page.evaluate(joined("a.js", BROWSERS.__getitem__))
    assert page.evaluate("window.seen") == unjoined == [41, 43, 5, 9, 4, 7, "undefined", "undefined"]
    page.close()


def _answer(url: str, texts: dict[str, str]) -> dict[str, str]:
    name = posixpath.basename(url)
    if not name:
        return {"content_type": "text/html", "body": '<script type="module" src="a.js"></script>'}
    return {"content_type": "text/javascript", "body": texts.get(name, "")}


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"a": 'import "./b.js";\n', "b": 'import "./c.js";\n', "c": 'import "./b.js";\n'}, "b.js > c.js > b.js"),
        ({"a": 'import { x } from "./a.js";\nexport const x = 1;\n'}, "circle of imports: a.js > a.js"),
        ({"a": 'import { x } from "./b.js";\n', "b": "const x = 1;\n"}, "a.js imports x, which b.js does not export"),
        ({"a": 'import { x } from "./b.js";\n'}, "a.js imports b.js, which is not there"),
        ({"a": 'import x from "./b.js";\n', "b": ""}, "a.js: cannot join 'import x from"),
        ({"a": 'import * as x from "./b.js";\n', "b": ""}, r"a.js: cannot join 'import \* as"),
        ({"a": 'import { x } from "elsewhere";\n'}, "a.js: cannot join 'import { x }"),
        ({"a": "export default 1;\n"}, "a.js: cannot join 'export default 1;'"),
        ({"a": "export let x = 1;\n"}, "a.js: cannot join 'export let x = 1;'"),
        ({"a": "export const { x } = y;\n"}, "a.js: cannot join 'export const { x }"),
        ({"a": 'export * from "./b.js";\n', "b": ""}, r"a.js: cannot join 'export \*"),
        ({"a": 'import { x y } from "./b.js";\n', "b": ""}, "a.js: cannot join the name 'x y'"),
        ({"a": 'x = "</SCRIPT>";\n'}, "a.js: holds what ends or opens a script"),
        ({"a": 'x = "<!--";\n'}, "a.js: holds what ends or opens a script"),
    ],
)
def test_what_cannot_be_joined_is_refused(files: dict[str, str], message: str) -> None:
    """Circles, missing files and names, and forms that would need a parser: named with their file, never guessed at."""
    with pytest.raises(ValueError, match=message):
        _joined(**files)


@pytest.mark.parametrize("entry", ENTRIES)
def test_every_page_can_be_joined(entry: str) -> None:
    """No circle, and every import of file and name is there; no module imports from a room beside or above its own."""
    modules = modules_of(entry)
    assert modules[-1].file == entry
    for module in modules:
        rooms = {source.split("/")[0] for source, _ in module.imports}
        assert rooms <= ALLOWED[module.file.split("/")[0]], module.file


def test_no_script_and_no_export_is_unused() -> None:
    """Every script file of the package is part of a page, and every name that one exports is imported by another."""
    modules = {module.file: module for entry in ENTRIES for module in modules_of(entry)}
    root = files("vinemap")
    found = {f"{room}/script/{file.name}" for room in ALLOWED for file in root.joinpath(room, "script").iterdir()}
    assert found == modules.keys()
    imports = [one for module in modules.values() for one in module.imports]
    taken = {(source, name) for source, names in imports for name in names.values()}
    given = {(module.file, name) for module in modules.values() for name in module.exports}
    assert given == taken
