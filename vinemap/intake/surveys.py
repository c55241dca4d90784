"""Tables of buds of any layout, reduced to nodes or counts a sample, joined, and what was entered twice named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import pandas as pd

from vinemap.errors import Findings
from vinemap.intake.codes import NO_NODE, Alphabet, code, read_codes, reader_of, split_run
from vinemap.intake.counted import Counted, read_counts
from vinemap.intake.headings import plain
from vinemap.intake.identities import Identity
from vinemap.intake.lexicon import BUD_NAMES, fold, state_of, tokens
from vinemap.intake.meanings import Meaning
from vinemap.intake.questions import Choice, Proposal, settled
from vinemap.intake.sums import figure
from vinemap.reading.cells import blank, show
from vinemap.sentences import Listed, Sentence
from vinemap.states import Bud, Part, State

_PARTS = {
    **dict.fromkeys(("basal", "base", "bottom", "lower", "proximal", "abajo"), Part.BASAL.value),
    **dict.fromkeys(("apical", "tip", "top", "upper", "distal", "punta", "arriba"), Part.APICAL.value),
}
_MOST_LETTERS = 3

Node = tuple[int | None, str, str, str]
"""Number of the node, and the states of its three buds."""


@dataclass(frozen=True)
class Unit:
    """What one row, or the rows of one cane, say of a sample.

    Attributes
    ----------
    sample : str
    cane : str
        "" where the table names none.
    part : str
        Of the cane; of counts alone.
    nodes : tuple of Node
        None of counts.
    counted : Counted or None
        None of nodes.
    where : str
        Table and first row, as ``file:row``.
    source : str
    row : int
    reader : str
    """

    sample: str
    cane: str
    part: str
    nodes: tuple[Node, ...]
    counted: Counted | None
    source: str
    row: int
    reader: str = ""

    @property
    def where(self) -> str:
        """Table and first row, as messages name them."""
        return f"{self.source}:{self.row}"

    @property
    def content(self) -> object:
        """What is alike where a unit was entered twice."""
        return (self.nodes, None if self.counted is None else (self.counted.nodes, tuple(self.counted.dead.items())))


@dataclass
class Survey:
    """What all tables of buds hold together.

    Attributes
    ----------
    units : list of Unit
    proposals : list of Proposal
    """

    units: list[Unit] = field(default_factory=list)
    proposals: list[Proposal] = field(default_factory=list)


def read_survey(
    tables: Iterable[tuple[Meaning, Sequence[Identity | None]]], answers: Mapping[str, str], findings: Findings
) -> Survey:
    """Read all tables of buds, and put together what they say of each sample.

    Parameters
    ----------
    tables : iterable of (Meaning, sequence of Identity or None)
        With the sample of each row.
    answers : mapping
        To the questions so far.
    findings : Findings
        Gets contradictions, cells that cannot be read, and notes.

    Returns
    -------
    Survey
        Complete when none of its proposals is open.
    """
    survey = Survey()
    for meaning, identities in tables:
        units, proposals = _read_table(meaning, identities, answers, findings)
        survey.proposals.extend(proposals)
        numbered, proposals = _canes(meaning, units, answers, findings)
        survey.proposals.extend(proposals)
        survey.units.extend(numbered)
    order = {unit.sample: place for place, unit in reversed(list(enumerate(survey.units)))}
    survey.units = sorted(_once(survey.units, findings), key=lambda unit: order[unit.sample])
    return survey


def as_table(survey: Survey, findings: Findings) -> pd.DataFrame:
    """Return the survey as one tidy table: node by node where all of it is, else as counts a sample."""
    units = survey.units
    if all(unit.counted is None for unit in units):
        return _by_node(units)
    mixed = sorted({unit.sample for unit in units if unit.counted is None})
    if mixed:
        findings.warn(Sentence.counted("import.note.reduced", len(mixed), samples=Listed(mixed)))
    return _by_count(units, findings)


# One table.


def _read_table(
    meaning: Meaning, identities: Sequence[Identity | None], answers: Mapping[str, str], findings: Findings
) -> tuple[list[Unit], list[Proposal]]:
    if meaning.kind == "counts":
        counted = read_counts(meaning, findings)
        units = [
            Unit(
                who.sample,
                _text(meaning, place, "cane"),
                part,
                (),
                counted[place],
                meaning.table.source,
                number,
                reader,
            )
            for place, (number, _) in enumerate(meaning.table.rows)
            if (who := identities[place]) is not None and place in counted
            for part in (_PARTS.get(fold(_text(meaning, place, "part")), Part.ALL.value),)
            for reader in (_text(meaning, place, "reader"),)
        ]
        return units, []
    reads = {"nodes": _by_rows, "canes": _by_columns, "runs": _by_runs}
    return reads[str(meaning.kind)](meaning, identities, answers, findings)


def _text(meaning: Meaning, place: int, role: str) -> str:
    column = meaning.place(role)
    return "" if column is None else plain(meaning.table.rows[place][1][column])


_Reader = Callable[[object], str | None]


def _alphabet(
    meaning: Meaning, columns: Sequence[int], cells: Counter[str], gaps: int, answers: Mapping[str, str]
) -> tuple[_Reader, list[Proposal]]:
    """Return what reads the cells of some columns, and the questions of their codes."""
    table = meaning.table
    headings = tuple(table.names[place] for place in columns)
    listed = Listed([repr(name) for name in headings if name][:3])
    where = Sentence("import.column", column=listed, table=table.source)
    said = state_of(tokens(headings[0])) if len({state_of(tokens(heading)) for heading in headings}) == 1 else None
    key = f"{table.layout}{f' {said}' if said else ''}"
    meanings, proposals = read_codes(
        Alphabet(key, where, headings, (*table.words, table.sheet or ""), cells, gaps, meaning.own), answers
    )
    return reader_of(meanings), proposals


def _by_rows(
    meaning: Meaning, identities: Sequence[Identity | None], answers: Mapping[str, str], findings: Findings
) -> tuple[list[Unit], list[Proposal]]:
    """Read a row a node."""
    table, states = meaning.table, meaning.states
    # Columns of one polarity, such as all that say "dead", are read alike.
    groups: dict[str | None, list[int]] = {}
    for place in states.values():
        groups.setdefault(state_of(tokens(table.names[place])), []).append(place)
    readers: dict[int, _Reader] = {}
    proposals: list[Proposal] = []
    for places in groups.values():
        codes = Counter(code(row[place]) for _, row in table.rows for place in places)
        primaries = states.get(Bud.PRIMARY.value)
        gaps = sum(blank(row[place]) for _, row in table.rows for place in places if place == primaries)
        codes.pop("", None)
        read, asked = _alphabet(meaning, places, codes, gaps, answers)
        readers |= dict.fromkeys(places, read)
        proposals += asked
    canes: dict[tuple[str, str, int], list[tuple[Node, int, str]]] = {}
    column, turn, last = meaning.place("node"), Counter[str](), dict[str, int]()
    for place, (number, cells) in enumerate(table.rows):
        who = identities[place]
        if who is None:
            continue
        found = {bud: readers[its](cells[its]) for bud, its in states.items()}
        if None in found.values() or NO_NODE in found.values():
            continue
        node = None if column is None else _whole(meaning, number, cells[column], column, findings)
        cane = _text(meaning, place, "cane")
        if not cane and node is not None:
            # Where numbers start anew, another cane begins.
            turn[who.sample] += node <= last.get(who.sample, 0)
            last[who.sample] = node
        key = (who.sample, cane, turn[who.sample])
        buds = tuple(str(found.get(bud, State.UNREAD.value)) for bud in BUD_NAMES)
        canes.setdefault(key, []).append(((node, *buds), number, _text(meaning, place, "reader")))  # type: ignore[arg-type]
    return _units(meaning, canes), proposals


def _units(meaning: Meaning, canes: Mapping[tuple[str, str, int], list[tuple[Node, int, str]]]) -> list[Unit]:
    return [
        Unit(sample, cane, "", tuple(node for node, _, _ in rows), None, meaning.table.source, rows[0][1], rows[0][2])
        for (sample, cane, _), rows in canes.items()
    ]


def _whole(meaning: Meaning, number: int, cell: object, place: int, findings: Findings) -> int | None:
    if blank(cell):
        return None
    value = figure(cell)
    if value is None or value != int(value) or value < 1:
        said, remedy = Sentence("fault.no_node_number", cell=show(cell)), Sentence("remedy.no_node_number")
        findings.problem(meaning.table.source, number, meaning.table.names[place], said, remedy)
        return None
    return int(value)


def _by_columns(
    meaning: Meaning, identities: Sequence[Identity | None], answers: Mapping[str, str], findings: Findings
) -> tuple[list[Unit], list[Proposal]]:
    """Read a row a cane with a column a node."""
    table, nodes = meaning.table, dict(sorted(meaning.nodes.items()))
    places = list(nodes.values())
    rows = [[code(cells[place]) for place in places] for _, cells in table.rows]
    several = _several_letters(meaning, rows, answers)
    split: Callable[[str], list[str]] = list if several else lambda words: [words]
    cells = Counter(one for row in rows for words in row if words for one in split(words))
    gaps = sum(not words for row in rows for words in _up_to_last(row))
    read, proposals = _alphabet(meaning, places, cells, gaps, answers)
    units = []
    for place, row in enumerate(rows):
        who = identities[place]
        if who is None:
            continue
        found: list[Node] = []
        for number, words in zip(nodes, row, strict=True):
            states = [read(one) for one in split(words)] if words else [read("")]
            if (not words and states == [State.UNREAD.value]) or None in states or NO_NODE in states:
                continue
            buds = [*map(str, states), *[State.UNREAD.value] * _MOST_LETTERS][:_MOST_LETTERS]
            found.append((number, buds[0], buds[1], buds[2]))
        if found:
            cane, reader = _text(meaning, place, "cane"), _text(meaning, place, "reader")
            units.append(Unit(who.sample, cane, "", tuple(found), None, table.source, table.rows[place][0], reader))
    return units, [*proposals, *_letters_proposal(meaning, rows)]


def _up_to_last(row: Sequence[str]) -> Sequence[str]:
    """Return the cells of a cane up to its last node."""
    return row[: max((k + 1 for k, words in enumerate(row) if words), default=0)]


_LETTERS = frozenset("adlgbvmu-?")


def _has_letters(rows: Iterable[Sequence[str]]) -> bool:
    words = {words for row in rows for words in row if len(words) > 1}
    return bool(words) and all(len(one) <= _MOST_LETTERS and set(one) <= _LETTERS for one in words)


def _letters_proposal(meaning: Meaning, rows: Sequence[Sequence[str]]) -> list[Proposal]:
    if not _has_letters(rows):
        return []
    examples = tuple(dict.fromkeys(words for row in rows for words in row if len(words) > 1))[:3]
    choices = tuple(Choice(value, Sentence(f"import.letters.{value}")) for value in ("buds", "one"))
    about = Sentence("import.letters", table=meaning.table.source)
    return [Proposal(f"{meaning.table.layout} letters", about, choices, "buds", meaning.own, examples)]


def _several_letters(meaning: Meaning, rows: Sequence[Sequence[str]], answers: Mapping[str, str]) -> bool:
    """Whether a cell holds a letter each for primary, secondary and tertiary bud."""
    return any(settled(proposal, answers) == "buds" for proposal in _letters_proposal(meaning, rows))


def _by_runs(
    meaning: Meaning, identities: Sequence[Identity | None], answers: Mapping[str, str], findings: Findings
) -> tuple[list[Unit], list[Proposal]]:
    """Read a row a cane with all its codes in a cell; the first is next to the base."""
    table, runs = meaning.table, meaning.runs
    split: dict[str, list[list[str]]] = {}
    for bud, place in runs.items():
        split[bud] = []
        for number, cells in table.rows:
            cell = cells[place]
            codes: list[str] | None = [] if blank(cell) else split_run(cell)
            if isinstance(cell, int | float) and not blank(cell):
                said, remedy = Sentence("fault.run_number", cell=show(cell)), Sentence("remedy.run_number")
                findings.problem(table.source, number, table.names[place], said, remedy)
                codes = []
            if codes is None:
                said, remedy = Sentence("fault.no_run", cell=show(cell)), Sentence("remedy.no_run")
                findings.problem(table.source, number, table.names[place], said, remedy)
            split[bud].append(codes or [])
    cells_ = Counter(one for rows in split.values() for codes in rows for one in codes)
    read, proposals = _alphabet(meaning, list(runs.values()), cells_, 0, answers)
    units = []
    for place, (number, _) in enumerate(table.rows):
        who = identities[place]
        seen = {bud: [read(one) for one in its[place]] for bud, its in split.items()}
        length = max(map(len, seen.values()), default=0)
        if who is None or not length or any(None in states for states in seen.values()):
            continue
        if len({len(states) for states in seen.values() if states}) > 1:
            said, remedy = Sentence("fault.runs_differ"), Sentence("remedy.correct_either")
            findings.problem(table.source, number, "", said, remedy)
            continue
        found = [
            (node + 1, *(str((seen.get(bud) or [State.UNREAD.value] * length)[node]) for bud in BUD_NAMES))
            for node in range(length)
            if (seen.get(Bud.PRIMARY.value) or [""] * length)[node] != NO_NODE
        ]
        cane, reader = _text(meaning, place, "cane"), _text(meaning, place, "reader")
        units.append(Unit(who.sample, cane, "", tuple(found), None, table.source, number, reader))  # type: ignore[arg-type]
    base = Sentence("import.from_base", table=table.source)
    choices = tuple(Choice(value, Sentence(f"import.from_base.{value}")) for value in ("base", "tip"))
    order = Proposal(f"{table.layout} first", base, choices, "base", True)
    if settled(order, answers) == "tip":
        units = [replace(unit, nodes=_turned(unit.nodes)) for unit in units]
    return units, [*proposals, order]


def _turned(nodes: tuple[Node, ...]) -> tuple[Node, ...]:
    """Return nodes numbered from the other end."""
    return tuple((place + 1, *node[1:]) for place, node in enumerate(reversed(nodes)))


# Rows of one sample: canes of their own, or entered twice.


def _canes(
    meaning: Meaning, units: list[Unit], answers: Mapping[str, str], findings: Findings
) -> tuple[list[Unit], list[Proposal]]:
    """Give canes numbers in a table that names none; ask where rows of a sample may be one cane entered twice."""
    if meaning.place("cane") is not None or not units:
        return [replace(unit, cane=unit.cane or "1") for unit in units], []
    rows: dict[tuple[str, str], list[Unit]] = {}
    for unit in units:
        rows.setdefault((unit.sample, unit.part), []).append(unit)
    repeated = [its for its in rows.values() if len(its) > 1]
    proposals = []
    meant: str | None = "canes"
    if repeated and 2 * len(repeated) < len(rows):
        alike = all(unit.content == its[0].content for its in repeated for unit in its)
        values = ("canes", "once")
        proposal = Proposal(
            f"{meaning.table.layout} repeats",
            Sentence("import.repeats", table=meaning.table.source, samples=Listed(its[0].sample for its in repeated)),
            tuple(Choice(value, Sentence(f"import.repeats.{value}")) for value in values),
            "once",
            alike,
            tuple(f"{unit.row}: {unit.sample}" for unit in repeated[0][:3]),
        )
        proposals = [proposal]
        meant = settled(proposal, answers)
    if meant == "once":
        return [replace(unit, cane="1") for unit in units], proposals
    numbered = {id(unit): str(number) for its in rows.values() for number, unit in enumerate(its, start=1)}
    return [replace(unit, cane=numbered[id(unit)]) for unit in units], proposals


# All tables.


def _once(units: list[Unit], findings: Findings) -> list[Unit]:
    """Return each cane, or row of counts, once; name both rows of what was entered twice or contradicts another."""
    kept: dict[tuple[str, str, str], Unit] = {}
    twice: dict[tuple[str, str], list[str]] = {}
    for unit in _without_second_totals(units, twice):
        key = (unit.sample, unit.cane, unit.part)
        first = kept.setdefault(key, unit)
        if first is unit:
            continue
        if first.content == unit.content:
            _note_twice(first, unit, twice)
        elif (joined := _fill(first, unit)) is not None:
            kept[key] = joined
        else:
            _refuse(first, unit, findings)
    once = _nodes_or_counts(list(kept.values()), twice, findings)
    for (one, other), rows in twice.items():
        findings.warn(Sentence("import.note.twice", one=one, other=other, rows=Listed(rows), count=len(rows)))
    return once


def _note_twice(first: Unit, again: Unit, twice: dict[tuple[str, str], list[str]]) -> None:
    twice.setdefault((first.source, again.source), []).append(f"{first.row} = {again.row} ({again.sample})")


def _without_second_totals(units: list[Unit], twice: dict[tuple[str, str], list[str]]) -> list[Unit]:
    """Return units without the counts of a sample that add up to what another table counts cane by cane, or part."""
    by_source: dict[str, dict[str, list[Unit]]] = {}
    for unit in units:
        if unit.counted is not None:
            by_source.setdefault(unit.sample, {}).setdefault(unit.source, []).append(unit)
    dropped: set[int] = set()
    for sources in by_source.values():
        first, *others = sources.values()
        for its in others:
            if len(its) != len(first) and _same(_counted_of(first), _counted_of(its)):
                _note_twice(first[0], its[0], twice)
                dropped |= {id(unit) for unit in its}
    return [unit for unit in units if id(unit) not in dropped]


def _same(one: Counted, other: Counted) -> bool:
    """Whether two counts agree wherever both were made."""
    pairs = [(one.dead.get(bud), other.dead.get(bud)) for bud in BUD_NAMES]
    return one.nodes == other.nodes and all(a == b or None in (a, b) for a, b in pairs)


def _fill(first: Unit, again: Unit) -> Unit | None:
    """Return two readings of one cane as one, where each bud is read alike or by one of them; None where not."""
    if first.counted is not None or again.counted is not None:
        return None
    by_number = {node[0]: node for node in first.nodes}
    if None in by_number or len(by_number) != len(first.nodes) or any(node[0] is None for node in again.nodes):
        return None
    for number, *buds in again.nodes:
        mine = by_number.get(number, (number, *[State.UNREAD.value] * 3))
        pairs = list(zip(mine[1:], buds, strict=True))
        if any(a != b and State.UNREAD.value not in (a, b) for a, b in pairs):
            return None
        by_number[number] = (number, *(b if a == State.UNREAD.value else a for a, b in pairs))  # type: ignore[assignment]
    return replace(first, nodes=tuple(by_number[number] for number in sorted(by_number, key=lambda one: one or 0)))


def _refuse(first: Unit, again: Unit, findings: Findings) -> None:
    said = {"sample": show(again.sample), "again": _said(again), "where": first.where, "first": _said(first)}
    findings.problem(
        again.source,
        again.row,
        "",
        Sentence("fault.contradicts.cane", cane=show(again.cane), **said)
        if again.cane
        else Sentence("fault.contradicts", **said),
        Sentence("remedy.contradicts"),
    )


def _said(unit: Unit) -> Sentence:
    counted = unit.counted or _counted_of([unit])
    way = "nodes" if unit.counted is None else "counts"
    return Sentence(f"fault.contradicts.{way}", dead=str(counted.dead[Bud.PRIMARY]), nodes=str(counted.nodes))


def _nodes_or_counts(units: list[Unit], twice: dict[tuple[str, str], list[str]], findings: Findings) -> list[Unit]:
    """Hold the counts of a sample against its nodes, where both are given, and keep the nodes."""
    nodes: dict[str, list[Unit]] = {}
    counts: dict[str, list[Unit]] = {}
    for unit in units:
        (nodes if unit.counted is None else counts).setdefault(unit.sample, []).append(unit)
    for sample in filter(counts.__contains__, nodes):
        one, other = _counted_of(nodes[sample]), _counted_of(counts[sample])
        first, again = nodes[sample][0], counts[sample][0]
        if _same(one, other):
            _note_twice(first, again, twice)
        else:
            _refuse(replace(first, cane="", nodes=(), counted=one), replace(again, cane="", counted=other), findings)
    return [unit for unit in units if unit.counted is None or unit.sample not in nodes]


def _counted_of(units: Sequence[Unit]) -> Counted:
    """Add up units of one sample; a kind of bud that was not read on all nodes is left out."""
    parts = [unit.counted or _reduced(unit) for unit in units]
    dead: dict[str, int | None] = {}
    for bud in (*BUD_NAMES, Bud.DEAD_BEFORE.value):
        found = [part.dead.get(bud) for part in parts]
        dead[bud] = None if None in found else sum(value for value in found if value is not None)
    return Counted(sum(part.nodes for part in parts), dead)


def _reduced(unit: Unit) -> Counted:
    read = [node for node in unit.nodes if node[1] != State.UNREAD.value]
    gone = (State.DEAD.value, State.DEAD_BEFORE.value)
    dead: dict[str, int | None] = {}
    for place, bud in enumerate(BUD_NAMES, start=1):
        states = [str(node[place]) for node in read]
        dead[bud] = None if State.UNREAD.value in states else sum(state in gone for state in states)
    before = sum(node[1] == State.DEAD_BEFORE.value for node in read)
    dead[Bud.DEAD_BEFORE.value] = before or None
    return Counted(len(read), dead)


def _by_node(units: Iterable[Unit]) -> pd.DataFrame:
    rows = [
        (unit.sample, unit.cane or "1", node[0] if node[0] is not None else place, *node[1:], unit.reader)
        for unit in units
        for place, node in enumerate(unit.nodes, start=1)
    ]
    table = pd.DataFrame(rows, columns=["sample", "cane", "node", *BUD_NAMES, "reader"])
    return table if table["reader"].any() else table.drop(columns="reader")


def _by_count(units: Iterable[Unit], findings: Findings) -> pd.DataFrame:
    groups: dict[tuple[str, str], list[Unit]] = {}
    for unit in units:
        groups.setdefault((unit.sample, unit.part or Part.ALL.value), []).append(unit)
    parts: dict[str, set[str]] = {}
    for sample, part in groups:
        parts.setdefault(sample, set()).add(part)
    rows = []
    for sample, named in parts.items():
        mixed = len(named) > 1 and Part.ALL.value in named
        for part in [Part.ALL.value] if mixed else sorted(named):
            its = [unit for its in named for unit in groups[sample, its]] if mixed else groups[sample, part]
            counted = _counted_of(its)
            dead = counted.dead
            buds = (dead[Bud.PRIMARY], dead[Bud.SECONDARY], dead[Bud.TERTIARY], dead.get(Bud.DEAD_BEFORE.value))
            readers = " and ".join(dict.fromkeys(filter(None, (unit.reader for unit in its))))
            rows.append((sample, part, counted.nodes, *buds, readers))
    columns = ["sample", "part", "nodes", *(f"{bud}_dead" for bud in BUD_NAMES), "primary_dead_before", "reader"]
    table = pd.DataFrame(rows, columns=columns)
    for column in columns:
        if column.endswith("_dead") or column in ("nodes", "primary_dead_before"):
            table[column] = table[column].astype("Int64")
    return table.dropna(axis="columns", how="all").drop(columns=[] if table["reader"].any() else "reader")
