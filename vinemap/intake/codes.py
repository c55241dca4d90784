"""What the codes of a survey say of a bud: what can mean one thing alone is taken, all else is asked."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from vinemap.intake.lexicon import ALIVE_WORDS, DEAD_WORDS, fold, state_of, tokens
from vinemap.intake.questions import Choice, Proposal, settled
from vinemap.sentences import Sentence
from vinemap.states import State

NO_NODE = "no_node"
"""A code that stands where no node was cut."""

_ALIVE, _DEAD, _BEFORE, _UNREAD = State.ALIVE.value, State.DEAD.value, State.DEAD_BEFORE.value, State.UNREAD.value
_OPPOSITE = {_ALIVE: _DEAD, _DEAD: _ALIVE}
_UNREAD_WORDS = frozenset(
    (
        "unread",
        "?",
        "-",
        "–",
        "—",
        ".",
        "n/a",
        "na",
        "nr",
        "u",
        "not read",
        "unknown",
        "unsure",
        "sin leer",
        "no leida",
        "no leido",
    )
)
_BEFORE_WORDS = frozenset(("dead_before", "dead before", "old dead", "muerta antes", "muerto antes"))
# Pairs, and colours, of which no other reading is left once both stand in one table: one of them is alive.
_TOGETHER: dict[frozenset[str], Mapping[str, str]] = {
    frozenset(codes): {code: (_ALIVE if code in alive else _DEAD) for code in codes}
    for codes, alive in (
        (("a", "d"), "a"),
        (("l", "d"), "l"),
        (("g", "b"), "g"),
        (("g", "d"), "g"),
        (("v", "m"), "v"),
        (("g", "br"), "g"),
        (("g", "bk"), "g"),
        (("g", "bl"), "g"),
        (("g", "br", "bk"), "g"),
        (("g", "br", "bl"), "g"),
        (("gr", "br"), "gr"),
        (("gn", "br"), "gn"),
        (("gr", "bk"), "gr"),
        (("gr", "br", "bk"), "gr"),
    )
}
# In vinemap's own tables; there B is a bud that had died before the freeze.
_OWN = {"a": _ALIVE, "d": _DEAD, "b": _BEFORE}
_ELSE_DEAD = frozenset("nckb")
"""Letters beside which M need not stand for a dead bud: one of them does."""
_YES = frozenset(("1", "y", "yes", "si", "s", "x", "true", "t", "+"))
_NO = frozenset(("0", "n", "no", "false", "f", "-", "−"))
_LEGEND = re.compile(
    r"(?<![\w+])(?P<code>[^\W_]{1,3}|[+−-])\s*(?:=|:|\bis\b|\bes\b)\s*\(?\s*"
    r"(?P<words>[^\W\d_]+(?:\s*[(/]\s*[^\W\d_]+|\s+[^\W\d_]{3,}(?!\s*[=:]))?)"
)
_LEGEND_TURNED = re.compile(r"(?P<words>[^\W\d_]{4,})\s*(?:=|:)\s*(?P<code>[^\W_]{1,3}|[+−-])(?![\w+])")
# Letters of one way of writing, with its gaps: a word of other letters is a word.
_RUN_LETTERS = tuple(
    frozenset(f"{letters}-?.u") for letters in ("gb", "ad", "adb", "ld", "gd", "vm", "vmn", "vn", "10", "xo", "yn", "+")
)
_SEPARATED = re.compile(r"[\s,;/|]+")
CODE_LETTERS = frozenset("gbadlvm10+-x?nc.u−ko")
"""Letters that runs of codes are made of."""


def code(cell: object) -> str:
    """Return a cell as a code: folded, without outer spaces and full stops; "" where it is empty."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        if math.isnan(cell):
            return ""
        cell = int(cell) if cell.is_integer() else cell
    words = fold(cell).replace("−", "-")
    words = words.removesuffix(".0") if words in ("0.0", "1.0") else words
    return words.rstrip(".") or words


def word_state(words: str) -> str | None:
    """Return what a whole word, or the words of one cell, say of a bud in any table; None for anything less clear."""
    bare = " ".join(words.split())
    if bare in _UNREAD_WORDS:
        return _UNREAD
    if bare in _BEFORE_WORDS:
        return _BEFORE
    if len(bare) > 2 and set(tokens(bare)) <= ALIVE_WORDS | DEAD_WORDS | {"bud", "yema"}:
        return state_of(tokens(bare))
    return None


def is_code(words: str) -> bool:
    """Whether a cell may be the code of a bud."""
    known = word_state(words) is not None or words in _YES | _NO
    return bool(words) and (known or (len(words) <= 2 and set(words) <= CODE_LETTERS | set("rk")))


def split_run(cell: object) -> list[str] | None:
    """Return the codes that a cell holds for a whole cane, as ``G B G B``, ``GBGB``, ``1,0,1``; None for others."""
    words = code(cell)
    parts = [part for part in _SEPARATED.split(words) if part]
    if len(parts) > 1:
        return parts if all(map(is_code, parts)) else None
    if len(words) > 1 and word_state(words) is None and any(set(words) <= letters for letters in _RUN_LETTERS):
        return list(words)
    return parts if parts and is_code(words) else None


@dataclass(frozen=True)
class Alphabet:
    """The codes of some columns that are read alike.

    Attributes
    ----------
    key : str
        Of the layout and the columns, for the questions.
    where : Sentence
        The columns, for people.
    headings : tuple of str
        Of the columns.
    words : tuple of str
        What is written beside the table: a legend may stand there.
    cells : Counter
        Codes, as `code` gives them, with how often each stands there.
    gaps : int
        Empty cells that stand where a bud was looked at.
    own : bool
        Whether the table is of vinemap's own layout.
    """

    key: str
    where: Sentence
    headings: tuple[str, ...]
    words: tuple[str, ...]
    cells: Counter[str]
    gaps: int = 0
    own: bool = False


def read_codes(alphabet: Alphabet, answers: Mapping[str, str]) -> tuple[dict[str, str], list[Proposal]]:
    """Say what each code of an alphabet stands for.

    Parameters
    ----------
    alphabet : Alphabet
    answers : mapping
        To the questions so far.

    Returns
    -------
    meanings : dict
        Code to `State`, or `NO_NODE`; codes that are still open are left out.
    proposals : list of Proposal
        One a code.
    """
    codes = sorted(filter(None, alphabet.cells))
    legend = _legend(codes, (*alphabet.headings, *alphabet.words))
    meanings: dict[str, str] = {}
    proposals: list[Proposal] = []

    def propose(one: str, value: str | None, certain: bool) -> None:
        proposal = _proposal(alphabet, one, value, certain=certain)
        proposals.append(proposal)
        if (meant := settled(proposal, answers)) is not None:
            meanings[one] = meant

    own = alphabet.own and not {"a", "d"}.isdisjoint(codes) and {"a", "d", "b", "-", "u"}.issuperset(codes)
    open_codes = []
    for one in codes:
        value = legend.get(one) or (_OWN.get(one) if own else None)
        value = value or (None if one in _YES | _NO else word_state(one))
        if value is not None:
            propose(one, value, certain=True)
        else:
            open_codes.append(one)
    for one, value, certain in _by_company(open_codes, alphabet, meanings, answers):
        propose(one, value, certain)
    if alphabet.gaps and len(meanings) == len(codes) and len({_ALIVE, _DEAD}.intersection(meanings.values())) == 1:
        # Where only the dead, or only the live, were marked, an empty cell may be the other.
        propose("", None, certain=False)
    return meanings, sorted(proposals, key=lambda proposal: proposal.certain)


def _by_company(
    codes: list[str], alphabet: Alphabet, meanings: Mapping[str, str], answers: Mapping[str, str]
) -> Iterable[tuple[str, str | None, bool]]:
    """Yield codes that the others beside them, or the heading, decide, and those that nothing does."""
    if not codes:
        return
    if set(codes) <= {"-"} and {_ALIVE, _DEAD}.intersection(meanings.values()):
        yield from ((one, _UNREAD, True) for one in codes)
    elif set(codes) <= _YES | _NO:
        yield from _flags(codes, alphabet, answers)
    else:
        letters = {one for one in alphabet.cells if one and (one in codes or word_state(one) is None)}
        together = _together(frozenset(letters) - {"-"})
        for one in codes:
            # Beside letters a dash is a gap.
            value = _UNREAD if one == "-" else together.get(one)
            yield one, value or _likely(one), value is not None


def _together(letters: frozenset[str]) -> Mapping[str, str]:
    """Return what letters mean that leave each other one reading; nothing where another letter opens it again."""
    known = [codes for codes in _TOGETHER if codes <= letters]
    largest = [codes for codes in known if not any(codes < other for other in known)]
    if len(largest) != 1 or ("m" in largest[0] and not _ELSE_DEAD.isdisjoint(letters)):
        return {}
    return _TOGETHER[largest[0]]


def _likely(one: str) -> str | None:
    """Return what a lone code would most often be, as a proposal to be asked."""
    return {"a": _ALIVE, "g": _ALIVE, "l": _ALIVE, "v": _ALIVE, "d": _DEAD, "b": _DEAD, "n": _DEAD, "k": _DEAD}.get(one)


def _flags(codes: list[str], alphabet: Alphabet, answers: Mapping[str, str]) -> Iterable[tuple[str, str | None, bool]]:
    """Yield 1 and 0, yes and no, + and -: by the heading; else the first is asked, and the others follow from it."""
    said = {state_of(tokens(re.sub(r"\(.*?\)", " ", heading))) for heading in alphabet.headings}
    yes = said.pop() if len(said) == 1 else None
    certain = yes is not None
    if yes is None:
        first = next((one for one in codes if one in _YES), codes[0])
        answer = answers.get(_key(alphabet, first))
        yield first, None, False
        if answer not in _OPPOSITE:
            return
        yes = answer if first in _YES else _OPPOSITE[str(answer)]
        certain, codes = True, [one for one in codes if one != first]
    for one in codes:
        yield one, yes if one in _YES else _OPPOSITE[yes], certain


def _legend(codes: Sequence[str], words: Iterable[str]) -> dict[str, str]:
    """Return the codes that a heading, a title or a remark explains: ``B = brown``, ``(1=yes)`` under ``Dead``."""
    found: dict[str, set[str]] = {}
    for text in words:
        heading = state_of(tokens(text.split("(")[0]))
        for match in (*_LEGEND.finditer(fold(text)), *_LEGEND_TURNED.finditer(fold(text))):
            said = match["words"]
            state = word_state(said) or state_of(tokens(said))
            if state is None and heading is not None and said in _YES | _NO:
                state = heading if said in _YES else _OPPOSITE[heading]
            if state is not None:
                found.setdefault(match["code"], set()).add(state)
    return {one: next(iter(found[one])) for one in codes if len(found.get(one, ())) == 1}


def _key(alphabet: Alphabet, one: str) -> str:
    return f"{alphabet.key} code {one}"


def _proposal(alphabet: Alphabet, one: str, value: str | None, *, certain: bool) -> Proposal:
    values = (_ALIVE, _DEAD, _BEFORE, _UNREAD, NO_NODE)
    return Proposal(
        _key(alphabet, one),
        Sentence(
            "import.code",
            code=repr(one) if one else Sentence("import.code.empty"),
            where=alphabet.where,
            times=Sentence.counted("count.cells", alphabet.cells[one]),
        ),
        tuple(Choice(state, Sentence(f"import.state.{state}")) for state in values),
        value,
        certain,
    )


def reader_of(meanings: Mapping[str, str]) -> Callable[[object], str | None]:
    """Return what reads a cell: a state, `NO_NODE`, or None where its code is still open; an empty cell is unread."""
    return lambda cell: meanings.get(code(cell), None if code(cell) else _UNREAD)
