"""Which totals of a region may be published, so that neither they nor anything made of them tells of a few growers.

A published table of sums is a system of linear equations in what every grower has in every cell; whoever subtracts one
sum from another makes a new row of it. So it is not enough to leave out the cells that are unsafe themselves (primary
suppression): others have to go too (complementary suppression), until no combination of what is left is unsafe.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import null_space, orth
from scipy.optimize import linprog

from vinemap.arrays import Array

_TINY = 1e-9
_ROUNDING = 1e-7


@dataclass(frozen=True)
class Total:
    """A sum that could be published.

    Attributes
    ----------
    name : hashable
    cells : frozenset
        Cells of the finest table that it sums.
    level : int
        0 for what is wanted most. Nothing is given up for what stands at a higher level.
    """

    name: Hashable
    cells: frozenset[Hashable]
    level: int


def publishable(
    parts: pd.DataFrame, totals: Sequence[Total], fewest: int = 3, most_share: float = 0.5
) -> set[Hashable]:
    """Return the totals that may be published together.

    No total is published that fewer than ``fewest`` growers make up, or of which one has more than ``most_share``; and
    no linear combination of those published is about fewer than three growers, or adds parts up of which one grower has
    more than ``most_share``.

    Parameters
    ----------
    parts : DataFrame
        A row for what a grower has in a cell: grower, cell, and one column or more of sizes (areas, with and without
        their weights), none below 0.
    totals : sequence of Total
        Of one level, from what is given up last.
    fewest : int
        At least 3: then no grower learns of another by taking off their own.
    most_share : float
        Between 0 and 1.

    Returns
    -------
    set of hashable
        Names of the totals.

    Notes
    -----
    Let M be the incidence of published totals and cells. What can be told by adding and subtracting is the row space of
    M. It holds a vector about the growers g and h alone if and only if taking the columns of the cells that nobody else
    is in out of M lowers its rank: an exact test, made for every pair that such cells name. That one grower has most of
    a combination with no negative coefficients is a linear programme: the greatest ``sum_j c_j (a_gj - s a_j)`` over
    the row space with 0 ≤ c ≤ 1, for grower g's size a_gj in cell j, the cell's size a_j and the share s; it must be 0.
    By its duality, nobody who knows what is published and that sizes are not negative can bound a grower's size below
    1 / s times what it is. Levels are let in one after the other; where a test fails, the last total of the
    combination is given up. Giving one up makes no other combination possible, so that each test is made once a level.
    Totals of the same cells are one.

    References
    ----------
    L. H. Cox, J. Am. Stat. Assoc. 75 (1980) 377 (cells, their unions and linear sensitivity); L. Willenborg & T. de
    Waal, Elements of Statistical Disclosure Control (2001), chapters 4 and 6 (threshold and dominance rules, secondary
    suppression, its audit by linear programming); both from memory.
    """
    if fewest < 3:
        raise ValueError("with fewer than three growers one can tell the other's part")
    parts = parts[parts["cell"].isin({cell for total in totals for cell in total.cells})]
    # Where nobody counts for others, areas are the same with their weights and without.
    measured = parts.drop(columns=["grower", "cell"])
    sizes = [str(name) for name in measured.columns[~measured.T.duplicated()]]
    names: dict[frozenset[Hashable], list[Hashable]] = {}
    for total in sorted(totals, key=lambda total: total.level):
        names.setdefault(total.cells, []).append(total.name)
    first = {total.name: total for total in totals}
    wanted = [first[alike[0]] for alike in names.values()]
    safe = [total for total in wanted if _is_safe(parts[parts["cell"].isin(total.cells)], sizes, fewest, most_share)]
    kept: list[Total] = []
    for level in sorted({total.level for total in safe}):
        table = _Published([*kept, *(total for total in safe if total.level == level)], parts)
        table.part_pairs()
        for size in sizes:
            table.part_dominant(size, most_share)
        kept = table.totals
    return {name for total in kept for name in names[total.cells]}


def _is_safe(here: pd.DataFrame, sizes: Sequence[str], fewest: int, most_share: float) -> bool:
    """Whether a total is safe by itself."""
    by_grower = here.groupby("grower")[list(sizes)].sum()
    if len(by_grower) < fewest:
        return False
    return all(by_grower[size].max() <= most_share * by_grower[size].sum() for size in sizes)


class _Published:
    """Totals that are to be published, and the tests that take some of them out."""

    def __init__(self, totals: list[Total], parts: pd.DataFrame) -> None:
        self.totals, self._parts = totals, parts
        self._cells = list(dict.fromkeys(parts["cell"]))
        self._growers = parts.groupby("cell")["grower"].agg(frozenset).reindex(self._cells).tolist()

    def _incidence(self) -> Array:
        """Return M (totals, cells)."""
        rows = [[float(cell in total.cells) for cell in self._cells] for total in self.totals]
        return np.array(rows).reshape(len(rows), len(self._cells))

    def _give_up(self, combination: Array) -> None:
        """Take the total that is given up most gladly out of a combination (totals,)."""
        used = np.flatnonzero(np.abs(combination) > _ROUNDING * np.abs(combination).max())
        del self.totals[int(used.max())]

    def part_pairs(self) -> None:
        """Leave no combination that is about one grower or two."""
        few = [growers for growers in self._growers if len(growers) <= 2]
        alone = sorted({next(iter(growers)) for growers in few if len(growers) == 1})
        pairs = {frozenset(pair) for pair in combinations(alone, 2)} | set(few)
        unsafe = np.array([len(growers) <= 2 for growers in self._growers], bool)
        left, told = self._about(unsafe)
        onto = _projection(told)
        cells: dict[frozenset[Hashable], list[int]] = {}
        for k, growers in enumerate(growers for growers in self._growers if len(growers) <= 2):
            cells.setdefault(growers, []).append(k)
        for pair in sorted(pairs, key=sorted):
            here = [k for held in {pair, *(frozenset([grower]) for grower in pair)} for k in cells.get(held, ())]
            inside = np.zeros(told.shape[1], bool)
            inside[here] = True
            # A combination about these cells alone is its own projection: without one, most pairs cost no more.
            while told.size and np.linalg.eigvalsh(onto[np.ix_(here, here)])[-1] > 1 - _ROUNDING:
                further = _null_space(told[:, ~inside].T)
                about_pair = further.T @ told[:, inside]
                if not about_pair.size or np.abs(about_pair).max() <= _ROUNDING:
                    break
                self._give_up(left @ further[:, int(np.abs(about_pair).max(axis=1).argmax())])
                left, told = self._about(unsafe)
                onto = _projection(told)

    def _about(self, inside: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Return a basis of the combinations about some cells alone, (totals, k), and their parts there, (k, cells)."""
        M = self._incidence()
        left = _null_space(M[:, ~inside].T)
        return left, left.T @ M[:, inside]

    def part_dominant(self, size: str, most_share: float) -> None:
        """Leave no combination without negative parts of which one grower has more than the share."""
        held = self._parts.pivot_table(size, "grower", "cell", aggfunc="sum", fill_value=0.0).reindex(
            columns=self._cells, fill_value=0.0
        )
        whole = held.to_numpy().sum(axis=0)
        for _, row in held.iterrows():
            surplus = row.to_numpy(np.float64) - most_share * whole
            while (surplus > _TINY * max(whole.max(), 1.0)).any() and self.totals:
                found = self._most(surplus / max(np.abs(surplus).max(), _TINY))
                if found is None:
                    break
                self._give_up(found)

    def _most(self, surplus: Array) -> Array | None:
        """Return the combination with no negative parts in which the surplus is greatest; None where it is none."""
        M = self._incidence()
        limits = np.concatenate([np.ones(M.shape[1]), np.zeros(M.shape[1])])
        found = linprog(-(M @ surplus), A_ub=np.vstack([M.T, -M.T]), b_ub=limits, bounds=(None, None), method="highs")
        if not found.success:
            raise RuntimeError(f"what may be published could not be found out: {found.message}")
        return found.x if -found.fun > _ROUNDING else None


def _projection(A: Array) -> Array:
    """Return the projection (n, n) onto the space of the rows of a matrix (m, n)."""
    basis = orth(A.T, rcond=_TINY) if A.size else np.zeros((A.shape[1], 0))
    return basis @ basis.T


def _null_space(A: Array) -> Array:
    """Return a basis of what a matrix (m, n) takes to 0, shape (n, k); of one with no rows, everything."""
    return null_space(A, rcond=_TINY) if A.size else np.eye(A.shape[1])
