"""All HTML and SVG comes from templates that escape: the environment does, and nothing goes past it."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest
from jinja2 import Environment, UndefinedError, nodes
from markupsafe import Markup

from tests.builders import HOSTILE, Html
from vinemap.characters import isolated
from vinemap.web.templates import render

PACKAGE = Path(str(files("vinemap")))
TEMPLATES = sorted(str(path.relative_to(PACKAGE)) for path in PACKAGE.rglob("*.j2"))
HEAD = "sheet/templates/sheet.html.j2"


class _Sheet:
    """A crew sheet of no pages whose words are all one text."""

    pages = work = ()

    def __init__(self, title: str) -> None:
        self.title, self.words = title, {"language": title}


@pytest.mark.parametrize("name", HOSTILE)
def test_text_is_escaped_in_elements_and_in_attributes(name: str) -> None:
    """Text between tags and inside quotes comes back as the same characters, and adds no element or attribute."""
    hostile, plain = (Html(render(HEAD, sheet=_Sheet(text), own_style=False)) for text in (name, "Tarn"))
    assert isolated(name) in hostile.words
    assert ("html", {"lang": isolated(name)}) in hostile.elements
    assert hostile.frame == plain.frame


def test_what_is_missing_is_an_error() -> None:
    """A template that asks for what is not given fails, and leaves no hole in a page."""
    untitled = _Sheet("Tarn")
    del untitled.title
    with pytest.raises(UndefinedError, match="title"):
        render(HEAD, sheet=untitled, own_style=False)


def test_a_rendered_part_goes_into_another_as_it_is() -> None:
    """What one template gives is markup to the next, and a plain `str` to everyone else."""
    whole = render(HEAD, sheet=_Sheet("Tarn"), own_style=False)
    assert isinstance(whole, Markup)
    assert isinstance(whole, str)


@pytest.mark.parametrize("template", TEMPLATES)
def test_no_template_switches_escaping_off(template: str) -> None:
    """Neither ``safe`` nor ``autoescape`` stands in a template: what is markup is said in Python, in one place."""
    tree = Environment().parse((PACKAGE / template).read_text(encoding="utf-8"))  # noqa: S701 - read, not rendered
    assert not [node for node in tree.find_all(nodes.Filter) if node.name in {"safe", "forceescape", "xmlattr"}]
    assert not list(tree.find_all((nodes.EvalContextModifier, nodes.ScopedEvalContextModifier)))


def _modules() -> Iterator[tuple[str, ast.Module]]:
    """Every module of the package outside `vinemap.web`, which alone makes text into markup."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if not path.is_relative_to(PACKAGE / "web"):
            yield str(path.relative_to(PACKAGE)), ast.parse(path.read_text(encoding="utf-8"))


def test_no_module_escapes_or_fills_templates_by_hand() -> None:
    """Nobody else takes up an escape for markup or another templating."""
    by_hand = re.compile(r"html\.escape|(jinja2|markupsafe|xml\.sax\.saxutils|string\.Template)(\..*)?")
    for module, tree in _modules():
        taken = [
            f"{node.module}.{alias.name}" if isinstance(node, ast.ImportFrom) else alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.Import | ast.ImportFrom)
            for alias in node.names
        ]
        called = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute)]
        assert [name for name in (*taken, *called) if by_hand.fullmatch(name)] == [], module


def test_no_module_writes_markup() -> None:
    """No string but docstrings holds a tag, whole or in pieces: `</`, `/>`, or `<` and a name that goes on."""
    # Not what readers look for or unpack by: regular expressions' groups, a document type, the order of bytes.
    tag = re.compile(r"</|/>|<!--|(?<!\?P)<[a-z][\w-]*(>|\s[^<]*(>|$))", re.IGNORECASE)
    for written in ("<p>", "</td>", '<path d="', "<br/>", "<!-- x", '<svg viewBox="0 0 1 1">', "<td class=x>y"):
        assert tag.search(written), written
    for module, tree in _modules():
        documented = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
        said = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in documented]
        assert [node.value for node in said if isinstance(node.value, str) and tag.search(node.value)] == [], module
