"""Names as people write them, matched to the names that stand elsewhere: blocks to outlines, samples to waypoints.

A name stands or falls by its number: 2 is never 12, nor 2A, and no likeness of letters brings them together.
"""

from __future__ import annotations

import difflib
import json
import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from hashlib import sha256

from vinemap.intake.questions import Choice, Proposal
from vinemap.sentences import Sentence

NONE = "-"
"""Answer for a name that is none of those known."""
EACH = "each"
"""Answer to a table of names: ask for each by itself."""
YES = "yes"
"""Answer to a table of names that is certain."""

# Least likeness of two spellings by difflib's ratio, by how much the best has to lead the next, and letters of which
# a beginning says something.
_ALIKE, _LEAD, _BEGINNING = 0.72, 0.06, 3

# What people put before or behind the name proper, in English and Spanish; common practice.
_BLOCK_WORDS = (
    "block blocks blk blks bk bl blq bloque bloques cuartel cuarteles ctel cuadro lote parcela potrero "
    "field plot parcel section sector vineyard vyd"
)
_SAMPLE_WORDS = "sample samples smp smpl muestra muestras waypoint waypoints wp wpt point pt punto vine vid cepa"
_KIND_WORDS = {"block": frozenset(_BLOCK_WORDS.split()), "sample": frozenset(_SAMPLE_WORDS.split())}
_NUMBER_WORDS = frozenset(("number", "numero", "num", "no", "nr", "nro", "#"))
_ENGLISH = "one two three four five six seven eight nine ten eleven twelve"
_SPANISH = "uno dos tres cuatro cinco seis siete ocho nueve diez once doce"
_FIGURES = {word: str(figure) for words in (_ENGLISH, _SPANISH) for figure, word in enumerate(words.split(), start=1)}
# Words that tell one part of a place from the next, as a number does.
_PLACES = (
    "north south east west northeast northwest southeast southwest ne nw se sw norte sur este oeste noreste noroeste "
    "sureste suroeste upper lower top bottom middle mid old new left right front back inner outer alto alta bajo baja "
    "medio viejo vieja nuevo nueva izquierda derecha ii iii iv vi vii viii ix xi xii"
)
_SIDES = frozenset(_PLACES.split())
# Numbers that a mark ties together, such as 1.2 or 1-2, are one label; one letter behind a number belongs to it.
_PART = re.compile(r"[0-9]+(?:[./-][0-9]+)+|[0-9]+[^\W\d_](?![^\W\d_])|[0-9]+|[^\W\d_]+|\S")
_KIND = "*"


class _Tie(IntEnum):
    """How two names hang together, the firmest first."""

    SAME = 0
    SAME_PROPER = 1
    FIRM = 2
    LOOSE = 3
    DOUBTFUL = 4


@dataclass(frozen=True)
class Matches:
    """Names matched.

    Attributes
    ----------
    mapping : dict
        Known name of each written one that is settled.
    proposals : list of Proposal
        Tables "yours -> ours", the certain one and the one asked, and names that are asked singly.
    unmatched : list of str
        Written names that are none of those known by an answer, or still open.
    """

    mapping: dict[str, str] = field(default_factory=dict)
    proposals: list[Proposal] = field(default_factory=list)
    unmatched: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Name:
    """A name in its parts.

    Attributes
    ----------
    whole : str
        Without case, spaces, accents and punctuation; numbers that stand apart stay apart.
    parts : tuple of str
        Words and numbers without the words for its kind at either end.
    marked : tuple of str
        All words and numbers, with a star in place of a word for its kind.
    own : str
        Word that every name of its side begins with, left out of ``parts``; "" where there is none.
    """

    whole: str
    parts: tuple[str, ...]
    marked: tuple[str, ...]
    own: str = ""


def match_names(
    written: Sequence[str],
    known: Sequence[str],
    answers: Mapping[str, str],
    kind: str = "block",
    where: str = "",
    *,
    needed: Collection[str] | None = None,
) -> Matches:
    """Match names as a file writes them to those known.

    Parameters
    ----------
    written : sequence of str
        A name that stands there twice is one.
    known : sequence of str
    answers : mapping
        To proposals, by their key.
    kind : str
        ``block`` or ``sample``: which words may stand before the name proper.
    where : str
        File of the written names, for the question.
    needed : collection of str, optional
        Written names that are asked for even if they are like none of those known; all by default. Others are
        unmatched without a question.

    Returns
    -------
    Matches

    Notes
    -----
    A name is certain where it is the same but for capitals, spaces, accents, punctuation and words such as "block", and
    where it begins as the other one does, or has its number, and neither could be another's. Spellings that are merely
    alike are asked, all in one table.

    Examples
    --------
    >>> from vinemap.intake.naming import match_names
    >>> match_names(["Blk 2", "12"], ["Blk 2 - Pinot N. 5 / 667", "Block 12"], {}).mapping
    {'Blk 2': 'Blk 2 - Pinot N. 5 / 667', '12': 'Block 12'}
    """
    written, known = list(dict.fromkeys(written)), list(dict.fromkeys(known))
    ours, theirs = _names(written, kind), _names(known, kind)
    ties = {name: _ties(one, theirs) for name, one in ours.items()}
    certain = _certain(ours, ties)
    told = _told(answers, kind, known)
    of_tables = {name: other for pairs in told.values() for name, other in pairs.items()}
    mapping: dict[str, str] = {}
    unmatched: list[str] = []
    asked: dict[str, str | None] = {}
    for name in written:
        answer = answers.get(_key(kind, name), of_tables.get(name))
        if answer in known:
            mapping[name] = answer
        elif answer == NONE:
            unmatched.append(name)
        elif name in certain:
            mapping[name] = certain[name]
        if name in certain and answer is None:
            continue
        if needed is None or name in needed or ties[name] or answer is not None:
            asked[name] = _likeliest(name, ties[name], certain)
    unmatched += [name for name in written if name not in mapping and name not in unmatched]
    sure = {name: certain[name] for name in written if name in certain and name not in asked}
    proposals = [_table(_table_key(kind, sure, "certain."), sure, kind, where)] if sure else []
    return Matches(mapping, [*proposals, *_questions(asked, told, ties, known, kind, where, answers)], unmatched)


def folded_name(name: str) -> str:
    """Return a name without case, spaces, accents and punctuation; numbers that stand apart stay apart.

    Examples
    --------
    >>> from vinemap.intake.naming import folded_name
    >>> folded_name("Peñón  1-2"), folded_name("PENON 12"), folded_name("Peñón 012")
    ('penon1.2', 'penon12', 'penon12')
    """
    return _joined(_split(name))


def _split(name: str) -> list[str]:
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", name).casefold())
    letters = "".join(
        str(unicodedata.decimal(letter)) if letter.isdecimal() else letter
        for letter in plain
        if not "\u0300" <= letter <= "\u036f"
    )
    found = [part for part in _PART.findall(letters) if not _is_punctuation(part)]
    return [_bare_number(part) for part in found] or [letters or " "]


def _is_punctuation(part: str) -> bool:
    return len(part) == 1 and unicodedata.category(part)[0] in "PZC" and part != "#"


def _bare_number(part: str) -> str:
    """Return a label without zeros before its numbers, and with one mark between them."""
    if not part[0].isdecimal():
        return part
    return ".".join(number.lstrip("0") or "0" for number in re.split("[./-]", part))


def _joined(parts: Sequence[str]) -> str:
    whole = ""
    for part in parts:
        apart = whole[-1:].isdecimal() and part[0].isdecimal()
        whole += f" {part}" if apart else part
    return whole


def _names(names: Iterable[str], kind: str) -> dict[str, _Name]:
    """Take names apart; a word that all of several begin with is put aside."""
    read = {name: _name(name, kind) for name in names}
    first = {name.parts[0] if len(name.parts) > 1 and name.parts[0].isalpha() else "" for name in read.values()}
    own = first.pop() if len(first) == 1 and len(read) > 1 else ""
    if not own:
        return read
    return {name: _Name(one.whole, one.parts[1:], one.marked, own) for name, one in read.items()}


def _name(name: str, kind: str) -> _Name:
    parts = _split(name)
    marked = tuple(_KIND if part in _KIND_WORDS[kind] else part for part in parts)
    start, end = 0, len(parts)
    while start < end - 1 and (marked[start] == _KIND or _counts(parts, start)):
        start += 1
    while end > start + 1 and marked[end - 1] == _KIND:
        end -= 1
    proper = parts[start:end]
    if start and len(proper) == 1:
        proper = [_FIGURES.get(proper[0], proper[0])]
    return _Name(_joined(parts), tuple(proper), marked)


def _counts(parts: Sequence[str], place: int) -> bool:
    """Whether a part says no more than that a number follows."""
    return parts[place] in _NUMBER_WORDS and parts[place + 1][0].isdecimal()


def _is_label(part: str) -> bool:
    """Whether a part tells one name from the next, and is never replaced by one that is like it."""
    return len(part) == 1 or part[0].isdecimal() or part in _SIDES


def _labels(parts: Sequence[str]) -> tuple[str, ...]:
    return tuple(part for part in parts if _is_label(part))


def _tie(one: _Name, other: _Name) -> _Tie | None:
    """Return how two names hang together; None where they do not."""
    if one.whole == other.whole:
        return _Tie.SAME
    if one.own and other.own:
        # Each side has a word of its own before every name: numbers alone say little.
        found = None if one.own == other.own else _of_parts(one.parts, other.parts)
        if found is not None:
            return max(found, _Tie.LOOSE)
        one, other = _with_own(one), _with_own(other)
    elif one.parts != other.parts and (_numbered(one.marked, other.marked) or _numbered(other.marked, one.marked)):
        return _Tie.FIRM
    return _of_parts(one.parts, other.parts)


def _with_own(name: _Name) -> _Name:
    return _Name(name.whole, (name.own, *name.parts), name.marked)


def _of_parts(one: tuple[str, ...], other: tuple[str, ...]) -> _Tie | None:
    if one == other:
        return _Tie.SAME_PROPER
    short, long = (one, other) if len(one) <= len(other) else (other, one)
    numbered = one[0] == other[0] and one[0][0].isdecimal()
    if long[: len(short)] == short and not (numbered and len(short) > 1):
        return _Tie.DOUBTFUL if _is_label(long[len(short)]) else _Tie.FIRM
    if numbered:
        return _Tie.FIRM if _abbreviates(short[1:], long[1:]) else _Tie.LOOSE
    alike = _labels(one) == _labels(other) and (_begins(short, long) or _likeness(one, other) >= _ALIKE)
    return _Tie.LOOSE if alike or sorted(one) == sorted(other) else None


def _ties(one: _Name, others: Mapping[str, _Name]) -> dict[str, _Tie]:
    found = {name: _tie(one, other) for name, other in others.items()}
    return {name: tie for name, tie in found.items() if tie is not None}


def _numbered(short: tuple[str, ...], long: tuple[str, ...]) -> bool:
    """Whether a name is a word for its kind and a number, and the other one has both somewhere, and no label next."""
    if len(short) != 2 or short[0] != _KIND or not short[1][0].isdecimal():
        return False
    found = [place for place in range(len(long) - 1) if long[place : place + 2] == short]
    return len(found) == 1 and not any(_is_label(part) for part in long[found[0] + 2 : found[0] + 3])


def _abbreviates(short: Sequence[str], long: Sequence[str]) -> bool:
    """Whether words are the initials of others, such as "PN" of "Pinot Noir", or their beginnings, in order."""
    words = [part for part in long if not part[0].isdecimal()]
    if len(short) == 1 and "".join(word[0] for word in words).startswith(short[0]):
        return True
    return 0 < len(short) <= len(words) and all(
        part.isalpha() and word.startswith(part) for part, word in zip(short, words, strict=False)
    )


def _begins(short: Sequence[str], long: Sequence[str]) -> bool:
    """Whether the last word of a name is the beginning of the other's word at that place."""
    last = len(short) - 1
    start = short[last]
    return (
        tuple(short[:last]) == tuple(long[:last])
        and len(start) >= _BEGINNING
        and start.isalpha()
        and long[last].startswith(start)
    )


def _likeness(one: Sequence[str], other: Sequence[str]) -> float:
    return difflib.SequenceMatcher(None, " ".join(one), " ".join(other), autojunk=False).ratio()


def _certain(ours: Mapping[str, _Name], ties: Mapping[str, Mapping[str, _Tie]]) -> dict[str, str]:
    """Return the matches that could be no others."""
    certain = {name: name for name in ours if name in ties[name]}
    for level, group in ((_Tie.SAME, "whole"), (_Tie.SAME_PROPER, "parts"), (_Tie.FIRM, "parts")):
        left = [name for name in ours if name not in certain]
        taken = {other: ours[name].parts for name, other in certain.items()}
        wanted: dict[str, set[object]] = {}
        for name in left:
            for other, tie in ties[name].items():
                if tie <= level:
                    wanted.setdefault(other, set()).add(getattr(ours[name], group))
        for name in left:
            found = [other for other, tie in ties[name].items() if tie <= level]
            if len(found) != 1 or len(wanted[found[0]]) != 1:
                continue
            # Only another spelling of the name that took it may take it too.
            if level is _Tie.SAME or taken.get(found[0], ours[name].parts) == ours[name].parts:
                certain[name] = found[0]
    return certain


def _likeliest(name: str, ties: Mapping[str, _Tie], certain: Mapping[str, str]) -> str | None:
    """Return the known name to propose, None where several are as likely."""
    firm = [other for other, tie in ties.items() if tie <= _Tie.FIRM]
    if firm:
        free = [other for other in firm if other not in certain.values()]
        return free[0] if len(free) == 1 else None
    parts = _split(name)
    loose = sorted((-_likeness(parts, _split(other)), other) for other, tie in ties.items() if tie is _Tie.LOOSE)
    if not loose or (len(loose) > 1 and loose[1][0] - loose[0][0] < _LEAD):
        return None
    return loose[0][1]


def _key(kind: str, name: str) -> str:
    return f"name.{kind}.{name}"


def _told(answers: Mapping[str, str], kind: str, known: Sequence[str]) -> dict[str, dict[str, str]]:
    """Return what answers to whole tables say of each name, by the table's key."""
    found: dict[str, dict[str, str]] = {}
    for key, answer in answers.items():
        if not key.startswith(f"names.{kind}."):
            continue
        try:
            told = json.loads(answer)
        except ValueError:
            continue
        if isinstance(told, dict):
            found[key] = {str(name): str(other) for name, other in told.items() if other in known}
    return found


def _questions(
    asked: Mapping[str, str | None],
    told: Mapping[str, Mapping[str, str]],
    ties: Mapping[str, Mapping[str, _Tie]],
    known: Sequence[str],
    kind: str,
    where: str,
    answers: Mapping[str, str],
) -> list[Proposal]:
    """Ask for names: in one table for those that have a likely match, each by itself for the others."""
    tables: list[Proposal] = []
    done: set[str] = {name for name in asked if _key(kind, name) in answers}
    for key, pairs in told.items():
        here = {name: other for name, other in pairs.items() if name in asked and name not in done}
        if here:
            tables.append(_table(key, here, kind, where, answers[key]))
            done |= set(here)
    of_tables = {name for pairs in told.values() for name in pairs}
    likely = {name: other for name, other in asked.items() if other is not None and name not in of_tables}
    key = _table_key(kind, likely)
    if len(likely) > 1 and answers.get(key) != EACH:
        here = {name: other for name, other in likely.items() if name not in done}
        if here:
            tables.append(_table(key, here, kind, where, json.dumps(here, ensure_ascii=False)))
        singly = [name for name in asked if name not in of_tables and name not in here]
    else:
        singly = [name for name in asked if name not in of_tables]
    return [*tables, *(_single(name, asked[name], ties[name], known, kind, where) for name in singly)]


def _table_key(kind: str, names: Iterable[str], certain: str = "") -> str:
    """Return the key of a table of names: the same for the same names, in any order."""
    mark = sha256("|".join(sorted(map(folded_name, names))).encode()).hexdigest()[:6]
    return f"names.{kind}.{certain}{mark}"


def _table(key: str, pairs: Mapping[str, str], kind: str, where: str, value: str = "") -> Proposal:
    """Make a table "yours -> ours" that is right or wrong as a whole; certain where it has no value."""
    choices = (Choice(value or YES, Sentence("import.names.yes")), Choice(EACH, Sentence("import.names.each")))
    return Proposal(
        key=key,
        about=Sentence.counted(f"import.names.{kind}", len(pairs), where=where),
        choices=choices if value else choices[:1],
        value=value or YES,
        certain=not value,
        examples=tuple(f"{name} → {other}" for name, other in pairs.items()),
    )


def _single(
    name: str, likely: str | None, ties: Mapping[str, _Tie], known: Sequence[str], kind: str, where: str
) -> Proposal:
    """Ask for one name, the likeliest choices first."""
    ordered = sorted(known, key=lambda other: (other != likely, ties.get(other, len(_Tie)), -_likeness(name, other)))
    choices = [Choice(other, Sentence("import.name.is", name=other)) for other in ordered]
    return Proposal(
        key=_key(kind, name),
        about=Sentence(f"import.name.{kind}", where=where, name=name),
        choices=(*choices, Choice(NONE, Sentence("import.name.none"))),
        value=likely,
        certain=False,
        examples=(name,),
    )
