"""What each column of a table is, by its heading and by what stands in it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from vinemap.columns import BUDS_BY_CANE, BUDS_BY_COUNT, BUDS_BY_NODE
from vinemap.intake.codes import code, is_code, split_run
from vinemap.intake.headings import Headed, plain
from vinemap.intake.lexicon import BUD_NAMES, bud_of, fold, role_of, tokens
from vinemap.intake.questions import Choice, Proposal, settled
from vinemap.intake.sums import figure
from vinemap.reading.cells import blank
from vinemap.reading.schema import squeeze
from vinemap.sentences import Sentence

PLACES = frozenset(("lon", "lat", "easting", "northing", "place"))
_UNNAMED = ("alive", "dead", "alive_pct", "dead_pct", "state", "codes")
_FLAGS = frozenset(("0", "1", "yes", "no", "y", "n", "x", "si", "true", "false", ""))
_FEWEST_NODES = 3
_NUMBERED_ALIKE = re.compile(r"([a-z]+)[ ._#-]*([0-9]{1,2})")
_FEWEST_DIGITS = 5
_MOSTLY = 0.7
_SKIPPED = "skip"


@dataclass(frozen=True)
class Meaning:
    """A table and what its columns are.

    Attributes
    ----------
    table : Headed
    roles : dict of int to str
        Role of each column that is used, by its place: those of `vinemap.intake.lexicon.role_of`, counts and states
        with their bud.
    proposals : tuple of Proposal
    """

    table: Headed
    roles: dict[int, str]
    proposals: tuple[Proposal, ...]

    def place(self, role: str) -> int | None:
        """Return the column of a role; None where there is none."""
        return next((place for place, its in self.roles.items() if its == role), None)

    @property
    def before(self) -> int | None:
        """Place of the column of counts of buds dead before the freeze, by vinemap's own name."""
        own = (place for place, name in enumerate(self.table.names) if squeeze(name) == "primarydeadbefore")
        return next(own, None) if self.kind == "counts" else None

    @property
    def unused(self) -> list[str]:
        """Headings of columns that hold something and are nothing known."""
        known = {*self.roles, self.before}
        places = (place for place, name in enumerate(self.table.names) if name and place not in known)
        return [repr(self.table.names[place]) for place in places if not all(map(blank, self.table.column(place)))]

    @property
    def nodes(self) -> dict[int, int]:
        """Place of each node's column in a table of a row a cane, by its number."""
        return {int(role.split()[1]): place for place, role in self.roles.items() if role.startswith("node ")}

    @property
    def states(self) -> dict[str, int]:
        """Place of each bud's column in a table of a row a node."""
        return {role: place for place, role in self.roles.items() if role in BUD_NAMES}

    @property
    def runs(self) -> dict[str, int]:
        """Place of each bud's column of which a cell holds the codes of a whole cane."""
        return {role.split("_")[0]: place for place, role in self.roles.items() if role.endswith("_codes")}

    @property
    def counts(self) -> dict[str, int]:
        """Place of each column of counts or shares."""
        ends = ("_alive", "_dead", "_alive_pct", "_dead_pct")
        found = {role: place for place, role in self.roles.items() if role.endswith(ends)}
        total = self.place("nodes")
        return found if total is None or not found else {"nodes": total, **found}

    @property
    def kind(self) -> str | None:
        """``nodes``, ``canes``, ``runs`` or ``counts`` of buds; ``shoots``, ``wood``; None where it holds none."""
        if sum(role == "wood" for role in self.roles.values()) > 1:
            return "wood"
        if self.states:
            return "nodes"
        if self.nodes:
            return "canes"
        if self.runs:
            return "runs"
        if self.counts:
            return "counts"
        return "shoots" if {"shoots", "nodes"} <= set(self.roles.values()) else None

    @property
    def own(self) -> bool:
        """Whether every heading is one of vinemap's own tables of buds."""
        layouts = (BUDS_BY_NODE, BUDS_BY_CANE, BUDS_BY_COUNT)
        names = [name for name in self.table.names if name]
        return any(all(_known(layout, name) for name in names) for layout in layouts)


def _known(layout: object, name: str) -> bool:
    return any(squeeze(column.name) == squeeze(name) or column.matches(name) for column in layout.columns)  # type: ignore[attr-defined]


def understand_columns(table: Headed, answers: Mapping[str, str]) -> Meaning:
    """Say what each column of a table is.

    Parameters
    ----------
    table : Headed
    answers : mapping
        To the questions so far.

    Returns
    -------
    Meaning
        Columns that are still open have no role yet.
    """
    reading = _Reading(table, answers)
    for step in (
        reading.drop_empty,
        reading.keep_runs_of_nodes,
        reading.find_codes,
        reading.find_sample,
        reading.name_buds,
        reading.see_shares,
        reading.see_flags,
        reading.ask_what_is_counted,
        reading.settle_doubles,
        reading.ask_of_unknown_codes,
    ):
        step()
    roles = {place: role for place, role in enumerate(reading.roles) if role is not None}
    return Meaning(table, roles, (*reading.shown(), *reading.proposals))


class _Reading:
    """Roles of a table's columns on their way."""

    def __init__(self, table: Headed, answers: Mapping[str, str]) -> None:
        self.table, self.answers = table, answers
        self.roles: list[str | None] = [role_of(name) for name in table.names]
        self.proposals: list[Proposal] = []
        self.cells = [[cell for cell in table.column(place) if not blank(cell)] for place in range(len(table.names))]

    def where(self, place: int) -> Sentence:
        """Return a column as people find it."""
        name = self.table.names[place]
        if not name:
            return Sentence("import.column.unnamed", number=place + 1, table=self.table.source)
        return Sentence("import.column", column=repr(name), table=self.table.source)

    def ask(
        self, place: int, choices: tuple[str, ...], value: str | None = None, *, certain: bool = False
    ) -> str | None:
        """Propose a role for a column; return what stands."""
        heading = squeeze(self.table.names[place]) or f"column {place + 1}"
        proposal = Proposal(
            f"{self.table.layout} {heading}",
            self.where(place),
            tuple(Choice(role, _means(role)) for role in choices),
            value,
            certain,
            tuple(map(plain, self.cells[place][:3])),
        )
        self.proposals.append(proposal)
        return settled(proposal, self.answers)

    def shown(self) -> list[Proposal]:
        """Return a certain proposal for each column whose heading said what it is."""
        asked = {proposal.key for proposal in self.proposals}
        found: list[Proposal] = []
        for place, role in enumerate(self.roles):
            key = f"{self.table.layout} {squeeze(self.table.names[place])}"
            if role is None or role.startswith("node ") or key in asked:
                continue
            cells = tuple(map(plain, self.cells[place][:3]))
            choices = tuple(Choice(one, _means(one)) for one in dict.fromkeys((role, _SKIPPED)))
            proposal = Proposal(key, self.where(place), choices, role, True, cells)
            found.append(proposal)
            if settled(proposal, self.answers) == _SKIPPED:
                self.roles[place] = None
        return found

    def places(self, *roles: str) -> list[int]:
        """Return the columns of some roles."""
        return [place for place, role in enumerate(self.roles) if role in roles]

    def numbers(self, place: int) -> list[float]:
        """Return a column's figures where all its cells hold one; none otherwise."""
        found = [figure(cell) for cell in self.cells[place]]
        return [] if None in found else [value for value in found if value is not None]

    # The steps.

    def drop_empty(self) -> None:
        self.roles = [role if cells else None for role, cells in zip(self.roles, self.cells, strict=True)]

    def keep_runs_of_nodes(self) -> None:
        """Take columns for nodes only where they run from 1 on."""
        heads = [role_of(name) or "" for name in self.table.names]
        numbers = sorted(int(role.split()[1]) for role in heads if role.startswith("node "))
        if len(numbers) < _FEWEST_NODES or numbers != list(range(1, len(numbers) + 1)):
            self.roles = [None if (role or "").startswith("node ") else role for role in self.roles]

        if "node 1" not in self.roles:
            for place, number in self._numbered_alike():
                self.roles[place] = f"node {number}"

    def _numbered_alike(self) -> list[tuple[int, int]]:
        """Return the columns of codes whose headings are one word numbered from 1 on, whatever the word is."""
        groups: dict[str, dict[int, int]] = {}
        for place, name in enumerate(self.table.names):
            match = _NUMBERED_ALIKE.fullmatch(fold(name))
            if match is not None and self.roles[place] is None and self.cells[place]:
                groups.setdefault(match[1], {}).setdefault(int(match[2]), place)
        whole = [its for its in groups.values() if sorted(its) == list(range(1, len(its) + 1))]
        found = [its for its in whole if len(its) >= _FEWEST_NODES and self._are_codes(its.values())]
        return [(place, number) for number, place in found[0].items()] if len(found) == 1 else []

    def _are_codes(self, places: Iterable[int]) -> bool:
        """Whether the cells of columns are codes, and letters among them: figures alone may be anything."""
        words = [code(cell) for place in places for cell in self.cells[place]]
        known = sum(map(is_code, words)) >= _MOSTLY * len(words)
        return known and any(word.isalpha() for word in words)

    def find_codes(self) -> None:
        """Take for a cane's codes what holds runs of them."""
        for place, role in enumerate(self.roles):
            if role not in ("state", "nodes", "node", "cane", None, *BUD_NAMES, *_UNNAMED):
                continue
            if role in ("nodes", None) and any(_is_count(other) for other in self.roles if other):
                continue  # 100 beside 10 dead is a count
            words = [cell.strip() for cell in self.cells[place] if isinstance(cell, str)]
            no_figures = any(word.startswith("0") and len(word) >= _FEWEST_NODES for word in words)
            runs = [split_run(word) for word in words if no_figures or not _may_be_figure(word)]
            long = sum(run is not None and len(run) >= _FEWEST_NODES for run in runs)
            if long and long >= _MOSTLY * len(self.cells[place]):
                bud = role if role in BUD_NAMES else bud_of(tokens(self.table.names[place]))
                self.roles[place] = f"{bud}_codes" if bud else "codes"

    def find_sample(self) -> None:
        """Take a vine, or a name, for the sample where nothing is called so."""
        if self.places("sample"):
            return
        if not self.places("row"):
            for place in self.places("vine")[:1]:
                self.roles[place] = "sample"
                return
        for place in self.places("name")[:1]:
            self.roles[place] = "sample"
            return
        buds = any(role in ("nodes", "state", "codes", *BUD_NAMES) or _is_count(role) for role in self.roles if role)
        if buds and not self.places("block", "row", "cane"):
            for place in self._unknown_names()[:1]:
                self.roles[place] = _taken(self.ask(place, ("sample", "block", _SKIPPED), "sample"))

    def _unknown_names(self) -> list[int]:
        """Return the columns of text that nothing names, which may be the samples' names."""
        return [
            place
            for place, role in enumerate(self.roles)
            if role is None and self.cells[place] and not all(is_code(code(cell)) for cell in self.cells[place])
        ]

    def name_buds(self) -> None:
        """Take for the primary what names no bud."""
        for place in self.places(*_UNNAMED):
            role = str(self.roles[place])
            self.roles[place] = "primary" if role == "state" else f"primary_{role}"

    def see_shares(self) -> None:
        """Take counts that are no whole numbers, or are written with %, for shares."""
        for place, role in enumerate(self.roles):
            if role is None or not role.endswith(("_alive", "_dead")):
                continue
            written = any(isinstance(cell, str) and cell.strip().endswith("%") for cell in self.cells[place])
            if written or any(value != int(value) for value in self.numbers(place)):
                self.roles[place] = f"{role}_pct"

    def see_flags(self) -> None:
        """Take for a row a node what says of one bud that it is dead, or alive."""
        if self.places("nodes") or not (self.places("node") or self._samples_repeat()):
            return
        for place, role in enumerate(self.roles):
            if role is not None and role.endswith(("_alive", "_dead")):
                flags = {code(cell) for cell in self.cells[place]}
                bud = role.split("_")[0]
                if flags <= _FLAGS and bud not in self.roles:
                    self.roles[place] = bud

    def _samples_repeat(self) -> bool:
        for place in self.places("sample"):
            names = Counter(map(plain, self.cells[place]))
            return len(self.table.rows) >= _FEWEST_NODES * max(1, len(names))
        return False

    def ask_what_is_counted(self) -> None:
        """Ask whether figures under the name of a bud are live or dead ones."""
        for place, role in enumerate(self.roles):
            bud = (role or "").removesuffix("_pct")
            figures = self.numbers(place)
            if bud in BUD_NAMES and role != bud and not figures:
                self.roles[place] = None
            if bud not in BUD_NAMES or not figures or (role in BUD_NAMES and max(figures) <= 1):
                continue
            end = "_pct" if role != bud else ""
            self.roles[place] = _taken(self.ask(place, (f"{bud}_dead{end}", f"{bud}_alive{end}", _SKIPPED)))

    def settle_doubles(self) -> None:
        """Ask which of several columns of one role counts, where they differ."""
        roles = Counter(
            role for role in self.roles if role is not None and role not in ("notes", "fact", "wood", "shoots")
        )
        for role, count in roles.items():
            places = self.places(role)
            if count < 2:
                continue
            columns = [list(map(plain, self.table.column(place))) for place in places]
            if all(column == columns[0] for column in columns):
                for place in places[1:]:
                    self.roles[place] = None
                continue
            for place in places:
                self.roles[place] = _taken(self.ask(place, (role, _SKIPPED)))

    def ask_of_unknown_codes(self) -> None:
        """Ask what a column is whose heading says nothing and whose cells look like the codes of buds."""
        if not self.places("sample", "block", "cane"):
            return
        for place, role in enumerate(self.roles):
            cells = self.cells[place]
            if role is not None or not cells or self.numbers(place):
                continue
            if sum(is_code(code(cell)) for cell in cells) >= _MOSTLY * len(cells):
                self.roles[place] = _taken(self.ask(place, (*BUD_NAMES, _SKIPPED)))


def _may_be_figure(cell: str) -> bool:
    """Whether 1 and 0 without a mark between them may be a number: they are few."""
    return cell.isdigit() and len(cell) < _FEWEST_DIGITS


def _is_count(role: str) -> bool:
    return role.removesuffix("_pct").endswith(("alive", "dead"))


def _taken(role: str | None) -> str | None:
    return None if role == _SKIPPED else role


def _means(role: str) -> Sentence:
    """Return a role in plain words."""
    if re.fullmatch(r"(primary|secondary|tertiary)_\w+", role):
        bud, what = role.split("_", 1)
        return Sentence(f"import.role.{what}", bud=Sentence(f"import.bud.{bud}"))
    if role in BUD_NAMES:
        return Sentence("import.role.state", bud=Sentence(f"import.bud.{role}"))
    return Sentence(f"import.role.{role}")
