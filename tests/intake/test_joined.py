"""Several tables of one survey are joined; what was entered twice is named, and what contradicts itself refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.sheets import dead, of_buds, table, workbook

COUNTS = [["Sample", "Dead", "Nodes"], ["A1", 2, 3], ["A2", 1, 4]]
NODES = [["Sample", "Node", "Primary"], ["A1", 1, "dead"], ["A1", 2, "dead"], ["A1", 3, "alive"]]


def _problems(*files: Path) -> list[str]:
    return [str(problem) for problem in of_buds(*files).problems if problem.row is not None]


def test_what_was_entered_twice_is_taken_once(tmp_path: Path) -> None:
    """Counts that are those of the nodes are named with both rows; the sample counts once."""
    understood = of_buds(table(tmp_path / "a.csv", COUNTS), table(tmp_path / "b.csv", NODES))
    assert dead(understood) == {"A1": (2, 3), "A2": (1, 4)}
    (note,) = [note for note in understood.notes if note.key == "import.note.twice"]
    assert str(note.values["rows"]) == "2 = 2 (A1)"


def test_a_contradiction_names_both_rows(tmp_path: Path) -> None:
    """One sample with other figures in two tables is refused, both rows named."""
    other = [["Sample", "Dead", "Nodes"], ["A2", 2, 4]]
    (problem,) = _problems(table(tmp_path / "a.csv", COUNTS), table(tmp_path / "b.csv", other))
    assert problem.startswith("b.csv:2: sample 'A2', cane '1': 2 dead of 4, but a.csv:3 says 1 dead of 4")


def test_nodes_are_kept_where_all_tables_give_them(tmp_path: Path) -> None:
    """A row a cane and a row a node go into one table of nodes."""
    canes = [["Vine", "N1", "N2", "N3"], ["A2", "live", "dead", "live"], ["A2", "dead", "dead", "live"]]
    buds = of_buds(table(tmp_path / "a.csv", NODES), table(tmp_path / "b.csv", canes)).tables["buds"]
    assert list(buds.columns) == ["sample", "cane", "node", "primary", "secondary", "tertiary"]
    assert buds.groupby(["sample", "cane"]).size().to_dict() == {("A1", "1"): 3, ("A2", "1"): 3, ("A2", "2"): 3}


def test_samples_numbered_anew_in_each_block_are_named_by_both(tmp_path: Path) -> None:
    """Vine 1 of two blocks is two samples; 2 is never 12."""
    rows = [
        ["Block", "Vine", "Dead", "Buds"],
        ["Ash", 2, 3, 10],
        ["Ash", 12, 4, 10],
        ["Birch", 2, 1, 10],
        ["Birch", 12, 0, 10],
    ]
    assert dead(of_buds(table(tmp_path / "a.csv", rows))) == {
        "Ash 2": (3, 10),
        "Ash 12": (4, 10),
        "Birch 2": (1, 10),
        "Birch 12": (0, 10),
    }


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        (
            [["Sample", "% dead", "Buds"], ["A1", "37%", 10]],
            "a.csv:2: % dead: 37 % of 10 nodes is no whole number",
        ),
        ([["Sample", "Live", "Dead", "Total"], ["A1", 8, 4, 10]], "a.csv:2: Total: 8 alive and 4 dead are more than"),
        ([["Sample", "Dead", "Total"], ["A1", 12, 10]], "a.csv:2: Dead: 12 of 10 nodes"),
        ([["Sample", "Dead", "Total"], ["A1", "many", 10]], "a.csv:2: Dead: 'many' is no count"),
        ([["Sample", "% dead", "Dead", "Total"], ["A1", 50, 2, 10]], "a.csv:2: % dead: 50 % is not 2 of 10"),
        ([["Sample", "% dead", "Dead"], ["A1", 50, ""]], "a.csv:2: there is no number of nodes"),
    ],
)
def test_figures_that_cannot_be_are_named(tmp_path: Path, rows: list[list[object]], expected: str) -> None:
    """Each row whose figures contradict each other is named with its column; nothing is made up."""
    (problem,) = _problems(table(tmp_path / "a.csv", rows, mark="\t"))
    assert problem.startswith(expected)


def test_a_run_saved_as_a_number_is_refused(tmp_path: Path) -> None:
    """A spreadsheet that takes 0110 for the number 110 has lost a node."""
    rows = [["Vine", "Codes"], ["A1", "0110"], ["A2", "1010"], ["A3", "0011"], ["A4", 1110]]
    problems = [str(one) for one in of_buds(workbook(tmp_path / "a.xlsx", Buds=rows)).problems]
    assert any("1110 was saved as a number" in problem for problem in problems)


def test_what_is_written_once_goes_for_the_rows_below(tmp_path: Path) -> None:
    """A block over its vines, and a vine over its canes, need not be written in every row; a note says so."""
    head = ["Block", "Vine", "Cane", "Dead", "Buds"]
    rows = [["Ash", 1, 1, 3, 10], ["", "", 2, 1, 10], ["", 2, 1, 4, 10], ["Birch", 1, 1, 0, 9]]
    understood = of_buds(table(tmp_path / "a.csv", [head, *rows]))
    assert dead(understood) == {"Ash 1": (4, 20), "Ash 2": (4, 10), "Birch 1": (0, 9)}
    assert any(note.key == "import.note.filled_down.many" for note in understood.notes)


def test_counts_of_a_part_are_no_counts_of_all(tmp_path: Path) -> None:
    """Buds dead before the freeze are kept as such; basal buds beside the count are named, and never counted."""
    head = ["sample", "nodes", "primary_dead", "primary_dead_before", "noncount_dead"]
    understood = of_buds(table(tmp_path / "a.csv", [head, ["A1", 10, 3, 1, 2], ["A2", 10, 0, 0, 1]]))
    assert understood.open == ()
    buds = understood.tables["buds"]
    assert buds[["nodes", "primary_dead", "primary_dead_before"]].to_numpy().tolist() == [[10, 3, 1], [10, 0, 0]]
    assert any(note.key == "warning.unused" and "noncount_dead" in note for note in understood.notes)
