"""Names matched: what is one name is found, what is not is never guessed, and a number is never another number."""

from __future__ import annotations

import json
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.intake.naming import EACH, NONE, folded_name, match_names
from vinemap.intake.questions import settled

OUTLINES = ["Blk 2 - Pinot N. 5 / 667", "Blk 12 - Chard", "Blk 1 Riesling", "Dipper", "Peñón Alto"]


@pytest.mark.parametrize(
    ("written", "known"),
    [
        ("Blk 2", OUTLINES[0]),
        ("2", OUTLINES[0]),
        ("BLOCK 02", OUTLINES[0]),
        ("Blk. No. 2", OUTLINES[0]),
        ("2 PN", OUTLINES[0]),
        ("2 Pinot", OUTLINES[0]),
        ("Cuartel 12", OUTLINES[1]),
        ("block one", OUTLINES[2]),
        ("DIPPER ", "Dipper"),
        ("Dipper block", "Dipper"),
        ("penon-alto", "Peñón Alto"),
    ],
)
def test_what_can_be_no_other_is_certain(written: str, known: str) -> None:
    """The same name in another dress, its beginning or its number, where nothing else fits."""
    found = match_names([written], OUTLINES, {})
    assert found.mapping == {written: known}
    assert [proposal.certain for proposal in found.proposals] == [True]
    assert found.proposals[0].examples == (f"{written} → {known}",)


@pytest.mark.parametrize(
    ("written", "known", "proposed"),
    [
        ("Diper", OUTLINES, "Dipper"),
        ("Dip", OUTLINES, "Dipper"),
        ("Chard 12", OUTLINES, "Blk 12 - Chard"),
        ("2 Syrah", OUTLINES, OUTLINES[0]),
        ("2A", OUTLINES, None),
        ("5", OUTLINES, None),
        ("667", OUTLINES, None),
        ("21", OUTLINES, None),
        ("Ridge", ["Ridge East", "Creek"], None),
        ("Ridge", ["Ridge Top Pinot", "Ridge Chardonnay"], None),
        ("Block 2", ["2 Pinot", "2 Merlot"], None),
        ("Blk 2", ["Blk 2 5", "Creek"], None),
        ("Block A", ["Block B", "Block C"], None),
        ("North Hill", ["South Hill", "Creek"], None),
        ("A+", ["A", "A-"], None),
        ("1-2", ["12", "1", "2"], None),
    ],
)
def test_what_could_be_another_is_asked(written: str, known: list[str], proposed: str | None) -> None:
    """A likely name is proposed, with every outline as a choice; where several are as likely, nothing is."""
    found = match_names([written], known, {})
    assert found.mapping == {}
    assert found.unmatched == [written]
    (asked,) = found.proposals
    assert (asked.value, asked.certain, settled(asked, {})) == (proposed, False, None)
    assert sorted(choice.value for choice in asked.choices) == sorted([*known, NONE])


def test_both_ways() -> None:
    """A beginning that two written names have, or that an exact match took, is no certain one."""
    found = match_names(["Ridge Top", "Ridge"], ["Ridge Top", "Creek"], {})
    assert found.mapping == {"Ridge Top": "Ridge Top"}
    assert found.unmatched == ["Ridge"]
    assert match_names(["2 PN", "2 Pinot"], OUTLINES, {}).mapping == {}
    # Spellings of one name are one name.
    assert match_names(["2", "Block 2", "blk 02"], ["Blk 2"], {}).mapping == dict.fromkeys(
        ("2", "Block 2", "blk 02"), "Blk 2"
    )


def test_names_that_share_their_first_word() -> None:
    """S1, S2, S3 are the waypoints 001, 002, 003; but Hill 1 is Creek 1 only by an answer."""
    found = match_names(["S1", "S2", "S3"], ["001", "002", "003"], {}, "sample")
    assert found.mapping == {"S1": "001", "S2": "002", "S3": "003"}
    other = match_names(["Hill 1", "Hill 2"], ["Creek 1", "Creek 2"], {})
    assert other.mapping == {}
    assert other.proposals[0].examples == ("Hill 1 → Creek 1", "Hill 2 → Creek 2")


def test_one_question_for_many_names() -> None:
    """Likely names are asked in one table; its answer settles them, "each" asks one by one, and both are kept apart."""
    known = ["Riverbend", "Hillcrest", "Creek"]
    written = ["Rivrbend", "Hillcrst", "Rivrbend", "Zzz"]
    table, single = match_names(written, known, {}).proposals
    assert table.examples == ("Rivrbend → Riverbend", "Hillcrst → Hillcrest")
    assert (single.key, single.value) == ("name.block.Zzz", None)
    answers = {table.key: str(table.value), single.key: NONE}
    done = match_names(written, known, answers)
    assert done.mapping == {"Rivrbend": "Riverbend", "Hillcrst": "Hillcrest"}
    assert done.unmatched == ["Zzz"]
    assert all(settled(proposal, answers) is not None for proposal in done.proposals)
    each = match_names(written, known, {table.key: EACH}).proposals
    assert [proposal.key for proposal in each] == ["name.block.Rivrbend", "name.block.Hillcrst", "name.block.Zzz"]
    one = {table.key: EACH, "name.block.Rivrbend": "Creek"}
    assert match_names(written, known, one).mapping == {"Rivrbend": "Creek"}
    # A table of other names, of another file, is another question, whose answer takes nothing from the first.
    other = match_names(["Riverbnd", "Hilcrest"], known, answers).proposals
    assert [proposal.key == table.key for proposal in other] == [False]
    # Next year: a new name is asked, and it alone.
    later = match_names([*written, "Crek"], known, answers)
    assert [p.key for p in later.proposals if settled(p, answers) is None] == ["name.block.Crek"]


def test_an_answer_overrules() -> None:
    """A certain name may be said to be another one, or none; an answer that names nothing known is not taken."""
    assert match_names(["2"], OUTLINES, {"name.block.2": "Dipper"}).mapping == {"2": "Dipper"}
    assert match_names(["2"], OUTLINES, {"name.block.2": NONE}).unmatched == ["2"]
    for broken in ("[1", "[1]", json.dumps({"Diper": "gone"})):
        found = match_names(["Diper"], OUTLINES, {"name.block.Diper": "gone", "names.block.abc": broken})
        assert (found.mapping, found.unmatched) == ({}, ["Diper"])


def test_numbers_that_stand_apart_stay_apart() -> None:
    """Folding takes punctuation away, but never makes one number of two; other digits are digits."""
    assert folded_name("1-2") == folded_name("1.2") != folded_name("12")
    assert folded_name("Block 1 2") != folded_name("Block 12")
    assert folded_name("٢") == "2"
    assert folded_name("🍇") != folded_name("🍎")


LABELS = st.one_of(
    st.integers(0, 200).map(str), st.builds("{}{}".format, st.integers(0, 30), st.sampled_from("ABCabc"))
)
BEFORE = st.sampled_from(["", "Blk ", "Block ", "blk", "BLQ. ", "Cuartel ", "No. ", "Lote #", "Home "])
BEHIND = st.sampled_from(["", " - Pinot N. 5 / 667", " Riesling", " (2004)", " CH", ", upper", "/3"])
NAMES = st.builds(lambda before, label, behind: (before + label + behind, label.casefold()), BEFORE, LABELS, BEHIND)


@given(st.lists(NAMES, min_size=1, max_size=6), st.lists(NAMES, min_size=1, max_size=6))
def test_a_number_is_never_another_number(written: list[tuple[str, str]], known: list[tuple[str, str]]) -> None:
    """Neither settled nor proposed, alone or in a table; and no two written names are certain of one outline."""
    label = dict([*written, *known])
    found = match_names([name for name, _ in written], [name for name, _ in known], {})
    pairs = list(found.mapping.items())
    for proposal in found.proposals:
        if proposal.key.startswith("name."):
            pairs += [(proposal.examples[0], proposal.value)] if proposal.value else []
        else:
            pairs += [tuple(pair.split(" → ")) for pair in proposal.examples]
    assert [(one, other) for one, other in pairs if label[one].lstrip("0") != label[other].lstrip("0")] == []
    reached: dict[str, set[str]] = {}
    for one, other in found.mapping.items():
        reached.setdefault(other, set()).add(folded_name(one))
    # Several written names reach one outline only as spellings of one name.
    assert all(len({label[one] for one, to in found.mapping.items() if to == other}) == 1 for other in reached)


WORDS = st.text(st.sampled_from(string.ascii_letters + "éñ  -.'12"), min_size=1, max_size=12)


@given(st.lists(WORDS, max_size=8), st.lists(WORDS, max_size=8), st.sampled_from(["block", "sample"]))
def test_each_name_is_settled_or_asked_once(written: list[str], known: list[str], kind: str) -> None:
    """Nothing is lost: a written name is mapped or unmatched, and what is open has exactly one question."""
    found = match_names(written, known, {}, kind)
    assert sorted([*found.mapping, *found.unmatched]) == sorted(set(written))
    asked = [proposal for proposal in found.proposals if not proposal.certain]
    named = [name for p in asked for name in ([p.examples[0]] if p.key.startswith("name.") else p.examples)]
    assert len(named) == len(found.unmatched)
    again = match_names(written, list(reversed(known)), {}, kind)
    assert again.mapping == found.mapping


@given(st.lists(WORDS.filter(str.strip), min_size=1, max_size=8, unique_by=folded_name))
def test_the_same_names_are_certain(names: list[str]) -> None:
    """Names match themselves, in any capitals, whatever else they begin with."""
    assert match_names(names, names, {}).mapping == {name: name for name in names}
    if len({folded_name(name.upper()) for name in names}) == len(names):
        upper = [name.upper() for name in names]
        assert match_names(upper, names, {}).mapping == dict(zip(upper, names, strict=True))
