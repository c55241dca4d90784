"""Nothing about a grower can be told from what is published: attacks by subtraction on random regions."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog

from vinemap.region.suppression import Total, publishable

_SHARE = 0.5


def _region(rng: np.random.Generator) -> tuple[pd.DataFrame, list[Total]]:
    """A random region: 3 to 14 growers, some of whom grow much in many cells, and the totals of its tables."""
    varieties, districts = rng.integers(2, 6), rng.integers(2, 5)
    rows = []
    for grower in range(rng.integers(3, 15)):
        size = rng.lognormal(0, 1.2)
        for _ in range(rng.integers(1, 9)):
            cell = (int(rng.integers(varieties)), int(rng.integers(districts)))
            rows.append({"grower": f"g{grower}", "cell": cell, "area": size * rng.lognormal(0, 0.5)})
    parts = pd.DataFrame(rows).groupby(["grower", "cell"], as_index=False)["area"].sum()
    cells = sorted(set(parts["cell"]))
    sums = [("all", frozenset(cells))]
    sums += [(f"d{d}", frozenset(cell for cell in cells if cell[1] == d)) for d in range(districts)]
    sums += [(f"v{v}", frozenset(cell for cell in cells if cell[0] == v)) for v in range(varieties)]
    sums += [(f"group{g}", frozenset(cell for cell in cells if cell[0] % 2 == g)) for g in range(2)]
    sums += [(str(cell), frozenset([cell])) for cell in cells]
    level = {"a": 0, "d": 1, "v": 2, "g": 3, "(": 4}
    return parts, [Total(name, held, level[name[0]]) for name, held in sums if held]


def _atoms(parts: pd.DataFrame, totals: list[Total], shown: set[object]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What an attacker writes down: an unknown for each grower in each cell, and an equation for each figure shown."""
    held = [total.cells for total in totals if total.name in shown]
    equations = np.array([[float(cell in cells) for cell in parts["cell"]] for cells in held]).reshape(-1, len(parts))
    return equations, parts["grower"].to_numpy(), parts["area"].to_numpy()


def _rank(A: np.ndarray) -> int:
    return int(np.linalg.matrix_rank(A)) if A.size else 0


def _leaks(parts: pd.DataFrame, totals: list[Total], shown: set[object]) -> list[tuple[str, ...]]:
    """Growers, alone or with one other, about whom some combination of what is shown is."""
    equations, grower, _ = _atoms(parts, totals, shown)
    everyone = sorted(set(grower))
    sets = [(one,) for one in everyone] + list(combinations(everyone, 2))
    whole = _rank(equations)
    return [who for who in sets if _rank(equations[:, ~np.isin(grower, who)]) < whole]


@pytest.mark.parametrize("start", range(0, 200, 25))
def test_an_attack_by_subtraction_recovers_nothing(start: int) -> None:
    """On 200 random regions no linear combination of the figures shown is about fewer than three growers."""
    published = 0
    for seed in range(start, start + 25):
        parts, totals = _region(np.random.default_rng(seed))
        shown = publishable(parts, totals, 3, _SHARE)
        assert _leaks(parts, totals, shown) == [], seed
        published += len(shown)
    assert published > 25


@pytest.mark.parametrize("start", range(0, 40, 10))
def test_an_attack_by_linear_programming_bounds_nobody(start: int) -> None:
    """Who knows what is shown and that no area is negative cannot tell that a grower has less than twice the truth."""
    for seed in range(start, start + 10):
        parts, totals = _region(np.random.default_rng(seed))
        equations, grower, area = _atoms(parts, totals, publishable(parts, totals, 3, _SHARE))
        for who in sorted(set(grower)) if len(equations) else ():
            mine = (grower == who).astype(float)
            covered = mine * (np.abs(equations).sum(axis=0) > 0)
            found = linprog(-covered, A_eq=equations, b_eq=equations @ area, bounds=(0, None), method="highs")
            assert found.success
            assert -found.fun >= (covered @ area) / _SHARE * (1 - 1e-6), (seed, who)


def test_the_attacks_would_find_what_cells_alone_do_not_hide() -> None:
    """With unsafe cells alone left out, the same attack tells of somebody in most regions: it is no blunt knife."""
    told = 0
    for seed in range(20):
        parts, totals = _region(np.random.default_rng(seed))
        growers = {total: parts[parts["cell"].isin(total.cells)]["grower"].nunique() for total in totals}
        told += bool(_leaks(parts, totals, {total.name for total in totals if growers[total] >= 3}))
    assert told >= 15


def test_a_cell_of_two_takes_another_with_it() -> None:
    """Worked by hand: one unsafe cell of a table of 2 × 2 with its sums would be told by three subtractions."""
    cells = {("a", "n"): 2, ("a", "s"): 5, ("b", "n"): 4, ("b", "s"): 6}
    rows = [
        {"grower": f"{cell}{k}", "cell": cell, "area": 1.0} for cell, growers in cells.items() for k in range(growers)
    ]
    parts, names = pd.DataFrame(rows), list(cells)
    sums = [
        ("all", names),
        ("n", [names[0], names[2]]),
        ("s", [names[1], names[3]]),
        ("a", names[:2]),
        ("b", names[2:]),
    ]
    totals = [Total(name, frozenset(held), 0) for name, held in sums]
    totals += [Total(name, frozenset([name]), 1) for name in names]
    shown = publishable(parts, totals)
    assert {"all", "n", "s", "a", "b"} <= shown
    assert ("a", "n") not in shown
    # Of the rest, none can stay: with the sums, each tells every other.
    assert shown.isdisjoint(names)


def test_who_has_most_of_a_cell_is_not_told() -> None:
    """Five growers, one of whom has 60 % of the area: withheld; with 40 % it is shown."""
    for largest, safe in ((6.0, False), (8 / 3, True)):
        area = [largest, 1.0, 1.0, 1.0, 1.0]
        parts = pd.DataFrame({"grower": list("abcde"), "cell": "x", "area": area})
        assert (publishable(parts, [Total("x", frozenset("x"), 0)]) == {"x"}) == safe


def test_fewer_than_three_growers_cannot_be_asked_for() -> None:
    """With two, each would learn of the other."""
    with pytest.raises(ValueError, match="fewer than three"):
        publishable(pd.DataFrame({"grower": [], "cell": [], "area": []}), [], fewest=2)
