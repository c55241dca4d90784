"""Counts as people write them - live and dead, dead and total, a share and a count - to nodes and dead buds."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from vinemap.errors import Findings
from vinemap.intake.headings import plain
from vinemap.intake.lexicon import BUD_NAMES
from vinemap.intake.meanings import Meaning
from vinemap.intake.sums import figure
from vinemap.reading.cells import blank, show
from vinemap.reading.tabular import folded
from vinemap.sentences import Figure, Listed, Sentence
from vinemap.states import Bud

_OF = re.compile(r"([0-9]+)\s*(?:/|of|out of|de)\s*([0-9]+)")
_SURE = 1e-6


@dataclass(frozen=True)
class Counted:
    """Nodes that were cut and read, and dead buds of each kind; None where they were not read on all of them."""

    nodes: int
    dead: dict[str, int | None] = field(default_factory=dict)


def read_counts(meaning: Meaning, findings: Findings) -> dict[int, Counted]:
    """Read a table of counts.

    Parameters
    ----------
    meaning : Meaning
        Of kind ``counts``.
    findings : Findings
        Gets rows that contradict themselves, and notes.

    Returns
    -------
    dict of int to Counted
        By the place of the row; rows in which nothing was counted, or with a problem, are left out.
    """
    counts = meaning.counts
    shares = {role: _scale(meaning, role) for role in counts if role.endswith("_pct")}
    found: dict[int, Counted] = {}
    unread: list[int] = []
    uncounted: list[int] = []
    with folded(findings, len(meaning.table.rows)):
        for place, (number, cells) in enumerate(meaning.table.rows):
            row = _Row(meaning, number, shares, findings)
            row.take({role: cells[column] for role, column in counts.items()})
            counted = row.counted()
            before = None if meaning.before is None else figure(cells[meaning.before])
            if counted is not None and before is not None:
                counted.dead[Bud.DEAD_BEFORE.value] = int(before)
            if counted is None and not row.wrong:
                uncounted.append(number)
            if counted is not None:
                found[place] = counted
                if row.unread:
                    unread.append(number)
    if uncounted:
        findings.warn(Sentence("import.note.uncounted", sheet=meaning.table.source, rows=Listed(map(str, uncounted))))
    if unread:
        findings.warn(Sentence("import.note.partly_read", sheet=meaning.table.source, rows=Listed(map(str, unread))))
    return found


def _scale(meaning: Meaning, role: str) -> float:
    """Return 100 where the shares of a column are fractions of one, else 1: by their size, and by what gives buds."""
    column = meaning.table.column(meaning.counts[role])
    shares = [value for cell in column if not _has_sign(cell) and (value := figure(cell)) is not None]
    if not shares or max(shares) > 1:
        return 1.0
    if any(value != int(value) for value in shares):
        return 100.0
    total = meaning.place("nodes")
    nodes = [] if total is None else [figure(cell) for cell in meaning.table.column(total)]
    # One per cent of few buds is no bud.
    return 100.0 if max((value for value in nodes if value is not None), default=0) < 100 else 1.0


def _has_sign(cell: object) -> bool:
    return isinstance(cell, str) and cell.strip().endswith("%")


class _Row:
    """A row of counts, each figure by what it counts."""

    def __init__(self, meaning: Meaning, number: int, shares: Mapping[str, float], findings: Findings) -> None:
        self.meaning, self.number, self.shares, self.findings = meaning, number, shares, findings
        self.given: dict[str, float] = {}
        self.decimals: dict[str, int] = {}
        self.wrong = False
        self.unread = False

    def problem(self, role: str, message: Sentence, remedy: Sentence) -> None:
        """Add a problem of the row."""
        place = self.meaning.counts.get(role)
        name = self.meaning.table.names[place] if place is not None else ""
        self.findings.problem(self.meaning.table.source, self.number, name, message, remedy)
        self.wrong = True

    def take(self, cells: Mapping[str, object]) -> None:
        """Take the figures of the cells."""
        for role, cell in cells.items():
            if blank(cell) or (role.endswith("_pct") and isinstance(cell, str) and cell.startswith("#")):
                continue  # nothing, or a share of nothing
            of = _OF.fullmatch(plain(cell)) if isinstance(cell, str) else None
            value = float(of[1]) if of else figure(cell)
            if of and not role.endswith("_pct"):
                self.given.setdefault("nodes", float(of[2]))
            if value is None or value < 0:
                self.problem(role, Sentence("fault.no_count", cell=show(cell)), Sentence("remedy.no_count"))
            elif not role.endswith("_pct"):
                self._take_whole(role, value, cell)
            else:
                self._take_share(role, value, cell)

    def _take_whole(self, role: str, value: float, cell: object) -> None:
        if value == int(value):
            self.given[role] = value
        else:
            self.problem(role, Sentence("fault.no_whole_buds", cell=show(cell)), Sentence("remedy.give_count"))

    def _take_share(self, role: str, value: float, cell: object) -> None:
        scale = 1.0 if _has_sign(cell) else self.shares[role]
        text = plain(cell).rstrip("% ").replace(",", ".")
        self.decimals[role] = max(0, len(text.partition(".")[2]) - (2 if scale > 1 else 0))
        if value * scale > 100 + _SURE:
            self.problem(role, Sentence("fault.more_than_all", cell=show(cell)), Sentence("remedy.more_than_all"))
        else:
            self.given[role] = value * scale

    def counted(self) -> Counted | None:
        """Return what was counted; None where nothing was, or where the figures contradict each other."""
        if self.wrong or not self.given or self.given.keys() == {"nodes"} or not any(self.given.values()):
            return None
        nodes = self._nodes()
        if self.wrong or nodes is None:
            return None
        dead: dict[str, int | None] = {bud: self._dead(bud, nodes) for bud in BUD_NAMES}
        if self.wrong:
            return None
        if dead[Bud.PRIMARY] is None:
            self.problem("", Sentence("fault.no_primary"), Sentence("remedy.no_primary"))
            return None
        return Counted(nodes, dead)

    def _nodes(self) -> int | None:
        """Return how many primaries were read: all that were cut, but those neither alive nor dead."""
        alive, dead, total = (self.given.get(role) for role in ("primary_alive", "primary_dead", "nodes"))
        if alive is not None and dead is not None:
            if total is not None and alive + dead > total:
                figures = {"alive": Figure(alive, None), "dead": Figure(dead, None), "total": Figure(total, None)}
                said = Sentence("fault.sum_over", column=self._name("nodes"), **figures)
                self.problem("nodes", said, Sentence("remedy.sum_over"))
                return None
            self.unread = total is not None and alive + dead < total
            return int(alive + dead)
        if total is None:
            self.problem("", Sentence("fault.no_total"), Sentence("remedy.no_total"))
            return None
        for role, value in (("primary_alive", alive), ("primary_dead", dead)):
            if value is not None and value > total:
                fault = Sentence("fault.over_total", count=Figure(value, None), total=Figure(total, None))
                self.problem(role, fault, Sentence("remedy.over_total"))
                return None
        return int(total)

    def _dead(self, bud: str, nodes: int) -> int | None:
        alive, dead = self.given.get(f"{bud}_alive"), self.given.get(f"{bud}_dead")
        if bud != Bud.PRIMARY and alive is not None and (dead is None or alive + dead != nodes):
            return None  # read on some of the nodes alone
        if dead is None and alive is not None:
            dead = nodes - alive
        if dead is not None and dead > nodes:
            fault = Sentence("fault.more_dead", dead=Figure(dead, None), nodes=Figure(nodes))
            self.problem(f"{bud}_dead", fault, Sentence("remedy.dead_over"))
            return None
        for state in ("dead", "alive"):
            dead = self._by_share(bud, state, nodes, dead)
        return None if dead is None else int(dead)

    def _by_share(self, bud: str, state: str, nodes: int, dead: float | None) -> float | None:
        """Return the dead by a share of them, or of the live; hold it against the count where there is one."""
        role = f"{bud}_{state}_pct"
        share = self.given.get(role)
        if share is None:
            return dead
        slack = 0.5 * 10.0 ** -self.decimals[role] + _SURE
        low, high = math.ceil((share - slack) * nodes / 100), math.floor((share + slack) * nodes / 100)
        if dead is not None:
            its = dead if state == "dead" else nodes - dead
            if not low <= its <= high:
                figures = {"share": Figure(share, None), "count": Figure(its, None), "nodes": Figure(nodes)}
                self.problem(role, Sentence("fault.share_differs", **figures), Sentence("remedy.share_differs"))
            return dead
        if low > high:
            near = round(share * nodes / 100)
            said = Sentence("fault.share_no_whole", share=Figure(share, None), nodes=Figure(nodes))
            would_be = Figure(100 * near / max(nodes, 1), 1)
            self.problem(role, said, Sentence("remedy.share_no_whole", near=Figure(near), share=would_be))
            return None
        count = round(share * nodes / 100)
        if low < high:
            span = {"low": Figure(low), "high": Figure(high)}
            self.findings.warn(
                Sentence(
                    "import.note.coarse", sheet=self.meaning.table.source, row=self.number, count=Figure(count), **span
                )
            )
        return float(count if state == "dead" else nodes - count)

    def _name(self, role: str) -> str:
        place = self.meaning.counts.get(role)
        return Sentence("fault.sum_over.cut") if place is None else show(self.meaning.table.names[place])
