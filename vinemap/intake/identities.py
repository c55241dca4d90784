"""Which sample each row is of: by its own name, by block and number, by block, row and vine, or by block alone."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic_core import PydanticCustomError

from vinemap.errors import Findings
from vinemap.intake.headings import Headed, plain
from vinemap.intake.lexicon import fold
from vinemap.intake.meanings import Meaning
from vinemap.intake.naming import match_names
from vinemap.intake.questions import unanswered
from vinemap.reading.cells import blank, name
from vinemap.sentences import Sentence

_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
_BETWEEN_FIGURES = re.compile(r"(?<=[0-9])[\W_]+(?=[0-9])")


@dataclass(frozen=True)
class Identity:
    """Which sample a row is of.

    Attributes
    ----------
    sample : str
        Name of the sample, of its own over the whole survey.
    block, row, vine : str
        As the table has them; "" where it does not.
    """

    sample: str
    block: str = ""
    row: str = ""
    vine: str = ""


def bare(words: str) -> str:
    """Return a name by which two spellings of it are one: without capitals, accents, marks and leading zeros."""
    parted = _BETWEEN_FIGURES.sub(".", _ZEROS.sub("", fold(words)))
    return re.sub(r"(?![0-9.])[\W_]+|(?<![0-9])\.|\.(?![0-9])", "", parted)


def identify(
    meanings: Sequence[Meaning], known: Sequence[str], answers: Mapping[str, str], findings: Findings
) -> list[list[Identity | None]]:
    """Say which sample each row of each table is of.

    Parameters
    ----------
    meanings : sequence of Meaning
        Tables of one survey.
    known : sequence of str
        Blocks that have an outline: a sheet, or else a file, that is called as one of them holds its samples.
    answers : mapping
        To the questions so far.
    findings : Findings
        Gets rows that name no sample, and a note where names were put together.

    Returns
    -------
    list of list of Identity or None
        For each table, an identity a row; None where the row names none.
    """
    parts = [_parts(meaning, _block_of(meaning, known, findings), answers, findings) for meaning in meanings]
    numbered = _needs_block(parts)
    if numbered:
        findings.warn(Sentence("import.note.by_block"))
    spelt: dict[str, str] = {}
    return [[None if part is None else _identity(part, numbered, spelt) for part in table] for table in parts]


_Part = tuple[str, str, str, str]


def _block_of(meaning: Meaning, known: Sequence[str], findings: Findings) -> str:
    """Return the block that a whole table is of: as a title says, else as its sheet or file is called."""
    table = meaning.table
    titled = dict(table.context).get("block", "")
    if titled or meaning.place("block") is not None or not known:
        return titled
    for title in filter(None, (table.sheet, Path(table.file).stem)):
        block = match_names([title], known, {}, where=table.source, needed=()).mapping.get(title)
        if block is not None:
            findings.warn(Sentence("import.note.block_of", sheet=table.source, block=block))
            return block
    return ""


def _parts(meaning: Meaning, block: str, answers: Mapping[str, str], findings: Findings) -> list[_Part | None]:
    """Return sample, block, row and vine of each row; what stands once over a group of rows goes for all of them."""
    table = meaning.table
    places = [meaning.place(role) for role in ("sample", "block", "row", "vine")]
    context = dict(table.context)
    above = ["", "", "", ""]
    found: list[_Part | None] = []
    filled: list[int] = []
    within = bool(meaning.nodes or meaning.runs or {"cane", "node"}.intersection(meaning.roles.values()))
    for number, cells in table.rows:
        own = [_named(cells[place], table, number, place, findings) if place is not None else "" for place in places]
        own[1] = own[1] or block
        whole = _filled_down(own, above, within)
        if whole != own:
            filled.append(number)
        own = whole
        above = own.copy()
        own[0] = own[0] or (context.get("sample", "") if places[0] is None else "")
        found.append((own[0], own[1], own[2], own[3]) if any(own) else None)
        if not any(own) and places != [None] * 4:
            findings.problem(
                table.source, number, "", Sentence("fault.names_no_sample"), Sentence("remedy.names_no_sample")
            )
    if not any(found) and not unanswered(meaning.proposals, answers):
        findings.problem(
            table.source, table.header_row, "", Sentence("fault.no_sample_column"), Sentence("remedy.no_sample_column")
        )
    if filled:
        findings.warn(Sentence.counted("import.note.filled_down", len(filled), sheet=table.source, row=filled[0]))
    return found


def _filled_down(own: list[str], above: list[str], within: bool) -> list[str]:
    """Return sample, block, row and vine with what is written once over a group of rows.

    A block, or a row, stands over the samples and vines below it; a sample over its canes and nodes.
    """
    sample, block, row, vine = own
    if not any(own):
        return above if within else own
    if sample and not block:
        return [sample, above[1], row, vine]
    if vine and not sample:
        return [sample, block or above[1], row or (above[2] if block in ("", above[1]) else ""), vine]
    if not sample and above[0] and within:
        return [above[0], block or above[1], row or above[2], vine or above[3]]
    return own


def _named(cell: object, table: Headed, number: int, place: int, findings: Findings) -> str:
    try:
        return "" if blank(cell) else name(cell)
    except PydanticCustomError as fault:
        context = fault.context or {}
        findings.problem(table.source, number, table.names[place], context["problem"], context["remedy"])
        return plain(cell)


def _needs_block(parts: Iterable[list[_Part | None]]) -> bool:
    """Whether samples are numbered anew in each block, so that a number alone names several."""
    blocks: dict[str, set[str]] = {}
    for table in parts:
        for part in table:
            if part is not None and part[0] and part[1]:
                blocks.setdefault(bare(part[0]), set()).add(bare(part[1]))
    shared = sum(len(its) > 1 for its in blocks.values())
    return shared > 0 and 2 * shared >= min(len(blocks), 4)


def _identity(part: _Part, numbered: bool, spelt: dict[str, str]) -> Identity:
    sample, block, row, vine = part
    if not sample:
        sample = " ".join(filter(None, (block, row and f"r{row}", vine and f"v{vine}")))
    elif numbered and block and not bare(sample).startswith(bare(block)):
        sample = f"{block} {sample}"
    return Identity(spelt.setdefault(bare(sample), sample), block, row, vine)
