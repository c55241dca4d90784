"""The guide: its commands and examples run, its links lead somewhere, and what it says of the code is made from it."""

from __future__ import annotations

import re
import shlex
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.builders import write_part_of_demo
from vinemap import cli
from vinemap.columns import INPUTS, OUTPUTS
from vinemap.guide.guide import CHAPTERS, chapters, write_guide
from vinemap.rules import default_rules
from vinemap.settings import Settings

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
TEXTS = {chapter.name: chapter.markdown for chapter in chapters()}


def _fenced(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


class _Page(HTMLParser):
    """Anchors, links, and everything that a page would ask for."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: list[str] = []
        self.asked: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take down what the tag names."""
        given = dict(attrs)
        if given.get("id"):
            self.anchors.add(str(given["id"]))
        if tag == "a":
            self.links.append(str(given["href"]))
        elif given.get("src") or given.get("href"):
            self.asked.append(str(given.get("src") or given.get("href")))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> _Page:
    """Return the written guide."""
    path = tmp_path_factory.mktemp("guide") / "guide.html"
    write_guide(path)
    return _Page(path.read_text(encoding="utf-8"))


def test_every_chapter_and_link_is_there(page: _Page) -> None:
    """Links lead to chapters that stand on the page, and nothing is asked of a network."""
    assert set(CHAPTERS) <= page.anchors
    assert {link.removeprefix("#") for link in page.links} <= page.anchors
    assert not page.asked


def test_no_chapter_is_forgotten() -> None:
    """Every Markdown file is a chapter, and no place for generated text is left open."""
    folder = Path(cli.__file__).parent / "guide" / "chapters"
    assert sorted(path.stem for path in folder.glob("*.md")) == sorted(CHAPTERS)
    assert not [name for name, text in TEXTS.items() if re.search(r"^\[\[", text, re.MULTILINE)]


def test_generated_parts_hold_all_that_the_code_has() -> None:
    """Every column, setting and rule stands in the guide, with words that say what it is."""
    for layout in (*INPUTS, *OUTPUTS):
        for column in layout.columns:
            assert f"| `{column.name}` |" in TEXTS["columns"]
    for attribute, section in Settings.model_fields.items():
        name = section.alias or attribute
        assert f"`{name}`" in TEXTS["settings"] or f"## [{name}]" in TEXTS["settings"], section
    for name in type(default_rules()).model_fields:
        assert f"`{name}`" in TEXTS["decides"] or name == "pruning"


def test_no_cell_breaks_its_table() -> None:
    """Every row of a table has as many cells as its heading."""
    for name, text in TEXTS.items():
        for table in re.findall(r"(?:^\|.*\n)+", text, re.MULTILINE):
            assert len({len(re.findall(r"(?<!\\)\|", line)) for line in table.splitlines()}) == 1, (name, table)


def test_no_setting_is_without_a_meaning() -> None:
    """A table of settings that leaves a meaning empty helps nobody."""
    bare = re.findall(r"^\| (`\w+`) .*\|  \|$", TEXTS["settings"], re.MULTILINE)
    assert not bare


@pytest.mark.parametrize("text", [README, *TEXTS.values()], ids=["README", *TEXTS])
def test_commands_exist(text: str) -> None:
    """Every command that is named is one, with options that it has."""
    for call in re.findall(r"`vinemap ([^`\n]+)`", text):
        name, *words = shlex.split(call)
        command = cli.commands.commands[name]
        options = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("-")} <= options, call


def test_the_guide_and_the_readme_name_every_command() -> None:
    """A command that neither names would stay unknown."""
    named = {name for text in (README, *TEXTS.values()) for name in re.findall(r"vinemap (\w+)", text)}
    assert set(cli.commands.commands) <= named


def test_the_examples_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the first chapter to the last, in one folder, each command and each piece of Python does its work."""
    monkeypatch.chdir(tmp_path)
    # The whole of it is written by the tests of the demonstration, and mapped by those of the pipeline.
    monkeypatch.setattr("vinemap.demo.write_demo", lambda folder: write_part_of_demo(folder, "Larkrise", "Dipper"))
    scope: dict[str, object] = {}
    for name, text in TEXTS.items():
        for block in _fenced(text, "sh"):
            for line in block.splitlines():
                program, *words = shlex.split(line)
                done = CliRunner().invoke(cli.commands, words)
                assert program == "vinemap"
                assert done.exit_code == 0, (name, line, done.output, done.exception)
        for block in _fenced(text, "python"):
            exec(compile(block, f"{name}.md", "exec"), scope)  # noqa: S102 - the guide's own lines
    assert (tmp_path / "outputs" / "try_me" / "map.html").is_file()
    assert (tmp_path / "outputs" / "from_python" / "map.html").is_file()
