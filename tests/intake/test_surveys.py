"""Tables of buds of any layout come out as the truth that went in, or a question is open."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.intake.sheets import dead, of_buds, table, workbook
from vinemap.intake.understand import Understanding

Truth = dict[str, list[list[bool]]]
"""Whether each node is dead, of each cane of each sample."""

PAIRS = (
    ("alive", "dead"), ("Live", "Dead"), ("green", "brown"), ("GREEN", "black"), ("vivo", "muerto"), ("viva", "muerta"),
    ("verde", "café"), ("Verde", "marrón"), ("verde", "negro"), ("A", "D"), ("l", "d"), ("G", "B"), ("V", "M"),
    ("1", "0"), ("+", "-"), ("0", "1"), ("-", "+"), ("D", "A"), ("no", "yes"), ("x", "o"), ("B", "G"), ("M", "V"),
)  # fmt: skip
"""Codes of a live and of a dead bud; some can be read the other way round by nobody, some by anybody."""
IMPOSSIBLE = {("D", "A"), ("B", "G"), ("M", "V")}
"""Codes that no crew uses so: they would be read the other way round, and are only asked."""

_canes = st.lists(st.lists(st.booleans(), min_size=3, max_size=8), min_size=1, max_size=3)
truths = st.dictionaries(st.sampled_from(["A1", "A2", "B7", "Larkrise 3"]), _canes, min_size=2)


def _by_node(truth: Truth, codes: tuple[str, str]) -> list[list[object]]:
    rows: list[list[object]] = [["Sample", "Cane", "Node", "Primary"]]
    for sample, canes in truth.items():
        for cane, nodes in enumerate(canes, start=1):
            rows += [[sample, cane, node, codes[gone]] for node, gone in enumerate(nodes, start=1)]
    return rows


def _by_cane(truth: Truth, codes: tuple[str, str]) -> list[list[object]]:
    rows: list[list[object]] = [["Vine", "Cane", *(f"N{node}" for node in range(1, 9))]]
    for sample, canes in truth.items():
        for cane, nodes in enumerate(canes, start=1):
            cells = [codes[gone] for gone in nodes]
            rows.append([sample, cane, *cells, *[""] * (8 - len(cells))])
    return rows


def _in_a_cell(truth: Truth, codes: tuple[str, str]) -> list[list[object]]:
    rows: list[list[object]] = [["Muestra", "Sarmiento", "Yemas"]]
    for sample, canes in truth.items():
        rows += [[sample, cane, " ".join(codes[gone] for gone in nodes)] for cane, nodes in enumerate(canes, start=1)]
    return rows


LAYOUTS = (_by_node, _by_cane, _in_a_cell)


def _expected(truth: Truth) -> dict[str, tuple[int, int]]:
    return {name: (sum(map(sum, canes)), sum(map(len, canes))) for name, canes in truth.items()}


def _open_codes(understood: Understanding) -> bool:
    return any(" code " in proposal.key for proposal in understood.open)


@pytest.mark.parametrize("layout", LAYOUTS)
@given(truth=truths, codes=st.sampled_from(PAIRS))
@settings(max_examples=25)
def test_live_and_dead_are_never_exchanged(layout, truth: Truth, codes: tuple[str, str]) -> None:
    """What comes out equals what went in, or a code is asked; answered, it equals what went in."""
    with tempfile.TemporaryDirectory() as home:
        file = table(Path(home) / "survey.csv", layout(truth, codes), mark=";")
        understood = of_buds(file)
        if codes in IMPOSSIBLE:
            return
        answers: dict[str, str] = {}
        while _open_codes(understood):
            proposal = next(one for one in understood.open if " code " in one.key)
            code = proposal.key.rpartition(" code ")[2]
            answers[proposal.key] = "dead" if code == codes[1].casefold() else "alive"
            understood = of_buds(file, answers=answers)
        assert understood.open == ()
        assert dead(understood) == _expected(truth)


@given(truth=truths, kind=st.sampled_from(["live+dead", "dead+total", "live+total", "pct+total", "live pct+total"]))
@settings(max_examples=25)
def test_counts_of_any_kind_are_the_same_counts(truth: Truth, kind: str) -> None:
    """Live and dead, dead and total, live and total, a percentage and a count give the same dead and nodes."""
    heads = {
        "live+dead": ["Live", "Dead"],
        "dead+total": ["Dead", "Total"],
        "live+total": ["Yemas vivas", "Nudos"],
        "pct+total": ["% dead", "Buds"],
        "live pct+total": ["Survival %", "n"],
    }
    rows: list[list[object]] = [["Sample", *heads[kind]]]
    for name, (gone, nodes) in _expected(truth).items():
        pct = round(100 * gone / nodes, 1)
        cells = {
            "live+dead": [nodes - gone, gone],
            "dead+total": [gone, nodes],
            "live+total": [nodes - gone, nodes],
            "pct+total": [pct, nodes],
            "live pct+total": [round(100 - pct, 1), nodes],
        }
        rows.append([name, *cells[kind]])
    with tempfile.TemporaryDirectory() as home:
        understood = of_buds(workbook(Path(home) / "counts.xlsx", Counts=rows))
    assert understood.open == ()
    assert dead(understood) == _expected(truth)


@pytest.mark.parametrize(
    ("heading", "cells", "asked"),
    [
        ("primary", ["1", "0"], True),
        ("Primary dead (1=yes)", ["1", "0"], False),
        ("Dead?", ["1", "0"], False),
        ("Dead?", ["yes", "no"], False),
        ("Alive", ["x", ""], True),
        ("primary", ["+", "-"], True),
        ("Not dead (1=yes)", ["1", "0"], True),
        ("Yema no viva", ["1", "0"], True),
        ("Primary bud", ["A", "D", "B"], True),
        ("Primary bud", ["V", "M", "N"], True),
        ("Primary bud", ["D", "D"], True),
        ("Primary bud", ["L", "L"], True),
        ("Primary bud", ["G", "B", "D"], True),
        ("Primary bud (B = brown, G = green)", ["G", "B", "?"], False),
        ("Primary bud", ["alive", "dead", "dedd"], True),
        ("Primary bud", ["green", "Brown", "unread"], False),
        ("Primary bud", ["Gr", "Br"], False),
        ("Primary bud", ["Gr", "Gr"], True),
    ],
)
def test_a_code_that_could_mean_two_things_is_asked(
    tmp_path: Path, heading: str, cells: list[str], asked: bool
) -> None:
    """1 and 0 go by the heading alone; a letter without its fellow, or beside a third one, is a question."""
    rows = [
        ["Sample", "Cane", "Node", heading],
        *([f"S{k % 2}", 1, k // 2 + 1, cells[k % len(cells)]] for k in range(12)),
    ]
    assert _open_codes(of_buds(table(tmp_path / "a.csv", rows, mark="\t"))) == asked


@pytest.mark.parametrize("word", ["Y", "Yema ", "N", "T", "Bud #", "P. "])
def test_columns_numbered_from_one_are_nodes_whatever_their_word(tmp_path: Path, word: str) -> None:
    """A row a cane with a column a node, headed with any one word and its number: no column is asked about."""
    heads = ["Muestra", "Sarmiento", *(f"{word}{node}" for node in range(1, 5)), "Vivas"]
    rows = [heads, ["M1", 1, "V", "V", "M", "V", 3], ["M1", 2, "M", "M", "V", "", 1], ["M2", 1, "V", "V", "V", "V", 4]]
    understood = of_buds(table(tmp_path / "a.csv", rows, mark=";"))
    assert understood.open == ()
    assert dead(understood) == {"M1": (3, 7), "M2": (0, 4)}


def test_numbered_columns_of_figures_are_no_nodes(tmp_path: Path) -> None:
    """T1 to T4 with temperatures, or with 1 and 0, may be anything: nothing of them is taken for a bud."""
    for cells in ((1, 0, 1, 1), (-3.5, -4, -7.25, -2)):
        rows = [["Sample", "T1", "T2", "T3", "T4", "Dead", "Total"], *([f"S{k}", *cells, k, 10] for k in range(1, 6))]
        assert dead(of_buds(table(tmp_path / "a.csv", rows))) == {f"S{k}": (k, 10) for k in range(1, 6)}


def test_one_is_dead_where_the_heading_says_so(tmp_path: Path) -> None:
    """Under "Primary dead (1=yes)" a 1 is a dead bud."""
    rows = [["Sample", "Cane", "Node", "Primary dead (1=yes)"], ["S1", 1, 1, 1], ["S1", 1, 2, 0], ["S1", 1, 3, 1]]
    assert dead(of_buds(table(tmp_path / "a.csv", rows))) == {"S1": (2, 3)}


_CELLS = st.sampled_from(
    [
        "Sample",
        "Vine",
        "Block",
        "Cane",
        "Node",
        "Primary",
        "% primary",
        "Live",
        "Dead",
        "Total",
        "% dead",
        "N1",
        "N2",
        "N3",
        "Codes",
        "Status",
        "n",
        "A",
        "D",
        "G",
        "B",
        "alive",
        "dead",
        "1",
        "0",
        "10",
        "50%",
        "G B G",
        "AD-",
        "Block: Ash",
        "Average",
        "G = green",
        "37,5",
        "#DIV/0!",
        "+",
        "-",
        "12 of 20",
        "tissue",
        "phloem",
        "shoots",
        "S",
        "",
        "",
        "",
    ]
)


@given(rows=st.lists(st.lists(_CELLS, min_size=1, max_size=7), min_size=1, max_size=9), data=st.data())
def test_whatever_stands_on_a_sheet_ends_in_words(rows: list[list[str]], data: st.DataObject) -> None:
    """No table raises: it is understood, asked about, or its faults are named, whichever answers are given."""
    with tempfile.TemporaryDirectory() as home:
        file = table(Path(home) / "a.csv", rows, mark=";")
        answers: dict[str, str] = {}
        for _ in range(4):
            understood = of_buds(file, answers=answers)
            if not understood.open:
                break
            proposal = data.draw(st.sampled_from(understood.open))
            answers[proposal.key] = data.draw(st.sampled_from(proposal.choices)).value
        assert all(note.said("es") for note in understood.notes)
        assert understood.open or understood.problems or understood.tables


@pytest.mark.parametrize("heading", ["Injury rating", "Dead vines", "Trunk damage", "Canes dead"])
def test_what_else_is_dead_is_no_count_of_buds(tmp_path: Path, heading: str) -> None:
    """A score, and dead vines, canes or trunks, are not taken for dead buds."""
    rows = [["Sample", heading, "Live", "Dead"], ["A1", 3, 8, 2], ["A2", 4, 7, 3]]
    understood = of_buds(table(tmp_path / "a.csv", rows))
    assert understood.open == ()
    assert dead(understood) == {"A1": (2, 10), "A2": (3, 10)}


def test_a_heading_that_denies_is_asked(tmp_path: Path) -> None:
    """No dead may be their number, or the live ones; No. dead is the number."""
    rows = [["Sample", "No dead", "Buds"], ["A1", 3, 10]]
    assert of_buds(table(tmp_path / "a.csv", rows)).open
    rows[0][1] = "No. dead"
    assert dead(of_buds(table(tmp_path / "b.csv", rows))) == {"A1": (3, 10)}


def test_figures_of_one_and_nought_are_figures(tmp_path: Path) -> None:
    """A hundred buds are no codes of three nodes, and a word of code letters is a word."""
    rows = [["Sample", "Dead", "Buds", "Sky"], ["A1", 10, 100, "cold"], ["A2", 11, 110, "cold"], ["A3", 0, 100, "cold"]]
    understood = of_buds(table(tmp_path / "a.csv", rows))
    assert understood.open == ()
    assert dead(understood) == {"A1": (10, 100), "A2": (11, 110), "A3": (0, 100)}
