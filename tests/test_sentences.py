"""One system of sentences: every language has every key with the same places, and figures have its marks."""

from __future__ import annotations

import ast
import copy
import pickle
import re
from pathlib import Path
from string import Formatter

import pytest

import vinemap
from vinemap.sentences import Figure, Listed, Sentence, languages, said, section, terms, unreviewed

ENGLISH = languages()["en"]


def _places(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("language", languages())
def test_no_language_lacks_a_key_or_a_place(language: str) -> None:
    """What is missing or too much is named."""
    words = languages()[language]
    assert set(words) - set(ENGLISH) == set(), "not in English"
    assert set(ENGLISH) - set(words) == set(), f"not in {language}"
    assert {key for key, text in words.items() if _places(text) != _places(ENGLISH[key])} == set()


def _patterns(key: ast.expr) -> list[str]:
    """Patterns of the keys that an argument can be: as written, either branch of a choice, any text in a place."""
    match key:
        case ast.Constant(value=str(text)):
            return [re.escape(text)]
        case ast.IfExp():
            return _patterns(key.body) + _patterns(key.orelse)
        case ast.JoinedStr():
            return ["".join(re.escape(part.value) if isinstance(part, ast.Constant) else ".*" for part in key.values)]
    return []


def test_every_key_that_python_names_exists() -> None:
    """A key that is written out in a call, whole or in part, stands in the word lists."""
    calls = {"Sentence": "", "Sentence.counted": r"\.(one|many)"}
    for path in Path(vinemap.__file__).parent.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(call, ast.Call) and call.args and (name := ast.unparse(call.func)) in calls):
                continue
            for pattern in _patterns(call.args[0]):
                found = any(re.fullmatch(pattern + calls[name], key) for key in ENGLISH)
                assert found, (path.name, call.lineno, pattern)


def _has(text: str, forms: list[str]) -> bool:
    """Whether one of the forms stands in a text as a word, outside places and names of code."""
    plain = re.sub(r"\{\w+\}|`[^`]*`", " ", text)
    return re.search(rf"\b(?:{'|'.join(map(re.escape, forms))})\b", plain, re.IGNORECASE) is not None


@pytest.mark.parametrize("language", languages())
def test_the_texts_keep_to_the_word_list(language: str) -> None:
    """Where the English has a term of the trade, the translation has one of its forms: nine times in ten at least."""
    for term in terms():
        assert set(term.says) == set(languages()), term.means
        using = [key for key, text in ENGLISH.items() if _has(text, term.says["en"])]
        assert using, f"no text says {term.says['en'][0]}"
        without = [key for key in using if not _has(languages()[language][key], term.says[language])]
        assert len(without) <= max(1, len(using) // 10), (term.says[language][0], without)


def test_a_language_says_whether_a_native_reader_has_read_it() -> None:
    """Spanish has had no native reader yet; English was written as English."""
    assert unreviewed() == ["es"]


def test_a_sentence_is_text_in_english_and_speaks_every_language() -> None:
    """What stands inside it is said in the language of the whole; copies keep it."""
    cells = Sentence("warning.cells", wanted=Figure(1234.5, 1), cell=Figure(4.25, 1))
    assert str(cells).startswith("The grid's cells were widened from 1,234.5 m")
    for kept in (cells, copy.deepcopy(cells), pickle.loads(pickle.dumps(cells))):  # noqa: S301 - our own
        assert "de 1.234,5 m a 4,2 m" in kept.said("es")
    assert list(cells.everywhere()) == list(languages())
    assert not re.search(r"[{}]", cells)


def test_long_lists_are_cut() -> None:
    """Twelve names are shown, and how many more there are."""
    assert str(Listed("abc")) == "a, b, c"
    assert Listed(range(14)).said("es").endswith("10, 11 y 2 más")
    assert said("en", "list.more", shown="a", more=Figure(2)) == "a and 2 more"
    assert str(Listed(range(14), most=None)).endswith("11, 12, 13")


@pytest.mark.parametrize("language", ["en", "es"])
def test_after_budbreak_the_head_of_the_page_speaks_of_shoots(language: str) -> None:
    """What is worst by buds dead has a text by nodes with no shoot: the page once called zones with no shoot dead."""
    texts = section("page")[language]
    for key in ("head.worst", "head.worst_zone", "head.hurt", "head.none_hurt"):
        assert {"en": "shoot", "es": "brote"}[language] in texts[f"spring.{key}"], key


_MAKERS = frozenset(
    (
        "BusyError",
        "FetchError",
        "InputError",
        "NoSuchFileError",
        "NoSuchVineError",
        "Problem",
        "RefusedError",
        "TooFewSamplesError",
        "VinemapError",
        "bad",
        "problem",
        "refused",
        "_refused",
    )
)
"""What makes our errors, and the problems that they carry."""


def _words_in(argument: ast.expr) -> str:
    """The bare text that an argument holds in its own place, a place or a key of a sentence aside."""
    match argument:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr():
            return "".join(part.value for part in argument.values if isinstance(part, ast.Constant))
        case ast.IfExp():
            return _words_in(argument.body) + _words_in(argument.orelse)
        case ast.BinOp():
            return _words_in(argument.left) + _words_in(argument.right)
    return ""


def test_no_fault_is_a_bare_string() -> None:
    """What our errors and problems say is a `Sentence`, so that the desk says it in the reader's language.

    mypy holds the same of variables, by the types of `Problem` and of the errors. What is no sentence is one word, the
    name of a file, a column or a key, or a place in a file: it has no space.
    """
    seen = 0
    for path in Path(vinemap.__file__).parent.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and ast.unparse(call.func).rpartition(".")[2] in _MAKERS:
                seen += 1
                bare = [words for words in map(_words_in, call.args) if " " in words.replace(", ", ",").strip()]
                assert bare == [], (path.name, call.lineno)
    assert seen > 250
