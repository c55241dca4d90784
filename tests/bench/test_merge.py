"""Several people's bud files into one: nothing lost, nothing counted twice, contradictions named."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from vinemap.bench import merge
from vinemap.bench.merge import merge_buds, merge_tables
from vinemap.errors import InputError
from vinemap.sentences import Sentence

HEADER = "sample,cane,node,primary,secondary,tertiary"


def bud_file(folder: Path, name: str, *rows: str) -> Path:
    path = folder / name
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


def merged(folder: Path, *paths: Path) -> tuple[pd.DataFrame, list[Sentence]]:
    report = merge_buds(paths, folder / "buds.csv")
    return pd.read_csv(folder / "buds.csv", dtype=str), report


def faults(folder: Path, *paths: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        merge_buds(paths, folder / "buds.csv")
    assert not (folder / "buds.csv").exists()
    return [str(problem) for problem in caught.value.problems]


def test_files_of_two_people_are_joined_cane_by_cane(tmp_path: Path) -> None:
    """Nodes of one sample from two files stand together, its canes in order, and the counts are told."""
    ana = bud_file(tmp_path, "ana.csv", "A,1,1,alive,dead,", "B,1,1,dead,,")
    ben = bud_file(tmp_path, "ben.csv", "A,2,2,dead,,", "A,2,1,alive,,unread")
    table, report = merged(tmp_path, ana, ben)
    assert table.to_numpy().tolist() == [
        ["A", "1", "1", "alive", "dead", "unread"],
        ["A", "2", "1", "alive", "unread", "unread"],
        ["A", "2", "2", "dead", "unread", "unread"],
        ["B", "1", "1", "dead", "unread", "unread"],
    ]
    assert report == ["ana.csv: 2 nodes.", "ben.csv: 2 nodes.", "buds.csv: 4 nodes on 3 canes of 2 samples."]
    assert report[-1].said("es") == "buds.csv: 4 nudos en 3 sarmientos de 2 muestras."


def test_basal_buds_stay_with_their_cane(tmp_path: Path) -> None:
    """They are carried once; two files that give a cane other numbers stop the merge, both rows named."""
    noted = f"{HEADER},noncount_alive,noncount_dead"
    ana, ben = tmp_path / "ana.csv", tmp_path / "ben.csv"
    ana.write_text(f"{noted}\nA,1,1,alive,,,2,1\nA,1,2,dead,,,,\n", encoding="utf-8")
    ben.write_text(f"{HEADER}\nA,1,1,alive,,\n", encoding="utf-8")
    table, _ = merged(tmp_path, ana, ben)
    assert table[["noncount_alive", "noncount_dead"]].fillna("").to_numpy().tolist() == [["2", "1"], ["", ""]]
    (tmp_path / "buds.csv").unlink()
    ben.write_text(f"{noted}\nA,1,2,dead,,,2,2\n", encoding="utf-8")
    assert faults(tmp_path, ana, ben) == [
        "ben.csv:2: noncount_dead: 2, but ana.csv:2 says 1 (cane '1', sample 'A'); look at the cane again and correct "
        "either"
    ]


def test_wood_checks_are_merged_row_by_row(tmp_path: Path) -> None:
    """Every slice of every file is there, samples together; those that two files hold are named; `merge` tells wood."""
    head = "sample,tissue,phloem,cambium,xylem"
    ana, ben = tmp_path / "ana.csv", tmp_path / "ben.csv"
    ana.write_text(f"{head}\nA,trunk,dead,alive,alive\nB,cane,alive,,\n", encoding="utf-8")
    ben.write_text(f"{head},wedge\nA,trunk,dead,dead,dead,yes\n", encoding="utf-8")
    report = merge_tables([ana, ben], tmp_path / "wood.csv")
    table = pd.read_csv(tmp_path / "wood.csv", dtype=str).fillna("")
    assert table[["sample", "tissue", "phloem", "xylem", "wedge"]].to_numpy().tolist() == [
        ["A", "trunk", "dead", "alive", ""],
        ["A", "trunk", "dead", "dead", "yes"],
        ["B", "cane", "alive", "unread", ""],
    ]
    assert report == [
        "ana.csv: 2 slices of wood.",
        "ben.csv: 1 slice of wood.",
        "Two files hold slices of A: all were kept, as pieces of their own. Delete those that stand twice.",
        "wood.csv: 3 slices of wood of 2 samples.",
    ]
    (tmp_path / "wood.csv").unlink()
    ben.write_text(f"{head}\nA,trunk,purple,,\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"ben\.csv:2: phloem"):
        merge_tables([ana, ben], tmp_path / "wood.csv")
    assert not (tmp_path / "wood.csv").exists()


def test_readers_are_kept(tmp_path: Path) -> None:
    """Each node keeps the name of who read it; who found it unread has not; a file without names adds none."""
    named = f"{HEADER},reader"
    ana = tmp_path / "ana.csv"
    ana.write_text(f"{named}\nA,1,1,alive,,,Ana\nA,1,2,unread,,,Ana\n", encoding="utf-8")
    ben = tmp_path / "ben.csv"
    ben.write_text(f"{named}\nA,1,2,dead,,,Ben\n", encoding="utf-8")
    table, _ = merged(tmp_path, ana, ben, bud_file(tmp_path, "old.csv", "A,1,3,dead,,"))
    assert table["reader"].fillna("").tolist() == ["Ana", "Ben", ""]


def test_double_entry_that_agrees_is_kept_once_and_told(tmp_path: Path) -> None:
    """A cane that two people read alike counts once; a bud that only one of them read is taken from that one."""
    ana = bud_file(tmp_path, "ana.csv", "A,1,1,alive,,", "A,1,2,dead,alive,")
    ben = bud_file(tmp_path, "ben.csv", "A,1,1,alive,,", "A,1,2,unread,,dead")
    table, report = merged(tmp_path, ana, ben)
    assert table[["primary", "secondary", "tertiary"]].to_numpy().tolist() == [
        ["alive", "unread", "unread"],
        ["dead", "alive", "dead"],
    ]
    assert "ana.csv and ben.csv both hold 2 nodes (A cane 1), without a contradiction: kept once." in report


def test_contradictions_name_both_files_and_rows(tmp_path: Path) -> None:
    """A bud read otherwise by two people stops the merge, also where a third left it unread, each bud named."""
    ana = bud_file(tmp_path, "ana.csv", "A,1,1,unread,alive,")
    ben = bud_file(tmp_path, "ben.csv", "B,1,1,alive,,", "A,1,1,alive,dead,")
    cara = bud_file(tmp_path, "cara.csv", "A,1,1,dead,,")
    found = faults(tmp_path, ana, ben, cara)
    assert [fault.split(" (")[0] for fault in found] == [
        "cara.csv:2: primary: dead, but ben.csv:3 says alive",
        "ben.csv:3: secondary: dead, but ana.csv:2 says alive",
    ]


def test_every_fault_of_every_file_is_named(tmp_path: Path) -> None:
    """Bad cells, missing files, other kinds, counts, doubled names: all in one run, and nothing is written."""
    ana = bud_file(tmp_path, "ana.csv", "A,1,1,gray,,")
    counts = tmp_path / "counts.csv"
    counts.write_text("sample,nodes,primary_dead\nA,10,3\n", encoding="utf-8")
    text = tmp_path / "buds.txt"
    text.write_text("x", encoding="utf-8")
    found = faults(tmp_path, ana, counts, text, tmp_path / "none.csv", ana)
    starts = [
        "ana.csv:2: primary: 'gray'",
        "counts.csv: holds counts",
        "buds.txt: is not read",
        "none.csv: there is no",
    ]
    for start in starts:
        assert any(fault.startswith(start) for fault in found), start
    assert any("is given twice" in fault for fault in found)


def test_files_of_one_name_in_two_folders_are_told_apart(tmp_path: Path) -> None:
    """Two devices both save buds.csv: messages give the folder too."""
    paths = []
    for person, state in (("ana", "alive"), ("ben", "dead")):
        (tmp_path / person).mkdir()
        paths.append(bud_file(tmp_path / person, "buds.csv", f"A,1,1,{state},,"))
    (fault,) = faults(tmp_path, *paths)
    assert str(paths[0]) in fault
    assert str(paths[1]) in fault


def test_sheets_and_letters_merge_too(tmp_path: Path) -> None:
    """A workbook of a sheet a block, a row a cane, merges with a file of a row a node; near names are told."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, sample in (("North", "A 1"), ("South", "B")):
        sheet = book.create_sheet(title)
        sheet.append(["Sample", "Cane", "Node 1", "Node 2"])
        sheet.append([sample, 1, "DA-", "a"])
    book.save(tmp_path / "ana.xlsx")
    ben = bud_file(tmp_path, "ben.csv", "a1,1,1,alive,,", "B,1,2,alive,,")
    table, report = merged(tmp_path, tmp_path / "ana.xlsx", ben)
    assert table["sample"].tolist() == ["A 1", "A 1", "B", "B", "a1"]
    assert table.loc[0, ["primary", "secondary"]].tolist() == ["dead", "alive"]
    assert "'A 1' and 'a1' were kept as 2 samples: correct the names if they are one." in report


def test_merging_into_one_of_the_files(tmp_path: Path) -> None:
    """The output may be one of the inputs: it is read before it is written, and merging again changes nothing."""
    own = bud_file(tmp_path, "buds.csv", "A,1,1,alive,,")
    ben = bud_file(tmp_path, "ben.csv", "B,1,1,dead,,")
    first, _ = merged(tmp_path, own, ben)
    again, _ = merged(tmp_path, own, ben)
    assert len(first) == 2
    assert first.equals(again)


def test_what_a_spreadsheet_would_run_is_named(tmp_path: Path) -> None:
    """A sample's name that begins like a formula stands in the merged file as it is, however it came in."""
    ana = bud_file(tmp_path, "ana.csv", "=A,1,1,alive,,", "-3,1,1,alive,,")
    ben = bud_file(tmp_path, "ben.csv", "'=A,2,1,dead,,")
    table, report = merged(tmp_path, ana, ben)
    assert table["sample"].tolist() == ["=A", "=A", "-3"]
    (note,) = [sentence for sentence in report if "preadsheet" in sentence]
    assert "=A." in note


def test_very_many_contradictions_are_counted(tmp_path: Path) -> None:
    """Of two files that differ throughout the first two hundred buds are named and the others counted."""
    ana = bud_file(tmp_path, "ana.csv", *(f"A,1,{node},dead,," for node in range(1, 206)))
    ben = bud_file(tmp_path, "ben.csv", *(f"A,1,{node},alive,," for node in range(1, 206)))
    named = faults(tmp_path, ana, ben)
    assert len(named) == 201
    assert named[-1] == "ben.csv: so do 5 more buds; see whether the files hold the same canes"


def test_more_nodes_than_a_map_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sum of the files is bounded as one file is, and no further file is read."""
    monkeypatch.setattr(merge, "MOST_ROWS", 3)
    one = bud_file(tmp_path, "one.csv", "A,1,1,dead,,", "A,1,2,dead,,")
    two = bud_file(tmp_path, "two.csv", "B,1,1,dead,,", "B,1,2,dead,,")
    assert faults(tmp_path, one, two, tmp_path / "unread.csv") == [
        "two.csv: with it the files hold more than 3 rows, which no map reads; merge the files of one vineyard"
    ]


MARKS = "block,zone,task,mark,set,initials,time,vines\n"


def test_two_phones_are_merged_and_the_later_mark_stands(tmp_path: Path) -> None:
    """One phone takes back what the other ticked: the later stands, both are named; flags of either stay."""
    one, two, out = (tmp_path / name for name in ("done_ana.csv", "done_lee.csv", "done.csv"))
    one.write_text(
        f"{MARKS}Ash,1,keep_more,done,yes,AN,2026-02-14T09:30:00.000Z,800\n"
        "Ash,2,as_usual,flagged,yes,AN,2026-02-14T09:31:00.000Z,400\n",
        encoding="utf-8",
    )
    two.write_text(
        f"{MARKS}Ash,1,keep_more,done,no,LE,2026-02-14T10:30:00.000Z,800\n"
        "Ash,2,as_usual,done,yes,LE,2026-02-14T10:31:00.000Z,400\n",
        encoding="utf-8",
    )
    said = [str(sentence) for sentence in merge_tables([one, two], out)]
    merged = pd.read_csv(out)
    assert merged[["zone", "mark", "set", "initials"]].to_numpy().tolist() == [
        [2, "flagged", "yes", "AN"], [1, "done", "no", "LE"], [2, "done", "yes", "LE"],
    ]  # fmt: skip
    named = "zone 1 of Ash, Keep more nodes: no longer done, by LE at 2026-02-14 10:30 UTC; before that done by AN"
    assert any(sentence.startswith(named) for sentence in said)
    assert sum("before that" in sentence for sentence in said) == 1
    # Again with what was merged: nothing new, nothing lost.
    merge_tables([out, one, two], out)
    assert pd.read_csv(out).equals(merged)


def test_faults_of_marks_are_named_by_their_file(tmp_path: Path) -> None:
    """A fault in one of two files with one name is named by its path, and nothing is written."""
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "done.csv").write_text(f"{MARKS}Ash,1,keep_more,done,yes,AN,noon,8\n", encoding="utf-8")
    with pytest.raises(InputError, match="noon") as caught:
        merge_tables([tmp_path / "a" / "done.csv", tmp_path / "b" / "done.csv"], tmp_path / "out.csv")
    assert len({problem.file for problem in caught.value.problems}) == 2
    assert not (tmp_path / "out.csv").exists()
