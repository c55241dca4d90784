"""Short names for samples: unlike each other, unlike those that are there, after their blocks."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from vinemap.reading.names import prefixes, sample_names


def test_names_come_from_the_blocks() -> None:
    """Initials of several words, the first two letters of one; further letters where two are alike."""
    assert prefixes(["Ridge Acre", "Larkrise", "Red Ash", "Lark", "7"]) == ["RA", "LA", "RE", "LAR", "7"]


def test_running_numbers_pass_over_names_in_use() -> None:
    """Numbers run by block, and one that a sample has already, in capitals or not, is left out."""
    found = sample_names([0, 1, 0, 0], ["Ridge Acre", "7"], ["ra02", "other"])
    assert found == ["RA01", "7-01", "RA03", "RA04"]


@given(st.lists(st.text(max_size=6), min_size=1, max_size=60, unique=True))
def test_any_blocks_have_unlike_prefixes(blocks: list[str]) -> None:
    """Whatever blocks are called, their prefixes differ, and so do the samples' names, capitals or not."""
    found = prefixes(blocks)
    assert len(set(found)) == len(blocks)
    assert all(prefix and prefix.isprintable() for prefix in found)
    names = sample_names([*range(len(blocks)), *range(len(blocks))], blocks, [])
    assert len({name.casefold() for name in names}) == 2 * len(blocks)
